//! The answers of the commands that judge a scanner, in ten lines each.

use super::line::{Line, Role, flowing, wrapped};
use super::short_answer;
use crate::composition::agreement::AgreementRow;
use crate::composition::calibration::{Calibration, shown_unit};
use crate::composition::changes::ChangeRow;
use crate::composition::laboratories::Laboratories;
use crate::composition::repeatability::{MethodRow, Repeatability};
use crate::composition::study_equations::{Chosen, Plucked};
use crate::composition::study_masses::StudyMasses;
use crate::composition::validation::{Validation, Verdict};
use crate::report::paper::words::{coefficient, spaced, way};
use crate::report::prose::listed;
use crate::report::rounding::{estimate_and_error, significant};
use crate::report::text::{count, error_size, number, signed};

/// What scanning and analysing birds needs.
pub(super) const CAUTION: &str =
    "X-ray work needs trained operators; restraint and euthanasia, local approval.";
/// Adjusted for nothing: each trait's variances are compared once.
const SIGNIFICANT: f64 = 0.05;
/// Columns of ways that a line has room for.
const MOST_WAYS: usize = 3;

/// How well the scanner repeats itself: the least significant change by trait and way, and
/// which way repeats better. `scans` are the study's rejected scans and all of them; `unit` is
/// that of the readings.
#[must_use]
pub fn repeatability(
    answer: &Repeatability,
    unit: &str,
    scans: Option<(usize, usize)>,
    place: &str,
) -> Vec<Line> {
    let mut ways: Vec<&str> = Vec::new();
    let mut traits: Vec<&str> = Vec::new();
    for row in &answer.rows {
        if !ways.contains(&&*row.method) {
            ways.push(&row.method);
        }
        if !traits.contains(&&*row.trait_name) {
            traits.push(&row.trait_name);
        }
    }
    let mut lines = vec![Line::headed(
        "REPEATABILITY",
        "least significant change between two single scans (95 %)",
    )];
    if ways.iter().any(|way| *way != "all") {
        let names = ways.iter().take(MOST_WAYS);
        let names: String = names.map(|name| format!("{:<20}", way(name))).collect();
        lines.push(Line::headed("", names));
    }
    let room = if answer.methods.is_empty() { 6 } else { 4 };
    lines.extend(traits.iter().take(room).map(|name| {
        let cells = ways.iter().take(MOST_WAYS).map(|way| {
            let mut rows = answer.rows.iter();
            rows.find(|row| row.trait_name == *name && row.method == *way)
                .map_or(String::new(), |row| {
                    let unit = if unit.is_empty() { "" } else { &*row.unit };
                    match row.grows() {
                        Some(_) => format!(
                            "{} to {} {unit}",
                            error_size(row.at_least.lsc),
                            error_size(row.at_greatest.lsc)
                        ),
                        None => format!("{} {unit}", error_size(row.lsc)),
                    }
                })
        });
        let cells: String = cells.map(|cell| format!("{cell:<20}")).collect();
        Line::plain(format!("  {:<12}{cells}", spaced(name)))
    }));
    lines.extend(better(&answer.methods));
    if let Some((rejected, all)) = scans.filter(|(rejected, _)| *rejected > 0) {
        let text = format!("{rejected} of {all} scans, by the study's rules (rejected_scans.csv)");
        lines.push(Line::headed("REJECTED", text));
    }
    short_answer(lines, CAUTION, place)
}

/// Which way of scanning repeats better, and in what.
fn better(methods: &[MethodRow]) -> Vec<Line> {
    let mut found: Vec<((String, String), Vec<String>)> = Vec::new();
    for row in methods.iter().filter(|row| row.p_value < SIGNIFICANT) {
        let pair = if row.variance_ratio > 1.0 {
            (way(&row.method_b), way(&row.method_a))
        } else {
            (way(&row.method_a), way(&row.method_b))
        };
        let name = spaced(&row.trait_name);
        match found.iter_mut().find(|(known, _)| *known == pair) {
            Some((_, names)) => names.push(name),
            None => found.push((pair, vec![name])),
        }
    }
    if found.is_empty() && !methods.is_empty() {
        let text = "no difference in variance between ways of scanning (P > 0.05)";
        return vec![Line::headed("PRECISION", text)];
    }
    let pieces: Vec<String> = found
        .iter()
        .map(|((more, less), names)| {
            format!("{more} repeats better than {less}: {}", listed(names))
        })
        .collect();
    if pieces.is_empty() {
        return Vec::new();
    }
    flowing("PRECISION", &pieces, 1)
}

