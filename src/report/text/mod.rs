//! The results of a study, stated once: typed facts and the sentences made from them.
//!
//! [`Overview::of`] reads an [`Analysis`] and its list of answers. The lines on the terminal
//! ([`super::summary`]) and the report page ([`super::page`]) both render it, so that the same
//! question has the same number and the same sentence in both. No text is parsed and no
//! finished table is read.

mod attention;
mod densities;
mod differences;
mod forecast;
mod lay;
mod masses;
mod phantom;
mod platform;
mod scanner;
mod scanning;
mod shifts;
mod target;
mod target_row;
mod topics;
mod words;

pub use attention::Attention;
pub use densities::density_sentences;
pub use differences::{Differences, PairAtAge, Span};
pub use forecast::{Forecast, ForecastRow};
pub use lay::{Cue, EggRow, Lay, LayRow, WaitingBird};
pub(super) use masses::with_interval;
pub use masses::{Composition, GroupMasses, Mass, Masses};
pub(in crate::report) use phantom::limits as phantom_limits;
pub use phantom::phantom_sentences;
pub use platform::{PlatformWords, ScaleRow};
pub use scanner::{LeftOutError, Scanner, SmallestChange};
pub use scanning::scanning_sentences;
pub use shifts::shift_sentences;
pub use target::Target;
pub use target_row::{TargetRow, Verdict};
pub use topics::Topic;
pub(super) use words::{Naming, capital, count, error_size, number, signed, trait_words};

use std::collections::BTreeSet;

use crate::age::AgeUnit;
use crate::analysis::{Analysis, Options};
use crate::composition::CAUTION;
use crate::report::words::VERDICT_CAUTION;
use crate::study::{BODY_WEIGHT, Study, Values};

/// A sentence or a few whose beginning is to stand out.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Sentence {
    /// What stands out; may be empty.
    pub lead: String,
    /// What follows it.
    pub rest: String,
}

impl Sentence {
    /// Nothing of it stands out.
    fn plain(rest: String) -> Self {
        Self {
            lead: String::new(),
            rest,
        }
    }
}

impl std::fmt::Display for Sentence {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}{}", self.lead, self.rest)
    }
}

/// The results of a study, part by part; a part without data is `None` or empty.
#[derive(Debug, Clone)]
pub struct Overview {
    /// What the study is called.
    pub title: String,
    /// What was measured, on whom and when.
    pub measured: String,
    /// One of what was measured: `bird`, or another word where values are not birds' masses.
    pub subject: String,
    /// Unit of the values; empty where they have none.
    pub unit: &'static str,
    /// The trait that is weighed, as the tables name it.
    pub trait_name: String,
    /// The unit in which ages are shown.
    pub ages: AgeUnit,
    /// Names of the strains, in the order of their colours.
    pub strains: Vec<String>,
    /// The last weighing of each strain against its target.
    pub target: Option<Target>,
    /// What they will weigh, where that was requested.
    pub forecast: Option<Forecast>,
    /// Masses of the typical birds, trait by trait, the trait weighed first.
    pub masses: Vec<Masses>,
    /// How the trait weighed first grows.
    pub growth: Option<Sentence>,
    /// Fat, lean and bone at the last age.
    pub composition: Option<Composition>,
    /// From which age groups differ, trait by trait, the trait weighed first.
    pub differences: Vec<Differences>,
    /// What treatments that start at an age do from there on.
    pub shifts: Vec<Sentence>,
    /// Densities that the scanner reads, by group.
    pub densities: Vec<Sentence>,
    /// When they come into lay.
    pub lay: Option<Lay>,
    /// Results of the platform scales.
    pub platform: Option<PlatformWords>,
    /// How well the scans measure.
    pub scanner: Option<Scanner>,
    /// Whether the scanner is stable, by its phantom.
    pub phantom: Vec<Sentence>,
    /// Whether scanning itself changes growth and the age at first egg.
    pub scanning: Vec<Sentence>,
    /// What needs attention, the most pressing first.
    pub attention: Vec<Attention>,
    /// Cautions that go with these results.
    pub cautions: Vec<&'static str>,
    /// Confidence of the intervals, percent.
    pub percent: f64,
}

impl Overview {
    /// The facts of an analysis and its options; `column` is that of the groups where
    /// they are not strains.
    #[must_use]
    pub fn of(analysis: &Analysis, options: &Options, column: Option<&str>) -> Self {
        let study = &analysis.study;
        let naming = Naming::of(study, column);
        let answers = analysis.answers();
        let back_by_d = options.flock.as_ref().and_then(|flock| flock.back_by_d);
        let mut overview = Self {
            title: study.name.clone(),
            measured: measured(study, column),
            subject: study.subject.clone(),
            unit: match study.values {
                Values::BirdMasses => "g",
                Values::AnyNumber => "",
            },
            trait_name: main_trait(study).unwrap_or_default().to_owned(),
            ages: naming.ages,
            strains: study.strains.clone(),
            target: Target::of((analysis, naming), &answers, back_by_d),
            forecast: Forecast::of(analysis, naming),
            masses: Masses::of((analysis, naming), &answers),
            growth: None,
            composition: None,
            differences: Differences::of((analysis, naming), &answers),
            shifts: shift_sentences(analysis, naming.ages),
            densities: density_sentences(analysis, naming.ages),
            lay: Lay::of((analysis, naming), &answers),
            platform: PlatformWords::of(analysis, naming.ages),
            scanner: Scanner::of(analysis, &answers),
            phantom: analysis
                .scans
                .phantom
                .as_ref()
                .map_or_else(Vec::new, phantom_sentences),
            scanning: analysis
                .scanning
                .as_ref()
                .map_or_else(Vec::new, |found| scanning_sentences(study, found)),
            attention: Vec::new(),
            cautions: cautions(analysis),
            percent: (1000.0 * analysis.confidence).round() / 10.0,
        };
        overview.growth = masses::growth(analysis, &overview.masses);
        overview.composition = Composition::of(&overview.masses, overview.unit, naming.ages);
        overview.attention = attention::of(analysis, &overview);
        overview
    }

