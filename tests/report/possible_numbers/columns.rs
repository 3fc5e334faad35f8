//! What the columns of the tables can hold: a list, first match counts.
//!
//! The limits are wide: a hen of 20 kg, an age of 1000 d, a gain of 500 g/d are no
//! measurements of this trade, yet no test should know better than a fit what a pullet
//! weighs. A number beyond them was not determined by any data.

/// The least and greatest number of a column.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Range {
    pub(crate) least: f64,
    pub(crate) most: f64,
}

const fn within(least: f64, most: f64) -> Range {
    Range { least, most }
}

const AGE_D: Range = within(-30.0, 1000.0);
const DAYS_APART: Range = within(-1000.0, 1000.0);
/// Limits of an age: on one degree of freedom 12.7 standard errors from it, each at most
/// half of the ages weighed, of 140 d at most here.
const AGE_LIMIT_D: Range = within(-1200.0, 1200.0);
const MASS_G: Range = within(0.0, 20_000.0);
const MASSES_APART_G: Range = within(-20_000.0, 20_000.0);
const GAIN_G_PER_D: Range = within(-500.0, 500.0);
const PER_DAY: Range = within(-10.0, 10.0);
const CHANCE: Range = within(0.0, 1.0);
const SHARE_PCT: Range = within(0.0, 100.0);
const CORRELATION: Range = within(-1.0, 1.0);
const PERCENT: Range = within(-1000.0, 1000.0);
const COUNT: Range = within(0.0, 1e7);
/// Shape terms, test statistics, criteria: no unit to judge them by.
const PURE: Range = within(-1e7, 1e7);
/// Sums of squares in g^2 of at most 10^4 weighings.
const SQUARES: Range = within(0.0, 1e12);

/// Columns whose unit stands in another column of the row.
const BY_TERM: [(&str, &str); 9] = [
    ("curve_terms", "term"),
    ("contrasts", "term"),
    ("random_effects", "term"),
    ("thresholds", "quantity"),
    ("onset_forecast", "quantity"),
    ("calibration_terms", "term"),
    ("onset_terms", "term"),
    ("onset_backtest", "quantity"),
    ("designs", "quantity"),
];

/// table, column, range; `*` is any text.
const COLUMNS: &[(&str, &str, Range)] = &[
    ("onset_forecast", "on_time*", AGE_D),
    ("onset_forecast", "late_pct", SHARE_PCT),
    ("first_egg_terms", "estimate", DAYS_APART),
    ("first_egg_terms", "std_error", DAYS_APART),
    ("cues", "difference_d", DAYS_APART),
    ("cues", "mean_difference*", DAYS_APART),
    ("cues", "correlation*", CORRELATION),
    ("cues", "estimate", AGE_D),
    ("cues", "lower", AGE_LIMIT_D),
    ("cues", "upper", AGE_LIMIT_D),
    ("cues", "std_error", AGE_D),
    ("age_in_lay", "lower", AGE_D),
    ("age_in_lay", "upper", AGE_D),
    ("lay_curve", "lower", CHANCE),
    ("lay_curve", "upper", CHANCE),
    ("lay_curve", "share_in_lay", CHANCE),
    ("lay_curve", "std_error", CHANCE),
    ("curves", "age_d", AGE_D),
    ("difference_by_age", "age_d", AGE_D),
    ("corrected", "age_d", AGE_D),
    ("curves", "rate*", GAIN_G_PER_D),
    ("curves", "*", MASSES_APART_G),
    ("residuals", "age_d", AGE_D),
    ("residuals", "observed", MASS_G),
    ("residuals", "*fitted", MASSES_APART_G),
    ("residuals", "*residual", MASSES_APART_G),
    ("residuals", "*", within(-100.0, 100.0)),
    ("difference_by_age", "*", MASSES_APART_G),
    ("corrected", "*percent*", PERCENT),
    ("corrected", "*", MASSES_APART_G),
    ("deviation", "days", DAYS_APART),
    ("deviation", "*_per_d", GAIN_G_PER_D),
    ("deviation", "*_pct", PERCENT),
    ("deviation", "deviation*", MASSES_APART_G),
    ("deviation", "std_error", MASS_G),
    ("forecast", "chance*", CHANCE),
    ("forecast", "*_pct", SHARE_PCT),
    ("forecast", "forecast", MASS_G),
    ("forecast", "lower", MASSES_APART_G),
    ("forecast", "upper", MASS_G),
    ("forecast", "std_error", MASS_G),
    ("uniformity", "*_pct", PERCENT),
    ("curve_fits", "rss", SQUARES),
    ("curve_fits", "variance_power", within(-10.0, 10.0)),
    ("curve_choice", "weight", CHANCE),
    ("curve_choice", "*_p", CHANCE),
    ("curve_choice", "autocorrelation", CORRELATION),
    ("curve_choice", "cv_*", MASS_G),
    // Data without noise have a statistic without a limit.
    ("curve_choice", "lack_of_fit_f", within(0.0, f64::MAX)),
    ("curve_tests", "statistic", within(0.0, f64::MAX)),
    ("agreement", "*slope", within(-1000.0, 1000.0)),
    ("agreement", "rmse_pct", PERCENT),
    ("agreement", "*", MASSES_APART_G),
    // Without a limit where terms of an equation are one another's combination.
    ("calibration_choice", "greatest_vif", within(0.0, f64::MAX)),
    ("feathers", "share*", SHARE_PCT),
    ("repeatability", "rms_cv_pct", PERCENT),
    ("repeatability", "*power*", within(-100.0, 100.0)),
    ("repeatability", "sd_factor", within(0.0, f64::MAX)),
    ("repeatability", "p_constant", CHANCE),
    ("calibration_rows", "leverage", CHANCE),
    ("calibration_rows", "cooks_distance", within(0.0, 1e6)),
    ("calibration_rows", "studentised", within(-1e6, 1e6)),
    ("*", "chance*", CHANCE),
    ("*", "p_value", CHANCE),
    ("*", "p_adjusted", CHANCE),
    ("*", "false_alarm_probability", CHANCE),
    ("*", "concordance*", CORRELATION),
    ("*", "reliability", CHANCE),
    ("*", "reliability_*", within(-1e-9, 1.0)),
    ("*", "coverage_pct", SHARE_PCT),
    ("*", "uniformity*_pct", SHARE_PCT),
    ("*", "deviation*", MASSES_APART_G),
    ("*", "bias*", MASSES_APART_G),
    ("*", "moved_g", MASSES_APART_G),
    ("*", "*effect*_g", MASSES_APART_G),
    ("*", "age_d", AGE_D),
    ("*", "*_age_d", AGE_D),
    ("*", "*_per_d", GAIN_G_PER_D),
    ("*", "*_d", DAYS_APART),
    ("*", "*_g", MASSES_APART_G),
    ("*", "*_pct", PERCENT),
    ("*", "n", COUNT),
    ("*", "*std_error*", within(0.0, 20_000.0)),
    ("*", "*", PURE),
];

