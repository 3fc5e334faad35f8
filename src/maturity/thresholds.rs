//! What did the birds weigh, and how were they made up, when they laid their first egg;
//! and would waiting for that value have predicted when they lay?
//!
//! A measure is a trait, a trait's percent of the body weight, or age itself. Its value at
//! a bird's first egg is read off the bird's curve through all its weighings. As a
//! threshold, the mean of the *other* birds of the strain is taken: the bird is predicted to lay
//! when its curve comes there, and the error of that in days is comparable between
//! measures, age among them.
//!
//! This describes; it is no proof that any value decides when a bird lays.

use std::collections::BTreeMap;

use super::cues::FittedCurve;
use super::landmark_cues::{share_of, usual_curve};
use super::lay::Reading;
use crate::fit::interval;
use crate::growth::Derived;
use crate::stats::distribution::{chi_squared_quantile, t_two_sided_quantile};
use crate::stats::{Interval, mean, squares_about_mean};
use crate::study::{BODY_WEIGHT, Study};

/// A measure's value in one bird at its first egg.
#[derive(Debug, Clone, PartialEq)]
pub struct AtFirstEgg {
    /// `body_weight`, `fat`, `fat_share_pct`, `age`.
    pub measure: String,
    /// Index into [`Study::birds`].
    pub bird: usize,
    /// Age at first egg, d.
    pub first_egg_d: f64,
    /// The value, or why there is none.
    pub value: Result<Reading, &'static str>,
}

/// A measure at first egg over the birds of a strain.
#[derive(Debug, Clone, PartialEq)]
pub struct Threshold {
    /// `body_weight`, `fat`, `fat_share_pct`, `age`.
    pub measure: String,
    /// Index into [`Study::strains`].
    pub strain: usize,
    /// Birds with a value.
    pub n: usize,
    /// Birds with an onset record and no egg: late birds, missing from the mean.
    pub not_laying: usize,
    /// Mean, its standard error and t interval.
    pub mean: (f64, f64, Interval),
    /// Lower quartile, median, upper quartile.
    pub quartiles: [f64; 3],
    /// Standard deviation between birds and its interval (chi-squared).
    pub sd: (f64, Interval),
    /// The same without the curves' own error; none where it is not known.
    pub sd_without_error: Option<f64>,
    /// Coefficient of variation, percent, and its interval.
    pub cv_pct: Option<(f64, Interval)>,
    /// Root mean square error in days of the rule that a bird lays when it comes to the
    /// mean of the others.
    pub rule_error_d: Option<f64>,
    /// Birds that never came to it by their last weighing, which was then taken.
    pub never: usize,
}

/// A bird's curves at hand, by trait.
struct Bird<'a> {
    index: usize,
    first_egg_d: f64,
    curves: BTreeMap<usize, &'a FittedCurve<'a>>,
}

