//! Do forecasts of weights and masses cover what comes, and how wide are they?
//!
//! Flocks of two-phase birds with a target are weighed weekly and forecast 2, 3 and 4 weeks
//! ahead as of 84, 105 and 126 d: as the demo, with the spurt at another time than the target
//! has, departures from their target, without a second phase, with few birds, with other
//! spreads, of one strain. Each design prints coverage of nominal 95 % intervals of a bird's
//! weighing and of a strain's mean, their half widths (percent), the bias of the mean, and
//! the share of flocks that are warned that their intervals fail in the backtest.
//!
//! `cargo test --release --test coverage forecast -- --ignored --nocapture`
//!
//! `COVERAGE_STUDIES` sets the flocks of each design (60).

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use pinfeather::analysis::{Analysis, Options};

use pinfeather::fit::Settings;
use pinfeather::fit::mixed::Correlation;
use pinfeather::flock::relative::{self, RelativeModel};
use pinfeather::flock::{Flag, FlockLevel, ForecastFrom, ForecastOptions, forecast};
use pinfeather::growth::{Curve, built_in};
use pinfeather::study::{Bird, FixedEffectOf, Records, Study, Target};
use pinfeather::trajectory::{PopulationRequest, Request};
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};
use rayon::prelude::*;

use crate::make_demo::{self, DESIGNS};

/// Hatch weight; A1, k1, A2, k2, ti2 of the typical bird and of the target.
type Line = (f64, [f64; 5], [f64; 5]);

const DEMO: [Line; 3] = [
    (
        39.0,
        [1380.0, 0.0300, 400.0, 0.085, 120.0],
        [1370.0, 0.0300, 395.0, 0.085, 120.0],
    ),
    (
        37.0,
        [1180.0, 0.0315, 330.0, 0.090, 115.0],
        [1190.0, 0.0312, 325.0, 0.090, 116.0],
    ),
    (
        38.0,
        [1210.0, 0.0312, 400.0, 0.085, 125.0],
        [1350.0, 0.0295, 380.0, 0.085, 124.0],
    ),
];

struct Design {
    name: &'static str,
    lines: Vec<Line>,
    birds: usize,
    /// Times the demo's spreads between birds.
    spread: f64,
    weighing: f64,
    /// SD of each strain's own timing, d, and a shift of all.
    timing: (f64, f64),
}

impl Design {
    fn demo(name: &'static str) -> Self {
        Self {
            name,
            lines: DEMO.to_vec(),
            birds: 24,
            spread: 1.0,
            weighing: 0.02,
            timing: (0.0, 0.0),
        }
    }
}

fn designs() -> Vec<Design> {
    let on_target = |line: &Line| (line.0, line.2, line.2);
    let below = |line: &Line| {
        let mut own = line.2;
        own[0] *= 0.90;
        own[1] *= 1.05;
        (line.0, own, line.2)
    };
    let one_phase = |line: &Line| {
        let without = |mut terms: [f64; 5]| {
            terms[2] = 0.0;
            terms
        };
        (line.0, without(line.1), without(line.2))
    };
    vec![
        Design::demo("as the demo"),
        Design {
            lines: DEMO.iter().map(on_target).collect(),
            ..Design::demo("on target")
        },
        Design {
            timing: (4.0, 0.0),
            ..Design::demo("own timing of each strain, SD 4 d")
        },
        Design {
            timing: (0.0, 6.0),
            ..Design::demo("spurt 6 d late in all strains")
        },
        Design {
            lines: DEMO.iter().map(below).collect(),
            timing: (4.0, 0.0),
            ..Design::demo("all drift below target, timing SD 4 d")
        },
        Design {
            lines: DEMO.iter().map(one_phase).collect(),
            ..Design::demo("no second phase")
        },
        Design {
            birds: 5,
            timing: (4.0, 0.0),
            ..Design::demo("five birds a strain, timing SD 4 d")
        },
        Design {
            spread: 1.6,
            weighing: 0.03,
            timing: (4.0, 0.0),
            ..Design::demo("spreads x 1.6, weighing 3 %, timing SD 4 d")
        },
        Design {
            lines: DEMO[..1].to_vec(),
            timing: (4.0, 0.0),
            ..Design::demo("one strain, timing SD 4 d")
        },
    ]
}

fn weight_g(age_d: f64, hatch_g: f64, [a1, k1, a2, k2, ti2]: [f64; 5]) -> f64 {
    let ti1 = (a1 / hatch_g).ln().ln() / k1;
    a1 * (-(-k1 * (age_d - ti1)).exp()).exp() + a2 * (-(-k2 * (age_d - ti2)).exp()).exp()
}

