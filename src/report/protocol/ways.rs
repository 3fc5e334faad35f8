//! Steps about ways of scanning: restraint, several birds at once, repeats.

use super::{grams, plain, share};
use crate::composition::repeatability::{MethodRow, ProtocolRow, Repeatability, RepeatabilityRow};
use crate::report::prose::listed;
use crate::report::rounding::{p_equals, significant};
use crate::study::Scan;

/// The tissue by which methods are compared first: the sum of all parts, or else the first there is.
const LEADING: [&str; 4] = ["total", "fat", "lean", "bone"];

/// Rows of the leading tissue whose method names this part of a way.
fn of_part<'a>(precision: &'a Repeatability, part: &str) -> Vec<&'a ProtocolRow> {
    let tissue = LEADING.into_iter().find(|tissue| {
        let mut rows = precision.protocol.iter();
        rows.any(|row| row.trait_name == *tissue && row.method.starts_with(part))
    });
    let rows = precision.protocol.iter();
    rows.filter(|row| Some(row.trait_name.as_str()) == tissue && row.method.starts_with(part))
        .collect()
}

fn precise(row: &ProtocolRow, precision: &RepeatabilityRow) -> String {
    format!(
        "{}: SD of a repositioned scan of {} {} ({} to {}; {} birds scanned {} times, df {}), {} rejected",
        plain(&row.method),
        row.trait_name,
        grams(precision.rms_sd),
        significant(precision.lower, 2),
        grams(precision.upper),
        precision.subjects,
        precision.scans,
        precision.df,
        share(row.rejected, row.scans),
    )
}

pub(super) fn restraint(precision: Option<&Repeatability>) -> Vec<String> {
    let none = "[Method of restraint or sedation, and who may do it: the study did not scan birds again in two methods.]";
    let Some(precision) = precision else {
        return vec![none.to_owned()];
    };
    let rows = of_part(precision, "restraint=");
    let mut known: Vec<(&ProtocolRow, &RepeatabilityRow)> = rows
        .iter()
        .filter_map(|row| Some((*row, row.precision.as_ref()?)))
        .collect();
    known.sort_by(|a, b| a.1.rms_sd.total_cmp(&b.1.rms_sd));
    let figures = |known: &[(&ProtocolRow, &RepeatabilityRow)]| -> Vec<String> {
        known.iter().map(|(row, of)| precise(row, of)).collect()
    };
    let Some(((best, of_best), others)) = known.split_first() else {
        return vec![none.to_owned()];
    };
    let mut lines = Vec::new();
    if others.is_empty() {
        lines.push(format!(
            "Restrain the bird as in this study: {} (protocol.csv). [Other methods were not repeated, so the study cannot show whether they are better.]",
            precise(best, of_best)
        ));
    } else {
        let separated = others.iter().all(|(other, _)| {
            ratio(precision, &best.trait_name, &best.method, &other.method)
                .is_some_and(|row| row.p_value < 0.05)
        });
        let often = others
            .iter()
            .find(|(other, _)| rejected_more_often(best, other));
        let tests: Vec<String> = others
            .iter()
            .filter_map(|(other, _)| {
                let row = ratio(precision, &best.trait_name, &best.method, &other.method)?;
                Some(format!(
                    "error variances of {} and {} differ by the factor {} ({})",
                    plain(&row.method_a),
                    plain(&row.method_b),
                    significant(row.variance_ratio, 2),
                    p_equals(row.p_value)
                ))
            })
            .collect();
        let advice = match (separated, often) {
            (true, None) => format!(
                "Use: {}. It repeats best, and there is no evidence that it is rejected more often.",
                plain(&best.method)
            ),
            (true, Some((other, _))) => format!(
                "[Choose: {} repeats best, but its scans are rejected more often than those of {}.]",
                plain(&best.method),
                plain(&other.method)
            ),
            (false, _) => format!(
                "[Choose: {} has the smallest SD, which the study does not separate from the others.]",
                plain(&best.method)
            ),
        };
        lines.push(format!(
            "{advice} {} (protocol.csv, method_ratios.csv{}).",
            figures(&known).join("; "),
            match tests.is_empty() {
                true => String::new(),
                false => format!(": {}", tests.join("; ")),
            }
        ));
    }
    let without: Vec<&str> = rows
        .iter()
        .filter(|row| row.precision.is_none())
        .map(|row| plain(&row.method))
        .collect();
    if !without.is_empty() {
        lines.push(format!(
            "[{}: scanned, but not repeated in one way, so that its precision is not known.]",
            listed(
                &without
                    .iter()
                    .map(|name| (*name).to_owned())
                    .collect::<Vec<_>>()
            )
        ));
    }
    lines
}

