//! The tables of the flock against its target.

use super::Columns;
use super::column::{Column, about, columns};
use crate::flock::{
    AmongEarlier, Deviation, EarlierFlock, FlockUniformity, Gain, GainPoint, GainsSeen, Met, Share,
    birds_for_mean, birds_for_share,
};
use crate::report::Table;
use crate::study::Study;

/// `deviation.csv`: weighings and group means against the target.
#[must_use]
pub fn deviation(study: &Study, rows: &[Deviation], gains: &[Option<GainsSeen>]) -> Table {
    let target = |row: &Deviation| Some(row.against.as_ref().ok()?.target);
    let interval = |row: &Deviation| row.against.as_ref().ok()?.interval_g;
    let gain = |row: &Deviation| match row.gain {
        Gain::PerDay {
            needed_g_per_d,
            target_g_per_d,
        } => Some((needed_g_per_d, target_g_per_d)),
        Gain::NotAsked | Gain::AgePassed | Gain::BeyondTarget => None,
    };
    columns!("deviation", |(row, seen): (&Deviation, &Option<GainsSeen>)| {
        level => row.level.to_string(),
        strain => &study.strains[row.strain],
        pen => row.pen.map(|pen| &study.pens[pen]),
        bird => row.bird.map(|bird| &study.birds[bird].name),
        trait => &study.traits[row.trait_index].name,
        age_d => row.age_d,
        n("1", "birds weighed") => row.n,
        observed_g("g", "what was weighed, or the mean of the group") => row.observed_g,
        std_error("g", "standard error of a group's mean") => row.std_error_g,
        target_g => target(row).map(|target| target.target_g),
        lower_g("g", "lower edge of the target band") => target(row).and_then(|target| target.lower_g),
        upper_g("g", "upper edge of the target band") => target(row).and_then(|target| target.upper_g),
        deviation_g("g", "observed minus target") => row.against.as_ref().ok().map(|against| against.deviation_g),
        deviation_lower_g("g", "lower limit of the deviation") => interval(row).map(|limits| limits.0),
        deviation_upper_g("g", "upper limit of the deviation") => interval(row).map(|limits| limits.1),
        deviation_pct("%", "deviation, percent of the target") => row.against.as_ref().ok().map(|against| against.deviation_pct),
        days("d", "days ahead (+) of the target or behind (-)") => row.against.as_ref().ok().and_then(|against| against.days.ok()),
        in_band("", "yes, no, or unsure where the interval spans an edge of the band") => row.against.as_ref().ok().map(|against| against.band.to_string()),
        gain_needed_g_per_d("g/d", "gain that brings the weight back to target by the age requested") => gain(row).map(|gain| gain.0),
        target_gain_g_per_d("g/d", "gain of the target over the same days") => gain(row).map(|gain| gain.1),
        note => deviation_note(row),
        gains_seen("1", "gains of this strain between two weighings, begun at a weight like this one, that the needed gain is set against; of a group, means over its birds") => seen.as_ref().map(|seen| seen.n),
        fastest_gain_g_per_d("g/d", "fastest of these gains") => seen.as_ref().map(|seen| seen.fastest_g_per_d),
        gains_as_fast_pct("%", "share of these gains as fast as needed") => seen.as_ref().map(|seen| seen.as_fast_pct),
        house("", "house, where birds are kept by house") => row.house.map(|house| &study.houses[house]),
        caution("", "what to be careful about") => &row.caution,
    })
    .table(rows.iter().zip(gains))
}

/// Why a deviation's cells are empty, in words.
fn deviation_note(row: &Deviation) -> String {
    let against = match &row.against {
        Err(reason) => Some(reason.to_string()),
        Ok(against) => against.days.as_ref().err().map(ToString::to_string),
    };
    let gain = match row.gain {
        Gain::AgePassed => Some("the age to be back by has passed".to_owned()),
        Gain::BeyondTarget => Some("the target does not reach the age to be back by".to_owned()),
        Gain::NotAsked | Gain::PerDay { .. } => None,
    };
    let notes: Vec<String> = against.into_iter().chain(gain).collect();
    notes.join("; ")
}

