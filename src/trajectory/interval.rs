//! Intervals that do not rest on standard errors: profile likelihood, and bootstrap by bird.
//!
//! Bootstrap of a strain: its birds are drawn with replacement, whole, and the curve is
//! fitted to their weighings again, so that it holds however the weighings of a bird
//! are correlated. Percentiles are taken wider than the level by what few birds lose, at
//! -+ sqrt(n/(n - 1)) t on n - 1 degrees of freedom in place of the normal quantile.
//! Of a bird: there is one, so its residuals are drawn in place of birds, on the scale of
//! the variance model. A handful of weighings estimate their spread badly and percentiles
//! ignore that, so each replicate is measured in units of its standard error
//! (bootstrap-t).
//!
//! # Source
//! Efron B, Tibshirani RJ (1993) An Introduction to the Bootstrap, 9.4, 12.5, 13 (from
//! memory); the wider percentiles: Hesterberg TC (2015) What teachers should know about
//! the bootstrap, Am Stat 69: 371-386 (from memory).

use std::collections::HashMap;

use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use super::population_interval::OfGroup;
use super::{
    CurveFit, Level, Pooled, Request, Subject, SubjectFits, TraitModel, Trajectories, ready,
};
use crate::fit::estimable::Fitted;
use crate::fit::interval::SamplingDistribution;
use crate::fit::profile::{self, Quantity};
use crate::fit::{Estimates, Series, Settings, Variance, Workspace, diagnostics, fit};
use crate::growth::{Curve, Derived};
use crate::stats::Interval;
use crate::stats::distribution::{normal_lower, t_two_sided_quantile};
use crate::stats::resample::{Purpose, draw, percentile_interval, stream};
use crate::study::Study;

/// How the intervals of terms and derived quantities are found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Method {
    /// Standard errors and Student's t.
    #[default]
    Wald,
    /// Profile likelihood.
    Profile,
    /// Bootstrap by bird.
    Bootstrap {
        /// Fits a subject and curve.
        replicates: usize,
        /// Seed of the draws.
        seed: u64,
    },
}

impl Method {
    /// `wald`, `profile` or `bootstrap`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Wald => "wald",
            Self::Profile => "profile",
            Self::Bootstrap { .. } => "bootstrap",
        }
    }
}

/// Greatest share of replicates without an answer for which an interval is still reported.
const MOST_FAILED: f64 = 0.1;

/// The intervals of every fit of every subject; a side that is open is infinite.
#[derive(Debug, Clone, Default)]
pub struct Intervals {
    /// Curve by curve, the terms first, then the derived quantities.
    of: HashMap<Subject, Vec<Vec<Option<Interval>>>>,
    /// The same of each group of birds in the model of a trait.
    of_groups: HashMap<usize, Vec<OfGroup>>,
    /// Mixed fits that have none, each with its reason.
    lost: Vec<String>,
}

impl Intervals {
    /// The interval of a term, or of the derived quantity that is the (`place` - p)-th
    /// requested; `None` where the data give none.
    #[must_use]
    pub fn of(&self, subject: Subject, fit: usize, place: usize) -> Option<Interval> {
        *self.of.get(&subject)?.get(fit)?.get(place)?
    }

    /// Why mixed fits that have estimates have no intervals of this kind, a line each.
    #[must_use]
    pub fn lost(&self) -> &[String] {
        &self.lost
    }

    /// The same of the typical bird of a group in the model of a trait.
    #[must_use]
    pub fn of_group(&self, (trait_index, group): (usize, usize), place: usize) -> Option<Interval> {
        *self.of_groups.get(&trait_index)?.get(group)?.get(place)?
    }
}

