//! Plans against exact information, textbook sample sizes, known optimal designs and
//! simulated studies.
//!
//! Values, versions and script: `reference/plan/SOURCE.md`.

use std::sync::Arc;

use pinfeather::fit::Variance;
use pinfeather::fit::mixed::{
    Correlation, Covariance, GroupedTerms, MixedOptions, Population, PopulationNumbers, RandomTerm,
};
use pinfeather::fit::profile::Quantity;
use pinfeather::growth::{Curve, Derived, Term, built_in};
use pinfeather::plan::confirm::{Layout, Studies, confirm, detect_difference};
use pinfeather::plan::schedule::{Limits, criterion, efficiency, optimum};
use pinfeather::plan::{
    Aim, Allocation, Amount, Estimand, ExpectedPrecision, Requirement, Sampling, Schedule, Target,
    standard_error, targets,
};

use crate::support::{expected, numbers};

/// Birds as units, of two strains.
fn by_birds(birds: usize, ages_d: &[f64]) -> Layout<'_> {
    Layout {
        allocation: Allocation::of_birds(2),
        birds,
        ages_d,
    }
}

/// Value and slopes in the terms, at an age.
type Formula = fn(f64, &[f64], &mut [f64]) -> f64;

/// A curve of a formula alone.
#[derive(Debug)]
struct Plain {
    terms: Vec<Term>,
    formula: Formula,
}

fn plain(names: &[&'static str], formula: Formula) -> Arc<dyn Curve> {
    let terms = names.iter().map(|name| Term {
        name: (*name).into(),
        meaning: "".into(),
        unit: "".into(),
        lower: f64::NEG_INFINITY,
        upper: f64::INFINITY,
    });
    Arc::new(Plain {
        terms: terms.collect(),
        formula,
    })
}

impl Curve for Plain {
    fn name(&self) -> &str {
        "plain"
    }
    fn terms(&self) -> &[Term] {
        &self.terms
    }
    fn value_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        (self.formula)(age_d, terms, gradient)
    }
    fn slope_and_gradient(&self, _: f64, _: &[f64], gradient: &mut [f64]) -> f64 {
        gradient.fill(f64::NAN);
        f64::NAN
    }
    fn value(&self, age_d: f64, terms: &[f64]) -> f64 {
        (self.formula)(age_d, terms, &mut vec![0.0; terms.len()])
    }
    fn start(&self, attempt: usize, _: &[f64], values: &[f64], terms: &mut [f64]) -> bool {
        terms.fill(0.1);
        terms[0] = values.iter().sum::<f64>() / 10.0;
        attempt == 0
    }
    fn derived(&self, _: Derived, _: &[f64], _: &mut [f64]) -> Option<f64> {
        None
    }
}

fn line(age: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
    gradient.copy_from_slice(&[1.0, age]);
    terms[0] + terms[1] * age
}

fn constant(_: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
    gradient[0] = 1.0;
    terms[0]
}

fn saturating(age: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
    let decay = (-terms[1] * age).exp();
    gradient.copy_from_slice(&[1.0 - decay, terms[0] * age * decay]);
    terms[0] * (1.0 - decay)
}

fn michaelis(age: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
    let below = terms[1] + age;
    gradient.copy_from_slice(&[age / below, -terms[0] * age / (below * below)]);
    terms[0] * age / below
}

/// A population with separate fixed effects in each group; those of its groups in a row.
fn population(
    curve: Arc<dyn Curve>,
    options: MixedOptions,
    groups: &[&[f64]],
    random_covariance: &[f64],
    sigma: f64,
    (power, ar1): (Option<f64>, Option<f64>),
) -> Population {
    let p = curve.terms().len();
    let fixed: Vec<f64> = (0..p)
        .flat_map(|term| groups.iter().map(move |terms| terms[term]))
        .collect();
    let options = MixedOptions {
        grouped: GroupedTerms::All,
        ..options
    };
    let numbers = PopulationNumbers {
        groups: groups.len(),
        fixed_covariance: vec![0.0; fixed.len() * fixed.len()],
        fixed,
        random_covariance: random_covariance.to_vec(),
        sigma,
        power,
        ar1,
        subjects: 50,
        observations: 500,
    };
    Population::new(curve, &options, &numbers).expect("a population")
}

