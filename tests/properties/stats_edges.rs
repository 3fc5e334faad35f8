//! What `stats` promises: numbers or a reason, never a NaN, for numbers up to 1e75 in size.

use std::fmt::Debug;

use pinfeather::stats::agreement::{concordance_coefficient, deming, limits_of_agreement};
use pinfeather::stats::change_point::broken_stick;
use pinfeather::stats::concordance::order_agreement;
use pinfeather::stats::left_out::{CrossValidation, group_left_out_errors, row_diagnostics};
use pinfeather::stats::linear::{Design, fit, fit_weighted};
use pinfeather::stats::multiple::{holm, studentised_range_upper, tukey};
use pinfeather::stats::parametric_survival::{Family, accelerated_failure};
use pinfeather::stats::precision::{compare, precision, sd_interval};
use pinfeather::stats::resample::percentile_interval;
use pinfeather::stats::reweighted::{estimated_power_of_mean, huber, power_of_mean};
use pinfeather::stats::survival_curve::{IntervalScale, kaplan_meier, turnbull};
use pinfeather::stats::time_to_event::EventTime;

/// Any NaN anywhere in a result shows in its debug text.
#[track_caller]
fn none<T: Debug>(what: &str, input: &dyn Debug, result: T) {
    let text = format!("{result:?}");
    assert!(!text.contains("NaN"), "{what} of {input:?}: {text}");
}

/// Columns that statistics stumble over: none, one, equal, huge, tiny, alternating, a step.
fn columns() -> Vec<Vec<f64>> {
    vec![
        vec![],
        vec![1.0],
        vec![1.0, 1.0],
        vec![0.0, 0.0, 0.0, 0.0],
        vec![5.0; 6],
        vec![1.0, 2.0, 3.0, 4.0, 5.0, 6.0],
        vec![6.0, 5.0, 4.0, 3.0, 2.0, 1.0],
        vec![1e75, -1e75, 1e75, -1e75, 1e75, -1e75],
        vec![1e-200, 2e-200, 3e-200, 4e-200, 5e-200, 6e-200],
        vec![1e8, 1e8 + 1.0, 1e8, 1e8 + 1.0, 1e8, 1e8 + 1.0],
        vec![0.0, 0.0, 0.0, 0.0, 0.0, 1.0],
        vec![-1.0, 1.0, -1.0, 1.0, -1.0, 1.0],
        vec![1.0, 2.0, 2.0, 3.0, 1.0, 1e9],
        vec![f64::NAN, 1.0, 2.0, 3.0, 4.0, 5.0],
        vec![f64::INFINITY, 1.0, 2.0, 3.0, 4.0, 5.0],
    ]
}

/// Failures may name the value that they refuse.
fn answers<T: Debug, E>(result: Result<T, E>) -> Option<T> {
    result.ok()
}

#[test]
fn statistics_of_one_column_give_numbers_or_a_reason() {
    for x in columns() {
        none("holm", &x, answers(holm(&x)));
        for level in [0.0, 0.5, 0.95, 1.0] {
            none("percentiles", &x, answers(percentile_interval(&x, level)));
            let twenty: Vec<f64> = x.iter().copied().cycle().take(24).collect();
            none(
                "percentiles",
                &twenty,
                answers(percentile_interval(&twenty, level)),
            );
        }
        let repeats: Vec<Vec<f64>> = x.chunks(2).map(<[f64]>::to_vec).collect();
        none("precision", &x, answers(precision(&repeats, 0.95)));
        for value in x.iter().filter(|value| value.abs() < 1e3) {
            none("sd", &x, answers(sd_interval(*value, 3, 0.95)));
            none("tukey", &x, answers(tukey(*value, 3, 5.0)));
            none(
                "range",
                &x,
                answers(studentised_range_upper(*value, 3, 5.0)),
            );
        }
    }
}

