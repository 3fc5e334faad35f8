//! What is planned from: a pilot study or a saved population.

use std::path::Path;
use std::sync::Arc;

use super::{FIXED_BY, PlanArgs};
use crate::analysis::usual_curves;
use crate::cli::output::Output;
use crate::error::{Error, Result};
use crate::fit::Settings;
use crate::fit::mixed::{Correlation, Estimator, Population};
use crate::growth::{self, Curve};
use crate::study::{BODY_WEIGHT, Study};
use crate::trajectory::{
    BirdPopulation, PopulationRequest, RandomTerms, Request, TraitModel, Trajectories,
};

/// What is planned from: a population, and where its data were.
pub(super) struct Basis {
    pub(super) population: Population,
    pub(super) strains: Vec<String>,
    /// The trait that it is of.
    pub(super) trait_name: String,
    /// First and last age of its data, d.
    pub(super) span_d: (f64, f64),
    /// Where it comes from, in words.
    pub(super) from: String,
    /// SD between the pilot's pens on the log scale; `None` where that is not known.
    pub(super) pen_sd: Option<f64>,
}

impl Basis {
    fn of(known: BirdPopulation, whose: &str, output: &mut Output) -> Self {
        if known.origin.status != "converged" {
            output.findings.warnings.push(format!(
                "{whose} fit of all birds at once is weak: {}; what is planned from it is as uncertain",
                known.origin.reasons.join("; ")
            ));
        }
        let groups = 0..known.groups.len();
        let spans = groups.map(|group| known.age_span(group));
        let span_d = spans.fold((f64::INFINITY, f64::NEG_INFINITY), |span, own| {
            (span.0.min(own.0), span.1.max(own.1))
        });
        let strains: Vec<String> = known.groups.iter().map(|one| one.name.clone()).collect();
        let population = known.population;
        Self {
            from: format!(
                "Planned from {whose} fit of {} to {} records of {} of {} birds ({}).",
                population.curve().name(),
                population.observations(),
                known.origin.trait_name.replace('_', " "),
                population.subjects(),
                strains.join(", ")
            ),
            trait_name: known.origin.trait_name,
            population,
            strains,
            span_d,
            pen_sd: None,
        }
    }
}

fn no_records(path: &Path) -> Error {
    Error::input(format!(
        "{}: found no records to fit, expected repeated weighings of birds",
        path.display()
    ))
}

/// That the pilot supports another curve than the one named, with how clearly.
fn less_supported(supported: &TraitModel, name: &str) -> Option<String> {
    let best = supported.curve();
    let curves = supported.curves();
    let aicc = |name: &str| {
        let of = curves.iter().find(|tried| tried.curve.name() == name)?;
        Some(of.likelihood?.aicc)
    };
    let (of_best, of_named) = (aicc(best.name())?, aicc(name)?);
    Some(format!(
        "--curve {name}: the pilot supports {} better (AICc {of_best:.1}, {name} {of_named:.1}); what {name} misses is taken for scatter of the weighings, and ages that only the other curve needs, such as those around a pre-lay growth spurt, are not planned for; leave --curve out to plan by {}",
        best.name(),
        best.name()
    ))
}

impl PlanArgs {
    pub(super) fn basis(&self, output: &mut Output) -> Result<Basis> {
        match (&self.path, &self.from.population) {
            (Some(path), _) => self.pilot(path, output),
            (None, Some(file)) => self.saved(file, output),
            (None, None) => Err(Error::call(
                "plan: found neither a pilot nor a population, expected a study folder or table of a pilot, or --population FILE (fit --level population saves one); name one of them",
            )),
        }
    }

    /// The mixed fit of a pilot.
    fn pilot(&self, path: &Path, output: &mut Output) -> Result<Basis> {
        let mut study = if path.is_dir() {
            Study::read_folder(path)?
        } else {
            Study::read_table(path, &self.columns.ready())?
        };
        output.take(&study, path)?;
        self.only_trait(&mut study)?;
        let supported = self.model(&study, path, self.curves(&study)?)?;
        let named = match &self.from.curve {
            Some(name) if *name != *supported.curve().name() => {
                let own = self.model(&study, path, vec![growth::find(name, &self.cards()?)?])?;
                output
                    .findings
                    .warnings
                    .extend(less_supported(&supported, name));
                own
            }
            _ => supported,
        };
        let fit = named.growth().ok_or_else(|| no_records(path))?;
        let known = fit.bird_population(&study, FIXED_BY)?.ok_or_else(|| {
            Error::input(format!(
                "{}: the {} of all the pilot's birds at once failed ({}), expected a fit to plan from; take another --curve, fewer --random terms, or --population FILE",
                path.display(),
                fit.curve.name(),
                fit.outcome.reasons().join("; ")
            ))
        })?;
        Ok(Basis {
            pen_sd: fit.pen_sd(),
            ..Basis::of(known, "the pilot's", output)
        })
    }

