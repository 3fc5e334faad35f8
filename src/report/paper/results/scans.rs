//! How well the scanner repeated itself and agreed with chemistry.

use super::super::Paper;
use super::super::words::{capital, count, digits_of, interval, spaced, way, with_unit};
use super::limits;
use crate::composition::agreement::AgreementRow;
use crate::composition::repeatability::RepeatabilityRow;
use crate::report::prose::listed;
use crate::report::rounding::{self, Digits};
use crate::report::text::error_size;
use crate::stats::Interval;

impl Paper<'_> {
    pub(super) fn repeatability(&self) -> Vec<String> {
        let Some(answer) = self.analysis.scans.precision.iter().flatten().next() else {
            return Vec::new();
        };
        let mut methods: Vec<&str> = Vec::new();
        for row in &answer.rows {
            if !methods.contains(&&*row.method) {
                methods.push(&row.method);
            }
        }
        let mut sentences = Vec::new();
        for (at, method) in methods.iter().enumerate() {
            let rows: Vec<&RepeatabilityRow> = answer
                .rows
                .iter()
                .filter(|row| row.method == *method && row.trait_name != "total" && row.unit == "g")
                .collect();
            let Some(first) = rows.first() else {
                continue;
            };
            let percent = self.percent();
            let each: Vec<String> = rows
                .iter()
                .map(|row| {
                    let interval_g = Interval {
                        lower: row.lower,
                        upper: row.upper,
                    };
                    let digits = digits_of(interval_g);
                    format!(
                        "{} g ({}) for {}",
                        digits.write(row.rms_sd),
                        limits(interval_g, digits, "g", &percent),
                        spaced(&row.trait_name)
                    )
                })
                .collect();
            let changes: Vec<String> = rows
                .iter()
                .map(|row| format!("{} g", error_size(row.lsc)))
                .collect();
            let by = match *method {
                "all" => String::new(),
                method => format!(" with the {}", way(method)),
            };
            sentences.push(if at == 0 {
                format!(
                    "The root mean square standard deviation of repeated scans{by} was {} ({} degrees of freedom); the least significant change between two single scans was {} for {}, respectively.",
                    listed(&each),
                    first.df,
                    listed(&changes),
                    listed(&rows.iter().map(|row| spaced(&row.trait_name)).collect::<Vec<_>>())
                )
            } else {
                format!(
                    "{} it was {}, and the least significant change {}.",
                    capital(by.trim()),
                    listed(&each),
                    listed(&changes)
                )
            });
        }
        if sentences.is_empty() {
            return Vec::new();
        }
        let better: Vec<String> = answer
            .methods
            .iter()
            .filter(|row| row.p_value < 0.05 && row.trait_name != "total")
            .map(|row| {
                let (more, less, ratio) = if row.variance_ratio > 1.0 {
                    (&row.method_a, &row.method_b, row.variance_ratio)
                } else {
                    (&row.method_b, &row.method_a, 1.0 / row.variance_ratio)
                };
                format!(
                    "{}, {} to {}, {} ({})",
                    spaced(&row.trait_name),
                    way(more),
                    way(less),
                    rounding::significant(ratio, 2),
                    rounding::p_equals(row.p_value)
                )
            })
            .collect();
        if !better.is_empty() {
            sentences.push(format!(
                "Error variances differed between ways of scanning (ratios: {}).",
                better.join("; ")
            ));
        }
        sentences.push(format!(
            "{}. [State which changes between two scans are of practical importance.]",
            self.see("table repeatability", "precision_by_method")
        ));
        vec![sentences.join(" ").replace(". (table", " (table")]
    }

    /// Whether the scanner is stable, and whether scanning itself changed the birds.
    pub(super) fn scanner_checks(&self) -> Vec<String> {
        let overview = self.overview;
        let checks = [
            (&overview.phantom, "table phantom"),
            (&overview.scanning, "table scanning_effect"),
        ];
        let stated = checks
            .into_iter()
            .filter(|(sentences, _)| !sentences.is_empty());
        stated
            .map(|(sentences, table)| {
                let words: Vec<String> = sentences.iter().map(ToString::to_string).collect();
                format!("{} ({table}).", words.join(" ").trim_end_matches('.'))
            })
            .collect()
    }

    pub(super) fn calibrated(&self) -> Vec<String> {
        let equations = self.analysis.scans.equations.as_ref();
        let chosen = equations.map_or(&[][..], |found| &found.chosen);
        let mut all = Vec::new();
        for one in chosen {
            let calibration = &one.calibration;
            let from = &calibration.equation.provenance;
            let name = from.response.trim_end_matches("_chem");
            let unit = match from.unit.as_str() {
                "pct" => "percentage points",
                unit => unit,
            };
            let stage = |stage: &str| calibration.agreement.iter().find(|row| row.stage == stage);
            let mut sentences = Vec::new();
            if let Some(before) = stage("before") {
                sentences.push(before_correction(before, name, unit));
            }
            match (stage("after"), calibration.cross_validation.rmse) {
                (Some(after), Some(rmse)) => sentences.push(format!(
                    "After correction, {} of birds left out was predicted with an RMSE of {} (n = {}), {} and a concordance correlation coefficient of {}.",
                    spaced(name),
                    with_unit(&error_size(rmse), unit),
                    calibration.cross_validation.predicted,
                    bias_and_limits(after, unit),
                    concordance(after)
                )),
                (_, Some(rmse)) => sentences.push(format!(
                    "The equation for {} predicted birds left out with an RMSE of {} (n = {}).",
                    spaced(name),
                    with_unit(&error_size(rmse), unit),
                    calibration.cross_validation.predicted
                )),
                _ => sentences.push(format!(
                    "The error of the equation for {} for a new bird could not be estimated.",
                    spaced(name)
                )),
            }
            let short = name.split('_').next().unwrap_or(name);
            sentences.push(self.see("table agreement", &format!("bland_altman_{short}")));
            all.push(ended(&sentences.join(" ")));
        }
        if let Some(last) = all.last_mut() {
            *last += &format!(
                " Coefficients of the {} are in table calibration_terms.",
                count(chosen.len(), "equation")
            );
        }
        all
    }
}

