//! R 4.2.2 survival package on veteran, lung and ovarian (`time_to_event/`).

use pinfeather::stats::concordance::order_agreement;
use pinfeather::stats::linear::Design;
use pinfeather::stats::parametric_survival::{Family, accelerated_failure};
use pinfeather::stats::proportional_hazards::{Ties, proportional_hazards};
use pinfeather::stats::survival_curve::{IntervalScale, Step, kaplan_meier, kaplan_meier_entered};
use pinfeather::stats::time_to_event::EventTime;
use serde_json::Value;

use super::{Table, agree, all_agree, expected, number, numbers};

struct Set {
    name: &'static str,
    times: Vec<EventTime>,
    columns: Vec<(String, Vec<f64>)>,
    expected: Value,
}

fn sets() -> Vec<Set> {
    let all = expected("time_to_event/expected.json");
    // Name, time, status, the status that means the event, terms.
    let rows: [(_, _, _, _, &[&str]); 3] = [
        ("veteran", "time", "status", 1.0, &["karno", "age", "trt"]),
        ("lung", "time", "status", 2.0, &["age", "sex", "ph.ecog"]),
        ("ovarian", "futime", "fustat", 1.0, &["age", "rx"]),
    ];
    let sets = rows.map(|(name, time, status, event, terms)| {
        let table = Table::read(&format!("time_to_event/{name}.csv"));
        let pairs = table.column(time).into_iter().zip(table.column(status));
        let times = pairs.map(|(t, s)| EventTime::right_censored(t, s >= event));
        let columns = terms
            .iter()
            .map(|term| ((*term).to_owned(), table.column(term)));
        Set {
            name,
            times: times.collect(),
            columns: columns.collect(),
            expected: all["fits"][name].clone(),
        }
    });
    sets.into_iter().collect()
}

fn named(coefficients: &Value, names: &[String]) -> Vec<f64> {
    let first = names.iter().map(|name| match name.as_str() {
        "intercept" => number(&coefficients["(Intercept)"]),
        other => number(&coefficients[other]),
    });
    first.collect()
}

fn rows(design: &Design) -> Vec<Vec<f64>> {
    let rows = design.matrix().row_iter();
    rows.map(|row| row.iter().copied().collect()).collect()
}

/// `survreg`, tolerance 1e-13. Nine digits required of estimates, eight of standard
/// errors: R's information is taken one step before its last.
#[test]
fn accelerated_failure_times() {
    for set in sets() {
        let design = Design::with_intercept(set.times.len(), set.columns.clone()).unwrap();
        for (family, key) in [
            (Family::Exponential, "exponential"),
            (Family::Weibull, "weibull"),
            (Family::LogNormal, "lognormal"),
            (Family::LogLogistic, "loglogistic"),
        ] {
            let what = format!("{} {key}", set.name);
            let reference = &set.expected[key];
            let fit = accelerated_failure(&design, &set.times, family).unwrap();
            let coefficients = named(&reference["coef"], &fit.names);
            all_agree(&what, &fit.coefficients, &coefficients, 9.0);
            all_agree(
                &what,
                &fit.standard_errors(),
                &numbers(&reference["se"]),
                8.0,
            );
            agree(&what, fit.log_lik, number(&reference["logLik"]), 12.0);
            agree(&what, fit.aic(), number(&reference["AIC"]), 12.0);
            agree(&what, fit.scale, number(&reference["scale"]), 9.0);
            if let Some(error) = fit.log_scale_standard_error() {
                agree(&what, error, number(&reference["se_log_scale"]), 8.0);
            }
            assert_eq!(Some(fit.events as u64), reference["n_events"].as_u64());
            let rows = rows(&design);
            let means: Vec<f64> = (0..design.p())
                .map(|j| design.matrix().column(j).mean())
                .collect();
            let median = fit.quantile(&means, 0.5, 0.95).unwrap();
            agree(
                &what,
                median.time,
                number(&reference["median_at_mean"]),
                9.0,
            );
            assert!((fit.survival(&means, median.time).unwrap() - 0.5).abs() < 1e-12);
            let scores: Vec<f64> = rows
                .iter()
                .map(|row| fit.linear_predictor(row).unwrap())
                .collect();
            let order = order_agreement(&set.times, &scores).unwrap();
            agree(
                &what,
                order.concordance,
                number(&reference["concordance"]),
                12.0,
            );
            // The same model without terms.
            let constant = Design::with_intercept(set.times.len(), vec![]).unwrap();
            let null = accelerated_failure(&constant, &set.times, family).unwrap();
            agree(&what, null.log_lik, number(&reference["logLik_null"]), 12.0);
        }
    }
}

