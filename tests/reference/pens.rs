//! Birds in pens: a second, outer level of random effects, against R's lme4 and nlme.
//!
//! Values, versions and script: `reference/pens/SOURCE.md`.

use pinfeather::fit::mixed::{
    Criterion, Estimator, GroupedTerms, MixedFit, MixedModel, MixedOptions, RandomTerm, Subjects,
};
use pinfeather::growth::{Card, Curve, built_in};
use serde_json::Value;

use std::sync::Arc;

use nalgebra::{DMatrix, DVector};
use pinfeather::contrast::{self, Adjust, Request, Source};
use pinfeather::fit::Settings;
use pinfeather::stats::distribution::t_two_sided;
use pinfeather::stats::few_units::kenward_roger;
use pinfeather::study::{Bird, FixedEffectOf, Records, Study, Unit};
use pinfeather::trajectory::{Cohort, Design, PopulationRequest, TraitModel};

use crate::support::{close, expected, number};

/// Birds of a table, each with its group and pen.
#[derive(Default)]
struct Birds {
    starts: Vec<usize>,
    ages_d: Vec<f64>,
    values: Vec<f64>,
    groups: Vec<usize>,
    pens: Vec<usize>,
}

impl Birds {
    fn read(file: &str) -> Self {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("tests/reference/pens")
            .join(file);
        let mut birds = Self::default();
        let (mut last, mut groups, mut pens) = (String::new(), Vec::new(), Vec::new());
        let place = |names: &mut Vec<String>, name: &str| {
            names
                .iter()
                .position(|known| known == name)
                .unwrap_or_else(|| {
                    names.push(name.to_owned());
                    names.len() - 1
                })
        };
        for record in csv::Reader::from_path(path).expect("table").records() {
            let record = record.expect("row");
            if record[2] != last {
                record[2].clone_into(&mut last);
                birds.starts.push(birds.values.len());
                birds.groups.push(place(&mut groups, &record[0]));
                birds.pens.push(place(&mut pens, &record[1]));
            }
            birds.ages_d.push(record[3].parse().expect("age"));
            birds.values.push(record[4].parse().expect("value"));
        }
        birds.starts.push(birds.values.len());
        birds
    }

    fn subjects(&self) -> Subjects<'_> {
        Subjects::new(&self.starts, &self.ages_d, &self.values, &self.groups)
            .expect("columns")
            .with_clusters(&self.pens)
            .expect("pens within groups")
    }
}

/// A straight line with terms a and b.
pub(crate) fn line() -> Card {
    Card::parse(
        r#"
name = "line"
description = "straight line"
equation = "a + b*t"
source = "for this test"
[[term]]
name = "a"
meaning = "at day 0"
unit = "g"
[[term]]
name = "b"
meaning = "a day"
unit = "g/d"
[[start]]
a = "y_first"
b = "1"
"#,
        "line.toml",
    )
    .expect("card")
}

fn natural(terms: &[&str]) -> Vec<RandomTerm> {
    terms.iter().map(|term| RandomTerm::natural(term)).collect()
}

fn fit(curve: &dyn Curve, birds: &Birds, options: &MixedOptions) -> MixedFit {
    let outcome = MixedModel::new(curve, options)
        .expect("options")
        .fit(&birds.subjects());
    assert_eq!(outcome.status(), "converged", "{:?}", outcome.reasons());
    *outcome.into_fit().expect("a fit")
}

