//! One distribution of body weight a day from the records of platform scales.
//!
//! 1. *Gate* (`gate.rs`): the readings of each scale and day are a mixture of single birds, two
//!    birds, part loads, the empty platform and the rest; single birds give mean, SD, CV and
//!    uniformity.
//! 2. *Error* (`day_error.rs`): visits are not birds. The scatter of a scale's daily values about
//!    their smooth course is the error of a day; SD / sqrt(visits) is much less.
//! 3. *Calibration* (`calibration.rs`): which birds come, and what the scale itself reads too
//!    much, is in every day alike and cannot be seen in the stream. Hand-weighed birds of the same
//!    pen and day (`hand.rs`) give the bias by age with its error, which the calibrated daily
//!    values carry. Without them a stream is biased by an unknown amount, and is marked so.
//!
//! What is assumed: a bird's chance to come does not change from day to day by more than the
//! scatter of the daily values shows, and the hand-weighed birds are a random sample of the pen.

mod calibration;
mod day_error;
mod days;
mod gate;
mod hand;
mod hours;

pub use calibration::{Bias, Calibration};
pub use day_error::DayError;
pub use gate::Load;
pub use hand::HandSample;
pub use hours::HourlyRise;

use rayon::prelude::*;

use super::target::{TargetCurve, trajectories};
use crate::error::Result;
use crate::stats::Interval;
use crate::stats::distribution::{normal_quantile, t_two_sided_quantile};
use crate::study::{BODY_WEIGHT, Study};
use calibration::Pair;
use days::GatedDay;

/// How the records of platform scales are judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlatformOptions {
    /// Half width of the range that counts as uniform, percent of the mean.
    pub within_pct: f64,
    /// Confidence of the intervals, between 0 and 1.
    pub confidence: f64,
}

/// Results of platform scales for a flock.
#[derive(Debug, Clone)]
pub struct Platform {
    /// Each day of each scale, by scale and date.
    pub days: Vec<PlatformDay>,
    /// Scatter of daily mean weights, on the log scale; none of fewer than three days in a row.
    pub mean_error: Option<DayError>,
    /// Bias of the mean; none without hand-weighed birds.
    pub calibration: Option<Calibration>,
    /// Bias of the coefficient of variation, on the log scale.
    pub spread_bias: Option<Bias>,
    /// Hand-weighed samples of the same pens and days.
    pub hand: Vec<HandSample>,
    /// How weights rise over the day.
    pub rise: Option<HourlyRise>,
    /// What deserves a second look.
    pub warnings: Vec<String>,
}

/// One scale on one day.
#[derive(Debug, Clone)]
pub struct PlatformDay {
    /// Index into [`Stream::scales`](crate::study::Stream::scales).
    pub scale: usize,
    /// The day.
    pub date: chrono::NaiveDate,
    /// Age of the birds, d, where it is known.
    pub age_d: Option<f64>,
    /// Records.
    pub records: f64,
    /// Records of single birds.
    pub visits: f64,
    /// Share of each kind of load, in the order of [`Load`].
    pub shares: [f64; gate::LOADS],
    /// Reading of the empty platform, g, taken off all weights; none where it was not seen.
    pub tare_g: Option<f64>,
    /// The birds' weights; none of too few visits.
    pub weights: Option<DayWeights>,
    /// Target of the strain, g.
    pub target_g: Option<f64>,
}

/// Weights of the birds of a scale on a day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayWeights {
    /// As the visits have it: mean, g.
    pub visits_mean_g: f64,
    /// As the visits have it: standard deviation, g.
    pub visits_sd_g: f64,
    /// Share of visits within the range about their mean, percent.
    pub visits_uniformity_pct: f64,
    /// Birds that weigh as much as these visits do: independent birds whose mean would scatter so.
    pub effective_n: Option<f64>,
    /// Whether the three that follow are calibrated.
    pub calibrated: bool,
    /// Whether the calibration lies within two weeks.
    pub near_calibration: bool,
    /// Mean, g.
    pub mean_g: Estimate,
    /// Coefficient of variation, percent.
    pub cv_pct: Estimate,
    /// Uniformity, percent.
    pub uniformity_pct: Estimate,
}

