//! Intervals, bands and the choice of curve, by the library and by the command.

use std::collections::HashMap;
use std::path::Path;

use pinfeather::fit::interval::SamplingDistribution;
use pinfeather::fit::{Series, Settings, Workspace, diagnostics, fit, influence, validation};
use pinfeather::growth::built_in;
use pinfeather::stats::distribution::t_two_sided_quantile;
use pinfeather::study::Study;

use crate::support::{done, rows};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Ages, weights and birds of diet 1 of ChickWeight, ascending in age.
fn diet_1() -> (Vec<f64>, Vec<f64>, Vec<usize>) {
    let path = root().join("tests/reference/chickweight_mixed/chickweight.csv");
    let mut rows: Vec<(f64, f64, usize)> = Vec::new();
    for row in csv::Reader::from_path(path).unwrap().deserialize() {
        let (bird, diet, age_d, weight_g): (usize, u32, f64, f64) = row.unwrap();
        if diet == 1 {
            rows.push((age_d, weight_g, bird));
        }
    }
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let column = |of: fn(&(f64, f64, usize)) -> f64| rows.iter().map(of).collect();
    (
        column(|row| row.0),
        column(|row| row.1),
        rows.iter().map(|row| row.2).collect(),
    )
}

/// Source: R 4.2.2, `lm(weight ~ factor(Time))` of diet 1 of ChickWeight for the spread
/// of replicates, `nls` logistic for the curve (RSS 230003.035858657), F by hand.
#[test]
fn lack_of_fit_as_in_r() {
    let (ages_d, values, _) = diet_1();
    let series = Series {
        ages_d: &ages_d,
        values: &values,
    };
    let curve = built_in("logistic").unwrap();
    let outcome = fit(
        curve.as_ref(),
        series,
        &Settings::default(),
        &mut Workspace::new(),
    );
    let estimates = outcome.estimates().unwrap();
    let residuals: Vec<_> = diagnostics::residuals(curve.as_ref(), series, estimates).collect();
    let lack = diagnostics::lack_of_fit(&residuals, 3).unwrap();
    assert!(
        (lack.statistic / 0.070_610_864_634_8 - 1.0).abs() < 1e-8,
        "{lack:?}"
    );
    assert_eq!((lack.df_curve, lack.df_replicates), (9, 208));
    assert!(
        (lack.p_value / 0.999_909_654_359 - 1.0).abs() < 1e-8,
        "{lack:?}"
    );
}

/// The sandwich of a curve that is a mean: with birds as clusters of equal size its
/// standard error is that of the birds' means, sd/sqrt(birds).
#[test]
fn the_sandwich_of_equal_clusters_is_the_spread_of_their_fits() {
    let curve = built_in("monomolecular").unwrap();
    let terms = [1000.0, 0.05, -2.0];
    let ages_d: Vec<f64> = (0..8).map(|i| 10.0 * f64::from(i)).collect();
    let (mut all_ages, mut values, mut birds, mut masses) = (vec![], vec![], vec![], vec![]);
    // Birds that differ in A alone, so little that the curve is straight in its terms.
    for (age, age_d) in ages_d.iter().enumerate() {
        for bird in 0..6 {
            let mature = terms[0] * (1.0 + 1e-5 * f64::from([3, -1, -4, 2, 5, -5][bird]));
            all_ages.push(*age_d);
            values.push(curve.value(*age_d, &[mature, terms[1], terms[2]]));
            birds.push(bird);
            if age == 0 {
                masses.push(mature);
            }
        }
    }
    let series = Series {
        ages_d: &all_ages,
        values: &values,
    };
    let outcome = fit(
        curve.as_ref(),
        series,
        &Settings::default(),
        &mut Workspace::new(),
    );
    let estimates = outcome.estimates().unwrap();
    let moved = influence::influence(curve.as_ref(), series, estimates, &birds, 6).unwrap();
    let covariance = influence::covariance_between(&moved, &moved);
    let mean = masses.iter().sum::<f64>() / 6.0;
    let squares: f64 = masses.iter().map(|mass| (mass - mean).powi(2)).sum();
    let expected = (squares / 5.0 / 6.0).sqrt();
    // Exact but for the bend of the curve over 1e-5 of A.
    assert!((covariance[(0, 0)].sqrt() / expected - 1.0).abs() < 1e-3);
    assert!(covariance[(1, 1)].sqrt() / terms[1] < 1e-8);
}

