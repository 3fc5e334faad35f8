//! Platform scales of 200 simulated flocks of each kind: bias and coverage of the calibrated daily
//! means, of CV and uniformity, and the bias of those that nothing calibrates.

use pinfeather::flock::platform::{Estimate, Platform, PlatformOptions};
use pinfeather::study::Study;
use rayon::prelude::*;

use crate::support::platform::{World, write};

const FLOCKS: u64 = 200;

const WORLDS: [World; 8] = [
    World::USUAL,
    World {
        name: "visits by weight^-3",
        visits_by_weight: -3.0,
        ..World::USUAL
    },
    World {
        name: "skewed weights, CV 10 %",
        skewed: true,
        cv: 0.10,
        ..World::USUAL
    },
    World {
        name: "25 % double loads, 10 % part loads",
        double: 0.25,
        part: 0.10,
        ..World::USUAL
    },
    World {
        name: "litter of 25 g from the middle on",
        litter_g: 25.0,
        ..World::USUAL
    },
    World {
        name: "200 birds of which few come often",
        birds: 200,
        hand: 50,
        visits_sd: 1.5,
        ..World::USUAL
    },
    World {
        name: "9 days, 2 samples of 26 birds",
        days: 9,
        records_a_day: 140,
        birds: 420,
        hand: 26,
        ..World::USUAL
    },
    World {
        name: "not calibrated",
        hand: 0,
        ..World::USUAL
    },
];

#[derive(Default)]
struct Sums {
    n: f64,
    bias: f64,
    squares: f64,
    covered: f64,
    half: f64,
}

impl Sums {
    fn add(&mut self, estimate: Estimate, truth: f64) {
        let off = estimate.value - truth;
        self.n += 1.0;
        self.bias += off;
        self.squares += off * off;
        if let Some(limits) = estimate.interval {
            self.covered += f64::from(u8::from(limits.contains(truth)));
            self.half += limits.width() / 2.0;
        }
    }

    fn join(mut self, other: &Self) -> Self {
        self.n += other.n;
        self.bias += other.bias;
        self.squares += other.squares;
        self.covered += other.covered;
        self.half += other.half;
        self
    }

    fn covered_pct(&self) -> f64 {
        100.0 * self.covered / self.n
    }

    fn show(&self, what: &str, unit: f64) {
        println!(
            "  {what}: bias {:+.3}, RMSE {:.3}, covered {:.1} %, half width {:.3}",
            self.bias / self.n * unit,
            (self.squares / self.n).sqrt() * unit,
            self.covered_pct(),
            self.half / self.n * unit
        );
    }
}

fn flock(world: &World, seed: u64) -> [Sums; 3] {
    let folder = tempfile::tempdir().unwrap();
    let truth = write(folder.path(), world, seed);
    let study = Study::read_folder(folder.path()).unwrap_or_else(|error| panic!("{error}"));
    let options = PlatformOptions {
        within_pct: 10.0,
        confidence: 0.95,
    };
    let platform = Platform::of(&study, &options).unwrap().unwrap();
    let mut sums = <[Sums; 3]>::default();
    for (day, truth) in platform.days.iter().zip(&truth) {
        let weights = day.weights.unwrap();
        // Means relative to the truth.
        let mut mean = weights.mean_g;
        mean.value /= truth.mean_g;
        mean.interval = mean.interval.map(|limits| pinfeather::stats::Interval {
            lower: limits.lower / truth.mean_g,
            upper: limits.upper / truth.mean_g,
        });
        sums[0].add(mean, 1.0);
        sums[1].add(weights.cv_pct, truth.cv_pct);
        sums[2].add(weights.uniformity_pct, truth.uniformity_pct);
    }
    sums
}

#[test]
#[ignore = "minutes; see DEVELOPERS.md"]
fn calibrated_means_are_right_and_their_intervals_cover() {
    for world in WORLDS {
        let all = (0..FLOCKS)
            .into_par_iter()
            .map(|seed| flock(&world, 5000 + seed))
            .reduce(Default::default, |one, other| {
                let [a, b, c] = one;
                [a.join(&other[0]), b.join(&other[1]), c.join(&other[2])]
            });
        println!("{}", world.name);
        all[0].show("mean (percent)", 100.0);
        all[1].show("CV (points)", 1.0);
        all[2].show("uniformity (points)", 1.0);
        if world.hand > 0 {
            let bias = all[0].bias / all[0].n;
            assert!(bias.abs() < 0.01, "{}: bias {bias}", world.name);
            assert!(all[0].covered_pct() > 92.0, "{}", world.name);
        }
    }
}
