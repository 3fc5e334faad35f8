//! At which age does a trait's gain change before lay?
//!
//! A broken stick through the ten weeks of weighings up to the first egg: the bird's own,
//! or, for a strain, the mean of its birds at each age, each bird set to the common mean
//! first so that a missing weighing does not shift it, with an interval by bootstrap over
//! birds (the birds' weighings follow each other, so that points are not independent).

use rayon::prelude::*;

use crate::stats::change_point::broken_stick;
use crate::stats::resample::{bootstrap, percentile_interval};
use crate::stats::{Interval, mean, median};
use crate::study::{Records, Study};

/// Longest time before the first egg of the weighings used, d. The pre-lay change falls within
/// it and the slowing of the first phase mostly before it (our choice).
const WINDOW_D: f64 = 70.0;
/// An age counts for a strain where this share of its birds was weighed.
const WEIGHED_SHARE: f64 = 0.8;
const REPLICATES: usize = 200;

/// The bend of one bird or strain in one trait.
#[derive(Debug, Clone, PartialEq)]
pub struct Breakpoint {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// Index into [`Study::strains`].
    pub strain: usize,
    /// Index into [`Study::birds`]; none for a strain.
    pub bird: Option<usize>,
    /// Age at first egg, d; of a strain, the median of its birds that laid.
    pub first_egg_d: f64,
    /// Weighings, or, of a strain, birds.
    pub n: usize,
    /// The bend, or why there is none.
    pub found: Result<BreakpointEstimate, String>,
}

/// A bend.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BreakpointEstimate {
    /// Age, d.
    pub age_d: f64,
    /// Interval, d; infinite where the data set no limit.
    pub interval_d: Interval,
    /// Gain before it, g/d.
    pub slope_before: f64,
    /// Gain after it, g/d.
    pub slope_after: f64,
}

/// Bends of every strain, then of every bird that laid, in each trait.
#[must_use]
pub fn bends(study: &Study, confidence: f64, seed: u64) -> Vec<Breakpoint> {
    let mut all = Vec::new();
    for (trait_index, records) in study.traits.iter().enumerate() {
        let laid: Vec<(usize, f64)> = study
            .onset
            .iter()
            .filter_map(|record| Some((record.bird, record.first_egg_d()?)))
            .collect();
        for strain in 0..study.strains.len() {
            let own: Vec<(usize, f64)> = laid
                .iter()
                .copied()
                .filter(|(bird, _)| study.birds[*bird].strain == strain)
                .collect();
            if own.is_empty() {
                continue;
            }
            let first_egg_d = median(&own.iter().map(|(_, egg)| *egg).collect::<Vec<_>>());
            let birds: Vec<usize> = own.iter().map(|(bird, _)| *bird).collect();
            all.push(Breakpoint {
                trait_index,
                strain,
                bird: None,
                first_egg_d,
                n: birds.len(),
                found: of_strain(records, &birds, first_egg_d, confidence, seed),
            });
        }
        all.par_extend(laid.par_iter().map(|(bird, first_egg_d)| {
            let (ages_d, values) = window(records, *bird, *first_egg_d);
            Breakpoint {
                trait_index,
                strain: study.birds[*bird].strain,
                bird: Some(*bird),
                first_egg_d: *first_egg_d,
                n: ages_d.len(),
                found: of(&ages_d, &values, confidence),
            }
        }));
    }
    all
}

fn window(records: &Records, bird: usize, first_egg_d: f64) -> (Vec<f64>, Vec<f64>) {
    let (ages_d, values) = records.of(bird);
    let inside = |age_d: f64| age_d >= first_egg_d - WINDOW_D && age_d <= first_egg_d;
    let pairs = ages_d.iter().zip(values).filter(|(age, _)| inside(**age));
    pairs.unzip()
}

fn of(ages_d: &[f64], values: &[f64], confidence: f64) -> Result<BreakpointEstimate, String> {
    let stick = broken_stick(ages_d, values, confidence).map_err(|failure| failure.to_string())?;
    Ok(BreakpointEstimate {
        age_d: stick.change_point,
        interval_d: stick.interval,
        slope_before: stick.slope_before,
        slope_after: stick.slope_after,
    })
}

fn of_strain(
    records: &Records,
    birds: &[usize],
    first_egg_d: f64,
    confidence: f64,
    seed: u64,
) -> Result<BreakpointEstimate, String> {
    let windows: Vec<(Vec<f64>, Vec<f64>)> = birds
        .iter()
        .map(|bird| window(records, *bird, first_egg_d))
        .filter(|(ages_d, _)| !ages_d.is_empty())
        .collect();
    let everyone: Vec<usize> = (0..windows.len()).collect();
    let (ages_d, values) = mean_curve(&windows, &everyone);
    let mut found = of(&ages_d, &values, confidence)?;
    if windows.len() < 2 {
        return Ok(found);
    }
    let again = |drawn: &[usize]| {
        let (ages_d, values) = mean_curve(&windows, drawn);
        Some(vec![
            broken_stick(&ages_d, &values, confidence)
                .ok()?
                .change_point,
        ])
    };
    let drawn = bootstrap(windows.len(), REPLICATES, seed, again).map_err(|f| f.to_string())?;
    found.interval_d =
        percentile_interval(&drawn.of(0), confidence).map_err(|failure| failure.to_string())?;
    Ok(found)
}

/// Mean of the birds at each age at which most were weighed.
fn mean_curve(windows: &[(Vec<f64>, Vec<f64>)], birds: &[usize]) -> (Vec<f64>, Vec<f64>) {
    let mut points: Vec<(f64, f64)> = Vec::new();
    let level = mean(
        &birds
            .iter()
            .map(|bird| mean(&windows[*bird].1))
            .collect::<Vec<_>>(),
    );
    for bird in birds {
        let (ages_d, values) = &windows[*bird];
        // Birds weighed on the same days have the same mean age, so this shifts nothing.
        let own = mean(values);
        points.extend(
            ages_d
                .iter()
                .zip(values)
                .map(|(age, value)| (*age, value - own + level)),
        );
    }
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let enough = WEIGHED_SHARE * birds.len() as f64;
    points
        .chunk_by(|a, b| a.0.total_cmp(&b.0).is_eq())
        .filter(|group| group.len() as f64 >= enough)
        .map(|group| {
            let values: Vec<f64> = group.iter().map(|(_, value)| *value).collect();
            (group[0].0, mean(&values))
        })
        .unzip()
}
