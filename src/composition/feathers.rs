//! What do feathers do to a reading, and how is a live bird's reading freed of them?
//!
//! A carcass scanned intact and then plucked gives the effect of its feathers on
//! each reading: intact minus plucked. Two routes lead from a live bird's reading
//! to its chemistry:
//! - the *feather step*: feather mass from body weight, age and strain; from it
//!   the effect on each reading; the reading minus the effect goes into an equation
//!   for plucked birds;
//! - *one regression*: an equation for intact birds, the feathers left to its
//!   terms for age and strain.
//!
//! [`routes`] fits both on the same birds and compares how well each predicts
//! birds that it has not seen.

use rayon::prelude::*;

use std::collections::BTreeMap;

use super::Tissue;
use super::calibration::{Calibration, Settings, Weighting, calibrate, trait_of};
use super::chemistry::masses;
use super::choice::choose;
use super::feather_step::{FeatherStep, predicted};
use super::formula::Formula;
use super::frame::{Column, Frame};
use super::pairs::strain_of;
use super::quality::{Kept, RejectedScan, rejected};
use crate::error::{Error, Result};
use crate::stats::left_out::CrossValidation;
use crate::study::{Feathers, Part, Scan, Study, WHOLE, Way};

/// Carcasses scanned intact and plucked, one row a carcass.
#[derive(Debug, Clone)]
pub struct Paired {
    /// Readings with feathers, under the usual names (`fat_scan`, `body_weight`, ...).
    pub intact: Frame,
    /// Readings of the same birds without, under the same names.
    pub plucked: Frame,
    /// Plucked scans whose intact scan was rejected, each with that reason.
    pub unpaired: Vec<RejectedScan>,
}

/// What the two routes are compared on: the trait and one route.
#[derive(Debug, Clone, PartialEq)]
pub struct RouteRow {
    /// Trait.
    pub trait_name: String,
    /// `feather step` or `one regression`.
    pub route: String,
    /// Birds predicted while left out.
    pub n: usize,
    /// Birds without which the route cannot be fitted.
    pub unpredictable: usize,
    /// Mean of predicted minus chemistry, g.
    pub bias: Option<f64>,
    /// Root mean square error of birds left out, g.
    pub cross_validated_rmse: Option<f64>,
    /// The same, percent of the mean chemistry.
    pub cross_validated_rmse_pct: Option<f64>,
}

/// Pairs the intact and the plucked scans of each carcass, repeats averaged.
///
/// Columns beside the usual ones: `feather_mass` (from the laboratory, or the
/// difference of the two scale weights), `fat_effect`, `lean_effect`,
/// `bone_effect` (intact minus plucked).
///
/// A carcass whose intact scan a rule rejected drops out, listed in `unpaired`; where
/// all do, both frames are without rows.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) for a plucked scan whose intact one
/// is not in the study at all, with its row, and for a study without pairs.
pub fn paired(study: &Study, kept: &Kept) -> Result<Paired> {
    let mut carcasses: BTreeMap<(usize, u64), [Vec<&Scan>; 2]> = BTreeMap::new();
    for scan in kept.scans.iter().map(|index| &study.scans.rows[*index]) {
        let (WHOLE, [bird]) = (scan.region.as_str(), scan.birds.as_slice()) else {
            continue;
        };
        let place = match scan.feathers {
            Feathers::Intact => 0,
            Feathers::Plucked => 1,
            Feathers::Unknown => continue,
        };
        carcasses.entry((*bird, scan.age_d.to_bits())).or_default()[place].push(scan);
    }
    let (mut faults, mut unpaired) = (Vec::new(), Vec::new());
    for [intact, plucked] in carcasses.values() {
        let ([], [first, ..]) = (intact.as_slice(), plucked.as_slice()) else {
            continue;
        };
        let Some((row, reason)) = rejected_intact(study, kept, first) else {
            faults.push(format!(
                "{}, row {}, column feathers: found a plucked scan of bird {} at {} d without its intact scan, expected both of the same carcass; add the intact scan, or remove this one",
                study.scans.file, first.row, study.birds[first.birds[0]].name, first.age_d
            ));
            continue;
        };
        unpaired.extend(plucked.iter().map(|scan| {
            let reason = format!("its intact scan, row {row}, was rejected: {reason}");
            rejected(study, scan, reason)
        }));
    }
    if !faults.is_empty() {
        return Err(Error::faults(faults));
    }
    let pairs: Vec<(usize, [Vec<&Scan>; 2])> = carcasses
        .into_iter()
        .filter(|(_, [intact, plucked])| !intact.is_empty() && !plucked.is_empty())
        .map(|((bird, _), scans)| (bird, scans))
        .collect();
    if pairs.is_empty() && unpaired.is_empty() {
        return Err(Error::input(format!(
            "{}: found no carcass scanned intact and plucked, expected some for the feather effect; give intact or plucked in the column feathers",
            study.scans.file
        )));
    }
    let [intact, plucked] = frames(study, &pairs);
    Ok(Paired {
        intact,
        plucked,
        unpaired,
    })
}

