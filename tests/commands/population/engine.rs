//! The engine as a library.

use super::*;

fn reference(file: &str) -> csv::Reader<std::fs::File> {
    csv::Reader::from_path(root("tests/reference").join(file)).expect("reference table")
}

fn trees() -> Birds {
    let mut birds = Birds::default();
    for record in reference("nlme_examples/orange.csv").records() {
        let record = record.expect("row");
        let row = (
            record[1].parse().expect("age"),
            record[2].parse().expect("value"),
        );
        if birds.names.last().map(String::as_str) == Some(&record[0]) {
            birds.ages_d.push(row.0);
            birds.values.push(row.1);
            *birds.starts.last_mut().expect("a start") += 1;
        } else {
            birds.add(&record[0], 0, [row]);
        }
    }
    birds
}

/// A chick: its name, its diet, its ages and weights.
type Chick = (String, String, Vec<(f64, f64)>);

/// Chicks of diets 1 and 3 with at least 8 weighings, one group.
fn chicks() -> Birds {
    let mut all: Vec<Chick> = Vec::new();
    for record in reference("chickweight_mixed/chickweight.csv").deserialize() {
        let record: HashMap<String, String> = record.expect("row");
        let row = (
            record["age_d"].parse().expect("age"),
            record["weight_g"].parse().expect("value"),
        );
        match all.last_mut() {
            Some((bird, _, rows)) if *bird == record["bird"] => rows.push(row),
            _ => all.push((record["bird"].clone(), record["diet"].clone(), vec![row])),
        }
    }
    let mut birds = Birds::default();
    for (bird, diet, rows) in all {
        if (diet == "1" || diet == "3") && rows.len() >= 8 {
            birds.add(&bird, 0, rows);
        }
    }
    birds
}

/// R's lme on the linearised model, repeated until nothing moves, and why not nlme's own
/// restricted answer: `reference/nlme_restricted/SOURCE.md`.
#[test]
fn restricted_likelihood_equals_lme_at_the_fixed_point() {
    let file = root("tests/reference/nlme_restricted/expected.json");
    let expected: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(file).expect("file")).expect("json");
    let logistic = built_in("logistic").expect("curve");
    let number = |value: &serde_json::Value| value.as_f64().expect("a number");
    // Ours ends where a round moves nothing by more than 1e-5 standard errors; the
    // chicks' rounds shrink slowly, so that some 1e-4 of one may be left.
    for (name, birds, terms) in [
        ("orange_A", trees(), &["A"][..]),
        ("chicks_A_ti", chicks(), &["A", "ti"][..]),
    ] {
        let options = MixedOptions {
            random: random(terms),
            criterion: Criterion::RestrictedLikelihood,
            ..MixedOptions::default()
        };
        let ours = fit(&*logistic, &birds.subjects(), &options);
        let theirs = &expected[name];
        assert!(
            (ours.log_lik - number(&theirs["logLik"])).abs() < 1e-4,
            "{name}: {} and {}",
            ours.log_lik,
            theirs["logLik"]
        );
        for at in 0..3 {
            let expected = number(&theirs["fixed"][at]);
            close(name, ours.fixed[at].value, expected, 1e-5);
            let error = number(&theirs["fixed_se"][at]);
            close(name, ours.fixed[at].standard_error, error, 1e-4);
        }
        for (at, effect) in ours.random.iter().enumerate() {
            let sd = number(&theirs["random_sd"][at]);
            close(name, effect.standard_deviation, sd, 1e-4);
        }
        close(name, ours.sigma, number(&theirs["sigma"]), 1e-5);
    }
}

/// With one effect and a curve that is linear in it, the integrand is normal: one node
/// and nine give the same exact likelihood. The linearised model's is another and lies
/// below (by 0.013 here), because its fixed effects k and ti are moved as if the spread
/// that they give the trees stood still; the modes are nearly the same.
#[test]
fn laplace_is_exact_for_a_linear_effect_and_the_alternation_is_near() {
    let birds = trees();
    let logistic = built_in("logistic").expect("curve");
    let of = |estimator: Estimator| {
        let options = MixedOptions {
            random: random(&["A"]),
            estimator,
            ..MixedOptions::default()
        };
        fit(&*logistic, &birds.subjects(), &options)
    };
    let (alternating, laplace) = (of(Estimator::Alternating), of(Estimator::Laplace));
    let quadrature = of(Estimator::Quadrature {
        nodes: Nodes::Fixed(9),
    });
    close("exact", laplace.log_lik, quadrature.log_lik, 1e-10);
    // lme4's nlmer has the one (-131.571885100, `reference/marginal/SOURCE.md`), nlme the
    // other (-131.584579012, `reference/nlme_examples`): both to some 1e-7.
    let gap = laplace.log_lik - alternating.log_lik;
    assert!((gap - 0.012_693_912).abs() < 1e-6, "{gap}");
    for tree in 0..5 {
        let modes = (laplace.subject(tree)[0], alternating.subject(tree)[0]);
        // The trees' sizes, 155 to 220 mm, are known to some 3 percent.
        close("a tree's size", modes.0, modes.1, 1e-2);
        close("exact", modes.0, quadrature.subject(tree)[0], 1e-6);
        let shares = (
            laplace.reliability(tree)[0],
            alternating.reliability(tree)[0],
        );
        close("own share", shares.0, shares.1, 1e-2);
        assert!((0.5..1.0).contains(&shares.0));
    }
    let shrinkage = (laplace.random[0].shrinkage, alternating.random[0].shrinkage);
    assert!((shrinkage.0 - shrinkage.1).abs() < 0.01, "{shrinkage:?}");
}