fn random(terms: &[&str]) -> MixedOptions {
    MixedOptions {
        random: terms.iter().map(|term| RandomTerm::natural(term)).collect(),
        ..MixedOptions::default()
    }
}

/// Fewest digits in which the numbers agree; of a matrix, relative to the sizes of its
/// diagonal, since an entry near 0 has no significant digits.
fn digits<'a>(found: impl IntoIterator<Item = &'a f64>, expected: &[f64], n: usize) -> f64 {
    let mut fewest = f64::INFINITY;
    for (at, found) in found.into_iter().enumerate() {
        let size = (expected[(at / n) * n + at / n] * expected[(at % n) * n + at % n])
            .abs()
            .sqrt();
        let error = (found - expected[at]).abs() / size;
        fewest = fewest.min(-error.max(1e-17).log10());
    }
    fewest
}

#[test]
fn a_linear_mixed_model_is_predicted_exactly() {
    let all = expected("plan/expected.json");
    let linear = &all["linear"];
    let options = MixedOptions {
        covariance: Covariance::Full,
        ..random(&["a", "b"])
    };
    let curve = plain(&["a", "b"], line);
    let (fixed, spread) = (
        numbers(&linear["fixed"]),
        numbers(&linear["random_covariance"]),
    );
    let sigma = linear["sigma"].as_f64().expect("a number");
    let population = population(curve, options, &[&fixed], &spread, sigma, (None, None));
    let ages_d = numbers(&linear["ages"]);
    let information = population.information(0, &ages_d).expect("ages");
    let vcov = (information.terms.clone() * 27.0)
        .try_inverse()
        .expect("regular");
    // lme iterates to 1e-12; R prints 15 digits. Measured: 12.3 digits and more.
    assert!(digits(&vcov, &numbers(&linear["lme_vcov"]), 2) > 11.0);
    // Parameters in the order var(a), cov(a, b), var(b), ln sigma, in R as here.
    assert!(
        digits(
            &information.spread,
            &numbers(&linear["spread_information"]),
            4
        ) > 11.0
    );
    assert!(
        digits(
            &information.conditional,
            &numbers(&linear["conditional"]),
            2
        ) > 11.0
    );
    // The same by way of a plan, with 27 birds.
    let schedule = Schedule {
        ages_d,
        sampling: Sampling::Repeated,
    };
    let plan = ExpectedPrecision::of(&population, &schedule).expect("estimable");
    let targets = targets(&population, &[]);
    let slope = targets.iter().find(|t| t.name == "b").expect("b");
    let error = standard_error(plan.variance(&population, slope).expect("estimable"), 27);
    assert!((error - vcov[(1, 1)].sqrt()).abs() < 1e-12 * error);
    // SE of an SD by the delta method from the information of its square.
    let spread_covariance = (information.spread * 27.0).try_inverse().expect("regular");
    let sd = targets.iter().find(|t| t.name == "sd(a)").expect("sd(a)");
    let error = standard_error(plan.variance(&population, sd).expect("estimable"), 27);
    let by_hand = spread_covariance[(0, 0)].sqrt() / (2.0 * spread[0].sqrt());
    assert!((error - by_hand).abs() < 1e-10 * by_hand);
    // And of the correlation, its slopes in var(a), cov(a, b), var(b) by differences.
    let correlation = |v: [f64; 3]| v[1] / (v[0] * v[2]).sqrt();
    let at = [spread[0], spread[1], spread[3]];
    let slope: Vec<f64> = (0..4)
        .map(|k| {
            let (mut up, mut down) = (at, at);
            if k < 3 {
                up[k] *= 1.0 + 1e-5;
                down[k] *= 1.0 - 1e-5;
                (correlation(up) - correlation(down)) / (up[k] - down[k])
            } else {
                0.0
            }
        })
        .collect();
    let slope = nalgebra::DVector::from_vec(slope);
    let by_hand = (&spread_covariance * &slope).dot(&slope).sqrt();
    let cor = targets.iter().find(|t| t.name == "cor(a,b)").expect("cor");
    let error = standard_error(plan.variance(&population, cor).expect("estimable"), 27);
    // Central differences of this width leave 1e-9.
    assert!(
        (error - by_hand).abs() < 1e-8 * by_hand,
        "{error} {by_hand}"
    );
}

