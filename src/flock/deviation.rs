//! How far is each bird, pen and strain from its target, in grams, percent and days?

use std::fmt;

use crate::error::Result;
use crate::fit::interval::check_confidence;
use crate::flock::target::{NoTargetAge, TargetCurve, TargetPoint, trajectories};
use crate::stats::distribution::t_two_sided_quantile;
use crate::study::{AgeMatching, Grouping, Member, Occasion, Records, Study, occasions};

/// How weighings are set against the target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DeviationOptions {
    /// Which weighings count as one age.
    pub matching: AgeMatching,
    /// Age by which a bird or flock is to be back on target, d.
    pub back_on_target_by_d: Option<f64>,
    /// Confidence of the intervals, between 0 and 1.
    pub confidence: f64,
}

impl Default for DeviationOptions {
    /// Whole days, no age to be back by, 95 percent.
    fn default() -> Self {
        Self {
            matching: AgeMatching::default(),
            back_on_target_by_d: None,
            confidence: 0.95,
        }
    }
}

/// What a deviation is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FlockLevel {
    /// The birds of a strain that were weighed on one occasion.
    Strain,
    /// The birds of a strain in one pen that were weighed on one occasion.
    Pen,
    /// One weighing of one bird.
    Bird,
    /// All birds of the study.
    Flock,
    /// The birds of a strain in one house that were weighed on one occasion.
    House,
}

/// One row of `deviation.csv`: a weighing, or the mean of several, against the target.
#[derive(Debug, Clone)]
pub struct Deviation {
    /// What it is of.
    pub level: FlockLevel,
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// Index into [`Study::strains`].
    pub strain: usize,
    /// Index into [`Study::houses`], of unnamed birds where it is known.
    pub house: Option<usize>,
    /// Index into [`Study::pens`], where the level or the bird has one.
    pub pen: Option<usize>,
    /// Index into [`Study::birds`], at the level of birds.
    pub bird: Option<usize>,
    /// Age, d; of a group the mean age of its birds.
    pub age_d: f64,
    /// Birds weighed.
    pub n: usize,
    /// Weight or mean weight, g.
    pub observed_g: f64,
    /// Standard error of that mean, g; none for a single bird.
    pub std_error_g: Option<f64>,
    /// t interval of that mean, g.
    pub mean_interval_g: Option<(f64, f64)>,
    /// The comparison, or why there is none.
    pub against: std::result::Result<AgainstTarget, NoTarget>,
    /// Gain needed to be back on target, at the last weighing.
    pub gain: Gain,
    /// What to be careful about; empty where there is nothing.
    pub caution: String,
}

/// An observed weight or mean beside its target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AgainstTarget {
    /// Target and band; of a group the means over its birds, each at the bird's age.
    pub target: TargetPoint,
    /// Observed minus target, g.
    pub deviation_g: f64,
    /// t interval of a group's mean deviation, g; the birds that were weighed
    /// stand for the flock, and that they share pens is not allowed for.
    pub interval_g: Option<(f64, f64)>,
    /// 100 x deviation / target.
    pub deviation_pct: f64,
    /// Age at which the target is the observed weight, minus the age now: days
    /// ahead (+) or behind (-).
    pub days: std::result::Result<f64, NoTargetAge>,
    /// Where it lies in the band.
    pub band: Band,
    /// Birds of the group within their band, where there is one.
    pub birds_in_band: Option<usize>,
}

/// Where a weight lies in the target's band.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Band {
    /// Between the edges, edges included.
    Inside,
    /// Beyond an edge.
    Outside,
    /// A group's interval spans an edge: too few birds to call it.
    Unsure,
    /// The target has no band at this age.
    NotGiven,
}

/// Why a weight has no target to be set against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoTarget {
    /// The strain has none for this trait.
    ForStrain,
    /// The target begins later, at this age (d).
    BeforeFirstAge(f64),
    /// The target ended at this age (d).
    AfterLastAge(f64),
}

/// Gain needed from a weighing to be on target at a later age.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Gain {
    /// No age was given to be back by, there is no target, or a later weighing exists.
    NotAsked,
    /// Rates from this age to the age given.
    PerDay {
        /// What the bird or group has to gain, g/d.
        needed_g_per_d: f64,
        /// What the target gains meanwhile, g/d.
        target_g_per_d: f64,
    },
    /// The age to be back by is not after the last weighing.
    AgePassed,
    /// The target does not reach the age to be back by.
    BeyondTarget,
}

