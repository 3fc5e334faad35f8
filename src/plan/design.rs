//! The smallest design that meets the requirements, beside the other designs compared.

use super::confirm::{Confirmation, Layout, Studies, confirm, detect_difference};
use super::precision::ExpectedPrecision;
use super::requirement::{Needed, Requirement};
use super::schedule::{Limits, criterion, efficiency, optimum};
use super::{Aim, Allocation, Sampling, Schedule, Target, as_number, targets};
use crate::error::Result;
use crate::fit::mixed::Population;
use crate::growth::Derived;

/// Designs with up to this multiple of the fewest birds count as equal.
const NEAR: f64 = 1.05;

/// The question of a plan.
#[derive(Debug, Clone)]
pub struct Question {
    /// What the design is to estimate, and how precisely.
    pub requirements: Vec<Requirement>,
    /// Derived quantities that are planned for besides the terms.
    pub derived: Vec<Derived>,
    /// Ages that the user has in mind, d, ascending; none for the best ones alone.
    pub asked_d: Option<Vec<f64>>,
    /// Which ages are practical.
    pub limits: Limits,
    /// Most scans a bird.
    pub most_scans: usize,
    /// Numbers of birds a strain to report, ascending.
    pub birds: Vec<usize>,
    /// Most birds a strain.
    pub most_birds: usize,
    /// Strains, and pens where they are what is allotted.
    pub allocation: Allocation,
    /// Level of the intervals.
    pub level: f64,
    /// Seed of all that is drawn.
    pub seed: u64,
}

/// What a schedule is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The user's own ages.
    Given,
    /// The D-optimal ages for this number of scans.
    Optimal,
    /// Each bird analysed once, at the ages of the design before it.
    SerialSlaughter,
}

/// One schedule, and the precision that any number of birds would give.
#[derive(Debug, Clone)]
pub struct Design {
    /// What it is.
    pub kind: Kind,
    /// The ages.
    pub schedule: Schedule,
    /// The information of one bird in each strain.
    pub expected: ExpectedPrecision,
    /// D-efficiency against the best ages for as many scans; none of a slaughter, or
    /// where too few ages lie within the limits.
    pub efficiency: Option<f64>,
    /// What each requirement takes; none where the schedule cannot estimate it.
    pub needed: Vec<Option<Needed>>,
    /// Birds a strain that all requirements take; none where one takes more than the limit.
    pub birds: Option<usize>,
}

impl Design {
    /// `asked`, `optimal 5 scans`, `serial slaughter`.
    #[must_use]
    pub fn name(&self) -> String {
        match self.kind {
            Kind::Given => "asked".to_owned(),
            Kind::Optimal => match self.schedule.ages_d.len() {
                1 => "optimal 1 scan".to_owned(),
                scans => format!("optimal {scans} scans"),
            },
            Kind::SerialSlaughter => "serial slaughter".to_owned(),
        }
    }
}

/// The answer.
#[derive(Debug, Clone)]
pub struct Plan {
    /// All that a study can estimate.
    pub targets: Vec<Target>,
    /// Designs compared: the user's, the best ages by number of scans, and serial
    /// slaughter at the chosen one's ages.
    pub designs: Vec<Design>,
    /// The chosen repeated design, and its birds a strain; no birds where the requirements take
    /// more than the limit.
    pub chosen: usize,
    /// Schedules that carry too little information, in words.
    pub not_estimable: Vec<String>,
    /// What simulated studies of the chosen design gave.
    pub confirmation: Option<(usize, Confirmation)>,
}

impl Plan {
    /// The chosen design.
    #[must_use]
    pub fn chosen(&self) -> &Design {
        &self.designs[self.chosen]
    }

    /// Serial slaughter at the same ages.
    #[must_use]
    pub fn slaughter(&self) -> Option<&Design> {
        let slaughter = |design: &&Design| design.kind == Kind::SerialSlaughter;
        self.designs.iter().find(slaughter)
    }
}

/// Looks for the smallest design: of those within 5 percent of the fewest birds the one
/// with the fewest scans. Ages that the user requires are kept.
///
/// # Errors
/// In words, where no schedule within the limits determines the curve's terms, or none estimates
/// what a requirement is about.
pub fn plan(population: &Population, question: &Question) -> std::result::Result<Plan, String> {
    let targets = targets(population, &question.derived);
    for requirement in &question.requirements {
        if !targets.iter().any(|target| requirement.is_about(target)) {
            return Err(format!(
                "{}: found nothing of that name to estimate in these strains",
                requirement.name
            ));
        }
    }
    let mut search = Search {
        population,
        question,
        targets: &targets,
        designs: Vec::new(),
        not_estimable: Vec::new(),
    };
    if let Some(ages_d) = &question.asked_d {
        search.add(Kind::Given, ages_d.clone(), None);
    }
    let fewest = population.curve().terms().len();
    for scans in fewest..=question.most_scans.min(question.limits.most_scans()) {
        if let Some(best) = optimum(population, &question.limits, scans, question.seed) {
            search.add(Kind::Optimal, best.ages_d, Some(best.criterion));
        }
    }
    let Some(chosen) = search.chosen() else {
        let why = search.not_estimable.first().cloned().unwrap_or_else(|| {
            format!(
                "no ages within the limits separate the {fewest} terms of the curve {}; allow at least {fewest} scans a bird, a smaller gap, or more weeks",
                population.curve().name()
            )
        });
        return Err(why);
    };
    let ages_d = search.designs[chosen].schedule.ages_d.clone();
    search.add(Kind::SerialSlaughter, ages_d, None);
    let Search {
        designs,
        not_estimable,
        ..
    } = search;
    Ok(Plan {
        targets,
        designs,
        chosen,
        not_estimable,
        confirmation: None,
    })
}

