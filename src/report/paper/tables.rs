//! The tables of a paper: for each trait the groups' parameters side by side, and the
//! differences between groups. The full numbers are in `curve_terms.csv` and `contrasts.csv`;
//! here they are rounded to what their standard errors support, and nothing that the data do
//! not determine is printed.

use super::Paper;
use super::latex::{Cell, PREAMBLE, Printed};
use super::letters::letters;
use super::words::{
    SIGNIFICANT, capital, curve, derived, groups, quantity, spaced, term, with_unit,
};
use crate::age::AgeUnit;
use crate::contrast::{Against, Compared, Contrast};
use crate::fit::Estimates;
use crate::fit::estimable::NotEstimable;
use crate::fit::interval::{self, Estimate};
use crate::fit::profile::Quantity;
use crate::growth::{Curve, Derived};
use crate::report::rounding;
use crate::trajectory::{Level, SubjectFits, TraitModel};

/// Above this number of groups they are the rows of the table.
const MOST_COLUMNS: usize = 6;

/// The groups of one trait and what describes each.
struct Described<'a> {
    trait_index: usize,
    curve: &'a dyn Curve,
    /// "mixed model", "pooled fits".
    how: &'static str,
    groups: Vec<Group<'a>>,
    /// Terms that are another trait's.
    borrowed: usize,
    ages_d: Vec<f64>,
}

struct Group<'a> {
    name: &'a str,
    estimates: Estimates,
    birds: usize,
    records: usize,
}

/// A parameter of the groups.
struct Parameter {
    quantity: Quantity,
    name: String,
    unit: String,
    values: Vec<Result<Estimate, NotEstimable>>,
}

