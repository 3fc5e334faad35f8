//! Text on scans and equations: the plain answer first, then numbers.

use std::collections::BTreeSet;

use crate::composition::agreement::AgreementRow;
use crate::composition::calibration::{Calibration, shown_unit};
use crate::composition::changes::ChangeRow;
use crate::composition::choice::ChoiceRow;
use crate::composition::correction::Corrections;
use crate::composition::repeatability::{Repeatability, RepeatabilityRow};
use crate::composition::study_equations::{Chosen, Plucked};
use crate::composition::study_masses::StudyMasses;
use crate::composition::way_offsets::OffsetKind;
use crate::report::paper::words::way;
use crate::report::rounding::p_equals;
use crate::stats::spread_by_mean::SpreadKind;
use crate::study::{Study, Way};
use crate::trajectory::Level;
use crate::trajectory::redraw::ShareRow;

/// How well the scanner repeats itself, a line a trait and way of scanning.
#[must_use]
pub fn repeatability(answer: &Repeatability) -> Vec<String> {
    let mut lines: Vec<String> = answer.rows.iter().map(precision).collect();
    for row in &answer.methods {
        if row.lower > 1.0 || row.upper < 1.0 {
            let (better, worse) = if row.variance_ratio > 1.0 {
                (&row.method_b, &row.method_a)
            } else {
                (&row.method_a, &row.method_b)
            };
            lines.push(format!(
                "  {}: {} repeats better than {} (variance ratio {} to {} {}, interval {} to {}, {})",
                row.trait_name,
                way(better),
                way(worse),
                way(&row.method_a),
                way(&row.method_b),
                short(row.variance_ratio),
                short(row.lower),
                short(row.upper),
                p_equals(row.p_value)
            ));
        }
    }
    lines.extend(answer.groups.iter().map(|row| {
        format!(
            "  {}: scans of several birds against the same birds scanned singly: {}",
            row.trait_name,
            apart(row)
        )
    }));
    lines
}

fn precision(row: &RepeatabilityRow) -> String {
    let share = row
        .rms_cv_pct
        .map_or(String::new(), |cv| format!(", CV {} %", short(cv)));
    let way = match row.method.as_str() {
        "all" => String::new(),
        method => format!(", {}", way(method)),
    };
    let change = match row.grows() {
        Some(p_value) => format!(
            "least significant change between two single scans {} at {} and {} at {}, since the SD grows with mass ({}; {} for a constant SD)",
            short(row.at_least.lsc),
            short(row.at_least.mass),
            short(row.at_greatest.lsc),
            short(row.at_greatest.mass),
            growth(row),
            p_equals(p_value)
        ),
        None => format!(
            "least significant change between two single scans {}",
            short(row.lsc)
        ),
    };
    format!(
        "  {}{way}: {change}; RMS-SD {} ({} to {}{share}), {} degrees of freedom",
        row.trait_name,
        short(row.rms_sd),
        short(row.lower),
        short(row.upper),
        row.df
    )
}

/// How the SD grows with mass.
fn growth(row: &RepeatabilityRow) -> String {
    match row.spread.kind {
        SpreadKind::Constant => "not at all".to_owned(),
        SpreadKind::Proportional => {
            format!("{} % of it", short(100.0 * row.spread.factor))
        }
        SpreadKind::Power => format!(
            "{} times mass to the power {}",
            short(row.spread.factor),
            short(row.spread.power)
        ),
    }
}

/// What each equation does for a reading, two lines an equation.
#[must_use]
pub fn calibration(chosen: &[Chosen]) -> Vec<String> {
    let mut lines = Vec::new();
    for Chosen {
        choice,
        calibration,
    } in chosen
    {
        let equation = &calibration.equation;
        let name = &equation.provenance.response;
        let unit = unit(calibration);
        lines.push(format!("  {name}: {}", verdict(calibration, &unit)));
        let rows = &equation.provenance;
        let among = match choice.rows.len() {
            0 | 1 => String::new(),
            n => format!(
                "; selected among {n} by this error, which is therefore slightly optimistic (calibration_choice.csv)"
            ),
        };
        lines.push(format!("    {name} = {}", sum(calibration)));
        let alike = if rows.rows > rows.birds {
            format!(
                " (rows of one bird are correlated, which multiplies the variances of the terms by {})",
                short(calibration.cluster_correlation)
            )
        } else {
            String::new()
        };
        lines.push(format!(
            "    {} rows of {} birds{alike}, {}{among}",
            rows.rows, rows.birds, rows.method
        ));
        let collinear = |row: &&ChoiceRow| row.is_collinear() == Some(true);
        let collinear = choice.rows.iter().filter(collinear).count();
        if collinear > 0 {
            lines.push(format!(
                "    {collinear} of {} candidates have variance inflation factors above 10 (collinear in calibration_choice.csv): their coefficients cannot be interpreted one by one",
                choice.rows.len()
            ));
        }
        for row in &calibration.agreement {
            lines.push(format!("    {} correction: {}", row.stage, apart(row)));
        }
        if !calibration.incomplete.is_empty() {
            lines.push(format!(
                "    {} rows lack a value and were left out (first: row {})",
                calibration.incomplete.len(),
                calibration.incomplete[0]
            ));
        }
    }
    lines
}

