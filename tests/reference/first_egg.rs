//! First eggs given growth against R's densities and against quadrature over a bird's terms.
//!
//! Where the numbers come from: `tests/reference/first_egg/SOURCE.md`.

use std::fmt::Write as _;
use std::sync::Arc;

use pinfeather::fit::Variance;
use pinfeather::fit::mixed::{
    Correlation, Covariance, Criterion, Estimator, GroupedTerms, MixedOptions, Population,
    PopulationNumbers, RandomTerm,
};
use pinfeather::growth::{Curve, built_in};
use pinfeather::maturity::Spurts;
use pinfeather::stats::measured_event::{
    EventTerms, Subject, event_posterior, log_likelihood, moments,
};
use pinfeather::stats::time_to_event::EventTime;
use pinfeather::study::{FixedEffectOf, Study};
use pinfeather::trajectory::{BirdPopulation, KnownGroup, Origin};
use serde_json::Value;

use crate::support::{close_within, expected, number, numbers};

fn birds(file: &Value) -> (Vec<Subject>, Vec<EventTime>) {
    let (group, offset) = (numbers(&file["group"]), numbers(&file["offset"]));
    let (deviations, covariance) = (numbers(&file["deviations"]), numbers(&file["covariance"]));
    let lower = numbers(&file["lower"]);
    let kinds = file["kind"].as_array().unwrap();
    let upper = file["upper"].as_array().unwrap();
    let subject = |at: usize| Subject {
        group: usize::from(group[at] > 0.5),
        offset: offset[at],
        deviations: deviations[2 * at..2 * at + 2].to_vec(),
        covariance: covariance[4 * at..4 * at + 4].to_vec(),
    };
    let time = |at: usize| match kinds[at].as_str().unwrap() {
        "exact" => EventTime::Exact(lower[at]),
        "after" => EventTime::After(lower[at]),
        "before" => EventTime::Before(number(&upper[at])),
        _ => EventTime::Between(lower[at], number(&upper[at])),
    };
    let n = group.len();
    ((0..n).map(subject).collect(), (0..n).map(time).collect())
}

#[test]
fn the_likelihood_of_first_eggs_is_that_by_r() {
    let file = expected("first_egg/likelihood.json");
    let (subjects, times) = birds(&file);
    let spreads = numbers(&file["spreads"]);
    let points = file["points"].as_array().unwrap();
    let values = numbers(&file["log_likelihood"]);
    assert_eq!(points.len(), values.len());
    for (point, value) in points.iter().zip(values) {
        let terms = EventTerms::of_numbers(&numbers(point), 2).unwrap();
        let found = log_likelihood(&terms, &spreads, &subjects, &times);
        // The points are written with 12 digits.
        close_within(found, value, 1e-8 * value.abs(), "log-likelihood");
    }
}

/// Two chains, one of them not ours: means within five Monte Carlo errors and 3 % of an SD
/// (that of our own draws, whose proposals are taken half of the time), SDs within 8 %.
#[test]
fn the_posterior_is_that_of_a_random_walk_in_r() {
    let file = expected("first_egg/likelihood.json");
    let (subjects, times) = birds(&file);
    let found = event_posterior(&subjects, &times, 2, (40_000, 3)).unwrap();
    let (mean, covariance) = moments(&found.draws);
    let (means, sds) = (
        numbers(&file["posterior_mean"]),
        numbers(&file["posterior_sd"]),
    );
    let errors = numbers(&file["monte_carlo_error"]);
    for (at, name) in ["lag 1", "lag 2", "spurt", "A2", "sigma", "share", "delay"]
        .into_iter()
        .enumerate()
    {
        let off = 5.0 * errors[at] + 0.03 * sds[at];
        close_within(mean[at], means[at], off, name);
        let sd = covariance[at * 7 + at].sqrt();
        close_within(sd, sds[at], 0.08 * sds[at], name);
    }
    // The widths are weighed by Laplace's approximation, the walk's by its visits.
    for (found, expected) in found.weights.iter().zip(numbers(&file["width_weights"])) {
        close_within(*found, expected, 0.08, "weight of a width");
    }
}