#[test]
fn a_gompertz_with_all_kinds_of_errors_has_the_information_of_its_definition() {
    let all = expected("plan/expected.json");
    let gompertz = &all["gompertz"];
    let options = MixedOptions {
        random: vec![RandomTerm::log("A"), RandomTerm::natural("ti")],
        covariance: Covariance::Full,
        variance: Variance::Power,
        correlation: Correlation::Ar1,
        ..MixedOptions::default()
    };
    let number = |key: &str| gompertz[key].as_f64().expect("a number");
    let population = population(
        built_in("gompertz").expect("a curve"),
        options,
        &[&numbers(&gompertz["fixed"])],
        &numbers(&gompertz["random_covariance"]),
        number("sigma"),
        (Some(number("power")), Some(number("ar1"))),
    );
    let information = population
        .information(0, &numbers(&gompertz["ages"]))
        .expect("ages");
    // R inverts V by LU: a condition of 1e5 or so leaves 11 digits.
    assert!(
        digits(
            &information.terms,
            &numbers(&gompertz["fixed_information"]),
            3
        ) > 10.0
    );
    assert!(
        digits(
            &information.spread,
            &numbers(&gompertz["spread_information"]),
            6
        ) > 10.0
    );
    assert!(
        digits(
            &information.conditional,
            &numbers(&gompertz["conditional"]),
            2
        ) > 9.0
    );
}

#[test]
fn orange_trees_have_nearly_the_standard_errors_of_nlme() {
    let all = expected("plan/expected.json");
    let orange = &all["orange"];
    let fixed = numbers(&orange["fixed"]);
    let number = |key: &str| orange[key].as_f64().expect("a number");
    let (sd, terms) = (number("sd_A"), [fixed[0], 1.0 / fixed[2], fixed[1]]);
    let population = population(
        built_in("logistic").expect("a curve"),
        random(&["A"]),
        &[&terms],
        &[sd * sd],
        number("sigma"),
        (None, None),
    );
    let information = population
        .term_information(0, &numbers(&orange["ages"]))
        .expect("ages");
    let found = (information * 5.0).try_inverse().expect("regular");
    // R has A, ti, k; the curve A, k, ti.
    let order = [0, 2, 1];
    let found: Vec<f64> = (0..9)
        .map(|at| found[(order[at / 3], order[at % 3])])
        .collect();
    assert!(digits(&found, &numbers(&orange["definition_vcov"]), 3) > 9.0);
    // nlme linearises at each tree's own mode: its information on ti and k is larger by
    // (mean of A_i^2) / A^2 = 1.027, its variances smaller by up to 3.1 percent.
    let nlme = numbers(&orange["nlme_vcov"]);
    for at in [0, 4, 8] {
        assert!(
            (found[at] / nlme[at] - 1.0).abs() < 0.032,
            "{} {}",
            found[at],
            nlme[at]
        );
    }
}

/// Two strains of a constant, a bird of which is seen once: two means.
fn two_means(sigma: f64) -> Population {
    let curve = plain(&["mean"], constant);
    population(
        curve,
        random(&[]),
        &[&[10.0], &[10.0]],
        &[],
        sigma,
        (None, None),
    )
}