/// `coxph`, tolerance 1e-13; R prints the Wald test to two decimals.
#[test]
fn proportional_hazards_with_ties() {
    for set in sets() {
        let design = Design::new(set.columns.clone()).unwrap();
        for (ties, key) in [(Ties::Efron, "cox_efron"), (Ties::Breslow, "cox_breslow")] {
            let what = format!("{} {key}", set.name);
            let reference = &set.expected[key];
            let fit = proportional_hazards(&design, &set.times, ties).unwrap();
            let coefficients = named(&reference["coef"], &fit.names);
            all_agree(&what, &fit.coefficients, &coefficients, 10.0);
            all_agree(
                &what,
                &fit.standard_errors(),
                &numbers(&reference["se"]),
                9.0,
            );
            agree(&what, fit.log_lik, number(&reference["logLik"]), 12.0);
            agree(
                &what,
                fit.log_lik_null,
                number(&reference["logLik_null"]),
                12.0,
            );
            agree(
                &what,
                fit.likelihood_ratio(),
                number(&reference["lr_test"]),
                10.0,
            );
            agree(&what, fit.score_test, number(&reference["score_test"]), 9.0);
            let risks: Vec<f64> = rows(&design)
                .iter()
                .map(|row| -fit.log_hazard_ratio(row).unwrap())
                .collect();
            let order = order_agreement(&set.times, &risks).unwrap();
            agree(
                &what,
                order.concordance,
                number(&reference["concordance"]),
                12.0,
            );
            let error = number(&reference["se_concordance"]);
            agree(&what, order.standard_error, error, 10.0);
        }
    }
}

/// `survfit` with its defaults (log intervals).
#[test]
fn kaplan_meier_curves() {
    for set in sets() {
        let reference = &set.expected["km"];
        let curve = kaplan_meier(&set.times, IntervalScale::Log, 0.95).unwrap();
        let first = &curve.steps[..8];
        let times: Vec<f64> = first.iter().map(|step| step.time).collect();
        all_agree("time", &times, &numbers(&reference["time_first8"]), 15.0);
        let survival: Vec<f64> = first.iter().map(|step| step.survival).collect();
        all_agree(
            "survival",
            &survival,
            &numbers(&reference["surv_first8"]),
            14.0,
        );
        let errors: Vec<f64> = first
            .iter()
            .filter_map(|step| step.standard_error)
            .collect();
        let greenwood = numbers(&reference["greenwood_se_first8"]);
        all_agree("Greenwood", &errors, &greenwood, 13.0);
        let median = curve.quantile(0.5).unwrap();
        assert_eq!(median.time, reference["median"].as_f64());
        // The lower limit of the curve crosses first.
        assert_eq!(median.lower, reference["median_lower"].as_f64());
        assert_eq!(median.upper, reference["median_upper"].as_f64());
    }
}

