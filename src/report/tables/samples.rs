//! The table of a plan of weekly samples.

use super::Columns;
use super::column::{Column, about, columns};
use crate::plan::samples::{SampleAim, SampleDesign, SampledFlock, sample_designs};
use crate::report::Table;

/// A flock with its designs.
#[derive(Debug, Clone)]
pub struct PlannedFlock {
    /// Its strain; empty where the flock is given by numbers.
    pub name: String,
    /// What it is taken to be like.
    pub flock: SampledFlock,
    /// Where that comes from, in words.
    pub from: String,
    /// For each number of pens the fewest birds that reach the aim, or what the most reach.
    pub designs: Vec<Result<SampleDesign, SampleDesign>>,
    /// The design with the fewest birds in all.
    pub chosen: Option<usize>,
}

/// A plan of weekly samples.
#[derive(Debug, Clone)]
pub struct PlannedSamples {
    /// One a strain.
    pub flocks: Vec<PlannedFlock>,
    /// What is to be reached.
    pub aim: SampleAim,
}

impl PlannedSamples {
    /// The designs of some flocks: name, what it is like, where that comes from.
    #[must_use]
    pub fn of(flocks: Vec<(String, SampledFlock, String)>, aim: SampleAim) -> Self {
        let planned = flocks.into_iter().map(|(name, flock, from)| {
            let (designs, chosen) = sample_designs(&flock, &aim);
            PlannedFlock {
                name,
                flock,
                from,
                designs,
                chosen,
            }
        });
        Self {
            flocks: planned.collect(),
            aim,
        }
    }
}

/// `sample_designs.csv`: for each number of pens the fewest birds of each that reach the aim.
#[must_use]
pub fn designs(planned: &PlannedSamples) -> Table {
    type Line<'a> = (&'a PlannedFlock, usize);
    let design = |(one, at): Line<'_>| *one.designs[at].as_ref().unwrap_or_else(|most| most);
    let columns = columns!("sample_designs", |line: Line<'_>| {
        strain => &*line.0.name,
        pens("1", "pens weighed each week") => design(*line).pens,
        birds_per_pen("1", "birds weighed of each: the fewest that reach the aim, or the most allowed where they do not") => design(*line).birds_per_pen,
        birds_in_all("1", "birds weighed a week") => design(*line).birds(),
        mean_half_width_pct("%", "half width of the interval of the flock's mean; empty where one pen of several is weighed, which does not show how pens differ") => design(*line).mean.map(|mean| 100.0 * mean),
        uniformity_pct("%", "uniformity to be expected: share of birds within 10 % of the flock's mean, weights of a pen being normal") => design(*line).uniformity_pct,
        uniformity_half_width("%", "longer arm of the interval of uniformity, percentage points") => design(*line).uniformity_points,
        reaches("", "whether the aim is reached") => line.0.designs[line.1].is_ok(),
        chosen("", "whether this is the design with the fewest birds in all that reaches the aim") => line.0.chosen == Some(line.1),
        cv_pct("%", "coefficient of variation between birds of a pen that is planned with") => 100.0 * line.0.flock.cv,
        pens_sd_pct("%", "standard deviation between pens that is planned with, of the mean") => 100.0 * line.0.flock.pens_sd,
        days_sd_pct("%", "standard deviation between days that all pens share that is planned with, of the mean") => 100.0 * line.0.flock.days_sd,
        occasions_sd_pct("%", "standard deviation between occasions of a pen that is planned with, of the mean") => 100.0 * line.0.flock.occasions_sd,
        pens_of_flock("1", "pens of the flock") => line.0.flock.pens,
        confidence("1", "confidence of the intervals") => planned.aim.level,
    });
    let lines = planned.flocks.iter();
    columns.table(lines.flat_map(|one| (0..one.designs.len()).map(move |at| (one, at))))
}