/// Deviations of all traits that have a target: by trait and strain, the strain's
/// own rows first, then its pens', then its birds', each by age.
///
/// A strain without a target has its rows with the observed means and the reason;
/// a study without targets has none.
///
/// # Errors
/// An input error where a target's table is faulty or given twice, a call error
/// where an option is out of range.
pub fn deviations(study: &Study, options: &DeviationOptions) -> Result<Vec<Deviation>> {
    options.matching.check()?;
    check_confidence(options.confidence)?;
    let mut rows = Vec::new();
    for (trait_index, records) in study.traits.iter().enumerate() {
        let Some(trajectories) = trajectories(study, &records.name)? else {
            continue;
        };
        let by_strain = occasions(study, records, Grouping::Strain, options.matching);
        let by_pen = occasions(study, records, Grouping::Pen, options.matching);
        for (strain, trajectory) in trajectories.iter().enumerate() {
            let judge = Judge {
                study,
                trait_index,
                strain,
                trajectory: trajectory.as_ref(),
                options,
            };
            rows.extend(judge.groups(FlockLevel::Strain, &by_strain));
            rows.extend(judge.groups(FlockLevel::Pen, &by_pen));
            rows.extend(judge.birds(records, &by_strain));
        }
    }
    Ok(rows)
}

/// One strain and trait with its target.
struct Judge<'a> {
    study: &'a Study,
    trait_index: usize,
    strain: usize,
    trajectory: Option<&'a TargetCurve>,
    options: &'a DeviationOptions,
}

impl Judge<'_> {
    fn groups(&self, level: FlockLevel, all: &[Occasion]) -> Vec<Deviation> {
        let mine: Vec<&Occasion> = all.iter().filter(|o| o.strain == self.strain).collect();
        mine.iter()
            .enumerate()
            .map(|(i, occasion)| {
                // Occasions of one pen follow one another in time.
                let mut later = mine[i + 1..].iter();
                let last =
                    !later.any(|next| (next.pen, next.batch) == (occasion.pen, occasion.batch));
                self.group(level, occasion, last)
            })
            .collect()
    }

    fn group(&self, level: FlockLevel, occasion: &Occasion, last: bool) -> Deviation {
        let members = &occasion.members;
        let weights = Sample::of(members.iter().map(|m| m.value));
        let age_d = Sample::of(members.iter().map(|m| m.age_d)).mean;
        let against = self
            .trajectory
            .ok_or(NoTarget::ForStrain)
            .and_then(|trajectory| {
                let range_d = occasion.age_range_d();
                let points = members
                    .iter()
                    .map(|m| target_among(trajectory, m.age_d, range_d))
                    .collect::<std::result::Result<Vec<_>, _>>()?;
                let confidence = self.options.confidence;
                Ok(compare_group(trajectory, members, &points, confidence))
            });
        Deviation {
            level,
            trait_index: self.trait_index,
            strain: self.strain,
            house: None,
            pen: occasion.pen,
            bird: None,
            age_d,
            n: members.len(),
            observed_g: weights.mean,
            std_error_g: weights.std_error,
            mean_interval_g: weights
                .half_width(self.options.confidence)
                .map(|half| (weights.mean - half, weights.mean + half)),
            caution: String::new(),
            gain: self.gain(last, age_d, weights.mean, against.is_ok()),
            against,
        }
    }

    fn birds(&self, records: &Records, by_strain: &[Occasion]) -> Vec<Deviation> {
        // Of each record: the ages of the birds weighed beside it, and whether none of its batch
        // was weighed later. Only a bird weighed on the last occasion is still there to gain.
        let mut beside = vec![((0.0, 0.0), false); records.ages_d.len()];
        let mut seen = Vec::new();
        for occasion in by_strain.iter().rev().filter(|o| o.strain == self.strain) {
            let last = !seen.contains(&occasion.batch);
            seen.push(occasion.batch);
            let range_d = occasion.age_range_d();
            for member in &occasion.members {
                beside[member.first_row..member.first_row + member.weighings].fill((range_d, last));
            }
        }
        let mut rows = Vec::new();
        for (b, bird) in self.study.birds.iter().enumerate() {
            if bird.strain != self.strain {
                continue;
            }
            let (ages_d, values) = records.of(b);
            for (i, (&age_d, &value)) in ages_d.iter().zip(values).enumerate() {
                let (range_d, on_last) = beside[records.starts[b] + i];
                let last = i + 1 == ages_d.len() && on_last;
                let against = self
                    .trajectory
                    .ok_or(NoTarget::ForStrain)
                    .and_then(|t| Ok(compare(t, target_among(t, age_d, range_d)?, value, age_d)));
                rows.push(Deviation {
                    level: FlockLevel::Bird,
                    trait_index: self.trait_index,
                    strain: self.strain,
                    house: None,
                    pen: self.study.pen_at(b, age_d),
                    bird: Some(b),
                    age_d,
                    n: 1,
                    observed_g: value,
                    std_error_g: None,
                    mean_interval_g: None,
                    caution: String::new(),
                    gain: self.gain(last, age_d, value, against.is_ok()),
                    against,
                });
            }
        }
        rows
    }

    fn gain(&self, last: bool, age_d: f64, observed_g: f64, has_target: bool) -> Gain {
        let (Some(by_d), Some(trajectory)) = (self.options.back_on_target_by_d, self.trajectory)
        else {
            return Gain::NotAsked;
        };
        if !last || !has_target {
            return Gain::NotAsked;
        }
        let now = Judged { age_d, observed_g };
        gain(trajectory, now, by_d)
    }
}

