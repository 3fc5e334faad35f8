//! What was allocated to the groups that are compared: birds or pens.
//!
//! Where whole pens were given to a strain or a treatment, birds of one pen share what is
//! peculiar to it, and a difference between groups is estimated no better than their pens allow:
//! its error includes the variation between pens, and as far as it rests on pens its interval
//! has pens - groups degrees of freedom. A group in one pen can be compared with none: its
//! difference may be one between pens. A study states its unit (`[design] unit`); where
//! it does not, [`Design::of`] finds out from the tables.

use std::collections::BTreeSet;
use std::fmt;

use super::cohort::{Blocks, Cohort};
use crate::error::{Error, Result};
use crate::growth::{self, Curve};
use crate::stats::distribution::t_two_sided_quantile;
use crate::study::{Study, Unit};

/// Why the unit is what it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Because {
    /// Stated in `study.toml`.
    Stated,
    /// The pens themselves are compared.
    PensCompared,
    /// No pen houses birds of two groups, and a group has several pens.
    PensWithinGroups,
    /// No pens are recorded.
    NoPens,
    /// This number of birds have no pen.
    WithoutPen(usize),
    /// All birds are in one pen.
    OnePen,
    /// Pens house birds of more than one group.
    PensCrossGroups,
    /// No pen houses birds of two groups, and no group has two pens: nothing is testable.
    OnePenAGroup,
    /// No group has two pens with at least two birds each: a pen is hardly more than a bird.
    OneBirdAPen,
}

/// The units that a cohort's groups are compared by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Design {
    /// Bird or pen.
    pub unit: Unit,
    /// Why.
    pub because: Because,
    /// Units of each group.
    pub units: Vec<usize>,
    /// Birds of each group.
    pub birds: Vec<usize>,
    /// How the pens stand in blocks.
    pub blocks: Blocks,
    /// What moves of birds between pens make of the pens, in words; empty without moves.
    pub moves: String,
    names: Vec<String>,
}

/// What to do where pens were not what was allotted.
const REMEDY: &str = "if the birds, not the pens, were allotted to the groups, write unit = \"bird\" under [design] in study.toml";

/// A group that cannot be compared with another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotTestable {
    /// The group's name.
    pub group: String,
}

impl fmt::Display for NotTestable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} is in one pen only: a difference from it may be one between pens, so that it is not testable; {REMEDY}",
            self.group
        )
    }
}

