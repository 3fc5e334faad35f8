//! What the typical birds weigh at the ages that are named, and how fast they grow.

use super::Sentence;
use super::words::{Naming, capital, number, trait_words, whose};
use crate::age::AgeUnit;
use crate::analysis::{Analysis, Answer, Status};
use crate::fit::interval;
use crate::growth::Derived;
use crate::report::rounding;
use crate::stats::Interval;
use crate::study::Study;
use crate::trajectory::TraitModel;

/// Traits of composition, in order.
const TISSUES: [&str; 3] = ["fat", "lean", "bone"];
/// Groups that a sentence names one by one.
const MOST_NAMED: usize = 3;

/// An estimate with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mass {
    /// The estimate.
    pub value: f64,
    /// Its standard error.
    pub std_error: Option<f64>,
    /// Its interval.
    pub interval: Option<Interval>,
    /// Whether it is to be used with caution.
    pub weak: bool,
}

impl Mass {
    /// Estimate and half the width of the interval, to the digits of that: `1721 ± 41`.
    #[must_use]
    pub fn with_half_width(&self) -> String {
        let half = self
            .interval
            .map(|limits| (limits.upper - limits.lower) / 2.0);
        rounding::estimate_and_error(self.value, half)
    }

    /// Estimate and interval to the digits of its standard error: `1721 g (1680 to 1762)`.
    #[must_use]
    pub fn with_interval(&self, unit: &str) -> String {
        with_interval(self.value, unit, (self.std_error, self.interval))
    }
}

/// An estimate and its interval to the digits of its standard error.
pub(in crate::report) fn with_interval(
    value: f64,
    unit: &str,
    (std_error, limits): (Option<f64>, Option<Interval>),
) -> String {
    let limits_words = rounding::interval(limits, std_error);
    let estimate = match std_error {
        Some(error) if error.is_finite() => rounding::Digits::of_error(error).write(value),
        _ => number(value),
    };
    let estimate = format!("{estimate} {unit}").trim_end().to_owned();
    if limits_words.is_empty() {
        estimate
    } else {
        format!("{estimate} ({limits_words})")
    }
}

/// The masses of a group at the ages of [`Masses::ages_d`].
#[derive(Debug, Clone)]
pub struct GroupMasses {
    /// The group.
    pub name: String,
    /// Its place among the groups, which is that of its colour.
    pub place: usize,
    /// One an age; `None` where it is not estimable.
    pub at: Vec<Option<Mass>>,
}

/// Masses of the typical birds in one trait.
#[derive(Debug, Clone)]
pub struct Masses {
    /// The trait, as the tables name it.
    pub key: String,
    /// The trait, in words.
    pub trait_name: String,
    /// Whether it is what birds are weighed for.
    pub is_main: bool,
    /// Ages, d, ascending.
    pub ages_d: Vec<f64>,
    /// Names of the ages; empty where one has none.
    pub age_names: Vec<String>,
    /// A group each.
    pub groups: Vec<GroupMasses>,
}

