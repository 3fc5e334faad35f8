//! Precision error against worked examples (`precision/`) and published figures.

use pinfeather::stats::precision::{
    Precision, ROUNDED_CHANGE_FACTOR, change_factor, precision, sd_interval,
};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

use super::{Table, agree, all_agree, expected, number, numbers};

fn by_subject(path: &str) -> Precision {
    let table = Table::read(path);
    let mut subjects: Vec<(String, Vec<f64>)> = Vec::new();
    for (subject, value) in table.text("subject").into_iter().zip(table.column("value")) {
        match subjects.last_mut() {
            Some((last, values)) if *last == subject => values.push(value),
            _ => subjects.push((subject, vec![value])),
        }
    }
    let repeats: Vec<Vec<f64>> = subjects.into_iter().map(|(_, values)| values).collect();
    precision(&repeats, 0.95).unwrap()
}

/// Formulas of Glueer et al. 1995, evaluated independently (SOURCE.md).
#[test]
fn equal_and_unequal_repeats() {
    for set in ["equal", "unequal"] {
        let found = by_subject(&format!("precision/precision_{set}.csv"));
        let all = &expected("precision/expected.json")[set];
        assert_eq!(Some(found.df as u64), all["df"].as_u64());
        agree(
            "RMS-SD",
            found.rms_sd,
            number(&all["rms_sd_df_weighted"]),
            12.0,
        );
        let cv = 100.0 * found.rms_cv.unwrap();
        agree("RMS-CV", cv, number(&all["rms_cv_pct_df_weighted"]), 12.0);
        let change = found.least_significant_change(0.95).unwrap();
        agree("LSC", change, number(&all["lsc"]), 12.0);
        let rounded = ROUNDED_CHANGE_FACTOR * found.rms_sd;
        agree("LSC 2.77", rounded, number(&all["lsc_2.77"]), 12.0);
        let interval = [found.rms_sd_interval.lower, found.rms_sd_interval.upper];
        all_agree("interval", &interval, &numbers(&all["rms_sd_ci95"]), 11.0);
    }
}

/// Fat in g, five birds scanned twice (invented; worked by hand), and the published
/// example of an RMS-SD of 0.015 g/cm2: least significant change 0.027 at 80 %,
/// 0.042 at 95 %.
#[test]
fn worked_examples() {
    let pairs = [
        [210.4, 214.1],
        [188.2, 185.0],
        [251.9, 247.3],
        [230.5, 233.8],
        [199.0, 201.6],
    ];
    let repeats: Vec<Vec<f64>> = pairs.iter().map(|pair| pair.to_vec()).collect();
    let found = precision(&repeats, 0.95).unwrap();
    assert_eq!(found.df, 5);
    assert!(found.is_poorly_known());
    agree("RMS-SD", found.rms_sd, 2.504795, 6.0);
    agree(
        "LSC",
        found.least_significant_change(0.95).unwrap(),
        6.9428,
        5.0,
    );
    agree("LSC 2.77", ROUNDED_CHANGE_FACTOR * found.rms_sd, 6.938, 4.0);
    agree("RMS-CV", 100.0 * found.rms_cv.unwrap(), 1.143756, 6.0);

    // printed to six and four decimals
    assert!((change_factor(0.95).unwrap() - 2.771808).abs() < 5e-7);
    assert!((change_factor(0.80).unwrap() - 1.8124).abs() < 5e-5);
    assert!((0.015 * change_factor(0.80).unwrap() - 0.027).abs() < 0.0005);
    assert!((0.015 * change_factor(0.95).unwrap() - 0.042).abs() < 0.0005);
}

/// Glueer et al. 1995: at 27 degrees of freedom the upper one-sided 95 % limit lies
/// 30 % above; the two-sided limits at 15 and 30 by the chi-squared distribution.
#[test]
fn limits_of_a_precision_error() {
    let upper = |df, level| sd_interval(1.0, df, level).unwrap().upper;
    let lower = |df, level| sd_interval(1.0, df, level).unwrap().lower;
    // printed to four decimals
    for (found, printed) in [
        (upper(27, 0.90), 1.2929),
        (upper(30, 0.90), 1.2737),
        (lower(30, 0.95), 0.7991),
        (upper(30, 0.95), 1.3367),
        (lower(15, 0.95), 0.7387),
        (upper(15, 0.95), 1.5477),
    ] {
        assert!((found - printed).abs() < 6e-5, "{found} for {printed}");
    }
}

/// Glueer et al. 1995: for duplicates, n in place of n - 1 understates the error by a
/// factor of 1.414, the mean of SDs in place of their root mean square by 1.253.
#[test]
fn claims_for_duplicates_by_simulation() {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(1995);
    let mut draw = || -> f64 { StandardNormal.sample(&mut random) };
    let repeats: Vec<Vec<f64>> = (0..100_000).map(|_| vec![draw(), draw()]).collect();
    let found = precision(&repeats, 0.95).unwrap().rms_sd;
    let sds = repeats
        .iter()
        .map(|pair| (pair[0] - pair[1]).abs() / 2.0_f64.sqrt());
    let mean_sd = sds.clone().sum::<f64>() / 1e5;
    let with_n = (sds.map(|sd| sd * sd / 2.0).sum::<f64>() / 1e5).sqrt();
    // 1 %: four times the simulation's own error
    assert!((found - 1.0).abs() < 0.01);
    assert!((found / with_n / 1.414 - 1.0).abs() < 0.01);
    assert!((found / mean_sd / 1.2533 - 1.0).abs() < 0.01);
}
