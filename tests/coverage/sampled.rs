//! Do the intervals of a flock of unnamed birds hold what the flock was drawn with: mean weight,
//! CV and uniformity of pens and of the whole flock at the last weighing, and the typical weight?
//!
//! The truth of a pen is its birds' distribution on the pen's growth curve: what a day or an
//! occasion adds (the hour, the catch, the scale) is error.

use std::sync::Arc;

use pinfeather::flock::{
    DeviationOptions, FlockLevel, FlockUniformity, UniformityOptions, sampled_verdict,
};
use pinfeather::growth::{Curve, built_in};
use pinfeather::stats::distribution::t_two_sided_quantile;
use pinfeather::study::{Records, SampleRow, SampledUnit, Samples, Study};
use pinfeather::trajectory::sampled::SampledTrait;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Gamma, StandardNormal};
use rayon::prelude::*;

/// How the weights of the birds of a pen are distributed about their mean.
#[derive(Clone, Copy, Debug)]
enum Shape {
    LogNormal,
    Normal,
    /// Skewed to the right: a gamma law of this shape.
    Gamma(f64),
    /// This share of the birds is lighter by a sixth.
    Runts(f64),
}

#[derive(Clone, Copy, Debug)]
struct Truth {
    name: &'static str,
    pens: usize,
    weeks: usize,
    birds: usize,
    /// SDs of logarithms: pens, days, occasions.
    sds: (f64, f64, f64),
    shape: Shape,
}

const TRUTHS: [Truth; 7] = [
    Truth {
        name: "six pens",
        pens: 6,
        weeks: 14,
        birds: 60,
        sds: (0.02, 0.006, 0.01),
        shape: Shape::LogNormal,
    },
    Truth {
        name: "pens alike",
        pens: 6,
        weeks: 14,
        birds: 60,
        sds: (0.0, 0.0, 0.0),
        shape: Shape::Normal,
    },
    Truth {
        name: "one flock",
        pens: 1,
        weeks: 15,
        birds: 100,
        sds: (0.0, 0.0, 0.012),
        shape: Shape::LogNormal,
    },
    Truth {
        name: "two houses",
        pens: 2,
        weeks: 15,
        birds: 100,
        sds: (0.02, 0.008, 0.008),
        shape: Shape::LogNormal,
    },
    Truth {
        name: "right skew",
        pens: 4,
        weeks: 12,
        birds: 80,
        sds: (0.015, 0.005, 0.01),
        shape: Shape::Gamma(30.0),
    },
    Truth {
        name: "runts",
        pens: 4,
        weeks: 12,
        birds: 80,
        sds: (0.015, 0.005, 0.01),
        shape: Shape::Runts(0.1),
    },
    Truth {
        name: "few weeks",
        pens: 4,
        weeks: 6,
        birds: 50,
        sds: (0.02, 0.0, 0.015),
        shape: Shape::LogNormal,
    },
];

const TERMS: [f64; 3] = [1750.0, 0.024, 56.0];

impl Truth {
    fn ages_d(self) -> Vec<f64> {
        (1..=self.weeks).map(|week| 7.0 * week as f64).collect()
    }

    /// CV between birds of a pen at a week.
    fn cv(self, week: usize) -> f64 {
        0.11 - 0.03 * week as f64 / self.weeks as f64
    }

    /// A weight relative to the pen's mean.
    fn relative(self, random: &mut ChaCha8Rng, cv: f64) -> f64 {
        let mut z = || random.sample::<f64, _>(StandardNormal);
        match self.shape {
            Shape::LogNormal => (cv * z()).exp(),
            Shape::Normal => 1.0 + cv * z(),
            Shape::Gamma(shape) => {
                let law = Gamma::new(shape, 1.0 / shape).expect("a law");
                let scaled = cv * shape.sqrt();
                1.0 + scaled * (random.sample(law) - 1.0)
            }
            Shape::Runts(share) => {
                let light = if random.random::<f64>() < share {
                    5.0 / 6.0
                } else {
                    1.0
                };
                light * (cv * random.sample::<f64, _>(StandardNormal)).exp()
            }
        }
    }
}

/// Birds kept in a pen.
fn kept(pen: usize) -> f64 {
    1000.0 + 400.0 * (pen % 3) as f64
}

/// Mean, CV and uniformity in percent of weights with their shares.
fn figures(weights: &[(f64, f64)]) -> [f64; 3] {
    let total: f64 = weights.iter().map(|(_, share)| share).sum();
    let mean = weights
        .iter()
        .map(|(weight, share)| weight * share)
        .sum::<f64>()
        / total;
    let square = weights
        .iter()
        .map(|(w, share)| share * (w - mean).powi(2))
        .sum::<f64>()
        / total;
    let near = weights
        .iter()
        .filter(|(w, _)| (w - mean).abs() <= 0.1 * mean);
    [
        mean,
        100.0 * square.sqrt() / mean,
        100.0 * near.map(|(_, share)| share).sum::<f64>() / total,
    ]
}

/// What was covered: pen mean, CV, uniformity; flock mean, CV, uniformity; typical weight.
type Covered = [(usize, usize); 7];

/// A study of nothing but these rows.
fn study(truth: Truth, rows: Vec<SampleRow>) -> Study {
    let unit = |pen: usize| SampledUnit {
        strain: 0,
        pen: Some(pen),
        house: None,
        treatment: None,
        block: None,
        hatch_date: None,
        birds: Some(kept(pen)),
    };
    Study {
        strains: vec!["all".to_owned()],
        pens: (0..truth.pens).map(|pen| format!("{pen}")).collect(),
        traits: vec![Records {
            name: "body_weight".to_owned(),
            starts: vec![0],
            ..Records::default()
        }],
        samples: Samples {
            units: (0..truth.pens).map(unit).collect(),
            rows,
            ..Samples::default()
        },
        ..Study::default()
    }
}

