//! Published and recomputed fits of growth data, and identities that every fit must satisfy.

use pinfeather::fit::diagnostics::{durbin_watson, notes, residuals, runs_test};
use pinfeather::fit::{Outcome, Series, Settings, Workspace, choice, fit, interval};
use pinfeather::growth::{Derived, built_in};

use crate::support::close;

const CHICK_AGES_D: [f64; 12] = [0., 2., 4., 6., 8., 10., 12., 14., 16., 18., 20., 21.];

fn fitted(curve: &str, ages_d: &[f64], values: &[f64]) -> Outcome {
    let curve = built_in(curve).unwrap();
    let series = Series { ages_d, values };
    fit(
        curve.as_ref(),
        series,
        &Settings::default(),
        &mut Workspace::new(),
    )
}

/// Logistic A, x, s, SSE and Gompertz A, k, T, SSE of a bird or a diet's mean.
struct Published {
    what: &'static str,
    weights_g: [f64; 12],
    logistic: [f64; 4],
    gompertz: [f64; 4],
}

/// Check E3. Source: ChickWeight (Crowder and Hand 1990); weights and fits recomputed
/// in R 4.2.2, printed to 7 digits, hence 1e-6 (the means themselves are rounded at
/// the eighth digit).
const PUBLISHED: [Published; 6] = [
    Published {
        what: "bird 6",
        weights_g: [
            41., 49., 59., 74., 97., 124., 141., 148., 155., 160., 160., 157.,
        ],
        logistic: [168.0072, 6.150_779, 4.230_045, 326.6848],
        gompertz: [179.8354, 0.146_074_6, 4.006_678, 582.7997],
    },
    Published {
        what: "bird 50",
        weights_g: [
            41., 54., 67., 84., 105., 122., 155., 175., 205., 234., 264., 264.,
        ],
        logistic: [390.2147, 15.24705, 7.135_461, 119.9501],
        gompertz: [709.2420, 0.052_754_2, 20.21560, 170.5688],
    },
    Published {
        what: "mean of diet 1",
        weights_g: [
            41.4, 47.25, 56.47368, 66.78947, 79.68421, 93.05263, 108.52632, 123.38889, 144.64706,
            158.94118, 170.41176, 177.75,
        ],
        logistic: [273.4414, 15.49436, 8.583_704, 39.38726],
        gompertz: [516.4640, 0.043_293_19, 22.19369, 67.45480],
    },
    Published {
        what: "mean of diet 2",
        weights_g: [
            40.7, 49.4, 59.8, 75.4, 91.7, 108.5, 131.3, 141.9, 164.7, 187.7, 205.6, 214.7,
        ],
        logistic: [318.8110, 15.29742, 7.911_106, 51.89314],
        gompertz: [564.2142, 0.048_884_19, 20.19815, 52.47523],
    },
    Published {
        what: "mean of diet 3",
        weights_g: [
            40.8, 50.4, 62.2, 77.9, 98.4, 117.1, 144.4, 164.5, 197.4, 233.1, 258.9, 270.3,
        ],
        logistic: [466.1375, 18.33646, 7.720_539, 66.42166],
        gompertz: [1257.794, 0.039_681_25, 31.58951, 101.0564],
    },
    Published {
        what: "mean of diet 4",
        weights_g: DIET_4_MEAN_G,
        logistic: [319.7733, 13.43995, 7.179_220, 227.5511],
        gompertz: [472.0932, 0.061_369_71, 14.78053, 166.1559],
    },
];

const DIET_4_MEAN_G: [f64; 12] = [
    41.0, 51.8, 64.5, 83.9, 105.6, 126.0, 151.4, 161.8, 182.0, 202.9, 233.88889, 238.55556,
];

#[test]
fn birds_and_diet_means() {
    for published in PUBLISHED {
        let (what, weights) = (published.what, &published.weights_g);
        let logistic = fitted("logistic", &CHICK_AGES_D, weights);
        let l = logistic.estimates().unwrap();
        let gompertz = fitted("gompertz", &CHICK_AGES_D, weights);
        let g = gompertz.estimates().unwrap();
        // The source's logistic has a scale in days, 1 / k. The tables print k and
        // T of bird 6 from a fit that stopped at 2e-6 of them.
        for (name, computed, expected) in [
            ("A", l.terms[0], published.logistic[0]),
            ("x", l.terms[2], published.logistic[1]),
            ("s", 1.0 / l.terms[1], published.logistic[2]),
            ("SSE", l.rss, published.logistic[3]),
            ("A", g.terms[0], published.gompertz[0]),
            ("k", g.terms[1], published.gompertz[1]),
            ("T", g.terms[2], published.gompertz[2]),
            ("SSE", g.rss, published.gompertz[3]),
        ] {
            close(&format!("{what}: {name}"), computed, expected, 5e-6);
        }
    }
}

