//! Simulated studies with pens, against R's simulation and the expected information.
//!
//! Values, versions and script: `reference/plan/SOURCE.md`.

use std::sync::Arc;

use pinfeather::fit::Variance;
use pinfeather::fit::mixed::{
    GroupedTerms, MixedOptions, Population, PopulationNumbers, RandomScale, RandomTerm,
};
use pinfeather::growth::{Curve, Derived, built_in};
use pinfeather::plan::confirm::{Confirmation, Layout, Studies, confirm, detect_difference};
use pinfeather::plan::{
    Aim, Allocation, Amount, Estimand, ExpectedPrecision, Pens, Requirement, Sampling, Schedule,
    Target, targets,
};

use crate::pens::line;
use crate::support::{expected, number};

/// Two groups whose birds differ in the first term.
fn population(
    curve: Arc<dyn Curve>,
    terms: [&[f64]; 2],
    (scale, sd): (RandomScale, f64),
    (variance, sigma): (Variance, f64),
) -> Population {
    let random = RandomTerm {
        term: curve.terms()[0].name.to_string(),
        scale,
    };
    let options = MixedOptions {
        grouped: GroupedTerms::All,
        random: vec![random],
        variance,
        ..MixedOptions::default()
    };
    let count = 2 * terms[0].len();
    let numbers = PopulationNumbers {
        groups: 2,
        fixed: (0..terms[0].len())
            .flat_map(|term| [terms[0][term], terms[1][term]])
            .collect(),
        fixed_covariance: vec![0.0; count * count],
        random_covariance: vec![sd * sd],
        sigma,
        power: None,
        ar1: None,
        subjects: 48,
        observations: 192,
    };
    Population::new(curve, &options, &numbers).expect("a population")
}

/// Three hundred studies of 24 birds a group in four pens.
struct Simulation<'p> {
    population: &'p Population,
    ages_d: &'p [f64],
    pen_sd: f64,
    requirement: Requirement,
}

const BIRDS: usize = 24;
const STUDIES: Studies = Studies {
    count: 300,
    seed: 3,
    level: 0.95,
};

impl Simulation<'_> {
    fn layout(&self) -> Layout<'_> {
        Layout {
            allocation: Allocation {
                groups: 2,
                pens: Some(Pens {
                    per_group: 4,
                    sd: self.pen_sd,
                }),
            },
            birds: BIRDS,
            ages_d: self.ages_d,
        }
    }

    fn run(&self, targets: &[Target]) -> Confirmation {
        let wanted = (targets, std::slice::from_ref(&self.requirement));
        let found = confirm(self.population, self.layout(), wanted, STUDIES, &|| {});
        found.expect("ages")
    }

    /// Expected standard error of a target, and what the requirement reaches.
    fn expected(&self, target: &Target) -> (f64, f64) {
        let schedule = Schedule {
            ages_d: self.ages_d.to_vec(),
            sampling: Sampling::Repeated,
        };
        let of_one = ExpectedPrecision::of(self.population, &schedule).expect("determined");
        let variance = of_one
            .variance(self.population, target)
            .expect("a variance");
        let allocation = self.layout().allocation;
        let error = allocation.standard_error(target, variance, BIRDS);
        let reached = (allocation, STUDIES.level);
        (
            error,
            self.requirement.reached(target, variance, BIRDS, reached),
        )
    }
}

fn detect(name: &str, size: f64) -> Requirement {
    Requirement {
        name: name.to_owned(),
        aim: Aim::Detect {
            size: Amount::Units(size),
            power: 0.8,
        },
    }
}

/// Four standard errors of the difference of two SDs of normal values, relative.
fn bound(one: f64, other: f64) -> f64 {
    4.0 * (0.5 / one + 0.5 / other).sqrt()
}

