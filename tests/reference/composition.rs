//! Composition against published equations, certified fits and reference values.
//! Sources stand beside each check; data in `reference/`, each folder with its source.

use std::path::Path;

use pinfeather::composition::agreement::compare;
use pinfeather::composition::balance::{balance, of_study as balances};
use pinfeather::composition::calibration::{Settings, calibrate};
use pinfeather::composition::correction::{AllowedStrains, correct};
use pinfeather::composition::pairs::{RowSelection, frame};
use pinfeather::composition::quality::keep;
use pinfeather::composition::repeatability::of_frame;
use pinfeather::composition::validation::{ValidationOptions, Verdict, validate};
use pinfeather::composition::{Equation, Frame, Value};
use pinfeather::study::{Format, Part};

use crate::support::digits;

fn published(name: &str) -> Equation {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("models/corrections/published");
    Equation::read(&folder.join(name)).unwrap_or_else(|error| panic!("{error}"))
}

fn table(name: &str) -> Frame {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference");
    Frame::read(&folder.join(name), &Format::default()).unwrap_or_else(|error| panic!("{error}"))
}

/// Check E10: equations for other species, replayed as saved equations.
/// Mice: Nagy & Clair 2000, Obesity Research 8:392-398; pigs: Mitchell, Scholz &
/// Conway 1998, Journal of Animal Science 76:2392-2398 (their mean by chemistry is
/// printed as 10.9 percent). The arithmetic is exact to the printed coefficients.
#[test]
fn published_equations_replay() {
    let fat_g = published("mouse_fat.toml");
    let lean_g = published("mouse_lean.toml");
    let percent = published("pig_fat_percentage.toml");
    let reading = |name: &str| {
        let value = match name {
            "fat_scan" => 4.2,
            "lean_scan" => 17.5,
            "fat_pct_scan" => 6.9,
            _ => return None,
        };
        Some(Value::Number(value))
    };
    for (equation, expected) in [(&fat_g, 2.153), (&lean_g, 18.06), (&percent, 10.8573)] {
        let row = equation.row(reading).unwrap();
        assert!((equation.value(&row) - expected).abs() < 1e-12);
        // Not published: there is no shared error to print.
        assert_eq!(equation.shared_covariance(&row, &row), None);
    }
    let row = percent.row(reading).unwrap();
    assert!((percent.value(&row) - 10.9).abs() < 0.1);
    // Residual SDs as printed: 0.233 g, 0.238 g, 1.56 points.
    for (equation, sd) in [(&fat_g, 0.233), (&lean_g, 0.238), (&percent, 1.56)] {
        assert!((equation.own_variance(1.0).unwrap().sqrt() - sd).abs() < 1e-12);
    }
}

/// Nagy & Clair's equation for mice, which was published without covariance, is tested on pairs
/// (invented: its predictions and errors of 0.05 g) against its published residual SD, 0.233 g.
#[test]
fn a_published_equation_is_tested_against_its_residual_sd() {
    let equation = published("mouse_fat.toml");
    let fat = [3.0, 3.6, 4.2, 4.4, 5.0, 5.3, 5.9, 6.4];
    let lean = [14.0, 15.2, 17.5, 16.8, 18.0, 18.4, 19.0, 19.7];
    let pairs = fat.iter().zip(lean).zip([0.05, -0.05].into_iter().cycle());
    let chemistry = pairs.map(|((fat, lean), error)| -0.5 + 1.09 * fat - 0.11 * lean + error);
    let mut frame = Frame {
        file: "pairs.csv".to_owned(),
        rows: (2..10).collect(),
        ..Frame::default()
    };
    frame.add_numbers("fat_chem", chemistry.collect());
    frame.add_numbers("fat_scan", fat.to_vec());
    frame.add_numbers("lean_scan", lean.to_vec());
    let options = ValidationOptions {
        confidence: 0.95,
        ..ValidationOptions::default()
    };
    let found = validate(&frame, &equation, &options).unwrap();
    assert!(
        (found.acceptable - 0.233).abs() < 1e-12,
        "{}",
        found.acceptable
    );
    assert_eq!(found.acceptable_from, "the equation's residual SD");
    assert_eq!(found.verdict, Verdict::AsItIs);
    // Prediction intervals have the birds' own error alone.
    assert!(found.pairs.iter().all(|pair| pair.lower.is_some()));
}