/// The population that `one_bird.py` has: two terms differ, nothing is uncertain about it.
fn population(curve: Arc<dyn Curve>) -> BirdPopulation {
    let options = MixedOptions {
        grouped: GroupedTerms::All,
        random: vec![RandomTerm::log("A2"), RandomTerm::natural("ti2")],
        ordered: vec![("ti1".to_owned(), "ti2".to_owned())],
        covariance: Covariance::Diagonal,
        variance: Variance::LogNormal,
        correlation: Correlation::None,
        criterion: Criterion::Likelihood,
        estimator: Estimator::Laplace,
        ..MixedOptions::default()
    };
    let numbers = PopulationNumbers {
        groups: 1,
        fixed: vec![1380.0, 0.03, 42.0, 400.0, 0.085, 120.0],
        fixed_covariance: vec![0.0; 36],
        random_covariance: vec![0.01, 0.0, 0.0, 0.0025],
        sigma: 0.02,
        power: None,
        ar1: None,
        subjects: 1000,
        observations: 18_000,
    };
    BirdPopulation {
        population: Population::new(curve, &options, &numbers).unwrap(),
        groups: vec![KnownGroup {
            name: "line".to_owned(),
            birds: 1000,
            first_age_d: 0.0,
            last_age_d: 168.0,
        }],
        origin: Origin {
            trait_name: "body_weight".to_owned(),
            unit: "g".to_owned(),
            fixed_by: vec![FixedEffectOf::Strain],
            status: "converged".to_owned(),
            reasons: Vec::new(),
            usual_variance_g2: None,
            study: String::new(),
            note: String::new(),
            input_digest: String::new(),
            fingerprint: pinfeather::study::Fingerprint::default(),
            saved_by: String::new(),
        },
        first_egg: None,
        file: String::new(),
    }
}

/// A study of one bird of the line.
fn study(ages_d: &[f64], values: &[f64]) -> Study {
    let folder = tempfile::tempdir().unwrap();
    let mut weighings = "bird,age_d,weight_g\n".to_owned();
    for (age_d, value) in ages_d.iter().zip(values) {
        writeln!(weighings, "one,{age_d},{value}").unwrap();
    }
    let settings =
        "name = \"one bird\"\n[tables]\nbirds = \"birds.csv\"\nweighings = \"weighings.csv\"\n";
    for (name, text) in [
        ("birds.csv", "bird,strain\none,line\n"),
        ("weighings.csv", &weighings),
        ("study.toml", settings),
    ] {
        std::fs::write(folder.path().join(name), text).unwrap();
    }
    Study::read_folder(folder.path()).unwrap()
}

#[test]
fn a_birds_first_egg_given_its_weighings_is_that_by_quadrature() {
    let file = expected("first_egg/one_bird.json");
    let curve = built_in("two-phase-gompertz").unwrap();
    let population = population(curve);
    for (at, bird) in file["birds"].as_array().unwrap().iter().enumerate() {
        let (ages_d, values) = (numbers(&bird["ages"]), numbers(&bird["values"]));
        let study = study(&ages_d, &values);
        let spurts = Spurts::of_saved(&study, &population, &[]).unwrap().unwrap();
        assert_eq!(spurts.terms, ["ti2", "A2"]);
        let subject = spurts.birds[0].as_ref().unwrap();
        let terms =
            EventTerms::of_numbers(&[17.0, 0.0, -1.5, 2.8_f64.ln(), -30.0, 3.0], 1).unwrap();
        let (mean, sd) = terms.expect(&[4.0, 0.1], subject);
        // The mode of a skewed posterior lies off its mean: by a sixth of an SD at the most
        // while the spurt lies ahead, less once it was weighed.
        let what = format!("bird {at}");
        close_within(mean, number(&bird["mean"]), 0.16 * sd, &what);
        close_within(sd, number(&bird["sd"]), 0.08 * sd, &what);
    }
}
