//! How the groups grew, and what they were made of.

use super::super::Paper;
use super::super::words::{self, capital, count, curve, spaced};
use super::{estimate, group, of};
use crate::analysis::Answer;
use crate::fit::Estimates;
use crate::fit::interval;
use crate::growth::{Curve, Derived};
use crate::report::pictures::file_name;
use crate::report::prose::listed;
use crate::report::text::density_sentences;
use crate::trajectory::{Level, TraitModel};

impl Paper<'_> {
    pub(super) fn growth(&self, answers: &[Answer]) -> Vec<String> {
        let study = &self.analysis.study;
        let trajectories = &self.analysis.growth.trajectories;
        let mut all = Vec::new();
        for (trait_index, records) in study.traits.iter().enumerate() {
            match trajectories
                .model(trait_index)
                .filter(|model| model.status() != "failed")
            {
                Some(model) => all.push(self.modelled_trait(model, answers)),
                None => all.extend(self.pooled_trait(trait_index, &records.name)),
            }
        }
        let densities = density_sentences(self.analysis, study.age_unit());
        all.extend(densities.iter().map(|sentence| {
            format!(
                "{} (table densities).",
                sentence.to_string().trim_end_matches('.')
            )
        }));
        if !all.is_empty() {
            all.push("[State what these curves show of the birds, and whether the records reach the ages that they are used for.]".to_owned());
        }
        all
    }

    /// A trait by its model: typical masses at the last age, peaks of gain.
    fn modelled_trait(&self, model: &TraitModel, answers: &[Answer]) -> String {
        let name = &self.analysis.study.traits[model.trait_index].name;
        let of_curve = model.curve();
        let see = self.see("terms.tex", &format!("population_{}", file_name(name)));
        let mut text = match model.allometry() {
            None => format!(
                "The {} model of {} was estimated from {} records of {} {see}.",
                curve(of_curve.name()),
                spaced(name),
                model.cohort().records(),
                count(model.cohort().birds.len(), "bird")
            ),
            Some(fit) => format!(
                "The allometric model of {} was estimated from {} scans of {} {see}.",
                spaced(name),
                fit.n,
                count(fit.birds_scanned, "bird")
            ),
        };
        let masses = of(answers, "typical_mass", name);
        let last_d = masses
            .iter()
            .filter_map(|one| one.age_d)
            .fold(f64::MIN, f64::max);
        let at_last: Vec<String> = masses
            .iter()
            .filter(|one| one.age_d.is_some_and(|age_d| age_d >= last_d))
            .map(|one| format!("{} for {}", estimate(one), group(one)))
            .collect();
        if !at_last.is_empty() {
            let birds = if at_last.len() == 1 { "bird" } else { "birds" };
            text += &format!(
                " At {}, the estimated {} of the typical {birds} was {} (estimate \u{b1} SE).",
                self.ages().show(last_d),
                mass_words(name),
                listed(&at_last)
            );
        }
        if model.allometry().is_none() {
            let groups = model.groups().iter().enumerate();
            let groups: Vec<(&str, Estimates)> = groups
                .filter_map(|(at, one)| Some((&*one.name, model.typical(at)?)))
                .collect();
            text += &self.landmarks(&*of_curve, &groups);
        } else if let Some(exponents) = self.exponents(model) {
            text += &exponents;
        }
        if model.status() == "weak" {
            text += &format!(
                " Parameters that the data did not support ({}) are not reported.",
                model.reasons().join("; ")
            );
        }
        text
    }

    /// Where growth was fastest.
    fn landmarks(&self, curve: &dyn Curve, groups: &[(&str, Estimates)]) -> String {
        let level = self.analysis.confidence;
        let each = |what: Derived| {
            let one = |(name, estimates): &(&str, Estimates)| {
                let found = interval::derived(curve, estimates, what, level).ok()?;
                Some(format!(
                    "{} in {name}",
                    words::estimate(&found, self.unit(what.unit()))
                ))
            };
            groups.iter().filter_map(one).collect::<Vec<_>>()
        };
        let mut text = String::new();
        for (what, words) in [
            (Derived::Mature, "Mature weight was"),
            (Derived::InflectionRate, "The maximum growth rate was"),
            (Derived::InflectionAge, "The age at inflection was"),
            (Derived::FirstPeakAge, "Gain first peaked at an age of"),
            (Derived::SecondPeakAge, "The pre-lay growth spurt peaked at"),
        ] {
            let found = each(what);
            if !found.is_empty() {
                text += &format!(" {words} {}.", listed(&found));
            }
        }
        text
    }

    /// The allometric exponents, where they are the whole of the shape.
    fn exponents(&self, model: &TraitModel) -> Option<String> {
        let curve = model.curve();
        let terms = curve.terms();
        let at = terms.iter().position(|term| term.name == "b")?;
        if terms
            .iter()
            .any(|term| term.name.starts_with("bend") || term.name == "b_change")
        {
            return None;
        }
        let level = self.analysis.confidence;
        let mut found: Vec<(String, String)> = Vec::new();
        for (place, group) in model.groups().iter().enumerate() {
            let estimates = model.typical(place)?;
            let exponent = interval::term(&*curve, &estimates, at, level).ok()?;
            found.push((words::estimate(&exponent, ""), group.name.clone()));
        }
        let (first, _) = found.first()?;
        if found.iter().all(|(words, _)| words == first) {
            return Some(format!(" The allometric exponent was {first}."));
        }
        let each: Vec<String> = found
            .iter()
            .map(|(words, name)| format!("{words} in {name}"))
            .collect();
        Some(format!(" The allometric exponent was {}.", listed(&each)))
    }

    /// A trait without a model, by pooled fits of its best curve.
    fn pooled_trait(&self, trait_index: usize, name: &str) -> Option<String> {
        let trajectories = &self.analysis.growth.trajectories;
        let strains = || trajectories.of(Level::Strain, trait_index);
        let Some(best) = trajectories.best_of_strains(trait_index) else {
            let first = strains().next()?;
            let reason = first.fits.first().map(|fit| fit.outcome.reason())?;
            return Some(format!(
                "No curve could be fitted to the {} of any strain ({reason}).",
                spaced(name)
            ));
        };
        let study = &self.analysis.study;
        let mut groups: Vec<(&str, Estimates)> = Vec::new();
        let mut without: Vec<&str> = Vec::new();
        for fits in strains() {
            let strain = &*study.strains[fits.subject.strain];
            let fit = fits.fits.iter().find(|fit| fit.curve.name() == best.name());
            let supported = fit.filter(|fit| fit.outcome.status() == "converged");
            match supported.and_then(|fit| fit.outcome.estimates()) {
                Some(estimates) => groups.push((strain, estimates.clone())),
                None => without.push(strain),
            }
        }
        let see = self.see("terms.tex", &format!("growth_{}", file_name(name)));
        let mut text = format!(
            "{} was described by a {} curve fitted to the pooled records of each strain {see}.",
            capital(&spaced(name)),
            curve(best.name())
        );
        text += &self.landmarks(&*best, &groups);
        if !without.is_empty() {
            text += &format!(
                " The curve of {} was not supported by the data, and its parameters are not reported.",
                listed(&without)
            );
        }
        Some(text)
    }
}

/// "body weight", "fat mass".
fn mass_words(name: &str) -> String {
    match name {
        "fat" | "lean" | "bone" => format!("{name} mass"),
        other => spaced(other),
    }
}