fn once() -> Schedule {
    Schedule {
        ages_d: vec![70.0],
        sampling: Sampling::Repeated,
    }
}

#[test]
fn two_means_take_as_many_birds_as_in_the_textbook() {
    let all = expected("plan/expected.json");
    let (classical, by_t) = (
        numbers(&all["two_means"]["classical"]),
        numbers(&all["two_means"]["t_test"]),
    );
    let population = two_means(1.0);
    let precision = ExpectedPrecision::of(&population, &once()).expect("estimable");
    let targets = targets(&population, &[]);
    for (at, size) in [0.5, 1.0].into_iter().enumerate() {
        let requirement = Requirement {
            name: "mean".to_owned(),
            aim: Aim::Detect {
                size: Amount::Units(size),
                power: 0.8,
            },
        };
        let needed = requirement
            .needed(
                &population,
                &precision,
                &targets,
                (500, 0.95),
                Allocation::of_birds(population.groups()),
            )
            .expect("estimable");
        // n = 2 (z_a + z_b)^2 sd^2 / d^2, to what rounding leaves of two quantiles.
        assert!((needed.about / classical[at] - 1.0).abs() < 1e-8);
        // By Student's t on 2 n - 2, as a fit of these birds would test.
        assert_eq!(needed.birds.map(|n| n as f64), Some(by_t[at]));
        // 2 percent of a mean of 10 that 16 birds estimate to 0.49 by the normal: E5 of a mean,
        // n = (1.96 CV / e)^2.
        let within = Requirement {
            name: "mean".to_owned(),
            aim: Aim::Within(Amount::Percent(2.0)),
        };
        let needed = within
            .needed(
                &population,
                &precision,
                &targets,
                (500, 0.95),
                Allocation::of_birds(population.groups()),
            )
            .expect("estimable");
        let formula = (1.959_963_985_f64 * 10.0 / 2.0).powi(2);
        assert!((needed.about / formula - 1.0).abs() < 1e-8);
        let less = Requirement {
            name: "mean".to_owned(),
            aim: Aim::Within(Amount::Percent(0.1)),
        };
        let needed = less
            .needed(
                &population,
                &precision,
                &targets,
                (500, 0.95),
                Allocation::of_birds(population.groups()),
            )
            .expect("estimable");
        assert_eq!(needed.birds, None);
    }
}

#[test]
fn slaughter_and_cues_of_a_constant_have_a_closed_form() {
    let (between, sigma, ages) = (3.0_f64, 2.0_f64, 4.0);
    let curve = plain(&["mean"], constant);
    let groups: &[&[f64]] = &[&[10.0]];
    let population = population(
        curve,
        random(&["mean"]),
        groups,
        &[9.0],
        sigma,
        (None, None),
    );
    let ages_d = vec![7.0, 14.0, 21.0, 28.0];
    let targets = targets(&population, &[]);
    let variance = |sampling, what: fn(&Target) -> bool| {
        let schedule = Schedule {
            ages_d: ages_d.clone(),
            sampling,
        };
        let precision = ExpectedPrecision::of(&population, &schedule).expect("estimable");
        let target = targets
            .iter()
            .find(|target| what(target))
            .expect("a target");
        precision.variance(&population, target)
    };
    let mean = |target: &Target| matches!(target.what, Estimand::Value(_));
    let cue = |target: &Target| matches!(target.what, Estimand::Cue(_));
    let near = |found: Option<f64>, expected: f64| {
        let found = found.expect("estimable");
        assert!((found / expected - 1.0).abs() < 1e-12, "{found} {expected}");
    };
    let own = sigma * sigma / ages;
    near(variance(Sampling::Repeated, mean), between * between + own);
    let once = between * between + sigma * sigma;
    near(variance(Sampling::SerialSlaughter, mean), once);
    // Reliability of a mean of m readings, D / (D + s^2 / m).
    let kept = own * between * between / (between * between + own);
    near(variance(Sampling::Repeated, cue), kept);
    assert_eq!(variance(Sampling::SerialSlaughter, cue), None);
}