/// Fixed effects, their errors and the SDs, each to `digits`, relative.
fn compare(name: &str, ours: &MixedFit, theirs: &Value, log_lik: f64, digits: f64) {
    let difference = ours.log_lik - number(&theirs["logLik"]);
    assert!(difference.abs() < log_lik, "{name}: {difference}");
    for (at, effect) in ours.fixed.iter().enumerate() {
        let what = format!("{name}: fixed effect {at}");
        close(&what, effect.value, number(&theirs["fixed"][at]), digits);
        let error = number(&theirs["fixed_se"][at]);
        close(
            &format!("{what}, error"),
            effect.standard_error,
            error,
            digits,
        );
    }
    let sds = |effects: &[pinfeather::fit::mixed::RandomEffect]| -> Vec<f64> {
        let mut sds: Vec<f64> = effects.iter().map(|one| one.standard_deviation).collect();
        // The script's order is that of the names.
        sds.sort_by(|a, b| a.total_cmp(b));
        sds
    };
    let theirs_of = |key: &str| -> Vec<f64> {
        let all = theirs[key].as_array().expect("SDs");
        let mut all: Vec<f64> = all.iter().map(number).collect();
        all.sort_by(|a, b| a.total_cmp(b));
        all
    };
    for (key, effects) in [("pen_sd", &ours.cluster), ("bird_sd", &ours.random)] {
        let theirs = theirs_of(key);
        assert_eq!(theirs.len(), effects.len(), "{name}");
        for (ours, theirs) in sds(effects).into_iter().zip(theirs) {
            // Both are zero where one is: the SD of what cannot be seen.
            if theirs > 1e-6 || ours > 1e-6 {
                close(&format!("{name}: {key}"), ours, theirs, 20.0 * digits);
            }
        }
    }
    close(name, ours.sigma, number(&theirs["sigma"]), 20.0 * digits);
}

/// lme4 stops where its optimiser's steps fall below 1e-10: SDs, along which the
/// likelihood is flat, agree to some 1e-5, all else better.
#[test]
fn birds_in_pens_on_a_line_are_fitted_as_by_lme4() {
    let (line, all) = (line(), expected("pens/expected.json"));
    for (criterion, of) in [
        (Criterion::Likelihood, "ML"),
        (Criterion::RestrictedLikelihood, "REML"),
    ] {
        let one = MixedOptions {
            grouped: GroupedTerms::Named(vec!["a".to_owned()]),
            random: natural(&["a"]),
            cluster: natural(&["a"]),
            criterion,
            ..MixedOptions::default()
        };
        let slopes = MixedOptions {
            grouped: GroupedTerms::All,
            random: natural(&["a", "b"]),
            cluster: natural(&["a", "b"]),
            ..one.clone()
        };
        for (name, file, options) in [
            ("line", "line.csv", &one),
            ("alike", "line_alike.csv", &one),
            ("unequal", "line_unequal.csv", &slopes),
        ] {
            let name = format!("{name}_{of}");
            let ours = fit(&line, &Birds::read(file), options);
            compare(&name, &ours, &all[&name], 1e-6, 1e-6);
            let bird = line.value(0.0, ours.subject(0));
            close(&name, bird, number(&all[&name]["first_bird"]), 1e-5);
        }
    }
}

/// One effect of a pen, an amount added to both terms of a line, is lme4's effect of a pen
/// on 1 + age.
#[test]
fn a_common_effect_of_pens_on_a_line_is_fitted_as_by_lme4() {
    let (line, all) = (line(), expected("pens/common.json"));
    for (criterion, of) in [
        (Criterion::Likelihood, "ML"),
        (Criterion::RestrictedLikelihood, "REML"),
    ] {
        let options = MixedOptions {
            grouped: GroupedTerms::All,
            random: natural(&["a", "b"]),
            cluster: natural(&["a", "b"]),
            common_cluster: true,
            criterion,
            ..MixedOptions::default()
        };
        let ours = fit(&line, &Birds::read("line_unequal.csv"), &options);
        let theirs = &all[of];
        let difference = ours.log_lik - number(&theirs["log_lik"]);
        assert!(difference.abs() < 1e-6, "{of}: {difference}");
        // R: a of both groups, then b of both; ours: term by term as well.
        for effect in &ours.fixed {
            let place = 2 * effect.term + effect.group.expect("a group");
            let expected = |key: &str| number(&theirs[key][place]);
            close(of, effect.value, expected("fixed"), 1e-6);
            close(of, effect.standard_error, expected("errors"), 2e-5);
        }
        for effect in &ours.cluster {
            let sd = number(&theirs["pen_sd"]);
            close(of, effect.standard_deviation, sd, 2e-5);
        }
        close(of, ours.sigma, number(&theirs["sigma"]), 2e-5);
    }
}

