//! Simulated platform scales: birds that come more or less often, two at once, with one foot, and
//! hand-weighed samples of the same pens.

use std::fmt::Write as _;
use std::path::Path;

use chrono::{Days, NaiveDate, NaiveTime};
use rand::seq::index;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// How birds come to the scales, and what the scales do wrong.
#[derive(Debug, Clone, Copy)]
pub(crate) struct World {
    pub(crate) name: &'static str,
    pub(crate) scales: usize,
    pub(crate) days: usize,
    pub(crate) records_a_day: usize,
    pub(crate) birds: usize,
    pub(crate) cv: f64,
    /// Weights are log-normal, not normal.
    pub(crate) skewed: bool,
    /// SD between scales of what a scale reads too much, on the log scale.
    pub(crate) gain_sd: f64,
    /// Visits go with this power of the weight.
    pub(crate) visits_by_weight: f64,
    /// SD on the log scale of how often birds come.
    pub(crate) visits_sd: f64,
    pub(crate) double: f64,
    pub(crate) part: f64,
    pub(crate) empty: f64,
    /// SD of what birds share on a day.
    pub(crate) day_sd: f64,
    /// Birds of a hand-weighed sample, at this interval in days.
    pub(crate) hand: usize,
    pub(crate) every_d: usize,
    /// Litter on the platform in the second half, g.
    pub(crate) litter_g: f64,
}

impl World {
    /// Two scales for four weeks, five percent double loads, light birds that come more often.
    pub(crate) const USUAL: Self = Self {
        name: "5 % double loads, visits by weight^-1.2",
        scales: 2,
        days: 28,
        records_a_day: 600,
        birds: 2000,
        cv: 0.08,
        skewed: false,
        gain_sd: 0.01,
        visits_by_weight: -1.2,
        visits_sd: 0.6,
        double: 0.05,
        part: 0.03,
        empty: 0.05,
        day_sd: 0.004,
        hand: 100,
        every_d: 7,
        litter_g: 0.0,
    };
}

/// What is true of a pen on a day.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PenDay {
    pub(crate) scale: usize,
    pub(crate) age_d: f64,
    pub(crate) mean_g: f64,
    pub(crate) cv_pct: f64,
    pub(crate) uniformity_pct: f64,
}

const FIRST_AGE_D: u64 = 80;
const HATCHED: &str = "2025-09-01";

/// Writes a study folder of such scales, and gives what is true.
pub(crate) fn write(folder: &Path, world: &World, seed: u64) -> Vec<PenDay> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let normal = |rng: &mut ChaCha8Rng| -> f64 { StandardNormal.sample(rng) };
    let hatched: NaiveDate = HATCHED.parse().unwrap();
    let mut pens = "pen,strain,hatch_date,birds\n".to_owned();
    let mut samples = "pen,date,weight_g\n".to_owned();
    let mut stream = "time,pen,weight_g\n".to_owned();
    let mut truth = Vec::new();
    for scale in 0..world.scales {
        let pen = format!("pen {scale}");
        writeln!(pens, "{pen},Elder,{HATCHED},{}", world.birds).unwrap();
        let gain = (world.gain_sd * normal(&mut rng)).exp();
        let sizes: Vec<f64> = (0..world.birds)
            .map(|_| match world.cv * normal(&mut rng) {
                z if world.skewed => z.exp(),
                z => 1.0 + z,
            })
            .collect();
        let often: Vec<f64> = sizes
            .iter()
            .map(|size| {
                (world.visits_sd * normal(&mut rng)).exp() * size.powf(world.visits_by_weight)
            })
            .collect();
        let mut sums = Vec::with_capacity(often.len());
        let mut total = 0.0;
        for one in &often {
            total += one;
            sums.push(total);
        }
        for day in 0..world.days {
            let date = hatched + Days::new(FIRST_AGE_D + day as u64);
            let level = 1000.0 * (0.011 * day as f64 - 0.000_02 * (day * day) as f64).exp();
            let weights: Vec<f64> = sizes.iter().map(|size| level * size).collect();
            truth.push(truth_of(scale, FIRST_AGE_D as f64 + day as f64, &weights));
            let shared = (world.day_sd * normal(&mut rng)).exp();
            let litter_g = if 2 * day > world.days {
                world.litter_g
            } else {
                0.0
            };
            for _ in 0..world.records_a_day {
                let second: u32 = rng.random_range(7 * 3600..17 * 3600);
                let crop = 1.0 + 0.025 * (f64::from(second - 7 * 3600) / 36_000.0 - 0.5);
                let kind: f64 = rng.random_range(0.0..1.0);
                let one = |rng: &mut ChaCha8Rng| {
                    let at: f64 = rng.random_range(0.0..total);
                    let bird = sums.partition_point(|sum| *sum < at).min(weights.len() - 1);
                    weights[bird] * shared * crop * (0.01 * normal(rng)).exp()
                };
                let on_it = if kind < world.empty {
                    0.0
                } else if kind < world.empty + world.double {
                    one(&mut rng) + one(&mut rng)
                } else if kind < world.empty + world.double + world.part {
                    one(&mut rng) * rng.random_range(0.0..1.0)
                } else {
                    one(&mut rng)
                };
                let reading_g = gain * on_it + litter_g + 3.0 * normal(&mut rng);
                let time = NaiveTime::from_num_seconds_from_midnight_opt(second, 0).unwrap();
                writeln!(stream, "{date}T{time},{pen},{reading_g:.1}").unwrap();
            }
            if world.hand > 0 && day % world.every_d == world.every_d / 2 {
                let shared = 0.004 * normal(&mut rng);
                for bird in index::sample(&mut rng, world.birds, world.hand) {
                    let weight_g = weights[bird] * (shared + 0.01 * normal(&mut rng)).exp();
                    writeln!(samples, "{pen},{date},{weight_g:.1}").unwrap();
                }
            }
        }
    }
    let weighings = if world.hand > 0 {
        "weighings = \"samples.csv\"\n"
    } else {
        ""
    };
    let settings = format!(
        "name = \"scales\"\n[tables]\npens = \"pens.csv\"\n{weighings}scale_stream = \"scale.csv\"\n"
    );
    for (file, text) in [
        ("pens.csv", pens),
        ("samples.csv", samples),
        ("scale.csv", stream),
        ("study.toml", settings),
    ] {
        std::fs::write(folder.join(file), text).unwrap();
    }
    truth
}

fn truth_of(scale: usize, age_d: f64, weights: &[f64]) -> PenDay {
    let n = weights.len() as f64;
    let mean_g = weights.iter().sum::<f64>() / n;
    let squares: f64 = weights.iter().map(|own| (own - mean_g).powi(2)).sum();
    let near = weights
        .iter()
        .filter(|own| (*own - mean_g).abs() <= 0.1 * mean_g);
    PenDay {
        scale,
        age_d,
        mean_g,
        cv_pct: 100.0 * (squares / (n - 1.0)).sqrt() / mean_g,
        uniformity_pct: 100.0 * near.count() as f64 / n,
    }
}