/// A weight at an age.
#[derive(Debug, Clone, Copy)]
pub(super) struct Judged {
    pub(super) age_d: f64,
    pub(super) observed_g: f64,
}

/// The gain that brings a weight back to the target by an age.
pub(super) fn gain(trajectory: &TargetCurve, now: Judged, by_d: f64) -> Gain {
    if by_d <= now.age_d {
        return Gain::AgePassed;
    }
    match (trajectory.at(now.age_d), trajectory.at(by_d)) {
        (Some(here), Some(then)) => Gain::PerDay {
            needed_g_per_d: (then.target_g - now.observed_g) / (by_d - now.age_d),
            target_g_per_d: (then.target_g - here.target_g) / (by_d - now.age_d),
        },
        _ => Gain::BeyondTarget,
    }
}

pub(super) fn target_at(
    trajectory: &TargetCurve,
    age_d: f64,
) -> std::result::Result<TargetPoint, NoTarget> {
    trajectory.at(age_d).ok_or_else(|| {
        let (first, last) = (trajectory.first_age_d(), trajectory.last_age_d());
        if age_d < first {
            NoTarget::BeforeFirstAge(first)
        } else {
            NoTarget::AfterLastAge(last)
        }
    })
}

/// The target at the age of a bird weighed together with birds of ages `range_d`: where one of
/// them is within the table, the target of the others is continued for a few days, so that an
/// occasion is judged whole.
pub(super) fn target_among(
    trajectory: &TargetCurve,
    age_d: f64,
    range_d: (f64, f64),
) -> std::result::Result<TargetPoint, NoTarget> {
    let (youngest_d, oldest_d) = range_d;
    let reached = youngest_d <= trajectory.last_age_d() && oldest_d >= trajectory.first_age_d();
    let continued = || reached.then(|| trajectory.near(age_d)).flatten();
    target_at(trajectory, age_d).or_else(|why| continued().ok_or(why))
}

fn compare(
    trajectory: &TargetCurve,
    target: TargetPoint,
    observed_g: f64,
    age_d: f64,
) -> AgainstTarget {
    let deviation_g = observed_g - target.target_g;
    AgainstTarget {
        target,
        deviation_g,
        interval_g: None,
        deviation_pct: 100.0 * deviation_g / target.target_g,
        days: trajectory.age_at(observed_g).map(|then_d| then_d - age_d),
        band: band(&target, observed_g, 0.0),
        birds_in_band: None,
    }
}