/// nlme's own alternation ends where neither of its steps moves by 1e-9.
#[test]
fn birds_in_pens_on_a_gompertz_curve_are_fitted_as_by_nlme() {
    let all = expected("pens/expected.json");
    let gompertz = built_in("gompertz").expect("curve");
    for (criterion, of) in [
        (Criterion::Likelihood, "ML"),
        (Criterion::RestrictedLikelihood, "REML"),
    ] {
        let options = MixedOptions {
            grouped: GroupedTerms::All,
            random: natural(&["A", "k"]),
            cluster: natural(&["A"]),
            criterion,
            ..MixedOptions::default()
        };
        let ours = fit(&*gompertz, &Birds::read("gompertz.csv"), &options);
        let name = format!("gompertz_{of}");
        compare(&name, &ours, &all[&name], 1e-3, 1e-4);
        let bird = gompertz.value(98.0, ours.subject(0));
        close(&name, bird, number(&all[&name]["first_bird"]), 1e-5);
    }
}

/// The difference between the groups of a balanced linear design, by restricted likelihood:
/// pens - groups degrees of freedom are those of Kenward and Roger, and so is P. With birds
/// as units Satterthwaite's are birds - groups.
#[test]
fn degrees_of_freedom_are_those_of_kenward_and_roger() {
    let (line, all, birds) = (
        line(),
        expected("pens/expected.json"),
        Birds::read("line.csv"),
    );
    let mut study = Study {
        strains: vec!["a".into(), "b".into()],
        pens: (0..8).map(|pen| format!("pen {pen}")).collect(),
        ..Study::default()
    };
    for (strain, pen) in birds.groups.iter().zip(&birds.pens) {
        study.birds.push(Bird {
            name: study.birds.len().to_string(),
            strain: *strain,
            pen: Some(*pen),
            treatment: None,
            block: None,
            hatch_date: None,
        });
    }
    let records = Records {
        starts: birds.starts.clone(),
        ages_d: birds.ages_d.clone(),
        values: birds.values.clone(),
        ..Records::default()
    };
    let cohort = Cohort::of(&study, &records, 0, &[FixedEffectOf::Strain], |_| true);
    let by_pens = Design::of(&study, &cohort).expect("pens within groups");
    let kenward_roger = number(&all["df"]["kenward_roger"]);
    assert_eq!(by_pens.unit, Unit::Pen);
    close("Kenward-Roger", by_pens.df() as f64, kenward_roger, 1e-6);
    let satterthwaite = number(&all["df"]["satterthwaite"]);
    close("Satterthwaite", by_pens.df() as f64, satterthwaite, 1e-6);
    study.settings.design.unit = Some(Unit::Bird);
    let by_birds = Design::of(&study, &cohort).expect("birds");
    let satterthwaite = number(&all["df_birds"]["satterthwaite"]);
    close("birds", by_birds.df() as f64, satterthwaite, 1e-6);

    let options = MixedOptions {
        grouped: GroupedTerms::Named(vec!["a".to_owned()]),
        random: natural(&["a"]),
        cluster: natural(&["a"]),
        criterion: Criterion::RestrictedLikelihood,
        ..MixedOptions::default()
    };
    let model = MixedModel::new(&line, &options).expect("options");
    let subjects = cohort.subjects().expect("subjects");
    let ours = model.fit(&subjects).into_fit().expect("a fit");
    assert_eq!(ours.group_estimates(0).df, by_pens.df());
    let difference = ours.fixed[1].value - ours.fixed[0].value;
    close(
        "difference",
        difference,
        number(&all["df"]["estimate"]),
        1e-9,
    );
    let fixed = ours.fixed.len();
    let at = |row: usize, column: usize| ours.fixed_covariance[row * fixed + column];
    let error = (at(0, 0) + at(1, 1) - 2.0 * at(0, 1)).sqrt();
    close("error", error, number(&all["df"]["std_error"]), 1e-6);
    let (first, second) = ([1.0, 0.0], [-1.0, 0.0]);
    let own = df_of(&ours, &[(0, &first), (1, &second)], error);
    close("own", own, kenward_roger, 1e-5);
    let p = t_two_sided(difference / error, own);
    close("P", p, number(&all["df"]["p"]), 1e-5);
}

