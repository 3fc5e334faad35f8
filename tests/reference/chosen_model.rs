//! The model that is chosen for body weight, against R's nlme, which linearises alike, and gnls.
//!
//! Values, versions and script: `reference/chosen_model/SOURCE.md`.

use std::sync::Arc;

use pinfeather::fit::mixed::{Criterion, MixedFit, MixedModel};
use pinfeather::growth::{Curve, built_in};
use pinfeather::study::{Bird, FixedEffectOf, Records, Study};
use pinfeather::trajectory::{PopulationRequest, TraitModel};

use crate::support::{close, expected, number, numbers, reference, root};

/// A study from a table of subject, group (where there is one), age and value.
fn study(file: &str, grouped: bool) -> Study {
    let mut study = Study::default();
    let mut records = Records {
        name: "body_weight".to_owned(),
        starts: vec![0],
        ..Records::default()
    };
    let mut table = csv::Reader::from_path(reference(file)).expect("table");
    for row in table.records() {
        let row = row.expect("row");
        let strain = if grouped { &row[1] } else { "all" };
        if study.birds.last().is_none_or(|bird| bird.name != row[0]) {
            if !study.birds.is_empty() {
                records.starts.push(records.values.len());
            }
            let known = study.strains.iter().position(|name| name == strain);
            let strain = known.unwrap_or_else(|| {
                study.strains.push(strain.to_owned());
                study.strains.len() - 1
            });
            study.birds.push(Bird {
                name: row[0].to_owned(),
                strain,
                pen: None,
                treatment: None,
                block: None,
                hatch_date: None,
            });
        }
        let at = if grouped { 2 } else { 1 };
        records.ages_d.push(row[at].parse().expect("age"));
        records.values.push(row[at + 1].parse().expect("value"));
    }
    records.starts.push(records.values.len());
    study.traits.push(records);
    study
}

/// The model chosen among these curves, and its fit by maximum likelihood.
fn chosen(study: &Study, curves: &[&str]) -> (TraitModel, Box<MixedFit>) {
    let curves: Vec<Arc<dyn Curve>> = curves
        .iter()
        .map(|name| built_in(name).expect("curve"))
        .collect();
    let wanted = PopulationRequest {
        pens: false,
        ..PopulationRequest::chosen(vec![FixedEffectOf::Strain])
    };
    let model = TraitModel::choose(study, &study.traits[0], 0, (&curves, None), &wanted);
    let model = model.expect("a model");
    let of = model.fitted().expect("numbers").clone();
    let mut options = of.options.clone();
    options.criterion = Criterion::Likelihood;
    let again = MixedModel::new(&*of.curve, &options).expect("options");
    let fit = again
        .fit(&of.cohort.subjects().expect("subjects"))
        .into_fit();
    (model, fit.expect("a fit"))
}

/// Log-likelihood within 1e-3, fixed effects, their errors and the spreads within 1e-3 of
/// themselves.
fn as_by_r(name: &str, model: &TraitModel, fit: &MixedFit) {
    let theirs = &expected("chosen_model/expected.json")[name];
    let options = &model.fitted().expect("numbers").options;
    let log_lik = number(&theirs["logLik"]);
    assert!(
        (fit.log_lik - log_lik).abs() < 1e-3,
        "{name} {options:?}: {} and {log_lik}",
        fit.log_lik
    );
    let (values, errors) = (numbers(&theirs["fixed"]), numbers(&theirs["fixed_se"]));
    assert_eq!(fit.fixed.len(), values.len(), "{name}");
    for ((effect, value), error) in fit.fixed.iter().zip(values).zip(errors) {
        close(name, effect.value, value, 1e-3);
        close(name, effect.standard_error, error, 1e-3);
    }
    for (effect, sd) in fit.random.iter().zip(numbers(&theirs["random_sd"])) {
        close(name, effect.standard_deviation, sd, 1e-3);
    }
    close(name, fit.sigma, number(&theirs["sigma"]), 1e-3);
}

#[test]
fn orange_trees_are_fitted_as_by_nlme() {
    let study = study("nlme_examples/orange.csv", false);
    let (model, fit) = chosen(&study, &["gompertz", "logistic"]);
    as_by_r("orange", &model, &fit);
}

/// No term differs between birds once a bird's errors are correlated.
#[test]
fn chicks_on_four_diets_are_fitted_as_by_gnls() {
    let study = study("chickweight_mixed/chickweight.csv", true);
    let (model, fit) = chosen(&study, &["gompertz", "logistic"]);
    assert!(fit.random.is_empty(), "{:?}", fit.random);
    let theirs = &expected("chosen_model/expected.json")["chicks"];
    let power = number(&theirs["power"]);
    close("power", fit.power.expect("estimated").value, power, 1e-6);
    let correlation = number(&theirs["correlation_a_day"]);
    close(
        "correlation",
        fit.ar1.expect("estimated").value,
        correlation,
        1e-6,
    );
    as_by_r("chicks", &model, &fit);
}

/// The curve named, so that the choice takes seconds.
#[test]
fn the_demo_is_fitted_as_by_lme_in_alternation() {
    let study = Study::read_folder(&root("data-demo")).expect("demo");
    let (model, fit) = chosen(&study, &["two-phase-gompertz"]);
    as_by_r("demo", &model, &fit);
}