impl Design {
    /// The units of a cohort's groups, by the study's settings or its tables.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Input`]: `unit = "pen"` where a bird has no pen, or a pen houses
    /// birds of two groups.
    pub fn of(study: &Study, cohort: &Cohort) -> Result<Self> {
        let groups = cohort.by_group();
        let mut pens: Vec<Vec<(usize, usize)>> = vec![Vec::new(); groups.len()];
        let mut without = 0;
        for (group, members) in groups.iter().enumerate() {
            for subject in members {
                let Some(pen) = cohort.pen_of(*subject) else {
                    without += 1;
                    continue;
                };
                match pens[group].iter_mut().find(|(known, _)| *known == pen) {
                    Some((_, birds)) => *birds += 1,
                    None => pens[group].push((pen, 1)),
                }
            }
        }
        let all: BTreeSet<usize> = pens.iter().flatten().map(|(pen, _)| *pen).collect();
        let places = pens.iter().map(Vec::len).sum::<usize>();
        let housed = |least: usize| {
            let several = pens.iter().map(|pens| {
                let large = pens.iter().filter(|(_, birds)| *birds >= least);
                large.count()
            });
            several.max().unwrap_or(0)
        };
        let found = if cohort.is_by_pen() {
            Because::PensCompared
        } else if all.is_empty() {
            Because::NoPens
        } else if without > 0 {
            Because::WithoutPen(without)
        } else if places > all.len() {
            if all.len() == 1 {
                Because::OnePen
            } else {
                Because::PensCrossGroups
            }
        } else if housed(1) < 2 {
            if all.len() == 1 {
                Because::OnePen
            } else {
                Because::OnePenAGroup
            }
        } else if housed(2) < 2 {
            Because::OneBirdAPen
        } else {
            Because::PensWithinGroups
        };
        let (unit, because) = match study.settings.design.unit {
            None if matches!(found, Because::PensWithinGroups | Because::OnePenAGroup) => {
                (Unit::Pen, found)
            }
            None => (Unit::Bird, found),
            Some(Unit::Pen) if found == Because::PensCompared => (Unit::Bird, found),
            Some(Unit::Bird) => (Unit::Bird, Because::Stated),
            Some(Unit::Pen) => {
                let expected = "a pen for each bird, and birds of one group in each pen";
                let words = match found {
                    Because::NoPens => Some("no pens in the tables".to_owned()),
                    Because::WithoutPen(birds) => Some(format!("{birds} birds without a pen")),
                    Because::PensCrossGroups | Because::OnePen if places > all.len() => {
                        Some("birds of more than one group in one pen".to_owned())
                    }
                    _ => None,
                };
                if let Some(words) = words {
                    return Err(Error::input(format!(
                        "study.toml, design.unit: found pen, and {words}, expected {expected}; correct the pens, or write unit = \"bird\""
                    )));
                }
                (Unit::Pen, Because::Stated)
            }
        };
        let birds: Vec<usize> = groups.iter().map(Vec::len).collect();
        Ok(Self {
            unit,
            because,
            units: match unit {
                Unit::Bird => birds.clone(),
                Unit::Pen => pens.iter().map(Vec::len).collect(),
            },
            birds,
            blocks: cohort.blocks(),
            moves: words_of_moves(study, cohort, &pens),
            names: cohort.groups.iter().map(|one| one.name.clone()).collect(),
        })
    }

    /// Whether the cohort's model has an effect of pens: where the pen is the unit, and a
    /// group has at least two.
    #[must_use]
    pub fn has_pen_effects(&self) -> bool {
        self.unit == Unit::Pen && self.units.iter().any(|pens| *pens > 1)
    }

    /// Degrees of freedom of a comparison of groups: units - groups, at least 1; of pens in
    /// complete blocks pens - groups - blocks + 1.
    #[must_use]
    pub fn df(&self) -> usize {
        let left = self.units.iter().map(|units| units.saturating_sub(1));
        let of_blocks = match &self.blocks {
            Blocks::Complete(of) if self.unit == Unit::Pen => of.iter().max().copied(),
            _ => None,
        };
        let left = left.sum::<usize>();
        left.saturating_sub(of_blocks.unwrap_or(0)).max(1)
    }

    /// What blocks are made of, in words; `None` without blocks.
    fn words_of_blocks(&self) -> Option<String> {
        match (&self.blocks, self.unit) {
            (Blocks::None, _) => None,
            (Blocks::Complete(of), Unit::Pen) => {
                let count = of.iter().max().map_or(0, |most| most + 1);
                Some(format!(
                    " The pens stand in {count} complete blocks, whose differences are taken out of the errors."
                ))
            }
            (_, Unit::Pen) => Some(
                " The blocks do not all hold as many pens of every group: their differences stay in the errors.".to_owned(),
            ),
            (_, Unit::Bird) => Some(" Blocks are only used where the pen is the unit.".to_owned()),
        }
    }

    /// Whether a group can be compared with others.
    ///
    /// # Errors
    /// Where the pen is the unit and the group has only one.
    pub fn testable(&self, group: usize) -> std::result::Result<(), NotTestable> {
        if self.unit == Unit::Pen && self.units[group] < 2 {
            return Err(NotTestable {
                group: self.names[group].clone(),
            });
        }
        Ok(())
    }