impl Trajectories {
    /// Intervals by profile or bootstrap of all terms and of these derived quantities;
    /// none for [`Method::Wald`], which the fits have themselves. `done` is called after each
    /// subject.
    #[must_use]
    pub fn intervals(
        &self,
        study: &Study,
        request: &Request,
        (derived, method): (&[Derived], Method),
        level: f64,
        done: &(dyn Fn(usize) + Sync),
    ) -> Intervals {
        if method == Method::Wald {
            return Intervals::default();
        }
        let of_subject = |subject: &SubjectFits| {
            let pooled = records_of(study, subject.subject);
            let of_fit = |fit: &CurveFit| {
                let Some(estimates) = fit.outcome.estimates() else {
                    return Vec::new();
                };
                let p = estimates.terms.len();
                let quantities: Vec<Quantity> = (0..p)
                    .map(Quantity::Term)
                    .chain(derived.iter().copied().map(Quantity::Derived))
                    .collect();
                // An anchored curve rests on the weighings after hatch.
                let after = pooled.values.len() - estimates.n;
                let one = OneFit {
                    curve: &*fit.curve,
                    estimates,
                    settings: &request.settings,
                    ages_d: &pooled.ages_d[after..],
                    values: &pooled.values[after..],
                    birds: &pooled.birds[after..],
                    quantities: &quantities,
                    level,
                };
                let found = match method {
                    Method::Wald => Vec::new(),
                    Method::Profile => one.profile(),
                    Method::Bootstrap { replicates, seed } => {
                        one.bootstrap(subject.subject, replicates, seed)
                    }
                };
                opened(&*fit.curve, estimates, &quantities, found)
            };
            let fits = subject.fits.iter().map(of_fit).collect();
            done(1);
            (subject.subject, fits)
        };
        let wanted: Vec<Quantity> = derived.iter().copied().map(Quantity::Derived).collect();
        let mut lost = Vec::new();
        let of_population = |population: &TraitModel| {
            let found = population.intervals(&wanted, method, level, done, &mut lost);
            (population.trait_index, found)
        };
        Intervals {
            of: self.subjects.par_iter().map(of_subject).collect(),
            of_groups: self.models.iter().map(of_population).collect(),
            lost,
        }
    }
}

/// Intervals without limits far beyond what the data reach.
pub(super) fn opened(
    curve: &dyn Curve,
    estimates: &Estimates,
    quantities: &[Quantity],
    found: Vec<Option<Interval>>,
) -> Vec<Option<Interval>> {
    let fitted = Fitted::of(curve, estimates);
    let all = quantities.iter().zip(found);
    let opened = all.map(|(quantity, interval)| {
        interval.map(|interval| fitted.opened(&quantity.unit(curve), interval))
    });
    opened.collect()
}

/// The records that a subject's fits rest on.
pub(super) fn records_of(study: &Study, subject: Subject) -> Pooled {
    let records = &study.traits[subject.trait_index];
    match subject.level {
        Level::Bird => Pooled::of_bird(records, subject.bird.unwrap_or_default()),
        Level::Strain => Pooled::of(study, records, subject.strain),
    }
}

/// How the ages and values of a replicate are drawn.
type Draw<'a> = dyn Fn(&mut ChaCha8Rng) -> (Vec<f64>, Vec<f64>) + Sync + 'a;

/// A quantity of one replicate.
#[derive(Debug, Clone, Copy)]
struct Drawn {
    value: f64,
    standard_error: Option<f64>,
}

struct OneFit<'a> {
    curve: &'a dyn Curve,
    estimates: &'a Estimates,
    settings: &'a Settings,
    ages_d: &'a [f64],
    values: &'a [f64],
    birds: &'a [usize],
    quantities: &'a [Quantity],
    level: f64,
}

