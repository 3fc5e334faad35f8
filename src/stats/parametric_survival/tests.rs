use super::*;

fn with_cue(values: &[f64]) -> Design {
    let columns = vec![("cue".to_owned(), values.to_vec())];
    Design::with_intercept(values.len(), columns).unwrap()
}

/// Gradient and Hessian against central differences, every kind of censoring.
#[test]
fn derivatives() {
    let times = [
        EventTime::Exact(2.0),
        EventTime::After(3.0),
        EventTime::Before(1.5),
        EventTime::Between(2.5, 4.0),
        EventTime::Exact(5.0),
        EventTime::Between(0.5, 0.7),
    ];
    let design = with_cue(&[0.3, 1.0, -0.5, 2.0, 1.5, 0.0]);
    for family in Family::ALL {
        let problem = Problem::new(&design, &times, family).unwrap();
        let mut point = problem.start();
        point[0] = 0.3;
        point[1] = -0.4;
        let here = problem.evaluate(&point).unwrap();
        let step = 1e-5;
        for j in 0..point.len() {
            let at = |shift: f64| {
                let mut moved = point.clone();
                moved[j] += shift;
                problem.evaluate(&moved).unwrap()
            };
            let (up, down) = (at(step), at(-step));
            let slope = (up.value - down.value) / (2.0 * step);
            // 1e-8: the differences' own error (step squared, and rounding over step)
            assert!((slope - here.gradient[j]).abs() < 1e-8, "{family:?} {j}");
            let bend = (&up.gradient - &down.gradient) / (2.0 * step);
            for k in 0..point.len() {
                assert!(
                    (bend[k] - here.hessian[(k, j)]).abs() < 1e-8,
                    "{family:?} {j} {k}"
                );
            }
        }
    }
}

/// Exponential times have a closed form: the mean is time at risk over events.
#[test]
fn exponential_mean() {
    let times = [
        EventTime::Exact(2.0),
        EventTime::After(3.0),
        EventTime::Exact(7.0),
    ];
    let design = Design::with_intercept(3, vec![]).unwrap();
    let fit = accelerated_failure(&design, &times, Family::Exponential).unwrap();
    assert!((fit.coefficients[0] - 6.0_f64.ln()).abs() < 1e-12);
    assert!((fit.standard_errors()[0] - 0.5_f64.sqrt()).abs() < 1e-12);
    assert!(fit.log_scale_standard_error().is_none());
}

/// Narrow intervals about exact times lead to the estimates of exact times.
#[test]
fn narrow_intervals_are_exact_times() {
    let times = [2.0, 3.1, 7.7, 5.2, 6.0, 1.4];
    let design = with_cue(&[0.3, 1.0, 2.5, 2.0, 1.5, 0.0]);
    let exact: Vec<_> = times.iter().map(|t| EventTime::Exact(*t)).collect();
    let narrow = times.iter().map(|t| EventTime::Between(t - 1e-5, t + 1e-5));
    let narrow: Vec<_> = narrow.collect();
    for family in Family::ALL {
        let a = accelerated_failure(&design, &exact, family).unwrap();
        let b = accelerated_failure(&design, &narrow, family).unwrap();
        // 1e-5: differences of chances keep some ten digits minus those of the width
        assert!(
            (a.coefficients[1] - b.coefficients[1]).abs() < 1e-5,
            "{family:?}"
        );
        assert!((a.scale / b.scale - 1.0).abs() < 1e-5, "{family:?}");
    }
}

#[test]
fn data_without_an_answer_say_why() {
    let cue = [1.0, 1.0, 1.0, 0.0, 0.0, 0.0];
    let design = with_cue(&cue);
    for family in Family::ALL {
        let none = [EventTime::After(2.0); 6];
        let failure = accelerated_failure(&design, &none, family).unwrap_err();
        assert_eq!(failure.to_string(), "0 events, at least 1 expected");
        // Those without the cue never have the event: their time has no upper limit.
        let times = [1.0, 2.0, 3.0, 4.0, 4.5, 5.0];
        let times: Vec<_> = (0..6)
            .map(|i| EventTime::right_censored(times[i], i < 3))
            .collect();
        let failure = accelerated_failure(&design, &times, family).unwrap_err();
        assert!(
            matches!(&failure, Failure::Unbounded { term } if term == "cue" || term == "intercept"),
            "{family:?}: {failure}"
        );
    }
    let constant = Design::with_intercept(6, vec![]).unwrap();
    let same = [EventTime::Exact(140.0); 6];
    let failure = accelerated_failure(&constant, &same, Family::Weibull).unwrap_err();
    assert!(matches!(failure, Failure::NoVariation { .. }));
    // All events at one age, some birds still waiting: sigma runs to 0.
    let mut some = same;
    some[5] = EventTime::After(100.0);
    let failure = accelerated_failure(&constant, &some, Family::LogNormal).unwrap_err();
    assert!(matches!(failure, Failure::NoVariation { .. }), "{failure}");
}
