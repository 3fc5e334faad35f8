//! What will each bird, pen, strain and the whole flock weigh at a later age?
//!
//! The strain's population (this flock's own mixed fit, or an earlier one that was saved)
//! is updated with each bird's weighings so far (`fit/mixed/forecast.rs`). A bird's interval
//! is of a weighing of it; a group's of the mean of such weighings over its birds, where
//! the birds' own errors shrink with their number and what they share does not.
//!
//! Forecast are the birds that are still there: weighed at their strain's last weighing, or
//! seen since. What the curve gets wrong beyond the ages that the population rests on is in
//! no interval; such a forecast is flagged, and the backtest (`weight_backtest.rs`) says how
//! it went before.

use std::collections::BTreeMap;
use std::fmt;

use crate::error::{Error, Result};
use crate::fit::mixed::{Forecast, Forecasts};
use crate::flock::check_confidence;
use crate::flock::deviation::{Level, NoTarget, target_at};
use crate::flock::known_birds::KnownBirds;
use crate::flock::target::{TargetPoint, Trajectory, trajectories};
use crate::flock::trait_population::populations;
use crate::flock::weight_backtest::{WeightBacktest, astray};
use crate::study::{AgeMatching, Grouping, Occasions, Records, Study, occasions};
use crate::trajectory::{BirdPopulation, Request};

/// By which population birds are judged.
#[derive(Debug, Clone, Copy)]
pub enum PopulationFrom<'a> {
    /// The best of these curves, fitted to this flock's own weighings so far.
    Flock(&'a Request),
    /// A saved one.
    Saved {
        /// The population.
        population: &'a BirdPopulation,
        /// Strains that it does not know, and which of its own each is taken for.
        taken_for: &'a [(String, String)],
    },
}

impl TraitForecast {
    /// Flags every forecast where the backtest's intervals of birds covered far less than stated at
    /// some horizon, and less than chance explains: the curve goes astray ahead of the data.
    /// Chance is shared among the horizons (Bonferroni), so that a flock whose intervals cover as
    /// stated is flagged in at most one of a hundred.
    pub fn flag_by(&mut self, tested: &[WeightBacktest], confidence: f64) {
        if let Some(worst) = astray(tested, self.trait_index, confidence) {
            for row in self.rows.iter_mut().filter(|row| row.forecast.is_some()) {
                row.flags.push(Flag::AstrayInBacktest(worst));
            }
        }
    }
}

/// What is to be forecast.
#[derive(Debug, Clone)]
pub struct ForecastOptions {
    /// Age of the forecast, d: nothing later is known.
    pub as_of_d: f64,
    /// Ages to be forecast, d, ascending; none for those that the target gives.
    pub ages_d: Vec<f64>,
    /// Further ages that are forecast where none are given: those that the study names.
    pub named_ages_d: Vec<f64>,
    /// Confidence of the intervals, between 0 and 1.
    pub confidence: f64,
}

/// Forecasts of one trait.
#[derive(Debug, Clone)]
pub struct TraitForecast {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// The population that they rest on, or why there is none.
    pub population: std::result::Result<BirdPopulation, String>,
    /// By level (flock, strain, pen, bird) and age; none without a population.
    pub rows: Vec<ForecastRow>,
}

/// One row of `forecast.csv`.
#[derive(Debug, Clone)]
pub struct ForecastRow {
    /// What it is of.
    pub level: Level,
    /// Index into [`Study::strains`]; none for the whole flock.
    pub strain: Option<usize>,
    /// Index into [`Study::pens`], where the level or the bird has one.
    pub pen: Option<usize>,
    /// Index into [`Study::birds`], at the level of birds.
    pub bird: Option<usize>,
    /// Age forecast, d; none for a bird that is not there any more.
    pub age_d: Option<f64>,
    /// Weighings so far of a bird, birds of a group.
    pub n: usize,
    /// The forecast, where there is one.
    pub forecast: Option<Forecast>,
    /// Interval of the weighing (or mean of weighings), g.
    pub interval_g: Option<(f64, f64)>,
    /// Narrower intervals of a group, for a fan: 50 and 80 percent.
    pub fan_g: Option<[(f64, f64); 2]>,
    /// Target at that age, or why there is none.
    pub target: std::result::Result<TargetPoint, NoTarget>,
    /// Chance that the weighing (or mean) lies within the target's band; none without a
    /// band.
    pub chance: Option<f64>,
    /// Share of the group's birds expected within their band.
    pub birds_in_band: Option<f64>,
    /// What to be careful about.
    pub flags: Vec<Flag>,
}

