//! Do intervals of calibration cover the truth at the nominal rate? Many small studies
//! are invented from a seed, each gives one yes or no, and the count is held against the
//! binomial limits of the share that is claimed, which were set before it was looked at.

use pinfeather::composition::calibration::{Calibration, Settings, Weighting, calibrate};
use pinfeather::composition::choice::choose;
use pinfeather::composition::correction::Corrector as _;
use pinfeather::composition::{Formula, Frame, Value};
use pinfeather::stats::distribution::t_two_sided_quantile;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};

const STUDIES: u64 = 400;
const STRAINS: [&str; 3] = ["A", "B", "C"];
const AGES_D: [f64; 5] = [21.0, 49.0, 77.0, 105.0, 147.0];
/// What feathers add to a reading, g/g: the demo's, in bone.
const BONE_EFFECT: f64 = 0.01;

/// Fewest and most of n that a right share gives, each passed once in 2,000 seeds.
fn binomial_limits(n: u64, share: f64) -> (u64, u64) {
    // By logarithms, since the first of these are below the least number that is stored.
    let mut log_mass = n as f64 * (1.0 - share).ln();
    let (mut below, mut fewest, mut most) = (0.0, 0, n);
    for k in 0..=n {
        if below < 0.0005 {
            fewest = k;
        }
        if 1.0 - below > 0.0005 {
            most = k;
        }
        below += log_mass.exp();
        log_mass += ((n - k) as f64 / (k + 1) as f64 * share / (1.0 - share)).ln();
    }
    (fewest, most)
}

#[test]
fn the_limits_are_those_of_tables() {
    // R 4: qbinom(c(0.0005, 0.9995), 400, 0.95).
    assert_eq!(binomial_limits(400, 0.95), (364, 393));
}

/// A bird of one strain and age: what it is made of, and its readings.
#[derive(Clone, Copy)]
struct Bird {
    strain: usize,
    age_d: f64,
    weight_g: f64,
    fat_g: f64,
    feathers_g: f64,
}

struct Study(ChaCha8Rng);

impl Study {
    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    fn bird(&mut self, strain: usize, age_d: f64) -> Bird {
        let mature_g = [1780.0, 1510.0, 1610.0][strain] * (0.06 * self.normal()).exp();
        let weight_g = mature_g * (-(-0.028 * (age_d - 48.0)).exp()).exp();
        let plumage = (0.06 * self.normal()).exp();
        let feathers_g = weight_g * (0.038 + 0.0003 * age_d) * plumage;
        let fatness = (0.15 * self.normal()).exp();
        let body_kg = (weight_g - feathers_g) / 1000.0;
        let fat_g = [92.0, 82.0, 104.0][strain] * body_kg.powf(1.5) * fatness;
        Bird {
            strain,
            age_d,
            weight_g,
            fat_g,
            feathers_g,
        }
    }

    /// Readings of fat after this number of positionings on one day: the day's error stays.
    fn fat_readings(&mut self, bird: &Bird, repeats: usize) -> Vec<f64> {
        let day = 0.002 * self.normal();
        let expected_g = 4.0
            + 1.12 * bird.fat_g
            + [0.0, 4.0, -3.0][bird.strain]
            + 0.05 * bird.age_d
            + 0.45 * bird.feathers_g;
        let read = |_| expected_g + bird.weight_g * (day + 0.003 * self.normal());
        (0..repeats).map(read).collect()
    }

    /// Four birds of each strain and age, and what they are in a table.
    fn carcasses(&mut self) -> Vec<Bird> {
        let mut birds = Vec::new();
        for strain in 0..STRAINS.len() {
            for age_d in AGES_D {
                birds.extend((0..4).map(|_| self.bird(strain, age_d)));
            }
        }
        birds
    }
}

