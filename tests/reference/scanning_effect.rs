//! Scanned against unscanned birds, against nlme and survreg in R (`scanning_effect/SOURCE.md`).

use std::fmt::Write as _;

use pinfeather::contrast::scanning_effect::{WeightEffect, first_scans, weight_effects};
use pinfeather::fit::Variance;
use pinfeather::fit::mixed::{Correlation, Covariance};
use pinfeather::growth::built_in;
use pinfeather::maturity::scanned_lay;
use pinfeather::study::{FixedEffectOf, Study};
use pinfeather::trajectory::{PopulationRequest, RandomTerms, TraitModel};

use crate::support::{close, expected, number, reference, root};

/// The simulated weighings with scans of these birds at this age.
fn study(scanned: &[&str], age_d: f64) -> Study {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).unwrap();
    let mut scans = "bird,age_d,feathers,fat_g,lean_g,bone_g\n".to_owned();
    for bird in scanned {
        writeln!(scans, "{bird},{age_d},intact,20,150,4").unwrap();
    }
    write("scans.csv", &scans);
    write(
        "study.toml",
        "[tables]\nweighings = \"weighings.csv\"\nscans = \"scans.csv\"\n",
    );
    std::fs::copy(
        reference("scanning_effect/weighings.csv"),
        folder.path().join("weighings.csv"),
    )
    .unwrap();
    Study::read_folder(folder.path()).unwrap_or_else(|error| panic!("{error}"))
}

/// The model that R fits too: a random asymptote, constant residuals.
fn effects(study: &Study) -> Vec<WeightEffect> {
    let wanted = PopulationRequest {
        random: RandomTerms::Named(vec!["A".to_owned()]),
        covariance: Some(Covariance::Diagonal),
        variance: Some(Variance::Constant),
        correlation: Some(Correlation::None),
        ..PopulationRequest::chosen(vec![FixedEffectOf::Strain])
    };
    let curves = [built_in("gompertz").unwrap()];
    let model = TraitModel::choose(study, &study.traits[0], 0, (&curves, None), &wanted).unwrap();
    weight_effects(study, &model, &[84.0, 140.0], (&|_| 5.0, 0.95))
}

#[test]
fn differences_are_those_of_nlme() {
    let scanned = ["A1", "A2", "A3", "A4", "B1", "B2", "B3", "B4"];
    let study = study(&scanned, 7.0);
    let file = expected("scanning_effect/expected.json");
    let rows = effects(&study);
    assert_eq!(rows.len(), 6);
    for row in &rows {
        let whose = row.strain.map_or("all", |strain| &study.strains[strain]);
        let there = &file[format!("{whose}_{}", row.age_d)];
        let effect = row.effect.as_ref().unwrap();
        let birds = if row.strain.is_some() {
            (4, 6)
        } else {
            (8, 12)
        };
        assert_eq!(row.birds, birds);
        // nlme stops its alternation at about four digits of the terms' errors.
        let error = number(&there["std_error"]);
        assert!(
            (effect.estimate - number(&there["estimate"])).abs() < 0.02 * error,
            "{whose} {}: {} {there}",
            row.age_d,
            effect.estimate
        );
        // One number a bird leaves out how weights differ in what is not the asymptote.
        close(whose, effect.standard_error, error, 0.03);
        // 20 birds in four groups; fewer where variances are estimated with little.
        assert!((8.0..=16.5).contains(&effect.df), "{}", effect.df);
        assert!(!effect.equivalence.equivalent || effect.equivalence.p_value < 0.05);
    }
}

#[test]
fn what_cannot_be_compared_says_why() {
    let all: Vec<String> = ["A", "B"]
        .iter()
        .flat_map(|strain| (1..=10).map(move |bird| format!("{strain}{bird}")))
        .collect();
    let all: Vec<&str> = all.iter().map(String::as_str).collect();
    let reason = |rows: &[WeightEffect]| rows[0].effect.clone().unwrap_err();
    assert_eq!(
        reason(&effects(&study(&all, 7.0))),
        "all birds had been scanned"
    );
    // At 84 d nobody had been scanned; at 140 d two birds of one strain.
    let rows = effects(&study(&["A1", "A2"], 100.0));
    assert_eq!(reason(&rows), "no bird had been scanned");
    let last = rows.iter().find(|row| row.age_d > 100.0).unwrap();
    assert_eq!(last.birds, (2, 18));
    assert!(last.effect.is_ok());
    let rows = effects(&study(&["A1"], 7.0));
    assert!(reason(&rows).starts_with("no strain has 2 scanned"));
    // Without scans there is nothing to compare.
    let mut none = study(&["A1"], 7.0);
    none.scans.rows.clear();
    assert!(effects(&none).is_empty());
}

#[test]
fn first_eggs_are_those_of_survreg() {
    let study = Study::read_folder(&root("data-demo")).unwrap();
    let found = scanned_lay(&study, &first_scans(&study)).unwrap();
    let there = &expected("scanning_effect/expected.json")["first_egg"];
    let shift = found.shift.unwrap();
    close(
        "landmark",
        found.landmark_d,
        number(&there["landmark_d"]),
        1e-12,
    );
    close(
        "scanned",
        found.birds.0 as f64,
        number(&there["scanned"]),
        1e-12,
    );
    close(
        "unscanned",
        found.birds.1 as f64,
        number(&there["unscanned"]),
        1e-12,
    );
    // survreg stops at a relative change of the likelihood of 1e-9.
    close("b", shift.log_ratio, number(&there["log_ratio"]), 1e-4);
    close("error", shift.log_error, number(&there["log_error"]), 1e-5);
    close("median", shift.median_d, number(&there["median_d"]), 1e-5);
    assert_eq!(
        format!("{:?}", shift.family).to_lowercase(),
        there["family"].as_str().unwrap()
    );
    // Everybody scanned: nothing to compare with.
    let everybody = vec![Some(21.0); study.birds.len()];
    let reason = scanned_lay(&study, &everybody).unwrap().shift.unwrap_err();
    assert_eq!(reason, "all birds had been scanned");
    assert!(scanned_lay(&study, &vec![None; study.birds.len()]).is_none());
}