/// What to be careful about in a forecast.
#[derive(Debug, Clone, PartialEq)]
pub enum Flag {
    /// The population's weighings end at this age (d).
    PastPopulation(f64),
    /// The bird was last weighed at this age (d), not at its strain's last weighing.
    Gone(f64),
    /// The bird has one weighing only.
    OneWeighing,
    /// No curve of the population goes through the bird's weighings.
    NoCurve,
    /// The population's fit is weak.
    WeakPopulation,
    /// In the backtest of this trait the intervals held less than stated: percent.
    AstrayInBacktest(f64),
    /// There is a target and no band.
    NoBand,
    /// There is no target to be within.
    NoTarget(NoTarget),
}

/// Forecasts of every trait that the study has, known as of `options.as_of_d`.
///
/// `known` is the study as of that age ([`Study::as_of`]).
///
/// # Errors
/// A call error where an age is not after `as_of_d` or not finite, an input error where a
/// saved population does not know a strain or is of a trait that the study does not have.
pub fn forecast(
    known: &Study,
    from: PopulationFrom<'_>,
    options: &ForecastOptions,
) -> Result<Vec<TraitForecast>> {
    check_confidence(options.confidence)?;
    for age_d in &options.ages_d {
        if !(age_d.is_finite() && *age_d > options.as_of_d) {
            return Err(Error::call(format!(
                "--forecast {age_d}: expected ages in days after {} d, as of which the forecast is made",
                options.as_of_d
            )));
        }
    }
    let populations = populations(known, from)?;
    let mut all = Vec::new();
    for (trait_index, population) in populations {
        let rows = match &population {
            Ok(population) => {
                let taken_for = match from {
                    PopulationFrom::Saved { taken_for, .. } => taken_for,
                    PopulationFrom::Flock(_) => &[],
                };
                rows(known, trait_index, population, taken_for, options)?
            }
            Err(_) => Vec::new(),
        };
        all.push(TraitForecast {
            trait_index,
            population,
            rows,
        });
    }
    Ok(all)
}

/// Whether each bird is still there: weighed at or after its strain's last weighing in any
/// trait's records so far, or seen at the age of the forecast or later.
pub(super) fn still_there(known: &Study, as_of_d: f64) -> Vec<bool> {
    let mut last_d = vec![f64::NEG_INFINITY; known.birds.len()];
    let mut there = vec![true; known.birds.len()];
    for records in &known.traits {
        for (bird, last_d) in last_d.iter_mut().enumerate() {
            if let Some(age_d) = records.of(bird).0.last() {
                *last_d = last_d.max(*age_d);
            }
        }
    }
    // Scans are of some birds: who was left out of one is not gone.
    if let Some(main_trait) = known.main_trait() {
        let records = &known.traits[main_trait];
        let clock = Occasions::of(known, records, AgeMatching::default());
        // First day of the last occasion of each strain's batches: later ones overwrite.
        let mut last: BTreeMap<(usize, usize), f64> = BTreeMap::new();
        for occasion in occasions(known, records, Grouping::Strain, AgeMatching::default()) {
            let members = occasion.members.iter();
            let days = members.map(|member| member.age_d + clock.hatch_day(member.bird));
            let first_day = days.fold(f64::INFINITY, f64::min);
            last.insert((occasion.strain, occasion.batch), first_day);
        }
        for (bird, there) in there.iter_mut().enumerate() {
            let of_batch = last.get(&(known.birds[bird].strain, clock.batch(bird)));
            let own_day = last_d[bird] + clock.hatch_day(bird);
            *there = own_day > f64::NEG_INFINITY && of_batch.is_none_or(|day| own_day >= *day);
        }
    }
    for onset in &known.onset {
        if let Some(seen_d) = onset.last_seen_age_d {
            there[onset.bird] =
                seen_d >= as_of_d || (there[onset.bird] && seen_d >= last_d[onset.bird]);
        }
    }
    there
}

/// Ages to be forecast: those asked for, or those that the trait's targets give after the
/// last weighing with those that the study names; the next four weeks where there are none.
fn ages_of(study: &Study, trait_name: &str, options: &ForecastOptions) -> Vec<f64> {
    if !options.ages_d.is_empty() {
        return options.ages_d.clone();
    }
    let targets = study
        .targets
        .iter()
        .filter(|target| target.trait_name == trait_name)
        .flat_map(|target| target.ages_d.iter().copied());
    let mut ages_d: Vec<f64> = targets
        .chain(options.named_ages_d.iter().copied())
        .filter(|age_d| *age_d > options.as_of_d)
        .collect();
    ages_d.sort_by(f64::total_cmp);
    ages_d.dedup_by(|a, b| a.total_cmp(b).is_eq());
    if ages_d.is_empty() {
        ages_d = (1..=4_u8)
            .map(|week| options.as_of_d + 7.0 * f64::from(week))
            .collect();
    }
    ages_d
}