impl Plan {
    /// Simulates studies of the chosen design with this number of birds a strain.
    ///
    /// # Errors
    /// As [`confirm`].
    pub fn confirm(
        &mut self,
        population: &Population,
        (allocation, birds): (Allocation, usize),
        requirements: &[Requirement],
        studies: Studies,
        done: &(dyn Fn() + Sync),
    ) -> Result<()> {
        let ages_d = &self.designs[self.chosen].schedule.ages_d;
        let wanted = (&self.targets[..], requirements);
        let design = Layout {
            allocation,
            birds,
            ages_d,
        };
        let mut found = confirm(population, design, wanted, studies, done)?;
        let needed = &self.designs[self.chosen].needed;
        for (requirement, needed) in requirements.iter().zip(needed) {
            let (Aim::Detect { size, .. }, Some(needed)) = (requirement.aim, needed) else {
                continue;
            };
            let target = &self.targets[needed.target];
            let asked = (target, size.of(target.value));
            let power = detect_difference(population, design, asked, studies, done)?;
            if let Some(simulated) = &mut found.targets[needed.target] {
                simulated.power_of_true = power;
            }
        }
        self.confirmation = Some((birds, found));
        Ok(())
    }
}

struct Search<'a> {
    population: &'a Population,
    question: &'a Question,
    targets: &'a [Target],
    designs: Vec<Design>,
    not_estimable: Vec<String>,
}

impl Search<'_> {
    /// Works a schedule out; `best` is the criterion of the best ages for as many scans,
    /// looked for where it is not given.
    fn add(&mut self, kind: Kind, ages_d: Vec<f64>, best: Option<f64>) {
        let (population, question) = (self.population, self.question);
        let schedule = Schedule {
            ages_d,
            sampling: match kind {
                Kind::Given | Kind::Optimal => Sampling::Repeated,
                Kind::SerialSlaughter => Sampling::SerialSlaughter,
            },
        };
        let expected = match ExpectedPrecision::of(population, &schedule) {
            Ok(expected) => expected,
            Err(not_estimable) => {
                self.not_estimable.push(not_estimable.reason);
                return;
            }
        };
        let efficiency = match kind {
            Kind::SerialSlaughter => None,
            Kind::Given | Kind::Optimal => {
                let own = criterion(population, &schedule.ages_d);
                let scans = schedule.ages_d.len();
                let best = best.or_else(|| {
                    let best = optimum(population, &question.limits, scans, question.seed);
                    best.map(|best| best.criterion)
                });
                own.zip(best).map(|(own, best)| efficiency(own, best))
            }
        };
        let limits = (question.most_birds, question.level);
        let needed: Vec<Option<Needed>> = question
            .requirements
            .iter()
            .map(|requirement| {
                requirement.needed(
                    population,
                    &expected,
                    self.targets,
                    limits,
                    question.allocation,
                )
            })
            .collect();
        let birds: Option<Vec<usize>> = needed
            .iter()
            .map(|needed| needed.as_ref().and_then(|needed| needed.birds))
            .collect();
        let least = question.allocation.least_birds();
        self.designs.push(Design {
            kind,
            schedule,
            expected,
            efficiency,
            needed,
            birds: birds.map(|birds| birds.into_iter().max().unwrap_or(least)),
        });
    }

    /// The requested design, else of those that come near the fewest birds the one with the
    /// fewest scans: a bird is not handled once more for next to nothing. Where none
    /// reaches, the one that comes nearest.
    fn chosen(&self) -> Option<usize> {
        let asked = |design: &Design| design.kind == Kind::Given;
        if let Some(at) = self.designs.iter().position(asked) {
            return Some(at);
        }
        let about = |design: &Design| {
            let each = design.needed.iter();
            each.map(|needed| needed.as_ref().map_or(f64::INFINITY, |one| one.about))
                .fold(0.0, f64::max)
        };
        let designs = self.designs.iter().enumerate();
        let Some(fewest) = self.designs.iter().filter_map(|design| design.birds).min() else {
            // Where no number of birds will do, scans alone bring it nearer.
            let scans = |design: &Design| design.schedule.ages_d.len();
            return designs
                .min_by(|(_, a), (_, b)| {
                    about(a).total_cmp(&about(b)).then(scans(b).cmp(&scans(a)))
                })
                .map(|(at, _)| at);
        };
        designs
            .filter(|(_, design)| {
                let near = |birds| as_number(birds) <= NEAR * as_number(fewest);
                design.birds.is_some_and(near)
            })
            .min_by_key(|(_, design)| (design.schedule.ages_d.len(), design.birds))
            .map(|(at, _)| at)
    }
}
