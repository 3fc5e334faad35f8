//! This program's names of columns, and headers that are such a name with a unit.

use super::settings::TableName;
use super::units::{AgeUnit, MassUnit};

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Holds {
    Words,
    Dates,
    Ages,
    Masses,
}

/// This program's columns of a table; names of ages and masses without the unit.
#[expect(clippy::too_many_lines, reason = "one table after the other")]
pub(crate) fn columns_of(table: TableName) -> &'static [(&'static str, Holds)] {
    use Holds::{Ages, Dates, Masses, Words};
    match table {
        TableName::Birds => &[
            ("bird", Words),
            ("strain", Words),
            ("pen", Words),
            ("treatment", Words),
            ("block", Words),
            ("hatch_date", Dates),
        ],
        TableName::Weighings => &[
            ("bird", Words),
            ("date", Dates),
            ("age", Ages),
            ("weight", Masses),
            ("strain", Words),
            ("pen", Words),
            ("treatment", Words),
            ("hatch_date", Dates),
            ("house", Words),
            ("birds", Words),
            ("mean", Masses),
            ("total", Masses),
            ("sd", Masses),
            ("cv_pct", Words),
        ],
        TableName::Scans => &[
            ("scan", Words),
            ("bird", Words),
            ("date", Dates),
            ("age", Ages),
            ("repeat", Words),
            ("region", Words),
            ("restraint", Words),
            ("birds_in_scan", Words),
            ("feathers", Words),
            ("fat", Masses),
            ("lean", Masses),
            ("bone", Masses),
            ("scale_weight", Masses),
            ("quality", Words),
            ("strain", Words),
            ("laboratory", Words),
            ("scanner", Words),
        ],
        TableName::Chemistry => &[
            ("bird", Words),
            ("part", Words),
            ("mass", Masses),
            ("dry_matter_pct", Words),
            ("crude_protein_pct", Words),
            ("nitrogen_pct", Words),
            ("fat_pct", Words),
            ("ash_pct", Words),
            ("basis", Words),
            ("laboratory", Words),
        ],
        TableName::Targets => &[
            ("strain", Words),
            ("trait", Words),
            ("age", Ages),
            ("target", Masses),
            ("weight_range", Masses),
            ("lower", Masses),
            ("upper", Masses),
        ],
        TableName::Onset => &[
            ("bird", Words),
            ("first_egg_age", Ages),
            ("last_without", Ages),
            ("first_with", Ages),
            ("last_seen_age", Ages),
            ("entered_age", Ages),
        ],
        TableName::Events => &[
            ("strain", Words),
            ("pen", Words),
            ("date", Dates),
            ("age", Ages),
            ("event", Words),
        ],
        TableName::Pens => &[
            ("pen", Words),
            ("house", Words),
            ("strain", Words),
            ("treatment", Words),
            ("block", Words),
            ("hatch_date", Dates),
            ("birds", Words),
        ],
        TableName::Eggs => &[
            ("pen", Words),
            ("date", Dates),
            ("age", Ages),
            ("eggs", Words),
            ("hens", Words),
            ("days", Words),
            ("strain", Words),
        ],
        TableName::Light => &[
            ("pen", Words),
            ("date", Dates),
            ("age", Ages),
            ("hours", Words),
            ("lux", Words),
        ],
        TableName::Moves => &[
            ("bird", Words),
            ("date", Dates),
            ("age", Ages),
            ("from_pen", Words),
            ("to_pen", Words),
        ],
        TableName::ScaleStream => &[
            ("time", Words),
            ("date", Dates),
            ("scale", Words),
            ("pen", Words),
            ("weight", Masses),
        ],
        TableName::Phantom => &[
            ("date", Dates),
            ("time", Words),
            ("scanner", Words),
            ("fat", Masses),
            ("lean", Masses),
            ("bone", Masses),
            ("reading", Words),
        ],
    }
}

/// A name split into the quantity and its unit: `weight_kg`, `BW (kg)`, `age w`.
fn without_unit(name: &str) -> (&str, &str) {
    let name = name.trim();
    let bare = name.trim_end_matches([')', ']']);
    match bare.rfind(['_', ' ', '(', '[', ',', '/']) {
        Some(at) => (
            name[..at].trim_end_matches(['_', ' ', '(', '[', ',', '/']),
            &bare[at + 1..],
        ),
        None => (name, ""),
    }
}

/// Unit of age in a name.
pub(crate) fn age_unit(name: &str) -> Option<AgeUnit> {
    // "day" and "week" alone are headers too.
    name.parse::<AgeUnit>()
        .ok()
        .filter(|_| name.len() > 1)
        .or_else(|| without_unit(name).1.parse().ok())
}

/// Unit of mass in a name.
pub(crate) fn mass_unit(name: &str) -> Option<MassUnit> {
    without_unit(name).1.parse().ok()
}

/// Whether a header or key is a name of this column, with or without a unit.
pub(crate) fn is_named(name: &str, stem: &str, holds: Holds) -> bool {
    if name.eq_ignore_ascii_case(stem) {
        return true;
    }
    let (quantity, unit) = without_unit(name);
    let same = quantity.eq_ignore_ascii_case(stem);
    match holds {
        Holds::Words | Holds::Dates => false,
        Holds::Masses => same && unit.parse::<MassUnit>().is_ok(),
        Holds::Ages => {
            (same && unit.parse::<AgeUnit>().is_ok())
                || (stem == "age" && name.len() > 1 && name.parse::<AgeUnit>().is_ok())
        }
    }
}

/// The name of a column as the documents write it: with days or grams.
pub(crate) fn contract_name(stem: &str, holds: Holds) -> String {
    match holds {
        Holds::Words | Holds::Dates => stem.to_owned(),
        Holds::Ages => format!("{stem}_d"),
        Holds::Masses => format!("{stem}_g"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_give_their_unit() {
        for (name, stem, holds, named) in [
            ("weight_kg", "weight", Holds::Masses, true),
            ("Weight (kg)", "weight", Holds::Masses, true),
            ("weight", "weight", Holds::Masses, true),
            ("weight_stone", "weight", Holds::Masses, false),
            ("age_w", "age", Holds::Ages, true),
            ("age_weeks", "age", Holds::Ages, true),
            ("Week", "age", Holds::Ages, true),
            ("d", "age", Holds::Ages, false),
            ("first_egg_age_d", "first_egg_age", Holds::Ages, true),
            ("hatch_date", "date", Holds::Dates, false),
        ] {
            assert_eq!(is_named(name, stem, holds), named, "{name}");
        }
        assert_eq!(mass_unit("BW [lb]"), Some(MassUnit::Pound));
        assert_eq!(mass_unit("BW kg"), Some(MassUnit::Kilogram));
        assert_eq!(mass_unit("weight"), None);
        assert_eq!(age_unit("week"), Some(AgeUnit::Weeks));
        assert_eq!(age_unit("Time"), None);
    }
}