fn rows(
    known: &Study,
    trait_index: usize,
    population: &BirdPopulation,
    taken_for: &[(String, String)],
    options: &ForecastOptions,
) -> Result<Vec<ForecastRow>> {
    let records = &known.traits[trait_index];
    let groups = population.groups_of(known, records, taken_for)?;
    let there = still_there(known, options.as_of_d);
    let birds = KnownBirds::of(known, records, population, &groups, |bird| there[bird]);
    let ages_d = ages_of(known, &records.name, options);
    let forecasts = population
        .population
        .forecast(&birds.subjects()?, |_| &ages_d[..])
        .map_err(|error| Error::input(format!("{}: {error}", population.told())))?;
    let targets =
        trajectories(known, &records.name)?.unwrap_or_else(|| vec![None; known.strains.len()]);
    let ahead = Ahead {
        known,
        population,
        groups: &groups,
        birds: &birds,
        forecasts: &forecasts,
        targets: &targets,
        ages_d: &ages_d,
        quantile: forecasts.quantile(options.confidence),
        fan: [0.5, 0.8].map(|level| forecasts.quantile(level)),
    };
    let mut rows = ahead.groups();
    rows.extend(ahead.birds());
    rows.extend(gone(known, records, &there));
    Ok(rows)
}

/// Rows of the birds that are not there any more.
fn gone(known: &Study, records: &Records, there: &[bool]) -> Vec<ForecastRow> {
    let mut rows = Vec::new();
    for (at, bird) in known.birds.iter().enumerate() {
        if let (false, Some(last_d)) = (there[at], records.of(at).0.last()) {
            rows.push(ForecastRow {
                level: Level::Bird,
                strain: Some(bird.strain),
                pen: bird.pen,
                bird: Some(at),
                age_d: None,
                n: records.of(at).0.len(),
                forecast: None,
                interval_g: None,
                fan_g: None,
                target: Err(NoTarget::ForStrain),
                chance: None,
                birds_in_band: None,
                flags: vec![Flag::Gone(*last_d)],
            });
        }
    }
    rows
}

/// Birds of one trait brought to their own curves, with the targets.
struct Ahead<'a> {
    known: &'a Study,
    population: &'a BirdPopulation,
    groups: &'a [Option<usize>],
    birds: &'a KnownBirds,
    forecasts: &'a Forecasts,
    targets: &'a [Option<Trajectory>],
    ages_d: &'a [f64],
    /// Standard errors to either side in an interval.
    quantile: f64,
    /// The same of the narrower intervals of a fan.
    fan: [f64; 2],
}