/// Check E3, bird 1: the criteria with sigma counted, and the flat asymptote to 0.1%.
#[test]
fn bird_1_with_its_criteria() {
    let weights = [
        42., 51., 59., 64., 76., 93., 106., 125., 149., 171., 199., 205.,
    ];
    let outcome = fitted("logistic", &CHICK_AGES_D, &weights);
    let estimates = outcome.estimates().unwrap();
    close("A", estimates.terms[0], 937.0301, 1e-3);
    close(
        "SE of A",
        estimates.standard_error(0).unwrap(),
        465.868,
        1e-4,
    );
    close("SSE", estimates.rss, 76.66236, 1e-6);
    close("sigma", estimates.sigma, 2.918_568, 1e-6);
    close("logLik", estimates.log_lik, -28.154_287, 1e-7);
    close("AIC", estimates.aic(), 64.308_575, 1e-7);
    close("AICc", estimates.aicc().unwrap(), 70.022_860, 1e-7);
    close("BIC", estimates.bic(), 66.248_201, 1e-7);
}

/// Check E5: the mean of diet 4 prefers gompertz by 12 ln(227.5511/166.1559) = 3.7734;
/// the means of diets 1 and 3 prefer logistic.
#[test]
fn choice_between_gompertz_and_logistic() {
    for (published, gompertz_rank) in [(&PUBLISHED[5], 1), (&PUBLISHED[2], 2), (&PUBLISHED[4], 2)] {
        let outcomes = ["logistic", "gompertz"]
            .map(|curve| fitted(curve, &CHICK_AGES_D, &published.weights_g));
        let places = choice::places(&outcomes.each_ref());
        let gompertz = places[1].unwrap();
        assert_eq!(gompertz.rank, gompertz_rank, "{}", published.what);
        let weights: f64 = places.iter().flatten().map(|place| place.weight).sum();
        close("weights", weights, 1.0, 1e-12);
        if gompertz_rank == 1 {
            let delta = places[0].unwrap().delta;
            assert!((delta - 3.7734).abs() < 1e-4, "delta AICc {delta}");
        }
    }
}

/// Check E6. Exact two-phase data (Koops 1986's sum of tanh phases, a logistic each),
/// computed and rounded to 3 decimals; refit in R 4.2.2 recovers the six terms to 2e-5.
const TWO_PHASE_G: [f64; 12] = [
    79.524, 138.704, 231.926, 364.110, 526.136, 693.046, 838.192, 951.967, 1049.032, 1157.889,
    1272.752, 1347.733,
];

fn two_phase_ages_d() -> [f64; 12] {
    std::array::from_fn(|i| 14.0 * i as f64)
}

#[test]
fn two_phases_from_exact_data() {
    let outcome = fitted("two-phase-logistic", &two_phase_ages_d(), &TWO_PHASE_G);
    let estimates = outcome
        .estimates()
        .unwrap_or_else(|| panic!("{}", outcome.reason()));
    // a [1 + tanh(b (t - c))] is 2a / (1 + exp(-2b (t - c))).
    let truth = [1100.0, 0.044, 58.0, 300.0, 0.09, 132.0];
    for (term, truth) in estimates.terms.iter().zip(truth) {
        close("two-phase term", *term, truth, 1e-4);
    }
    close(
        "mature",
        estimates.terms[0] + estimates.terms[3],
        1400.0,
        1e-5,
    );
    // Data rounded to 0.0005 leave some 6e-7.
    assert!(estimates.rss < 1e-6, "rss {}", estimates.rss);
}

