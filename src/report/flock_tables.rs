//! The tables of the flock against its target.

use crate::flock::{
    Deviation, FlockUniformity, Gain, GainsSeen, Share, birds_for_mean, birds_for_share,
};
use crate::report::Table;
use crate::study::Study;

/// `deviation.csv`: weighings and group means against the target.
///
/// `days` is ahead (+) or behind (-); `in_band` is yes, no, unsure (a group
/// whose interval spans an edge) or empty; `note` says why a cell is empty.
#[must_use]
pub fn deviation(study: &Study, rows: &[Deviation], gains: &[Option<GainsSeen>]) -> Table {
    let mut table = Table::new(
        "deviation",
        &[
            "level",
            "strain",
            "pen",
            "bird",
            "trait",
            "age_d",
            "n",
            "observed_g",
            "std_error",
            "target_g",
            "lower_g",
            "upper_g",
            "deviation_g",
            "deviation_lower_g",
            "deviation_upper_g",
            "deviation_pct",
            "days",
            "in_band",
            "gain_needed_g_per_d",
            "target_gain_g_per_d",
            "note",
            "gains_seen",
            "fastest_gain_g_per_d",
            "gains_as_fast_pct",
        ],
    );
    for (row, seen) in rows.iter().zip(gains) {
        let against = row.against.as_ref().ok();
        let target = against.map(|against| against.target);
        let interval = against.and_then(|against| against.interval_g);
        let (needed, planned) = match row.gain {
            Gain::PerDay {
                needed_g_per_d,
                target_g_per_d,
            } => (Some(needed_g_per_d), Some(target_g_per_d)),
            Gain::NotAsked | Gain::AgePassed | Gain::BeyondTarget => (None, None),
        };
        table
            .row()
            .text(&row.level.to_string())
            .text(&study.strains[row.strain])
            .text(row.pen.map_or("", |pen| &study.pens[pen]))
            .text(row.bird.map_or("", |bird| &study.birds[bird].name))
            .text(&study.traits[row.trait_index].name)
            .number(row.age_d)
            .whole(row.n)
            .number(row.observed_g)
            .number(row.std_error_g)
            .number(target.map(|target| target.target_g))
            .number(target.and_then(|target| target.lower_g))
            .number(target.and_then(|target| target.upper_g))
            .number(against.map(|against| against.deviation_g))
            .number(interval.map(|interval| interval.0))
            .number(interval.map(|interval| interval.1))
            .number(against.map(|against| against.deviation_pct))
            .number(against.and_then(|against| against.days.ok()))
            .text(
                &against
                    .map(|against| against.band.to_string())
                    .unwrap_or_default(),
            )
            .number(needed)
            .number(planned)
            .text(&deviation_note(row))
            .whole(seen.map(|seen| seen.n))
            .number(seen.map(|seen| seen.fastest_g_per_d))
            .number(seen.map(|seen| seen.as_fast_pct));
    }
    table
}

/// Why a deviation's cells are empty, in words.
fn deviation_note(row: &Deviation) -> String {
    let mut notes = Vec::new();
    match &row.against {
        Err(reason) => notes.push(reason.to_string()),
        Ok(against) => {
            if let Err(reason) = &against.days {
                notes.push(reason.to_string());
            }
        }
    }
    match row.gain {
        Gain::AgePassed => notes.push("the age to be back by has passed".to_owned()),
        Gain::BeyondTarget => {
            notes.push("the target does not reach the age to be back by".to_owned());
        }
        Gain::NotAsked | Gain::PerDay { .. } => {}
    }
    notes.join("; ")
}

/// How well a flock's mean and its uniformity are to be known.
#[derive(Debug, Clone, Copy)]
pub struct Weigh {
    /// The mean, within so many percent.
    pub mean_within_pct: f64,
    /// The uniformity, within so many points of percent.
    pub share_within_points: f64,
    /// Confidence of both, between 0 and 1.
    pub confidence: f64,
    /// Birds of each strain's flock; none for a flock much larger than the birds weighed.
    pub flock: Option<usize>,
}

impl Weigh {
    /// Birds to weigh for the mean of a flock like this one.
    #[must_use]
    pub fn for_mean(&self, row: &FlockUniformity) -> Option<usize> {
        let cv_pct = row.uniformity.cv.as_ref().ok()?.cv_pct;
        birds_for_mean(cv_pct, self.mean_within_pct, self.confidence, self.flock)
    }

    /// Birds to weigh for its uniformity.
    #[must_use]
    pub fn for_uniformity(&self, row: &FlockUniformity) -> Option<usize> {
        let share = row.uniformity.near_mean.as_ref()?.pct;
        birds_for_share(share, self.share_within_points, self.confidence, self.flock)
    }
}

/// `uniformity.csv`: how alike the birds of a strain or pen are at each age.
#[must_use]
pub fn uniformity(study: &Study, rows: &[FlockUniformity], weigh: &Weigh) -> Table {
    let mut table = Table::new(
        "uniformity",
        &[
            "level",
            "strain",
            "pen",
            "trait",
            "age_d",
            "n",
            "mean_g",
            "sd_g",
            "cv_pct",
            "cv_lower_pct",
            "cv_upper_pct",
            "within",
            "uniformity_pct",
            "uniformity_lower_pct",
            "uniformity_upper_pct",
            "normal_uniformity_pct",
            "target_g",
            "near_target_pct",
            "note",
            "birds_for_mean",
            "birds_for_uniformity",
        ],
    );
    for row in rows {
        let (flock, cv) = (&row.uniformity, row.uniformity.cv.as_ref().ok());
        let share = |of: fn(&Share) -> f64| flock.near_mean.as_ref().map(of);
        table
            .row()
            .text(&row.level.to_string())
            .text(&study.strains[row.strain])
            .text(row.pen.map_or("", |pen| &study.pens[pen]))
            .text(&study.traits[row.trait_index].name)
            .number(row.age_d)
            .whole(flock.n)
            .number(flock.mean_g)
            .number(cv.map(|cv| cv.sd_g))
            .number(cv.map(|cv| cv.cv_pct))
            .number(cv.map(|cv| cv.lower_pct))
            .number(cv.and_then(|cv| cv.upper_pct))
            .whole(flock.near_mean.as_ref().map(|share| share.within))
            .number(share(|share| share.pct))
            .number(share(|share| share.lower_pct))
            .number(share(|share| share.upper_pct))
            .number(flock.normal_share_pct)
            .number(row.target_g)
            .number(row.near_target.as_ref().map(|share| share.pct))
            .text(
                &flock
                    .cv
                    .as_ref()
                    .err()
                    .map(ToString::to_string)
                    .unwrap_or_default(),
            )
            .whole(weigh.for_mean(row))
            .whole(weigh.for_uniformity(row));
    }
    table
}