fn unit(calibration: &Calibration) -> String {
    match calibration.equation.provenance.unit.as_str() {
        "pct" => " percentage points".to_owned(),
        unit => format!(" {unit}"),
    }
}

fn verdict(calibration: &Calibration, unit: &str) -> String {
    let Some(rmse) = calibration.cross_validation.rmse else {
        return "no bird can be left out, so its error is not known".to_owned();
    };
    let observed = &calibration.rows;
    let n = observed.len().max(1);
    let mean = observed.iter().map(|row| row.observed).sum::<f64>() / n as f64;
    let share = if mean > 0.0 {
        format!(" ({} % of the mean)", short(100.0 * rmse / mean))
    } else {
        String::new()
    };
    format!(
        "birds left out are predicted with a root mean square error of {}{unit}{share}",
        short(rmse)
    )
}

/// The equation as a sum of its terms.
fn sum(calibration: &Calibration) -> String {
    let mut sum = String::new();
    for term in &calibration.terms {
        let (sign, size) = if term.estimate < 0.0 {
            ("-", -term.estimate)
        } else {
            ("+", term.estimate)
        };
        if sum.is_empty() {
            sum = short(term.estimate);
        } else {
            sum += &format!(" {sign} {}", short(size));
        }
        if term.term != "intercept" {
            sum += &format!(" {}", term.term);
        }
    }
    sum
}

fn apart(row: &AgreementRow) -> String {
    let concordance = row.concordance.map_or(String::new(), |coefficient| {
        format!(", concordance {coefficient:.3}")
    });
    format!(
        "bias {}, limits {} to {}{concordance} (n {})",
        signed(row.bias),
        short(row.lower_limit),
        short(row.upper_limit),
        row.n
    )
}

/// Feather effects estimated from plucked carcasses.
#[must_use]
pub fn plucked(plucked: &Plucked) -> Vec<String> {
    let mut lines = Vec::new();
    for (tissue, effect) in &plucked.effects {
        let slope = effect.terms.iter().find(|term| term.term == "feather_mass");
        if let Some(slope) = slope {
            lines.push(format!(
                "  {}: {} g of reading for each g of feathers ({} to {}), from {} carcasses",
                tissue.name(),
                short(slope.estimate),
                short(slope.lower),
                short(slope.upper),
                plucked.pairs
            ));
        }
    }
    for pair in plucked.routes.chunks(2) {
        if let [step, one] = pair
            && let (Some(a), Some(b)) = (step.cross_validated_rmse, one.cross_validated_rmse)
        {
            let better = if a < b { &step.route } else { &one.route };
            let used = if a < b {
                "; the one regression is used for correction, since its errors are those of one saved equation"
            } else {
                "; it is used for correction"
            };
            lines.push(format!(
                "  {}: the {better} predicts better ({}: {} g, {}: {} g root mean square of birds left out){used}",
                step.trait_name,
                step.route,
                short(a),
                one.route,
                short(b)
            ));
        }
    }
    lines
}