    /// Whether it answers anything at all.
    #[must_use]
    pub fn answers(&self) -> bool {
        self.target.is_some()
            || self.forecast.is_some()
            || self.lay.is_some()
            || !self.masses.is_empty()
            || !self.differences.is_empty()
    }

    /// Masses of the trait that is weighed.
    #[must_use]
    pub fn weighed(&self) -> Option<&Masses> {
        self.masses.iter().find(|one| one.is_main)
    }

    /// Differences in the trait that is weighed.
    #[must_use]
    pub fn differs(&self) -> Option<&Differences> {
        self.differences.iter().find(|one| one.is_main)
    }
}

/// The name of the trait that is weighed.
fn main_trait(study: &Study) -> Option<&str> {
    Some(&study.traits[study.main_trait()?].name)
}

/// Who was measured, and when: one line.
fn measured(study: &Study, column: Option<&str>) -> String {
    let mut pieces = Vec::new();
    pieces.extend(sampled(study));
    let main_trait_of_birds = study.main_trait().filter(|at| {
        let records = &study.traits[*at];
        !records.values.is_empty() || study.samples.is_empty()
    });
    if let Some(at) = main_trait_of_birds {
        let records = &study.traits[at];
        let birds = (0..study.birds.len()).filter(|bird| !records.of(*bird).0.is_empty());
        let all = records.ages_d.iter().copied();
        let first_d = all.clone().fold(f64::INFINITY, f64::min);
        let last_d = all.fold(f64::NEG_INFINITY, f64::max);
        let with = match main_trait(study) {
            Some(BODY_WEIGHT) | None => match study.values {
                Values::BirdMasses => " weighed".to_owned(),
                Values::AnyNumber => " measured".to_owned(),
            },
            Some(name) => format!(" with {}", name.replace('_', " ")),
        };
        let groups = match study.strains.len() {
            0 | 1 => String::new(),
            n => format!(", {n} {}", column.map_or("strains", |_| "groups")),
        };
        let ages = study.age_unit();
        let weeks = match (study.values, ages) {
            (Values::BirdMasses, AgeUnit::Days) if last_d >= 21.0 => {
                format!(" ({} weeks)", AgeUnit::Weeks.show_number(last_d))
            }
            _ => String::new(),
        };
        let span = if first_d < last_d {
            format!("{}{weeks}", ages.show_span(first_d, last_d))
        } else {
            format!("at {}", ages.show(last_d))
        };
        let birds = count(birds.count(), &study.subject);
        pieces.push(format!("{birds}{with}{groups}, {span}"));
    }
    if study.treatments.len() > 1 {
        pieces.push(count(study.treatments.len(), "treatment"));
    }
    let scans = study.scans.rows.iter();
    let scanned: BTreeSet<usize> = scans.flat_map(|scan| scan.birds.iter().copied()).collect();
    if !study.eggs.is_empty() {
        pieces.push(format!("eggs of {}", count(study.eggs.len(), "pen")));
    }
    let analysed: BTreeSet<usize> = study.chemistry.rows.iter().map(|row| row.bird).collect();
    for (birds, what) in [(scanned, "scanned"), (analysed, "analysed")] {
        if !birds.is_empty() {
            pieces.push(format!("{} {what}", birds.len()));
        }
    }
    pieces.join("; ")
}

/// Birds weighed without names: one piece of the line.
fn sampled(study: &Study) -> Option<String> {
    let ages_d = study.samples.ages_d();
    let (first_d, last_d) = (*ages_d.first()?, *ages_d.last()?);
    let ages = study.age_unit();
    let when = if first_d < last_d {
        ages.show_span(first_d, last_d)
    } else {
        format!("at {}", ages.show(last_d))
    };
    let units = &study.samples.units;
    let pens = units.iter().filter(|unit| unit.pen.is_some()).count();
    let mut places = Vec::new();
    if pens > 0 {
        places.push(count(pens, "pen"));
    }
    if !study.houses.is_empty() {
        places.push(count(study.houses.len(), "house"));
    }
    let of = match places.as_slice() {
        [] => String::new(),
        places => format!(" of {}", places.join(" in ")),
    };
    let birds = study.samples.birds_weighed();
    Some(format!(
        "{}{of} weighed, {when}",
        count(birds, "unnamed bird")
    ))
}

/// The cautions that go with what the study has.
fn cautions(analysis: &Analysis) -> Vec<&'static str> {
    let verdict = analysis.verdict.as_ref();
    let acts =
        verdict.is_some_and(|verdict| !verdict.deviations.is_empty() || verdict.ahead.is_some());
    let lay = analysis.lay.as_ref();
    let lays = lay.is_some_and(|lay| !lay.records.birds.is_empty() || lay.eggs.is_some());
    let mut all = Vec::new();
    if acts || lays {
        all.push(VERDICT_CAUTION);
    }
    if !analysis.study.scans.rows.is_empty() {
        all.push(CAUTION);
    }
    all
}
