//! From scans and chemistry to corrected masses on an invented study with known
//! truth. Intervals of these tests are wide (99.9 percent), so that a correct
//! program fails one run in a thousand of new seeds, and the seed is fixed.

use crate::support::scans::{FEATHER_EFFECT, SCAN_SD, invented};
use pinfeather::composition::calibration::{Settings, Weighting, calibrate};
use pinfeather::composition::choice::choose;
use pinfeather::composition::correction::{AllowedStrains, Corrections, correct};
use pinfeather::composition::feather_step::FeatherStep;
use pinfeather::composition::feathers::{effects, feather_mass, paired, routes};
use pinfeather::composition::pairs::{RowSelection, frame};
use pinfeather::composition::quality::keep;
use pinfeather::composition::repeatability::of_study;
use pinfeather::composition::series::{of_birds, of_strains};
use pinfeather::composition::{Equation, Formula, Tissue, chemistry};
use pinfeather::study::Part;

/// 99.9 percent of a normal distribution lie within this many SDs.
const WIDE: f64 = 3.29;

fn settings() -> Settings {
    Settings {
        bird: Some("bird".into()),
        ..Settings::default()
    }
}

fn formula(terms: &str) -> Formula {
    terms.parse().unwrap()
}

#[test]
fn chemistry_closes_and_gives_the_true_masses() {
    let invented = invented(1);
    let study = invented.study();
    for row in chemistry::closure(&study) {
        // Percentages in the table have six decimals, of parts up to 2,000 g.
        assert!(
            row.within && (row.closure_pct - 100.0).abs() < 1e-5,
            "{row:?}"
        );
    }
    let masses = chemistry::masses(&study);
    assert_eq!(masses.len(), 56);
    let shares = chemistry::feather_shares(&study).unwrap();
    assert_eq!(shares.len(), 14);
    let alder = shares
        .iter()
        .find(|row| row.strain == "Alder" && row.age_d > 125.0)
        .unwrap();
    // 0.045 + 0.00025 x 126 + 0.006 of the body, as a share of body and feathers.
    let expected = 100.0 * 0.0825 / 1.0825;
    assert!((alder.share_pct - expected).abs() < 1e-3, "{alder:?}");
    assert_eq!(alder.n, 4);
}

#[test]
fn the_feather_effect_is_recovered() {
    let invented = invented(2);
    let study = invented.study();
    let paired = paired(&study, &keep(&study)).unwrap();
    assert_eq!(paired.intact.n(), 56);
    for (tissue, effect) in effects(&paired, &settings()).unwrap() {
        let term = effect
            .terms
            .iter()
            .find(|row| row.term == "feather_mass")
            .unwrap();
        let truth = FEATHER_EFFECT[Tissue::ALL
            .iter()
            .position(|other| *other == tissue)
            .unwrap()];
        assert!(
            (term.estimate - truth).abs() < WIDE * term.std_error,
            "{tissue:?} {term:?}"
        );
        assert!(term.std_error > 0.0);
    }
    // Feather mass of a bird of known weight, age and strain, to 10 percent.
    let allometry = feather_mass(&paired.intact, &settings()).unwrap();
    for row in &allometry.rows {
        assert!((row.fitted / row.observed - 1.0).abs() < 0.1, "{row:?}");
    }
}