fn days(last: usize, gap: usize) -> Limits {
    Limits {
        first_d: 1.0,
        step_d: 1.0,
        ages: last,
        gap,
    }
}

#[test]
fn optimal_ages_are_those_of_the_known_designs() {
    let alone =
        |curve, terms: &[f64]| population(curve, random(&[]), &[terms], &[], 1.0, (None, None));
    let best = |population: &Population, scans, last| {
        let best = optimum(population, &days(last, 0), scans, 3).expect("a design");
        best.ages_d
    };
    // A straight line: half of the scans at each end.
    let straight = alone(plain(&["a", "b"], line), &[1.0, 0.5]);
    assert_eq!(best(&straight, 4, 30), [1.0, 1.0, 30.0, 30.0]);
    // A (1 - exp(-k t)) on (0, T]: T and 1/k - T e^{-kT} / (1 - e^{-kT}) (Box and Lucas
    // 1959, whose case of two terms it is; the formula by setting the derivative of the
    // 2 x 2 determinant to 0). k = 0.05, T = 60: 16.86, so day 17.
    let exponential = alone(plain(&["A", "k"], saturating), &[100.0, 0.05]);
    let (k, last) = (0.05_f64, 60.0);
    let decay = (-k * last).exp();
    let early = 1.0 / k - last * decay / (1.0 - decay);
    assert_eq!(best(&exponential, 2, 60), [early.round(), last]);
    assert_eq!(
        best(&exponential, 4, 60),
        [early.round(), early.round(), last, last]
    );
    // V t / (K + t): T and K T / (2 K + T) (Bates and Watts 1988, 3.14, from memory; the
    // same derivative). K = 20, T = 100: 14.29, so day 14.
    let hyperbola = alone(plain(&["V", "K"], michaelis), &[100.0, 20.0]);
    assert_eq!(best(&hyperbola, 2, 100), [14.0, 100.0]);
}

/// Two strains of gompertz pullets that differ in A.
fn pullets() -> Population {
    population(
        built_in("gompertz").expect("a curve"),
        random(&["A", "ti"]),
        &[&[2000.0, 0.03, 55.0], &[1800.0, 0.03, 52.0]],
        &[150.0 * 150.0, 0.0, 0.0, 9.0],
        25.0,
        (None, None),
    )
}

#[test]
fn the_exchange_finds_the_best_of_all_schedules() {
    let population = pullets();
    let weeks = Limits {
        first_d: 7.0,
        step_d: 7.0,
        ages: 20,
        gap: 2,
    };
    let mut best = (f64::NEG_INFINITY, Vec::new());
    for mask in 0_u32..1 << 20 {
        let apart = mask & (mask << 1) == 0;
        if mask.count_ones() != 4 || !apart {
            continue;
        }
        let places = (0..20).filter(|week| mask >> week & 1 == 1);
        let ages_d: Vec<f64> = places.map(|week| 7.0 + 7.0 * f64::from(week)).collect();
        let value = criterion(&population, &ages_d).unwrap_or(f64::NEG_INFINITY);
        if value > best.0 {
            best = (value, ages_d);
        }
    }
    for seed in 1..4 {
        let found = optimum(&population, &weeks, 4, seed).expect("a schedule");
        assert_eq!(found.ages_d, best.1);
    }
    // A worse schedule is worth less: three scans early and one late.
    let worse = criterion(&population, &[7.0, 21.0, 35.0, 140.0]).expect("ages");
    let share = efficiency(worse, best.0);
    assert!(share > 0.1 && share < 0.9, "{share}");
    // No room: 11 scans two weeks apart take 21 weeks.
    assert_eq!(weeks.most_scans(), 10);
    assert!(optimum(&population, &weeks, 11, 1).is_none());
}