fn ratio<'a>(
    precision: &'a Repeatability,
    tissue: &str,
    a: &str,
    b: &str,
) -> Option<&'a MethodRow> {
    let mut rows = precision.methods.iter();
    rows.find(|row| {
        let pair = (row.method_a.as_str(), row.method_b.as_str());
        row.trait_name == tissue && (pair == (a, b) || pair == (b, a))
    })
}

/// Whether the shares rejected differ by more than twice their standard error.
fn rejected_more_often(one: &ProtocolRow, other: &ProtocolRow) -> bool {
    let of = |row: &ProtocolRow| {
        let n = row.scans.max(1) as f64;
        // Agresti and Caffo (2000): one success and one failure added to each.
        let p = (row.rejected as f64 + 1.0) / (n + 2.0);
        (p, p * (1.0 - p) / (n + 2.0))
    };
    let ((p, v), (q, w)) = (of(one), of(other));
    p - q > 1.96 * (v + w).sqrt()
}

pub(super) fn together(precision: Option<&Repeatability>, scans: &[Scan]) -> Vec<String> {
    let groups = precision.map_or(&[][..], |precision| &precision.groups);
    if groups.is_empty() {
        let several = scans.iter().filter(|scan| scan.birds.len() > 1).count();
        return vec![if several == 0 {
            "Scan one bird at a time, as in this study: it has no scan of several birds (scans). [Group scans were not compared.]".to_owned()
        } else {
            "[Single or group scans: the study has no birds scanned both ways.]".to_owned()
        }];
    }
    let figures: Vec<String> = groups
        .iter()
        .map(|row| {
            format!(
                "{}: bias {} ({} to {}), limits of agreement {} to {}, n {}",
                row.trait_name,
                grams(row.bias),
                significant(row.bias_interval.lower, 2),
                significant(row.bias_interval.upper, 2),
                significant(row.lower_limit, 2),
                grams(row.upper_limit),
                row.n
            )
        })
        .collect();
    let differs = groups
        .iter()
        .filter(|row| !row.bias_interval.contains(0.0))
        .map(|row| row.trait_name.clone());
    let differs: Vec<String> = differs.collect();
    let advice = if differs.is_empty() {
        "A scan of several birds gave the mean of the same birds scanned singly within its limits of agreement; it gives no curve of a single bird and no regions".to_owned()
    } else {
        format!(
            "Scan birds singly: scans of several birds misread {} per bird against the same birds scanned singly",
            listed(&differs)
        )
    };
    vec![format!("{advice}. {} (agreement.csv).", figures.join("; "))]
}

pub(super) fn repeats(precision: Option<&Repeatability>) -> Vec<String> {
    let Some(precision) = precision else {
        return vec!["[Number of repeats: no bird of this study was scanned twice at one age, so that the precision of a scan is not known.]".to_owned()];
    };
    let mut lines = vec![
        "Reposition the bird between scans. A change of a bird is real (95 %) where it exceeds the least significant change: that of two single scans, or of two means of 2 or 3 scans (repeatability.csv, where the sets and scans of each row stand).".to_owned(),
    ];
    for row in &precision.rows {
        let unit = &row.unit;
        let reading = |mass: f64| match unit.as_str() {
            "g" => grams(mass),
            unit => format!("{} {unit}", significant(mass, 3)),
        };
        let of_means = |mass: f64, change: f64| {
            let at = |scans: f64| significant(change / scans.sqrt(), 2);
            format!(
                "{} {unit} for single scans, {} {unit} for means of 2, {} {unit} for means of 3, at {}",
                at(1.0),
                at(2.0),
                at(3.0),
                reading(mass)
            )
        };
        let least = of_means(row.at_least.mass, row.at_least.lsc);
        let greatest = of_means(row.at_greatest.mass, row.at_greatest.lsc);
        let both = if (row.at_least.lsc - row.at_greatest.lsc).abs() < 1e-9 * row.at_least.lsc {
            of_means(row.at_least.mass, row.at_least.lsc)
                + &format!(" to {}", reading(row.at_greatest.mass))
        } else {
            format!("{least}; {greatest}")
        };
        lines.push(format!(
            "{}, {}: {both} ({} birds, {} scans, df {}).",
            row.trait_name,
            plain(&row.method),
            row.subjects,
            row.scans,
            row.df
        ));
    }
    lines.push(
        "[Number of scans of each bird: choose by the smallest change that the study must find.]"
            .to_owned(),
    );
    lines
}