/// The difference between two groups' lines at 14 d and in both terms: error, degrees of
/// freedom and P of the first; F and its denominator of the second, where that exceeds 2.
fn differences(ours: &MixedFit) -> Vec<f64> {
    let (gradient, opposite) = ([1.0, 14.0], [-1.0, -14.0]);
    let d = DVector::from_fn(2, |term, _| ours.group(1)[term] - ours.group(0)[term]);
    let v = DMatrix::from_fn(2, 2, |row, column| {
        let at = 2 * row + column;
        ours.group_covariance(0)[at] + ours.group_covariance(1)[at]
    });
    let along = DVector::from_row_slice(&gradient);
    let error = along.dot(&(&v * &along)).sqrt();
    let df = df_of(ours, &[(0, &gradient), (1, &opposite)], error);
    let p = t_two_sided(along.dot(&d) / error, df);
    let root = v.cholesky().expect("positive definite").unpack();
    let errors = ours.covariance_error.as_ref().expect("errors");
    let standard = |direction: usize| {
        let of = |group: usize| errors.block(direction, group, group).expect("a block");
        let change = DMatrix::from_fn(2, 2, |row, column| {
            of(0)[2 * row + column] + of(1)[2 * row + column]
        });
        let half = root.solve_lower_triangular(&change).expect("a root");
        root.solve_lower_triangular(&half.transpose())
            .expect("a root")
    };
    let changes: Vec<DMatrix<f64>> = (0..errors.directions()).map(standard).collect();
    let wald = root.solve_lower_triangular(&d).expect("a root");
    let mut found = vec![error, df, p];
    if let Some((factor, df2)) = kenward_roger(&changes, 2) {
        found.extend([wald.norm_squared() * factor / 2.0, df2]);
    }
    found
}

/// Errors of groups' lines by the variation between pens: of a balanced design those of an
/// analysis of the pens' own lines, with its t and Hotelling's T^2, whatever the model's effect of
/// pens, and in complete blocks that of randomised blocks; else by the definition with whole
/// matrices.
#[test]
fn errors_by_the_variation_between_pens_are_those_of_an_analysis_of_pens() {
    let (line, all) = (line(), expected("pens/between.json"));
    let fitted = |file: &str, cluster: &[&str], blocks: Option<Vec<usize>>| {
        let options = MixedOptions {
            grouped: GroupedTerms::All,
            random: natural(&["a", "b"]),
            cluster: natural(cluster),
            between_clusters: true,
            criterion: Criterion::RestrictedLikelihood,
            ..MixedOptions::default()
        };
        let birds = Birds::read(file);
        let mut subjects = birds.subjects();
        if let Some(blocks) = blocks {
            subjects = subjects.with_blocks(blocks).expect("complete blocks");
        }
        let model = MixedModel::new(&line, &options).expect("options");
        *model.fit(&subjects).into_fit().expect("a fit")
    };
    for cluster in [&["a"][..], &["a", "b"]] {
        let ours = fitted("line.csv", cluster, None);
        let theirs = &all["balanced"];
        for (at, effect) in ours.fixed.iter().enumerate() {
            close("mean", effect.value, number(&theirs["fixed"][at]), 1e-9);
        }
        for group in 0..2 {
            for (at, entry) in ours.group_covariance(group).iter().enumerate() {
                close(
                    "covariance",
                    *entry,
                    number(&theirs["covariance"][at]),
                    1e-8,
                );
            }
        }
        let keys = ["error_at_14", "df", "p_at_14", "F", "df2"];
        assert_eq!(differences(&ours).len(), keys.len());
        for (key, found) in keys.into_iter().zip(differences(&ours)) {
            close(key, found, number(&theirs[key]), 1e-7);
        }
        let ours = fitted("line.csv", cluster, Some(vec![0, 1, 2, 3, 0, 1, 2, 3]));
        let theirs = &all["blocks"];
        for (key, found) in keys.into_iter().zip(differences(&ours)) {
            let theirs = if key == "df" {
                3.0
            } else {
                number(&theirs[key])
            };
            close(key, found, theirs, 1e-7);
        }
    }
    // lme4 stops where its optimiser's steps fall below 1e-10: five digits.
    let ours = fitted("line_unequal.csv", &["a", "b"], None);
    for (group, name) in [(0, "a"), (1, "b")] {
        for (at, entry) in ours.group_covariance(group).iter().enumerate() {
            let theirs = number(&all["unequal"][name][at]);
            close("unequal", *entry, theirs, 2e-5);
        }
    }
    let birds = Birds::read("line.csv");
    let refused = |blocks: Vec<usize>| birds.subjects().with_blocks(blocks).is_err();
    assert!(refused(vec![0, 1, 2, 3]) && refused(vec![0, 0, 1, 1, 0, 1, 1, 1]));
}

