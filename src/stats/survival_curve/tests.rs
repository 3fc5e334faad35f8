use super::*;

#[test]
fn turnbull_is_kaplan_meier_on_right_censored_times() {
    let times = [
        EventTime::Exact(3.0),
        EventTime::After(4.0),
        EventTime::Exact(5.0),
        EventTime::Exact(5.0),
        EventTime::After(5.0),
        EventTime::Exact(8.0),
        EventTime::After(9.0),
    ];
    let curve = kaplan_meier(&times, IntervalScale::Log, 0.95).unwrap();
    let masses = turnbull(&times).unwrap();
    let mut left = 1.0;
    for mass in masses.iter().filter(|mass| mass.stretch.upper.is_finite()) {
        left -= mass.share;
        let mut steps = curve.steps.iter().rev();
        let until = steps.find(|step| step.time <= mass.stretch.upper);
        let expected = until.unwrap().survival;
        // 1e-6: what the criterion leaves of the shares
        assert!((left - expected).abs() < 1e-6, "{mass:?} {left} {expected}");
    }
    assert!((masses.last().unwrap().share - left).abs() < 1e-6);
}

/// By hand the product over events of 1 - 1 / at risk, with 2, 3, 2 and 1 at risk.
#[test]
fn those_who_enter_late_are_not_at_risk_before() {
    let times = [3.0, 5.0, 6.0, 6.5].map(EventTime::Exact);
    let entries = [0.0, 2.0, 4.0, 4.0];
    let curve = kaplan_meier_entered(&times, &entries, IntervalScale::Log, 0.95).unwrap();
    let at_risk: Vec<usize> = curve.steps.iter().map(|step| step.at_risk).collect();
    assert_eq!(at_risk, [2, 3, 2, 1]);
    let expected = [0.5, 0.5 * 2.0 / 3.0, 0.5 * 2.0 / 3.0 * 0.5, 0.0];
    for (step, expected) in curve.steps.iter().zip(expected) {
        assert!((step.survival - expected).abs() < 1e-15);
    }
    let late = [3.0, 2.0, 4.0, 4.0];
    assert!(kaplan_meier_entered(&times, &late, IntervalScale::Log, 0.95).is_err());
}

/// With exact and right-censored times Turnbull's estimate with entries is the product
/// limit with entries.
#[test]
fn turnbull_with_entries_is_kaplan_meier_with_entries() {
    let times = [
        EventTime::Exact(3.0),
        EventTime::After(4.0),
        EventTime::Exact(5.0),
        EventTime::Exact(5.5),
        EventTime::After(7.0),
        EventTime::Exact(8.0),
        EventTime::After(9.0),
    ];
    let entries = [0.0, 0.0, 2.5, 4.5, 3.5, 0.0, 6.0];
    let curve = kaplan_meier_entered(&times, &entries, IntervalScale::Log, 0.95).unwrap();
    let masses = turnbull_entered(&times, &entries).unwrap();
    let mut left = 1.0;
    for mass in masses.iter().filter(|mass| mass.stretch.upper.is_finite()) {
        left -= mass.share;
        let mut steps = curve.steps.iter().rev();
        let until = steps.find(|step| step.time <= mass.stretch.upper);
        let expected = until.unwrap().survival;
        // 1e-6: what the criterion leaves of the shares
        assert!((left - expected).abs() < 1e-6, "{mass:?} {left} {expected}");
    }
}

/// Three subjects seen between looks: (0,2], (1,3], (2,4]. By symmetry and by hand:
/// the stretches are (1,2] and (2,3]; the likelihood p (p + q) q has p = q = 1/2.
#[test]
fn turnbull_by_hand() {
    let times = [
        EventTime::Before(2.0),
        EventTime::Between(1.0, 3.0),
        EventTime::Between(2.0, 4.0),
    ];
    let masses = turnbull(&times).unwrap();
    assert_eq!(masses.len(), 2);
    let first = masses[0];
    assert!((first.stretch.lower - 1.0).abs() + (first.stretch.upper - 2.0).abs() < 1e-15);
    assert!((first.share - 0.5).abs() < 1e-7);
}

#[test]
fn no_event_leaves_the_curve_at_one() {
    let times = [EventTime::After(2.0), EventTime::After(3.0)];
    let curve = kaplan_meier(&times, IntervalScale::LogLog, 0.95).unwrap();
    assert!(
        curve
            .steps
            .iter()
            .all(|step| (step.survival - 1.0).abs() < 1e-15)
    );
    assert_eq!(curve.quantile(0.5).unwrap().time, None);
    assert!(turnbull(&times).is_err());
    assert!(curve.quantile(1.0).is_err());
}

#[test]
fn all_events_at_once() {
    let times = [EventTime::Exact(2.0); 4];
    for scale in [
        IntervalScale::Plain,
        IntervalScale::Log,
        IntervalScale::LogLog,
    ] {
        let curve = kaplan_meier(&times, scale, 0.95).unwrap();
        let step = curve.steps[0];
        assert!(step.survival.abs() < 1e-15 && step.standard_error.is_none());
        assert_eq!(curve.quantile(0.5).unwrap().time, Some(2.0));
    }
}

#[test]
fn a_level_stretch_at_one_half_gives_its_middle() {
    let times = [1.0, 2.0, 5.0, 7.0].map(EventTime::Exact);
    let curve = kaplan_meier(&times, IntervalScale::Plain, 0.95).unwrap();
    assert_eq!(curve.quantile(0.5).unwrap().time, Some(3.5));
}
