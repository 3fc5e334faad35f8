//! Intervals of terms and delta-method standard errors of derived quantities against R.
//!
//! Source: R 4.2.2 `nls`; see `reference/uncertainty/SOURCE.md`.

use pinfeather::fit::interval::SamplingDistribution;
use pinfeather::fit::{Series, Settings, Workspace, fit, interval, profile};
use pinfeather::growth::{Derived, built_in};
use serde_json::Value;

fn data(set: &str) -> (Vec<f64>, Vec<f64>) {
    let folder = format!("{}/tests/reference", env!("CARGO_MANIFEST_DIR"));
    let nist = set.starts_with("Rat");
    let path = if nist {
        format!("{folder}/nist_nonlinear/{set}.csv")
    } else {
        format!("{folder}/uncertainty/{set}.csv")
    };
    csv::Reader::from_path(path)
        .unwrap()
        .deserialize()
        .map(|row| {
            row.map(|(one, other): (f64, f64)| if nist { (other, one) } else { (one, other) })
        })
        .map(Result::unwrap)
        .unzip()
}

/// R stopped at a relative offset of 5e-8 or less, and its derivatives of derived
/// quantities are numerical: five digits are what its values are good for.
fn close(what: &str, computed: f64, expected: f64) {
    let off = (computed / expected - 1.0).abs();
    assert!(off < 1e-5, "{what}: {computed} against {expected}");
}

#[test]
fn intervals_and_derived_quantities_as_in_r() {
    let text = include_str!("../uncertainty/expected.json");
    let expected: Value = serde_json::from_str(text).unwrap();
    let mut compared = 0;
    for (name, r) in expected["fits"].as_object().unwrap() {
        // Its asymptote is 6e5 g: no fit (see the chicks that no curve fits).
        if name == "chick1_gompertz" {
            continue;
        }
        let (set, curve_name) = name.split_once('_').unwrap();
        let (ages_d, values) = data(set);
        let curve = built_in(curve_name).unwrap();
        let series = Series {
            ages_d: &ages_d,
            values: &values,
        };
        let outcome = fit(
            curve.as_ref(),
            series,
            &Settings::default(),
            &mut Workspace::new(),
        );
        let estimates = outcome
            .estimates()
            .unwrap_or_else(|| panic!("{name}: {}", outcome.reason()));
        for (j, limits) in r["wald_95"].as_array().unwrap().iter().enumerate() {
            // R's file has Richards' terms in the order A, k, ti, m as here.
            let found = SamplingDistribution::of(estimates)
                .term(j, 0.95)
                .interval
                .unwrap();
            let width = limits[1].as_f64().unwrap() - limits[0].as_f64().unwrap();
            for (limit, expected) in [(found.lower, &limits[0]), (found.upper, &limits[1])] {
                let off = (limit - expected.as_f64().unwrap()).abs() / width;
                assert!(
                    off < 1e-5,
                    "{name}: limit {limit} of term {j} against {expected}"
                );
            }
        }
        for (quantity, value) in r["derived_delta"].as_object().unwrap() {
            let what = match quantity.as_str() {
                "max_rate" => Derived::InflectionRate,
                "weight_at_inflection" => Derived::InflectionWeight,
                "age_at_inflection" => Derived::InflectionAge,
                "age_at_50pct" => Derived::AgeAtFraction(0.5),
                "age_at_95pct" => Derived::AgeAtFraction(0.95),
                "rate_at_10" => Derived::RateAt(10.0),
                other => panic!("an unknown quantity {other}"),
            };
            let found = SamplingDistribution::of(estimates)
                .derived(curve.as_ref(), what, 0.95)
                .unwrap();
            close(
                &format!("{name}: {quantity}"),
                found.value,
                value["value"].as_f64().unwrap(),
            );
            let error = found.standard_error.unwrap();
            close(
                &format!("{name}: SE of {quantity}"),
                error,
                value["se"].as_f64().unwrap(),
            );
            compared += 1;
        }
    }
    // Six a fit but for Richards, of which the file has four.
    assert_eq!(compared, 9 * 6 + 4);
}