/// Row and reason of a rejected intact scan of the carcass that `plucked` is of.
fn rejected_intact<'a>(study: &Study, kept: &'a Kept, plucked: &Scan) -> Option<(u32, &'a str)> {
    let intact = study.scans.rows.iter().filter(|scan| {
        scan.feathers == Feathers::Intact
            && scan.region == WHOLE
            && scan.birds == plucked.birds
            && scan.age_d.total_cmp(&plucked.age_d).is_eq()
    });
    let mut found = intact.filter_map(|scan| {
        let fallen = kept.rejected.iter().find(|fallen| fallen.row == scan.row)?;
        Some((fallen.row, fallen.reason.as_str()))
    });
    found.next()
}

fn mean(scans: &[&Scan], of: impl Fn(&Scan) -> f64) -> f64 {
    scans.iter().map(|scan| of(scan)).sum::<f64>() / scans.len() as f64
}

/// The rows of intact readings and those of plucked ones.
fn frames(study: &Study, pairs: &[(usize, [Vec<&Scan>; 2])]) -> [Frame; 2] {
    let analysed = masses(study);
    let chemistry = |bird: usize| analysed.iter().find(|masses| masses.bird == bird);
    let feather_mass = |bird: usize, scans: &[Vec<&Scan>; 2]| {
        let weighed = chemistry(bird)
            .and_then(|masses| masses.feathers)
            .map(|part| part.mass_g);
        let scale = |scan: &Scan| scan.scale_weight_g;
        weighed.unwrap_or_else(|| mean(&scans[0], scale) - mean(&scans[1], scale))
    };
    let frame = |place: usize| {
        let mut frame = Frame {
            file: study.scans.file.clone(),
            rows: pairs.iter().map(|(_, scans)| scans[place][0].row).collect(),
            ..Frame::default()
        };
        let mut words = |name: &str, of: &dyn Fn(&Scan) -> String| {
            frame.add_words(
                name,
                pairs.iter().map(|(_, scans)| of(scans[place][0])).collect(),
            );
        };
        words("bird", &|scan| study.birds[scan.birds[0]].name.clone());
        words("strain", &|scan| {
            strain_of(study, scan).unwrap_or_default().to_owned()
        });
        words("feathers", &|scan| scan.feathers.word().to_owned());
        words("way", &|scan| Way::of(scan).label());
        let mut numbers = |name: &str, of: &dyn Fn(usize, &[Vec<&Scan>; 2]) -> f64| {
            frame.add_numbers(
                name,
                pairs.iter().map(|(bird, scans)| of(*bird, scans)).collect(),
            );
        };
        numbers("age", &|_, scans| scans[place][0].age_d);
        numbers("body_weight", &|_, scans| {
            mean(&scans[place], |scan| scan.scale_weight_g)
        });
        numbers("feather_mass", &feather_mass);
        for tissue in Tissue::ALL {
            let name = tissue.name();
            let reading = |scan: &Scan| tissue.reading(scan);
            numbers(&format!("{name}_scan"), &|_, scans| {
                mean(&scans[place], reading)
            });
            numbers(&format!("{name}_effect"), &|_, scans| {
                mean(&scans[0], reading) - mean(&scans[1], reading)
            });
            numbers(&format!("{name}_chem"), &|bird, _| {
                let body = chemistry(bird).and_then(|masses| masses.part(Part::Body));
                body.map_or(f64::NAN, |part| part.tissue_g(tissue))
            });
        }
        frame
    };
    [frame(0), frame(1)]
}

/// The effect of feathers on each reading, as an equation of feather mass, and of
/// age and strain where they help to predict it.
///
/// The scatter of an effect is that of two positionings, which grows with the bird.
/// So rows are weighted by a power of the feather mass where the likelihood is the
/// better for it (AICc, the power counted), and else count alike.
///
/// # Errors
/// As [`choose`] and [`calibrate`].
pub fn effects(paired: &Paired, settings: &Settings) -> Result<Vec<(Tissue, Calibration)>> {
    let formula = with_strain(&paired.intact, "feather_mass,age")?;
    let candidates = formula.candidates(1)?;
    let best = |response: &str, weighting: Weighting| {
        let settings = Settings {
            weighting,
            ..with_bird(settings)
        };
        let best = choose(&paired.intact, response, &candidates, &settings)?.best;
        calibrate(&paired.intact, response, &best, &settings)
    };
    let mut effects = Vec::new();
    for tissue in Tissue::ALL {
        let response = format!("{}_effect", tissue.name());
        let known = paired
            .intact
            .numbers(&response)?
            .iter()
            .any(|effect| effect.is_finite());
        if !known {
            continue;
        }
        let alike = best(&response, Weighting::Ordinary)?;
        // Feather masses that are all alike or not above 0 give no weights.
        let weighted = best(&response, Weighting::PowerOfFeatherMass).ok();
        let better = weighted.filter(|weighted| match (weighted.aicc(), alike.aicc()) {
            (Some(weighted), Some(alike)) => weighted < alike,
            _ => false,
        });
        effects.push((tissue, better.unwrap_or(alike)));
    }
    Ok(effects)
}

