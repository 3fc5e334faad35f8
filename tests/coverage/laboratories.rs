//! Do prediction intervals for a new laboratory cover it, from few laboratories?
//!
//! Sets of 3, 5 and 8 laboratories with 8 birds each (or 4 to 16), whose scanners differ in level,
//! in slope, in gain (level and slope together) or not at all; errors of birds normal or skewed;
//! the new laboratory's line at the mean reading and at an end of the readings, a bird of it by the
//! exact interval and by the saved equation, and each bird of a laboratory left out. Prints a table:
//!
//! `cargo test --release --test coverage laboratories -- --ignored --nocapture`
//!
//! `COVERAGE_STUDIES` sets the sets of each kind (200).

use pinfeather::composition::calibration::Settings;
use pinfeather::composition::correction::{AllowedStrains, correct};
use pinfeather::composition::laboratories::calibrate_laboratories;
use pinfeather::composition::quality::keep;
use pinfeather::composition::study_equations::{Request, of_study};
use pinfeather::composition::{Formula, Frame, Value};
use pinfeather::stats::distribution::t_two_sided_quantile;
use rand::{Rng as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, Exp1, StandardNormal};
use rayon::prelude::*;

use crate::support::study_laboratories::{Design, laboratory_study};

const ERROR_SD_G: f64 = 6.0;

/// How laboratories differ: SD of level (g) and slope, whether both go by one gain; law of their
/// effects and of the birds' errors.
#[derive(Debug, Clone, Copy)]
struct Kind {
    laboratories: usize,
    level_sd_g: f64,
    slope_sd: f64,
    one_gain: bool,
    unequal: bool,
    skewed: bool,
}

struct Set {
    frame: Frame,
    /// Level at 130 g and slope of a further laboratory.
    new: [f64; 2],
    /// A bird of it: reading and chemistry.
    bird: [f64; 2],
}

fn draw(kind: Kind, seed: u64) -> Set {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut names = Vec::new();
    let (mut readings, mut chemistry) = (Vec::new(), Vec::new());
    let normal = |random: &mut ChaCha8Rng| -> f64 { StandardNormal.sample(random) };
    let line = |random: &mut ChaCha8Rng| -> [f64; 2] {
        let slope = kind.slope_sd * normal(random);
        let level = kind.level_sd_g * normal(random);
        [
            100.0 + level + if kind.one_gain { 130.0 * slope } else { 0.0 },
            0.85 + slope,
        ]
    };
    let bird = |random: &mut ChaCha8Rng, [level, slope]: [f64; 2]| -> [f64; 2] {
        let reading: f64 = random.random_range(60.0..200.0);
        let error: f64 = if kind.skewed {
            let one: f64 = Exp1.sample(random);
            one - 1.0
        } else {
            normal(random)
        };
        [
            reading,
            level + slope * (reading - 130.0) + ERROR_SD_G * error,
        ]
    };
    for laboratory in 0..kind.laboratories {
        let own = line(&mut random);
        let birds = if kind.unequal {
            [4, 6, 8, 10, 16][laboratory % 5]
        } else {
            8
        };
        for _ in 0..birds {
            let [reading, found] = bird(&mut random, own);
            names.push(format!("L{laboratory}"));
            readings.push(reading);
            chemistry.push(found);
        }
    }
    let new = line(&mut random);
    let of_new = bird(&mut random, new);
    let mut frame = Frame {
        file: "pairs.csv".to_owned(),
        rows: (2..).take(names.len()).collect(),
        ..Frame::default()
    };
    frame.add_words("laboratory", names);
    frame.add_numbers("fat_scan", readings);
    frame.add_numbers("fat_chem", chemistry);
    Set {
        frame,
        new,
        bird: of_new,
    }
}

/// Covered: new laboratory's line in the middle, at the greatest reading; its bird by the saved
/// equation; birds left out (share); SD of levels; SD of slopes; and whether no variance was found.
fn covered(kind: Kind, seed: u64) -> [f64; 7] {
    let set = draw(kind, seed);
    let formula: Formula = "fat_scan".parse().unwrap();
    let found = calibrate_laboratories(
        &set.frame,
        ("fat_chem", &[formula]),
        "laboratory",
        &Settings::default(),
    )
    .unwrap();
    let at = |reading: f64| set.new[0] + set.new[1] * (reading - 130.0);
    let yes = |is: bool| f64::from(u8::from(is));
    let row = |place: usize| {
        let row = &found.new[place];
        yes(row.laboratory.contains(at(row.reading.unwrap())))
    };
    let equation = found.equation.unwrap();
    let x = equation.row(|_| Some(Value::Number(set.bird[0]))).unwrap();
    let value = equation.value(&x);
    let variance =
        equation.own_variance(value).unwrap() + equation.shared_covariance(&x, &x).unwrap();
    let df = equation.provenance.residual_df.unwrap() as f64;
    let half = t_two_sided_quantile(0.95, df) * variance.sqrt();
    let sd = |quantity: &str, truth: f64| {
        let row = found
            .variation
            .iter()
            .find(|row| row.quantity == quantity)
            .unwrap();
        let interval = row.interval.unwrap();
        (yes(interval.contains(truth)), row.estimate.unwrap())
    };
    let level = (kind.level_sd_g.powi(2)
        + if kind.one_gain {
            (130.0 * kind.slope_sd).powi(2)
        } else {
            0.0
        })
    .sqrt();
    let (level_covered, estimate) = sd("sd_between_laboratories", level);
    let judged: Vec<f64> = found
        .left_out
        .iter()
        .filter_map(|row| {
            row.interval
                .map(|interval| yes(interval.contains(row.observed)))
        })
        .collect();
    [
        row(2),
        row(4),
        yes((set.bird[1] - value).abs() < half),
        if judged.is_empty() {
            f64::NAN
        } else {
            judged.iter().sum::<f64>() / judged.len() as f64
        },
        level_covered,
        sd("sd_between_slopes", kind.slope_sd).0,
        yes(estimate <= 0.0),
    ]
}