/// How well corrected readings predict chemistry, equation by equation; `saved` is where the
/// equations are kept.
#[must_use]
pub fn calibration(
    chosen: &[Chosen],
    laboratories: &[Laboratories],
    plucked: Option<&Plucked>,
    saved: Option<&str>,
    place: &str,
) -> Vec<Line> {
    let mut lines = vec![Line::headed(
        "CALIBRATION",
        format!(
            "{:<32}{}",
            "error on birds left out", "bias before correction"
        ),
    )];
    lines.extend(chosen.iter().take(4).map(|one| {
        let calibration = &one.calibration;
        Line::plain(format!(
            "  {:<12}{:<32}{}",
            name_of(calibration),
            left_out(calibration),
            bias(calibration)
        ))
    }));
    if chosen.len() == 1 {
        let terms = chosen[0].calibration.terms.iter();
        let terms: Vec<String> = terms.map(|row| coefficient(&row.term)).collect();
        lines.extend(flowing("TERMS", &terms, 2));
    }
    let differ: Vec<String> = laboratories
        .iter()
        .filter_map(|of| {
            let sd = of.quantity("sd_between_laboratories")?.estimate?;
            let bird = of.middle()?.one_bird.width() / 2.0;
            let [sd, bird] = [sd, bird].map(error_size);
            Some(format!(
                "{} SD {sd} g, bird of another \u{b1} {bird} g",
                spaced(&of.trait_name)
            ))
        })
        .collect();
    if !differ.is_empty() {
        lines.extend(flowing("LABORATORIES", &differ, 2));
    }
    let effects = plucked.iter().flat_map(|plucked| &plucked.effects);
    let effects: Vec<String> = effects
        .filter_map(|(tissue, effect)| {
            let mut terms = effect.terms.iter();
            let slope = terms.find(|term| term.term == "feather_mass")?;
            let digits = estimate_and_error(slope.estimate, Some(slope.std_error));
            let estimate = digits.split(' ').next().unwrap_or_default();
            Some(format!("{estimate} g of {}", tissue.name()))
        })
        .collect();
    if !effects.is_empty() {
        let text = format!("each gram adds {} to the reading", listed(&effects));
        lines.extend(wrapped("FEATHERS", &text, 2));
    }
    if let Some(saved) = saved {
        let equations = count(chosen.len(), "equation");
        lines.push(Line::headed("SAVED", format!("{equations} in {saved}")));
    }
    short_answer(lines, CAUTION, place)
}

fn name_of(calibration: &Calibration) -> String {
    let response = &calibration.equation.provenance.response;
    spaced(response.trim_end_matches("_chem"))
}

fn unit(calibration: &Calibration) -> &str {
    match calibration.equation.provenance.unit.as_str() {
        "pct" => "% points",
        unit => unit,
    }
}

/// `3.5 g (4.9 % of the mean)`.
fn left_out(calibration: &Calibration) -> String {
    let Some(rmse) = calibration.cross_validation.rmse else {
        return "no bird can be left out".to_owned();
    };
    let observed = calibration.rows.iter().map(|row| row.observed);
    let sum: f64 = observed.sum();
    let share = if sum > 0.0 {
        let n: f64 = calibration.rows.iter().map(|_| 1.0).sum();
        format!(
            " ({} % of the mean)",
            significant(100.0 * rmse * n / sum, 2)
        )
    } else {
        String::new()
    };
    format!("{} {}{share}", error_size(rmse), unit(calibration))
}

/// The bias of the uncorrected readings, and its limits of agreement.
fn bias(calibration: &Calibration) -> String {
    let mut stages = calibration.agreement.iter();
    stages.find(|row| row.stage == "before").map_or_else(
        || "no reading to compare with".to_owned(),
        |row| format!("{} {}", limits(row), unit(calibration)),
    )
}

