//! Mean and covariance of the eggs counted in a pen.
//!
//! A hen with her first egg on day T lays on day t >= T with chance q(t - T): q(0) = 1, and
//! afterwards q(u) = plateau x rise(u) x exp(-decline u). With p(T) the chance of a first egg
//! on day T, a hen lays on day t with chance
//!
//! G(t) = sum over T <= t of p(T) q(t - T),
//!
//! and on both of the days s < t with K(s, t) = sum over T <= s of p(T) q(s - T) q(t - T).
//! Hens lay independently of each other, and those alive at t were alive at s, so that
//!
//! cov(eggs(s), eggs(t)) = hens(t) (K(s, t) - G(s) G(t)), var(eggs(t)) = hens(t) G (1 - G).
//!
//! The first term carries what binomial errors of single days leave out: the same hens lay day
//! after day. Where no hen laid but on her first day it would be the covariance of a counting
//! process, n F(s) (1 - F(t)).
//!
//! Beside it, days differ by more than this (weather, eggs found late): an effect of the day
//! with SD phi relative to the mean and correlation rho from one day to the next.

use nalgebra::{DMatrix, DVector};

use super::distribution::MaturityFamily;
use super::rate::Rise;
use crate::study::EggCount;

/// ln location and ln spread of the age at maturity, logit of the plateau of a hen's rate,
/// its decline a thousand days.
pub(super) type Terms = [f64; TERMS];
/// Terms of a pen.
pub(super) const TERMS: usize = 4;

/// The oldest age of a hen that is thought of, d.
const OLDEST_D: f64 = 10_000.0;

/// An age as a whole day, from 1.
#[expect(clippy::cast_possible_truncation, reason = "within the ages of hens")]
pub(super) fn whole_day(age_d: f64) -> u32 {
    age_d.clamp(1.0, OLDEST_D) as u32
}

/// What a hen does on average, day by day.
pub(super) struct Daily {
    /// The first day, age in days.
    pub(super) first: u32,
    /// Chance of an egg on each day from the first on.
    pub(super) lays: Vec<f64>,
    /// Chance of the first egg on each day from `onset_first` on.
    onset: Vec<f64>,
    onset_first: u32,
    /// Chance of an egg this number of days after the first one.
    rate: Vec<f64>,
}

/// Chances of a first egg on a day below this are none.
const NEVER: f64 = 1e-12;
/// Spreads before the location at which nobody is mature.
const SPREADS_BEFORE: f64 = 12.0;

impl Daily {
    /// From the first day to the last one.
    pub(super) fn of(
        (family, rise): (MaturityFamily, Rise),
        terms: &Terms,
        (first, last): (u32, u32),
    ) -> Self {
        let law = (terms[0], terms[1].exp());
        let before = (law.0 - SPREADS_BEFORE * law.1).exp().floor();
        let begin = whole_day(before).min(first);
        let share = |age_d: f64| family.share(law, age_d);
        // A first egg on day T is one at an exact age from T - 1/2 to T + 1/2, so that the
        // mean of the days is the mean of the ages; earlier ones count on the first day.
        let mut below = 0.0;
        let mut onset: Vec<f64> = (begin..=last)
            .map(|day| {
                let here = share(f64::from(day) + 0.5);
                let own = here - below;
                below = here;
                own
            })
            .collect();
        let none = onset.iter().take_while(|chance| **chance < NEVER).count();
        let none = none.min(onset.len().saturating_sub(1));
        onset.drain(..none);
        let onset_first = begin + u32::try_from(none).unwrap_or(0);
        let plateau = 1.0 / (1.0 + (-terms[2]).exp());
        let decline = terms[3] * 1e-3;
        let rate: Vec<f64> = (0..onset.len())
            .map(|after| match after {
                0 => 1.0,
                _ => {
                    let after = after as f64;
                    (plateau * rise.share(after) * (-decline * after).exp()).min(1.0)
                }
            })
            .collect();
        let lays = (first..=last)
            .map(|day| match day.checked_sub(onset_first) {
                None => 0.0,
                Some(top) => {
                    let top = top as usize;
                    let own = onset[..=top].iter().zip(rate[..=top].iter().rev());
                    own.map(|(chance, rate)| chance * rate).sum()
                }
            })
            .collect();
        Self {
            first,
            lays,
            onset,
            onset_first,
            rate,
        }
    }

    fn at(&self, day: u32) -> f64 {
        self.lays[(day - self.first) as usize]
    }

    /// Chance of an egg on both of two days.
    fn both(&self, earlier: u32, later: u32) -> f64 {
        let Some(top) = earlier.checked_sub(self.onset_first) else {
            return 0.0;
        };
        let (top, lag) = (top as usize, (later - earlier) as usize);
        let pairs = self.rate[..=top].iter().zip(&self.rate[lag..]);
        let chances = self.onset[..=top].iter().rev();
        chances
            .zip(pairs)
            .map(|(chance, (one, other))| chance * one * other)
            .sum()
    }
}