/// NIST StRD Longley (certified): the way through a table, a formula and a saved
/// equation loses no digit: 9 of coefficients and standard errors.
#[test]
fn longley_through_a_saved_equation() {
    let frame = table("nist_linear/Longley.csv");
    let formula = "x1,x2,x3,x4,x5,x6".parse().unwrap();
    let fit = calibrate(&frame, "y", &formula, &Settings::default()).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("longley.toml");
    std::fs::write(&path, fit.equation.to_toml().unwrap()).unwrap();
    let saved = Equation::read(&path).unwrap();
    let certified = [
        (-3_482_258.634_595_82, 890_420.383_607_373),
        (15.061_872_271_373_3, 84.914_925_774_766_9),
        (-0.035_819_179_292_591_0, 0.033_491_007_772_243_2),
        (-2.020_229_803_816_83, 0.488_399_681_651_699),
        (-1.033_226_867_173_59, 0.214_274_163_161_675),
        (-0.051_104_105_653_580_7, 0.226_073_200_069_370),
        (1_829.151_464_613_55, 455.478_499_142_212),
    ];
    let covariance = saved.covariance.as_ref().unwrap();
    for (j, (estimate, error)) in certified.into_iter().enumerate() {
        assert!(digits(saved.coefficients[j], estimate) >= 9.0);
        assert!(digits(covariance[(j, j)].sqrt(), error) >= 9.0);
        assert!(digits(fit.terms[j].std_error, error) >= 9.0);
    }
    let sd = saved.own_variance(1.0).unwrap().sqrt();
    assert!(digits(sd, 304.854_073_561_965) >= 9.0);
}

/// Agreement of reported with measured weight: Davis 1990 (carData), values of R
/// and formulas of Bland & Altman 1986, Lin 1989 and 2000, Deming with ratio 1
/// (`reference/agreement`), printed to 15 digits.
#[test]
fn agreement_of_davis_weights() {
    let frame = table("agreement/davis_weight_women.csv");
    let reported = frame.numbers("reported").unwrap();
    let measured = frame.numbers("measured").unwrap();
    let row = compare("weight", "before", reported, measured, 1.0, 0.95).unwrap();
    let expected = [
        (row.bias, 0.48),
        (row.sd, 2.062_067_218_138_44),
        (row.lower_limit, -3.561_651_747_551_35),
        (row.upper_limit, 4.521_651_747_551_35),
        (row.concordance.unwrap(), 0.952_337_502_012_774),
        (row.concordance_lower.unwrap(), 0.930_135_707_547_747),
        (row.concordance_upper.unwrap(), 0.967_602_334_584_075),
        (row.deming_slope.unwrap(), 1.024_523_913_806_01),
        (row.deming_intercept.unwrap(), -0.911_732_108_490_845),
    ];
    assert_eq!(row.n, 100);
    for (found, expected) in expected {
        assert!(digits(found, expected) >= 11.0, "{found} {expected}");
    }
}

/// Check E8: the worked duplicates (fat, g, five birds twice), computed in R from
/// the formulas of Glueer et al. 1995, Osteoporosis International 5:262-270; and
/// the chi-squared factors that reproduce their +30 percent at 27 degrees of freedom.
#[test]
fn precision_of_duplicates() {
    let pairs = [
        (210.4, 214.1),
        (188.2, 185.0),
        (251.9, 247.3),
        (230.5, 233.8),
        (199.0, 201.6),
    ];
    let mut frame = Frame {
        file: "duplicates.csv".into(),
        rows: (2..12).collect(),
        ..Frame::default()
    };
    let birds = (0..10).map(|row| format!("b{}", row / 2)).collect();
    frame.add_words("bird", birds);
    frame.add_numbers("fat_g", pairs.iter().flat_map(|(a, b)| [*a, *b]).collect());
    let answer = of_frame(&frame, "bird", &["fat_g"], None, &[], 0.95).unwrap();
    let row = &answer.rows[0];
    assert_eq!((row.subjects, row.scans, row.df), (5, 10, 5));
    // Printed to 7 digits there.
    assert!((row.rms_sd - 2.504_795).abs() < 1e-6);
    assert!((row.lsc - 6.942_8).abs() < 1e-4);
    assert!((row.rms_cv_pct.unwrap() - 1.143_756).abs() < 1e-5);
    assert!(answer.warnings[0].contains("5 degrees of freedom, under 30"));

    // Equal and unequal repeats against `reference/precision/expected.json`.
    for (file, rms_sd, cv_pct, lower, upper) in [
        (
            "precision_equal.csv",
            1.175_679_472_569_891_1,
            0.809_496_822_095_673_3,
            0.843_063_273_264_686_9,
            1.940_735_417_633_909_3,
        ),
        (
            "precision_unequal.csv",
            0.286_501_890_627_851_6,
            2.650_809_867_785_209_7,
            0.184_619_929_680_749,
            0.630_896_104_610_900_2,
        ),
    ] {
        let frame = table(&format!("precision/{file}"));
        let row = &of_frame(&frame, "subject", &["value"], None, &[], 0.95)
            .unwrap()
            .rows[0];
        for (found, expected) in [
            (row.rms_sd, rms_sd),
            (row.rms_cv_pct.unwrap(), cv_pct),
            (row.lower, lower),
            (row.upper, upper),
        ] {
            assert!(digits(found, expected) >= 10.0, "{file} {found} {expected}");
        }
    }
}

