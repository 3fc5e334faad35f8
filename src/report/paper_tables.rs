//! The tables of a paper: terms and contrasts as text that is ready to print.
//!
//! The full numbers stand in `curve_terms.csv` and `contrasts.csv`; here they are
//! rounded to what their standard errors support. A weak fit's rows say so in `note`; a
//! failed fit has one row, without numbers, that says why.

use crate::contrast::{Compared, Comparison};
use crate::fit::estimable::NotEstimable;
use crate::fit::interval::{self, Estimate};
use crate::fit::profile::Quantity;
use crate::fit::{Outcome, Variance};
use crate::growth::{Curve, Derived};
use crate::report::Table;
use crate::report::rounding;
use crate::study::Study;
use crate::trajectory::{
    Level, PopulationFit, SubjectFits, TraitModel, Trajectories, derived_quantities,
};

/// What the tables tell beside the curves' terms.
#[derive(Debug, Clone)]
pub struct PaperWishes {
    /// Confidence of the intervals.
    pub confidence: f64,
    /// Ages at which the value is told, d.
    pub ages_d: Vec<f64>,
    /// Masses whose age is told, g.
    pub masses_g: Vec<f64>,
}

impl PaperWishes {
    /// The derived quantities of the paper's tables: landmarks, ages of these masses and
    /// values at these ages. Rates at single ages stay in the full tables.
    fn derived(&self) -> Vec<Derived> {
        let all = derived_quantities(&self.ages_d, &self.masses_g).into_iter();
        all.filter(|what| !matches!(what, Derived::RateAt(_) | Derived::RelativeRateAt(_)))
            .collect()
    }
}

/// Whose row it is, in words.
struct Whose<'a> {
    trait_name: &'a str,
    strain: &'a str,
    model: &'static str,
    curve: &'a str,
    birds: usize,
    records: usize,
    note: String,
}

/// `paper_terms.csv`: each strain by the curve that its trait is compared by, pooled and,
/// where all birds were fitted at once, as the typical bird of the best mixed model.
#[must_use]
pub fn paper_terms(study: &Study, trajectories: &Trajectories, wishes: &PaperWishes) -> Table {
    let mut table = Table::new(
        "paper_terms",
        &[
            "trait",
            "strain",
            "model",
            "curve",
            "term",
            "unit",
            "estimate_se",
            "interval",
            "birds",
            "records",
            "note",
        ],
    );
    for trait_index in 0..study.traits.len() {
        let strains: Vec<&SubjectFits> = trajectories.of(Level::Strain, trait_index).collect();
        let best = trajectories.best_of_strains(trait_index);
        for fits in strains {
            let best = best.as_ref().map(|curve| curve.name());
            strain_rows(&mut table, study, fits, best, wishes);
        }
        if let Some(model) = trajectories.model(trait_index) {
            population_rows(&mut table, study, model, wishes);
        }
    }
    table
}

fn words(name: &str) -> String {
    name.replace('_', " ")
}

/// A derived quantity's name as it is printed: `age_at_50pct` is "age at 50 %".
fn printed(what: Derived) -> String {
    let name = words(&what.name());
    let (ending, unit) = match what {
        Derived::AgeAtFraction(_) => ("pct", "%"),
        Derived::AgeAtValue(_) => ("g", "g"),
        Derived::ValueAt(_) => ("d", "d"),
        _ => return name,
    };
    match name.strip_suffix(ending) {
        Some(number) => format!("{number} {unit}"),
        None => name,
    }
}

/// The cells of one row after its model and curve.
///
/// What the data do not determine has the reason in its note in place of numbers.
fn row(
    table: &mut Table,
    whose: &Whose<'_>,
    (term, unit): (&str, &str),
    estimate: &Result<Estimate, NotEstimable>,
) {
    let (printed, interval, reason) = match estimate {
        Ok(Estimate {
            value,
            standard_error,
            interval,
        }) => (
            rounding::estimate_and_error(*value, *standard_error),
            rounding::interval(*interval, *standard_error),
            match standard_error {
                Some(_) => String::new(),
                None => "no standard error".to_owned(),
            },
        ),
        Err(reason) => (
            String::new(),
            String::new(),
            format!("not estimable: {reason}"),
        ),
    };
    let notes = [whose.note.as_str(), &reason];
    let notes: Vec<&str> = notes.into_iter().filter(|note| !note.is_empty()).collect();
    let note = notes.join("; ");
    begin(table, whose)
        .text(term)
        .text(unit)
        .text(&printed)
        .text(&interval)
        .whole(whose.birds)
        .whole(whose.records)
        .text(&note);
}