fn one(truth: Truth, seed: u64) -> Option<Covered> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let curve = built_in("gompertz").expect("a curve");
    let mut normal = |sd: f64| -> f64 { sd * random.sample::<f64, _>(StandardNormal) };
    let pens: Vec<f64> = (0..truth.pens).map(|_| normal(truth.sds.0)).collect();
    let days: Vec<f64> = (0..truth.weeks).map(|_| normal(truth.sds.1)).collect();
    let occasions: Vec<f64> = (0..truth.pens * truth.weeks)
        .map(|_| normal(truth.sds.2))
        .collect();
    let mut rows = Vec::new();
    for pen in 0..truth.pens {
        for (week, age_d) in truth.ages_d().into_iter().enumerate() {
            let shift = pens[pen] + days[week] + occasions[pen * truth.weeks + week];
            let mean = curve.value(age_d, &TERMS) * shift.exp();
            for _ in 0..truth.birds {
                rows.push(SampleRow {
                    unit: pen,
                    age_d,
                    weight_g: mean * truth.relative(&mut random, truth.cv(week + 1)),
                    together: None,
                    row: 0,
                    file: 0,
                });
            }
        }
    }
    let study = study(truth, rows);
    let curves: Vec<Arc<dyn Curve>> = vec![built_in("gompertz").expect("a curve")];
    let sampled = SampledTrait::of(&study, &curves, &[]).expect("samples");
    let model = sampled.model.as_ref().ok()?;
    let options = (&DeviationOptions::default(), &UniformityOptions::default());
    let verdict = sampled_verdict(&study, &sampled, options).expect("a verdict");
    // The pens' birds, many of them.
    let last_d = 7.0 * truth.weeks as f64;
    let mut of_pens: Vec<Vec<(f64, f64)>> = Vec::new();
    for (pen, shift) in pens.iter().enumerate() {
        let mean = curve.value(last_d, &TERMS) * shift.exp();
        let weights = (0..40_000).map(|_| {
            let weight = mean * truth.relative(&mut random, truth.cv(truth.weeks));
            (weight, kept(pen))
        });
        of_pens.push(weights.collect());
    }
    let mut covered: Covered = [(0, 0); 7];
    let mut count = |at: usize, truth: f64, limits: (f64, f64)| {
        covered[at].1 += 1;
        covered[at].0 += usize::from(limits.0 <= truth && truth <= limits.1);
    };
    let whole: Vec<(f64, f64)> = of_pens.iter().flatten().copied().collect();
    let true_figures = |level: FlockLevel, pen: Option<usize>| match (level, pen) {
        (FlockLevel::Pen, Some(pen)) => (0, figures(&of_pens[pen])),
        _ => (3, figures(&whole)),
    };
    for row in verdict.deviations.iter().filter(|row| row.age_d >= last_d) {
        let (at, [mean, _, _]) = true_figures(row.level, row.pen);
        count(at, mean, row.mean_interval_g.expect("an interval"));
    }
    for row in verdict
        .uniformities
        .iter()
        .filter(|row| row.age_d >= last_d)
    {
        let row: &FlockUniformity = row;
        let (at, [_, cv, share]) = true_figures(row.level, row.pen);
        let found = row.uniformity.cv.expect("a CV");
        count(
            at + 1,
            cv,
            (found.lower_pct, found.upper_pct.unwrap_or(f64::INFINITY)),
        );
        let near = row.uniformity.near_mean.expect("a share");
        count(at + 2, share, (near.lower_pct, near.upper_pct));
    }
    let typical = model.typical(0, last_d);
    let reach = t_two_sided_quantile(0.95, typical.df) * typical.std_error;
    if matches!(truth.shape, Shape::LogNormal) {
        let log = curve.value(last_d, &TERMS).ln();
        count(6, log, (typical.value - reach, typical.value + reach));
    }
    Some(covered)
}

#[test]
#[ignore = "minutes; see DEVELOPERS.md"]
fn intervals_of_unnamed_flocks_hold_their_truth() {
    let flocks: u64 = std::env::var("COVERAGE_STUDIES")
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(200);
    let mut worst: Vec<String> = Vec::new();
    for (at, truth) in TRUTHS.into_iter().enumerate() {
        let all: Vec<Option<Covered>> = (0..flocks)
            .into_par_iter()
            .map(|flock| one(truth, 1000 * at as u64 + flock))
            .collect();
        let without = all.iter().filter(|one| one.is_none()).count();
        let mut line = format!("{:<12} without a model {without};", truth.name);
        let names = [
            "pen mean",
            "pen CV",
            "pen uniformity",
            "flock mean",
            "flock CV",
            "flock uniformity",
            "typical",
        ];
        for (quantity, name) in names.into_iter().enumerate() {
            let (held, of) = all.iter().flatten().fold((0, 0), |(held, of), one| {
                (held + one[quantity].0, of + one[quantity].1)
            });
            if of > 0 {
                let share = 100.0 * held as f64 / of as f64;
                line += &format!(" {name} {share:.1}");
                // Four standard errors of a share of this number of flocks.
                let error = 100.0 * (0.95 * 0.05 / flocks as f64).sqrt();
                if share < 93.0 - 4.0 * error {
                    worst.push(format!("{}: {name} {share:.1}", truth.name));
                }
            }
        }
        println!("{line}");
    }
    assert!(worst.is_empty(), "{worst:?}");
}
