//! At which ages should birds be scanned?
//!
//! The D-optimal ages make the joint confidence region of the curve's terms smallest:
//! they maximise ln det of the expected information on the terms of a bird, as the mean
//! over the strains. Only ages on a grid (whole weeks) are allowed, a given number for
//! each bird, with a least gap.
//!
//! # Method
//! Coordinate exchange from several seeded starts: one age at a time is taken away and
//! put back wherever it raises the criterion most, until none does; the best of all
//! starts is reported. A start is an even spread, the others are drawn among all schedules
//! that keep the gap.
//!
//! # Source
//! Fedorov VV (1972) Theory of Optimal Experiments; Meyer RK, Nachtsheim CJ (1995) The
//! coordinate-exchange algorithm for constructing exact optimal experimental designs,
//! Technometrics 37: 60-69; efficiency as (ratio of determinants)^(1 / terms): Atkinson
//! AC, Donev AN, Tobias RD (2007) Optimum Experimental Designs, with SAS, 11 (all from
//! memory).

use std::collections::HashMap;

use nalgebra::DMatrix;
use rand::Rng;

use crate::fit::mixed::Population;
use crate::stats::resample::{Purpose, stream};

/// Starts of the exchange: curves of up to six terms on 30 weeks had the optimum of all
/// schedules in at most three of ten.
const STARTS: u64 = 20;

/// Which schedules are practical.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// First age allowed, d.
    pub first_d: f64,
    /// Days between the ages allowed: 7 for whole weeks.
    pub step_d: f64,
    /// Number of ages allowed.
    pub ages: usize,
    /// Least gap in steps; 0 lets an age be taken twice.
    pub gap: usize,
}

impl Limits {
    /// Most scans that a bird can have.
    #[must_use]
    pub fn most_scans(&self) -> usize {
        match self.gap {
            0 => usize::MAX,
            gap => self.ages.saturating_sub(1) / gap + usize::from(self.ages > 0),
        }
    }

    /// An age allowed, d.
    fn age_d(&self, place: usize) -> f64 {
        self.first_d + self.step_d * place as f64
    }

    fn ages_d(&self, places: &[usize]) -> Vec<f64> {
        places.iter().map(|place| self.age_d(*place)).collect()
    }

    /// The `which`-th start: an even spread, then draws.
    fn start(&self, scans: usize, which: u64, seed: u64) -> Vec<usize> {
        // Places that remain free beside the gaps.
        let taken = (scans - 1) * self.gap.saturating_sub(1);
        let free = self.ages - taken;
        let mut places: Vec<usize> = if which == 0 {
            let last = free - 1;
            (0..scans)
                .map(|at| (at * last) / scans.saturating_sub(1).max(1))
                .collect()
        } else {
            let mut random = stream(seed, Purpose::Search, which);
            let mut drawn: Vec<usize> = Vec::with_capacity(scans);
            while drawn.len() < scans {
                let place = random.random_range(0..free);
                if self.gap == 0 || !drawn.contains(&place) {
                    drawn.push(place);
                }
            }
            drawn.sort_unstable();
            drawn
        };
        for (at, place) in places.iter_mut().enumerate() {
            *place += at * self.gap.saturating_sub(1);
        }
        places
    }
}

/// The best ages for this number of scans a bird.
#[derive(Debug, Clone, PartialEq)]
pub struct Optimum {
    /// The ages, d, ascending.
    pub ages_d: Vec<f64>,
    /// Mean over terms and strains of ln det of a bird's information.
    pub criterion: f64,
}

/// Mean over terms and strains of ln det of the information of a bird scanned at these
/// ages; `None` where it does not determine all terms.
#[must_use]
pub fn criterion(population: &Population, ages_d: &[f64]) -> Option<f64> {
    let mut sum = 0.0;
    for group in 0..population.groups() {
        let information = population.term_information(group, ages_d)?;
        sum += log_determinant(&information)?;
    }
    let count = (population.groups() * population.curve().terms().len()) as f64;
    Some(sum / count)
}

/// D-efficiency of ages against others: the share of birds that would do with these.
#[must_use]
pub fn efficiency(own: f64, optimum: f64) -> f64 {
    (own - optimum).exp()
}

/// The D-optimal ages for `scans` scans a bird; `None` where no such schedule keeps the
/// limits and determines all terms.
#[must_use]
pub fn optimum(
    population: &Population,
    limits: &Limits,
    scans: usize,
    seed: u64,
) -> Option<Optimum> {
    if scans == 0 || scans > limits.most_scans() || limits.ages == 0 {
        return None;
    }
    let mut known: HashMap<Vec<usize>, f64> = HashMap::new();
    let mut value = |places: &[usize]| -> f64 {
        if let Some(value) = known.get(places) {
            return *value;
        }
        let value = criterion(population, &limits.ages_d(places)).unwrap_or(f64::NEG_INFINITY);
        known.insert(places.to_vec(), value);
        value
    };
    let mut best: Option<(f64, Vec<usize>)> = None;
    for which in 0..STARTS {
        let mut places = limits.start(scans, which, seed);
        let mut reached = value(&places);
        loop {
            let before = reached;
            for at in 0..scans {
                let (better, with) = exchanged(&places, at, limits, &mut value);
                // Rounding must not let two schedules take turns.
                if better > reached + 1e-12 {
                    (reached, places) = (better, with);
                }
            }
            // Not above it, or neither of them a number.
            if reached <= before {
                break;
            }
        }
        if reached.is_finite() && best.as_ref().is_none_or(|(most, _)| reached > *most) {
            best = Some((reached, places));
        }
    }
    best.map(|(criterion, places)| Optimum {
        ages_d: limits.ages_d(&places),
        criterion,
    })
}

/// The best schedule that differs in one age.
fn exchanged(
    places: &[usize],
    at: usize,
    limits: &Limits,
    value: &mut impl FnMut(&[usize]) -> f64,
) -> (f64, Vec<usize>) {
    let mut others = places.to_vec();
    others.remove(at);
    let mut best = (f64::NEG_INFINITY, places.to_vec());
    for place in 0..limits.ages {
        if others
            .iter()
            .any(|other| other.abs_diff(place) < limits.gap)
        {
            continue;
        }
        let mut with = others.clone();
        with.insert(others.partition_point(|other| *other <= place), place);
        let reached = value(&with);
        if reached > best.0 {
            best = (reached, with);
        }
    }
    best
}

/// ln det, by Cholesky after scaling to a unit diagonal; `None` where the matrix is not
/// positive definite to working precision.
fn log_determinant(information: &DMatrix<f64>) -> Option<f64> {
    let (scales, factor) = super::precision::scaled_factor(information)?;
    let of_factor: f64 = factor.l_dirty().diagonal().iter().map(|x| x.ln()).sum();
    let of_scales: f64 = scales.iter().map(|scale| scale.ln()).sum();
    Some(2.0 * (of_factor - of_scales))
}