/// The mean deviation of birds, each from the target at the bird's age (`points`),
/// so that a difference in age within the group does not pass for spread.
fn compare_group(
    trajectory: &TargetCurve,
    members: &[Member],
    points: &[TargetPoint],
    confidence: f64,
) -> AgainstTarget {
    let observed_g = Sample::of(members.iter().map(|m| m.value)).mean;
    let age_d = Sample::of(members.iter().map(|m| m.age_d)).mean;
    let pairs = || members.iter().zip(points);
    let deviation = Sample::of(pairs().map(|(m, p)| m.value - p.target_g));
    let edge = |of: fn(&TargetPoint) -> Option<f64>| {
        let values: Option<Vec<f64>> = points.iter().map(of).collect();
        values.map(|values| Sample::of(values.into_iter()).mean)
    };
    let target = TargetPoint {
        target_g: Sample::of(points.iter().map(|p| p.target_g)).mean,
        lower_g: edge(|p| p.lower_g),
        upper_g: edge(|p| p.upper_g),
    };
    let half = deviation.half_width(confidence);
    let inside = |(m, p): &(&Member, &TargetPoint)| band(p, m.value, 0.0) == Band::Inside;
    AgainstTarget {
        interval_g: half.map(|h| (deviation.mean - h, deviation.mean + h)),
        band: band(&target, observed_g, half.unwrap_or(0.0)),
        birds_in_band: target.has_band().then(|| pairs().filter(inside).count()),
        ..compare(trajectory, target, observed_g, age_d)
    }
}

impl TargetPoint {
    /// Whether an edge of the band is given here.
    #[must_use]
    pub fn has_band(&self) -> bool {
        self.lower_g.is_some() || self.upper_g.is_some()
    }
}

/// Where `observed_g`, known to plus or minus `half_g`, lies in the band.
pub(super) fn band(target: &TargetPoint, observed_g: f64, half_g: f64) -> Band {
    if !target.has_band() {
        return Band::NotGiven;
    }
    let spans = |edge: Option<f64>| edge.is_some_and(|e| (observed_g - e).abs() < half_g);
    if spans(target.lower_g) || spans(target.upper_g) {
        Band::Unsure
    } else if target.lower_g.is_some_and(|e| observed_g < e)
        || target.upper_g.is_some_and(|e| observed_g > e)
    {
        Band::Outside
    } else {
        Band::Inside
    }
}

/// Mean of a sample and its standard error.
struct Sample {
    mean: f64,
    std_error: Option<f64>,
    n: f64,
}

impl Sample {
    fn of(values: impl ExactSizeIterator<Item = f64> + Clone) -> Self {
        let n = values.len() as f64;
        let mean = values.clone().sum::<f64>() / n;
        let squares: f64 = values.map(|v| (v - mean).powi(2)).sum();
        Self {
            mean,
            std_error: (n > 1.0).then(|| (squares / (n - 1.0) / n).sqrt()),
            n,
        }
    }

    fn half_width(&self, confidence: f64) -> Option<f64> {
        Some(self.std_error? * t_two_sided_quantile(confidence, self.n - 1.0))
    }
}

impl Deviation {
    /// What the numbers do not show, in words; empty where there is nothing to add.
    #[must_use]
    pub fn note(&self) -> String {
        let mut notes: Vec<String> = Vec::new();
        match &self.against {
            Err(reason) => notes.push(reason.to_string()),
            Ok(against) => {
                if let Err(reason) = against.days {
                    notes.push(format!("no days: {reason}"));
                }
                if against.band == Band::Unsure {
                    notes.push("the interval of the mean spans the edge of the band".to_owned());
                }
            }
        }
        match self.gain {
            Gain::AgePassed => {
                notes.push("the age to be back on target is not after this weighing".to_owned());
            }
            Gain::BeyondTarget => {
                notes.push("the target does not reach the age to be back on target".to_owned());
            }
            Gain::NotAsked | Gain::PerDay { .. } => {}
        }
        notes.join("; ")
    }
}

impl fmt::Display for NoTarget {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::ForStrain => f.write_str("no target for this strain"),
            Self::BeforeFirstAge(age_d) => write!(f, "before the target's first age, {age_d} d"),
            Self::AfterLastAge(age_d) => write!(f, "after the target's last age, {age_d} d"),
        }
    }
}

impl fmt::Display for NoTargetAge {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::BelowTarget => "lighter than the whole target",
            Self::AboveTarget => "heavier than the whole target",
            Self::NotUnique => "the target has this weight at more than one age",
        })
    }
}

impl fmt::Display for FlockLevel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Strain => "strain",
            Self::Pen => "pen",
            Self::Bird => "bird",
            Self::Flock => "flock",
            Self::House => "house",
        })
    }
}

impl fmt::Display for Band {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Inside => "yes",
            Self::Outside => "no",
            Self::Unsure => "unsure",
            Self::NotGiven => "",
        })
    }
}