    /// Why no difference between groups is testable, a sentence; `None` where one may be.
    #[must_use]
    pub fn nothing_testable(&self) -> Option<String> {
        let groups = self.units.len();
        (groups > 1 && (0..groups).all(|group| self.testable(group).is_err())).then(|| {
            format!(
                "each of the {groups} groups is in one pen: a difference between groups may be one between pens, and none is testable; {REMEDY}"
            )
        })
    }

    /// Which groups cannot be compared, and why: a sentence for all, or one a group.
    #[must_use]
    pub fn untestable(&self) -> Vec<String> {
        match self.nothing_testable() {
            Some(reason) => vec![reason],
            None => (0..self.units.len())
                .filter_map(|group| self.testable(group).err())
                .map(|reason| reason.to_string())
                .collect(),
        }
    }

    /// What the unit is, how many there are and what that makes of an interval, in words.
    #[must_use]
    pub fn words(&self) -> String {
        let (units, birds) = (total(&self.units), total(&self.birds));
        let groups = self.units.len();
        let plural = |count: usize, one: &str| {
            let end = if count == 1 { "" } else { "s" };
            format!("{count} {one}{end}")
        };
        let half = |df: usize| t_two_sided_quantile(0.95, df as f64);
        let why = match self.because {
            Because::Stated => "stated in study.toml".to_owned(),
            Because::PensWithinGroups | Because::OnePenAGroup => {
                "no pen houses birds of two groups".to_owned()
            }
            Because::PensCompared => "the pens themselves are compared".to_owned(),
            Because::NoPens => "no pens are recorded".to_owned(),
            Because::WithoutPen(birds) => format!("{} without a pen", plural(birds, "bird")),
            Because::OnePen => "all birds are in one pen".to_owned(),
            Because::PensCrossGroups => "pens house birds of more than one group".to_owned(),
            Because::OneBirdAPen => "pens house one bird each".to_owned(),
        };
        match self.unit {
            Unit::Bird => {
                format!(
                    "The bird is the unit of comparison ({why}): {} in {}, {} of freedom.",
                    plural(units, "bird"),
                    plural(groups, "group"),
                    plural(self.df(), "degree"),
                ) + &self.words_of_blocks().unwrap_or_default()
                    + &self.moves
            }
            Unit::Pen => {
                if let Some(reason) = self.nothing_testable() {
                    return format!("The pen is the unit of comparison ({why}): {reason}.");
                }
                let by_birds = birds.saturating_sub(groups).max(1);
                let mut words = format!(
                    "The pen is the unit of comparison ({why}): {} with {} in {}, {} of freedom for what differs between pens; 95 % intervals then reach {:.2} standard errors to either side ({:.2} with birds as units), and these errors include the variation between pens.",
                    plural(units, "pen"),
                    plural(birds, "bird"),
                    plural(groups, "group"),
                    plural(self.df(), "degree"),
                    half(self.df()),
                    half(by_birds),
                );
                words += &self.words_of_blocks().unwrap_or_default();
                words += &self.moves;
                for group in 0..groups {
                    if let Err(reason) = self.testable(group) {
                        words.push_str(&format!(" Not testable: {reason}."));
                    }
                }
                words
            }
        }
    }
}

/// How many birds were moved between pens, whether into pens of another group, and which pen they
/// count with; empty without moves. `pens` has the pens of each group, with their birds.
fn words_of_moves(study: &Study, cohort: &Cohort, pens: &[Vec<(usize, usize)>]) -> String {
    let (mut moved, mut across) = (0, 0);
    for (group, subjects) in cohort.by_group().iter().enumerate() {
        for bird in subjects.iter().map(|subject| cohort.birds[*subject]) {
            let own = study.moves_of(bird);
            moved += usize::from(!own.is_empty());
            let is_of_group = |pen: usize| pens[group].iter().any(|(own, _)| *own == pen);
            let is_of_another = |pen: usize| {
                let mut all = pens.iter().flatten();
                all.any(|(other, _)| *other == pen) && !is_of_group(pen)
            };
            let elsewhere = own
                .iter()
                .any(|one| is_of_another(one.from) || is_of_another(one.to));
            across += usize::from(elsewhere);
        }
    }
    if moved == 0 {
        return String::new();
    }
    let birds = cohort.birds.len();
    let share = (100.0 * moved as f64 / birds as f64).round();
    let mut words = format!(
        " {moved} of {birds} birds ({share} %) were moved between pens; each counts with the pen in which it spent most of its days between its first and last weighing, so that pens are taken to differ by less than they did."
    );
    if across > 0 {
        words += &format!(
            " {across} of them were for a time in a pen of another group: the pens of the groups are mixed, which dilutes differences that come from the pen."
        );
    }
    words
}