impl Paper<'_> {
    /// `terms.tex`: a table of parameters for each trait; `None` where nothing describes one.
    pub(crate) fn terms_tex(&self) -> Option<String> {
        let study = &self.analysis.study;
        let traits = 0..study.traits.len();
        let tables: Vec<String> = traits.filter_map(|at| self.terms_of(at)).collect();
        (!tables.is_empty()).then(|| self.worded(format!("{PREAMBLE}{}", tables.join("\n"))))
    }

    fn terms_of(&self, trait_index: usize) -> Option<String> {
        let trajectories = &self.analysis.growth.trajectories;
        let model = trajectories.model(trait_index);
        if let Some(model) = model.filter(|model| model.status() != "failed") {
            let curve = model.curve();
            return Some(self.print(&self.modelled(model, &*curve)));
        }
        let curve = trajectories.best_of_strains(trait_index)?;
        let strains = trajectories.of(Level::Strain, trait_index);
        let groups: Vec<Group<'_>> = strains
            .filter_map(|fits| self.pooled(fits, &*curve))
            .collect();
        let described = Described {
            trait_index,
            curve: &*curve,
            how: "pooled fits of each strain",
            groups,
            borrowed: 0,
            ages_d: self.analysis.ages_d.clone(),
        };
        (!described.groups.is_empty()).then(|| self.print(&described))
    }

    fn modelled<'a>(&self, model: &'a TraitModel, curve: &'a dyn Curve) -> Described<'a> {
        let groups = model.groups().iter().enumerate();
        let groups = groups.filter_map(|(at, group)| {
            let (birds, records) = model.counts(at);
            Some(Group {
                name: &group.name,
                estimates: model.typical(at)?,
                birds,
                records,
            })
        });
        Described {
            trait_index: model.trait_index,
            curve,
            how: "mixed model",
            groups: groups.collect(),
            borrowed: borrowed(model),
            ages_d: self.analysis.ages_of(model),
        }
    }

    fn pooled<'a>(&'a self, fits: &'a SubjectFits, curve: &dyn Curve) -> Option<Group<'a>> {
        let study = &self.analysis.study;
        let subject = fits.subject;
        let fit = fits
            .fits
            .iter()
            .find(|fit| fit.curve.name() == curve.name())?;
        let records = &study.traits[subject.trait_index];
        let weighed = |bird: &usize| !records.of(*bird).1.is_empty();
        Some(Group {
            name: &study.strains[subject.strain],
            estimates: fit.outcome.estimates()?.clone(),
            birds: study.birds_of(subject.strain).filter(weighed).count(),
            records: fit.outcome.n(),
        })
    }

    fn parameters(&self, described: &Described<'_>) -> Vec<Parameter> {
        let level = self.analysis.confidence;
        let curve = described.curve;
        let groups = &described.groups;
        let name = &*self.analysis.study.traits[described.trait_index].name;
        let terms = curve.terms().iter().enumerate().skip(described.borrowed);
        let mut parameters: Vec<Parameter> = terms
            .map(|(at, of)| Parameter {
                quantity: Quantity::Term(at),
                name: quantity(&of.name, name, self.ages()),
                unit: self.unit(&of.unit).to_owned(),
                values: groups
                    .iter()
                    .map(|group| interval::term(curve, &group.estimates, at, level))
                    .collect(),
            })
            .collect();
        for what in derived(&described.ages_d) {
            let of = |group: &Group<'_>| interval::derived(curve, &group.estimates, what, level);
            let values: Vec<_> = groups.iter().map(of).collect();
            // A term by another name, such as A and the mature weight.
            let value = |value: &Result<Estimate, NotEstimable>| {
                value.as_ref().ok().map(|one| one.value.to_bits())
            };
            let mut before = parameters.iter();
            let is_a_term = before.any(|one| {
                let mut pairs = one.values.iter().zip(&values);
                pairs.all(|(one, next)| value(one).is_some() && value(one) == value(next))
            });
            if !is_a_term {
                parameters.push(Parameter {
                    quantity: Quantity::Derived(what),
                    name: quantity(&what.name(), name, self.ages()),
                    unit: self.unit(what.unit()).to_owned(),
                    values,
                });
            }
        }
        // What no group has is not on paper.
        parameters.retain(|one| one.values.iter().any(Result::is_ok));
        parameters
    }

    /// How the groups of a trait were compared, where they were.
    fn compared(&self, trait_index: usize) -> Option<&Compared> {
        let found = self.analysis.differences.as_ref()?;
        let mut compared = found.comparison.compared.iter();
        compared.find(|one| one.trait_index == trait_index && one.joint.is_some())
    }

    /// The contrasts of one quantity of a trait.
    fn contrasts_of(&self, compared: &Compared, quantity: Quantity) -> Vec<Contrast> {
        if let Quantity::Derived(Derived::ValueAt(age_d)) = quantity {
            return self.analysis.masses_compared(compared, age_d).0;
        }
        let all = compared.contrasts.iter();
        all.filter(|one| one.quantity == quantity)
            .cloned()
            .collect()
    }

    /// Which groups differ in a parameter: letters in pairs, an asterisk against the mean.
    fn marks(&self, described: &Described<'_>, parameter: &Parameter) -> Option<Vec<String>> {
        let compared = self.compared(described.trait_index)?;
        let names = &self.analysis.differences.as_ref()?.comparison.groups.names;
        let contrasts = self.contrasts_of(compared, parameter.quantity);
        let place = |group: usize| {
            described
                .groups
                .iter()
                .position(|one| one.name == names[group])
        };
        let n = described.groups.len();
        if contrasts.iter().any(|one| one.b == Against::MeanOfAll) {
            let mut marks = vec![String::new(); n];
            for one in &contrasts {
                if one.p_adjusted.is_some_and(|p| p < SIGNIFICANT) {
                    marks[place(one.a)?] = "*".to_owned();
                }
            }
            return Some(marks);
        }
        // Letters need every pair.
        let mut pairs: Vec<(usize, usize, f64)> = Vec::new();
        for one in &contrasts {
            if let Against::Group(b) = one.b {
                let (a, b) = (place(one.a)?, place(b)?);
                pairs.push((a.min(b), a.max(b), one.p_adjusted?));
            }
        }
        if n < 2 || pairs.len() != n * (n - 1) / 2 {
            return None;
        }
        let values: Option<Vec<f64>> = parameter
            .values
            .iter()
            .map(|one| Some(one.as_ref().ok()?.value))
            .collect();
        let differ = |a: usize, b: usize| {
            let mut pairs = pairs.iter();
            pairs.any(|(one, next, p)| (*one, *next) == (a, b) && *p < SIGNIFICANT)
        };
        Some(letters(&values?, differ))
    }

    fn print(&self, described: &Described<'_>) -> String {
        let name = &self.analysis.study.traits[described.trait_index].name;
        let parameters = self.parameters(described);
        let mut marked = None;
        let mut unsupported = false;
        let mut matrix: Vec<(String, Vec<Cell>)> = Vec::new();
        for parameter in &parameters {
            let marks = self.marks(described, parameter);
            let cell = |(at, value): (usize, &Result<Estimate, NotEstimable>)| match value {
                Ok(one) => Cell {
                    words: rounding::estimate_and_error(one.value, one.standard_error),
                    mark: marks
                        .as_ref()
                        .map_or_else(String::new, |marks| marks[at].clone()),
                },
                Err(_) => "\u{2013}".into(),
            };
            let cells = parameter.values.iter().enumerate().map(cell).collect();
            unsupported |= parameter.values.iter().any(Result::is_err);
            if let Some(marks) = &marks {
                let star = marks.iter().any(|mark| mark == "*");
                marked = marked.max(Some(u8::from(star)));
            }
            let label = match &*parameter.unit {
                "" => parameter.name.clone(),
                unit => format!("{}, {}", parameter.name, with_unit("", unit).trim()),
            };
            matrix.push((label, cells));
        }
        let groups_named: Vec<String> = described
            .groups
            .iter()
            .map(|group| group.name.to_owned())
            .collect();
        let counts = described
            .groups
            .iter()
            .map(|group| format!("{} ({})", group.birds, group.records).into());
        matrix.push(("birds (records)".to_owned(), counts.collect()));
        let by = self.groups();
        let (headings, rows) = if groups_named.len() <= MOST_COLUMNS {
            let headings = [String::new()].into_iter().chain(groups_named);
            let rows = matrix.into_iter().map(|(label, cells)| {
                let label = [Cell::from(capital_of_words(&label))].into_iter();
                label.chain(cells).collect()
            });
            (headings.collect(), rows.collect())
        } else {
            let labels = matrix.iter().map(|(label, _)| label.clone());
            let headings = [by.to_owned()].into_iter().chain(labels).collect();
            let rows = groups_named.iter().enumerate().map(|(at, name)| {
                let cells = matrix.iter().map(|(_, cells)| cells[at].clone());
                [Cell::from(name.clone())]
                    .into_iter()
                    .chain(cells)
                    .collect()
            });
            (headings, rows.collect())
        };
        Printed {
            caption: format!(
                "{} by {by}: parameters of the {} ({}), estimate \u{b1} SE",
                capital(&spaced(name)),
                curve_caption(described.curve.name()),
                described.how
            ),
            label: format!("tab:terms-{}", name.replace('_', "-")),
            headings,
            rows,
            notes: notes(described, marked, unsupported, by),
        }
        .longtable()
    }

    /// What sets the groups apart.
    pub(super) fn groups(&self) -> &'static str {
        let comparison = self.options.comparison.as_ref();
        comparison.map_or("strain", |comparison| groups(&comparison.by))
    }

    /// `contrasts.tex`: the parameters of `terms.tex`, pair by pair; `None` without a comparison.
    pub(crate) fn contrasts_tex(&self) -> Option<String> {
        let comparison = &self.analysis.differences.as_ref()?.comparison;
        let names = &comparison.groups.names;
        let trajectories = &self.analysis.growth.trajectories;
        let mut rows: Vec<Vec<Cell>> = Vec::new();
        for compared in &comparison.compared {
            let Some(joint) = &compared.joint else {
                continue;
            };
            let name = &self.analysis.study.traits[compared.trait_index].name;
            let (ages_d, borrowed) = match trajectories.model(compared.trait_index) {
                Some(model) => (self.analysis.ages_of(model), borrowed(model)),
                None => (self.analysis.ages_d.clone(), 0),
            };
            let terms = joint.curves[0].terms();
            let of_terms = (borrowed..terms.len()).map(Quantity::Term);
            let has_asymptote = terms.iter().any(|term| term.name == "A");
            let of_curve = derived(&ages_d).into_iter().map(Quantity::Derived);
            let of_curve =
                of_curve.filter(|one| !has_asymptote || *one != Quantity::Derived(Derived::Mature));
            for quantity in of_terms.chain(of_curve) {
                for one in self.contrasts_of(compared, quantity) {
                    rows.push(contrast_row(
                        (name, self.unit(&one.unit), self.ages()),
                        names,
                        &one,
                    ));
                }
            }
        }
        if rows.is_empty() {
            return None;
        }
        let by = self.groups();
        let headings = [
            "Trait",
            "Parameter",
            "Comparison",
            "Difference \u{b1} SE",
            &format!("{} CI", self.percent()),
            "%",
            "Adjusted P",
        ]
        .map(str::to_owned);
        let printed = Printed {
            caption: format!("Differences between {by}s"),
            label: "tab:contrasts".to_owned(),
            headings: headings.into(),
            rows,
            notes: vec![format!(
                "CI, confidence interval of the single comparison; %, difference as a percentage of the second {by}'s value. {}.",
                capital(&self.adjustment())
            )],
        };
        Some(self.worded(format!("{PREAMBLE}{}", printed.longtable())))
    }
}