/// Cross-validation by hand: the mean error of a curve refitted without each bird.
#[test]
fn left_out_birds_are_predicted_by_the_others() {
    let (ages_d, values, birds) = diet_1();
    let series = Series {
        ages_d: &ages_d,
        values: &values,
    };
    let curve = built_in("logistic").unwrap();
    let settings = Settings::default();
    let outcome = fit(curve.as_ref(), series, &settings, &mut Workspace::new());
    let estimates = outcome.estimates().unwrap();
    let found =
        validation::by_cluster(curve.as_ref(), series, &birds, &settings, estimates).unwrap();
    let mut names = birds.clone();
    names.sort_unstable();
    names.dedup();
    let (mut squares, mut count) = (0.0, 0.0);
    for name in names {
        let kept = |i: &usize| birds[*i] != name;
        let seen: Vec<usize> = (0..values.len()).filter(kept).collect();
        let (ages, masses): (Vec<f64>, Vec<f64>) =
            seen.iter().map(|i| (ages_d[*i], values[*i])).unzip();
        let series = Series {
            ages_d: &ages,
            values: &masses,
        };
        let without = fit(curve.as_ref(), series, &settings, &mut Workspace::new());
        let terms = &without.estimates().unwrap().terms;
        for i in (0..values.len()).filter(|i| !kept(i)) {
            squares += (values[i] - curve.value(ages_d[i], terms)).powi(2);
            count += 1.0;
        }
    }
    // Two starts, one optimum: to the polish of the fits.
    assert!((found / f64::sqrt(squares / count) - 1.0).abs() < 1e-7);
    let forecast = validation::by_last_ages(curve.as_ref(), series, &settings, estimates);
    assert!(forecast.unwrap() > 0.0);
}

/// The factor of a band at one age is Student's t, and along a curve of three terms lies
/// between that and Scheffé's.
#[test]
fn the_simultaneous_factor_lies_between_its_bounds() {
    let (ages_d, values, _) = diet_1();
    let series = Series {
        ages_d: &ages_d,
        values: &values,
    };
    let curve = built_in("logistic").unwrap();
    let outcome = fit(
        curve.as_ref(),
        series,
        &Settings::default(),
        &mut Workspace::new(),
    );
    let law = SamplingDistribution::of(outcome.estimates().unwrap());
    let (t, scheffe) = (law.pointwise_factor(0.95), law.scheffe_factor(0.95));
    let one = law.band_factor(curve.as_ref(), &[10.0], 0.95);
    assert!((one - t).abs() < 1e-8, "{one} against {t}");
    let days: Vec<f64> = (0..=21).map(f64::from).collect();
    let all = law.band_factor(curve.as_ref(), &days, 0.95);
    assert!(t + 0.1 < all && all < scheffe, "{t} {all} {scheffe}");
}

#[test]
fn the_intervals_of_fit_come_from_the_method_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let demo = root().join("data-demo");
    let terms = |options: &str, out: &str| {
        let call = format!(
            "fit {} --curve gompertz --level strain --out {out} {options}",
            demo.display()
        );
        done(folder.path(), &call);
        let folder = folder.path().join(out);
        let record = std::fs::read_to_string(folder.join("run.json")).unwrap();
        let mut terms = rows(&folder.join("tables/curve_terms.csv"));
        terms.retain(|row| row["trait"] == "body_weight");
        (terms, record)
    };
    let (wald, record) = terms("", "wald");
    assert!(record.contains("\"intervals\": \"wald\""), "{record}");
    let (profile, record) = terms("--intervals profile", "profile");
    assert!(record.contains("\"intervals\": \"profile\""), "{record}");
    let call = "--intervals bootstrap --replicates 200 --seed 9";
    let (bootstrap, record) = terms(&format!("{call} --threads 1"), "one");
    assert!(record.contains("\"intervals\": \"bootstrap\"") && record.contains("\"seed\": 9"));
    let (again, _) = terms(&format!("{call} --threads 2"), "two");
    assert_eq!(bootstrap, again);
    let number = |row: &HashMap<String, String>, column: &str| row[column].parse::<f64>().unwrap();
    let width = |row: &HashMap<String, String>| number(row, "upper") - number(row, "lower");
    for ((wald, profile), bootstrap) in wald.iter().zip(&profile).zip(&bootstrap) {
        let columns = ["strain", "term", "estimate", "std_error"];
        for column in columns {
            assert_eq!(wald[column], profile[column]);
            assert_eq!(wald[column], bootstrap[column]);
        }
        // A thousand weighings leave a gompertz nearly straight in its terms.
        if wald["term"] == "A" {
            assert!((width(profile) / width(wald) - 1.0).abs() < 0.1);
        }
        // A heavy bird is heavy at every age: weighings taken as independent leave the
        // weight at an age too narrow. (Terms may go either way: differences between ages
        // are within birds.)
        if wald["term"] == "weight_at_112d" {
            assert!(width(bootstrap) > width(wald));
        }
        let inside = |row: &HashMap<String, String>| {
            number(row, "lower") <= number(row, "estimate")
                && number(row, "estimate") <= number(row, "upper")
        };
        assert!(inside(profile) && inside(bootstrap), "{profile:?}");
    }
}

