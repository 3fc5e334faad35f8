//! The rise of a hen's rate of lay from pens whose hens' first eggs are known too.
//!
//! The longer the rise that is assumed, the earlier the ages that eggs counted by pen give.
//! Where ringed birds of the same pens have recorded first eggs, their median age shows which
//! rise is right; the assumed one and its standard error enter as one more observation. A rise
//! that begins lower moves the ages as a longer one does: the time constant takes its error.

use super::eggs::{EggOnset, EggQuantity, PenOnset, Rise, RiseOrigin};
use super::lay_curve::median_first_egg;
use crate::stats::{mean, squares_about_mean};
use crate::study::Study;

/// Ringed birds of a pen, and of all pens, from which they count.
const LEAST_OF_PEN: usize = 5;
const LEAST_BIRDS: usize = 20;

/// The rise by which eggs and ringed birds agree, from `onset` with the rise that it assumed;
/// `None` where too few ringed birds laid in pens whose eggs were counted.
///
/// Linear in the time constant; the standard error of a median is 1.25 times that of a mean
/// (normal ages).
#[must_use]
pub fn rise_of_ringed_birds(study: &Study, onset: &EggOnset) -> Option<Rise> {
    let assumed = onset.rise;
    let (mut birds, mut weights) = (0, 0.0);
    let (mut differences, mut slopes, mut errors) = (0.0, 0.0, 0.0);
    for pen in &onset.pens {
        let Some(own) = Ringed::of(study, pen, assumed) else {
            continue;
        };
        birds += own.birds;
        weights += own.weight;
        differences += own.weight * own.difference_d;
        slopes += own.weight * own.slope;
        errors += own.weight * own.rise_error_d;
    }
    if birds < LEAST_BIRDS || weights <= 0.0 {
        return None;
    }
    let (difference_d, slope) = (differences / weights, slopes / weights);
    // Where the rise moves no age, eggs of pens are no evidence on it.
    if slope.abs() < 1e-3 || errors <= 0.0 {
        return None;
    }
    let by_birds = assumed.days - difference_d / slope;
    let precision = weights * slope * slope;
    // The whole error of the rise, in days of its time constant.
    let prior = (weights * slope / errors).powi(2);
    let days = (by_birds * precision + assumed.days * prior) / (precision + prior);
    Some(Rise {
        days: days.clamp(0.5, 60.0),
        days_sd: (precision + prior).sqrt().recip(),
        begins_at: assumed.begins_at,
        begins_at_sd: 0.0,
        origin: RiseOrigin::Ringed(birds),
    })
}

/// Evidence from the ringed birds of a pen.
struct Ringed {
    birds: usize,
    /// One over the variance of the difference.
    weight: f64,
    /// Age at 50 % in lay by eggs minus by birds, d.
    difference_d: f64,
    /// By how much the age by eggs moves for one more day of rise.
    slope: f64,
    /// Its standard error by the rise alone, d.
    rise_error_d: f64,
}

impl Ringed {
    fn of(study: &Study, pen: &PenOnset, rise: Rise) -> Option<Self> {
        let one = pen
            .estimates
            .iter()
            .find(|one| one.quantity == EggQuantity::InLay50)?;
        let by_eggs = one.value.as_ref().ok()?;
        let change = one.by_longer_rise?;
        let within = |bird: usize| study.birds[bird].pen == Some(pen.pen);
        let median_d = median_first_egg(study, within)?;
        let own = study.onset.iter().filter(|record| within(record.bird));
        let ages_d: Vec<f64> = own.filter_map(crate::study::Onset::first_egg_d).collect();
        if ages_d.len() < LEAST_OF_PEN {
            return None;
        }
        let n = ages_d.len() as f64;
        let centre = mean(&ages_d);
        let variance = squares_about_mean(&ages_d) / (n - 1.0);
        let by_birds = 1.57 * variance.max(centre * 1e-6) / n;
        let of_eggs = (by_eggs.standard_error?.powi(2) - one.rise_error.powi(2)).max(0.0);
        Some(Self {
            birds: ages_d.len(),
            weight: 1.0 / (by_birds + of_eggs),
            difference_d: by_eggs.value - median_d,
            slope: change / rise.days_sd,
            rise_error_d: one.rise_error,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::interval::Estimate;
    use crate::maturity::EggEstimate;
    use crate::study::{Bird, Onset};

    /// Five pens of ten birds, all with their first egg at 140 to 149 d (median 144.5), whose
    /// eggs give 146.5 d; 0.4 d earlier for a rise of 2 d more.
    fn study_and_onset() -> (Study, EggOnset) {
        let mut study = Study {
            strains: vec!["Alder".to_owned()],
            pens: (0..5).map(|pen: usize| pen.to_string()).collect(),
            ..Study::default()
        };
        for bird in 0..50 {
            study.birds.push(Bird {
                name: bird.to_string(),
                strain: 0,
                pen: Some(bird / 10),
                treatment: None,
                block: None,
                hatch_date: None,
            });
            study.onset.push(Onset {
                bird,
                first_egg_age_d: Some(140.0 + (bird % 10) as f64),
                ..Onset::default()
            });
        }
        let pens = (0..5).map(|pen| PenOnset {
            pen,
            strain: Some(0),
            hens: 100.0,
            estimates: vec![EggEstimate {
                quantity: EggQuantity::InLay50,
                value: Ok(Estimate {
                    value: 146.5,
                    standard_error: Some(0.9),
                    interval: None,
                }),
                by_longer_rise: Some(-0.4),
                rise_error: 0.6,
            }],
            days: Vec::new(),
        });
        let onset = EggOnset {
            groups: Vec::new(),
            pens: pens.collect(),
            rise: Rise {
                days_sd: 2.0,
                ..Rise::ASSUMED
            },
            families: Vec::new(),
            between_pens_d: None,
            day_effects: 0.0,
        };
        (study, onset)
    }

    /// By hand: variance of a pen 1.57 x 9.1667 / 10 + 0.81 - 0.36 = 1.8892, of the difference
    /// 0.37783; the birds ask for 2 / 0.2 = 10 d more with a variance of 9.4458, the assumed
    /// 7 d have (0.6 / 0.2)^2 = 9: 7 + 10 x 9 / 18.4458 = 11.879, standard error
    /// sqrt(9 x 9.4458 / 18.4458).
    #[test]
    fn ringed_birds_move_the_rise_as_far_as_they_know_it() {
        let (study, onset) = study_and_onset();
        let rise = rise_of_ringed_birds(&study, &onset).unwrap();
        assert_eq!(rise.origin, RiseOrigin::Ringed(50));
        assert!((rise.days - 11.879).abs() < 1e-3, "{rise:?}");
        assert!((rise.days_sd - 2.1468).abs() < 1e-3, "{rise:?}");
        let few = Study {
            onset: study.onset[..15].to_vec(),
            ..study
        };
        assert_eq!(rise_of_ringed_birds(&few, &onset), None);
    }
}
