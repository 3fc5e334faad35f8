//! Options of a forecast, and its rows.

use std::collections::BTreeMap;
use std::fmt;

use crate::fit::mixed::Forecast;
use crate::flock::backtest_rows::{WeightBacktest, astray};
use crate::flock::deviation::{FlockLevel, NoTarget};
use crate::flock::predictors::Predictor;
use crate::flock::target::TargetPoint;
use crate::study::{AgeMatching, Grouping, Occasions, Records, Study, occasions};
use crate::trajectory::BirdPopulation;

/// What is to be forecast.
#[derive(Debug, Clone)]
pub struct ForecastOptions {
    /// Age of the forecast, d: nothing later is known.
    pub as_of_d: f64,
    /// Ages to be forecast, d, ascending; none for those that the target gives.
    pub ages_d: Vec<f64>,
    /// Ages that the study names, such as transfer and light stimulation: forecast too where
    /// none are given, and the backtest stands at them.
    pub named_ages_d: Vec<f64>,
    /// Confidence of the intervals, between 0 and 1.
    pub confidence: f64,
}

/// Forecasts of one trait.
#[derive(Debug, Clone)]
pub struct TraitForecast {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// Whether it is of the pens of unnamed birds.
    pub unnamed: bool,
    /// The saved population, or else the flock's own, by which each bird's course is judged;
    /// or why there is none.
    pub population: std::result::Result<BirdPopulation, String>,
    /// The predictors and their weights, as far as each was used.
    pub predictors: Vec<(Predictor, f64)>,
    /// Standard deviation of the timing of the target's second phase, d, where a target has
    /// one.
    pub timing_sd_d: Option<f64>,
    /// Why nothing is forecast.
    pub reason: Option<String>,
    /// By level (flock, strain, pen, bird) and age.
    pub rows: Vec<ForecastRow>,
}

impl TraitForecast {
    /// Flags every forecast where the backtest's intervals of birds covered far less than stated at
    /// some horizon, and less than chance explains: the curve goes astray ahead of the data.
    /// Chance is shared among the horizons (Bonferroni), so that a flock whose intervals cover as
    /// stated is flagged in at most one of a hundred.
    pub(super) fn flag_by(&mut self, tested: &[WeightBacktest], confidence: f64) {
        if let Some(worst) = astray(tested, self.trait_index, confidence) {
            for row in self.rows.iter_mut().filter(|row| row.forecast.is_some()) {
                row.flags.push(Flag::AstrayInBacktest(worst));
            }
        }
    }
}

/// One row of `forecast.csv`.
#[derive(Debug, Clone)]
pub struct ForecastRow {
    /// What it is of.
    pub level: FlockLevel,
    /// Index into [`Study::strains`]; none for the whole flock.
    pub strain: Option<usize>,
    /// Index into [`Study::houses`], of unnamed birds where it is known.
    pub house: Option<usize>,
    /// Index into [`Study::pens`], where the level or the bird has one.
    pub pen: Option<usize>,
    /// Index into [`Study::birds`], at the level of birds.
    pub bird: Option<usize>,
    /// Age forecast, d; none for a bird that is not there any more.
    pub age_d: Option<f64>,
    /// Weighings so far of a bird, birds of a group; of unnamed birds those weighed last.
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
    /// The predictors that it rests on, with their weights.
    pub predictors: Vec<(Predictor, f64)>,
    /// What to be careful about.
    pub flags: Vec<Flag>,
}