#[test]
fn simulated_studies_hold_what_the_information_promises() {
    const COUNT: usize = 400;
    let population = pullets();
    let ages_d = [14.0, 42.0, 70.0, 98.0, 154.0];
    let targets = targets(&population, &[Derived::Mature, Derived::AgeAtFraction(0.5)]);
    let requirements = [Requirement {
        name: "A".to_owned(),
        aim: Aim::Detect {
            size: Amount::Percent(5.0),
            power: 0.8,
        },
    }];
    let studies = Studies {
        count: COUNT,
        seed: 7,
        level: 0.95,
    };
    let design = by_birds(20, &ages_d);
    let found = confirm(
        &population,
        design,
        (&targets, &requirements),
        studies,
        &|| {},
    )
    .expect("ages");
    assert_eq!(found.failed, 0);
    let schedule = Schedule {
        ages_d: ages_d.to_vec(),
        sampling: Sampling::Repeated,
    };
    let precision = ExpectedPrecision::of(&population, &schedule).expect("estimable");
    let n = COUNT as f64;
    let mut seen = 0;
    for (target, simulated) in targets.iter().zip(&found.targets) {
        let Some(simulated) = simulated else {
            continue;
        };
        seen += 1;
        let variance = precision.variance(&population, target).expect("estimable");
        let is_cue = matches!(target.what, Estimand::Cue(_));
        let error = standard_error(variance, if is_cue { 1 } else { 20 });
        let bound = if is_cue {
            // Four standard errors as simulated, and 4 % since expected information takes
            // the strain's terms as known: of 20 birds, what a bird takes from its strain
            // has an error too.
            4.0 * simulated.standard_error_of_it / error + 0.04
        } else {
            // Four standard errors of an SD of 400 normal values, SD / sqrt(2 * 399).
            4.0 / (2.0 * (n - 1.0)).sqrt()
        };
        let ratio = simulated.standard_error / error;
        assert!((ratio - 1.0).abs() < bound, "{}: {ratio}", target.name);
        // Four standard errors of the mean, and 1/5 of a study's own for the bend of the
        // curve, which first order leaves out.
        let bias = simulated.bias.abs() / error;
        assert!(bias < 4.0 / n.sqrt() + 0.2, "{}: {bias}", target.name);
        // Four standard errors of a share of 400, and 2 points since the variances are
        // estimated by maximum likelihood from 40 birds.
        let bound = 4.0 * (0.95 * 0.05 / n).sqrt() + 0.02;
        assert!((simulated.coverage - 0.95).abs() < bound, "{}", target.name);
        if requirements[0].is_about(target) && !is_cue {
            let expected =
                requirements[0].reached(target, variance, 20, (Allocation::of_birds(2), 0.95));
            let power = simulated.power.expect("a requirement");
            let bound = 4.0 * (expected * (1.0 - expected) / n).sqrt() + 0.03;
            assert!((power - expected).abs() < bound, "{power} {expected}");
        } else {
            assert!(simulated.power.is_none());
        }
    }
    // Three terms and two derived quantities of two strains, their differences, and as
    // cues of two strains all but k, in which birds do not differ.
    assert_eq!(seen, 15 + 8);
    // The same whatever the threads.
    let few = Studies {
        count: 12,
        ..studies
    };
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        let run = || confirm(&population, design, (&targets, &requirements), few, &|| {});
        pool.expect("threads").install(run).expect("ages")
    };
    assert_eq!(with(1), with(3));
}

