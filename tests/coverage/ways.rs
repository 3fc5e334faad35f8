//! Do 95 percent intervals of readings that are put on the reference way cover the truth,
//! for truths unlike the demo's?
//!
//! Birds of two sizes are scanned singly in the reference way (once, or three times), and
//! in threes in another way whose readings differ by a share or a constant, with a greater
//! or smaller error of positioning. Each group's reading is put on the reference way; its
//! error has the part of the other way's positioning and that of the offset. The equation's
//! part, which is common to all ways, is left out: it would hide what is looked at.
//!
//! `cargo test --release --test coverage ways -- --ignored --nocapture`
//!
//! `COVERAGE_STUDIES` sets the number of studies (500).

use pinfeather::composition::way_offsets::{OffsetKind, WayReading, way_offsets};
use pinfeather::stats::distribution::t_two_sided_quantile;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};
use rayon::prelude::*;

#[derive(Debug, Clone, Copy)]
struct Truth {
    name: &'static str,
    groups: usize,
    /// Readings of a bird in the reference way in the groups' scans, and whether other
    /// birds were scanned repeatedly in it.
    repeats: usize,
    share: f64,
    constant_g: f64,
    /// SD of a positioning over the reading, in either way.
    reference_sd: f64,
    other_sd: f64,
}

const DEMO: Truth = Truth {
    name: "as the demo's fat, 8 groups",
    groups: 8,
    repeats: 3,
    share: 0.04,
    constant_g: 0.0,
    reference_sd: 0.023,
    other_sd: 0.038,
};

const TRUTHS: [Truth; 8] = [
    DEMO,
    Truth {
        name: "constant offset",
        share: 0.0,
        constant_g: 5.0,
        ..DEMO
    },
    Truth {
        name: "share and constant",
        constant_g: -6.0,
        share: 0.08,
        ..DEMO
    },
    Truth {
        name: "three times the positioning error",
        other_sd: 0.115,
        ..DEMO
    },
    Truth {
        name: "as precise as the reference",
        other_sd: 0.023,
        ..DEMO
    },
    Truth {
        name: "3 groups",
        groups: 3,
        ..DEMO
    },
    Truth {
        name: "20 groups",
        groups: 20,
        ..DEMO
    },
    Truth {
        name: "8 groups, no repeats at all",
        repeats: 1,
        ..DEMO
    },
];

const BIRDS: usize = 3;
/// Birds scanned three times in the reference way, where there are repeats.
const REPEATED: usize = 18;

/// What was scanned: the readings; true mean and reading of each group, and its place where
/// its birds were also scanned singly (two groups' were not).
struct Scanned {
    readings: Vec<WayReading>,
    groups: Vec<(f64, f64, Option<usize>)>,
}

fn scanned(truth: Truth, seed: u64) -> Scanned {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
    let mut readings = Vec::new();
    let mut next = 0;
    let mut groups = Vec::new();
    if truth.repeats > 1 {
        for _ in 0..REPEATED {
            let bird = 90.0 * (0.15 * normal()).exp();
            for _ in 0..truth.repeats {
                let value = bird * (1.0 + truth.reference_sd * normal());
                readings.push(WayReading {
                    subjects: vec![next],
                    way: 0,
                    value,
                });
            }
            next += 1;
        }
    }
    for group in 0..truth.groups {
        let size = if group % 2 == 0 { 55.0 } else { 130.0 };
        let (mut subjects, mut sum, mut read) = (Vec::new(), 0.0, 0.0);
        for _ in 0..BIRDS {
            let bird = size * (0.15 * normal()).exp();
            let value = bird * (1.0 + truth.reference_sd * normal());
            readings.push(WayReading {
                subjects: vec![next],
                way: 0,
                value,
            });
            sum += bird;
            read += bird * (1.0 + truth.share + truth.other_sd * normal()) + truth.constant_g;
            subjects.push(next);
            next += 1;
        }
        let (mean, read) = (sum / BIRDS as f64, read / BIRDS as f64);
        groups.push((mean, read, Some(readings.len())));
        readings.push(WayReading {
            subjects,
            way: 1,
            value: read,
        });
    }
    for size in [55.0, 130.0] {
        let birds: [f64; BIRDS] = std::array::from_fn(|_| size * (0.15 * normal()).exp());
        let read = birds
            .map(|bird| bird * (1.0 + truth.share + truth.other_sd * normal()) + truth.constant_g);
        let n = BIRDS as f64;
        let (mean, read) = (birds.iter().sum::<f64>() / n, read.iter().sum::<f64>() / n);
        groups.push((mean, read, None));
    }
    Scanned { readings, groups }
}

