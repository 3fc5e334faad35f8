//! Birds of the scales' own pens weighed by hand, by which the scales are calibrated.

use crate::stats::{mean, squares_about_mean};
use crate::study::{PlatformScale, SampleRow, Study};

/// Birds of a pen weighed by hand on one day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HandSample {
    /// Index into [`Stream::scales`](crate::study::Stream::scales) of the scale in that pen.
    pub scale: usize,
    /// Age, d.
    pub age_d: f64,
    /// Birds.
    pub n: usize,
    /// Their mean, g.
    pub mean_g: f64,
    /// Standard deviation between them, g, where it is known.
    pub sd_g: Option<f64>,
    /// Standard error of the mean as that of the pen, g.
    pub standard_error_g: f64,
    /// Whether the same birds are weighed each time (ringed birds): then what they differ by from
    /// their pen is in every sample.
    pub same_birds: bool,
}

/// Fewest birds of a sample.
const LEAST_BIRDS: usize = 3;

/// The samples of the pens with scales: unnamed birds, birds weighed together, ringed birds.
pub(super) fn samples(study: &Study) -> Vec<HandSample> {
    let mut samples = Vec::new();
    for (scale, known) in study.stream.scales.iter().enumerate() {
        unnamed(study, (scale, known), &mut samples);
        if let Some(pen) = known.pen {
            ringed(study, scale, pen, &mut samples);
        }
    }
    samples
}

/// Unnamed birds of the scale's pen; of a scale whose pen is not known, of its strain's flock.
fn unnamed(study: &Study, (scale, known): (usize, &PlatformScale), samples: &mut Vec<HandSample>) {
    for (place, unit) in study.samples.units.iter().enumerate() {
        let is_own = match known.pen {
            Some(_) => unit.pen == known.pen,
            None => unit.pen.is_none() && unit.strain == known.strain,
        };
        if !is_own {
            continue;
        }
        let rows = study.samples.rows.iter().filter(|row| row.unit == place);
        let mut rows: Vec<&SampleRow> = rows.collect();
        rows.sort_by(|a, b| a.age_d.total_cmp(&b.age_d));
        for day in rows.chunk_by(|a, b| (a.age_d - b.age_d).abs() < 0.5) {
            let singles: Vec<f64> = day
                .iter()
                .filter(|row| row.together.is_none())
                .map(|row| row.weight_g)
                .collect();
            if singles.len() >= LEAST_BIRDS {
                samples.push(of_birds((scale, day[0].age_d), &singles, unit.birds, false));
            }
        }
    }
}

/// Ringed birds of a pen, weighed on one day.
fn ringed(study: &Study, scale: usize, pen: usize, samples: &mut Vec<HandSample>) {
    let Some(records) = study.main_trait().map(|main| &study.traits[main]) else {
        return;
    };
    let mut weighings: Vec<(f64, f64)> = Vec::new();
    for bird in 0..study.birds.len() {
        let (ages_d, weights_g) = records.of(bird);
        let all = ages_d.iter().copied().zip(weights_g.iter().copied());
        weighings.extend(all.filter(|(age_d, _)| study.pen_at(bird, *age_d) == Some(pen)));
    }
    weighings.sort_by(|a, b| a.0.total_cmp(&b.0));
    let kept = study.kept.iter().find(|kept| kept.pen == Some(pen));
    let kept = kept.and_then(|kept| kept.birds);
    for day in weighings.chunk_by(|a, b| (a.0 - b.0).abs() < 0.5) {
        let weights_g: Vec<f64> = day.iter().map(|(_, weight_g)| *weight_g).collect();
        if weights_g.len() >= LEAST_BIRDS {
            samples.push(of_birds((scale, day[0].0), &weights_g, kept, true));
        }
    }
}

/// A sample of `kept` birds, where that number is known: of all of them the mean has no error of
/// sampling.
fn of_birds(
    (scale, age_d): (usize, f64),
    weights_g: &[f64],
    kept: Option<f64>,
    same_birds: bool,
) -> HandSample {
    let n = weights_g.len() as f64;
    let sd_g = (squares_about_mean(weights_g) / (n - 1.0)).sqrt();
    let missing = kept.map_or(1.0, |kept| (1.0 - n / kept).max(0.0));
    HandSample {
        scale,
        age_d,
        n: weights_g.len(),
        mean_g: mean(weights_g),
        sd_g: Some(sd_g),
        standard_error_g: sd_g * (missing / n).sqrt(),
        same_birds,
    }
}