/// The band's own definition: at the inflection of a logistic the value's standard
/// error is that of the derived quantity, the simultaneous band is sqrt(p F) wide, and
/// a new value's spread adds to the curve's.
#[test]
fn bands_agree_with_their_definitions() {
    let (ages_d, values) = data("Rat42");
    let curve = built_in("logistic").unwrap();
    let series = Series {
        ages_d: &ages_d,
        values: &values,
    };
    let outcome = fit(
        curve.as_ref(),
        series,
        &Settings::default(),
        &mut Workspace::new(),
    );
    let estimates = outcome.estimates().unwrap();
    let at = [30.0];
    let band = |band| interval::value_band(curve.as_ref(), estimates, &at, band, 0.95)[0];
    let half = |estimate: interval::Estimate| estimate.interval.unwrap().upper - estimate.value;
    let pointwise = band(interval::Band::Pointwise);
    let derived =
        interval::derived(curve.as_ref(), estimates, Derived::ValueAt(30.0), 0.95).unwrap();
    close(
        "SE",
        pointwise.standard_error.unwrap(),
        derived.standard_error.unwrap(),
    );
    // Student's t 0.975 on 6 df and F 0.95 on (3, 6) df: printed tables.
    let error = pointwise.standard_error.unwrap();
    close("pointwise", half(pointwise) / error, 2.446_912);
    close(
        "simultaneous",
        half(band(interval::Band::Simultaneous)) / error,
        (3.0f64 * 4.757_063).sqrt(),
    );
    let predicted = half(band(interval::Band::Prediction));
    close(
        "prediction",
        predicted,
        2.446_912 * error.hypot(estimates.sigma),
    );
}

/// Profile limits as R finds them by root finding over constrained fits; where R has
/// none (its search failed, or the side is open) nothing is compared.
#[test]
fn profile_limits_as_in_r() {
    let text = include_str!("../uncertainty/expected.json");
    let expected: Value = serde_json::from_str(text).unwrap();
    let mut compared = 0;
    for (name, r) in expected["fits"].as_object().unwrap() {
        if name == "chick1_gompertz" {
            continue;
        }
        let (set, curve_name) = name.split_once('_').unwrap();
        let (ages_d, values) = data(set);
        let curve = built_in(curve_name).unwrap();
        let series = Series {
            ages_d: &ages_d,
            values: &values,
        };
        let settings = Settings::default();
        let outcome = fit(curve.as_ref(), series, &settings, &mut Workspace::new());
        let estimates = outcome.estimates().unwrap();
        for (key, level) in [("profile_95", 0.95), ("profile_90", 0.90)] {
            for (index, term) in curve.terms().iter().enumerate() {
                let quantity = profile::Quantity::Term(index);
                let found =
                    profile::interval(curve.as_ref(), series, estimates, quantity, level).unwrap();
                let limits = &r[key][&*term.name];
                for (side, ours) in [("lower", found.lower), ("upper", found.upper)] {
                    if let Some(theirs) = limits[side].as_f64() {
                        close(&format!("{name} {key} {} {side}", term.name), ours, theirs);
                        compared += 1;
                    }
                }
            }
        }
    }
    assert!(compared > 90, "only {compared} limits were compared");
}

/// The profile of a quantity that is a multiple of a term is the term's: the logistic
/// inflection weighs A/2 and comes at ti.
#[test]
fn profiles_of_derived_quantities_follow_the_terms() {
    let (ages_d, values) = data("Rat43");
    let series = Series {
        ages_d: &ages_d,
        values: &values,
    };
    let curve = built_in("logistic").unwrap();
    let settings = Settings::default();
    let outcome = fit(curve.as_ref(), series, &settings, &mut Workspace::new());
    let estimates = outcome.estimates().unwrap();
    let of = |quantity| profile::interval(curve.as_ref(), series, estimates, quantity, 0.95);
    let (mature, weight) = (
        of(profile::Quantity::Term(0)).unwrap(),
        of(profile::Quantity::Derived(Derived::InflectionWeight)).unwrap(),
    );
    let (age, fraction) = (
        of(profile::Quantity::Term(2)).unwrap(),
        of(profile::Quantity::Derived(Derived::AgeAtFraction(0.5))).unwrap(),
    );
    for (one, other) in [
        (weight.lower, mature.lower / 2.0),
        (weight.upper, mature.upper / 2.0),
        (fraction.lower, age.lower),
        (fraction.upper, age.upper),
    ] {
        // The search ends at 1e-9 of tau.
        assert!((one / other - 1.0).abs() < 1e-7, "{one} against {other}");
    }
}