/// Two strains by two treatments, two pens each: the interaction in all terms is that of an
/// analysis of the pens' own lines, whatever random effects were chosen.
#[test]
fn the_interaction_of_strain_and_treatment_is_that_of_an_analysis_of_pens() {
    let birds = Birds::read("line.csv");
    let mut study = Study {
        strains: vec!["a".into(), "b".into()],
        treatments: vec!["one".into(), "two".into()],
        pens: (0..8).map(|pen| format!("pen {pen}")).collect(),
        ..Study::default()
    };
    for (strain, pen) in birds.groups.iter().zip(&birds.pens) {
        study.birds.push(Bird {
            name: study.birds.len().to_string(),
            strain: *strain,
            pen: Some(*pen),
            treatment: Some(pen % 2),
            block: None,
            hatch_date: None,
        });
    }
    study.traits.push(Records {
        name: "body_weight".to_owned(),
        starts: birds.starts.clone(),
        ages_d: birds.ages_d.clone(),
        values: birds.values.clone(),
        ..Records::default()
    });
    let by = vec![FixedEffectOf::Strain, FixedEffectOf::Treatment];
    let curve: Arc<dyn Curve> = Arc::new(line());
    let wanted = PopulationRequest::chosen(by.clone());
    let curves = [curve];
    let model =
        TraitModel::choose(&study, &study.traits[0], 0, (&curves, None), &wanted).expect("a model");
    let request = Request {
        curves: curves.to_vec(),
        by,
        source: Source::Mixed,
        terms: Vec::new(),
        adjust: Adjust::MaxT,
        confidence: 0.95,
        ages_d: Vec::new(),
        masses_g: Vec::new(),
        settings: Settings::default(),
        hatch_weight_g: None,
        replicates: 0,
        seed: 1,
    };
    let comparison = contrast::compare(&study, &[model], &request, &|_| {}).expect("a comparison");
    let compared = &comparison.compared[0];
    assert!(compared.notes.is_empty(), "{:?}", compared.notes);
    let tests = &compared.tests;
    let found = tests.last().expect("tests");
    assert!(found.test.contains("interaction"), "{tests:?}");
    let theirs = &expected("pens/between.json")["interaction"];
    close("df1", found.df1 as f64, number(&theirs["df1"]), 1e-12);
    close("df2", found.df2, number(&theirs["df2"]), 1e-6);
    close("F", found.statistic, number(&theirs["F"]), 1e-6);
    close("P", found.p_value, number(&theirs["p"]), 1e-6);
}

/// Degrees of freedom of a combination of the groups' terms with this standard error.
fn df_of(fit: &MixedFit, parts: &[(usize, &[f64])], standard_error: f64) -> f64 {
    let error = fit.covariance_error.as_ref().expect("restricted");
    error.degrees_of_freedom(standard_error.powi(2), &error.changes(parts, parts))
}

