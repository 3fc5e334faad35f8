//! How would forecasts of unnamed flocks have come true?
//!
//! As of occasions from the middle of the weighings on, what came later is hidden, and the
//! means of pens and of the flock on later occasions are forecast: as weighed, with the error of
//! drawing birds.

use rayon::prelude::*;

use super::course::{Course, StrainModel};
use super::occasions;
use super::unit_day::UnitDay;
use super::units::{Flock, drawing};
use crate::fit::mixed::Forecast;
use crate::flock::backtest_rows::{Hit, PEN, STRAIN, WeightBacktests, rows_of, weeks_ahead};
use crate::flock::relative::Member;
use crate::stats::distribution::t_two_sided_quantile;

/// Forecasts up to this far ahead are tested, d.
const TESTED_D: f64 = 42.0;
/// Occasions as of which forecasts are made, at most.
const MOST: usize = 8;
/// Occasions that must be known.
const LEAST: usize = 3;

/// The backtest of one strain.
pub(super) fn backtest(
    flock: &Flock<'_>,
    courses: &[Course],
    trait_index: usize,
    confidence: f64,
) -> WeightBacktests {
    let on = occasions(&flock.days);
    let mut first = 0;
    // Each occasion with the place of its first day.
    let placed: Vec<(usize, &[&UnitDay])> = on
        .into_iter()
        .map(|days| {
            first += days.len();
            (first - days.len(), days)
        })
        .collect();
    let after_middle = LEAST.max(placed.len() / 2);
    let asked: Vec<usize> = (after_middle..placed.len()).collect();
    let step = asked.len().div_ceil(MOST).max(1);
    let hits: Vec<Vec<Hit>> = asked
        .into_iter()
        .step_by(step)
        .collect::<Vec<_>>()
        .into_par_iter()
        .filter_map(|next| as_of(flock, courses, &placed, next, (trait_index, confidence)))
        .collect();
    rows_of(hits.into_iter().flatten().collect(), confidence)
}

/// Forecasts of the occasions from `next` on by those before it.
fn as_of(
    flock: &Flock<'_>,
    courses: &[Course],
    placed: &[(usize, &[&UnitDay])],
    next: usize,
    (trait_index, confidence): (usize, f64),
) -> Option<Vec<Hit>> {
    let from = placed[next].0;
    let model = StrainModel::of(courses, &flock.means(|at| at < from), flock.units.len()).ok()?;
    let known = flock.days[..from].iter();
    let as_of_d = known.fold(0.0, |last: f64, day| day.age_d.max(last));
    let later: Vec<&[&UnitDay]> = placed[next..]
        .iter()
        .map(|(_, days)| *days)
        .filter(|days| days.iter().all(|day| day.age_d <= as_of_d + TESTED_D))
        .collect();
    let days = later.iter().copied().flatten();
    let ages_d: Vec<f64> = days.map(|day| day.age_d).collect();
    let ahead = model.ahead(&ages_d);
    let mut hits = Vec::new();
    let mut hit = |level: u8, forecast: &Forecast, value: f64| {
        let quantile = t_two_sided_quantile(confidence, forecast.df);
        let (lower, upper) = forecast.interval(quantile);
        hits.push(Hit {
            key: (trait_index, level, weeks_ahead(forecast.age_d - as_of_d)),
            bird: usize::MAX,
            cluster: (flock.strain, as_of_d.to_bits()),
            error: forecast.value - value,
            value,
            held: lower <= value && value <= upper,
        });
    };
    for days in later {
        let members = days
            .iter()
            .map(|day| flock.member(day.unit, day.age_d, drawing(day)));
        let members: Vec<Member> = members.collect::<Option<_>>()?;
        let total: f64 = members.iter().map(|member| member.share).sum();
        let over = |value: &dyn Fn(&UnitDay) -> f64| {
            let pairs = days.iter().zip(&members);
            pairs
                .map(|(day, member)| member.share * value(day))
                .sum::<f64>()
                / total
        };
        let age_d = over(&|day| day.age_d);
        if let Some((forecast, _)) = ahead.forecast(&members, age_d) {
            hit(STRAIN, &forecast, over(&|day| day.mean_g));
        }
        if flock.units.len() > 1 {
            for (day, member) in days.iter().zip(&members) {
                if let Some((forecast, _)) = ahead.forecast(&[*member], day.age_d) {
                    hit(PEN, &forecast, day.mean_g);
                }
            }
        }
    }
    Some(hits)
}