/// Two-phase birds from known terms, ordered inflections.
fn two_phase_birds(count: usize, seed: u64) -> (Birds, [f64; 6]) {
    let truth: [f64; 6] = [1100.0, 0.035, 40.0, 700.0, 0.06, 120.0];
    let curve = built_in("two-phase-gompertz").expect("curve");
    let mut normal = normals(seed);
    let mut birds = Birds::default();
    for bird in 0..count {
        let mut terms = truth;
        terms[0] += 80.0 * normal();
        terms[2] += 2.0 * normal();
        terms[3] += 60.0 * normal();
        terms[5] = terms[2] + 80.0 * (0.08 * normal()).exp();
        let rows: Vec<(f64, f64)> = (0..25)
            .map(|week| 7.0 * f64::from(week))
            .map(|age_d| (age_d, curve.value(age_d, &terms) + 12.0 * normal()))
            .collect();
        birds.add(&format!("b{bird}"), 0, rows);
    }
    (birds, truth)
}

#[test]
fn ordered_phases_are_recovered() {
    let (birds, truth) = two_phase_birds(60, 11);
    let curve = built_in("two-phase-gompertz").expect("curve");
    let options = MixedOptions {
        random: random(&["A1", "ti1", "A2", "ti2"]),
        ordered: vec![("ti1".to_owned(), "ti2".to_owned())],
        ..MixedOptions::default()
    };
    let ours = fit(&*curve, &birds.subjects(), &options);
    for (effect, truth) in ours.fixed.iter().zip(truth) {
        // Six terms at 3 standard errors: one seed in 60 would fail.
        assert!(
            (effect.value - truth).abs() < 3.0 * effect.standard_error,
            "{effect:?} {truth}"
        );
    }
    for (effect, sd) in ours.random.iter().zip([80.0, 2.0, 60.0, 0.08]) {
        let error = effect.standard_error.expect("an error");
        assert!(
            (effect.standard_deviation - sd).abs() < 3.0 * error,
            "{effect:?} {sd}"
        );
    }
    close("sigma", ours.sigma, 12.0, 0.1);
    for bird in 0..60 {
        assert!(ours.subject(bird)[2] < ours.subject(bird)[5], "in order");
    }
}

/// A log-normal error is a constant one of the logarithms: on birds whose values are
/// multiplied by 10 only the terms in g change, and the log-likelihood by n ln 10.
#[test]
fn log_normal_errors_are_relative() {
    let curve = built_in("gompertz").expect("curve");
    let mut normal = normals(5);
    let mut birds = Birds::default();
    for bird in 0..60 {
        let terms = [
            2000.0 * (0.1 * normal()).exp(),
            0.03,
            55.0 * (0.05 * normal()).exp(),
        ];
        let rows: Vec<(f64, f64)> = (0..14)
            .map(|at| 7.0 + 10.0 * f64::from(at))
            .map(|age_d| (age_d, curve.value(age_d, &terms) * (0.04 * normal()).exp()))
            .collect();
        birds.add(&format!("b{bird}"), 0, rows);
    }
    for estimator in [Estimator::Alternating, Estimator::Laplace] {
        let options = MixedOptions {
            random: vec![RandomTerm::log("A"), RandomTerm::log("ti")],
            variance: Variance::LogNormal,
            estimator,
            ..MixedOptions::default()
        };
        let ours = fit(&*curve, &birds.subjects(), &options);
        // Three estimates from one seed, at 3 standard errors each: one seed in 120 would
        // fail.
        let error = ours.sigma_error.expect("an error");
        assert!((ours.sigma - 0.04).abs() < 3.0 * error, "{}", ours.sigma);
        for (effect, sd) in ours.random.iter().zip([0.1, 0.05]) {
            let error = effect.standard_error.expect("an error");
            assert!(
                (effect.standard_deviation - sd).abs() < 3.0 * error,
                "{effect:?} {sd}"
            );
        }
        let mut tenfold = birds.clone();
        tenfold.values.iter_mut().for_each(|value| *value *= 10.0);
        let other = fit(&*curve, &tenfold.subjects(), &options);
        close("A", other.fixed[0].value, 10.0 * ours.fixed[0].value, 1e-6);
        close("sigma", other.sigma, ours.sigma, 1e-6);
        let shift = ours.n as f64 * 10.0_f64.ln();
        close("log-likelihood", other.log_lik, ours.log_lik - shift, 1e-8);
    }
}