impl OneFit<'_> {
    fn series(&self) -> Series<'_> {
        Series {
            ages_d: self.ages_d,
            values: self.values,
        }
    }

    fn profile(&self) -> Vec<Option<Interval>> {
        let (series, level) = (self.series(), self.level);
        let of = |quantity: &Quantity| {
            profile::interval(self.curve, series, self.estimates, *quantity, level)
        };
        self.quantities.iter().map(of).collect()
    }

    fn bootstrap(&self, subject: Subject, replicates: usize, seed: u64) -> Vec<Option<Interval>> {
        // Each strain and bird has separate draws.
        let place = subject.bird.map_or(subject.strain, |bird| bird + 1_000_003) as u64;
        let seed = seed ^ place.wrapping_mul(0x9E37_79B9_7F4A_7C15);
        match subject.level {
            Level::Strain => {
                let mut names = self.birds.to_vec();
                names.sort_unstable();
                names.dedup();
                if names.len() < 2 {
                    return vec![None; self.quantities.len()];
                }
                let make = |random: &mut ChaCha8Rng| self.draw_birds(&names, random);
                let drawn = self.replicates(replicates, seed, &make);
                let level = widened(self.level, names.len());
                let of = |place: usize| {
                    let known = drawn.iter().filter_map(|drawn| drawn[place]);
                    let values: Vec<f64> = known.map(|drawn| drawn.value).collect();
                    percentiles(&values, replicates, level)
                };
                (0..self.quantities.len()).map(of).collect()
            }
            Level::Bird => {
                let make = |random: &mut ChaCha8Rng| self.draw_residuals(random);
                let drawn = self.replicates(replicates, seed, &make);
                let found = self.drawn(self.estimates);
                let of = |place: usize| {
                    let estimate = found[place]?;
                    let error = estimate.standard_error?;
                    let off =
                        |drawn: Drawn| Some((drawn.value - estimate.value) / drawn.standard_error?);
                    let known = drawn.iter().filter_map(|drawn| off(drawn[place]?));
                    let offs: Vec<f64> = known.collect();
                    let offs = percentiles(&offs, replicates, self.level)?;
                    Some(Interval {
                        lower: estimate.value - offs.upper * error,
                        upper: estimate.value - offs.lower * error,
                    })
                };
                (0..self.quantities.len()).map(of).collect()
            }
        }
    }

    /// The quantities of each replicate.
    fn replicates(&self, replicates: usize, seed: u64, make: &Draw<'_>) -> Vec<Vec<Option<Drawn>>> {
        let from = Settings {
            start: Some(self.estimates.terms.clone()),
            ..self.settings.clone()
        };
        let one = |workspace: &mut Workspace, replicate: u64| {
            let (ages_d, values) = make(&mut stream(seed, Purpose::Resampling, replicate));
            let series = Series {
                ages_d: &ages_d,
                values: &values,
            };
            let outcome = fit(self.curve, series, &from, workspace);
            match outcome.estimates() {
                Some(estimates) => self.drawn(estimates),
                None => vec![None; self.quantities.len()],
            }
        };
        (0..replicates as u64)
            .into_par_iter()
            .map_init(Workspace::new, one)
            .collect()
    }

    /// The quantities of a fit.
    fn drawn(&self, estimates: &Estimates) -> Vec<Option<Drawn>> {
        let law = SamplingDistribution::of(estimates);
        let mut gradient = vec![0.0; estimates.terms.len()];
        let of = |quantity: &Quantity| {
            let value = quantity.value(self.curve, &estimates.terms, &mut gradient)?;
            Some(Drawn {
                value,
                standard_error: law.standard_error(&gradient),
            })
        };
        self.quantities.iter().map(of).collect()
    }

    /// The weighings of birds drawn with replacement, ascending in age.
    fn draw_birds(&self, names: &[usize], random: &mut ChaCha8Rng) -> (Vec<f64>, Vec<f64>) {
        let mut times = vec![0_usize; names.len()];
        for place in draw(random, names.len()) {
            times[place] += 1;
        }
        let (mut ages_d, mut values) = (Vec::new(), Vec::new());
        for ((age_d, value), bird) in self.ages_d.iter().zip(self.values).zip(self.birds) {
            let place = names.partition_point(|name| name < bird);
            for _ in 0..times[place] {
                ages_d.push(*age_d);
                values.push(*value);
            }
        }
        (ages_d, values)
    }

    /// The fitted values with residuals drawn with replacement.
    fn draw_residuals(&self, random: &mut ChaCha8Rng) -> (Vec<f64>, Vec<f64>) {
        let rows: Vec<_> =
            diagnostics::residuals(self.curve, self.series(), self.estimates).collect();
        let n = rows.len();
        let mean = rows.iter().map(|row| row.standardised).sum::<f64>() / n as f64;
        let df = self.estimates.residual_df().max(1) as f64;
        let scale = self.estimates.sigma * (n as f64 / df).sqrt();
        let values = rows.iter().map(|row| {
            let drawn = scale * (rows[random.random_range(0..n)].standardised - mean);
            match self.estimates.variance {
                Variance::LogNormal => row.fitted * drawn.exp(),
                _ => row.fitted + drawn * row.fitted.abs().powf(self.estimates.variance_power),
            }
        });
        (self.ages_d.to_vec(), values.collect())
    }
}