/// A number and its error, where that is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The number.
    pub value: f64,
    /// Standard error.
    pub standard_error: Option<f64>,
    /// Interval.
    pub interval: Option<Interval>,
}

/// Visits below which a day has no weights.
pub const LEAST_VISITS: f64 = 20.0;
/// A calibration is carried this far beyond its first and last sample, d; beyond, its use is
/// weak, as birds' habits change with age.
const CARRIED_D: f64 = 14.0;

impl PlatformDay {
    /// Records of single birds, a whole number.
    #[must_use]
    #[expect(
        clippy::cast_possible_truncation,
        reason = "no scale makes more records than a number holds"
    )]
    pub fn whole_visits(&self) -> usize {
        self.visits.round() as usize
    }

    /// Mean minus target, percent of the target; the target is taken as known.
    #[must_use]
    pub fn deviation_pct(&self) -> Option<Estimate> {
        let (mean, target_g) = (self.weights?.mean_g, self.target_g?);
        let percent = |value_g: f64| 100.0 * (value_g / target_g - 1.0);
        Some(Estimate {
            value: percent(mean.value),
            standard_error: mean.standard_error.map(|error| 100.0 * error / target_g),
            interval: mean.interval.map(|limits| Interval {
                lower: percent(limits.lower),
                upper: percent(limits.upper),
            }),
        })
    }
}

impl Platform {
    /// From the records of a study; `None` where it has none.
    ///
    /// # Errors
    /// An input error where a target's table is faulty.
    pub fn of(study: &Study, options: &PlatformOptions) -> Result<Option<Self>> {
        if study.stream.days.is_empty() {
            return Ok(None);
        }
        let targets = trajectories(study, BODY_WEIGHT)?.unwrap_or_default();
        let mut warnings = Vec::new();
        let gated = days::gated(study, &targets, &mut warnings);
        let hand = hand::samples(study);
        let rise = hours::rise(&gated);
        let uniformities: Vec<f64> = gated
            .par_iter()
            .map(|day| day.uniformity_pct(options.within_pct, 1.0))
            .collect();
        let series = |value: &dyn Fn(usize) -> f64| -> Vec<Vec<(f64, f64)>> {
            (0..study.stream.scales.len())
                .map(|scale| {
                    let own = gated.iter().enumerate();
                    own.filter(|(_, day)| day.scale == scale && day.has_weights())
                        .map(|(at, day)| (days::day_number(day.date), value(at)))
                        .collect()
                })
                .collect()
        };
        let mean_error = day_error::day_error(&series(&|at| gated[at].gate.mean_g.ln()));
        let cv_error = day_error::day_error(&series(&|at| gated[at].cv().ln()));
        let share_error = day_error::day_error(&series(&|at| uniformities[at]));
        let errors = Errors {
            mean: mean_error,
            cv: cv_error,
            share: share_error,
        };
        let (calibration, spread_bias) = calibrated(&gated, &hand, &errors);
        let days = gated
            .par_iter()
            .zip(&uniformities)
            .map(|(day, uniformity_pct)| {
                let bias = Biases {
                    mean: calibration.as_ref(),
                    spread: spread_bias,
                };
                let strain = study.stream.scales[day.scale].strain;
                let target = targets.get(strain).and_then(Option::as_ref);
                day_of(day, *uniformity_pct, (&errors, &bias), target, options)
            })
            .collect();
        days::look_through(study, &gated, &mut warnings);
        Ok(Some(Self {
            days,
            mean_error,
            calibration,
            spread_bias,
            hand,
            rise,
            warnings,
        }))
    }

