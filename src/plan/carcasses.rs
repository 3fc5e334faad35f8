//! How many birds must be analysed, of which strains and at which ages, for equations of a
//! required precision?
//!
//! Of the equation of a trait the information of a bird of each strain and age is known from
//! the pilot, p x p. That of `n_c` birds of each kind c adds up, `M = M_0 + sum n_c I_c`, with
//! `M_0` that of the pilot's birds where these count. The error that the equation leaves in the mean
//! mass of strain and age t, with gradient `g_t` (over the mass), has the relative variance
//! `g_t' M^-1 g_t`. The best split of N birds makes the mean of these variances over the
//! strains and ages requested smallest (I- or V-optimal), each trait in proportion to what
//! it is with the pilot's own split, since one carcass serves all traits.
//!
//! # Method
//! Exchange from the pilot's split: a bird is taken from one kind and given to another, as
//! long as that helps; the criterion is convex in the shares of the kinds.
//!
//! # Source
//! Atkinson AC, Donev AN, Tobias RD (2007) Optimum Experimental Designs, with SAS, 10 and 12
//! (from memory). Checked against designs for a line and against enumeration in R
//! (`tests/reference/budget/`).

use nalgebra::{DMatrix, DVector};

use super::as_number;
use super::power::factor;
use super::precision::scaled_factor;

/// Rounds of exchanges: each takes and gives one bird.
const ROUNDS: usize = 10_000;

/// Birds of one strain and age.
#[derive(Debug, Clone, PartialEq)]
pub struct CarcassKind {
    /// Strain.
    pub strain: String,
    /// Age, d.
    pub age_d: f64,
    /// Of these in the pilot.
    pub pilot: usize,
}

/// What an equation is wanted for.
#[derive(Debug, Clone, PartialEq)]
pub struct CarcassPlace {
    /// Strain.
    pub strain: String,
    /// Age, d.
    pub age_d: f64,
    /// Mean mass, g.
    pub mass_g: f64,
    /// Gradient of the mean in the equation's coefficients, over the mass, p.
    pub gradient: Vec<f64>,
}

/// The equation of one trait.
#[derive(Debug, Clone, PartialEq)]
pub struct CarcassTrait {
    /// The trait.
    pub name: String,
    /// Expected information of a bird of each kind, p x p each.
    pub information: Vec<DMatrix<f64>>,
    /// Strains and ages that it is wanted for.
    pub places: Vec<CarcassPlace>,
}

/// What is planned.
#[derive(Debug, Clone, PartialEq)]
pub struct Carcasses {
    /// Kinds of birds that can be analysed.
    pub kinds: Vec<CarcassKind>,
    /// The equations.
    pub traits: Vec<CarcassTrait>,
    /// Whether the pilot's birds count.
    pub with_pilot: bool,
    /// Level of the intervals.
    pub level: f64,
}

/// The precision of a trait's equation at a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CarcassPrecision {
    /// Standard error that the equation leaves in the mean mass, percent of it.
    pub std_error_pct: f64,
    /// Half width of its interval, percent of it.
    pub half_width_pct: f64,
}

impl Carcasses {
    /// The information of a split on one equation.
    fn information(&self, of: &CarcassTrait, split: &[usize]) -> DMatrix<f64> {
        let p = of.information.first().map_or(0, DMatrix::nrows);
        let mut sum = DMatrix::zeros(p, p);
        for ((kind, own), n) in self.kinds.iter().zip(&of.information).zip(split) {
            let pilot = if self.with_pilot { kind.pilot } else { 0 };
            sum += own * as_number(pilot + n);
        }
        sum
    }

    /// Relative variance at each place; none where the split cannot separate the terms.
    fn variances(&self, of: &CarcassTrait, split: &[usize]) -> Option<Vec<f64>> {
        let (scales, root) = scaled_factor(&self.information(of, split))?;
        let at = |place: &CarcassPlace| {
            let gradient = DVector::from_column_slice(&place.gradient);
            let scaled = gradient.component_mul(&scales);
            root.solve(&scaled).dot(&scaled)
        };
        Some(of.places.iter().map(at).collect())
    }

