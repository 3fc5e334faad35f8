//! Timing cues against closed forms and independently computed values.
//!
//! Where the numbers come from: `tests/reference/maturity/SOURCE.md`.

use pinfeather::fit::{self, Failure, Outcome, Series, Weakness, Workspace};
use pinfeather::growth::{Curve, Derived, built_in};
use pinfeather::maturity::{
    Cue, CueAge, CueOptions, FirstEgg, FittedCurve, NoCue, Support, cues, summarise,
};
use pinfeather::study::{Bird, Onset, Study};

use crate::support::close_within;

const MATURITY: &str = include_str!("maturity/expected.json");

/// A study with this number of birds of one strain, with these first eggs.
fn study(birds: usize, onset: Vec<Onset>) -> Study {
    Study {
        birds: (0..birds)
            .map(|i| Bird {
                name: format!("bird {i}"),
                strain: 0,
                pen: None,
                treatment: None,
                block: None,
                hatch_date: None,
            })
            .collect(),
        strains: vec!["line".to_owned()],
        onset,
        ..Study::default()
    }
}

/// A gompertz of 1500 g, 0.03 a day, 45 d with an invented wobble, fitted to an age.
fn gompertz_fit(last_age_d: f64) -> (std::sync::Arc<dyn Curve>, Outcome) {
    let curve = built_in("gompertz").unwrap();
    let ages_d: Vec<f64> = (0..)
        .map(|i| 7.0 * f64::from(i))
        .take_while(|a| *a <= last_age_d)
        .collect();
    let wobble = [4.0, -3.0, 1.0, -5.0, 2.0, 6.0, -4.0];
    let values: Vec<f64> = ages_d
        .iter()
        .enumerate()
        .map(|(i, age_d)| curve.value(*age_d, &[1500.0, 0.03, 45.0]) + wobble[i % 7])
        .collect();
    let series = Series {
        ages_d: &ages_d,
        values: &values,
    };
    let outcome = fit::fit(
        &*curve,
        series,
        &fit::Settings::default(),
        &mut Workspace::new(),
    );
    (curve, outcome)
}

fn fitted<'a>(curve: &'a dyn Curve, outcome: &'a Outcome, last_age_d: f64) -> FittedCurve<'a> {
    FittedCurve {
        trait_index: 0,
        strain: 0,
        bird: Some(0),
        curve,
        outcome,
        first_age_d: 0.0,
        last_age_d,
    }
}

fn of(rows: &[Cue], what: Derived) -> &Cue {
    rows.iter().find(|row| row.cue == what).unwrap()
}

/// A gompertz reaches the fraction p of A at ti - ln(-ln p) / k, and the weight w at
/// ti - ln(ln(A/w)) / k; the variances follow by hand from the terms' covariance.
#[test]
fn cues_of_a_gompertz_are_its_closed_forms() {
    let (curve, outcome) = gompertz_fit(168.0);
    let Outcome::Converged(estimates) = &outcome else {
        panic!("{outcome:?}")
    };
    let options = CueOptions {
        thresholds_g: vec![1000.0],
        ..CueOptions::default()
    };
    let rows = cues(
        &study(1, vec![]),
        &[fitted(&*curve, &outcome, 168.0)],
        &options,
    )
    .unwrap();
    // No second phase, so no row for it.
    assert_eq!(rows.len(), 4);
    let (a, k, ti) = (estimates.terms[0], estimates.terms[1], estimates.terms[2]);
    let v = |i: usize, j: usize| estimates.covariance[3 * i + j];
    // Gradient (dA, dk, dti) of each age.
    let log_log = (a / 1000.0_f64).ln();
    let expected = [
        (Derived::InflectionAge, ti, [0.0, 0.0, 1.0]),
        (
            Derived::AgeAtFraction(0.5),
            ti - 2f64.ln().ln() / k,
            [0.0, 2f64.ln().ln() / (k * k), 1.0],
        ),
        (
            Derived::AgeAtValue(1000.0),
            ti - log_log.ln() / k,
            [-1.0 / (k * log_log * a), log_log.ln() / (k * k), 1.0],
        ),
    ];
    for (what, age_d, gradient) in expected {
        let CueAge {
            estimate_d,
            std_error_d,
            interval_d,
            support,
        } = of(&rows, what).age.clone().unwrap();
        // Closed forms against closed forms: rounding alone.
        close_within(estimate_d, age_d, 1e-9, "age");
        let mut variance = 0.0;
        for i in 0..3 {
            for j in 0..3 {
                variance += gradient[i] * v(i, j) * gradient[j];
            }
        }
        let error = std_error_d.unwrap();
        close_within(error, variance.sqrt(), 1e-9, "standard error");
        let (lower, upper) = interval_d.unwrap();
        // 25 weighings, 3 terms: the t quantile at 22 df is 2.073873 (any printed table, 2.074).
        close_within((upper - lower) / (2.0 * error), 2.073_873, 1e-6, "quantile");
        assert_eq!(support, Support::Supported);
    }
}

