//! How well the scanner repeated itself and told the chemistry.

use super::{short, signed};
use crate::report::methods::in_words;
use crate::report::prose::listed;
use crate::report::rounding;
use crate::report::told::Told;

pub(super) fn scanner(told: &Told<'_>) -> Vec<String> {
    let Some(answer) = told.repeatability else {
        return Vec::new();
    };
    let each: Vec<String> = answer
        .rows
        .iter()
        .map(|row| {
            let way = match row.method.as_str() {
                "all" => String::new(),
                method => format!(" ({})", method.replace(['=', '_'], " ")),
            };
            format!(
                "{}{way} {} g ({} % interval {} to {}; {} degrees of freedom; least significant change {} g)",
                in_words(&row.trait_name),
                short(row.rms_sd),
                told.percent(),
                short(row.lower),
                short(row.upper),
                row.df,
                short(row.lsc)
            )
        })
        .collect();
    if each.is_empty() {
        return Vec::new();
    }
    vec![format!(
        "The root mean square standard deviation of repeated scans was {} {}. [What changes between two scans can be seen with such a scanner?]",
        listed(&each),
        told.see("repeatability", "precision_by_method")
    )]
}

pub(super) fn calibration(told: &Told<'_>) -> Vec<String> {
    let mut all = Vec::new();
    for chosen in told.equations {
        let calibration = &chosen.calibration;
        let name = &calibration.equation.provenance.response;
        let unit = match calibration.equation.provenance.unit.as_str() {
            "pct" => "percentage points",
            _ => "g",
        };
        let terms: Vec<String> = calibration
            .terms
            .iter()
            .map(|term| {
                format!(
                    "{} {}",
                    term.term,
                    rounding::estimate_and_error(term.estimate, Some(term.std_error))
                )
            })
            .collect();
        let mut text = format!(
            "The equation for {} had the coefficients (\u{b1} SE) {} (calibration_terms.csv).",
            in_words(name),
            terms.join(", ")
        );
        text += &match calibration.cross_validation.rmse {
            Some(rmse) => format!(
                " It predicted birds left out of the fit with a root mean square error of {} {unit} (n = {}).",
                short(rmse),
                calibration.cross_validation.predicted
            ),
            None => {
                " No bird could be left out, so its error for a new bird is not known.".to_owned()
            }
        };
        for row in &calibration.agreement {
            let what = match row.stage.as_str() {
                "before" => "Readings less chemistry",
                "after" => "Predictions of left-out birds less chemistry",
                other => other,
            };
            let concordance = row
                .concordance
                .map_or_else(String::new, |value| format!(", concordance {value:.3}"));
            text += &format!(
                " {what} had a mean of {} {unit}, limits of agreement {} to {} {unit}{concordance} (n = {}).",
                signed(row.bias),
                short(row.lower_limit),
                short(row.upper_limit),
                row.n
            );
        }
        if !calibration.agreement.is_empty() {
            let short_name = name.split('_').next().unwrap_or(name);
            text += &format!(
                " {}",
                told.see("agreement", &format!("bland_altman_{short_name}"))
            );
        }
        all.push(text);
    }
    all
}