/// The interval of the replicates that have the quantity; `None` where too few have.
pub(super) fn percentiles(values: &[f64], replicates: usize, level: f64) -> Option<Interval> {
    let failed = 1.0 - values.len() as f64 / replicates as f64;
    if failed > MOST_FAILED {
        return None;
    }
    let found = percentile_interval(values, level).ok()?;
    Some(Interval {
        lower: found.lower,
        upper: found.upper,
    })
}

/// The level at which percentiles of n drawn birds hold `level`.
#[must_use]
pub fn widened(level: f64, n: usize) -> f64 {
    let n = n as f64;
    let t = t_two_sided_quantile(level, n - 1.0) * (n / (n - 1.0)).sqrt();
    2.0 * normal_lower(t) - 1.0
}

/// How a curve does on what it has not seen.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Validated {
    /// Root mean square error in telling birds that were hidden, g.
    pub by_bird_g: Option<f64>,
    /// Root mean square error in forecasting the last weeks, g.
    pub by_last_ages_g: Option<f64>,
}

/// Cross-validation of every curve of every strain.
#[derive(Debug, Clone, Default)]
pub struct Validation {
    of: HashMap<Subject, Vec<Validated>>,
}

impl Validation {
    /// How a fit did; nothing where it was not requested, or at bird level.
    #[must_use]
    pub fn of(&self, subject: Subject, fit: usize) -> Validated {
        let found = self.of.get(&subject).and_then(|fits| fits.get(fit));
        found.copied().unwrap_or_default()
    }
}

impl Trajectories {
    /// Cross-validates every curve of every strain; `done` is called after each strain.
    #[must_use]
    pub fn validate(
        &self,
        study: &Study,
        request: &Request,
        done: &(dyn Fn(usize) + Sync),
    ) -> Validation {
        let strains = self
            .subjects
            .par_iter()
            .filter(|fits| fits.subject.level == Level::Strain);
        let of_subject = |fits: &SubjectFits| {
            let pooled = records_of(study, fits.subject);
            let of_fit = |(fit, asked): (&CurveFit, &std::sync::Arc<dyn Curve>)| {
                validated(&pooled, fit, asked, request).unwrap_or_default()
            };
            let each = fits.fits.par_iter().zip(&self.curves).map(of_fit);
            let each = each.collect();
            done(1);
            (fits.subject, each)
        };
        Validation {
            of: strains.map(of_subject).collect(),
        }
    }
}

fn validated(
    pooled: &Pooled,
    fit: &CurveFit,
    asked: &std::sync::Arc<dyn Curve>,
    request: &Request,
) -> Option<Validated> {
    use crate::fit::validation::{by_cluster, by_last_ages};
    let estimates = fit.outcome.estimates()?;
    let (curve, series) = ready(asked, pooled.series(), request.hatch_weight_g).ok()?;
    let birds = &pooled.birds[pooled.birds.len() - series.values.len()..];
    let settings = &request.settings;
    Some(Validated {
        by_bird_g: by_cluster(&*curve, series, birds, settings, estimates),
        by_last_ages_g: by_last_ages(&*curve, series, settings, estimates),
    })
}