/// Hits, intervals, sum of half widths and of those that the true variances would give, of
/// the groups compared; hits and intervals of two groups that were not.
fn one(truth: Truth, seed: u64) -> [f64; 6] {
    let Scanned { readings, groups } = scanned(truth, seed);
    let Some(found) = way_offsets(&readings, &[false; 2]) else {
        return [0.0; 6];
    };
    let offset = found.offsets[1].as_ref().unwrap();
    let slope = 1.0 / (1.0 + offset.share);
    let mut sums = [0.0; 6];
    for (mean, read, place) in groups {
        let adjusted = (read - offset.constant_g) * slope;
        let gradient = match offset.kind {
            OffsetKind::Proportional => vec![-adjusted * slope],
            OffsetKind::Constant => vec![-slope],
            OffsetKind::Linear => vec![-adjusted * slope, -slope],
        };
        let mut of_offset = 0.0;
        for (i, a) in gradient.iter().enumerate() {
            for (j, b) in gradient.iter().enumerate() {
                of_offset += a * b * found.covariance[(offset.place + i, offset.place + j)];
            }
        }
        // The group's own error is in the offset too.
        let with_own = place.map_or(&[][..], |place| &found.with_readings[place]);
        let both: f64 = gradient
            .iter()
            .enumerate()
            .filter_map(|(i, a)| Some(2.0 * slope * a * with_own.get(offset.place + i)?))
            .sum();
        // The reference way's own variance is in the equation's residuals, on many degrees
        // of freedom: it is taken for known here.
        let reference = (truth.reference_sd * adjusted).powi(2) / BIRDS as f64;
        let added = found.added_variance(1, adjusted);
        let n = BIRDS as f64;
        let (added, of_added) = (added.value / n, added.variance / (n * n));
        let total = reference + added + both + of_offset;
        let of_offset_df = (offset.comparisons - gradient.len()) as f64;
        let df = total.powi(2) / (of_added / 2.0 + of_offset.powi(2) / of_offset_df);
        let df = df.max(of_offset_df);
        let half = t_two_sided_quantile(0.95, df) * total.sqrt();
        let known = (truth.other_sd * mean / (1.0 + truth.share)).powi(2) / n;
        let hit = f64::from((adjusted - mean).abs() <= half);
        if place.is_none() {
            sums[4] += hit;
            sums[5] += 1.0;
            continue;
        }
        sums[0] += hit;
        sums[1] += 1.0;
        sums[2] += half;
        // Known variances: of the group's own error, and of the others' in the offset.
        let n = truth.groups as f64;
        let reference = reference / (1.0 + truth.share).powi(2);
        sums[3] += 1.959_964 * (known * (1.0 - 1.0 / n) + reference / n).sqrt();
    }
    sums
}

#[test]
#[ignore = "simulates many studies"]
fn readings_put_on_the_reference_way_are_covered() {
    let studies = std::env::var("COVERAGE_STUDIES").map_or(500, |text| text.parse().unwrap());
    println!(
        "\n{:<36} {:>8} {:>6} {:>10} {:>14} {:>16}",
        "truth", "covered", "se", "half width", "over known var", "others covered"
    );
    for truth in TRUTHS {
        let all: Vec<[f64; 6]> = (0..studies)
            .into_par_iter()
            .map(|study| one(truth, study))
            .collect();
        let [hits, n, width, known, apart, of] = all.iter().fold([0.0; 6], |sum, row| {
            [0, 1, 2, 3, 4, 5].map(|i| sum[i] + row[i])
        });
        let share = hits / n;
        let squares: f64 = all
            .iter()
            .map(|row| (row[0] - share * row[1]).powi(2))
            .sum();
        let error = squares.sqrt() / n;
        println!(
            "{:<36} {:>8.1} {:>6.2} {:>10.2} {:>14.2} {:>16.1}",
            truth.name,
            100.0 * share,
            100.0 * error,
            width / n,
            width / known,
            100.0 * apart / of
        );
        assert!(share + 3.0 * error >= 0.93, "{}: {share}", truth.name);
    }
}