/// Intercepts and slopes that vary between pens and birds, unbalanced: degrees of freedom of
/// differences and means at four ages, and of the difference in both terms together. They are
/// differenced here, and R is at its own estimates: five digits.
#[test]
fn degrees_of_freedom_are_kenward_and_rogers() {
    let (line, all) = (line(), expected("pens/expected.json"));
    let options = MixedOptions {
        grouped: GroupedTerms::All,
        random: natural(&["a", "b"]),
        cluster: natural(&["a", "b"]),
        criterion: Criterion::RestrictedLikelihood,
        ..MixedOptions::default()
    };
    let ours = fit(&line, &Birds::read("line_unequal.csv"), &options);
    let theirs = &all["unequal_df"];
    for (at, age) in theirs["ages"].as_array().expect("ages").iter().enumerate() {
        let age = number(age);
        let (of_a, of_b) = ([1.0, age], [-1.0, -age]);
        for (name, parts) in [
            ("group_a", vec![(0, &of_a[..])]),
            ("difference", vec![(0, &of_a[..]), (1, &of_b[..])]),
        ] {
            let error = number(&theirs[name]["std_error"][at]);
            let found = df_of(&ours, &parts, error);
            close(
                name,
                found,
                number(&theirs[name]["kenward_roger"][at]),
                2e-5,
            );
            // By observed information.
            close(
                name,
                found,
                number(&theirs[name]["satterthwaite"][at]),
                0.07,
            );
        }
    }
    // Terms of group b minus those of group a.
    let columns = |group: usize| [group, 2 + group];
    let count = ours.fixed.len();
    let covariance = DMatrix::from_fn(2, 2, |row, column| {
        (0..4)
            .map(|at| {
                let (a, b) = (columns(at / 2)[row], columns(at % 2)[column]);
                let sign = if at / 2 == at % 2 { 1.0 } else { -1.0 };
                sign * ours.fixed_covariance[a * count + b]
            })
            .sum::<f64>()
    });
    let inverse_root = covariance.cholesky().expect("definite").l().try_inverse();
    let inverse_root = inverse_root.expect("definite");
    let error = ours.covariance_error.as_ref().expect("restricted");
    let changes: Vec<DMatrix<f64>> = (0..error.directions())
        .map(|direction| {
            let of = |group| error.block(direction, group, group).expect("a block");
            let change = DMatrix::from_fn(2, 2, |row, column| {
                of(0)[row * 2 + column] + of(1)[row * 2 + column]
            });
            &inverse_root * change * inverse_root.transpose()
        })
        .collect();
    let (factor, df) = kenward_roger(&changes, 2).expect("a test");
    close("both", df, number(&theirs["both"]["df"]), 2e-5);
    close("scaling", factor, number(&theirs["both"]["scaling"]), 2e-5);
}

/// Where no variance between pens is found, a difference between groups has the degrees of
/// freedom of pens all the same.
#[test]
fn pens_that_are_alike_have_their_degrees_of_freedom() {
    let (line, all) = (line(), expected("pens/expected.json"));
    let options = MixedOptions {
        grouped: GroupedTerms::Named(vec!["a".to_owned()]),
        random: natural(&["a"]),
        cluster: natural(&["a"]),
        criterion: Criterion::RestrictedLikelihood,
        ..MixedOptions::default()
    };
    let ours = fit(&line, &Birds::read("line_alike.csv"), &options);
    assert!(ours.cluster[0].standard_deviation < 1e-6);
    let count = ours.fixed.len();
    let at = |row: usize, column: usize| ours.fixed_covariance[row * count + column];
    let error = (at(0, 0) + at(1, 1) - 2.0 * at(0, 1)).sqrt();
    let found = df_of(&ours, &[(0, &[1.0, 0.0]), (1, &[-1.0, 0.0])], error);
    let theirs = number(&all["alike_df"]["kenward_roger"]);
    close("alike", found, theirs, 2e-5);
}

/// By the definitions (expected information, Henderson's equations), which R evaluates at
/// its own estimates of the SDs: these agree to some 1e-5.
#[test]
fn spreads_and_birds_in_pens_have_the_errors_of_the_definitions() {
    let (line, all) = (line(), expected("pens/expected.json"));
    let intercepts = MixedOptions {
        grouped: GroupedTerms::Named(vec!["a".to_owned()]),
        random: natural(&["a"]),
        cluster: natural(&["a"]),
        ..MixedOptions::default()
    };
    let slopes = MixedOptions {
        grouped: GroupedTerms::All,
        random: natural(&["a", "b"]),
        cluster: natural(&["a", "b"]),
        ..MixedOptions::default()
    };
    for (name, file, options) in [
        ("line_errors", "line.csv", &intercepts),
        ("unequal_errors", "line_unequal.csv", &slopes),
    ] {
        let ours = fit(&line, &Birds::read(file), options);
        let theirs = &all[name];
        for term in 0..ours.random.len() {
            for (at, effect) in [ours.cluster[term], ours.random[term]].iter().enumerate() {
                let error = number(&theirs["pen_bird_sd_se"][2 * term + at]);
                close(name, effect.standard_error.expect("known"), error, 1e-4);
            }
        }
        let sigma = ours.sigma_error.expect("known");
        close(name, sigma, number(&theirs["sigma_se"]), 1e-4);
        let bird = ours.subject_covariance(0)[0].sqrt();
        close(name, bird, number(&theirs["first_bird_se"]), 1e-5);
    }
}