#[test]
fn one_phase_leaves_runs_where_there_are_two() {
    let (ages_d, curve) = (two_phase_ages_d(), built_in("gompertz").unwrap());
    let series = Series {
        ages_d: &ages_d,
        values: &TWO_PHASE_G,
    };
    let outcome = fit(
        curve.as_ref(),
        series,
        &Settings::default(),
        &mut Workspace::new(),
    );
    let estimates = outcome.estimates().unwrap();
    for (term, expected) in estimates.terms.iter().zip([1608.583, 0.018_329_3, 62.4768]) {
        // k is printed to 6 digits.
        close("one-phase term", *term, expected, 3e-6);
    }
    close("one-phase SSE", estimates.rss, 2462.52, 1e-5);
    // The residuals as the source prints them, in whole grams.
    let residuals: Vec<_> = residuals(curve.as_ref(), series, estimates).collect();
    let rounded: Vec<f64> = residuals.iter().map(|r| r.residual.round()).collect();
    assert_eq!(
        rounded,
        [10., -3., -13., -11., 4., 20., 18., -3., -26., -19., 9., 13.]
    );
    let runs = runs_test(&residuals).unwrap();
    assert_eq!((runs.runs, runs.above, runs.below), (5, 6, 6));
    // Six of each sign: 924 orders, of which 2, 10, 50 and 100 have 2 to 5 runs (by hand).
    close("p", runs.p_value, 162.0 / 924.0, 1e-12);
    let alike = durbin_watson(curve.as_ref(), series, estimates).unwrap();
    // From the printed residuals: 2577 / 2435.
    close("Durbin-Watson", alike.statistic, 2577.0 / 2435.0, 0.02);
    assert!(alike.p_value < 0.05, "p {}", alike.p_value);
    let notes = notes(curve.as_ref(), series, estimates);
    assert!(
        notes.iter().any(|note| note.contains("second phase")),
        "{notes:?}"
    );
}

/// Check E12. Body weight of egg-type pullets at 3, 6, 13, 16 and 18 weeks under four
/// diets: Korean J Poult Sci 2024 51(4):195, table 2. Refits (in weeks) in base R.
const PULLETS: [(&str, [f64; 5], [f64; 4]); 4] = [
    (
        "H",
        [206.06, 465.43, 1187.57, 1406.86, 1628.51],
        [2303.743, 0.124_926_3, 9.863_855, 2735.210],
    ),
    (
        "Con",
        [206.46, 458.38, 1157.17, 1401.62, 1625.52],
        [2492.153, 0.113_754_5, 10.77870, 2009.046],
    ),
    (
        "L",
        [205.97, 452.00, 1110.49, 1371.21, 1591.29],
        [2649.192, 0.103_874_4, 11.70630, 1594.047],
    ),
    (
        "VL",
        [204.77, 436.04, 1071.85, 1335.52, 1549.67],
        [2709.610, 0.099_088_01, 12.28289, 1135.860],
    ),
];

#[test]
fn pullets_to_18_weeks_have_an_extrapolated_asymptote() {
    let weeks = [3., 6., 13., 16., 18.];
    let curve = built_in("gompertz").unwrap();
    for (diet, weights, refit) in PULLETS {
        let series = Series {
            ages_d: &weeks,
            values: &weights,
        };
        let outcome = fit(
            curve.as_ref(),
            series,
            &Settings::default(),
            &mut Workspace::new(),
        );
        let estimates = outcome.estimates().unwrap();
        for (term, expected) in estimates.terms.iter().zip(refit) {
            close(diet, *term, expected, 1e-5);
        }
        close(diet, estimates.rss, refit[3], 1e-5);
        let notes = notes(curve.as_ref(), series, estimates);
        let share = format!("is {:.0}% of the asymptote", 100.0 * weights[4] / refit[0]);
        assert!(
            notes.iter().any(|note| note.contains(&share)),
            "{diet}: {notes:?}"
        );
    }
}

/// Check E14: the inflection's share of the asymptote and the greatest gain, by algebra.
#[test]
fn identities_of_each_curve() {
    let weights = PUBLISHED[0].weights_g;
    let e = std::f64::consts::E;
    let value = |outcome: &Outcome, curve: &str, what| {
        let curve = built_in(curve).unwrap();
        interval::derived(curve.as_ref(), outcome.estimates().unwrap(), what, 0.95)
            .unwrap()
            .value
    };
    for (curve, share, gain) in [
        ("gompertz", 1.0 / e, 1.0 / e),
        ("logistic", 0.5, 0.25),
        ("bertalanffy", 8.0 / 27.0, 4.0 / 9.0),
    ] {
        let outcome = fitted(curve, &CHICK_AGES_D, &weights);
        let terms = &outcome.estimates().unwrap().terms;
        close(
            curve,
            value(&outcome, curve, Derived::InflectionWeight),
            share * terms[0],
            1e-9,
        );
        close(
            curve,
            value(&outcome, curve, Derived::InflectionRate),
            gain * terms[0] * terms[1],
            1e-9,
        );
    }
}
