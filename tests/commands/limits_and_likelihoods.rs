//! Limits cover their estimate, and a log-likelihood belongs to the test beside it.

use std::process::Command;

use pinfeather::maturity::{LayBird, LayRecords, lay_curves};
use pinfeather::stats::time_to_event::EventTime;
use rand::{Rng, SeedableRng};

#[test]
fn the_limits_of_a_share_in_lay_cover_it() {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(8);
    for birds in [3_u32, 8, 30] {
        for _ in 0..5 {
            let bird = |at: u32| {
                let egg_d = random.random_range(120..150_u32);
                let looked_d = f64::from(egg_d / 7 * 7);
                LayBird {
                    name: format!("b{at}"),
                    strain: 0,
                    first_egg: if at % 5 == 4 {
                        EventTime::After(looked_d)
                    } else {
                        EventTime::Between(looked_d, looked_d + 7.0)
                    },
                }
            };
            let records = LayRecords {
                birds: (0..birds).map(bird).collect(),
                strains: vec!["all".to_owned()],
                cues: Vec::new(),
                counted_from_d: 0.0,
            };
            for curve in lay_curves(&records, 0.95, 1).unwrap() {
                for point in &curve.points {
                    let covers = point
                        .interval
                        .is_none_or(|limits| limits.contains(point.share));
                    assert!(covers, "{point:?}");
                }
                for age in &curve.ages {
                    if let Some(age_d) = age.age_d {
                        let low = age.lower_d.is_none_or(|lower_d| lower_d <= age_d);
                        let high = age.upper_d.is_none_or(|upper_d| upper_d >= age_d);
                        assert!(low && high, "{age:?}");
                    }
                }
            }
        }
    }
}

/// With one spread for all groups, l1 - l0 = (n / 2) ln(S0 / S1), and
/// F = ((S0 - S1) / d1) / (S1 / d2), so that S0 / S1 = 1 + F d1 / d2.
#[test]
fn the_log_likelihood_beside_an_f_test_is_of_its_model() {
    let folder = tempfile::tempdir().unwrap();
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let out = folder.path().join("o");
    let run = Command::new(env!("CARGO_BIN_EXE_pinfeather"))
        .arg("contrast")
        .arg(root.join("tests/reference/chickweight/chickweight.csv"))
        .args([
            "--group", "diet", "--curve", "logistic", "--level", "strain", "--out",
        ])
        .arg(&out)
        .output()
        .unwrap();
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    let text = std::fs::read_to_string(out.join("tables/curve_tests.csv")).unwrap();
    let mut lines = text.lines();
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let row: Vec<&str> = lines.next().unwrap().split(',').collect();
    let number = |name: &str| -> f64 {
        let at = header.iter().position(|column| *column == name).unwrap();
        row[at].parse().unwrap()
    };
    let (df1, df2) = (number("df1"), number("df2"));
    // Two diets of p terms: d1 = p.
    let n = df2 + 2.0 * df1;
    let expected = 0.5 * n * (number("statistic") * df1 / df2).ln_1p();
    let found = number("log_lik_each") - number("log_lik_one");
    // The table has some ten digits of each.
    assert!((found / expected - 1.0).abs() < 1e-6, "{found} {expected}");
}