#[test]
fn corrected_fat_is_unbiased_where_the_reading_is_not() {
    let invented = invented(3);
    let study = invented.study();
    let kept = keep(&study);
    let pairs = frame(&study, &kept, &RowSelection::default()).unwrap();
    // 56 birds scanned twice with feathers.
    assert_eq!(pairs.n(), 112);
    let terms = formula("fat_scan,lean_scan,age,strain,body_weight,age*body_weight");
    let best = choose(
        &pairs,
        "fat_chem",
        &terms.candidates(1).unwrap(),
        &settings(),
    )
    .unwrap();
    let fat = calibrate(&pairs, "fat_chem", &best.best, &settings()).unwrap();
    let (before, after) = (&fat.agreement[0], &fat.agreement[1]);
    assert!(
        before.bias > 20.0 && after.bias.abs() < 1.0,
        "{before:?} {after:?}"
    );
    assert!(after.concordance.unwrap() > before.concordance.unwrap());
    assert!((after.calibration_slope.unwrap() - 1.0).abs() < 0.05);

    let path = invented.folder.path().join("models/corrections/fat.toml");
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(&path, fat.equation.to_toml().unwrap()).unwrap();
    let equation = Equation::read(&path).unwrap();
    let corrected = correct(&study, &kept, &equation, &AllowedStrains::new()).unwrap();
    // The plucked scans are not what the equation is for.
    assert_eq!(corrected.rejected.len(), 112);
    let (mut reading_error, mut error, mut inside, mut n) = (0.0, 0.0, 0, 0);
    for row in &corrected.rows {
        let Some((_, _, truth)) = invented
            .live
            .iter()
            .find(|(bird, age, _)| *bird == row.bird && age.total_cmp(&row.age_d).is_eq())
        else {
            continue;
        };
        reading_error += row.reading.unwrap() - truth.fat_g;
        error += row.corrected - truth.fat_g;
        let (own, shared) = (row.own_error.unwrap(), row.shared_error.unwrap());
        assert!((row.std_error.unwrap() - own.hypot(shared)).abs() < 1e-9);
        inside += usize::from((row.corrected - truth.fat_g).abs() < 1.96 * row.std_error.unwrap());
        n += 1;
    }
    assert_eq!(n, 140);
    let mean_own = corrected.rows[0].own_error.unwrap();
    let shared = corrected.shared_covariances().unwrap().mean().sqrt();
    // Seven scans of a bird share the bird's deviation at worst.
    let allowed = WIDE * (mean_own * mean_own / 20.0 + shared * shared).sqrt();
    let (reading_error, error) = (reading_error / n as f64, error / n as f64);
    assert!(error.abs() < allowed, "{error} {allowed}");
    assert!(
        reading_error > 20.0 && reading_error > 5.0 * allowed,
        "{reading_error}"
    );
    // 140 values of 20 birds, 95 percent expected.
    assert!(inside >= 120, "{inside} of {n}");
}

#[test]
fn both_routes_are_compared_on_the_same_birds() {
    let invented = invented(4);
    let study = invented.study();
    let paired = paired(&study, &keep(&study)).unwrap();
    let terms = formula("fat_scan,lean_scan,age,strain");
    let rows = routes(&paired, "fat_chem", &terms, &settings()).unwrap();
    assert_eq!(rows.len(), 2);
    for row in &rows {
        assert_eq!((row.n, row.unpredictable), (56, 0));
        assert!(
            row.cross_validated_rmse.unwrap() < 8.0 && row.bias.unwrap().abs() < 2.0,
            "{row:?}"
        );
    }
}

#[test]
fn the_feather_step_corrects_live_birds_with_an_honest_error() {
    let invented = invented(9);
    let study = invented.study();
    let kept = keep(&study);
    let paired = paired(&study, &kept).unwrap();
    let terms = formula("fat_scan,lean_scan,age,strain");
    let step = FeatherStep::fit(&paired, "fat_chem", &terms, &settings()).unwrap();
    let corrected = correct(&study, &kept, &step, &AllowedStrains::new()).unwrap();
    let (mut inside, mut error, mut n) = (0, 0.0, 0);
    for (index, row) in corrected.rows.iter().enumerate() {
        let truth = invented
            .live
            .iter()
            .find(|(bird, age, _)| *bird == row.bird && age.total_cmp(&row.age_d).is_eq());
        let Some((_, _, truth)) = truth else { continue };
        // The linear form gives the value itself at the fitted coefficients.
        assert!((step_value(&corrected, index) - row.corrected).abs() < 1e-9);
        inside += usize::from((row.corrected - truth.fat_g).abs() < 1.96 * row.std_error.unwrap());
        error += row.corrected - truth.fat_g;
        n += 1;
    }
    let shared = corrected.shared_covariances().unwrap().mean().sqrt();
    assert!(
        (error / n as f64).abs()
            < WIDE * shared.hypot(corrected.rows[0].own_error.unwrap() / 20f64.sqrt())
    );
    assert!(inside >= 120, "{inside} of {n}");
}

/// x'b of a corrected row.
fn step_value(corrected: &Corrections, row: usize) -> f64 {
    let pairs = corrected.rows[row]
        .design
        .iter()
        .zip(&corrected.equation.coefficients);
    pairs.map(|(x, b)| x * b).sum()
}

#[test]
fn repeats_give_the_scanners_precision() {
    let invented = invented(5);
    let study = invented.study();
    let answer = of_study(&study, &keep(&study), 0.999).unwrap();
    for (trait_name, sd) in [
        ("fat", SCAN_SD[0]),
        ("lean", SCAN_SD[1]),
        ("bone", SCAN_SD[2]),
    ] {
        let row = answer
            .rows
            .iter()
            .find(|row| row.trait_name == trait_name && row.method == "feathers=intact")
            .unwrap();
        assert_eq!((row.subjects, row.scans, row.df), (56, 112, 56));
        assert!(row.lower < sd && sd < row.upper, "{row:?}");
        // 1.959964 x sqrt 2
        assert!((row.lsc / row.rms_sd - 2.771_808).abs() < 1e-6);
    }
    // Feathers do not change the precision of this scanner.
    let ratio = answer
        .methods
        .iter()
        .find(|row| row.trait_name == "fat" && row.method_a == "feathers=intact")
        .unwrap();
    assert!(ratio.lower < 1.0 && 1.0 < ratio.upper, "{ratio:?}");
    let total = answer
        .protocol
        .iter()
        .find(|row| row.trait_name == "total" && row.method == "feathers=plucked")
        .unwrap();
    assert_eq!(
        (total.reference.as_str(), total.pairs, total.rejected),
        ("scale weight", 112, 0)
    );
}