    /// A population that an earlier fit saved.
    fn saved(&self, file: &Path, output: &mut Output) -> Result<Basis> {
        let known = BirdPopulation::read(file, &self.cards()?)?;
        output.enter_file(file)?;
        Ok(Basis::of(known, "a saved", output))
    }

    /// Leaves the trait that is planned for: the one named, else body weight or the only one.
    fn only_trait(&self, study: &mut Study) -> Result<()> {
        let known: Vec<&str> = study
            .traits
            .iter()
            .map(|records| records.name.as_str())
            .collect();
        let name = match (&self.columns.r#trait, known.as_slice()) {
            (Some(name), _) => name.as_str(),
            (None, [only]) => only,
            (None, _) => BODY_WEIGHT,
        };
        let Some(at) = known.iter().position(|known| *known == name) else {
            return Err(Error::call(format!(
                "--trait {name}: no such trait, expected one of {}; of corrected masses, plan from the population that fit --level population saves",
                known.join(", ")
            )));
        };
        study.traits = vec![study.traits.swap_remove(at)];
        Ok(())
    }

    /// Curves that the pilot may support: the study's, or the usual ones, and the one named.
    pub(super) fn curves(&self, study: &Study) -> Result<Vec<Arc<dyn Curve>>> {
        let cards = self.cards()?;
        let own = study.settings.fit.curves.iter().map(String::as_str);
        let mut names: Vec<&str> = own.collect();
        if names.is_empty() {
            names.extend(usual_curves(study));
        }
        names.extend(self.from.curve.as_deref());
        let mut curves: Vec<Arc<dyn Curve>> = Vec::new();
        for name in names {
            if curves.iter().all(|curve| curve.name() != name) {
                curves.push(growth::find(name, &cards)?);
            }
        }
        // Random terms are named for some of them.
        let has = |curve: &Arc<dyn Curve>, name: &String| {
            curve.terms().iter().any(|term| term.name == name.as_str())
        };
        let named = &self.from.random;
        if curves
            .iter()
            .any(|curve| named.iter().all(|name| has(curve, name)))
        {
            curves.retain(|curve| named.iter().all(|name| has(curve, name)));
        }
        Ok(curves)
    }

    /// The model of all the pilot's birds, its curve chosen among these by likelihood.
    fn model(&self, study: &Study, path: &Path, curves: Vec<Arc<dyn Curve>>) -> Result<TraitModel> {
        let request = self.request(curves)?;
        let mut models = Trajectories::fit(study, &request, &|_| {}).models;
        models.pop().ok_or_else(|| no_records(path))
    }

    fn request(&self, curves: Vec<Arc<dyn Curve>>) -> Result<Request> {
        let from = &self.from;
        let request = Request {
            curves,
            birds: false,
            strains: false,
            settings: Settings::default(),
            hatch_weight_g: None,
            population: Some(PopulationRequest {
                random: match from.random.as_slice() {
                    [] => RandomTerms::Chosen,
                    names => RandomTerms::Named(names.to_vec()),
                },
                scale: from.random_scale,
                covariance: from.covariance,
                variance: from.variance,
                correlation: from.correlation,
                estimator: Estimator::Alternating,
                criterion: None,
                groups: FIXED_BY.to_vec(),
                pens: self.limits.pens.is_some(),
                allometry: false,
            }),
            correlation: Correlation::None,
        };
        crate::trajectory::check(&request)?;
        Ok(request)
    }

    pub(super) fn cards(&self) -> Result<Vec<Arc<dyn Curve>>> {
        match &self.from.cards {
            Some(folder) => growth::read_cards(folder),
            None => Ok(Vec::new()),
        }
    }

    /// Takes the requested number of strains in place of the one.
    pub(super) fn repeat_strain(&self, basis: &mut Basis) -> Result<()> {
        let Some(count) = self.from.strains else {
            return Ok(());
        };
        let found = basis.strains.len();
        if count == found {
            return Ok(());
        }
        if found != 1 || count == 0 {
            return Err(Error::call(format!(
                "--strains {count}: found {found} in the pilot or population, expected as many, or a pilot of one strain that others are taken to grow like; leave the option out"
            )));
        }
        basis.population = basis.population.with_groups_alike(count)?;
        for number in 2..=count {
            basis.strains.push(format!("{} {number}", basis.strains[0]));
        }
        Ok(())
    }
}