/// A frame with the columns that all rows have; each bird stands in `repeats` rows.
fn frame(birds: &[Bird], repeats: usize) -> Frame {
    let rows: Vec<(usize, Bird)> = birds
        .iter()
        .copied()
        .enumerate()
        .flat_map(|row| vec![row; repeats])
        .collect();
    let mut frame = Frame {
        file: "invented".into(),
        rows: (2..).take(rows.len()).collect(),
        ..Frame::default()
    };
    let words = |of: &dyn Fn(usize, Bird) -> String| {
        rows.iter()
            .map(|(i, bird)| of(*i, *bird))
            .collect::<Vec<_>>()
    };
    let numbers =
        |of: &dyn Fn(Bird) -> f64| rows.iter().map(|(_, bird)| of(*bird)).collect::<Vec<_>>();
    frame.add_words("bird", words(&|i, _| i.to_string()));
    frame.add_words("strain", words(&|_, bird| STRAINS[bird.strain].to_owned()));
    frame.add_numbers("age", numbers(&|bird| bird.age_d));
    frame.add_numbers("body_weight", numbers(&|bird| bird.weight_g));
    frame.add_numbers("feather_mass", numbers(&|bird| bird.feathers_g));
    frame.add_numbers("fat_chem", numbers(&|bird| bird.fat_g));
    frame
}

fn settings(weighting: Weighting) -> Settings {
    Settings {
        bird: Some("bird".into()),
        weighting,
        ..Settings::default()
    }
}

/// Whether the 95 percent interval for this bird, as corrected scans have it, holds its fat.
fn holds(calibration: &Calibration, bird: &Bird, reading: f64) -> bool {
    let equation = &calibration.equation;
    let lookup = |name: &str| match name {
        "fat_scan" => Some(Value::Number(reading)),
        "body_weight" => Some(Value::Number(bird.weight_g)),
        "age" => Some(Value::Number(bird.age_d)),
        "strain" => Some(Value::Word(STRAINS[bird.strain])),
        _ => None,
    };
    let predicted = equation.predict(lookup).unwrap();
    let shared = equation.shared_covariance(&predicted.design, &predicted.design);
    let error = (predicted.own_variance.unwrap() + shared.unwrap()).sqrt();
    let df = equation.provenance.residual_df.unwrap();
    (predicted.value - bird.fat_g).abs() <= t_two_sided_quantile(0.95, df as f64) * error
}

/// One bird new to the equation in each of many studies of 60 carcasses, scanned once
/// or twice each: the number whose interval holds the bird's fat is binomial. Of 400
/// studies each it was 376 and 379 (limits 364 to 393); fewer are requested here, since
/// each leaves out all its birds in turn.
#[test]
fn an_interval_for_a_new_bird_holds_its_true_mass() {
    let formula: Formula = "fat_scan,strain,body_weight,age*body_weight"
        .parse()
        .unwrap();
    for (repeats, studies) in [(1, 200), (2, 100)] {
        let limits = binomial_limits(studies, 0.95);
        let held = (0..studies).filter(|seed| {
            let mut study = Study(ChaCha8Rng::seed_from_u64(2_000 * repeats as u64 + seed));
            let birds = study.carcasses();
            let readings = birds
                .iter()
                .flat_map(|bird| study.fat_readings(bird, repeats));
            let readings = readings.collect();
            let mut pairs = frame(&birds, repeats);
            pairs.add_numbers("fat_scan", readings);
            let calibration = calibrate(
                &pairs,
                "fat_chem",
                &formula,
                &settings(Weighting::PowerOfMean),
            )
            .unwrap();
            let place = (seed % 15) as usize;
            let bird = study.bird(place / 5, AGES_D[place % 5]);
            let reading = study.fat_readings(&bird, 1)[0];
            holds(&calibration, &bird, reading)
        });
        let held = held.count() as u64;
        println!("{repeats} scans a carcass: {held} of {studies}, limits {limits:?}");
        assert!(limits.0 <= held && held <= limits.1, "{repeats}: {held}");
    }
}