#[test]
fn all_three_weightings_agree_on_clean_data() {
    let invented = invented(6);
    let study = invented.study();
    let pairs = frame(&study, &keep(&study), &RowSelection::default()).unwrap();
    let terms = formula("lean_scan,age");
    let fit = |weighting| {
        let settings = Settings {
            weighting,
            ..settings()
        };
        calibrate(&pairs, "lean_chem", &terms, &settings).unwrap()
    };
    let ordinary = fit(Weighting::Ordinary);
    for weighting in [Weighting::PowerOfMean, Weighting::Robust] {
        let other = fit(weighting);
        let (a, b) = (&ordinary.terms[1], &other.terms[1]);
        assert!(
            (a.estimate - b.estimate).abs() < WIDE * a.std_error.hypot(b.std_error),
            "{a:?} {b:?}"
        );
        let covariance = other.equation.covariance.as_ref().unwrap();
        assert!((covariance[(1, 1)].sqrt() / b.std_error - 1.0).abs() < 1e-10);
        let rmse = (
            ordinary.cross_validation.rmse.unwrap(),
            other.cross_validation.rmse.unwrap(),
        );
        assert!((rmse.0 / rmse.1 - 1.0).abs() < 0.2, "{rmse:?}");
        assert!(other.rows.iter().all(|row| row.left_out_error.is_some()));
    }
}

#[test]
fn a_redraw_moves_all_birds_together() {
    let invented = invented(7);
    let study = invented.study();
    let kept = keep(&study);
    let pairs = frame(&study, &kept, &RowSelection::default()).unwrap();
    let fat = calibrate(&pairs, "fat_chem", &formula("fat_scan,age"), &settings()).unwrap();
    let corrected = correct(&study, &kept, &fat.equation, &AllowedStrains::new()).unwrap();
    assert_eq!(
        corrected.redraw(1, 5).unwrap(),
        corrected.redraw(1, 5).unwrap()
    );
    let n = 4_000;
    let (mut xx, mut xy) = (0.0, 0.0);
    for replicate in 0..n {
        let values = corrected.redraw(11, replicate).unwrap();
        let shift = |row: usize| values[row] - corrected.rows[row].corrected;
        xx += shift(0) * shift(0);
        xy += shift(0) * shift(100);
    }
    let n = n as f64;
    let (own, between) = (
        corrected.shared_covariance(0, 0).unwrap(),
        corrected.shared_covariance(0, 100).unwrap(),
    );
    let other = corrected.shared_covariance(100, 100).unwrap();
    // 5 standard errors of a covariance of 4,000 normal draws.
    assert!((xx / n - own).abs() < 5.0 * own * (2.0 / n).sqrt());
    assert!((xy / n - between).abs() < 5.0 * (2.0 * own * other / n).sqrt());
}

#[test]
fn series_of_birds_and_strains_hold_every_corrected_scan() {
    let invented = invented(8);
    let study = invented.study();
    let kept = keep(&study);
    let pairs = frame(
        &study,
        &kept,
        &RowSelection {
            part: Part::Whole,
            ..RowSelection::default()
        },
    )
    .unwrap();
    let lean = calibrate(&pairs, "lean_chem", &formula("lean_scan"), &settings()).unwrap();
    let corrected = correct(&study, &kept, &lean.equation, &AllowedStrains::new()).unwrap();
    let (birds, groups) = of_birds(&study, &corrected).unwrap();
    assert!(groups.is_empty());
    // 56 birds at one age (two repeats averaged) and 20 at seven.
    assert_eq!(
        birds
            .iter()
            .map(|series| series.ages_d.len())
            .sum::<usize>(),
        56 + 140
    );
    assert!(
        birds
            .iter()
            .all(|series| series.ages_d.windows(2).all(|pair| pair[0] < pair[1]))
    );
    let strains = of_strains(&study, &corrected);
    assert_eq!(strains.len(), 2);
    assert_eq!(
        strains
            .iter()
            .map(|series| series.values_g.len())
            .sum::<usize>(),
        196
    );
}