impl Ahead<'_> {
    /// The whole flock where it has several strains, each strain, each pen.
    fn groups(&self) -> Vec<ForecastRow> {
        type Key = (Option<usize>, Option<usize>);
        let mut members: Vec<(Level, Key, Vec<usize>)> = Vec::new();
        let all = || 0..self.birds.birds.len();
        let bird = |subject: usize| &self.known.birds[self.birds.birds[subject]];
        if self.known.strains.len() > 1 {
            members.push((Level::Flock, (None, None), all().collect()));
        }
        for strain in 0..self.known.strains.len() {
            let own = all().filter(|subject| bird(*subject).strain == strain);
            members.push((Level::Strain, (Some(strain), None), own.collect()));
        }
        for strain in 0..self.known.strains.len() {
            for pen in 0..self.known.pens.len() {
                let own = all().filter(|subject| {
                    bird(*subject).strain == strain && bird(*subject).pen == Some(pen)
                });
                members.push((Level::Pen, (Some(strain), Some(pen)), own.collect()));
            }
        }
        let mut rows = Vec::new();
        for (level, (strain, pen), subjects) in members {
            // A bird whose curve was not found is in no mean.
            let found: Vec<usize> = subjects
                .into_iter()
                .filter(|subject| self.forecasts.terms(*subject).is_some())
                .collect();
            if found.is_empty() {
                continue;
            }
            for at in 0..self.ages_d.len() {
                rows.push(self.group(level, strain, pen, &found, at));
            }
        }
        rows
    }

    fn group(
        &self,
        level: Level,
        strain: Option<usize>,
        pen: Option<usize>,
        subjects: &[usize],
        at: usize,
    ) -> ForecastRow {
        let pairs: Vec<(usize, usize)> = subjects.iter().map(|subject| (*subject, at)).collect();
        let forecast = self.forecasts.mean_of(&pairs);
        let targets = subjects.iter().map(|subject| self.target(*subject, at));
        let target = targets
            .collect::<std::result::Result<Vec<_>, _>>()
            .map(|points| mean_target(&points));
        let mut shares = Vec::new();
        for subject in subjects {
            let chance = self
                .target(*subject, at)
                .ok()
                .zip(self.forecasts.of(*subject, at))
                .and_then(|(target, forecast)| chance(&target, &forecast));
            shares.extend(chance);
        }
        #[expect(clippy::cast_precision_loss, reason = "a count of birds")]
        let share = (shares.len() == subjects.len())
            .then(|| shares.iter().sum::<f64>() / shares.len() as f64);
        ForecastRow {
            level,
            strain,
            pen,
            bird: None,
            age_d: Some(self.ages_d[at]),
            n: subjects.len(),
            birds_in_band: share,
            fan_g: forecast.map(|forecast| self.fan.map(|quantile| forecast.interval(quantile))),
            ..self.row(forecast, target, self.ages_d[at], subjects)
        }
    }

    fn birds(&self) -> Vec<ForecastRow> {
        let mut rows = Vec::new();
        for (subject, bird) in self.birds.birds.iter().enumerate() {
            for (at, age_d) in self.ages_d.iter().enumerate() {
                let forecast = self.forecasts.of(subject, at);
                let target = self.target(subject, at);
                let mut row = self.row(forecast, target, *age_d, &[subject]);
                row.strain = Some(self.known.birds[*bird].strain);
                row.pen = self.known.birds[*bird].pen;
                row.bird = Some(*bird);
                row.n = self.birds.count(subject);
                if row.n == 1 {
                    row.flags.push(Flag::OneWeighing);
                }
                rows.push(row);
            }
        }
        rows
    }

    /// What a bird's and a group's row have in common.
    fn row(
        &self,
        forecast: Option<Forecast>,
        target: std::result::Result<TargetPoint, NoTarget>,
        age_d: f64,
        subjects: &[usize],
    ) -> ForecastRow {
        let mut flags = Vec::new();
        let ends = subjects.iter().filter_map(|subject| {
            let group = self.groups[self.birds.birds[*subject]]?;
            Some(self.population.age_span(group).1)
        });
        let end_d = ends.fold(f64::INFINITY, f64::min);
        if age_d > end_d {
            flags.push(Flag::PastPopulation(end_d));
        }
        if forecast.is_none() {
            flags.push(Flag::NoCurve);
        }
        if self.population.origin.status == "weak" {
            flags.push(Flag::WeakPopulation);
        }
        let chance = target
            .as_ref()
            .ok()
            .zip(forecast)
            .and_then(|(target, forecast)| chance(target, &forecast));
        match &target {
            Ok(target) if !target.has_band() => flags.push(Flag::NoBand),
            Ok(_) => {}
            Err(reason) => flags.push(Flag::NoTarget(*reason)),
        }
        ForecastRow {
            level: Level::Bird,
            strain: None,
            pen: None,
            bird: None,
            age_d: Some(age_d),
            n: 1,
            interval_g: forecast.map(|forecast| forecast.interval(self.quantile)),
            fan_g: None,
            forecast,
            target,
            chance,
            birds_in_band: None,
            flags,
        }
    }

    fn target(&self, subject: usize, at: usize) -> std::result::Result<TargetPoint, NoTarget> {
        let strain = self.known.birds[self.birds.birds[subject]].strain;
        let trajectory = self.targets[strain].as_ref().ok_or(NoTarget::ForStrain)?;
        target_at(trajectory, self.ages_d[at])
    }
}

fn chance(target: &TargetPoint, forecast: &Forecast) -> Option<f64> {
    target
        .has_band()
        .then(|| forecast.chance_within(target.lower_g, target.upper_g))
}

/// The mean target of some birds, with an edge where all have it.
fn mean_target(points: &[TargetPoint]) -> TargetPoint {
    #[expect(clippy::cast_precision_loss, reason = "a count of birds")]
    let n = points.len() as f64;
    let edge = |of: fn(&TargetPoint) -> Option<f64>| {
        let values: Option<Vec<f64>> = points.iter().map(of).collect();
        values.map(|values| values.iter().sum::<f64>() / n)
    };
    TargetPoint {
        target_g: points.iter().map(|point| point.target_g).sum::<f64>() / n,
        lower_g: edge(|point| point.lower_g),
        upper_g: edge(|point| point.upper_g),
    }
}

impl fmt::Display for Flag {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::PastPopulation(age_d) => write!(
                f,
                "past the population's last age ({age_d:.0} d): the curve alone carries it"
            ),
            Self::Gone(age_d) => write!(
                f,
                "not forecast: last weighed at {age_d:.0} d, not at its strain's last weighing"
            ),
            Self::OneWeighing => f.write_str("one weighing only: mostly its strain's course"),
            Self::NoCurve => {
                f.write_str("not forecast: no curve of the population goes through its weighings")
            }
            Self::WeakPopulation => f.write_str("the population's fit is weak"),
            Self::AstrayInBacktest(held_pct) => write!(
                f,
                "in the backtest the intervals held {held_pct:.0} % only: expect errors as told there"
            ),
            Self::NoBand => f.write_str("no chance stated: the target has no band"),
            Self::NoTarget(reason) => write!(f, "no chance stated: {reason}"),
        }
    }
}
