//! Which birds departed from their predicted growth?
//!
//! Each weighing of a bird is forecast from those before it; the error over its standard
//! error, as a normal score, is standard normal and independent of the others while the bird
//! keeps to its course (innovations of a linear model; nearly so here). What all birds of a
//! strain have in common on one occasion (a hot week, a curve that bends otherwise) is taken out:
//! the mean score of the occasion, and its spread where it is wider than 1. A cumulative sum of
//! what is left (`stats/cusum.rs`) separates a lasting change from the errors of weighing, with a
//! stated probability of a false alarm a bird.

use crate::error::{Error, Result};
use crate::stats::cusum;
use crate::stats::distribution::{normal_quantile, t_upper};
use crate::study::{AgeMatching, OccasionKey, Occasions, Records, Study};
use crate::trajectory::{BirdPopulation, KnownBirds};

/// Weighings before the first that is judged.
const LEAST_BEFORE: usize = 2;
/// Weighings that are judged, the last ones: a departure of long ago is past help.
const MOST_SCORES: usize = 12;
/// Birds of a strain on one occasion from which their common shift is taken out.
const LEAST_TOGETHER: usize = 8;
/// Birds handled at once, for memory.
const BIRDS_AT_ONCE: usize = 2000;

/// The CUSUM charts of the birds of one trait, and the birds that departed from their predicted growth.
#[derive(Debug, Clone)]
pub struct DepartureWatch {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// Birds with enough weighings to be judged.
    pub birds: usize,
    /// Probability of a false alarm a bird.
    pub false_alarms: f64,
    /// Birds with an alarm.
    pub departures: Vec<Departure>,
    /// Why nobody could be watched; empty otherwise.
    pub reason: String,
}

/// A bird that departed from its predicted growth.
#[derive(Debug, Clone, PartialEq)]
pub struct Departure {
    /// Index into [`Study::birds`].
    pub bird: usize,
    /// Last age at which it grew as predicted, d.
    pub since_d: f64,
    /// Age of the alarm, d.
    pub alarm_d: f64,
    /// Whether it gains less than expected (true) or more.
    pub falling: bool,
    /// Whether it still deviates at its last weighing.
    pub lasting: bool,
    /// The weighing at the alarm, g.
    pub weighed_g: f64,
    /// What was expected of it, g.
    pub expected_g: f64,
    /// The cumulative sum at the alarm, in standard errors.
    pub sum: f64,
    /// The limit that it passed.
    pub limit: f64,
    /// Weighings judged.
    pub n: usize,
}

/// A weighing of a bird against what was expected.
struct Score {
    bird: usize,
    strain: usize,
    age_d: f64,
    occasion: OccasionKey,
    before_d: f64,
    weighed_g: f64,
    expected_g: f64,
    z: f64,
}

/// Watches the birds of one trait by a population, or gives the reason why not.
///
/// # Errors
/// A call error where `false_alarms` is not between 0 and 1; an input error where the
/// population does not know a strain.
pub fn departures(
    known: &Study,
    trait_index: usize,
    population: std::result::Result<&BirdPopulation, &String>,
    taken_for: &[(String, String)],
    false_alarms: f64,
) -> Result<DepartureWatch> {
    if !(false_alarms > 0.0 && false_alarms < 1.0) {
        return Err(Error::call(format!(
            "--false-alarms {false_alarms}: expected a probability between 0 and 1, such as 0.01"
        )));
    }
    let mut watch = DepartureWatch {
        trait_index,
        birds: 0,
        false_alarms,
        departures: Vec::new(),
        reason: String::new(),
    };
    let population = match population {
        Ok(population) => population,
        Err(reason) => {
            watch.reason.clone_from(reason);
            return Ok(watch);
        }
    };
    let mut scores = scores(known, &known.traits[trait_index], population, taken_for)?;
    without_common(&mut scores);
    scores.sort_by_key(|score| score.bird);
    let mut limits: Vec<Option<f64>> = vec![None; MOST_SCORES + 1];
    for own in scores.chunk_by(|a, b| a.bird == b.bird) {
        watch.birds += 1;
        let limit = *limits[own.len()].get_or_insert_with(|| cusum::limit(own.len(), false_alarms));
        watch.departures.extend(alarm(own, limit));
    }
    if watch.birds == 0 {
        watch.reason = format!(
            "no bird has the {} weighings that a change of course needs",
            LEAST_BEFORE + 1
        );
    }
    Ok(watch)
}

