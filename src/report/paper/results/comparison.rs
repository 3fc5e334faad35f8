//! In what the groups differed, and from which age.

use super::super::Paper;
use super::super::words::{
    SIGNIFICANT, capital, count, curve, more_or_less, number, quantity, spaced, with_unit,
};
use super::{group, limits, of, other};
use crate::analysis::{Answer, Status};
use crate::contrast::{Compared, Comparison, Contrast, PairByAge};
use crate::fit::profile::Quantity;
use crate::report::contrast_words::MOST_SHOWN;
use crate::report::pictures::file_name;
use crate::report::prose::listed;
use crate::report::rounding::{self, Digits};
use crate::study::Unit;

impl Paper<'_> {
    pub(super) fn comparison(&self, answers: &[Answer]) -> Vec<String> {
        let Some(found) = &self.analysis.differences else {
            return Vec::new();
        };
        let comparison = &found.comparison;
        let mut all = Vec::new();
        for compared in &comparison.compared {
            let name = &self.analysis.study.traits[compared.trait_index].name;
            if compared.joint.is_none() {
                all.push(format!(
                    "{} could not be compared by {} ({}).",
                    capital(&spaced(name)),
                    curve(&compared.curve),
                    compared.notes.join("; ")
                ));
                continue;
            }
            all.push(self.compared_trait(comparison, compared, answers));
        }
        if !all.is_empty() {
            all.push(
                "[State which of these differences matter to the birds and in practice.]"
                    .to_owned(),
            );
        }
        all
    }

    fn compared_trait(
        &self,
        comparison: &Comparison,
        compared: &Compared,
        answers: &[Answer],
    ) -> String {
        let name = &self.analysis.study.traits[compared.trait_index].name;
        let by = self.groups();
        // As its figure is called: a trait's only curve needs no name.
        let alone = file_name(name);
        let with_curve = file_name(&format!("{name}_{}", compared.curve));
        let figures = [alone, with_curve].map(|whose| format!("contrasts_{whose}"));
        let figure = figures.iter().find(|name| self.has_figure(name));
        let mut sentences = Vec::new();
        for test in compared.tests.iter().filter(|test| test.pair.is_none()) {
            let significant = test.p_value < SIGNIFICANT;
            let found = match (test.is_of_all(), significant) {
                (true, true) => format!("curves differed between {by}s"),
                (true, false) => format!("curves did not differ significantly between {by}s"),
                (false, true) => "curves showed an interaction of strain and treatment".to_owned(),
                (false, false) => {
                    "curves showed no significant interaction of strain and treatment".to_owned()
                }
            };
            sentences.push(format!(
                "{} {found} (F = {} on {} and {} degrees of freedom, {}).",
                capital(&spaced(name)),
                rounding::significant(test.statistic, 3),
                test.df1,
                rounding::significant(test.df2, 3),
                rounding::p_equals(test.p_value)
            ));
        }
        let masses = of(answers, "difference_of_typical_mass", name);
        let last_d = masses
            .iter()
            .filter_map(|one| one.age_d)
            .fold(f64::MIN, f64::max);
        let shown = compared.clearest(MOST_SHOWN);
        for pair in &shown {
            let (a, b) = names(comparison, pair);
            let last = masses.iter().find(|one| {
                one.age_d.is_some_and(|age_d| age_d >= last_d) && group(one) == a && other(one) == b
            });
            sentences.push(self.pair(name, (&a, &b), pair, last.copied()));
        }
        let left = compared.by_age.len() - shown.len();
        if left > 0 {
            sentences.push(format!(
                "The other {left} comparisons are in table difference_by_age."
            ));
        }
        sentences.extend(parameters(self, comparison, compared, name));
        sentences.extend(self.units(compared));
        let none = answers.iter().find(|one| {
            one.quantity == "difference_of_typical_mass"
                && one.trait_name == *name
                && one.status == Status::NotEstimable
        });
        if let Some(none) = none.filter(|none| !none.caution.is_empty()) {
            sentences.push(format!("{}: {}.", capital(&group(none)), none.caution));
        }
        if !compared.notes.is_empty() {
            sentences.push(format!("{}.", capital(&compared.notes.join("; "))));
        }
        let see = self.see("contrasts.tex", figure.map_or("", String::as_str));
        super::scans::ended(&format!("{} {see}", sentences.join(" ")))
    }

    /// What the comparisons of a trait rest on.
    fn units(&self, compared: &Compared) -> Option<String> {
        let model = self
            .analysis
            .growth
            .trajectories
            .model(compared.trait_index)?;
        let design = model.design.as_ref()?;
        let each = |counts: &[usize], noun: &str| match (counts.iter().min(), counts.iter().max()) {
            (Some(least), Some(most)) if least == most => count(*least, noun),
            (Some(least), Some(most)) => format!("{} to {}", number(*least), count(*most, noun)),
            _ => String::new(),
        };
        let birds: Vec<usize> = (0..model.groups().len())
            .map(|at| model.counts(at).0)
            .collect();
        let pens = match design.unit {
            Unit::Pen => format!(" in {}", each(&design.units, "pen")),
            Unit::Bird => String::new(),
        };
        let by = self.groups();
        Some(format!(
            "These comparisons rest on {}{pens} per {by}.",
            each(&birds, "bird")
        ))
    }

    /// "Alder was heavier than Birch from 77 d (simultaneous 95 % band); at 168 d ..."
    fn pair(
        &self,
        name: &str,
        (a, b): (&str, &str),
        pair: &PairByAge,
        last: Option<&Answer>,
    ) -> String {
        let mut text = self.along_age(name, (a, b), pair);
        if let Some((answer, difference)) = last.and_then(|one| Some((one, one.estimate?))) {
            let digits = answer
                .std_error
                .map_or(Digits::Decimals(0), Digits::of_error);
            let interval = answer.interval;
            let interval = interval.map(|one| limits(one, digits, &answer.unit, &self.percent()));
            let p_value = answer.p_adjusted.map(rounding::p_equals);
            let error = answer.std_error.map_or_else(String::new, |error| {
                format!(" \u{b1} {}", digits.write(error))
            });
            let inside: Vec<String> = interval.into_iter().chain(p_value).collect();
            text += &format!(
                "; at {}, {a} \u{2212} {b} was {}{}",
                self.ages().show(answer.age_d.unwrap_or_default()),
                with_unit(
                    &format!("{}{error}", digits.write(difference)),
                    &answer.unit
                ),
                match inside.as_slice() {
                    [] => String::new(),
                    inside => format!(" ({})", inside.join("; ")),
                }
            );
        }
        text + "."
    }

    /// From which to which age two groups differ.
    pub(super) fn along_age(&self, name: &str, (a, b): (&str, &str), pair: &PairByAge) -> String {
        let percent = self.percent();
        let (Some(first), Some(last)) = (pair.ages.first(), pair.ages.last()) else {
            return format!("{a} and {b} have no age in common");
        };
        let ages = self.ages();
        let when = |from_d: f64, to_d: f64| match (from_d <= first.age_d, to_d >= last.age_d) {
            (true, true) => "at all ages".to_owned(),
            (true, false) => format!("up to {}", ages.show(to_d)),
            (false, true) => format!("from {}", ages.show(from_d)),
            (false, false) if to_d > from_d => format!("from {}", ages.show_span(from_d, to_d)),
            (false, false) => format!("at {}", ages.show(from_d)),
        };
        // Spans in the same direction are one statement.
        let mut spans: Vec<(bool, Vec<String>)> = Vec::new();
        for (from_d, to_d, more) in pair.spans() {
            match spans.last_mut() {
                Some((same, all)) if *same == more => all.push(when(from_d, to_d)),
                _ => spans.push((more, vec![when(from_d, to_d)])),
            }
        }
        let spans: Vec<String> = spans
            .iter()
            .map(|(more, ages)| format!("{} than {b} {}", more_or_less(name, *more), listed(ages)))
            .collect();
        if spans.is_empty() {
            return format!(
                "{a} and {b} did not differ significantly in {} at any age (simultaneous {percent} band)",
                spaced(name)
            );
        }
        format!("{a} {} (simultaneous {percent} band)", listed(&spans))
    }
}