impl Masses {
    pub(super) fn of((analysis, naming): (&Analysis, Naming<'_>), answers: &[Answer]) -> Vec<Self> {
        let study = &analysis.study;
        let main_trait = study.main_trait();
        let traits = study.traits.iter().enumerate();
        let mut all: Vec<Self> = traits
            .filter_map(|(at, records)| {
                let whose = (&*records.name, Some(at) == main_trait);
                Self::of_trait((study, naming), answers, whose)
            })
            .collect();
        all.sort_by_key(|one| !one.is_main);
        all
    }

    fn of_trait(
        (study, naming): (&Study, Naming<'_>),
        answers: &[Answer],
        (key, is_main): (&str, bool),
    ) -> Option<Self> {
        let own = || {
            answers
                .iter()
                .filter(|answer| answer.quantity == "typical_mass" && answer.trait_name == key)
        };
        let mut ages_d: Vec<f64> = own().filter_map(|answer| answer.age_d).collect();
        ages_d.sort_by(f64::total_cmp);
        ages_d.dedup();
        let mut groups: Vec<GroupMasses> = Vec::new();
        for answer in own() {
            let name = naming.name(&whose(answer));
            // A strain has the place that it has in the study, another group a place after them.
            let alone = answer.treatment.is_empty() && answer.pen.is_empty();
            let mut strains = study.strains.iter();
            let strain = strains
                .position(|one| *one == answer.strain)
                .filter(|_| alone);
            if groups.iter().all(|group| group.name != name) {
                groups.push(GroupMasses {
                    place: strain.unwrap_or(groups.len()),
                    at: vec![None; ages_d.len()],
                    name: name.clone(),
                });
            }
            let group = groups.iter_mut().find(|group| group.name == name);
            let age = ages_d.iter().position(|age_d| Some(*age_d) == answer.age_d);
            if let (Some(group), Some(age), Some(value)) = (group, age, answer.estimate) {
                group.at[age] = Some(Mass {
                    value,
                    std_error: answer.std_error,
                    interval: answer.interval,
                    weak: answer.status == Status::Weak,
                });
            }
        }
        let any = groups
            .iter()
            .flat_map(|group| &group.at)
            .any(Option::is_some);
        let names = &study.settings.ages;
        let named = |age_d: &f64| {
            let found = names
                .iter()
                .find(|(_, named_d)| named_d.total_cmp(age_d).is_eq());
            found.map_or(String::new(), |(name, _)| name.replace('_', " "))
        };
        any.then(|| Self {
            key: key.to_owned(),
            trait_name: trait_words(study, key),
            is_main,
            age_names: ages_d.iter().map(named).collect(),
            ages_d,
            groups,
        })
    }

    /// Groups with a mass at the last age, and that mass.
    pub fn last(&self) -> impl Iterator<Item = (&GroupMasses, &Mass)> {
        self.groups
            .iter()
            .filter_map(|group| Some((group, group.at.last()?.as_ref()?)))
    }

    /// The last age, d.
    #[must_use]
    pub fn last_age_d(&self) -> Option<f64> {
        self.ages_d.last().copied()
    }

    /// Groups, lowest first at the last age: of more than `most`, the lowest and the highest.
    #[must_use]
    pub fn shown(&self, most: usize) -> Vec<&GroupMasses> {
        if self.groups.len() <= most {
            return self.groups.iter().collect();
        }
        let mut last: Vec<(&GroupMasses, &Mass)> = self.last().collect();
        last.sort_by(|a, b| a.1.value.total_cmp(&b.1.value));
        let half = most / 2;
        if last.len() > most {
            last.drain(half..last.len() - (most - half));
        }
        last.into_iter().map(|(group, _)| group).collect()
    }

    /// `1530 g (Birch) to 1721 g (Alder)`, `1721 g`; of two or three groups each.
    fn range(&self, unit: &str) -> Option<String> {
        let mut last: Vec<(&GroupMasses, &Mass)> = self.last().collect();
        last.sort_by(|a, b| b.1.value.total_cmp(&a.1.value));
        let value = |mass: &Mass| {
            let words = format!("{} {unit}", number(mass.value));
            words.trim_end().to_owned()
        };
        match last.as_slice() {
            [] => None,
            [(_, only)] if self.groups.len() == 1 => Some(value(only)),
            few if few.len() <= MOST_NAMED => {
                let each = few.iter();
                let each: Vec<String> = each
                    .map(|(group, mass)| format!("{} ({})", value(mass), group.name))
                    .collect();
                Some(crate::report::prose::listed(&each))
            }
            [(high, most), .., (low, least)] => Some(format!(
                "{} ({}) to {} ({})",
                value(least),
                low.name,
                value(most),
                high.name
            )),
            [(group, mass)] => Some(format!("{} ({})", value(mass), group.name)),
        }
    }
}

/// Body weight at the last age, and when it grows fastest.
pub(super) fn growth(analysis: &Analysis, masses: &[Masses]) -> Option<Sentence> {
    let weighed = masses.iter().find(|one| one.is_main)?;
    let ages = analysis.study.age_unit();
    let unit = match analysis.study.values {
        crate::study::Values::BirdMasses => "g",
        crate::study::Values::AnyNumber => "",
    };
    let lead = format!(
        "{} of the typical bird at {} was {}.",
        capital(&weighed.trait_name),
        ages.show(weighed.last_age_d()?),
        weighed.range(unit)?
    );
    let lead = match analysis.study.values {
        crate::study::Values::BirdMasses => lead,
        crate::study::Values::AnyNumber => lead.replace(" of the typical bird", ""),
    };
    let trajectories = &analysis.growth.trajectories;
    let Some(model) = trajectories.model(analysis.study.main_trait()?) else {
        return Some(Sentence::plain(lead));
    };
    let span = |what: Derived| {
        let peaks: Vec<f64> = (0..model.groups().len())
            .filter_map(|group| age_of(model, group, what, analysis.confidence))
            .collect();
        let first = peaks.iter().copied().fold(f64::INFINITY, f64::min);
        let last = peaks.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        first.is_finite().then(|| {
            if (last - first) < 0.5 {
                format!("at {}", ages.show(first.round()))
            } else {
                format!("at {}", ages.show_span(first.round(), last.round()))
            }
        })
    };
    let peaks = (span(Derived::FirstPeakAge), span(Derived::SecondPeakAge));
    let rest = match peaks {
        (Some(first), Some(second)) => {
            format!(" Growth was fastest {first} and had a second peak {second}.")
        }
        _ => span(Derived::InflectionAge)
            .map_or(String::new(), |age| format!(" Growth was fastest {age}.")),
    };
    Some(Sentence::plain(format!("{lead}{rest}")))
}

/// An age of the typical bird of a group, d, within the ages at which it was measured.
fn age_of(model: &TraitModel, group: usize, what: Derived, confidence: f64) -> Option<f64> {
    let estimates = model.typical(group)?;
    let age = interval::derived(&*model.curve(), &estimates, what, confidence).ok()?;
    let (first_d, last_d) = model.age_span(group)?;
    (first_d..=last_d).contains(&age.value).then_some(age.value)
}

/// Fat, lean and bone of the typical birds at one age.
#[derive(Debug, Clone)]
pub struct Composition {
    /// The age, d.
    pub age_d: f64,
    /// Names of the parts.
    pub parts: Vec<String>,
    /// Groups, with a mass a part.
    pub groups: Vec<(String, Vec<Option<Mass>>)>,
    /// The masses in words.
    pub sentence: Sentence,
}

impl Composition {
    pub(super) fn of(masses: &[Masses], unit: &str, ages: AgeUnit) -> Option<Self> {
        let of = |name: &&str| masses.iter().find(|one| one.key == **name && !one.is_main);
        let parts: Vec<&Masses> = TISSUES.iter().filter_map(of).collect();
        let age_d = parts
            .iter()
            .filter_map(|part| part.last_age_d())
            .max_by(f64::total_cmp)?;
        let at_age = |part: &&&Masses| part.last_age_d() == Some(age_d);
        let parts: Vec<&Masses> = parts.iter().filter(at_age).copied().collect();
        let mut names: Vec<&str> = Vec::new();
        for group in parts.iter().flat_map(|part| &part.groups) {
            if !names.contains(&group.name.as_str()) {
                names.push(&group.name);
            }
        }
        let mass_of = |part: &&Masses, name: &str| {
            let group = part.groups.iter().find(|group| group.name == name)?;
            *group.at.last()?
        };
        let groups = names.iter().map(|name| {
            let masses = parts.iter().map(|part| mass_of(part, name));
            ((*name).to_owned(), masses.collect())
        });
        let clauses: Vec<String> = parts
            .iter()
            .filter_map(|part| Some(format!("{} was {}", part.trait_name, part.range(unit)?)))
            .collect();
        Some(Self {
            age_d,
            groups: groups.collect(),
            parts: parts.iter().map(|part| part.trait_name.clone()).collect(),
            sentence: Sentence {
                lead: String::new(),
                rest: format!("At {} {}.", ages.show(age_d), clauses.join("; ")),
            },
        })
    }
}