/// How well a flock's mean and its uniformity are to be known.
#[derive(Debug, Clone, Copy)]
pub struct Weigh {
    /// The mean, within this number of percent.
    pub mean_within_pct: f64,
    /// The uniformity, within this number of points of percent.
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
    let near =
        |row: &FlockUniformity, of: fn(&Share) -> f64| row.uniformity.near_mean.as_ref().map(of);
    let requirement = &study.settings.target;
    columns!("uniformity", |row: &FlockUniformity| {
        level => row.level.to_string(),
        strain => &study.strains[row.strain],
        pen => row.pen.map(|pen| &study.pens[pen]),
        trait => &study.traits[row.trait_index].name,
        age_d => row.age_d,
        n("1", "birds weighed") => row.uniformity.n,
        mean_g("g", "mean of the birds") => row.uniformity.mean_g,
        sd_g("g", "standard deviation between birds") => row.uniformity.cv.as_ref().ok().map(|cv| cv.sd_g),
        cv_pct("%", "coefficient of variation") => row.uniformity.cv.as_ref().ok().map(|cv| cv.cv_pct),
        cv_lower_pct("%", "lower limit of the coefficient of variation") => row.uniformity.cv.as_ref().ok().map(|cv| cv.lower_pct),
        cv_upper_pct("%", "upper limit of the coefficient of variation") => row.uniformity.cv.as_ref().ok().and_then(|cv| cv.upper_pct),
        birds_within("1", "birds near the mean (within 10 % by default)") => row.uniformity.near_mean.as_ref().map(|share| share.within),
        uniformity_pct("%", "share of birds near the mean") => near(row, |share| share.pct),
        uniformity_lower_pct("%", "lower limit of that share") => near(row, |share| share.lower_pct),
        uniformity_upper_pct("%", "upper limit of that share") => near(row, |share| share.upper_pct),
        normal_uniformity_pct("%", "share that a normal distribution of this spread would give") => row.uniformity.normal_share_pct,
        target_g => row.target_g,
        near_target_pct("%", "share of birds near the target") => row.near_target.as_ref().map(|share| share.pct),
        note => row.uniformity.cv.as_ref().err().map(ToString::to_string),
        birds_for_mean("1", "birds to weigh for the mean to be known within 2 % (by default)") => weigh.for_mean(row),
        birds_for_uniformity("1", "birds to weigh for the uniformity to be known within 8 percentage points (by default)") => weigh.for_uniformity(row),
        house("", "house, where birds are kept by house") => row.house.map(|house| &study.houses[house]),
        caution("", "what to be careful about") => &row.caution,
        uniformity_met("", "yes, no, or unsure (by its interval): uniformity of at least target.least_uniformity_pct") => requirement.least_uniformity_pct.and_then(|least| row.uniformity.meets_share(least)).map(Met::name),
        cv_met("", "yes, no, or unsure (by its interval): coefficient of variation of at most target.greatest_cv_pct") => requirement.greatest_cv_pct.and_then(|most| row.uniformity.meets_cv(most)).map(Met::name),
    })
    .table(rows)
}

/// `weekly_gain.csv`: gains of flocks, houses and pens of unnamed birds from weighing to
/// weighing, with their control limits.
#[must_use]
pub fn weekly_gain(study: &Study, rows: &[GainPoint]) -> Table {
    columns!("weekly_gain", |row: &GainPoint| {
        level => row.level.to_string(),
        strain => &study.strains[row.strain],
        house("", "house, where birds are kept by house") => row.house.map(|house| &study.houses[house]),
        pen => row.pen.map(|pen| &study.pens[pen]),
        trait => &study.traits[row.trait_index].name,
        from_d("d", "age of the earlier weighing") => row.from_d,
        age_d => row.to_d,
        gain_g_per_d("g/d", "gain of the mean between the two weighings") => row.gain_g_per_d,
        expected_g_per_d("g/d", "gain expected by the growth curve of the group") => row.expected_g_per_d,
        std_error_g_per_d("g/d", "standard error of the gain about what is expected: birds drawn and occasions of both weighings") => row.std_error_g_per_d,
        lower_g_per_d("g/d", "lower control limit, three standard errors below the expected gain") => row.limits().map(|limits| limits.0),
        upper_g_per_d("g/d", "upper control limit") => row.limits().map(|limits| limits.1),
        target_g_per_d("g/d", "gain of the target over the same days") => row.target_g_per_d,
        alarm("", "yes where the gain is outside its control limits") => row.is_alarm().map(|alarm| if alarm { "yes" } else { "no" }),
    })
    .table(rows)
}

/// `earlier_flocks.csv`: typical weights of earlier flocks and of this one at the same age.
#[must_use]
pub fn earlier_flocks(study: &Study, all: &[AmongEarlier]) -> Table {
    let columns = columns!("earlier_flocks", |(among, flock): (&AmongEarlier, Option<&EarlierFlock>)| {
        strain => &study.strains[among.strain],
        age_d => among.age_d,
        flock("", "earlier flock, by the study that it was saved from; this flock") => flock.map_or("this flock", |flock| flock.name.as_str()),
        birds("1", "birds of the strain in an earlier flock") => flock.map(|flock| flock.birds),
        typical_g("g", "typical weight at that age, by the flock's model") => flock.map_or(among.typical_g, |flock| flock.typical_g),
        deviation_pct("%", "that weight relative to this flock's target") => among.deviation_pct(flock.map_or(among.typical_g, |flock| flock.typical_g)),
        lighter("", "yes where the earlier flock was lighter than this one") => flock.map(|flock| flock.typical_g < among.typical_g),
    });
    columns.table(all.iter().flat_map(|among| {
        let earlier = among.earlier.iter();
        std::iter::once((among, None)).chain(earlier.map(move |flock| (among, Some(flock))))
    }))
}