/// The typical bird of each strain in a mixed fit. With 40 and more birds a strain the
/// marginal likelihood is nearly quadratic, so that profile and standard errors agree. Birds
/// drawn again also show what the model gets wrong (these birds have a second phase, the
/// gompertz has none), and may differ more. That each kind covers the truth is seen in
/// `coverage.rs`.
#[test]
fn a_mixed_fit_has_intervals_by_profile_and_by_bootstrap() {
    let folder = tempfile::tempdir().unwrap();
    let demo = root().join("data-demo");
    let terms = |options: &str, out: &str| {
        let call = format!(
            "fit {} --curve gompertz --level population --estimator laplace --random A,k,ti --random-scale natural --covariance diagonal --variance constant --correlation none --out {out} {options}",
            demo.display()
        );
        done(folder.path(), &call);
        let rows = rows(&folder.path().join(out).join("tables/curve_terms.csv"));
        let typical = |row: &HashMap<String, String>| {
            row["trait"] == "body_weight" && !row["strain"].is_empty() && row["bird"].is_empty()
        };
        rows.into_iter().filter(typical).collect::<Vec<_>>()
    };
    let wald = terms("", "wald");
    let number = |row: &HashMap<String, String>, column: &str| row[column].parse::<f64>().unwrap();
    let width = |row: &HashMap<String, String>| number(row, "upper") - number(row, "lower");
    for (options, out, widths) in [
        ("--intervals profile", "profile", 0.8..1.25),
        (
            "--intervals bootstrap --replicates 400 --seed 9",
            "bootstrap",
            0.5..2.0,
        ),
    ] {
        let other = terms(options, out);
        assert_eq!(other.len(), wald.len());
        for (other, wald) in other.iter().zip(&wald) {
            assert_eq!(other["estimate"], wald["estimate"]);
            assert_ne!(other["lower"], wald["lower"], "{options}: {other:?}");
            let inside = number(other, "lower") < number(wald, "estimate")
                && number(wald, "estimate") < number(other, "upper");
            assert!(inside, "{options}: {other:?}");
            if ["A", "k", "ti"].contains(&other["term"].as_str()) {
                let ratio = width(other) / width(wald);
                assert!(widths.contains(&ratio), "{options}: {ratio} {other:?}");
            }
        }
    }
}

