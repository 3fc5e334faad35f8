//! Designs under a budget against simulated studies, two-stage sampling and enumerated splits.
//!
//! Values, versions and script: `reference/budget/SOURCE.md`.

use nalgebra::{DMatrix, DVector};
use pinfeather::analysis::{Options, PilotScans};
use pinfeather::plan::budget::{
    Aim, Budget, Extent, Limits, PilotPlace, PilotTrait, RequiredPrecision, ScanCost, ScanDesign,
    ScanError, offers,
};
use pinfeather::plan::carcasses::{CarcassKind, CarcassPlace, CarcassTrait, Carcasses};
use pinfeather::study::Way;
use serde_json::Value;

use crate::support::scans::{SCAN_SD, invented};
use crate::support::{expected, numbers};

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "whole numbers of a reference file"
)]
fn count(number: f64) -> usize {
    number as usize
}

/// A trait of one strain at these ages, in one way of scanning.
fn pilot(between: f64, bird: f64, error: ScanError, (ages, equation): (usize, f64)) -> PilotTrait {
    let place = |at: usize| PilotPlace {
        strain: "Ash".to_owned(),
        age_d: 42.0 * (at + 1) as f64,
        mass_g: 70.0,
        equation,
    };
    PilotTrait {
        name: "fat".to_owned(),
        between,
        bird: Some(bird),
        birds_df: 17,
        equation_birds: 60,
        equation_df: 58,
        places: (0..ages).map(place).collect(),
        ways: vec![Ok(vec![error; ages])],
    }
}

#[test]
fn variances_are_those_of_simulated_studies() {
    let all = expected("budget/expected.json");
    let simulated = &all["simulated"];
    let equation = numbers(&simulated["equation"]);
    let means = numbers(&simulated["mean_variance"]);
    let birds = numbers(&simulated["bird_variance"]);
    // Four standard errors of a variance from these runs.
    let tolerance = 4.0 * (2.0 / simulated["runs"].as_f64().unwrap()).sqrt();
    for (at, design) in simulated["designs"].as_array().unwrap().iter().enumerate() {
        let [
            _,
            between,
            bird,
            steady,
            repeat,
            offset,
            _,
            more,
            n,
            ages,
            repeats,
            group,
        ] = numbers(design)[..]
        else {
            panic!("{design}");
        };
        let error = ScanError {
            steady,
            repeat: Some(repeat),
            offset,
        };
        let ages = count(ages);
        let own = pilot(between, bird, error, (ages, equation[at]));
        let design = ScanDesign {
            way: 0,
            repeats: count(repeats),
            birds: count(n),
            carcasses: count(more),
        };
        let extent = Extent { strains: 1, ages };
        for (aim, found) in [(Aim::StrainMean, means[at]), (Aim::BirdCurve, birds[at])] {
            let scope = (ages - 1, extent);
            let formula = own.variance(aim, (design, count(group)), scope);
            match formula {
                Some(variance) => {
                    let ratio = variance.total() / found;
                    assert!((ratio - 1.0).abs() < tolerance, "{at} {aim:?} {ratio}");
                }
                // A scan of several birds has no curve of one.
                None => assert!(group > 1.0 && found < 0.0, "{at} {aim:?}"),
            }
        }
    }
}

#[test]
fn repeats_are_those_of_two_stage_sampling() {
    for row in expected("budget/expected.json")["two_stage"]["rows"]
        .as_array()
        .unwrap()
    {
        let [bird, scan, between, repeat, _, n, r, cost, cochran] = numbers(row)[..] else {
            panic!("{row}");
        };
        let error = ScanError {
            steady: 0.0,
            repeat: Some(repeat),
            offset: 0.0,
        };
        let own = pilot(between, between, error, (1, 0.0));
        let extent = Extent {
            strains: 1,
            ages: 1,
        };
        let enumerated = ScanDesign {
            way: 0,
            repeats: count(r),
            birds: count(n),
            carcasses: 0,
        };
        let level = 0.95;
        let width = own.widest_pct(Aim::StrainMean, (enumerated, 1), (extent, level));
        let budget = Budget {
            currency: "EUR".to_owned(),
            per_bird: bird,
            per_analysis: 50.0,
            per_hour: 0.0,
            analysis_minutes: 0.0,
            scans: vec![ScanCost {
                restraint: "tube".to_owned(),
                birds: 1,
                minutes: 1.0,
                price: scan,
                handling_minutes: 1.0,
                most_repeats: 12,
            }],
            limits: Limits::default(),
            requirements: vec![RequiredPrecision {
                trait_name: "fat".to_owned(),
                mean_pct: width.map(|width| width * (1.0 + 1e-9)),
                bird_pct: None,
                calibration_pct: None,
            }],
            level,
        };
        let found = offers(&budget, &[own], extent);
        let best = *found.offers[found.chosen.unwrap()].all.as_ref().unwrap();
        let spent = budget.cost(best, extent).money;
        // Student's t favours a few birds more, which enumeration by variances does not see.
        assert!(
            spent <= cost * (1.0 + 1e-9) && spent > 0.99 * cost,
            "{spent} {cost}"
        );
        assert!(
            (best.repeats as f64 - cochran.max(1.0)).abs() <= 1.0,
            "{best:?} {cochran}"
        );
    }
}