#[test]
fn a_cue_beyond_the_data_of_a_weak_fit_or_of_none_is_marked() {
    let (curve, outcome) = gompertz_fit(168.0);
    let Outcome::Converged(estimates) = outcome.clone() else {
        panic!("{outcome:?}")
    };
    let weak = Outcome::Weak(
        estimates,
        vec![Weakness {
            term: Some(0),
            reason: "asymptote far beyond the data".to_owned(),
        }],
    );
    let failed = Outcome::Failed(Failure {
        reason: "too few weighings".to_owned(),
        n: 2,
        tried: true,
    });
    let options = CueOptions {
        thresholds_g: vec![1000.0, 2000.0],
        ..CueOptions::default()
    };
    let fits = [
        // The same fit, with data that end at 100 d: 95 percent of A comes at 144 d.
        fitted(&*curve, &outcome, 100.0),
        fitted(&*curve, &weak, 168.0),
        fitted(&*curve, &failed, 168.0),
    ];
    let rows = cues(&study(1, vec![]), &fits, &options).unwrap();
    let status = |fit: usize, what| {
        rows[5 * fit..5 * fit + 5]
            .iter()
            .find(|r| r.cue == what)
            .unwrap()
            .status()
    };
    assert_eq!(rows.len(), 15);
    assert_eq!(status(0, Derived::InflectionAge), "supported");
    assert_eq!(status(0, Derived::AgeAtFraction(0.95)), "extrapolated");
    assert_eq!(status(0, Derived::AgeAtValue(2000.0)), "not reached");
    assert_eq!(status(1, Derived::InflectionAge), "weak");
    assert_eq!(status(2, Derived::InflectionAge), "failed");
    assert_eq!(rows[5].note(), "weak fit: asymptote far beyond the data");
    assert_eq!(rows[10].note(), "no fit: too few weighings");
    assert!(rows[3 - 1].note().contains("beyond the data, 0 to 100 d"));
    // Beyond the data at the young side as well: an inflection before the first weighing.
    let late = FittedCurve {
        first_age_d: 60.0,
        ..fits[0]
    };
    let rows = cues(&study(1, vec![]), &[late], &options).unwrap();
    assert_eq!(of(&rows, Derived::InflectionAge).status(), "extrapolated");
}

#[test]
fn a_threshold_or_confidence_out_of_range_is_a_wrong_call() {
    for thresholds_g in [vec![0.0], vec![f64::NAN], vec![-5.0]] {
        let options = CueOptions {
            thresholds_g,
            ..CueOptions::default()
        };
        assert!(cues(&study(0, vec![]), &[], &options).is_err());
    }
    let options = CueOptions {
        confidence: 1.0,
        ..CueOptions::default()
    };
    assert!(cues(&study(0, vec![]), &[], &options).is_err());
    assert!(summarise(&[], f64::NAN).is_err());
    assert!(summarise(&[], 0.95).unwrap().is_empty());
}

fn cue(estimate_d: f64, support: Support, first_egg: FirstEgg) -> Cue {
    Cue {
        trait_index: 0,
        strain: 0,
        bird: Some(0),
        curve: "two-phase-gompertz".to_owned(),
        cue: Derived::SecondPeakAge,
        age: Ok(CueAge {
            estimate_d,
            std_error_d: Some(1.0),
            interval_d: None,
            support,
        }),
        first_egg,
    }
}