/// Feather mass by allometry, log feather mass on log body weight, with log age
/// and strain where they help to predict it. Any frame with these columns serves.
///
/// Feather mass follows body weight closely at some ages only (Canadian Journal of
/// Animal Science 1981, 61:769-773), so age is offered as a term.
///
/// # Errors
/// As [`choose`] and [`calibrate`].
pub fn feather_mass(frame: &Frame, settings: &Settings) -> Result<Calibration> {
    // Logarithms have one spread: rows count alike.
    let settings = Settings {
        weighting: Weighting::Ordinary,
        ..with_bird(settings)
    };
    let formula = with_strain(frame, "log(body_weight),log(age)")?;
    let best = choose(
        frame,
        "log(feather_mass)",
        &formula.candidates(1)?,
        &settings,
    )?
    .best;
    calibrate(frame, "log(feather_mass)", &best, &settings)
}

pub(super) fn with_bird(settings: &Settings) -> Settings {
    Settings {
        bird: Some("bird".to_owned()),
        ..settings.clone()
    }
}

/// The terms, and strain where there is more than one.
fn with_strain(frame: &Frame, terms: &str) -> Result<Formula> {
    let several = match frame.column("strain")? {
        Column::Words(words) => words.windows(2).any(|pair| pair[0] != pair[1]),
        Column::Numbers(_) => false,
    };
    if several {
        format!("{terms},strain").parse()
    } else {
        terms.parse()
    }
}

/// Both routes on the same carcasses: each bird is left out of every step, then
/// predicted from its intact scan alone.
///
/// `formula` is used by both: on plucked readings by the feather step, on intact
/// ones by the one regression. The terms of the feather step's own equations are
/// chosen once, on all birds.
///
/// # Errors
/// As [`FeatherStep::fit`]; a step that cannot be fitted without a bird is no
/// error: the bird is counted as unpredictable.
pub fn routes(
    paired: &Paired,
    response: &str,
    formula: &Formula,
    settings: &Settings,
) -> Result<Vec<RouteRow>> {
    let settings = with_bird(settings);
    let step = FeatherStep::fit(paired, response, formula, &settings)?;
    calibrate(&paired.intact, response, formula, &settings)?;
    let chemistry = paired.intact.numbers(response)?;
    let n = paired.intact.n();
    let birds: Vec<String> = (0..n).map(|row| paired.intact.label("bird", row)).collect();
    // Each row's bird is left out by itself: side by side, in the rows' order.
    let left_out = |row: usize| -> [Option<f64>; 2] {
        if !chemistry[row].is_finite() {
            return [None, None];
        }
        let rest: Vec<usize> = (0..n).filter(|other| birds[*other] != birds[row]).collect();
        let lookup = |name: &str| paired.intact.value(name, row);
        let by_step = step.refit(paired, response, formula, &settings, &rest).ok();
        let by_one = calibrate(&paired.intact.select(&rest), response, formula, &settings).ok();
        let answers = [
            by_step.and_then(|step| step.value(lookup).ok()),
            by_one.and_then(|one| predicted(&one.equation, lookup).ok()),
        ];
        answers.map(|answer| answer.map(|answer| chemistry[row] - answer))
    };
    let pairs: Vec<[Option<f64>; 2]> = (0..n).into_par_iter().map(left_out).collect();
    let errors = [0, 1].map(|route| pairs.iter().map(|pair| pair[route]).collect::<Vec<_>>());
    let known: Vec<usize> = (0..n).filter(|row| chemistry[*row].is_finite()).collect();
    let mean = known.iter().map(|row| chemistry[*row]).sum::<f64>() / known.len().max(1) as f64;
    let rows = ["feather step", "one regression"]
        .iter()
        .zip(&errors)
        .map(|(route, errors)| {
            let errors: Vec<Option<f64>> = known.iter().map(|row| errors[*row]).collect();
            let validation = CrossValidation::of(&errors);
            let sum: f64 = errors.iter().flatten().sum();
            RouteRow {
                trait_name: trait_of(response),
                route: (*route).to_owned(),
                n: validation.predicted,
                unpredictable: validation.unpredictable,
                bias: (validation.predicted > 0).then(|| -sum / validation.predicted as f64),
                cross_validated_rmse: validation.rmse,
                cross_validated_rmse_pct: validation
                    .rmse
                    .filter(|_| mean > 0.0)
                    .map(|rmse| 100.0 * rmse / mean),
            }
        });
    Ok(rows.collect())
}