/// The slope of what feathers add to the reading of bone, whose scatter is a share of the
/// bird's weight: the interval has its nominal coverage with rows weighted by a power
/// of the feather mass, and not where rows count alike.
#[test]
fn the_slope_of_a_feather_effect_is_held() {
    let formula: Formula = "feather_mass".parse().unwrap();
    let limits = binomial_limits(STUDIES, 0.95);
    let held_by = |weighting: Weighting| {
        let held = (0..STUDIES).filter(|seed| {
            let mut study = Study(ChaCha8Rng::seed_from_u64(9_000 + seed));
            let birds = study.carcasses();
            let of_bird = |bird: &Bird| {
                let scatter = 0.0003 * (study.normal() - study.normal());
                BONE_EFFECT * bird.feathers_g + bird.weight_g * scatter
            };
            let effects = birds.iter().map(of_bird).collect();
            let mut pairs = frame(&birds, 1);
            pairs.add_numbers("bone_effect", effects);
            let fitted = calibrate(&pairs, "bone_effect", &formula, &settings(weighting)).unwrap();
            let slope = &fitted.terms[1];
            slope.lower <= BONE_EFFECT && BONE_EFFECT <= slope.upper
        });
        held.count() as u64
    };
    let (weighted, alike) = (
        held_by(Weighting::PowerOfFeatherMass),
        held_by(Weighting::Ordinary),
    );
    println!("weighted {weighted}, alike {alike} of {STUDIES}, limits {limits:?}");
    assert!(limits.0 <= weighted && weighted <= limits.1, "{weighted}");
    assert!(alike < limits.0, "{alike}");
}

const X: [f64; 8] = [3.1, 4.4, 5.2, 6.8, 7.1, 8.9, 9.6, 11.3];
const Y: [f64; 16] = [
    10.2, 10.9, 14.1, 13.6, 13.2, 13.9, 19.6, 18.9, 17.1, 17.7, 24.2, 23.7, 22.9, 23.4, 29.8, 28.9,
];

/// AICc of `y` on `x` by the choice among candidates.
fn aicc(birds: &[usize], x: Vec<f64>, y: Vec<f64>) -> f64 {
    let mut frame = Frame {
        rows: (2..).take(x.len()).collect(),
        ..Frame::default()
    };
    frame.add_words("bird", birds.iter().map(ToString::to_string).collect());
    frame.add_numbers("x", x);
    frame.add_numbers("y", y);
    let only: Formula = "x".parse().unwrap();
    let choice = choose(&frame, "y", &[only], &settings(Weighting::Ordinary)).unwrap();
    choice.rows[0].aicc.unwrap()
}

/// R 4 with nlme: `gls(y ~ x, correlation = corCompSymm(form = ~1 | bird), method = "ML")`
/// has the log-likelihood -20.0516521542656 of four parameters (rho 0.8398), so an AICc of
/// 51.7396679448948; `lm` on all rows as if of as many birds has 57.8746071417869, and on
/// the first row of each 39.7482766441307 (both with sigma counted).
#[test]
fn rows_of_one_bird_are_judged_as_alike() {
    let twice = |row: usize| row / 2;
    let x: Vec<f64> = (0..16).map(|row| X[twice(row)]).collect();
    let alike = aicc(
        &(0..16).map(twice).collect::<Vec<_>>(),
        x.clone(),
        Y.to_vec(),
    );
    // The likelihood is flat at its optimum; R's optimiser stops within 1e-7.
    assert!((alike - 51.739_667_944_894_8).abs() < 1e-6, "{alike}");
    let each: Vec<usize> = (0..16).collect();
    let alone = aicc(&each, x, Y.to_vec());
    assert!((alone - 57.874_607_141_786_9).abs() < 1e-9, "{alone}");

    let first: Vec<f64> = Y.iter().step_by(2).copied().collect();
    let once = aicc(&each[..8], X.to_vec(), first.clone());
    assert!((once - 39.748_276_644_130_7).abs() < 1e-9, "{once}");
    // The same chemistry and reading written twice: nothing new.
    let again: Vec<f64> = (0..16).map(|row| first[twice(row)]).collect();
    let x: Vec<f64> = (0..16).map(|row| X[twice(row)]).collect();
    let written_twice = aicc(&(0..16).map(twice).collect::<Vec<_>>(), x, again);
    assert!(
        (written_twice - once).abs() < 1e-9,
        "{written_twice} {once}"
    );
}