#[test]
fn a_pens_effect_is_part_of_its_birds_and_of_new_birds() {
    let line = line();
    let birds = Birds::read("line.csv");
    let options = MixedOptions {
        grouped: GroupedTerms::Named(vec!["a".to_owned()]),
        random: natural(&["a"]),
        cluster: natural(&["a"]),
        ..MixedOptions::default()
    };
    let ours = fit(&line, &birds, &options);
    let curve: std::sync::Arc<dyn Curve> = std::sync::Arc::new(line.clone());
    let model = MixedModel::new(&line, &options).expect("options");
    let new_bird = ours.population(&model, &curve);
    let variance =
        |effects: &[pinfeather::fit::mixed::RandomEffect]| effects[0].standard_deviation.powi(2);
    let both = variance(&ours.random) + variance(&ours.cluster);
    close("new bird", new_bird.random_covariance()[0], both, 1e-12);
    // Groups are less well known where pens differ too.
    let alone = MixedOptions {
        cluster: Vec::new(),
        ..options.clone()
    };
    let without = fit(&line, &birds, &alone);
    assert!(ours.fixed[0].standard_error > 1.2 * without.fixed[0].standard_error);
    assert!(ours.log_lik > without.log_lik);
    assert_eq!(ours.parameters, without.parameters + 1);
}

#[test]
fn clusters_that_cannot_be_are_refused_in_words() {
    let line = line();
    let options = |estimator, cluster| MixedOptions {
        random: natural(&["a"]),
        cluster,
        estimator,
        ..MixedOptions::default()
    };
    let refused = |options: &MixedOptions| match MixedModel::new(&line, options) {
        Ok(_) => panic!("refused"),
        Err(error) => error.to_string(),
    };
    let found = refused(&options(Estimator::Laplace, natural(&["a"])));
    assert!(found.contains("only the alternating estimator"), "{found}");
    let log = vec![RandomTerm::log("a")];
    let found = refused(&options(Estimator::Alternating, log));
    assert!(found.contains("another scale"), "{found}");
    let birds = Birds::read("line.csv");
    let subjects = birds.subjects();
    let crossed: Vec<usize> = birds.pens.iter().map(|pen| pen % 4).collect();
    let plain = || Subjects::new(&birds.starts, &birds.ages_d, &birds.values, &birds.groups);
    let found = plain()
        .expect("columns")
        .with_clusters(&crossed)
        .unwrap_err();
    assert!(found.to_string().contains("within one group"), "{found}");
    let model = MixedModel::new(&line, &options(Estimator::Alternating, natural(&["a"])));
    let model = model.expect("options");
    let found = model.fit(&plain().expect("columns"));
    assert!(found.reasons()[0].contains("no clusters"), "{found:?}");
    let found = model.fit(
        &plain()
            .expect("columns")
            .with_clusters(&birds.groups)
            .expect("one a group"),
    );
    assert!(found.reasons()[0].contains("at least two"), "{found:?}");
    assert_eq!(subjects.clusters().map(<[usize]>::len), Some(40));
}

/// With the error of the variance terms, by the definitions with whole matrices in R, which
/// differences the predictor at its own estimates.
#[test]
fn a_birds_errors_include_those_of_the_variances() {
    let (line, all) = (line(), expected("pens/expected.json"));
    let options = MixedOptions {
        grouped: GroupedTerms::All,
        random: natural(&["a", "b"]),
        cluster: natural(&["a", "b"]),
        criterion: Criterion::RestrictedLikelihood,
        ..MixedOptions::default()
    };
    let ours = fit(&line, &Birds::read("line_unequal.csv"), &options);
    for (name, bird) in [("mode_errors", 0), ("mode_errors_b", 29)] {
        let theirs = &all[name];
        let ages = theirs["ages"].as_array().expect("ages");
        for (at, age) in ages.iter().map(number).enumerate() {
            let covariance = ours.subject_covariance(bird);
            let variance = covariance[0] + 2.0 * age * covariance[1] + age * age * covariance[3];
            let expected = number(&theirs["with_variances"][at]);
            close(name, variance.sqrt(), expected, 2e-5);
            assert!(variance.sqrt() > 1.001 * number(&theirs["known_variances"][at]));
        }
    }
}