fn limits(row: &AgreementRow) -> String {
    let decimals = decimals_by(row.sd);
    format!(
        "{} ({} to {})",
        signed(row.bias, decimals),
        minus(row.lower_limit, decimals),
        minus(row.upper_limit, decimals)
    )
}

/// Decimals of differences with this standard deviation: none from 10 on, one or, of densities,
/// as many as show it.
fn decimals_by(sd: f64) -> usize {
    if sd >= 10.0 {
        return 0;
    }
    let (mut decimals, mut shown) = (1, 10.0 * sd);
    while shown < 0.5 && shown > 0.0 && decimals < 9 {
        shown *= 10.0;
        decimals += 1;
    }
    decimals
}

/// A true minus, and none before a zero.
fn minus(value: f64, decimals: usize) -> String {
    signed(value, decimals).trim_start_matches('+').to_owned()
}

/// What the correction of scans gave, trait by trait.
#[must_use]
pub fn corrected(masses: &StudyMasses, place: &str) -> Vec<Line> {
    let mut lines = vec![Line::headed(
        "CORRECTED",
        format!(
            "{:<10}{:<22}{}",
            "scans", "standard error", "changes of a bird beyond the LSC"
        ),
    )];
    lines.extend(masses.corrections.iter().take(4).map(|one| {
        let error = median(one.rows.iter().filter_map(|row| row.std_error));
        let unit = shown_unit(&one.equation.provenance.unit);
        let error = error.map_or(String::new(), |error| format!("{} {unit}", number(error)));
        let own = masses.changes.iter();
        let own = own.filter(|row| row.trait_name == one.trait_name);
        let exceed: Vec<bool> = own.filter_map(ChangeRow::exceeds).collect();
        let beyond = match exceed.len() {
            0 => String::new(),
            n => format!("{} of {n}", exceed.iter().filter(|one| **one).count()),
        };
        let name = spaced(&one.trait_name);
        let n = one.rows.len();
        Line::plain(format!("  {name:<12}{n:<10}{error:<22}{beyond}"))
    }));
    if let Some(closure) = median(masses.balance.iter().map(|row| row.balance.closure_pct)) {
        let parts = masses.balance[0].parts.join(" + ");
        let sum = significant(closure, 3);
        let text = format!("{parts}: {sum} % of the scale weight (median)");
        lines.push(Line::headed("BALANCE", text));
    }
    if !masses.not_used.is_empty() {
        let scans = count(masses.not_used.len(), "scan");
        let text = format!("{scans}, each with its reason in rejected_scans.csv");
        lines.push(Line::headed("NOT USED", text));
    }
    short_answer(lines, CAUTION, place)
}

/// The verdict on each saved equation.
#[must_use]
pub fn validation(validations: &[Validation], place: &str) -> Vec<Line> {
    let mut lines = vec![Line::headed(
        "USABLE?",
        format!("{:<18}{:<14}{}", "bias", "acceptable", "verdict"),
    )];
    lines.extend(validations.iter().take(6).map(|one| {
        let mut rows = one.quantities.iter();
        let bias = rows.find(|row| row.quantity == "bias");
        let bias = bias.and_then(|row| Some(estimate_and_error(row.estimate?, row.std_error)));
        let bias = bias.map_or(String::new(), |bias| format!("{bias} {}", one.unit));
        let acceptable = format!("{} {}", significant(one.acceptable, 2), one.unit);
        let (role, more) = match &one.verdict {
            Verdict::AsItIs => (Role::Good, String::new()),
            Verdict::After(_) => (Role::Uncertain, String::new()),
            Verdict::NotUsable => (Role::Bad, String::new()),
            Verdict::Undecided { more_birds } => (
                Role::Uncertain,
                more_birds.map_or(String::new(), |n| format!(" (about {n} more birds)")),
            ),
        };
        let words = match one.verdict {
            Verdict::NotUsable => one.verdict.words().to_uppercase(),
            // What is recalibrated is among the details.
            _ => one.verdict.words().split(" (").take(1).collect(),
        };
        let name: String = spaced(&one.trait_name).chars().take(11).collect();
        Line::plain(format!("  {name:<12}{bias:<18}{acceptable:<14}"))
            .with(role, format!("{words}{more}"))
    }));
    short_answer(lines, CAUTION, place)
}

fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}