/// Check E16 (Glueer et al. 1995): for normal errors a plain mean of duplicates' SDs
/// understates the precision error by the factor sqrt(pi/2) = 1.2533; the
/// root mean square, which is printed, does not.
#[test]
fn root_mean_square_does_not_understate() {
    use rand::SeedableRng as _;
    use rand_distr::{Distribution as _, StandardNormal};
    let mut generator = rand_chacha::ChaCha8Rng::seed_from_u64(16);
    let n = 100_000;
    let values: Vec<f64> = (0..2 * n)
        .map(|_| StandardNormal.sample(&mut generator))
        .collect();
    let mean_sd = values
        .chunks_exact(2)
        .map(|pair: &[f64]| (pair[0] - pair[1]).abs() / 2f64.sqrt())
        .sum::<f64>()
        / f64::from(n);
    let mut frame = Frame {
        rows: (0..2 * n as u32).collect(),
        ..Frame::default()
    };
    frame.add_words(
        "bird",
        (0..2 * n).map(|row| (row / 2).to_string()).collect(),
    );
    frame.add_numbers("fat_g", values);
    let row = &of_frame(&frame, "bird", &["fat_g"], None, &[], 0.95)
        .unwrap()
        .rows[0];
    // 1 percent at 100,000 pairs is some 4 standard errors.
    assert!((row.rms_sd - 1.0).abs() < 0.01, "{}", row.rms_sd);
    assert!((row.rms_sd / mean_sd / 1.253_314 - 1.0).abs() < 0.01);
}

/// Check E17: closure is reported and nothing is scaled in silence; what moves under a
/// reconciliation is reported part by part and adds up exactly.
#[test]
fn closure_is_reported_before_and_after() {
    let invented = crate::support::scans::invented(17);
    let study = invented.study();
    let kept = keep(&study);
    let settings = Settings {
        bird: Some("bird".into()),
        ..Settings::default()
    };
    let wanted = RowSelection {
        part: Part::Whole,
        ..RowSelection::default()
    };
    let pairs = frame(&study, &kept, &wanted).unwrap();
    let corrections: Vec<_> = ["fat", "lean", "bone"]
        .iter()
        .map(|tissue| {
            let formula = "fat_scan,lean_scan,bone_scan,age".parse().unwrap();
            let fit = calibrate(&pairs, &format!("{tissue}_chem"), &formula, &settings).unwrap();
            correct(&study, &kept, &fit.equation, &AllowedStrains::new()).unwrap()
        })
        .collect();
    let rows = balances(&study, &corrections.iter().collect::<Vec<_>>(), None).unwrap();
    assert_eq!(rows.len(), corrections[0].rows.len());
    for row in &rows {
        let scan = study
            .scans
            .rows
            .iter()
            .find(|scan| scan.row == row.row)
            .unwrap();
        let corrected: f64 = corrections
            .iter()
            .map(|part| {
                part.rows
                    .iter()
                    .find(|other| other.row == row.row)
                    .unwrap()
                    .corrected
            })
            .sum();
        let before = balance(&[scan.fat_g, scan.lean_g, scan.bone_g], scan.scale_weight_g).unwrap();
        assert!((before.closure_pct - 100.0 * scan.total_g() / scan.scale_weight_g).abs() < 1e-9);
        assert!((row.balance.sum_g - corrected).abs() < 1e-9);
        assert!((row.balance.closure_pct - 100.0).abs() < 6.0, "{row:?}");
        let moved = row.reconcile().unwrap();
        assert!((moved.parts_g.iter().sum::<f64>() - row.scale_weight_g).abs() < 1e-9);
        for ((after, before), by) in moved.parts_g.iter().zip(&row.parts_g).zip(&moved.moved_g) {
            assert!((after - before - by).abs() < 1e-9);
        }
    }
}