#[test]
fn statistics_of_two_columns_give_numbers_or_a_reason() {
    for x in columns() {
        for y in columns() {
            let both = (&x, &y);
            none("limits", &both, answers(limits_of_agreement(&x, &y, 0.95)));
            none(
                "concordance",
                &both,
                answers(concordance_coefficient(&x, &y, 0.95)),
            );
            none("deming", &both, answers(deming(&x, &y, 1.0, 0.95)));
            none("broken stick", &both, answers(broken_stick(&x, &y, 0.95)));
            let (a, b) = (
                precision(std::slice::from_ref(&x), 0.95),
                precision(std::slice::from_ref(&y), 0.95),
            );
            if let (Ok(a), Ok(b)) = (a, b) {
                none("compare", &both, answers(compare(&a, &b, 0.95)));
            }
            let Ok(design) = Design::with_intercept(x.len(), vec![("x".to_owned(), x.clone())])
            else {
                continue;
            };
            if let Ok(found) = fit(&design, &y) {
                none("fit", &both, &found);
                none("errors", &both, found.standard_errors());
                none("aicc", &both, found.aicc());
                none("intervals", &both, answers(found.intervals(0.95)));
                none("rows", &both, row_diagnostics(&found));
                let birds: Vec<usize> = (0..y.len()).map(|row| row / 2).collect();
                if let Ok(errors) = group_left_out_errors(&found, &birds) {
                    none("left out", &both, CrossValidation::of(&errors));
                }
            }
            let weights: Vec<f64> = (0..y.len()).map(|row| 1.0 + row as f64).collect();
            none(
                "weighted",
                &both,
                answers(fit_weighted(&design, &y, &weights)),
            );
            none("huber", &both, answers(huber(&design, &y)));
            none("power", &both, answers(power_of_mean(&design, &y, 1.0)));
            none(
                "power",
                &both,
                answers(estimated_power_of_mean(&design, &y)),
            );
        }
    }
}

#[test]
fn times_to_events_give_numbers_or_a_reason() {
    let exact = |times: &[f64]| {
        times
            .iter()
            .map(|t| EventTime::Exact(*t))
            .collect::<Vec<_>>()
    };
    let sets: Vec<Vec<EventTime>> = vec![
        vec![],
        exact(&[1.0]),
        exact(&[5.0; 5]),
        exact(&[1.0, 2.0, 3.0, 4.0, 1e12]),
        vec![EventTime::After(3.0); 4],
        vec![EventTime::Before(3.0); 4],
        vec![EventTime::Between(1.0, 3.0); 4],
        vec![
            EventTime::Exact(1.0),
            EventTime::After(1.0),
            EventTime::After(1.0),
        ],
        vec![
            EventTime::Exact(2.0),
            EventTime::After(1.0),
            EventTime::Before(9.0),
            EventTime::Between(2.0, 4.0),
        ],
        exact(&[0.0, 1.0]),
        exact(&[f64::NAN, 1.0]),
    ];
    for times in sets {
        for scale in [IntervalScale::Log, IntervalScale::LogLog] {
            if let Ok(curve) = kaplan_meier(&times, scale, 0.95) {
                none("kaplan-meier", &times, &curve);
                for share in [0.0, 0.5, 1.0] {
                    none("quantile", &times, answers(curve.quantile(share)));
                }
            }
        }
        none("turnbull", &times, answers(turnbull(&times)));
        let scores: Vec<f64> = (0..times.len()).map(|at| at as f64).collect();
        none("order", &times, answers(order_agreement(&times, &scores)));
        let Ok(design) = Design::with_intercept(times.len(), Vec::new()) else {
            continue;
        };
        for family in [Family::Weibull, Family::LogNormal, Family::LogLogistic] {
            if let Ok(found) = accelerated_failure(&design, &times, family) {
                none("accelerated", &times, &found);
                none("errors", &times, found.standard_errors());
                none("aic", &times, found.aic());
                none(
                    "quantile",
                    &times,
                    answers(found.quantile(&[1.0], 0.5, 0.95)),
                );
            }
        }
    }
}