/// Variances known up to a factor: a common one is sigma's, and an observation of a
/// variance beyond all others is as good as none.
#[test]
fn relative_variances_weigh_observations() {
    let curve = built_in("gompertz").expect("curve");
    let birds = gompertz_birds(30, 1, 3);
    for estimator in [Estimator::Alternating, Estimator::Laplace] {
        let options = MixedOptions {
            random: random(&["A", "ti"]),
            estimator,
            ..MixedOptions::default()
        };
        let plain = fit(&*curve, &birds.subjects(), &options);
        let four = vec![4.0; birds.values.len()];
        let subjects = birds
            .subjects()
            .with_relative_variances(&four)
            .expect("variances");
        let scaled = fit(&*curve, &subjects, &options);
        close("sigma", scaled.sigma, 0.5 * plain.sigma, 1e-6);
        close("log-likelihood", scaled.log_lik, plain.log_lik, 1e-9);
        close("A", scaled.fixed[0].value, plain.fixed[0].value, 1e-8);
        // A wild value in the third bird is reported.
        let mut wild = birds.clone();
        wild.values[25] += 5000.0;
        let mut variances = vec![1.0; birds.values.len()];
        variances[25] = 1e12;
        let subjects = wild
            .subjects()
            .with_relative_variances(&variances)
            .expect("variances");
        let without = fit(&*curve, &subjects, &options);
        let mut fewer = birds.clone();
        fewer.values.remove(25);
        fewer.ages_d.remove(25);
        fewer
            .starts
            .iter_mut()
            .skip(3)
            .for_each(|start| *start -= 1);
        let dropped = fit(&*curve, &fewer.subjects(), &options);
        close("A", without.fixed[0].value, dropped.fixed[0].value, 1e-4);
        close("ti", without.fixed[2].value, dropped.fixed[2].value, 1e-4);
    }
}

/// The same bits with one thread and with three, for both likelihoods.
#[test]
fn threads_do_not_change_a_bit() {
    let birds = gompertz_birds(150, 2, 8);
    let curve = built_in("gompertz").expect("curve");
    for estimator in [Estimator::Alternating, Estimator::Laplace] {
        let options = MixedOptions {
            grouped: GroupedTerms::All,
            random: random(&["A", "k", "ti"]),
            covariance: Covariance::Full,
            variance: Variance::Power,
            correlation: Correlation::Ar1,
            estimator,
            ..MixedOptions::default()
        };
        let with = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .expect("a pool");
            pool.install(|| fit(&*curve, &birds.subjects(), &options))
        };
        let bits = |fit: &MixedFit| -> Vec<u64> {
            fit.subject_terms
                .iter()
                .chain(&fit.subject_covariances)
                .chain(&fit.random_covariance)
                .chain([&fit.log_lik, &fit.sigma])
                .map(|value| value.to_bits())
                .collect()
        };
        assert_eq!(bits(&with(1)), bits(&with(3)), "{estimator:?}");
    }
}

/// Birds drawn from a fitted model have standardised residuals of variance one, in
/// either sense, and correlated ones are freed of it.
#[test]
fn residuals_of_simulated_birds_are_standard() {
    let curve = built_in("gompertz").expect("curve");
    let birds = gompertz_birds(200, 1, 21);
    let options = MixedOptions {
        random: random(&["A", "ti"]),
        covariance: Covariance::Full,
        ..MixedOptions::default()
    };
    let model = MixedModel::new(&*curve, &options).expect("options");
    let ours = fit(&*curve, &birds.subjects(), &options);
    let mut draws = ChaCha8Rng::seed_from_u64(4);
    let values = ours.simulate(&model, &birds.subjects(), &mut draws);
    let subjects = birds.subjects().with_values(values).expect("values");
    let again = fit(&*curve, &subjects, &options);
    let residuals = again.residuals(&model, &subjects);
    let mean_square = |of: fn(&pinfeather::fit::mixed::MixedResidual) -> f64| {
        residuals.iter().map(|one| of(one).powi(2)).sum::<f64>() / residuals.len() as f64
    };
    // 200 birds: the mean square of a bird's marginal residuals has an SD of some 10
    // percent of itself; a tenth of the conditional one's freedom goes to the effects.
    let marginal = mean_square(|one| one.marginal_standardised);
    assert!((0.8..1.2).contains(&marginal), "{marginal}");
    let conditional = mean_square(|one| one.standardised);
    assert!((0.7..1.0).contains(&conditional), "{conditional}");
    let same = residuals
        .iter()
        .all(|one| one.normalised.to_bits() == one.standardised.to_bits());
    assert!(same, "nothing to be freed of");
    // The birds were drawn from `ours`: one estimate at 3 standard errors.
    let (drawn, truth) = (again.random[0], ours.random[0].standard_deviation);
    let error = drawn.standard_error.expect("an error");
    assert!(
        (drawn.standard_deviation - truth).abs() < 3.0 * error,
        "{drawn:?} {truth}"
    );
    let sum = residuals[0].fitted + residuals[0].conditional();
    close("fitted and residual", sum, residuals[0].value, 1e-12);
}