/// What the correction did, a line a trait, and whether the parts add up.
#[must_use]
pub fn masses(masses: &StudyMasses) -> Vec<String> {
    let mut lines = Vec::new();
    for corrected in &masses.corrections {
        let flagged = corrected
            .rows
            .iter()
            .filter(|row| !row.flags.is_empty())
            .count();
        let moved: Vec<f64> = corrected
            .rows
            .iter()
            .filter_map(|row| Some(row.corrected - row.reading?))
            .collect();
        let unit = shown_unit(&corrected.equation.provenance.unit);
        let error = typical(corrected.rows.iter().filter_map(|row| row.std_error));
        let shared = typical(corrected.rows.iter().filter_map(|row| row.shared_error));
        let mut line = format!(
            "  {}: {} scans corrected",
            corrected.trait_name,
            corrected.rows.len()
        );
        if let Some(moved) = typical(moved.into_iter()) {
            line += &format!(", by {} {unit} in the middle", signed(moved));
        }
        if let Some(error) = error {
            line += &format!("; standard error {} {unit}", short(error));
        }
        if let Some(shared) = shared {
            line += &format!(
                ", of which {} {unit} comes from the equation and is shared by all scans",
                short(shared)
            );
        }
        if flagged > 0 {
            line += &format!("; {flagged} flagged");
        }
        lines.push(line);
        lines.extend(offsets(corrected));
        if let Some(egg) = &corrected.egg_offset {
            lines.push(format!(
                "    a shelled egg in the body adds {} g (standard error {} g), estimated from {} scans by allometry on body weight; this is taken off",
                signed(egg.value_g),
                short(egg.variance_g2.sqrt()),
                egg.scans
            ));
        }
    }
    for corrected in &masses.corrections {
        let rows = masses.changes.iter();
        let rows = rows.filter(|row| row.trait_name == corrected.trait_name);
        let known: Vec<bool> = rows.filter_map(ChangeRow::exceeds).collect();
        if !known.is_empty() {
            lines.push(format!(
                "  {}: {} of {} changes of a bird between two successive scans exceed the least significant change at its mass (changes.csv)",
                corrected.trait_name,
                known.iter().filter(|exceeds| **exceeds).count(),
                known.len()
            ));
        }
    }
    let closures = masses.balance.iter().map(|row| row.balance.closure_pct);
    if let Some(closure) = typical(closures) {
        lines.push(format!(
            "  balance: the parts ({}) add up to {} % of the scale weight in the middle of {} scans",
            masses.balance[0].parts.join(" + "),
            short(closure),
            masses.balance.len()
        ));
    }
    if !masses.not_used.is_empty() {
        lines.push(format!(
            "  {} scans were not used, each with its reason in rejected_scans.csv",
            masses.not_used.len()
        ));
    }
    lines
}

/// What each way of scanning adds to the reading of a trait, against the calibration's.
fn offsets(corrected: &Corrections) -> Vec<String> {
    let ways: BTreeSet<&Way> = corrected.rows.iter().map(|row| &row.way).collect();
    let name = format!("{}_scan", corrected.trait_name);
    let unit = shown_unit(&corrected.equation.provenance.unit);
    let lines = ways.into_iter().filter_map(|way| {
        let (of_reading, offset) = corrected.ways.offset(&name, way)?;
        let error = |at: usize| of_reading.covariance[(at, at)].max(0.0).sqrt();
        let share = |at: usize| {
            format!(
                "{} % (standard error {} %)",
                signed(100.0 * offset.share),
                short(100.0 * error(at))
            )
        };
        let grams = |at: usize| {
            format!(
                "{} {unit} (standard error {} {unit})",
                signed(offset.constant_g),
                short(error(at))
            )
        };
        let adds = match offset.kind {
            OffsetKind::Proportional => share(offset.place),
            OffsetKind::Constant => grams(offset.place),
            OffsetKind::Linear => {
                format!("{} and {}", share(offset.place), grams(offset.place + 1))
            }
        };
        Some(format!(
            "    {}: the reading differs from that in the calibration's way ({}) by {adds}, from {} comparisons; this is taken off",
            way.label(),
            corrected.ways.reference(),
            offset.comparisons
        ))
    });
    lines.collect()
}

/// The equations' share of the variance of the strains' curves, a line a trait.
#[must_use]
pub fn shares(study: &Study, rows: &[ShareRow]) -> Vec<String> {
    let mut lines = Vec::new();
    for (trait_index, records) in study.traits.iter().enumerate() {
        let of = |level: Level| {
            let rows = rows.iter().filter(move |row| {
                row.subject.trait_index == trait_index && row.subject.level == level
            });
            typical(rows.filter_map(ShareRow::share_pct))
        };
        let in_words = |share: Option<f64>| {
            share.map_or("not known".to_owned(), |share| {
                format!("{} %", short(share))
            })
        };
        let (strains, birds) = (of(Level::Strain), of(Level::Bird));
        if strains.is_some() || birds.is_some() {
            lines.push(format!(
                "  {}: the equation's share of the variance is {} in the middle for strains, {} for single birds",
                records.name,
                in_words(strains),
                in_words(birds)
            ));
        }
    }
    lines
}

/// The middle of some numbers.
fn typical(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    values.get(middle).copied()
}

/// A number to three significant digits.
fn short(value: f64) -> String {
    let size = value.abs();
    if size >= 100.0 || size == 0.0 {
        format!("{value:.0}")
    } else if size >= 10.0 {
        format!("{value:.1}")
    } else if size >= 1.0 {
        format!("{value:.2}")
    } else if size >= 0.1 {
        format!("{value:.3}")
    } else if size >= 1e-3 {
        format!("{value:.4}")
    } else {
        format!("{value:.1e}")
    }
}

fn signed(value: f64) -> String {
    if value < 0.0 {
        short(value)
    } else {
        format!("+{}", short(value))
    }
}