    /// The last day of a scale that has weights.
    #[must_use]
    pub fn last_of(&self, scale: usize) -> Option<&PlatformDay> {
        let own = self.days.iter().filter(|day| day.scale == scale);
        own.rev().find(|day| day.weights.is_some())
    }

    /// Share of all records that are not single birds, by kind of load.
    #[must_use]
    pub fn shares(&self) -> [f64; gate::LOADS] {
        let all: f64 = self.days.iter().map(|day| day.records).sum();
        let mut shares = [0.0; gate::LOADS];
        for day in &self.days {
            for (share, own) in shares.iter_mut().zip(&day.shares) {
                *share += own * day.records / all;
            }
        }
        shares
    }
}

/// Scatter from day to day of the log mean, of the log CV and of the uniformity in percent.
struct Errors {
    mean: Option<DayError>,
    cv: Option<DayError>,
    share: Option<DayError>,
}

struct Biases<'a> {
    mean: Option<&'a Calibration>,
    spread: Option<Bias>,
}

/// The biases of mean and spread, from pairs of a scale's day and a hand-weighed sample.
fn calibrated(
    gated: &[GatedDay<'_>],
    hand: &[HandSample],
    errors: &Errors,
) -> (Option<Calibration>, Option<Bias>) {
    let mut pairs = Vec::new();
    let (mut weights, mut sum, mut squares, mut ratios) = (0.0, 0.0, 0.0, 0.0_f64);
    for day in gated.iter().filter(|day| day.has_weights()) {
        let Some(age_d) = day.age_d else { continue };
        let own = hand
            .iter()
            .filter(|sample| sample.scale == day.scale && (sample.age_d - age_d).abs() < 0.5);
        for sample in own {
            let visits = day.cv().powi(2) / day.gate.singles();
            let scatter = errors
                .mean
                .map_or(visits, |error| error.variance.max(visits));
            pairs.push(Pair {
                scale: day.scale,
                age_d,
                log_ratio: (day.gate.mean_g / sample.mean_g).ln(),
                variance: scatter,
                hand_variance: (sample.standard_error_g / sample.mean_g).powi(2),
                same_birds: sample.same_birds,
            });
            // The log of an SD of n normal values has the variance 1 / (2 (n - 1)).
            if let Some(sd_g) = sample.sd_g.filter(|_| sample.n >= 10) {
                let scatter = errors.cv.map_or(0.0, |error| error.variance);
                let variance = scatter + 0.5 / (sample.n as f64 - 1.0);
                let ratio = (day.cv() * sample.mean_g / sd_g).ln();
                weights += 1.0 / variance;
                sum += ratio / variance;
                squares += ratio * ratio / variance;
                ratios += 1.0;
            }
        }
    }
    let spread = (weights > 0.0).then(|| {
        // Pairs that differ by more than their errors widen that of their mean (Birge's ratio).
        let spare = (squares - sum * sum / weights) / (ratios - 1.0).max(1.0);
        Bias {
            log_ratio: sum / weights,
            variance: spare.max(1.0) / weights,
        }
    });
    (Calibration::of(pairs), spread)
}

fn day_of(
    day: &GatedDay<'_>,
    visits_uniformity_pct: f64,
    (errors, bias): (&Errors, &Biases<'_>),
    target: Option<&TargetCurve>,
    options: &PlatformOptions,
) -> PlatformDay {
    let visits = day.gate.singles();
    let target_g = day
        .age_d
        .and_then(|age_d| Some(target?.at(age_d)?.target_g));
    let weights = day.has_weights().then(|| {
        let cv = day.cv();
        let calibration = bias.mean.zip(day.age_d);
        let (shift, shift_variance) = match calibration {
            Some((calibration, age_d)) => {
                let bias = calibration.at(day.scale, age_d);
                (bias.log_ratio, bias.variance)
            }
            None => (0.0, 0.0),
        };
        let mean_error = errors.mean.map(|error| DayError {
            variance: error.variance.max(cv * cv / visits),
            ..error
        });
        let mean_g = on_log_scale(
            day.gate.mean_g * (-shift).exp(),
            mean_error,
            shift_variance,
            options.confidence,
        );
        let spread = bias.spread.filter(|_| calibration.is_some());
        let factor = spread.map_or(1.0, |bias| (-bias.log_ratio).exp());
        let factor_variance = spread.map_or(0.0, |bias| bias.variance);
        let cv_error = errors.cv.map(|error| DayError {
            variance: error.variance.max(0.5 / visits),
            ..error
        });
        let cv_pct = on_log_scale(
            100.0 * cv * factor,
            cv_error,
            factor_variance,
            options.confidence,
        );
        let uniformity = match spread {
            Some(_) => day.uniformity_pct(options.within_pct, factor),
            None => visits_uniformity_pct,
        };
        // What a change of the spread does to the share, by a difference.
        let step = 0.02;
        let slope = (day.uniformity_pct(options.within_pct, factor * (1.0 + step))
            - day.uniformity_pct(options.within_pct, factor * (1.0 - step)))
            / (2.0 * step);
        let share = uniformity / 100.0;
        let share_error = errors.share.map(|error| DayError {
            variance: error.variance.max(1e4 * share * (1.0 - share) / visits),
            ..error
        });
        let uniformity_pct = within_0_and_100(
            uniformity,
            share_error,
            slope * slope * factor_variance,
            options.confidence,
        );
        let near_calibration = calibration.is_some_and(|(calibration, age_d)| {
            let (first_d, last_d) = calibration.ages_d();
            age_d >= first_d - CARRIED_D && age_d <= last_d + CARRIED_D
        });
        DayWeights {
            visits_mean_g: day.gate.mean_g,
            visits_sd_g: day.gate.sd_g,
            visits_uniformity_pct,
            effective_n: mean_error.map(|error| cv * cv / error.variance),
            calibrated: calibration.is_some(),
            near_calibration,
            mean_g,
            cv_pct,
            uniformity_pct,
        }
    });
    PlatformDay {
        scale: day.scale,
        date: day.date,
        age_d: day.age_d,
        records: day.gate.records,
        visits,
        shares: day.gate.shares,
        tare_g: day.gate.tare_g,
        weights,
        target_g,
    }
}

/// The quantile that goes with an error of a day and one of a calibration; the degrees of
/// freedom of their sum by Satterthwaite's rule, those of the calibration taken as many.
fn quantile(error: DayError, further: f64, confidence: f64) -> f64 {
    let all = error.variance + further;
    let share = if all > 0.0 { error.variance / all } else { 1.0 };
    let degrees = error.degrees_of_freedom / (share * share);
    if degrees < 1e6 {
        t_two_sided_quantile(confidence, degrees.max(1.0))
    } else {
        normal_quantile(0.5 + confidence / 2.0)
    }
}

fn on_log_scale(value: f64, error: Option<DayError>, further: f64, confidence: f64) -> Estimate {
    let with_error = error.map(|error| {
        let standard_error = (error.variance + further).sqrt();
        let half = quantile(error, further, confidence) * standard_error;
        let interval = Interval {
            lower: value * (-half).exp(),
            upper: value * half.exp(),
        };
        (value * standard_error, interval)
    });
    Estimate {
        value,
        standard_error: with_error.map(|(error, _)| error),
        interval: with_error.map(|(_, interval)| interval),
    }
}

fn within_0_and_100(
    value: f64,
    error: Option<DayError>,
    further: f64,
    confidence: f64,
) -> Estimate {
    let with_error = error.map(|error| {
        let standard_error = (error.variance + further).sqrt();
        let half = quantile(error, further, confidence) * standard_error;
        let interval = Interval {
            lower: (value - half).max(0.0),
            upper: (value + half).min(100.0),
        };
        (standard_error, interval)
    });
    Estimate {
        value,
        standard_error: with_error.map(|(error, _)| error),
        interval: with_error.map(|(_, interval)| interval),
    }
}