/// "a sentence. (table x)" with the pointer before its full stop.
pub(super) fn ended(text: &str) -> String {
    match text.rsplit_once(". (") {
        Some((before, pointer)) if pointer.ends_with(')') => format!("{before} ({pointer}."),
        _ => text.to_owned(),
    }
}

/// "The scanner underestimated bone by 5.1 g (limits of agreement −10.7 to 0.5 g)."
fn before_correction(row: &AgreementRow, name: &str, unit: &str) -> String {
    let digits = Digits::of_error(row.sd);
    let agreement = interval(
        Interval {
            lower: row.lower_limit,
            upper: row.upper_limit,
        },
        digits,
        unit,
    );
    let biased = row.bias_interval.lower > 0.0 || row.bias_interval.upper < 0.0;
    let size = with_unit(&digits.write(row.bias.abs()), unit);
    let name = spaced(name);
    if !biased {
        return format!(
            "The uncorrected reading of {name} had no detectable bias ({}; limits of agreement {agreement}; n = {}).",
            with_unit(&digits.write(row.bias), unit),
            row.n
        );
    }
    let direction = if row.bias > 0.0 {
        "overestimated"
    } else {
        "underestimated"
    };
    format!(
        "The scanner {direction} {name} by {size} (limits of agreement {agreement}; n = {}).",
        row.n
    )
}

/// "a bias of −0.04 g (limits of agreement −7.05 to 6.97 g)".
fn bias_and_limits(row: &AgreementRow, unit: &str) -> String {
    let digits = Digits::of_error(row.sd);
    let agreement = interval(
        Interval {
            lower: row.lower_limit,
            upper: row.upper_limit,
        },
        digits,
        unit,
    );
    format!(
        "a bias of {} (limits of agreement {agreement})",
        with_unit(&digits.write(row.bias), unit)
    )
}

fn concordance(row: &AgreementRow) -> String {
    match row.concordance {
        Some(value) if value > 0.9995 => "more than 0.999".to_owned(),
        Some(value) => format!("{value:.3}"),
        None => "[not estimable]".to_owned(),
    }
}