    /// Mean variance over places and traits, each trait over its `scale`.
    fn criterion(&self, split: &[usize], scales: &[f64]) -> f64 {
        let of_trait = |(of, scale): (&CarcassTrait, &f64)| {
            let variances = self.variances(of, split)?;
            Some(variances.iter().sum::<f64>() / (as_number(variances.len()) * scale))
        };
        let each: Option<Vec<f64>> = self.traits.iter().zip(scales).map(of_trait).collect();
        each.map_or(f64::INFINITY, |each| {
            each.iter().sum::<f64>() / as_number(each.len().max(1))
        })
    }

    /// What each trait is scaled by: its mean variance with the pilot's birds alone.
    fn scales(&self) -> Option<Vec<f64>> {
        let pilot: Vec<usize> = self.kinds.iter().map(|kind| kind.pilot).collect();
        let alone = Self {
            with_pilot: false,
            ..self.clone()
        };
        let mean = |of: &CarcassTrait| {
            let variances = alone.variances(of, &pilot)?;
            let mean = variances.iter().sum::<f64>() / as_number(variances.len().max(1));
            (mean > 0.0).then_some(mean)
        };
        self.traits.iter().map(mean).collect()
    }

    /// N birds shared out as the pilot's were, to the nearest whole ones.
    #[must_use]
    pub fn as_in_pilot(&self, birds: usize) -> Vec<usize> {
        let all: usize = self.kinds.iter().map(|kind| kind.pilot).sum();
        let share =
            |kind: &CarcassKind| as_number(birds) * as_number(kind.pilot) / as_number(all.max(1));
        let shares: Vec<f64> = self.kinds.iter().map(share).collect();
        // Rounded as a running sum, so that no strain or age gets all that rounding leaves.
        let mut split: Vec<usize> = Vec::with_capacity(shares.len());
        let mut given = 0;
        let mut sum = 0.0;
        for share in &shares {
            sum += share;
            let until = rounded(sum);
            split.push(until - given);
            given = until;
        }
        split
    }

    /// The best split of N birds; none where no split separates the terms.
    #[must_use]
    pub fn best(&self, birds: usize) -> Option<Vec<usize>> {
        let scales = self.scales()?;
        let mut split = self.as_in_pilot(birds);
        let mut reached = self.criterion(&split, &scales);
        for _ in 0..ROUNDS {
            let mut better: Option<(f64, usize, usize)> = None;
            for from in (0..split.len()).filter(|from| split[*from] > 0) {
                for to in (0..split.len()).filter(|to| *to != from) {
                    let mut moved = split.clone();
                    moved[from] -= 1;
                    moved[to] += 1;
                    let found = self.criterion(&moved, &scales);
                    if found < better.map_or(reached * (1.0 - 1e-9), |(least, ..)| least) {
                        better = Some((found, from, to));
                    }
                }
            }
            let Some((found, from, to)) = better else {
                break;
            };
            split[from] -= 1;
            split[to] += 1;
            reached = found;
        }
        reached.is_finite().then_some(split)
    }

    /// Share of the birds that would do with the best split: the ratio of the mean
    /// variances, which fall as one over the birds where the pilot's do not count.
    #[must_use]
    pub fn efficiency(&self, split: &[usize], best: &[usize]) -> Option<f64> {
        let scales = self.scales()?;
        let (own, least) = (
            self.criterion(split, &scales),
            self.criterion(best, &scales),
        );
        (own.is_finite() && own > 0.0).then_some(least / own)
    }

    /// The precision of a trait at its places, Student's t on birds minus coefficients; none
    /// where the split cannot separate the terms.
    #[must_use]
    pub fn precision(&self, at: usize, split: &[usize]) -> Option<Vec<CarcassPrecision>> {
        let of = &self.traits[at];
        let variances = self.variances(of, split)?;
        let pilot: usize = self.kinds.iter().map(|kind| kind.pilot).sum();
        let birds = split.iter().sum::<usize>() + if self.with_pilot { pilot } else { 0 };
        let df = birds.checked_sub(of.information.first()?.nrows())?;
        if df == 0 {
            return None;
        }
        let factor = factor(self.level, as_number(df));
        let precision = |variance: f64| CarcassPrecision {
            std_error_pct: 100.0 * variance.sqrt(),
            half_width_pct: 100.0 * factor * variance.sqrt(),
        };
        Some(variances.into_iter().map(precision).collect())
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a number of birds"
)]
fn rounded(birds: f64) -> usize {
    (birds + 1e-9).round().max(0.0) as usize
}