/// Every weighing that has enough before it, against its forecast, birds in the study's
/// order and each by age.
fn scores(
    known: &Study,
    records: &Records,
    population: &BirdPopulation,
    taken_for: &[(String, String)],
) -> Result<Vec<Score>> {
    let groups = population.groups_of(known, records, taken_for)?;
    let clock = Occasions::of(known, records, AgeMatching::default());
    let mut scores = Vec::new();
    let birds: Vec<usize> = (0..known.birds.len()).collect();
    for some in birds.chunks(BIRDS_AT_ONCE) {
        let mut before = KnownBirds::new(records, population);
        // The weighing that follows each subject's.
        let mut next: Vec<usize> = Vec::new();
        for bird in some {
            let Some(group) = groups[*bird] else { continue };
            let n = records.of(*bird).0.len();
            for at in LEAST_BEFORE.max(n.saturating_sub(MOST_SCORES))..n {
                let subjects = before.birds.len();
                before.push(records, *bird, group, at);
                if before.birds.len() > subjects {
                    next.push(at);
                }
            }
        }
        let age_of = |subject: usize| {
            let at = next[subject];
            &records.of(before.birds[subject]).0[at..=at]
        };
        let forecasts = population
            .population
            .forecast(&before.subjects()?, age_of)?;
        for (subject, at) in next.iter().enumerate() {
            let bird = before.birds[subject];
            let (ages_d, values) = records.of(bird);
            let Some(forecast) = forecasts.of(subject, 0) else {
                continue;
            };
            let z = normal_score(forecast.standardised(values[*at]), forecast.df);
            if z.is_finite() && ages_d[*at] > ages_d[at - 1] {
                scores.push(Score {
                    bird,
                    strain: known.birds[bird].strain,
                    age_d: ages_d[*at],
                    occasion: clock.of_bird(records, bird)[*at],
                    before_d: ages_d[at - 1],
                    weighed_g: values[*at],
                    expected_g: forecast.value,
                    z,
                });
            }
        }
    }
    Ok(scores)
}

/// The normal score of a Student score: the same tail probability.
fn normal_score(t: f64, df: f64) -> f64 {
    // By the nearer tail: the far one is lost to rounding.
    let tail = t_upper(t.abs(), df).max(1e-300);
    -t.signum() * normal_quantile(tail)
}

/// Takes out what the birds of a strain have in common: on each occasion their mean, and the
/// spread of their scores where it is wider than 1, over all occasions or clearly on one.
fn without_common(scores: &mut [Score]) {
    scores.sort_by(|a, b| {
        let (one, other) = (&a.occasion, &b.occasion);
        let days = a.strain.cmp(&b.strain).then(one.day.total_cmp(&other.day));
        days.then(one.batch.cmp(&other.batch))
    });
    for of_strain in scores.chunk_by_mut(|a, b| a.strain == b.strain) {
        let together = |a: &Score, b: &Score| a.occasion == b.occasion;
        let occasions = of_strain.chunk_by_mut(together);
        for together in occasions.filter(|together| together.len() >= LEAST_TOGETHER) {
            let n = count(together.len());
            let mean = together.iter().map(|score| score.z).sum::<f64>() / n;
            // A mean of n takes 1/n of the variance with it.
            let left = ((n - 1.0) / n).sqrt();
            together
                .iter_mut()
                .for_each(|score| score.z = (score.z - mean) / left);
        }
        let usual = spread(of_strain).max(1.0);
        for together in of_strain.chunk_by_mut(together) {
            // The spread of n normal scores, found by their median size, has a standard
            // error of 1.17 / sqrt(n).
            let own = spread(together);
            let clearly = own > usual * (1.0 + 3.0 * 1.17 / count(together.len()).sqrt());
            let spread = if clearly { own } else { usual };
            together.iter_mut().for_each(|score| score.z /= spread);
        }
    }
}

/// Standard deviation by the median size, 0.6745 of standard normal scores: few that depart
/// do not move it.
fn spread(scores: &[Score]) -> f64 {
    let mut sizes: Vec<f64> = scores.iter().map(|score| score.z.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    sizes[sizes.len() / 2] / 0.674_489_750_196_081_7
}

fn count(birds: usize) -> f64 {
    birds as f64
}

/// The first alarm in a bird's scores, which are in order of age.
fn alarm(own: &[Score], limit: f64) -> Option<Departure> {
    let mut found: Option<Departure> = None;
    // Sum and the age from which it has grown, of rising and falling weights.
    let mut sums = [(0.0_f64, own[0].before_d); 2];
    for score in own {
        for (side, (sum, since_d)) in sums.iter_mut().enumerate() {
            let z = if side == 0 { score.z } else { -score.z };
            if *sum <= 0.0 {
                *since_d = score.before_d;
            }
            *sum = cusum::next_sum(*sum, z);
            if *sum > limit && found.is_none() {
                found = Some(Departure {
                    bird: score.bird,
                    since_d: *since_d,
                    alarm_d: score.age_d,
                    falling: side == 1,
                    lasting: false,
                    weighed_g: score.weighed_g,
                    expected_g: score.expected_g,
                    sum: *sum,
                    limit,
                    n: own.len(),
                });
            }
        }
    }
    if let Some(found) = &mut found {
        found.lasting = sums[usize::from(found.falling)].0 > limit;
    }
    found
}