/// Eight birds against SciPy; four more that must be counted and left out.
#[test]
fn the_summary_agrees_with_an_independent_program() {
    let reference: serde_json::Value = serde_json::from_str(MATURITY).unwrap();
    let number = |name: &str| reference[name].as_f64().unwrap();
    let column = |name: &str| -> Vec<f64> {
        reference[name]
            .as_array()
            .unwrap()
            .iter()
            .map(|v| v.as_f64().unwrap())
            .collect()
    };
    let mut rows: Vec<Cue> = column("cue_d")
        .into_iter()
        .zip(column("first_egg_d"))
        .map(|(cue_d, egg_d)| cue(cue_d, Support::Supported, FirstEgg::At(egg_d)))
        .collect();
    rows.push(cue(
        150.0,
        Support::Supported,
        FirstEgg::NotYet(Some(168.0)),
    ));
    rows.push(cue(
        900.0,
        Support::Extrapolated(0.0, 168.0),
        FirstEgg::At(140.0),
    ));
    rows.push(cue(
        60.0,
        Support::Weak("why".to_owned()),
        FirstEgg::At(140.0),
    ));
    rows.push(Cue {
        age: Err(NoCue::NotReached),
        ..cue(0.0, Support::Supported, FirstEgg::At(1.0))
    });
    rows.push(cue(10.0, Support::Supported, FirstEgg::NotRecorded));
    let found = summarise(&rows, 0.95).unwrap();
    assert_eq!(found.len(), 1);
    let found = &found[0];
    assert_eq!((found.n, found.not_laying, found.without_cue), (8, 1, 3));
    close_within(
        found.mean_difference_d.unwrap(),
        number("mean"),
        1e-11,
        "mean",
    );
    close_within(found.sd_difference_d.unwrap(), number("sd"), 1e-11, "SD");
    close_within(
        found.std_error_d.unwrap(),
        number("std_error"),
        1e-11,
        "standard error",
    );
    let (lower, upper) = found.interval_d.unwrap();
    // The quantiles of statrs are good to some 1e-11.
    close_within(lower, number("lower"), 1e-8, "lower");
    close_within(upper, number("upper"), 1e-8, "upper");
    close_within(
        found.correlation.unwrap(),
        number("correlation"),
        1e-12,
        "correlation",
    );
    let (lower, upper) = found.correlation_interval.unwrap();
    close_within(lower, number("correlation_lower"), 1e-9, "lower");
    close_within(upper, number("correlation_upper"), 1e-9, "upper");
}

#[test]
fn few_birds_or_no_spread_have_an_answer() {
    let at = |cue_d, egg_d| cue(cue_d, Support::Supported, FirstEgg::At(egg_d));
    let none = cue(120.0, Support::Supported, FirstEgg::NotYet(None));
    let found = summarise(&[none], 0.95).unwrap();
    assert_eq!(
        (found[0].n, found[0].not_laying, found[0].mean_difference_d),
        (0, 1, None)
    );
    let found = summarise(&[at(120.0, 135.0)], 0.95).unwrap();
    assert_eq!(
        (found[0].mean_difference_d, found[0].sd_difference_d),
        (Some(15.0), None)
    );
    assert_eq!((found[0].interval_d, found[0].correlation), (None, None));
    // All laid at one age: a spread in difference, no correlation.
    let found = summarise(
        &[at(118.0, 135.0), at(120.0, 135.0), at(122.0, 135.0)],
        0.95,
    )
    .unwrap();
    assert_eq!(
        (found[0].sd_difference_d, found[0].correlation),
        (Some(2.0), None)
    );
}

#[test]
fn the_difference_is_first_egg_less_cue() {
    let (curve, outcome) = gompertz_fit(168.0);
    let onset = |first_egg_age_d, last_seen_age_d| {
        let onset = Onset {
            bird: 0,
            first_egg_age_d,
            last_seen_age_d,
            ..Onset::default()
        };
        study(1, vec![onset])
    };
    let fits = [fitted(&*curve, &outcome, 168.0)];
    let rows = cues(
        &onset(Some(140.0), Some(168.0)),
        &fits,
        &CueOptions::default(),
    )
    .unwrap();
    let inflection = of(&rows, Derived::InflectionAge);
    let age_d = inflection.age.as_ref().unwrap().estimate_d;
    close_within(
        inflection.difference_d().unwrap(),
        140.0 - age_d,
        1e-12,
        "difference",
    );
    let rows = cues(&onset(None, Some(168.0)), &fits, &CueOptions::default()).unwrap();
    assert_eq!(rows[0].difference_d(), None);
    assert_eq!(rows[0].note(), "no egg until 168 d");
    // A strain's curve has no first egg.
    let strain = FittedCurve {
        bird: None,
        ..fits[0]
    };
    let rows = cues(&onset(Some(140.0), None), &[strain], &CueOptions::default()).unwrap();
    assert_eq!(rows[0].first_egg, FirstEgg::NotRecorded);
}
