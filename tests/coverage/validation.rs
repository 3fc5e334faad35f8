//! How often is each verdict given, and do the intervals of a validation cover the truth?
//!
//! Laboratories of 12 birds (and 6, 30) whose errors have an SD of 0.6 of the acceptable error,
//! with a true bias of 0, a quarter, three quarters, once and 1.5 times that error; errors alike,
//! in proportion to the mass, and skewed; slopes of 1 and 0.8. Prints a table:
//!
//! `cargo test --release --test coverage validation -- --ignored --nocapture`
//!
//! `COVERAGE_STUDIES` sets the laboratories of each kind (4,000).

use pinfeather::composition::validation::{
    Acceptable, QuantityRow, Recalibrated, ValidationOptions, Verdict, validate,
};
use rayon::prelude::*;

use crate::support::validation::{Errors, Laboratory, equation, errors_on_other_birds};

const ACCEPTABLE_G: f64 = 10.0;

/// Shares: usable as it is, after intercept, after slope, not usable, undecided; slope and
/// in-the-large covered.
fn shares(laboratory: Laboratory, studies: u64) -> [f64; 7] {
    let equation = equation();
    let options = ValidationOptions {
        confidence: 0.95,
        acceptable: [("fat".to_owned(), Acceptable::Absolute(ACCEPTABLE_G))].into(),
        ..ValidationOptions::default()
    };
    let one = |seed: u64| {
        let found = validate(&laboratory.pairs(seed), &equation, &options).unwrap();
        let mut counts = [0.0; 7];
        counts[match found.verdict {
            Verdict::AsItIs => 0,
            Verdict::After(Recalibrated::Intercept) => 1,
            Verdict::After(Recalibrated::InterceptAndSlope) => 2,
            Verdict::NotUsable => 3,
            Verdict::Undecided { .. } => 4,
        }] = 1.0;
        let covers = |quantity: &str, truth: f64| {
            let row = |row: &&QuantityRow| row.quantity == quantity;
            let row = found.quantities.iter().find(row).unwrap();
            f64::from(u8::from(row.interval.unwrap().contains(truth)))
        };
        counts[5] = covers("calibration_slope", laboratory.slope);
        // The readings are drawn from a range whose mean is 150 g.
        counts[6] = covers("calibration_in_the_large", laboratory.bias_g);
        counts
    };
    let all: Vec<[f64; 7]> = (0..studies).into_par_iter().map(one).collect();
    let mut shares = [0.0; 7];
    for counts in &all {
        for (share, count) in shares.iter_mut().zip(counts) {
            *share += count / studies as f64;
        }
    }
    shares
}

#[test]
#[ignore = "some seconds in a release build"]
fn verdicts_and_intervals_are_right_as_often_as_they_say() {
    let studies = std::env::var("COVERAGE_STUDIES");
    let studies = studies.map_or(4000, |text| text.parse().unwrap());
    println!(
        "birds  bias/limit slope errors        as it is  intercept  slope  not usable  undecided | slope  in the large covered"
    );
    let mut wrong = Vec::new();
    for birds in [6, 12, 30] {
        for errors in [Errors::Alike, Errors::Proportional, Errors::Skewed] {
            for (share, slope) in [
                (0.0, 1.0),
                (0.25, 1.0),
                (0.75, 1.0),
                (1.0, 1.0),
                (1.5, 1.0),
                (0.0, 0.8),
            ] {
                let laboratory = Laboratory {
                    birds,
                    bias_g: share * ACCEPTABLE_G,
                    slope,
                    sd_g: 0.6 * ACCEPTABLE_G,
                    errors,
                };
                let found = shares(laboratory, studies);
                let text: Vec<String> =
                    found.iter().map(|x| format!("{:7.1}", 100.0 * x)).collect();
                println!(
                    "{birds:5} {share:8} {slope:6} {errors:?} {}",
                    text.join("  ")
                );
                let margin = 3.0 * (0.05 * 0.95 / studies as f64).sqrt();
                let skewed = errors == Errors::Skewed;
                if birds == 12 && (0.2..0.3).contains(&share) && found[0] < 0.90 {
                    wrong.push(format!("{laboratory:?}: as it is {}", found[0]));
                }
                // Skewed errors make t tests of 12 values one-sided wrong by some percent.
                if share >= 1.0 && found[0] > 0.05 + margin + if skewed { 0.05 } else { 0.0 } {
                    wrong.push(format!("{laboratory:?}: as it is {}", found[0]));
                }
                let covered = [found[5], found[6]];
                if birds == 12
                    && slope > 0.9
                    && !skewed
                    && covered.iter().any(|share| !(0.93..=0.97).contains(share))
                {
                    wrong.push(format!("{laboratory:?}: covered {covered:?}"));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Root mean square errors on other birds of laboratories that differ from the equation little
/// and much; SD of a bird about its laboratory's line 10 g.
#[test]
#[ignore = "some seconds in a release build"]
fn recalibration_on_eight_birds_pays() {
    println!("SD of bias, slope    saved  intercept  slope  full  new equation (g)");
    let laboratories = 2000;
    let mut all = [0.0; 5];
    let kinds = [
        (0.0, 0.0),
        (4.0, 0.0),
        (8.0, 0.05),
        (8.0, 0.1),
        (15.0, 0.0),
        (15.0, 0.1),
    ];
    for (bias_sd_g, slope_sd) in kinds {
        let errors: Vec<[f64; 5]> = (0..laboratories)
            .into_par_iter()
            .map(|seed| errors_on_other_birds(seed, bias_sd_g, slope_sd))
            .collect();
        let means: [f64; 5] = std::array::from_fn(|place| {
            errors.iter().map(|errors| errors[place]).sum::<f64>() / errors.len() as f64
        });
        println!("{bias_sd_g:5} g {slope_sd:5}   {means:.2?}");
        for (sum, mean) in all.iter_mut().zip(means) {
            *sum += mean / kinds.len() as f64;
        }
    }
    println!("all   {all:.2?}");
    assert!(
        all[1..4].iter().all(|one| *one < all[0] && *one < all[4]),
        "{all:?}"
    );
}