#[test]
fn strains_that_truly_differ_are_distinguished_as_often_as_is_expected() {
    let population = pullets();
    let targets = targets(&population, &[Derived::Mature, Derived::AgeAtFraction(0.5)]);
    let ages_d = [14.0, 42.0, 70.0, 98.0, 154.0];
    let schedule = Schedule {
        ages_d: ages_d.to_vec(),
        sampling: Sampling::Repeated,
    };
    let precision = ExpectedPrecision::of(&population, &schedule).expect("estimable");
    let studies = Studies {
        count: 400,
        seed: 11,
        level: 0.95,
    };
    // The lines differ by 200 g and 3 d; the target is 110 g and 2 d.
    for (name, size) in [("A", 110.0), ("age_at_50pct", 2.0)] {
        let is_it = |one: &&Target| one.name == name && matches!(one.what, Estimand::Contrast(_));
        let target = targets.iter().find(is_it).expect("a contrast");
        let requirement = Requirement {
            name: name.to_owned(),
            aim: Aim::Detect {
                size: Amount::Units(size),
                power: 0.8,
            },
        };
        let variance = precision.variance(&population, target).expect("estimable");
        let expected = requirement.reached(target, variance, 20, (Allocation::of_birds(2), 0.95));
        let design = by_birds(20, &ages_d);
        let seen = detect_difference(&population, design, (target, size), studies, &|| {});
        let seen = seen.expect("ages").expect("a contrast");
        let found = confirm(
            &population,
            design,
            (&targets, &[requirement]),
            studies,
            &|| {},
        );
        let at = targets.iter().position(|one| one == target).expect("there");
        let shifted = found.expect("ages").targets[at]
            .expect("estimable")
            .power
            .expect("a requirement");
        println!("{name}: {seen} simulated, {shifted} by moving, {expected} expected");
        // Four binomial errors of 400 studies, and 3 points since the variances are
        // estimated by maximum likelihood from 40 birds.
        let bound = 4.0 * (expected * (1.0 - expected) / 400.0_f64).sqrt() + 0.03;
        assert!(expected > 0.3 && expected < 0.95, "{expected}");
        assert!((seen - expected).abs() < bound, "{seen} {expected}");
        assert!((seen - shifted).abs() < bound, "{seen} {shifted}");
    }
    // Only contrasts can be distinguished.
    let none = detect_difference(
        &population,
        by_birds(20, &ages_d),
        (&targets[0], 1.0),
        studies,
        &|| {},
    );
    assert_eq!(none.expect("ages"), None);
}

#[test]
fn a_strain_is_moved_to_a_value_and_no_other_with_it() {
    let population = pullets();
    let half = Quantity::Derived(Derived::AgeAtFraction(0.5));
    let value = |of: &Population, group: usize, quantity: Quantity| {
        let terms = of.group_terms(group);
        let value = quantity.value(&**of.curve(), &terms, &mut vec![0.0; terms.len()]);
        value.expect("a value")
    };
    let heavier = population
        .with_group_at(0, Quantity::Term(0), 2200.0)
        .expect("moved");
    // Birds' A and ti are independent here, so A alone is moved.
    assert!((heavier.group_terms(0)[0] - 2200.0).abs() < 1e-6);
    assert_eq!(heavier.group_terms(0)[1..], population.group_terms(0)[1..]);
    assert_eq!(heavier.group_terms(1), population.group_terms(1));
    let later = population.with_group_at(1, half, 70.0).expect("moved");
    assert!((value(&later, 1, half) - 70.0).abs() < 1e-6);
    assert!((value(&later, 0, half) - value(&population, 0, half)).abs() < 1e-12);
    // Birds do not differ in k: along its own slope.
    let faster = population
        .with_group_at(0, Quantity::Term(1), 0.035)
        .expect("moved");
    assert!((faster.group_terms(0)[1] - 0.035).abs() < 1e-9);
}

#[test]
fn a_strain_is_repeated_with_all_that_is_known_of_it() {
    let one = population(
        built_in("gompertz").expect("a curve"),
        random(&["A"]),
        &[&[2000.0, 0.03, 55.0]],
        &[150.0 * 150.0],
        25.0,
        (None, None),
    );
    let three = one.with_groups_alike(3).expect("alike");
    assert_eq!(three.groups(), 3);
    for group in 0..3 {
        assert_eq!(three.group_terms(group), one.group_terms(0));
    }
    assert!(pullets().with_groups_alike(3).is_err());
}