fn names(comparison: &Comparison, pair: &PairByAge) -> (String, String) {
    let names = &comparison.groups.names;
    (names[pair.a].clone(), pair.b.name(names).to_owned())
}

/// The parameters of the curve in which pairs differ, parameter by parameter.
fn parameters(
    paper: &Paper<'_>,
    comparison: &Comparison,
    compared: &Compared,
    trait_name: &str,
) -> Option<String> {
    let names = &comparison.groups.names;
    let significant = |one: &&Contrast| {
        matches!(one.quantity, Quantity::Term(_)) && one.p_adjusted.is_some_and(|p| p < SIGNIFICANT)
    };
    let mut by_term: Vec<(String, Vec<String>)> = Vec::new();
    for one in compared.contrasts.iter().filter(significant) {
        let words = format!(
            "{} \u{2212} {}, {}, {}",
            names[one.a],
            one.b.name(names),
            with_unit(
                &rounding::estimate_and_error(one.difference, one.standard_error),
                paper.unit(&one.unit)
            ),
            rounding::p_equals(one.p_adjusted.unwrap_or(1.0))
        );
        let name = quantity(&one.term, trait_name, paper.ages());
        match by_term.iter_mut().find(|(known, _)| *known == name) {
            Some((_, all)) => all.push(words),
            None => by_term.push((name, vec![words])),
        }
    }
    if by_term.is_empty() {
        return None;
    }
    let each: Vec<String> = by_term
        .iter()
        .map(|(name, pairs)| format!("{name} ({})", pairs.join("; ")))
        .collect();
    Some(format!(
        "Significant differences were found in {}.",
        listed(&each)
    ))
}