fn carcasses(case: &Value) -> Carcasses {
    let degree = i32::try_from(case["degree"].as_u64().unwrap()).unwrap();
    let row = |x: f64| {
        DVector::from_iterator(
            usize::try_from(degree).unwrap() + 1,
            (0..=degree).map(|k| x.powi(k)),
        )
    };
    let (x, v) = (numbers(&case["x"]), numbers(&case["v"]));
    let information: Vec<DMatrix<f64>> = x
        .iter()
        .zip(&v)
        .map(|(x, v)| row(*x) * row(*x).transpose() / *v)
        .collect();
    Carcasses {
        kinds: x
            .iter()
            .map(|x| CarcassKind {
                strain: "Ash".to_owned(),
                age_d: 80.0 + 50.0 * x,
                pilot: 2,
            })
            .collect(),
        traits: vec![CarcassTrait {
            name: "fat".to_owned(),
            information,
            places: numbers(&case["at"])
                .into_iter()
                .map(|x| CarcassPlace {
                    strain: "Ash".to_owned(),
                    age_d: 80.0 + 50.0 * x,
                    mass_g: 70.0,
                    gradient: row(x).iter().copied().collect(),
                })
                .collect(),
        }],
        with_pilot: case["with_pilot"].as_bool().unwrap(),
        level: 0.95,
    }
}

#[test]
fn splits_are_the_best_of_all() {
    for case in expected("budget/expected.json")["splits"]
        .as_array()
        .unwrap()
    {
        let plan = carcasses(case);
        let birds = usize::try_from(case["N"].as_u64().unwrap()).unwrap();
        let split = plan.best(birds).unwrap();
        assert_eq!(split.iter().sum::<usize>(), birds);
        let mean = |split: &[usize]| {
            let found = plan.precision(0, split).unwrap();
            let squares = found.iter().map(|one| (0.01 * one.std_error_pct).powi(2));
            squares.sum::<f64>() / found.len() as f64
        };
        let value = case["value"].as_f64().unwrap();
        assert!(
            (mean(&split) / value - 1.0).abs() < 1e-9,
            "{split:?} {case}"
        );
        // As good as the enumerated one, of which there may be two.
        let enumerated: Vec<usize> = numbers(&case["split"]).iter().map(|n| count(*n)).collect();
        let efficiency = plan.efficiency(&enumerated, &split).unwrap();
        assert!((efficiency - 1.0).abs() < 1e-9, "{efficiency}");
        let even = plan.as_in_pilot(birds);
        assert!(plan.efficiency(&even, &split).unwrap() < 1.0);
    }
}

#[test]
fn a_line_is_split_over_its_ends() {
    let all = expected("budget/expected.json");
    let plan = carcasses(&all["splits"][0]);
    assert_eq!(plan.best(12), Some(vec![6, 0, 0, 0, 6]));
    // The variance of a line's mean prediction over a symmetric design: 1/N + x^2 / (N 1).
    let found = plan.precision(0, &[6, 0, 0, 0, 6]).unwrap();
    assert!((found[2].std_error_pct - 100.0 / 12.0_f64.sqrt()).abs() < 1e-9);
    assert!((found[4].std_error_pct - 100.0 / 6.0_f64.sqrt()).abs() < 1e-9);
    // One bird does not determine two coefficients, nor two without a degree of freedom.
    assert_eq!(plan.best(1), None);
    assert_eq!(plan.precision(0, &[1, 0, 0, 0, 1]), None);
}

/// Birds that keep their size (SD 7 %) and fatness (20 %) at all ages, and a scanner whose
/// errors are drawn anew at each scan.
#[test]
fn components_are_those_of_the_birds_and_scans_drawn() {
    let study = invented(11).study();
    let options = Options::of(&study).unwrap();
    let way = |restraint: &str| Way {
        restraint: restraint.to_owned(),
        birds: 1,
        egg: false,
    };
    let ways = [way("tube"), way("sling")];
    let pilot = PilotScans::of(&study, &options, &[56.0, 105.0], (&ways, &[])).unwrap();
    // Fat is a share of the body: size and fatness; lean what it leaves.
    let fat = (0.07_f64.powi(2) + 0.2_f64.powi(2)).sqrt();
    let reading = 1.15;
    for (name, sd) in [("fat", fat), ("lean", 0.074), ("bone", 0.07)] {
        let own = pilot
            .components
            .iter()
            .find(|own| own.trait_name == name)
            .unwrap();
        assert_eq!((own.birds, own.birds_df), (76, 74));
        // An SD on 74 degrees of freedom has a standard error of 8 %.
        let found = own.between_variance.sqrt();
        assert!((found / sd - 1.0).abs() < 0.25, "{name} {found} {sd}");
        let kept = own.bird_variance.unwrap() / own.between_variance;
        assert!(kept > 0.8, "{name} {kept}");
        let errors = own.ways[0].as_ref().unwrap();
        for (at, error) in errors.iter().enumerate() {
            assert!(error.offset.abs() < 1e-12);
            // Lean and bone of these birds follow from weight and age, on which their equations
            // rest: a reading's error counts in fat alone.
            if name == "fat" {
                let scan = own.places[at].mass_g * error.repeat.unwrap().sqrt();
                let drawn = SCAN_SD[0] / reading;
                assert!((scan / drawn - 1.0).abs() < 0.4, "{scan} {drawn}");
            }
        }
        let why = own.ways[1].as_ref().unwrap_err();
        assert!(
            why.contains("sling: the pilot has no scan made so"),
            "{why}"
        );
    }
    let late = PilotScans::of(&study, &options, &[160.0], (&ways, &[])).unwrap_err();
    assert!(late.to_string().contains("not at 160 d"), "{late}");
}