/// The counts of a pen, consecutive ones added up where few eggs are expected.
pub(super) struct Bins {
    /// Each counted day with its hens and its bin.
    days: Vec<(u32, f64, usize)>,
    /// Eggs of each bin.
    pub(super) eggs: DVector<f64>,
    /// The first and the last day.
    pub(super) span: (u32, u32),
}

/// Consecutive counts are added up until this number of eggs is expected, so that a few eggs long
/// before the rest have the weight of a few hens.
const LEAST_EXPECTED: f64 = 3.0;
/// And until production rises by this share, or a week is over: on the plateau days add little
/// to each other.
const LEAST_RISE: f64 = 0.01;
const LONGEST_BIN_D: u32 = 7;

impl Bins {
    /// Of counts ascending in age, with what is expected of them; `None` without a count.
    pub(super) fn of(counts: &[EggCount], daily: &Daily) -> Option<Self> {
        let (first, last) = (counts.first()?, counts.last()?);
        let expected = |count: &EggCount| -> f64 {
            let days = count.age_d + 1 - count.days..=count.age_d;
            days.map(|day| count.hens * daily.at(day)).sum()
        };
        let (mut bins, mut sum) = (1, 0.0);
        let mut from = first.age_d + 1 - first.days;
        let mut places = Vec::with_capacity(counts.len());
        for count in counts {
            let begins = count.age_d + 1 - count.days;
            let rises = (daily.at(begins) - daily.at(from)).abs() >= LEAST_RISE;
            if sum >= LEAST_EXPECTED && (rises || begins - from >= LONGEST_BIN_D) {
                bins += 1;
                sum = 0.0;
                from = begins;
            }
            sum += expected(count);
            places.push(bins - 1);
        }
        if sum < LEAST_EXPECTED && bins > 1 {
            // The last one, unfinished, joins the one before.
            bins -= 1;
            for place in &mut places {
                *place = (*place).min(bins - 1);
            }
        }
        let mut eggs = DVector::zeros(bins);
        let mut days = Vec::new();
        for (count, place) in counts.iter().zip(&places) {
            eggs[*place] += count.eggs;
            let own = count.age_d + 1 - count.days..=count.age_d;
            days.extend(own.map(|day| (day, count.hens, *place)));
        }
        Some(Self {
            days,
            eggs,
            span: (first.age_d + 1 - first.days, last.age_d),
        })
    }

    /// Bins.
    pub(super) fn len(&self) -> usize {
        self.eggs.len()
    }

    /// Expected eggs of each bin.
    pub(super) fn mean(&self, daily: &Daily) -> DVector<f64> {
        let mut mean = DVector::zeros(self.len());
        for (day, hens, bin) in &self.days {
            mean[*bin] += hens * daily.at(*day);
        }
        mean
    }

    /// Covariance of the bins by which hens lay, and when.
    pub(super) fn of_hens(&self, daily: &Daily) -> DMatrix<f64> {
        let mut all = DMatrix::zeros(self.len(), self.len());
        for (place, (earlier, hens, bin)) in self.days.iter().enumerate() {
            let lays = daily.at(*earlier);
            all[(*bin, *bin)] += hens * lays * (1.0 - lays).max(0.0);
            for (later, hens_then, bin_then) in &self.days[place + 1..] {
                let both = daily.both(*earlier, *later) - lays * daily.at(*later);
                let covariance = hens.min(*hens_then) * both;
                all[(*bin, *bin_then)] += covariance;
                all[(*bin_then, *bin)] += covariance;
            }
        }
        all
    }

    /// Covariance of the bins by effects of days with relative SD one, correlated `rho` from
    /// one day to the next.
    pub(super) fn of_days(&self, daily: &Daily, rho: f64) -> DMatrix<f64> {
        let mut all = DMatrix::zeros(self.len(), self.len());
        let longest = (self.span.1 - self.span.0) as usize;
        let mut powers = Vec::with_capacity(longest + 1);
        let mut power = 1.0;
        for _ in 0..=longest {
            powers.push(power);
            power *= rho;
        }
        let expected: Vec<(u32, f64, usize)> = self
            .days
            .iter()
            .map(|(day, hens, bin)| (*day, hens * daily.at(*day), *bin))
            .collect();
        for (place, (earlier, eggs, bin)) in expected.iter().enumerate() {
            all[(*bin, *bin)] += eggs * eggs;
            for (later, eggs_then, bin_then) in &expected[place + 1..] {
                let covariance = eggs * eggs_then * powers[(later - earlier) as usize];
                all[(*bin, *bin_then)] += covariance;
                all[(*bin_then, *bin)] += covariance;
            }
        }
        all
    }
}