fn begin<'a>(table: &'a mut Table, whose: &Whose<'_>) -> crate::report::table::Row<'a> {
    let mut row = table.row();
    row.text(&words(whose.trait_name))
        .text(whose.strain)
        .text(whose.model)
        .text(whose.curve);
    row
}

/// A fit without numbers: its reason alone.
fn failed(table: &mut Table, whose: &Whose<'_>) {
    begin(table, whose)
        .text("")
        .text("")
        .text("")
        .text("")
        .whole(whose.birds)
        .whole(whose.records)
        .text(&whose.note);
}

/// All terms of a curve and what follows from them.
fn curve_rows(
    table: &mut Table,
    whose: &Whose<'_>,
    curve: &dyn Curve,
    estimates: &crate::fit::Estimates,
    wishes: &PaperWishes,
) {
    let level = wishes.confidence;
    let mut values = Vec::new();
    for (index, term) in curve.terms().iter().enumerate() {
        let estimate = interval::term(curve, estimates, index, level);
        values.extend(estimate.as_ref().ok().map(|estimate| estimate.value));
        row(table, whose, (&term.name, &term.unit), &estimate);
    }
    for what in wishes.derived() {
        let estimate = interval::derived(curve, estimates, what, level);
        // A term of the curve by another name, such as A and the mature weight.
        let is_a_term = match &estimate {
            Ok(estimate) => values
                .iter()
                .any(|value| value.to_bits() == estimate.value.to_bits()),
            Err(reason) => *reason == NotEstimable::Absent,
        };
        if !is_a_term {
            row(table, whose, (&printed(what), what.unit()), &estimate);
        }
    }
}

fn strain_rows(
    table: &mut Table,
    study: &Study,
    fits: &SubjectFits,
    best: Option<&str>,
    wishes: &PaperWishes,
) {
    let subject = fits.subject;
    let records = &study.traits[subject.trait_index];
    let with_records = |bird: &usize| !records.of(*bird).1.is_empty();
    let shared = fits.fits.iter().find(|fit| Some(fit.curve.name()) == best);
    let Some(fit) = shared.or(fits.fits.first()) else {
        return;
    };
    let mut whose = Whose {
        trait_name: &records.name,
        strain: &study.strains[subject.strain],
        model: "pooled",
        curve: fit.curve.name(),
        birds: study.birds_of(subject.strain).filter(with_records).count(),
        records: fit.outcome.n(),
        note: String::new(),
    };
    match &fit.outcome {
        Outcome::Failed(_) => {
            whose.note = format!("no fit: {}", fit.outcome.reason());
            failed(table, &whose);
        }
        Outcome::Weak(estimates, _) => {
            whose.note = format!("weak: {}", fit.outcome.reason());
            curve_rows(table, &whose, &*fit.curve, estimates, wishes);
        }
        Outcome::Converged(estimates) => {
            curve_rows(table, &whose, &*fit.curve, estimates, wishes);
        }
    }
}

fn population_rows(table: &mut Table, study: &Study, model: &TraitModel, wishes: &PaperWishes) {
    let reasons = model.reasons().join("; ");
    let note = match model.status() {
        "converged" => String::new(),
        "weak" => format!("weak: {reasons}"),
        _ => format!("no fit: {reasons}"),
    };
    let curve = model.curve();
    let all = Whose {
        trait_name: &study.traits[model.trait_index].name,
        strain: "all",
        model: "mixed",
        curve: curve.name(),
        birds: model.cohort().birds.len(),
        records: model.cohort().records(),
        note,
    };
    if model.status() == "failed" {
        failed(table, &all);
        return;
    }
    for (at, group) in model.groups().iter().enumerate() {
        let Some(estimates) = model.typical(at) else {
            continue;
        };
        let (birds, records) = model.counts(at);
        let whose = Whose {
            strain: &group.name,
            birds,
            records,
            note: all.note.clone(),
            ..all
        };
        curve_rows(table, &whose, &*curve, &estimates, wishes);
    }
    if let Some(fit) = model.fitted() {
        spread_rows(table, &all, fit, wishes.confidence);
    }
}

