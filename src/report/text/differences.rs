//! From which ages groups differ.

use super::Sentence;
use super::words::{Naming, some_of, trait_words, whose, whose_b};
use crate::age::AgeUnit;
use crate::analysis::{Analysis, Answer};
use crate::contrast::{Against, Compared};
use crate::report::prose::listed;
use crate::stats::Interval;
use crate::study::{BODY_WEIGHT, Study, Values};

/// Groups that stand out, of many, that are looked at.
const MOST_CLEAR: usize = 8;

/// What many groups are compared with.
const MEAN_OF_ALL: &str = "the mean of all";

/// Ages at which one group has more than another.
#[derive(Debug, Clone, PartialEq)]
pub struct Span {
    /// The group that has more.
    pub more: String,
    /// The group that has less.
    pub less: String,
    /// First age, d.
    pub from_d: f64,
    /// Last age, d; `None`: the last age at which both were measured.
    pub to_d: Option<f64>,
}

impl Span {
    /// `Alder > Birch`.
    fn short(&self) -> String {
        let name = |name: &str| match name {
            MEAN_OF_ALL => "mean".to_owned(),
            name => name.to_owned(),
        };
        format!("{} > {}", name(&self.more), name(&self.less))
    }

    /// `from 77 d`, `from 109 to 126 d`.
    fn ages(&self, ages: AgeUnit) -> String {
        match self.to_d {
            None => format!("from {}", ages.show(self.from_d)),
            Some(to_d) if to_d > self.from_d => {
                format!("from {}", ages.show_span(self.from_d, to_d))
            }
            Some(to_d) => format!("at {}", ages.show(to_d)),
        }
    }
}

/// A pair of groups at one age.
#[derive(Debug, Clone)]
pub struct PairAtAge {
    /// `Alder - Birch`, with a true minus.
    pub pair: String,
    /// Age, d.
    pub age_d: f64,
    /// First minus second.
    pub difference: f64,
    /// Its standard error.
    pub std_error: Option<f64>,
    /// Its interval.
    pub interval: Option<Interval>,
    /// Adjusted for the comparisons made.
    pub p_adjusted: Option<f64>,
}

/// How groups differ in one trait.
#[derive(Debug, Clone)]
pub struct Differences {
    /// The trait, in words.
    pub trait_name: String,
    /// Whether it is what birds are weighed for.
    pub is_main: bool,
    /// Ages at which groups differ.
    pub spans: Vec<Span>,
    /// Pairs that differ at no age.
    pub alike: Vec<(String, String)>,
    /// Why groups could not be compared; empty where they were.
    pub reason: String,
    /// Pairs at the ages that are named, and the last.
    pub at_ages: Vec<PairAtAge>,
    comparative: String,
    ages: AgeUnit,
}