/// Values at first egg by bird, and their spread and worth as a threshold by strain.
///
/// `fits`: of the whole study; each trait by the curve that AICc puts first for most birds.
#[must_use]
pub fn thresholds(
    study: &Study,
    fits: &[FittedCurve<'_>],
    confidence: f64,
) -> (Vec<AtFirstEgg>, Vec<Threshold>) {
    let birds = birds(study, fits);
    let mut values = Vec::new();
    let mut thresholds = Vec::new();
    for measure in measures(study) {
        let of: Vec<AtFirstEgg> = birds
            .iter()
            .map(|bird| measure.at_first_egg(bird))
            .collect();
        if of.iter().all(|row| row.value.is_err()) {
            continue;
        }
        for strain in 0..study.strains.len() {
            let own: Vec<(&Bird<'_>, Reading)> = birds
                .iter()
                .zip(&of)
                .filter(|(bird, _)| study.birds[bird.index].strain == strain)
                .filter_map(|(bird, row)| Some((bird, *row.value.as_ref().ok()?)))
                .collect();
            thresholds.extend(threshold(study, &measure, strain, &own, confidence));
        }
        values.extend(of);
    }
    (values, thresholds)
}

fn birds<'a>(study: &Study, fits: &'a [FittedCurve<'a>]) -> Vec<Bird<'a>> {
    let usual = |trait_index: usize| {
        let own: Vec<&FittedCurve<'_>> = fits
            .iter()
            .filter(|fit| fit.trait_index == trait_index && fit.bird.is_some())
            .collect();
        usual_curve(&own)
    };
    let usual: Vec<Option<&str>> = (0..study.traits.len()).map(usual).collect();
    let mut curves: BTreeMap<usize, BTreeMap<usize, &FittedCurve<'_>>> = BTreeMap::new();
    for fit in fits {
        if let Some(bird) = fit.bird
            && usual[fit.trait_index] == Some(fit.curve.name())
            && fit.outcome.estimates().is_some()
        {
            curves.entry(bird).or_default().insert(fit.trait_index, fit);
        }
    }
    let laid = study.onset.iter().filter_map(|record| {
        Some(Bird {
            index: record.bird,
            first_egg_d: record.first_egg_d()?,
            curves: curves.remove(&record.bird).unwrap_or_default(),
        })
    });
    laid.collect()
}

/// What may be a threshold.
enum Measure {
    Age,
    /// A trait, by its place.
    Mass(usize, String),
    /// A trait's percent of another, by their places.
    Share(usize, usize, String),
}

fn measures(study: &Study) -> Vec<Measure> {
    let mut all = vec![Measure::Age];
    let weight = study.traits.iter().position(|t| t.name == BODY_WEIGHT);
    for (place, trait_) in study.traits.iter().enumerate() {
        all.push(Measure::Mass(place, trait_.name.clone()));
        if let Some(weight) = weight.filter(|weight| *weight != place) {
            all.push(Measure::Share(
                place,
                weight,
                format!("{}_share_pct", trait_.name),
            ));
        }
    }
    all
}

impl Measure {
    fn name(&self) -> &str {
        match self {
            Self::Age => "age",
            Self::Mass(_, name) | Self::Share(_, _, name) => name,
        }
    }

    fn at_first_egg(&self, bird: &Bird<'_>) -> AtFirstEgg {
        AtFirstEgg {
            measure: self.name().to_owned(),
            bird: bird.index,
            first_egg_d: bird.first_egg_d,
            value: self.value(bird, bird.first_egg_d),
        }
    }

    fn value(&self, bird: &Bird<'_>, age_d: f64) -> Result<Reading, &'static str> {
        let mass = |place: &usize| {
            let fit = bird.curves.get(place).ok_or("no fit of the bird")?;
            if age_d < fit.first_age_d {
                return Err("first egg before the first weighing");
            }
            if age_d > fit.last_age_d {
                return Err("first egg after the last weighing");
            }
            let estimates = fit.outcome.estimates().ok_or("no fit of the bird")?;
            let value = interval::derived(fit.curve, estimates, Derived::ValueAt(age_d), 0.95);
            let value = value.map_err(|_| "not estimable from the bird's weighings")?;
            Ok(Reading {
                value: value.value,
                std_error: value.standard_error,
            })
        };
        match self {
            Self::Age => Ok(Reading {
                value: age_d,
                std_error: Some(0.0),
            }),
            Self::Mass(place, _) => mass(place),
            Self::Share(part, whole, _) => {
                share_of(&mass(part)?, &mass(whole)?).ok_or("no body weight above 0")
            }
        }
    }

    /// The age at which a bird comes to a value; none by its last weighing.
    fn age_at(&self, bird: &Bird<'_>, value: f64) -> Option<f64> {
        match self {
            Self::Age => Some(value),
            Self::Mass(place, _) => {
                let fit = bird.curves.get(place)?;
                let what = Derived::AgeAtValue(value);
                let age =
                    interval::derived(fit.curve, fit.outcome.estimates()?, what, 0.95).ok()?;
                (age.value <= fit.last_age_d).then_some(age.value.max(fit.first_age_d))
            }
            Self::Share(part, whole, _) => {
                let (part, whole) = (bird.curves.get(part)?, bird.curves.get(whole)?);
                let from = part.first_age_d.max(whole.first_age_d);
                let to = part.last_age_d.min(whole.last_age_d);
                self.last_rise(bird, value, from, to)
            }
        }
    }

    /// A share may pass a value more than once (chicks hatch with yolk): the last rise
    /// through it counts. Looked for day by day, then halved to a thousandth of a day.
    fn last_rise(&self, bird: &Bird<'_>, value: f64, from_d: f64, to_d: f64) -> Option<f64> {
        let above = |age_d: f64| Some(self.value(bird, age_d).ok()?.value >= value);
        let mut later = to_d;
        while later > from_d {
            let earlier = (later - 1.0).max(from_d);
            if above(later)? && !above(earlier)? {
                let (mut low, mut high) = (earlier, later);
                for _ in 0..10 {
                    let middle = f64::midpoint(low, high);
                    if above(middle)? {
                        high = middle;
                    } else {
                        low = middle;
                    }
                }
                return Some(high);
            }
            later = earlier;
        }
        None
    }

    /// Last age at which the bird's curve stands on data.
    fn last_age(&self, bird: &Bird<'_>) -> Option<f64> {
        let last = |place: &usize| Some(bird.curves.get(place)?.last_age_d);
        match self {
            Self::Age => None,
            Self::Mass(place, _) => last(place),
            Self::Share(part, whole, _) => Some(last(part)?.min(last(whole)?)),
        }
    }
}

fn threshold(
    study: &Study,
    measure: &Measure,
    strain: usize,
    own: &[(&Bird<'_>, Reading)],
    confidence: f64,
) -> Option<Threshold> {
    let values: Vec<f64> = own.iter().map(|(_, reading)| reading.value).collect();
    if values.len() < 2 {
        return None;
    }
    let n = values.len() as f64;
    let (centre, df) = (mean(&values), n - 1.0);
    let sd = (squares_about_mean(&values) / df).sqrt();
    let std_error = sd / n.sqrt();
    let half = t_two_sided_quantile(confidence, df) * std_error;
    let tail = 0.5 - 0.5 * confidence;
    let sd_interval = Interval {
        lower: sd * (df / chi_squared_quantile(1.0 - tail, df)).sqrt(),
        upper: sd * (df / chi_squared_quantile(tail, df)).sqrt(),
    };
    let errors: Option<Vec<f64>> = own
        .iter()
        .map(|(_, reading)| reading.std_error.map(|error| error * error))
        .collect();
    let not_laying = study
        .onset
        .iter()
        .filter(|record| !record.has_laid() && study.birds[record.bird].strain == strain);
    let mut never = 0;
    let squares = own.iter().filter_map(|(bird, reading)| {
        let others = (n * centre - reading.value) / (n - 1.0);
        let age_d = measure.age_at(bird, others).or_else(|| {
            never += 1;
            measure.last_age(bird)
        })?;
        Some((age_d - bird.first_egg_d).powi(2))
    });
    let squares: Vec<f64> = squares.collect();
    Some(Threshold {
        measure: measure.name().to_owned(),
        strain,
        n: values.len(),
        not_laying: not_laying.count(),
        mean: (centre, std_error, Interval::around(centre, half)),
        quartiles: [0.25, 0.5, 0.75].map(|share| quantile(&values, share)),
        sd: (sd, sd_interval),
        sd_without_error: errors.map(|e| (sd * sd - mean(&e)).max(0.0).sqrt()),
        cv_pct: (centre > 0.0).then(|| (100.0 * sd / centre, cv_interval(sd / centre, n, tail))),
        rule_error_d: (!squares.is_empty()).then(|| mean(&squares).sqrt()),
        never,
    })
}

/// Between the two values around (n - 1) share, as R's `quantile`, type 7.
fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let place = share * (sorted.len() as f64 - 1.0);
    let below = sorted
        .iter()
        .enumerate()
        .rev()
        .find(|(k, _)| *k as f64 <= place);
    let (k, low) = below.map_or((0, 0.0), |(k, value)| (k, *value));
    let high = sorted.get(k + 1).copied().unwrap_or(low);
    low + (place - k as f64) * (high - low)
}

/// Vangel MG 1996, Confidence intervals for a normal coefficient of variation, Am Stat
/// 50:21-26 (from memory); in percent. Where the upper limit is open it is infinite.
fn cv_interval(ratio: f64, n: f64, tail: f64) -> Interval {
    let limit = |share: f64| {
        let u = chi_squared_quantile(share, n - 1.0);
        let scale = ((u + 2.0) / n - 1.0) * ratio * ratio + u / (n - 1.0);
        // Above 100 percent normal values are no masses, and the formula is for much less.
        if scale > ratio * ratio {
            100.0 * ratio / scale.sqrt()
        } else {
            f64::INFINITY
        }
    };
    Interval {
        lower: limit(1.0 - tail),
        upper: limit(tail),
    }
}