/// How birds differ about the typical one.
fn spread_rows(table: &mut Table, all: &Whose<'_>, fit: &PopulationFit, confidence: f64) {
    let Some(mixed) = fit.outcome.fit() else {
        return;
    };
    let terms = fit.curve.terms();
    for (name, estimate) in mixed.spread_terms(&*fit.curve, confidence) {
        let effect = mixed
            .random
            .iter()
            .find(|effect| name == format!("sd({})", terms[effect.term].name));
        // On the log scale a standard deviation is a share, and has no unit.
        let unit = match effect.map(|effect| (effect.scale, &terms[effect.term].unit)) {
            Some((crate::fit::mixed::TermScale::Natural, unit)) => unit.as_ref(),
            None if name == "sigma" && fit.options.variance == Variance::Constant => "g",
            _ => "",
        };
        let printed = match effect {
            Some(effect) => format!("SD between birds of {}", terms[effect.term].name),
            None if name == "sigma" => "residual SD".to_owned(),
            None => words(&name),
        };
        row(table, all, (&printed, unit), &estimate);
    }
}

/// `paper_contrasts.csv`: the terms and quantities of the paper's terms table, each pair
/// of groups; a curve that could not be compared has one row that says why.
#[must_use]
pub fn paper_contrasts(study: &Study, comparison: &Comparison, wishes: &PaperWishes) -> Table {
    let mut table = Table::new(
        "paper_contrasts",
        &[
            "trait",
            "curve",
            "term",
            "unit",
            "comparison",
            "difference_se",
            "interval",
            "percent",
            "p_adjusted",
            "note",
        ],
    );
    let derived = wishes.derived();
    for compared in &comparison.compared {
        let trait_name = words(&study.traits[compared.trait_index].name);
        let note = compared.notes.join("; ");
        if compared.joint.is_none() {
            let mut row = table.row();
            row.text(&trait_name).text(&compared.curve);
            for _ in 2..9 {
                row.text("");
            }
            row.text(&format!("not compared: {note}"));
            continue;
        }
        contrast_rows(
            &mut table,
            comparison,
            compared,
            (&trait_name, &derived, &note),
        );
    }
    table
}

fn contrast_rows(
    table: &mut Table,
    comparison: &Comparison,
    compared: &Compared,
    (trait_name, derived, note): (&str, &[Derived], &str),
) {
    let names = &comparison.groups.names;
    for contrast in &compared.contrasts {
        let term = match contrast.quantity {
            Quantity::Term(_) => contrast.term.clone(),
            // Said by the term A already.
            Quantity::Derived(Derived::Mature) if has_term(compared, "A") => continue,
            Quantity::Derived(what) if derived.contains(&what) => printed(what),
            Quantity::Derived(_) => continue,
        };
        let error = contrast.standard_error;
        // The percentage is the difference on another scale: as many digits of it.
        let percent = contrast.percent.map(|percent| {
            let scaled = error.filter(|_| contrast.difference != 0.0);
            let scaled = scaled.map(|error| (error * percent / contrast.difference).abs());
            match scaled {
                Some(error) => rounding::Digits::of_error(error).write(percent),
                None => rounding::significant(percent, 2),
            }
        });
        table
            .row()
            .text(trait_name)
            .text(&compared.curve)
            .text(&term)
            .text(&contrast.unit)
            .text(&format!(
                "{} \u{2212} {}",
                names[contrast.a],
                contrast.b.name(names)
            ))
            .text(&rounding::estimate_and_error(contrast.difference, error))
            .text(&rounding::interval(contrast.interval, error))
            .text(&percent.unwrap_or_default())
            .text(
                &contrast
                    .p_adjusted
                    .map_or_else(String::new, rounding::chance),
            )
            .text(note);
    }
}

fn has_term(compared: &Compared, name: &str) -> bool {
    let terms = compared.contrasts.iter();
    terms
        .filter(|contrast| matches!(contrast.quantity, Quantity::Term(_)))
        .any(|contrast| contrast.term == name)
}