/// What to be careful about in a forecast.
#[derive(Debug, Clone, PartialEq)]
pub enum Flag {
    /// The curve alone carries the forecast past this age (d), where its weighings end.
    PastPopulation(f64),
    /// No predictor describes this age: weighings end at this age (d).
    NotForeseen(f64),
    /// The bird was last weighed at this age (d), not at its strain's last weighing.
    Gone(f64),
    /// The bird has one weighing only.
    OneWeighing,
    /// The population's fit is weak.
    WeakPopulation,
    /// In the backtest of this trait the intervals covered less than stated: percent.
    AstrayInBacktest(f64),
    /// There is a target and no band.
    NoBand,
    /// There is no target to be within.
    NoTarget(NoTarget),
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

/// Ages to be forecast: those requested, or those that the trait's targets give after the
/// last weighing with those that the study names; the next four weeks where there are none.
pub(super) fn ages_of(study: &Study, trait_name: &str, options: &ForecastOptions) -> Vec<f64> {
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

/// Rows of the birds that are not there any more.
pub(super) fn gone(known: &Study, records: &Records, there: &[bool]) -> Vec<ForecastRow> {
    let mut rows = Vec::new();
    for (at, bird) in known.birds.iter().enumerate() {
        if let (false, Some(last_d)) = (there[at], records.of(at).0.last()) {
            rows.push(ForecastRow {
                level: FlockLevel::Bird,
                strain: Some(bird.strain),
                house: None,
                pen: known.pen_at(at, f64::INFINITY),
                bird: Some(at),
                age_d: None,
                n: records.of(at).0.len(),
                forecast: None,
                interval_g: None,
                fan_g: None,
                target: Err(NoTarget::ForStrain),
                chance: None,
                birds_in_band: None,
                predictors: Vec::new(),
                flags: vec![Flag::Gone(*last_d)],
            });
        }
    }
    rows
}

/// A strain and a pen, as far as a group has one.
type Place = (Option<usize>, Option<usize>);

/// The whole flock where it has several strains, each strain and each pen, with their birds.
pub(super) fn groups_of(known: &Study, birds: &[usize]) -> Vec<(FlockLevel, Place, Vec<usize>)> {
    let mut groups = Vec::new();
    if known.strains.len() > 1 {
        groups.push((FlockLevel::Flock, (None, None), birds.to_vec()));
    }
    let mut of_strains = vec![Vec::new(); known.strains.len()];
    let mut of_pens: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
    for bird in birds {
        let own = &known.birds[*bird];
        of_strains[own.strain].push(*bird);
        if let Some(pen) = known.pen_at(*bird, f64::INFINITY) {
            of_pens.entry((own.strain, pen)).or_default().push(*bird);
        }
    }
    let of_strains = of_strains.into_iter().enumerate();
    groups.extend(of_strains.map(|(strain, own)| (FlockLevel::Strain, (Some(strain), None), own)));
    let of_pens = of_pens.into_iter();
    groups.extend(
        of_pens.map(|((strain, pen), own)| (FlockLevel::Pen, (Some(strain), Some(pen)), own)),
    );
    groups.retain(|(_, _, birds)| !birds.is_empty());
    groups
}

pub(super) fn chance_of(target: &TargetPoint, forecast: &Forecast) -> Option<f64> {
    target
        .has_band()
        .then(|| forecast.chance_within(target.lower_g, target.upper_g))
}

/// The mean target of some birds, with an edge where all have it.
pub(super) fn mean_target(points: &[TargetPoint]) -> TargetPoint {
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

/// That growth past these weighings cannot be foreseen.
pub(super) fn not_foreseen(last_d: f64) -> String {
    format!(
        "weighings to {last_d:.0} d cannot foresee a pre-lay growth spurt; give a target of the ages ahead or a population that an earlier flock saved (--population)"
    )
}

impl fmt::Display for Flag {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::PastPopulation(age_d) => write!(
                f,
                "past the population's last age ({age_d:.0} d): the curve alone carries it"
            ),
            Self::NotForeseen(age_d) => write!(f, "not forecast: {}", not_foreseen(*age_d)),
            Self::Gone(age_d) => write!(
                f,
                "not forecast: last weighed at {age_d:.0} d, not at its strain's last weighing"
            ),
            Self::OneWeighing => f.write_str("one weighing only: mostly its strain's course"),
            Self::WeakPopulation => f.write_str("the population's fit is weak"),
            Self::AstrayInBacktest(held_pct) => write!(
                f,
                "in the backtest the intervals covered only {held_pct:.0} % of what was weighed: expect errors as large as those of the backtest"
            ),
            Self::NoBand => f.write_str("no chance stated: the target has no band"),
            Self::NoTarget(reason) => write!(f, "no chance stated: {reason}"),
        }
    }
}