/// The bootstrap by bird against two errors over birds that need no draws: the sandwich,
/// which errs to the small side with few birds, and the jackknife by bird, which errs to
/// the great side (Efron and Stein 1981; from memory). Its width, 2 t se on birds - 1
/// degrees of freedom, lies between theirs. Only birds with weighings count.
#[test]
fn the_bootstrap_by_bird_lies_between_sandwich_and_jackknife() {
    let folder = tempfile::tempdir().unwrap();
    let demo = root().join("data-demo");
    let call = format!(
        "fit {} --curve gompertz --level strain --out r --intervals bootstrap --replicates 1000 --seed 9",
        demo.display()
    );
    done(folder.path(), &call);
    let table = rows(&folder.path().join("r/tables/curve_terms.csv"));
    let study = Study::read_folder(&demo).unwrap();
    let records = &study.traits[0];
    let curve = built_in("gompertz").unwrap();
    let mut compared = 0;
    for (strain, name) in study.strains.iter().enumerate() {
        let mut weighings: Vec<(f64, f64, usize)> = Vec::new();
        let mut birds = 0;
        for bird in study.birds_of(strain) {
            let (ages_d, values) = records.of(bird);
            let pairs = ages_d.iter().zip(values);
            weighings.extend(pairs.map(|(age_d, value)| (*age_d, *value, birds)));
            birds += usize::from(!values.is_empty());
        }
        weighings.sort_by(|a, b| a.0.total_cmp(&b.0));
        let of = |kept: &dyn Fn(usize) -> bool| {
            let rows = weighings.iter().filter(|row| kept(row.2));
            let (ages_d, values): (Vec<f64>, Vec<f64>) = rows.map(|row| (row.0, row.1)).unzip();
            let series = Series {
                ages_d: &ages_d,
                values: &values,
            };
            let settings = Settings::default();
            let outcome = fit(curve.as_ref(), series, &settings, &mut Workspace::new());
            let estimates = outcome.estimates().unwrap().clone();
            (ages_d, values, estimates)
        };
        let (ages_d, values, estimates) = of(&|_| true);
        let series = Series {
            ages_d: &ages_d,
            values: &values,
        };
        let clusters: Vec<usize> = weighings.iter().map(|row| row.2).collect();
        let without: Vec<Vec<f64>> = (0..birds)
            .map(|bird| of(&|b| b != bird).2.terms.to_vec())
            .collect();
        let moved =
            influence::influence(curve.as_ref(), series, &estimates, &clusters, birds).unwrap();
        let covariance = influence::covariance_between(&moved, &moved);
        let mut gradient = [0.0; 3];
        let _ = curve.value_and_gradient(112.0, &estimates.terms, &mut gradient);
        let gradients = [
            ("A", [1.0, 0.0, 0.0]),
            ("k", [0.0, 1.0, 0.0]),
            ("ti", [0.0, 0.0, 1.0]),
            ("weight_at_112d", gradient),
        ];
        for (term, gradient) in gradients {
            let along = nalgebra::DVector::from_row_slice(&gradient);
            let sandwich = (&covariance * &along).dot(&along).sqrt();
            let n = f64::from(u32::try_from(birds).unwrap());
            let left = |terms: &Vec<f64>| terms.iter().zip(&gradient).map(|(t, g)| t * g).sum();
            let left: Vec<f64> = without.iter().map(left).collect();
            let mean = left.iter().sum::<f64>() / n;
            let squares: f64 = left.iter().map(|one| (one - mean).powi(2)).sum();
            let jackknife = ((n - 1.0) / n * squares).sqrt();
            let widths = 2.0 * t_two_sided_quantile(0.95, n - 1.0);
            let row = table
                .iter()
                .find(|row| row["strain"] == *name && row["term"] == term)
                .unwrap();
            let number = |column: &str| row[column].parse::<f64>().unwrap();
            let width = number("upper") - number("lower");
            // Of 1,000 draws each end, at 2.1 standard errors, is known to 0.1 of one and
            // the width of 4.2 to 3.2 %: three times that.
            let (least, most) = (0.9 * widths * sandwich, 1.1 * widths * jackknife);
            assert!(
                (least..=most).contains(&width),
                "{name} {term}: {width} between {least} and {most}"
            );
            compared += 1;
        }
    }
    assert_eq!(compared, 12);
}

#[test]
fn the_tables_have_the_columns_of_the_contract() {
    let folder = tempfile::tempdir().unwrap();
    let demo = root().join("data-demo");
    let call = format!(
        "fit {} --curve gompertz,two-phase-gompertz --cross-validate --level strain --out r",
        demo.display()
    );
    done(folder.path(), &call);
    let tables = folder.path().join("r/tables");
    let header = |name: &str| {
        let text = std::fs::read_to_string(tables.join(name)).unwrap();
        assert!(!text.contains("NaN"), "{name}");
        text.lines().next().unwrap().to_owned()
    };
    assert_eq!(
        header("curves.csv"),
        "level,strain,bird,trait,curve,age_d,fitted,lower,upper,simultaneous_lower,simultaneous_upper,rate,rate_lower,rate_upper,prediction_lower,prediction_upper"
    );
    assert!(header("curve_choice.csv").starts_with(
        "level,strain,bird,trait,rank,curve,status,n,parameters,log_lik,aic,aicc,bic,delta_aicc,weight,note,rank_bic"
    ));
    // Of corrected masses the equations' error may make a band wider than a new bird's.
    for row in rows(&tables.join("curves.csv")) {
        if row["trait"] != "body_weight" {
            continue;
        }
        let number = |column: &str| row[column].parse::<f64>().unwrap();
        let order = [
            "prediction_lower",
            "simultaneous_lower",
            "lower",
            "fitted",
            "upper",
            "simultaneous_upper",
            "prediction_upper",
        ];
        assert!(order.map(number).is_sorted(), "{row:?}");
    }
    // The demo's truth has two phases, which hidden birds show too.
    for row in rows(&tables.join("curve_choice.csv")) {
        if row["trait"] != "body_weight" {
            continue;
        }
        let (rank, verdict) = (row["rank"].as_str(), row["verdict"].as_str());
        assert_eq!(rank == "1", row["curve"] == "two-phase-gompertz");
        assert_eq!(
            rank == "1",
            verdict.starts_with("best by AICc"),
            "{verdict}"
        );
        assert!(row["cv_bird_rmse"].parse::<f64>().unwrap() > 10.0);
        assert!(["yes", "no"].contains(&row["asymptote_supported"].as_str()));
        if rank == "2" {
            assert!(verdict.contains("runs along age"), "{verdict}");
        }
    }
}
