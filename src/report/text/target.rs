//! The last weighing of each strain against its target.

use super::Sentence;
use super::target_row::{TargetRow, Verdict, target_row};
use super::words::{Naming, some_of};
use crate::age::AgeUnit;
use crate::analysis::{Analysis, Answer};
use crate::flock::{Deviation, FlockLevel};

/// Strains that are shown one by one; of more, the lowest and the highest.
const MOST_NAMED: usize = 8;

/// All strains against their targets.
#[derive(Debug, Clone)]
pub struct Target {
    /// The trait, in words.
    pub trait_name: String,
    /// Index into the study's traits.
    pub trait_index: usize,
    /// A row a strain, in the study's order.
    pub rows: Vec<TargetRow>,
    /// Of flocks of unnamed birds a row a house and a pen, in the study's order.
    pub places: Vec<TargetRow>,
    /// Age by which the birds are to be back on target, d.
    pub back_by_d: Option<f64>,
    ages: AgeUnit,
}

/// The last row of every house and pen of the flocks whose birds were weighed without names.
fn places(
    (analysis, naming): (&Analysis, Naming<'_>),
    answers: &[Answer],
    trait_index: usize,
) -> Vec<TargetRow> {
    let study = &analysis.study;
    let (Some(of), Some(verdict)) = (&analysis.growth.sampled, &analysis.verdict) else {
        return Vec::new();
    };
    let mut last: Vec<&Deviation> = Vec::new();
    for row in verdict
        .deviations
        .iter()
        .filter(|row| row.trait_index == trait_index)
    {
        if !matches!(row.level, FlockLevel::House | FlockLevel::Pen)
            || of.group_of(row.strain).is_none()
        {
            continue;
        }
        let key = |row: &Deviation| (row.level, row.strain, row.house, row.pen);
        match last.last_mut() {
            Some(before) if key(before) == key(row) => *before = row,
            _ => last.push(row),
        }
    }
    let row = |row: &Deviation| {
        let name = match (row.pen, row.house) {
            (Some(pen), _) => format!("pen {}", study.pens[pen]),
            (None, house) => {
                let house = house.map_or("", |house| study.houses[house].as_str());
                format!("house {house}")
            }
        };
        target_row((analysis, naming), answers, row, name)
    };
    last.into_iter().map(row).collect()
}

impl Target {
    pub(super) fn of(
        (analysis, naming): (&Analysis, Naming<'_>),
        answers: &[Answer],
        back_by_d: Option<f64>,
    ) -> Option<Self> {
        let study = &analysis.study;
        let all = &analysis.verdict.as_ref()?.deviations;
        let strains = || all.iter().filter(|row| row.level == FlockLevel::Strain);
        let main_trait = study.main_trait();
        let of_main = strains().any(|row| Some(row.trait_index) == main_trait);
        let trait_index = match main_trait.filter(|_| of_main) {
            Some(at) => at,
            None => strains().next()?.trait_index,
        };
        let mut last: Vec<&Deviation> = Vec::new();
        for row in strains().filter(|row| row.trait_index == trait_index) {
            match last.last_mut() {
                Some(before) if before.strain == row.strain => *before = row,
                _ => last.push(row),
            }
        }
        let name = &study.traits[trait_index].name;
        let rows = last.into_iter().map(|row| {
            target_row(
                (analysis, naming),
                answers,
                row,
                naming.name(&study.strains[row.strain]),
            )
        });
        Some(Self {
            trait_name: name.replace('_', " "),
            trait_index,
            rows: rows.collect(),
            places: places((analysis, naming), answers, trait_index),
            back_by_d,
            ages: naming.ages,
        })
    }

    /// The rows that a reader is shown: all of a few, else the lowest and the highest, from
    /// the lowest; `few` of each.
    #[must_use]
    pub fn shown(&self, few: (usize, usize)) -> Vec<&TargetRow> {
        if self.rows.len() <= MOST_NAMED {
            return self.rows.iter().collect();
        }
        let judged = self.rows.iter().filter(|row| row.deviation_pct.is_some());
        let mut sorted: Vec<&TargetRow> = judged.collect();
        let share = |row: &TargetRow| row.deviation_pct.unwrap_or(0.0);
        sorted.sort_by(|a, b| share(a).total_cmp(&share(b)));
        let (low, high) = few;
        if sorted.len() > low + high {
            sorted.drain(low..sorted.len() - high);
        }
        sorted
    }

    /// Whether only some are shown.
    #[must_use]
    pub fn is_long(&self) -> bool {
        self.rows.len() > MOST_NAMED
    }

    /// Houses and pens that a reader is shown: all of a few, else those that are off, the
    /// furthest first, at most `most`.
    #[must_use]
    pub fn shown_places(&self, most: usize) -> Vec<&TargetRow> {
        if self.places.len() <= most {
            return self.places.iter().collect();
        }
        let off = self.places.iter().filter(|row| row.verdict.is_off());
        let mut off: Vec<&TargetRow> = off.collect();
        let at = |row: &TargetRow| row.deviation_pct.unwrap_or(0.0).abs();
        off.sort_by(|a, b| at(b).total_cmp(&at(a)));
        off.truncate(most);
        off
    }

    /// How many stand where: `4 below target, 2 above target, 24 on target`.
    #[must_use]
    pub fn counts(&self) -> String {
        let n = |is: fn(Verdict) -> bool| self.rows.iter().filter(|row| is(row.verdict)).count();
        let groups = [
            (n(|one| one == Verdict::Below), "below target"),
            (n(|one| one == Verdict::Above), "above target"),
            (n(Verdict::is_uncertain), "at an edge"),
            (n(|one| one == Verdict::OnTarget), "on target"),
            (n(|one| one == Verdict::NotOff), "not off target"),
            (n(|one| one == Verdict::OneBird), "with one bird"),
            (n(|one| one == Verdict::NoTarget), "without a target"),
        ];
        let there = groups.iter().filter(|(n, _)| *n > 0);
        let words: Vec<String> = there.map(|(n, what)| format!("{n} {what}")).collect();
        words.join(", ")
    }

    /// Whether they are on target, the strains that are not first.
    #[must_use]
    pub fn sentence(&self) -> Sentence {
        let off: Vec<&TargetRow> = self
            .rows
            .iter()
            .filter(|row| row.verdict.is_off())
            .collect();
        if self.is_long() {
            let at = |row: &TargetRow| row.deviation_pct.unwrap_or(0.0).abs();
            let furthest = off.iter().max_by(|a, b| at(a).total_cmp(&at(b)));
            return Sentence {
                lead: format!("Of {} strains, {}.", self.rows.len(), self.counts()),
                rest: furthest.map_or(String::new(), |row| {
                    format!(" {}{}.", row.clause(), row.delay())
                }),
            };
        }
        let mut lead = String::new();
        let mut rest = Vec::new();
        match off.as_slice() {
            [] => {}
            [one] => {
                lead = one.clause();
                rest.push(format!("{}.", one.delay()));
            }
            several => {
                let clauses: Vec<String> = several.iter().map(|row| row.clause()).collect();
                lead = format!("{}.", some_of(&clauses, 4));
            }
        }
        let mut others = Vec::new();
        type Is = fn(Verdict) -> bool;
        let groups: [(&str, Is); 6] = [
            ("on target", |one| one == Verdict::OnTarget),
            ("at the lower edge of the band", |one| {
                one == Verdict::LowerEdge
            }),
            ("at the upper edge of the band", |one| {
                one == Verdict::UpperEdge
            }),
            ("not shown to be off target", |one| one == Verdict::NotOff),
            ("judged by one bird", |one| one == Verdict::OneBird),
            ("without a target at this age", |one| {
                one == Verdict::NoTarget
            }),
        ];
        for (what, is) in groups {
            let names = self.rows.iter().filter(|row| is(row.verdict));
            let names: Vec<String> = names.map(|row| row.name.clone()).collect();
            if !names.is_empty() {
                let verb = if names.len() == 1 { "is" } else { "are" };
                others.push(format!("{} {verb} {what}", some_of(&names, 4)));
            }
        }
        if !others.is_empty() {
            let clause = format!("{}.", others.join("; "));
            if lead.is_empty() {
                lead = clause;
            } else {
                rest.push(format!(" {clause}"));
            }
        }
        Sentence {
            lead,
            rest: rest.concat(),
        }
    }

    /// What strains that are off must gain to be back in time, the furthest off first: the
    /// strain, and what it needs.
    #[must_use]
    pub fn needs(&self) -> Vec<(&str, String)> {
        let mut off: Vec<&TargetRow> = self
            .rows
            .iter()
            .filter(|row| row.verdict.is_off())
            .collect();
        let at = |row: &TargetRow| row.deviation_pct.unwrap_or(0.0).abs();
        off.sort_by(|a, b| at(b).total_cmp(&at(a)));
        let by = self.back_by_d.map_or("in time".to_owned(), |age_d| {
            format!("by {}", self.ages.show(age_d))
        });
        let mut all = Vec::new();
        for row in off {
            if let Some((needed, planned)) = row.gain.filter(|(needed, _)| *needed >= 0.0) {
                let needs =
                    format!("needs {needed:.1} g/d to be on target {by} (target {planned:.1} g/d)");
                all.push((row.name.as_str(), needs));
            }
        }
        all
    }
}