/// Terms of a model that are those of body weight, which the trait follows by allometry.
fn borrowed(model: &TraitModel) -> usize {
    let curve = model.curve();
    let of_weight = curve
        .terms()
        .iter()
        .filter(|term| term.name.starts_with("weight_"));
    model.allometry().map_or(0, |_| of_weight.count())
}

/// "two-phase Gompertz curve", "allometry on the ... curve of body weight".
fn curve_caption(name: &str) -> String {
    let words = curve(name);
    if words.starts_with("allometry") {
        words
    } else {
        format!("{words} curve")
    }
}

/// With a capital, but of a term's symbol such as k or ti.
fn capital_of_words(label: &str) -> String {
    if label.contains(' ') && !label.starts_with(|c: char| c == 'k' || label.starts_with("ti")) {
        capital(label)
    } else {
        label.to_owned()
    }
}

/// Notes under a table of terms.
fn notes(
    described: &Described<'_>,
    marked: Option<u8>,
    unsupported: bool,
    by: &str,
) -> Vec<String> {
    let terms = described.curve.terms().iter().skip(described.borrowed);
    let symbols: Vec<String> = terms
        .filter(|of| term(&of.name, AgeUnit::Days) == *of.name)
        .map(|of| format!("{}, {}", of.name, of.meaning))
        .collect();
    let mut notes = Vec::new();
    let typical = match described.how {
        "mixed model" => "Values are of the typical bird (random effects at zero). ",
        _ => "",
    };
    notes.push(format!(
        "{typical}Standard errors have two significant digits.{}{}",
        if symbols.is_empty() { "" } else { " " },
        match symbols.as_slice() {
            [] => String::new(),
            symbols => format!("{}.", symbols.join("; ")),
        }
    ));
    notes.extend(match marked {
        Some(0) => Some(format!(
            "Within a row, {by}s without a common superscript differ (adjusted P < {SIGNIFICANT}); values common to all {by}s have none."
        )),
        Some(_) => Some(format!(
            "* differs from the mean of all {by}s (adjusted P < {SIGNIFICANT})."
        )),
        None => None,
    });
    if unsupported {
        let note = "\u{2013}, not estimable from these data (reasons in curve_terms.csv).";
        notes.push(note.to_owned());
    }
    notes
}

fn contrast_row(
    (trait_name, unit, ages): (&str, &str, AgeUnit),
    names: &[String],
    one: &Contrast,
) -> Vec<Cell> {
    let error = one.standard_error;
    // The percentage is the difference on another scale: as many digits of it.
    let percent = one.percent.map(|percent| {
        let scaled = error.filter(|_| one.difference != 0.0);
        match scaled.map(|error| (error * percent / one.difference).abs()) {
            Some(error) => rounding::Digits::of_error(error).write(percent),
            None => rounding::significant(percent, 2),
        }
    });
    let name = quantity(&one.term, trait_name, ages);
    let parameter = match unit {
        "" => name,
        unit => format!("{name}, {}", with_unit("", unit).trim()),
    };
    vec![
        capital(&spaced(trait_name)).into(),
        parameter.into(),
        format!("{} \u{2212} {}", names[one.a], one.b.name(names)).into(),
        rounding::estimate_and_error(one.difference, error).into(),
        rounding::interval(one.interval, error).into(),
        percent.unwrap_or_default().into(),
        one.p_adjusted
            .map_or_else(String::new, rounding::chance)
            .into(),
    ]
}