fn flock(design: &Design, seed: u64) -> Study {
    let mut generator = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = || -> f64 { StandardNormal.sample(&mut generator) };
    let mut study = Study {
        traits: vec![Records {
            name: "body_weight".to_owned(),
            starts: vec![0],
            ..Records::default()
        }],
        ..Study::default()
    };
    for (strain, (hatch_g, mean, target)) in design.lines.iter().enumerate() {
        study.strains.push(format!("Line {strain}"));
        let ages_d: Vec<f64> = (0..=28).map(|week| 7.0 * f64::from(week)).collect();
        let target_g: Vec<f64> = ages_d
            .iter()
            .map(|age_d| weight_g(*age_d, *hatch_g, *target).round())
            .collect();
        study.targets.push(Target {
            strain: Some(strain),
            trait_name: "body_weight".to_owned(),
            lower_g: target_g.iter().map(|grams| 0.96 * grams).collect(),
            upper_g: target_g.iter().map(|grams| 1.04 * grams).collect(),
            ages_d,
            target_g,
        });
        let late_d = design.timing.1 + design.timing.0 * normal();
        for bird in 0..design.birds {
            let condition = normal();
            let s = design.spread;
            let terms = [
                mean[0] * (0.06 * s * normal()).exp(),
                mean[1] * (0.04 * s * normal()).exp(),
                mean[2] * (s * (0.06 * condition + 0.08 * normal())).exp(),
                mean[3] * (0.08 * s * normal()).exp(),
                mean[4] + late_d + 4.0 * s * normal(),
            ];
            let hatch_g = hatch_g * (0.06 * s * normal()).exp();
            for week in 0..=24 {
                let age_d = 7.0 * f64::from(week);
                let error = (design.weighing * normal()).exp();
                let records = &mut study.traits[0];
                records.ages_d.push(age_d);
                records.values.push(weight_g(age_d, hatch_g, terms) * error);
                records.rows.push(0);
            }
            let records = &mut study.traits[0];
            records.starts.push(records.values.len());
            study.birds.push(Bird {
                name: format!("{strain}-{bird}"),
                strain,
                pen: None,
                treatment: None,
                block: None,
                hatch_date: None,
            });
        }
    }
    study
}

