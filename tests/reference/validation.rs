//! Saved equations tested on other birds: figures against R, verdicts against truths
//! that are known.

use std::path::Path;

use pinfeather::composition::Frame;
use pinfeather::composition::validation::{
    Acceptable, Recalibrated, Validation, ValidationOptions, Verdict, validate,
};
use pinfeather::study::Format;

use crate::support::reference;
use crate::support::validation::{Errors, Laboratory, equation, errors_on_other_birds};

fn options(limit: Acceptable) -> ValidationOptions {
    ValidationOptions {
        confidence: 0.95,
        acceptable: [("fat".to_owned(), limit)].into(),
        ..ValidationOptions::default()
    }
}

fn table(path: &Path) -> Frame {
    Frame::read(path, &Format::default()).unwrap_or_else(|error| panic!("{error}"))
}

/// Data of Bland and Altman 1986 (Lancet 1:307-310); expected values from R
/// (`validation/SOURCE.md`), to 10 digits. The paper prints a mean difference of 2.1 and an SD of
/// 38.8 l/min.
#[test]
fn the_figures_of_a_validation_are_those_of_r() {
    let frame = table(&reference("validation/peak_flow.csv"));
    let found = validate(&frame, &equation(), &options(Acceptable::Absolute(25.0))).unwrap();
    let expected = std::fs::read_to_string(reference("validation/expected.csv")).unwrap();
    let mut checked = 0;
    for line in expected.lines() {
        let cells: Vec<&str> = line.split(',').map(str::trim).collect();
        let row = found.quantities.iter().find(|row| row.quantity == cells[0]);
        let row = row.unwrap_or_else(|| panic!("no {}", cells[0]));
        let ends = row
            .interval
            .map(|interval| [interval.lower, interval.upper]);
        let values = [
            row.estimate,
            row.std_error,
            ends.map(|ends| ends[0]),
            ends.map(|ends| ends[1]),
        ];
        for (value, cell) in values.into_iter().zip(&cells[1..]) {
            if *cell == "NA" {
                continue;
            }
            let (value, cell): (f64, f64) = (value.unwrap(), cell.parse().unwrap());
            assert!(
                (value - cell).abs() <= 1e-10 * cell.abs().max(1.0),
                "{}: {value} {cell}",
                cells[0]
            );
            checked += 1;
        }
    }
    assert_eq!(checked, 33);
    let bias = found.quantities[0].estimate.unwrap();
    assert_eq!(format!("{bias:.1}"), "2.1");
}

fn verdicts(laboratory: Laboratory) -> Vec<Validation> {
    let equation = equation();
    let options = options(Acceptable::Absolute(10.0));
    let one = |seed| validate(&laboratory.pairs(seed), &equation, &options).unwrap();
    (0..200).map(one).collect()
}

fn share(found: &[Validation], verdict: impl Fn(&Verdict) -> bool) -> f64 {
    let n = found.iter().filter(|one| verdict(&one.verdict)).count();
    n as f64 / found.len() as f64
}

const HELD: Laboratory = Laboratory {
    birds: 12,
    bias_g: 2.5,
    slope: 1.0,
    sd_g: 6.0,
    errors: Errors::Alike,
};

/// 200 laboratories of 12 birds; the long run is in `tests/coverage/validation.rs`.
#[test]
fn an_equation_is_called_usable_where_it_is() {
    let found = verdicts(HELD);
    let usable = share(&found, |verdict| *verdict == Verdict::AsItIs);
    assert!(usable >= 0.90, "{usable}");
    for one in &found {
        let shown = one.ranges.iter().filter_map(|range| range.shown);
        for shown in shown {
            assert!(shown.lower <= shown.upper);
        }
    }
}

#[test]
fn an_equation_whose_bias_is_at_the_limit_is_not_called_usable() {
    for bias_g in [-10.0, 10.0, 15.0] {
        let found = verdicts(Laboratory { bias_g, ..HELD });
        let usable = share(&found, |verdict| *verdict == Verdict::AsItIs);
        // 5 % and the error of 200 draws.
        assert!(usable <= 0.08, "{bias_g}: {usable}");
        let after = share(&found, |verdict| {
            *verdict == Verdict::After(Recalibrated::Intercept)
        });
        assert!(after > 0.8, "{bias_g}: {after}");
    }
}

#[test]
fn a_wrong_slope_and_a_wide_scatter_are_found() {
    let wrong_slope = verdicts(Laboratory {
        birds: 20,
        slope: 0.75,
        ..HELD
    });
    let slope = share(&wrong_slope, |verdict| {
        *verdict == Verdict::After(Recalibrated::InterceptAndSlope)
    });
    assert!(slope > 0.8, "{slope}");
    let wide = verdicts(Laboratory {
        birds: 20,
        sd_g: 35.0,
        ..HELD
    });
    let not = share(&wide, |verdict| *verdict == Verdict::NotUsable);
    assert!(not > 0.95, "{not}");
}

/// The number of further birds decides as often as stated: 80 %.
#[test]
fn the_birds_that_would_decide_do() {
    let few = Laboratory { birds: 5, ..HELD };
    let equation = equation();
    let options = options(Acceptable::Absolute(10.0));
    let needed = pinfeather::stats::equivalence::units_needed(7.5, 6.0, 0.05, 0.8).unwrap();
    let enough = Laboratory {
        birds: needed,
        ..HELD
    };
    let decided = share(&verdicts(enough), |verdict| *verdict == Verdict::AsItIs);
    assert!((0.72..=0.92).contains(&decided), "{needed}: {decided}");
    let undecided = (0..200).find_map(|seed| {
        match validate(&few.pairs(seed), &equation, &options)
            .unwrap()
            .verdict
        {
            Verdict::Undecided { more_birds } => more_birds,
            _ => None,
        }
    });
    assert!(undecided.is_some());
}

/// The acceptable error is the equation's own on birds left out where none is stated, and a
/// percentage is that of the mean mass.
#[test]
fn the_acceptable_error_is_stated_or_the_equations_own() {
    let pairs = HELD.pairs(1);
    let own = ValidationOptions {
        confidence: 0.95,
        ..ValidationOptions::default()
    };
    let found = validate(&pairs, &equation(), &own).unwrap();
    assert!(
        (found.acceptable - 10.0).abs() < 1e-12,
        "{}",
        found.acceptable
    );
    let found = validate(&pairs, &equation(), &options(Acceptable::Percent(10.0))).unwrap();
    let observed: Vec<f64> = found.birds.iter().map(|bird| bird.observed).collect();
    let mean = observed.iter().sum::<f64>() / 12.0;
    assert!((found.acceptable - mean / 10.0).abs() < 1e-9);
}

/// 100 laboratories, of which 8 birds each were analysed: on other birds each kind of
/// recalibration is better, on average, than the saved equation and than a new one.
#[test]
fn recalibration_is_better_than_the_saved_and_than_a_new_equation() {
    let mut sums = [0.0; 5];
    for seed in 0..100 {
        for (sum, error) in sums.iter_mut().zip(errors_on_other_birds(seed, 8.0, 0.05)) {
            *sum += error / 100.0;
        }
    }
    let [saved, intercept, slope, full, new] = sums;
    for recalibrated in [intercept, slope, full] {
        assert!(recalibrated < saved && recalibrated < new, "{sums:?}");
    }
}