/// `survfit(Surv(entry, time, event))`: birds that come under observation late.
#[test]
fn kaplan_meier_with_entries() {
    let all = &expected("eggs/expected.json")["entered"];
    let times: Vec<EventTime> = numbers(&all["time"])
        .into_iter()
        .zip(numbers(&all["laid"]))
        .map(|(time, laid)| EventTime::right_censored(time, laid > 0.5))
        .collect();
    let entries = numbers(&all["entry"]);
    let curve = kaplan_meier_entered(&times, &entries, IntervalScale::Log, 0.95).unwrap();
    let steps: Vec<_> = curve.steps.iter().filter(|step| step.events > 0).collect();
    let of = |get: fn(&Step) -> f64| steps.iter().map(|step| get(step)).collect::<Vec<f64>>();
    all_agree("time", &of(|s| s.time), &numbers(&all["step_time"]), 12.0);
    all_agree(
        "at risk",
        &of(|s| s.at_risk as f64),
        &numbers(&all["at_risk"]),
        12.0,
    );
    all_agree(
        "survival",
        &of(|s| s.survival),
        &numbers(&all["survival"]),
        11.0,
    );
    let errors = of(|step| step.standard_error.unwrap());
    all_agree("Greenwood", &errors, &numbers(&all["std_err"]), 10.0);
    let median = curve.quantile(0.5).unwrap();
    let found = [median.time, median.lower, median.upper].map(Option::unwrap);
    all_agree("median", &found, &numbers(&all["median"]), 12.0);
}

/// `survfit` where all have had the event (R 4.2.2, survival 3.5.3): what the limits do not cross
/// before the curve is at 0 is no limit.
#[test]
fn limits_that_the_curve_does_not_know() {
    let limits = |times: &[f64]| {
        let times: Vec<EventTime> = times.iter().copied().map(EventTime::Exact).collect();
        let curve = kaplan_meier(&times, IntervalScale::Log, 0.95).unwrap();
        let median = curve.quantile(0.5).unwrap();
        (median.time, median.lower, median.upper)
    };
    assert_eq!(limits(&[152.0]), (Some(152.0), None, None));
    assert_eq!(limits(&[150.0; 30]), (Some(150.0), None, None));
    let three = limits(&[150.0, 150.0, 152.0]);
    assert_eq!(three, (Some(150.0), Some(150.0), None));
    let four = limits(&[148.0, 149.0, 150.0, 152.0]);
    assert_eq!(four, (Some(149.5), Some(148.0), None));
}

/// All four kinds of censoring at once. Expected values: mpmath 1.4.1 at 40 digits, the
/// log-likelihood written down from the laws' distribution functions, its gradient's root
/// and Hessian by numerical differentiation (`censored.py`).
#[test]
fn mixed_censoring() {
    let times = [
        EventTime::Exact(2.0),
        EventTime::After(3.0),
        EventTime::Before(1.5),
        EventTime::Between(2.5, 4.0),
        EventTime::Exact(5.0),
        EventTime::Between(0.5, 0.7),
        EventTime::Exact(3.3),
        EventTime::Between(4.0, 9.0),
        EventTime::After(6.0),
        EventTime::Exact(1.1),
    ];
    let cue = vec![0.3, 1.0, -0.5, 2.0, 1.5, 0.0, 0.8, 1.9, 0.2, -0.3];
    let design = Design::with_intercept(10, vec![("cue".to_owned(), cue)]).unwrap();
    let expected = [
        (
            Family::Weibull,
            [0.9446576759372337, 0.480925154437075, -0.3823565262434183],
            [0.3498499021638195, 0.3444430181401299, 0.2931642122971741],
            -16.64500023689771,
        ),
        (
            Family::LogNormal,
            [0.4838510249023765, 0.681446326739119, -0.4026122844758579],
            [0.2970503771907352, 0.2688207532013512, 0.2796395496897714],
            -15.33102450078461,
        ),
        (
            Family::LogLogistic,
            [0.422957892604237, 0.707382764852529, -1.02458659619403],
            [0.2756400840804884, 0.2431178877378798, 0.3287803310198432],
            -15.00221215362499,
        ),
    ];
    for (family, estimates, errors, log_lik) in expected {
        let what = format!("{family:?}");
        let fit = accelerated_failure(&design, &times, family).unwrap();
        let found = [fit.coefficients[0], fit.coefficients[1], fit.scale.ln()];
        all_agree(&what, &found, &estimates, 10.0);
        let mut found = fit.standard_errors();
        found.push(fit.log_scale_standard_error().unwrap());
        all_agree(&what, &found, &errors, 10.0);
        agree(&what, fit.log_lik, log_lik, 12.0);
    }
}