#[test]
fn lines_of_birds_in_pens_are_simulated_as_by_lme4() {
    let r = expected("plan/pens.json");
    let curve: Arc<dyn Curve> = Arc::new(line());
    let terms: [&[f64]; 2] = [&[50.0, 9.0], &[39.0, 9.0]];
    let natural = (RandomScale::Natural, 8.0);
    let population = population(curve, terms, natural, (Variance::Constant, 5.0));
    let simulation = Simulation {
        population: &population,
        ages_d: &[7.0, 14.0, 21.0, 28.0],
        pen_sd: 0.08,
        requirement: detect("a", 11.0),
    };
    let targets = targets(&population, &[]);
    let is_it = |one: &Target| one.name == "a" && matches!(one.what, Estimand::Contrast(_));
    let at = targets.iter().position(is_it).expect("a contrast");
    let (error, power) = simulation.expected(&targets[at]);
    let found = simulation.run(&targets);
    assert_eq!(found.failed, 0);
    let ours = found.targets[at].expect("determined");
    println!("{ours:?}; expected {error}, {power}; R {r}");
    let (n, of_r) = (STUDIES.count as f64, number(&r["studies"]));
    let sd = number(&r["sd"]);
    assert!((ours.standard_error / sd - 1.0).abs() < bound(n, of_r));
    assert!((ours.standard_error / error - 1.0).abs() < bound(n, f64::INFINITY));
    assert!((sd / error - 1.0).abs() < bound(of_r, f64::INFINITY));
    // Shares: four binomial errors of the difference.
    let near = |a: f64, b: f64, m: f64| (a - b).abs() < 4.0 * (0.25 / n + 0.25 / m).sqrt();
    let simulated = ours.power.expect("a requirement");
    assert!(near(simulated, number(&r["power"]), of_r));
    assert!(near(simulated, power, f64::INFINITY));
    assert!((ours.coverage - 0.95).abs() < 4.0 * (0.95 * 0.05 / n).sqrt());
    let true_difference = (&targets[at], 11.0);
    let layout = simulation.layout();
    let seen = detect_difference(&population, layout, true_difference, STUDIES, &|| {});
    assert!(near(
        seen.expect("ages").expect("a contrast"),
        power,
        f64::INFINITY
    ));
}

/// One factor of both asymptotes of a pen's birds: weights and terms have the errors that the
/// expected information and the pens give together.
#[test]
fn curves_of_birds_in_pens_have_the_expected_errors() {
    let curve: Arc<dyn Curve> = built_in("gompertz").expect("a curve");
    let terms: [&[f64]; 2] = [&[2000.0, 0.03, 55.0], &[1800.0, 0.03, 52.0]];
    let log = (RandomScale::Log, 0.07);
    let population = population(curve, terms, log, (Variance::Proportional, 0.03));
    let simulation = Simulation {
        population: &population,
        ages_d: &[14.0, 42.0, 70.0, 98.0, 126.0, 154.0],
        pen_sd: 0.04,
        requirement: detect("A", 200.0),
    };
    let targets = targets(&population, &[Derived::ValueAt(84.0)]);
    let found = simulation.run(&targets);
    let mut seen = 0;
    for (target, simulated) in targets.iter().zip(&found.targets) {
        let known = matches!(target.what, Estimand::Value(_) | Estimand::Contrast(_));
        let Some(simulated) = simulated.filter(|_| known) else {
            continue;
        };
        seen += 1;
        let (error, power) = simulation.expected(target);
        let n = STUDIES.count as f64;
        let ratio = simulated.standard_error / error;
        assert!(
            (ratio - 1.0).abs() < bound(n, f64::INFINITY),
            "{} {ratio}",
            target.name
        );
        // Four binomial errors; covariances rest on six degrees of freedom, as t has.
        let off = simulated.coverage - 0.95;
        assert!(
            off.abs() < 4.0 * (0.95 * 0.05 / n).sqrt(),
            "{} {off}",
            target.name
        );
        if let Some(simulated) = simulated.power.filter(|_| target.name == "A") {
            assert!(
                (simulated - power).abs() < 4.0 * (0.25 / n).sqrt(),
                "{simulated} {power}"
            );
        }
    }
    assert_eq!(seen, 4 * 3);
}

/// What pens add to a weight of two phases: they scale both asymptotes, so that the weight
/// itself, not the root of the sum of the phases' squares, varies by their SD.
#[test]
fn a_pen_scales_both_phases_of_a_curve() {
    let curve: Arc<dyn Curve> = built_in("two-phase-gompertz").expect("a curve");
    let terms: [&[f64]; 2] = [
        &[1380.0, 0.03, 42.0, 400.0, 0.085, 120.0],
        &[1180.0, 0.0315, 39.0, 330.0, 0.09, 115.0],
    ];
    let log = (RandomScale::Log, 0.07);
    let population = population(curve.clone(), terms, log, (Variance::Proportional, 0.02));
    let targets = targets(&population, &[Derived::ValueAt(120.0)]);
    let of_weight = targets.iter().filter(|one| one.name.contains("120"));
    let of_one: Vec<&Target> = of_weight
        .filter(|one| matches!(one.what, Estimand::Value(_)))
        .collect();
    assert_eq!(of_one.len(), 2);
    for (target, terms) in of_one.iter().zip(terms) {
        let weight = curve.value(120.0, terms);
        assert!((target.between_pens.sqrt() / weight - 1.0).abs() < 1e-9);
    }
}