/// Whether the unit of comparison that a study states can be had, for every trait.
///
/// # Errors
/// As [`Design::of`].
pub fn check_unit(study: &Study, request: &super::Request) -> Result<()> {
    let Some(wanted) = &request.population else {
        return Ok(());
    };
    for (trait_index, records) in study.traits.iter().enumerate() {
        let cohort = Cohort::of(study, records, trait_index, &wanted.groups, |_| true);
        Design::of(study, &cohort)?;
    }
    Ok(())
}

fn total(counts: &[usize]) -> usize {
    counts.iter().sum()
}

/// Terms in which pens differ: the asymptotes.
///
/// What pens share (space at the feeder, climate, neighbours) acts on how much a bird grows
/// at every age, which the asymptotes scale; a study's few pens do not determine more, and
/// the errors of the groups' terms do not rest on it. Of a curve without an asymptote, its
/// first term.
#[must_use]
pub fn pen_terms(curve: &dyn Curve) -> Vec<String> {
    let terms = curve.terms();
    let mut places = growth::asymptotes(curve);
    if places.is_empty() {
        places.push(0);
    }
    let names = places.into_iter().map(|at| terms[at].name.to_string());
    names.collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::growth::built_in;
    use crate::study::{Bird, FixedEffectOf, Records};

    /// Birds by strain and pen, weighed once each.
    fn study(birds: &[(usize, Option<usize>)], unit: Option<Unit>) -> (Study, Cohort) {
        let mut study = Study {
            strains: vec!["Alder".into(), "Birch".into(), "Cedar".into()],
            pens: (1..=9).map(|pen| format!("pen {pen}")).collect(),
            ..Study::default()
        };
        study.settings.design.unit = unit;
        for (number, (strain, pen)) in birds.iter().enumerate() {
            study.birds.push(Bird {
                name: format!("bird {number}"),
                strain: *strain,
                pen: *pen,
                treatment: None,
                block: None,
                hatch_date: None,
            });
        }
        let count = birds.len();
        let records = Records {
            starts: (0..=count).collect(),
            ages_d: vec![7.0; count],
            values: vec![70.0; count],
            ..Records::default()
        };
        let cohort = Cohort::of(&study, &records, 0, &[FixedEffectOf::Strain], |_| true);
        (study, cohort)
    }

    /// This number of birds in each of these pens of a strain.
    fn housed(strain: usize, pens: &[usize], birds: usize) -> Vec<(usize, Option<usize>)> {
        let each = pens
            .iter()
            .flat_map(|pen| vec![(strain, Some(*pen)); birds]);
        each.collect()
    }

    fn design(birds: &[(usize, Option<usize>)]) -> Design {
        let (study, cohort) = study(birds, None);
        Design::of(&study, &cohort).unwrap()
    }

    #[test]
    fn pens_within_strains_are_the_unit() {
        let birds = [housed(0, &[0, 1, 2], 4), housed(1, &[3, 4], 4)].concat();
        let found = design(&birds);
        assert_eq!((found.unit, found.units.clone()), (Unit::Pen, vec![3, 2]));
        assert_eq!((found.df(), found.has_pen_effects()), (3, true));
        let words = found.words();
        assert!(
            words.starts_with("The pen is the unit of comparison"),
            "{words}"
        );
        assert!(
            words.contains("5 pens with 20 birds in 2 groups, 3 degrees of freedom"),
            "{words}"
        );
        // t of 3 and of 18 degrees of freedom.
        assert!(
            words.contains("3.18 standard errors") && words.contains("(2.10 with birds"),
            "{words}"
        );
    }

    #[test]
    fn a_strain_in_one_pen_is_not_testable() {
        let birds = [housed(0, &[0, 1, 2], 4), housed(1, &[3], 4)].concat();
        let found = design(&birds);
        assert_eq!((found.unit, found.df()), (Unit::Pen, 2));
        assert_eq!(found.testable(0), Ok(()));
        let group = "Birch".to_owned();
        assert_eq!(found.testable(1), Err(NotTestable { group }));
        assert!(
            found.words().contains("Birch is in one pen only"),
            "{}",
            found.words()
        );
    }

    #[test]
    fn groups_in_one_pen_each_are_not_testable() {
        let birds = [housed(0, &[0], 4), housed(1, &[1], 4)].concat();
        let found = design(&birds);
        assert_eq!(
            (found.unit, found.because),
            (Unit::Pen, Because::OnePenAGroup)
        );
        assert!(!found.has_pen_effects());
        assert!(found.testable(0).is_err() && found.testable(1).is_err());
        let words = found.words();
        assert!(words.contains("none is testable"), "{words}");
        assert!(words.contains("unit = \"bird\" under [design]"), "{words}");
        let (own, cohort) = study(&birds, Some(Unit::Bird));
        let stated = Design::of(&own, &cohort).unwrap();
        assert!(stated.testable(0).is_ok() && stated.nothing_testable().is_none());
    }

    #[test]
    fn birds_are_the_unit_where_pens_cannot_be() {
        let one_pen = [housed(0, &[0], 4), housed(1, &[0], 4)].concat();
        let crossed = [housed(0, &[0, 1], 4), housed(1, &[1, 2], 4)].concat();
        let single = [housed(0, &[0, 1, 2], 1), housed(1, &[3, 4, 5], 1)].concat();
        let mut some = [housed(0, &[0, 1], 4), housed(1, &[2, 3], 4)].concat();
        some[3].1 = None;
        let none: Vec<_> = (0..4).map(|bird| (bird % 2, None)).collect();
        for (birds, because) in [
            (one_pen, Because::OnePen),
            (crossed, Because::PensCrossGroups),
            (single, Because::OneBirdAPen),
            (some, Because::WithoutPen(1)),
            (none, Because::NoPens),
        ] {
            let found = design(&birds);
            assert_eq!((found.unit, found.because), (Unit::Bird, because));
            assert_eq!(found.df(), birds.len() - 2);
            assert!(!found.has_pen_effects() && found.testable(1).is_ok());
        }
    }

    #[test]
    fn the_study_states_its_unit() {
        let birds = [housed(0, &[0, 1, 2], 4), housed(1, &[3, 4], 4)].concat();
        let (own, cohort) = study(&birds, Some(Unit::Bird));
        let found = Design::of(&own, &cohort).unwrap();
        assert_eq!((found.unit, found.because), (Unit::Bird, Because::Stated));
        let crossed = [housed(0, &[0, 1], 4), housed(1, &[1, 2], 4)].concat();
        let (own, cohort) = study(&crossed, Some(Unit::Pen));
        let error = Design::of(&own, &cohort).unwrap_err().to_string();
        assert!(
            error.contains("birds of more than one group in one pen"),
            "{error}"
        );
    }

    #[test]
    fn pens_differ_in_asymptotes() {
        let terms = |name: &str| pen_terms(&*built_in(name).unwrap());
        assert_eq!(terms("gompertz"), ["A"]);
        assert_eq!(terms("two-phase-gompertz"), ["A1", "A2"]);
    }
}