/// Hits, forecasts, half widths in percent, errors in percent and their squares.
type Counts = BTreeMap<(u32, u32, &'static str), [f64; 5]>;

fn forecasts(study: &Study, counts: &mut Counts, request: &Request) -> usize {
    let mut warned = 0;
    for as_of in [84_u32, 105, 126, 147] {
        let as_of_d = f64::from(as_of);
        let known = study.as_of_occasion(as_of_d);
        let from = ForecastFrom {
            request,
            models: &[],
            saved: None,
        };
        let aheads: &[u32] = if as_of < 147 {
            &[14, 21, 28]
        } else {
            &[14, 21]
        };
        let options = ForecastOptions {
            as_of_d,
            ages_d: aheads.iter().map(|days| f64::from(as_of + days)).collect(),
            named_ages_d: vec![112.0, 119.0],
            confidence: 0.95,
        };
        let all = forecast(&known, &from, &options, &|| {}).unwrap();
        let rows = &all.traits[0].rows;
        let astray = |flag: &Flag| matches!(flag, Flag::AstrayInBacktest(_));
        warned += usize::from(rows.iter().any(|row| row.flags.iter().any(astray)));
        for row in rows {
            let (Some(age_d), Some(forecast)) = (row.age_d, row.forecast) else {
                continue;
            };
            let came = |bird: usize| {
                let (ages_d, values) = study.traits[0].of(bird);
                let at = ages_d.iter().position(|own| (own - age_d).abs() < 0.1);
                values[at.unwrap()]
            };
            let (kind, value) = match (row.level, row.bird, row.strain) {
                (FlockLevel::Bird, Some(bird), _) => ("bird", came(bird)),
                (FlockLevel::Strain, _, Some(strain)) => {
                    let birds: Vec<f64> = study.birds_of(strain).map(came).collect();
                    ("mean", birds.iter().sum::<f64>() / birds.len() as f64)
                }
                _ => continue,
            };
            let (lower, upper) = row.interval_g.unwrap();
            let ahead = aheads
                .iter()
                .find(|days| (as_of_d + f64::from(**days) - age_d).abs() < 0.1);
            let error = 100.0 * (forecast.value / value).ln();
            let of = counts.entry((as_of, *ahead.unwrap(), kind)).or_default();
            of[0] += f64::from(u8::from(lower <= value && value <= upper));
            of[1] += 1.0;
            of[2] += 50.0 * (upper - lower) / value;
            of[3] += error;
            of[4] += error * error;
        }
    }
    warned
}

fn request() -> Request {
    let curves = ["gompertz", "two-phase-gompertz"];
    Request {
        curves: curves
            .into_iter()
            .map(|name| built_in(name).unwrap() as Arc<dyn Curve>)
            .collect(),
        birds: false,
        strains: false,
        population: Some(PopulationRequest::chosen(vec![FixedEffectOf::Strain])),
        settings: Settings::default(),
        correlation: Correlation::None,
        hatch_weight_g: None,
    }
}

#[test]
#[ignore = "a simulation of minutes"]
fn forecast_of_weights_covers_what_comes() {
    let flocks: u64 = std::env::var("COVERAGE_STUDIES").map_or(60, |n| n.parse().unwrap());
    let wanted = std::env::var("COVERAGE_DESIGNS").ok();
    let mut failures = Vec::new();
    for (number, design) in designs().iter().enumerate() {
        let skip = |list: &String| !list.split(',').any(|one| one == number.to_string());
        if wanted.as_ref().is_some_and(skip) {
            continue;
        }
        let all: Vec<(Counts, usize)> = (0..flocks)
            .into_par_iter()
            .map(|seed| {
                let mut counts = Counts::new();
                let study = flock(design, 1 + seed);
                let warned = forecasts(&study, &mut counts, &request());
                (counts, warned)
            })
            .collect();
        let warned: usize = all.iter().map(|one| one.1).sum();
        println!(
            "\n{number}. {} ({flocks} flocks): warned in {warned} of {} forecasts",
            design.name,
            4 * flocks
        );
        println!("as of  ahead  of     covered %   se  half width %  rmse %  bias %");
        let mut kinds: Vec<_> = all.iter().flat_map(|(counts, _)| counts.keys()).collect();
        kinds.sort();
        kinds.dedup();
        for kind in kinds {
            let rows: Vec<[f64; 5]> = all
                .iter()
                .filter_map(|(counts, _)| counts.get(kind).copied())
                .collect();
            let sum = rows.iter().fold([0.0; 5], |sum, row| {
                std::array::from_fn(|i| sum[i] + row[i])
            });
            let [hits, n, width, error, square] = sum;
            let share = hits / n;
            // Clustered by flock.
            let squares: f64 = rows
                .iter()
                .map(|row| (row[0] - share * row[1]).powi(2))
                .sum();
            let se = squares.sqrt() / n;
            println!(
                "{:>5}  {:>5}  {}  {:>9.1} {:>5.1}  {:>11.2}  {:>6.2}  {:>6.2}",
                kind.0,
                kind.1,
                kind.2,
                100.0 * share,
                100.0 * se,
                width / n,
                (square / n).sqrt(),
                error / n
            );
            // A shift that the prior SD of 4 d holds for rare is outside what is promised.
            let fixed_shift = design.timing.1 > 0.0;
            if kind.0 < 147 && !fixed_shift {
                let low = 0.90 - 3.0 * se;
                if share < low || (kind.2 == "mean" && (error / n).abs() > 3.0) {
                    failures.push(format!("{} {kind:?} {share}", design.name));
                }
            }
        }
        // At most 5 % of sound flocks are warned, three standard errors given.
        let rate = warned as f64 / (4 * flocks) as f64;
        let slack = 3.0 * (0.05 * 0.95 / flocks as f64).sqrt();
        if design.timing.1 == 0.0 && rate > 0.05 + slack {
            failures.push(format!("{}: warned {rate}", design.name));
        }
    }
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

/// Masses of the followed birds three weeks ahead, from one scan to the next, on copies of
/// the demo: against the true mass and against the corrected mass that came.
#[test]
#[ignore = "a simulation of minutes"]
fn forecast_of_masses_covers_what_comes() {
    let studies: u64 = std::env::var("COVERAGE_STUDIES").map_or(20, |n| n.parse().unwrap());
    let all: Vec<MassCounts> = (1..=studies).into_par_iter().map(masses).collect();
    let mut sum = MassCounts::new();
    for counts in &all {
        for (kind, count) in counts {
            let of = sum.entry(kind.clone()).or_default();
            for (of, count) in of.iter_mut().zip(count) {
                *of += count;
            }
        }
    }
    println!("as of, trait: n, true covered %, corrected covered %, half width %, bias %");
    for (kind, [n, truly, corrected, of_corrected, width, error]) in &sum {
        println!(
            "{:>4} {:<5} {n:>5} {:>7.1} {:>7.1} {:>7.2} {:>7.2}",
            kind.0,
            kind.1,
            100.0 * truly / n,
            100.0 * corrected / of_corrected,
            width / n,
            error / n
        );
        let clusters = (studies as f64).sqrt();
        assert!(truly / n > 0.90 - 0.3 / clusters, "{kind:?}");
        assert!((error / n).abs() < 3.0 + 3.0 / clusters, "{kind:?}");
    }
}

/// Forecasts, true and corrected masses covered, corrected masses, half widths, errors.
type MassCounts = BTreeMap<(u32, String), [f64; 6]>;

fn masses(copy: u64) -> MassCounts {
    let files = make_demo::copy(&DESIGNS[0], copy);
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in &files {
        std::fs::write(folder.path().join(name), text).unwrap();
    }
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo/study.toml");
    let demo = std::fs::read_to_string(demo).unwrap();
    let settings = make_demo::settings(&DESIGNS[0], &demo);
    std::fs::write(folder.path().join("study.toml"), settings).unwrap();
    let study = Study::read_folder(folder.path()).unwrap_or_else(|error| panic!("{error}"));
    let (_, truth) = files
        .iter()
        .find(|(name, _)| *name == "truth_composition.csv")
        .unwrap();
    let mut true_g = BTreeMap::new();
    for line in truth.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        for (trait_name, cell) in [("fat", 4), ("lean", 5), ("bone", 6)] {
            let key = (cells[1].to_owned(), cells[2].to_owned(), trait_name);
            true_g.insert(key, cells[cell].parse::<f64>().unwrap());
        }
    }
    let mut options = Options::of(&study).unwrap();
    options.growth.request.birds = false;
    options.growth.request.strains = false;
    options.growth.profiles = false;
    options.comparison = None;
    options.lay = None;
    let mut whole = options.clone();
    whole.flock = None;
    let whole = Analysis::of(&study, &whole).unwrap().study;
    let mut counts = MassCounts::new();
    for as_of in [84_u32, 105, 126] {
        let mut options = options.clone();
        options.as_of_d = Some(f64::from(as_of));
        let age_d = f64::from(as_of + 21);
        options.flock.as_mut().unwrap().ages_d = vec![age_d];
        let analysis = Analysis::of(&study, &options).unwrap();
        let ahead = analysis.verdict.unwrap().ahead.unwrap();
        for one in &ahead.traits {
            let name = analysis.study.traits[one.trait_index].name.clone();
            for row in one.rows.iter().filter(|row| row.level == FlockLevel::Bird) {
                let (Some(bird), Some(forecast)) = (row.bird, row.forecast) else {
                    continue;
                };
                let key = &analysis.study.birds[bird].name;
                let of_trait = ["fat", "lean", "bone"].into_iter().find(|own| *own == name);
                let truth =
                    of_trait.and_then(|own| true_g.get(&(key.clone(), format!("{age_d}"), own)));
                let Some(truth) = truth else { continue };
                let (lower, upper) = row.interval_g.unwrap();
                let of = counts.entry((as_of, name.clone())).or_default();
                of[0] += 1.0;
                of[1] += f64::from(u8::from(lower <= *truth && *truth <= upper));
                let (ages_d, values) = whole.traits[one.trait_index].of(bird);
                if let Some(at) = ages_d.iter().position(|own| (own - age_d).abs() < 0.1) {
                    of[2] += f64::from(u8::from(lower <= values[at] && values[at] <= upper));
                    of[3] += 1.0;
                }
                of[4] += 50.0 * (upper - lower) / truth;
                of[5] += 100.0 * (forecast.value / truth).ln();
            }
        }
    }
    counts
}

#[test]
#[ignore = "measures time"]
fn forecast_of_5000_birds_takes_less_than_a_second() {
    let design = Design {
        birds: 1667,
        ..Design::demo("5,000 birds")
    };
    let study = flock(&design, 1);
    let known = study.as_of_occasion(105.0);
    let begun = Instant::now();
    let model = RelativeModel::fit(&known, 0, &relative::Options::default());
    let model = model.unwrap().unwrap();
    let birds: Vec<usize> = (0..known.birds.len()).collect();
    let ages_d = [112.0, 119.0, 126.0, 133.0];
    let forecasts = model.forecast(&birds, |_| &ages_d);
    let took = begun.elapsed().as_secs_f64();
    println!("{} birds, four ages: {took:.3} s", forecasts.len());
    assert!(took < 1.0, "{took}");
}