impl Differences {
    pub(super) fn of((analysis, naming): (&Analysis, Naming<'_>), answers: &[Answer]) -> Vec<Self> {
        let Some(found) = &analysis.differences else {
            return Vec::new();
        };
        let study = &analysis.study;
        let names = found.comparison.groups.names.iter();
        let names: Vec<String> = names.map(|name| naming.name(name)).collect();
        let of_trait = |one: &Compared| Self::of_trait((study, naming), one, &names, answers);
        let mut all: Vec<Self> = found.comparison.compared.iter().map(of_trait).collect();
        all.sort_by_key(|one| !one.is_main);
        all
    }

    fn of_trait(
        (study, naming): (&Study, Naming<'_>),
        one: &Compared,
        names: &[String],
        answers: &[Answer],
    ) -> Self {
        let name = &study.traits[one.trait_index].name;
        let (mut spans, mut alike) = (Vec::new(), Vec::new());
        for pair in one.clearest(MOST_CLEAR) {
            let b = match pair.b {
                Against::Group(_) => pair.b.name(names).to_owned(),
                Against::MeanOfAll => MEAN_OF_ALL.to_owned(),
            };
            let a = names[pair.a].clone();
            let last_d = pair.ages.last().map(|age| age.age_d);
            let found = pair.spans();
            if found.is_empty() {
                alike.push((a.clone(), b.clone()));
            }
            spans.extend(found.into_iter().map(|(from_d, to_d, above)| {
                let (more, less) = if above { (&a, &b) } else { (&b, &a) };
                Span {
                    more: more.clone(),
                    less: less.clone(),
                    from_d,
                    to_d: (Some(to_d) != last_d).then_some(to_d),
                }
            }));
        }
        let at_ages = answers.iter().filter(|answer| {
            answer.quantity == "difference_of_typical_mass" && answer.trait_name == *name
        });
        let at_ages = at_ages.filter_map(|answer| {
            Some(PairAtAge {
                pair: format!(
                    "{} \u{2212} {}",
                    naming.name(&whose(answer)),
                    naming.name(&whose_b(answer))
                ),
                age_d: answer.age_d?,
                difference: answer.estimate?,
                std_error: answer.std_error,
                interval: answer.interval,
                p_adjusted: answer.p_adjusted,
            })
        });
        let words = trait_words(study, name);
        let comparative = match (&*words, study.values) {
            (_, Values::BirdMasses) if name == BODY_WEIGHT => "was heavier than".to_owned(),
            ("fat" | "lean" | "bone", Values::BirdMasses) => {
                format!("had more {words} than")
            }
            _ => format!("had a greater {words} than"),
        };
        let none = spans.is_empty() && alike.is_empty();
        Self {
            is_main: Some(one.trait_index) == study.main_trait(),
            reason: match one.notes.last() {
                Some(note) if none => note.clone(),
                None if none => "the groups could not be compared".to_owned(),
                _ => String::new(),
            },
            spans,
            alike,
            at_ages: at_ages.collect(),
            trait_name: words,
            comparative,
            ages: naming.ages,
        }
    }

    /// From which ages which group has more, at most this number of groups in full.
    #[must_use]
    pub fn sentence(&self, most: usize) -> Sentence {
        if !self.reason.is_empty() {
            return Sentence::plain(format!("Not compared: {}.", self.reason));
        }
        if let Some(sentence) = self.against_mean(most) {
            return sentence;
        }
        let mut groups: Vec<&str> = Vec::new();
        for span in &self.spans {
            if !groups.contains(&span.more.as_str()) {
                groups.push(&span.more);
            }
        }
        let clauses: Vec<String> = groups
            .iter()
            .take(most)
            .map(|more| {
                let than = self.exceeded(more);
                let last = than.len() - 1;
                let than: Vec<String> = than
                    .iter()
                    .enumerate()
                    .map(|(place, (less, ages))| {
                        let join = match place {
                            0 => "",
                            place if place == last => " and than ",
                            _ => ", than ",
                        };
                        format!("{join}{less} {}", listed(ages))
                    })
                    .collect();
                format!("{more} {} {}", self.comparative, than.concat())
            })
            .collect();
        let mut rest = String::new();
        if groups.len() > most {
            rest += &match groups.len() - most {
                1 => " 1 more group stands out.".to_owned(),
                more => format!(" {more} more groups stand out."),
            };
        }
        match self.alike.as_slice() {
            [] => {}
            pairs if clauses.is_empty() => {
                let who = match pairs {
                    [(a, b)] => format!("{a} and {b}"),
                    _ => "No two groups".to_owned(),
                };
                return Sentence::plain(format!(
                    "{who} were {}shown to differ in {} at any age.",
                    if pairs.len() == 1 { "not " } else { "" },
                    self.trait_name
                ));
            }
            pairs if pairs.len() <= 2 => {
                let pairs: Vec<String> =
                    pairs.iter().map(|(a, b)| format!("{a} and {b}")).collect();
                rest += &format!(" {} were not shown to differ at any age.", pairs.join("; "));
            }
            pairs => {
                rest += &format!(
                    " {} pairs were not shown to differ at any age.",
                    pairs.len()
                );
            }
        }
        Sentence::plain(format!("{}.{rest}", clauses.join("; ")))
    }

    /// The groups that one exceeds, and at which ages.
    fn exceeded(&self, more: &str) -> Vec<(&str, Vec<String>)> {
        let mut all: Vec<(&str, Vec<String>)> = Vec::new();
        for span in self.spans.iter().filter(|span| span.more == more) {
            match all.iter_mut().find(|(less, _)| *less == span.less) {
                Some((_, ages)) => ages.push(span.ages(self.ages)),
                None => all.push((&span.less, vec![span.ages(self.ages)])),
            }
        }
        all
    }

    /// Which groups stand out from the mean of all, where they are compared with it.
    fn against_mean(&self, most: usize) -> Option<Sentence> {
        let of = |more: bool| {
            let own = self.spans.iter().filter(move |span| {
                let mean = if more { &span.less } else { &span.more };
                mean == MEAN_OF_ALL
            });
            let own = own.map(move |span| {
                let group = if more { &span.more } else { &span.less };
                format!("{group} {}", span.ages(self.ages))
            });
            own.collect::<Vec<String>>()
        };
        let (above, below) = (of(true), of(false));
        let mut clauses = Vec::new();
        for (groups, side) in [(above, "above"), (below, "below")] {
            if !groups.is_empty() {
                clauses.push(format!("{side} it {}", some_of(&groups, most)));
            }
        }
        (!clauses.is_empty()).then(|| {
            Sentence::plain(format!(
                "Compared with the mean of all groups in {}, most clearly {}.",
                self.trait_name,
                clauses.join("; ")
            ))
        })
    }

    /// The same in short pieces.
    #[must_use]
    pub fn pieces(&self) -> Vec<String> {
        if !self.reason.is_empty() {
            return vec![self.reason.clone()];
        }
        let mut pairs: Vec<(String, Vec<String>)> = Vec::new();
        for span in &self.spans {
            let pair = span.short();
            match pairs.iter_mut().find(|(known, _)| *known == pair) {
                Some((_, ages)) => ages.push(span.ages(self.ages)),
                None => pairs.push((pair, vec![span.ages(self.ages)])),
            }
        }
        let mut pieces: Vec<String> = pairs
            .iter()
            .map(|(pair, ages)| format!("{pair} {}", ages.join(", ")))
            .collect();
        match self.alike.len() {
            0 => {}
            _ if pieces.is_empty() => pieces.push("none at any age".to_owned()),
            1 => pieces.push("no difference in 1 pair".to_owned()),
            n => pieces.push(format!("no difference in {n} pairs")),
        }
        pieces
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn span(more: &str, less: &str, from_d: f64, to_d: Option<f64>) -> Span {
        Span {
            more: more.to_owned(),
            less: less.to_owned(),
            from_d,
            to_d,
        }
    }

    fn found(spans: Vec<Span>, alike: &[(&str, &str)]) -> Differences {
        Differences {
            trait_name: "body weight".to_owned(),
            is_main: true,
            spans,
            alike: alike
                .iter()
                .map(|(a, b)| ((*a).to_owned(), (*b).to_owned()))
                .collect(),
            reason: String::new(),
            at_ages: Vec::new(),
            comparative: "was heavier than".to_owned(),
            ages: AgeUnit::Days,
        }
    }

    #[test]
    fn a_group_is_named_once_with_those_it_exceeds() {
        let spans = vec![
            span("Alder", "Birch", 77.0, None),
            span("Alder", "Cedar", 47.0, None),
            span("Birch", "Cedar", 109.0, Some(126.0)),
            span("Birch", "Cedar", 130.0, None),
        ];
        let all = found(spans, &[]);
        assert_eq!(
            all.sentence(9).to_string(),
            "Alder was heavier than Birch from 77 d and than Cedar from 47 d; Birch was heavier than Cedar from 109 to 126 d and from 130 d."
        );
        assert_eq!(
            all.sentence(1).to_string(),
            "Alder was heavier than Birch from 77 d and than Cedar from 47 d. 1 more group stands out."
        );
        assert_eq!(
            all.pieces(),
            [
                "Alder > Birch from 77 d",
                "Alder > Cedar from 47 d",
                "Birch > Cedar from 109 to 126 d, from 130 d"
            ]
        );
    }

    #[test]
    fn groups_that_do_not_differ_are_reported_as_not_shown_to_differ() {
        let one = found(Vec::new(), &[("A", "B")]);
        assert_eq!(
            one.sentence(9).to_string(),
            "A and B were not shown to differ in body weight at any age."
        );
        let all = found(Vec::new(), &[("A", "B"), ("A", "C"), ("B", "C")]);
        assert_eq!(
            all.sentence(9).to_string(),
            "No two groups were shown to differ in body weight at any age."
        );
    }
}