#[test]
#[ignore = "a minute in a release build"]
fn prediction_intervals_cover_a_new_laboratory() {
    let studies = std::env::var("COVERAGE_STUDIES");
    let studies: u64 = studies.map_or(200, |text| text.parse().unwrap());
    println!(
        "laboratories, SD of level (g), of slope: new line in the middle, at the end; its bird by the saved equation; birds left out; SD of levels, of slopes; no variance of level found (%)"
    );
    let plain = Kind {
        laboratories: 5,
        level_sd_g: 8.0,
        slope_sd: 0.06,
        one_gain: false,
        unequal: false,
        skewed: false,
    };
    let mut wrong = Vec::new();
    for laboratories in [5, 3, 8] {
        for kind in [
            plain,
            Kind {
                level_sd_g: 0.0,
                slope_sd: 0.0,
                ..plain
            },
            Kind {
                level_sd_g: 2.0,
                slope_sd: 0.0,
                ..plain
            },
            Kind {
                level_sd_g: 20.0,
                slope_sd: 0.15,
                ..plain
            },
            Kind {
                level_sd_g: 0.0,
                slope_sd: 0.08,
                one_gain: true,
                ..plain
            },
            Kind {
                unequal: true,
                ..plain
            },
            Kind {
                skewed: true,
                ..plain
            },
        ] {
            let kind = Kind {
                laboratories,
                ..kind
            };
            let all: Vec<[f64; 7]> = (0..studies)
                .into_par_iter()
                .map(|seed| covered(kind, seed))
                .collect();
            let share = |place: usize| {
                100.0 * all.iter().map(|one| one[place]).sum::<f64>() / all.len() as f64
            };
            let shares: Vec<f64> = (0..7).map(share).collect();
            let text: Vec<String> = shares.iter().map(|share| format!("{share:6.1}")).collect();
            println!(
                "{laboratories} {:5} {:5}{}{}{} | {}",
                kind.level_sd_g,
                kind.slope_sd,
                if kind.one_gain { " one gain" } else { "" },
                if kind.unequal { " 4 to 16 birds" } else { "" },
                if kind.skewed { " skewed" } else { "" },
                text.join(" ")
            );
            // Three standard errors of a share.
            let margin = 100.0 * 3.0 * (0.92 * 0.08 / studies as f64).sqrt();
            if laboratories >= 5
                && shares[..4]
                    .iter()
                    .any(|share| *share < 92.0 - if studies < 1000 { 0.0 } else { margin })
            {
                wrong.push(format!("{kind:?}: {shares:.1?}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Live birds of the laboratories themselves, and of one without analysed birds, covered by a
/// study's corrected masses.
fn of_study_covered(design: Design, seed: u64) -> [f64; 2] {
    let invented = laboratory_study(design, seed);
    let study = invented.study();
    let kept = keep(&study);
    let found = of_study(&study, &kept, &Request::of(&study).unwrap()).unwrap();
    let equation = &found.chosen[0].calibration.equation;
    let fat = correct(&study, &kept, equation, &AllowedStrains::new()).unwrap();
    let share = |new: bool| {
        let birds = invented.live.iter();
        let birds = birds.filter(|(_, laboratory, _)| (laboratory == "L9") == new);
        let holds: Vec<f64> = birds
            .map(|(bird, _, truth)| {
                let row = fat.rows.iter().find(|row| row.bird == *bird).unwrap();
                let interval = fat.interval(row, 0.95).unwrap();
                f64::from(u8::from(interval.contains(*truth)))
            })
            .collect();
        100.0 * holds.iter().sum::<f64>() / holds.len() as f64
    };
    [share(false), share(true)]
}

#[test]
#[ignore = "minutes in a release build"]
fn own_laboratories_of_a_study_are_covered() {
    let studies = std::env::var("COVERAGE_STUDIES");
    let studies: u64 = studies.map_or(200, |text| text.parse().unwrap());
    println!("laboratories, SD of level (g), of slope: live birds of these, of another one (%)");
    let mut wrong = Vec::new();
    for laboratories in [3, 5] {
        for (level_sd_g, slope_sd) in [(0.0, 0.0), (2.0, 0.0), (8.0, 0.06), (20.0, 0.15)] {
            let design = Design {
                laboratories,
                analysed: 8,
                level_sd_g,
                slope_sd,
            };
            let all: Vec<[f64; 2]> = (0..studies)
                .into_par_iter()
                .map(|seed| of_study_covered(design, seed))
                .collect();
            let mean =
                |place: usize| all.iter().map(|one| one[place]).sum::<f64>() / all.len() as f64;
            println!(
                "{laboratories} {level_sd_g:5} {slope_sd:5} | {:.1} {:.1}",
                mean(0),
                mean(1)
            );
            if mean(0) < 92.0 || mean(1) < 90.0 {
                wrong.push(format!("{design:?}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