/// What a column can hold in a row; `None` of text that only looks like a number (a
/// bird's name).
pub(crate) fn range<'a>(
    table: &str,
    column: &str,
    cell: &impl Fn(&str) -> Option<&'a str>,
) -> Option<Range> {
    if matches!(
        column,
        "bird" | "strain" | "pen" | "scan" | "term" | "row" | "birds"
    ) {
        return None;
    }
    let by_term = BY_TERM.iter().find(|(name, _)| *name == table);
    if let Some((_, key)) = by_term
        && let Some(term) = cell(key)
        && !column.contains("p_")
    {
        let range = of_term(term, cell("unit"));
        return match column {
            "estimate" if table == "curve_terms" => Some(range.0),
            "estimate" | "difference" | "lower" | "upper" | "mean_difference" => Some(range.1),
            "std_error" | "sd" => Some(within(0.0, range.1.most)),
            "percent" => Some(within(-1e4, 1e4)),
            "vif" => Some(within(1.0, 1e9)),
            _ => Some(PURE),
        };
    }
    let found = COLUMNS
        .iter()
        .find(|(tables, columns, _)| matches(tables, table) && matches(columns, column));
    found.map(|(.., range)| *range)
}

/// What a term or derived quantity can be, and how far two can be apart.
fn of_term(term: &str, unit: Option<&str>) -> (Range, Range) {
    let inner = term
        .strip_prefix("sd(")
        .and_then(|rest| rest.strip_suffix(')'))
        .unwrap_or(term);
    let starts = |some: &[&str]| some.iter().any(|start| inner.starts_with(start));
    if let Some(unit) = unit {
        return match unit {
            "g" => (MASS_G, MASSES_APART_G),
            // An age at mass 0 is before hatch.
            "d" if inner == "t0" => (AGE_LIMIT_D, AGE_LIMIT_D),
            "d" => (AGE_D, AGE_LIMIT_D),
            "g/d" => (GAIN_G_PER_D, GAIN_G_PER_D),
            "1/d" => (PER_DAY, PER_DAY),
            _ => (PURE, PURE),
        };
    }
    if starts(&["cor(", "ar1"]) {
        (CORRELATION, CORRELATION)
    } else if starts(&["relative_rate", "k"]) {
        (PER_DAY, PER_DAY)
    } else if starts(&[
        "rate",
        "inflection_rate",
        "first_peak_rate",
        "second_peak_rate",
    ]) {
        (GAIN_G_PER_D, GAIN_G_PER_D)
    } else if starts(&[
        "ti",
        "age_at",
        "inflection_age",
        "first_peak_age",
        "second_peak_age",
    ]) {
        (AGE_D, AGE_LIMIT_D)
    } else if starts(&["A", "w", "mature", "inflection_weight", "weight"]) {
        (MASS_G, MASSES_APART_G)
    } else {
        (PURE, PURE)
    }
}

/// The greatest number that may stand before a unit in words.
pub(crate) fn most_in_words(unit: &str) -> Option<f64> {
    match unit {
        "g" => Some(MASS_G.most),
        "d" => Some(AGE_D.most),
        "g/d" => Some(GAIN_G_PER_D.most),
        "%" | "percent" => Some(1e4),
        _ => None,
    }
}

/// Whether a name fits a pattern with `*` at its ends.
fn matches(pattern: &str, name: &str) -> bool {
    match (pattern.strip_prefix('*'), pattern.strip_suffix('*')) {
        (None, None) => pattern == name,
        (None, Some(start)) => name.starts_with(start),
        (Some(end), None) => name.ends_with(end),
        (Some(end), Some(_)) => name.contains(end.strip_suffix('*').unwrap_or("")),
    }
}
