//! Writes the invented study in `data-demo/` and its spoiled copy in
//! `tests/data/demo-faulty/`: `cargo run --example make_demo`.
//!
//! Every bird follows a two-phase gompertz curve of its own,
//! A1 exp(-exp(-k1 (t - ti1))) + A2 exp(-exp(-k2 (t - ti2))), the second phase
//! being the pre-lay spurt. Its terms are drawn round those of its line, its
//! weighings scatter round its curve, and its first egg follows its spurt by some
//! days that depend on its condition. Some birds are scanned throughout, others
//! once and then analysed (`body.rs`, `scans.rs`). The tables `truth*.csv` keep what
//! was drawn. Nothing here describes real birds: the lines, their terms, their
//! targets, what they are made of and the scanner are made up.

mod body;
pub(crate) mod faulty;
mod scans;

use std::fmt::Write as _;
use std::path::Path;

use chrono::{Days, NaiveDate};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const SEED: u64 = 20_250_303;
const BIRDS_PER_LINE: usize = 24;
const LAST_WEIGHING_D: u32 = 168;
const LAST_TARGET_D: u32 = 196;
/// Standard deviation of a weighing round the bird's curve, on the log scale.
const WEIGHING_ERROR: f64 = 0.02;
/// Share of weighings that were missed.
const MISSED: f64 = 0.01;
/// Half width of the target's band.
const BAND: f64 = 0.04;

/// Terms of a two-phase gompertz curve; `ti1_d` follows from the hatch weight.
#[derive(Debug, Clone, Copy)]
struct Terms {
    a1_g: f64,
    k1_per_d: f64,
    ti1_d: f64,
    a2_g: f64,
    k2_per_d: f64,
    ti2_d: f64,
}

impl Terms {
    /// The second phase adds nothing at hatch, so A1 exp(-exp(k1 ti1)) is the hatch weight.
    fn new(hatch_g: f64, [a1_g, k1_per_d, a2_g, k2_per_d, ti2_d]: [f64; 5]) -> Self {
        Self {
            a1_g,
            k1_per_d,
            ti1_d: (a1_g / hatch_g).ln().ln() / k1_per_d,
            a2_g,
            k2_per_d,
            ti2_d,
        }
    }

    fn weight_g(&self, age_d: f64) -> f64 {
        self.a1_g * (-(-self.k1_per_d * (age_d - self.ti1_d)).exp()).exp()
            + self.a2_g * (-(-self.k2_per_d * (age_d - self.ti2_d)).exp()).exp()
    }

    fn rows(&self) -> [(&'static str, f64); 6] {
        [
            ("A1", self.a1_g),
            ("k1", self.k1_per_d),
            ("ti1", self.ti1_d),
            ("A2", self.a2_g),
            ("k2", self.k2_per_d),
            ("ti2", self.ti2_d),
        ]
    }
}

/// An invented line: its mean bird and the bird that its target has in mind.
struct Line {
    name: &'static str,
    letter: char,
    hatch_date: &'static str,
    hatch_g: f64,
    mean: [f64; 5],
    target: [f64; 5],
    /// Mean days from the middle of the spurt to the first egg.
    lag_d: f64,
}

const LINES: [Line; 3] = [
    Line {
        name: "Alder",
        letter: 'A',
        hatch_date: "2025-03-03",
        hatch_g: 39.0,
        mean: [1380.0, 0.0300, 400.0, 0.085, 120.0],
        target: [1370.0, 0.0300, 395.0, 0.085, 120.0],
        lag_d: 17.0,
    },
    Line {
        name: "Birch",
        letter: 'B',
        hatch_date: "2025-03-03",
        hatch_g: 37.0,
        mean: [1180.0, 0.0315, 330.0, 0.090, 115.0],
        target: [1190.0, 0.0312, 325.0, 0.090, 116.0],
        lag_d: 15.0,
    },
    // Falls short of its target from about ten weeks on.
    Line {
        name: "Cedar",
        letter: 'C',
        hatch_date: "2025-03-05",
        hatch_g: 38.0,
        mean: [1210.0, 0.0312, 400.0, 0.085, 125.0],
        target: [1350.0, 0.0295, 380.0, 0.085, 124.0],
        lag_d: 18.0,
    },
];

struct Bird {
    name: String,
    line: usize,
    pen: usize,
    terms: Terms,
    first_egg_d: f64,
    died_d: Option<u32>,
    /// Age and weight in g as written down.
    weighings: Vec<(u32, String)>,
}

/// The tables that are drawn, by name; settings, events and the README are written by hand.
pub(crate) fn study() -> Vec<(&'static str, String)> {
    copy(0)
}

/// The same study drawn again with other seeds: 0 is the study itself.
pub(crate) fn copy(number: u64) -> Vec<(&'static str, String)> {
    let mut birds = hatch(number);
    let scanned = scans::scan(&birds, number);
    let tables = vec![
        ("weighings.csv", weighings_table(&birds)),
        ("targets.csv", targets_table()),
        ("onset.csv", onset_table(&birds)),
        ("truth.csv", truth_table(&birds)),
        ("scans.csv", scanned.scans),
        ("chemistry.csv", scanned.chemistry),
        ("truth_composition.csv", scanned.truth),
        ("truth_scanner.csv", scans::truth_table()),
    ];
    birds.extend(scanned.analysed);
    let mut files = vec![("birds.csv", birds_table(&birds))];
    files.extend(tables);
    files
}

fn hatch(copy: u64) -> Vec<Bird> {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED + 1_000_003 * copy);
    let mut birds = Vec::new();
    for (line, _) in LINES.iter().enumerate() {
        for i in 0..BIRDS_PER_LINE {
            birds.push(bird(&mut rng, line, i));
        }
    }
    birds
}

fn bird(rng: &mut ChaCha8Rng, line: usize, i: usize) -> Bird {
    let Line {
        letter,
        hatch_g,
        mean,
        lag_d,
        ..
    } = &LINES[line];
    let mut normal = || -> f64 { StandardNormal.sample(rng) };
    // A bird in good condition has a greater spurt and lays sooner after it.
    let condition = normal();
    let terms = Terms::new(
        hatch_g * (0.06 * normal()).exp(),
        [
            mean[0] * (0.06 * normal()).exp(),
            mean[1] * (0.04 * normal()).exp(),
            mean[2] * (0.06 * condition + 0.08 * normal()).exp(),
            mean[3] * (0.08 * normal()).exp(),
            mean[4] + 4.0 * normal(),
        ],
    );
    let mut first_egg_d = terms.ti2_d + lag_d - 2.5 * condition + 2.0 * normal();
    // A few birds are late for no reason that a scale could see.
    if rng.random_bool(0.10) {
        first_egg_d += rng.random_range(20.0..50.0);
    }
    let died_d = rng
        .random_bool(0.08)
        .then(|| rng.random_range(30..LAST_WEIGHING_D));
    let mut weighings = Vec::new();
    for age_d in (0..=LAST_WEIGHING_D).step_by(7) {
        let scatter: f64 = StandardNormal.sample(rng);
        let weight_g = terms.weight_g(f64::from(age_d)) * (WEIGHING_ERROR * scatter).exp();
        let missed = age_d > 0 && rng.random_bool(MISSED);
        if !missed && died_d.is_none_or(|died_d| age_d < died_d) {
            // Chicks are weighed on a finer scale than the birds that they become.
            let digits = usize::from(age_d == 0);
            weighings.push((age_d, format!("{weight_g:.digits$}")));
        }
    }
    Bird {
        name: format!("{letter}{:02}", i + 1),
        line,
        pen: 2 * line + i % 2,
        terms,
        first_egg_d: first_egg_d.round(),
        died_d,
        weighings,
    }
}

fn birds_table(birds: &[Bird]) -> String {
    let mut text = "bird,strain,pen,hatch_date\n".to_owned();
    for bird in birds {
        let Line {
            name, hatch_date, ..
        } = LINES[bird.line];
        let pen = bird.pen + 1;
        writeln!(text, "{},{name},pen {pen},{hatch_date}", bird.name).expect("writing to a string");
    }
    text
}

/// By date and bird, as they are written down in the house.
fn weighings_table(birds: &[Bird]) -> String {
    let mut rows: Vec<(NaiveDate, &str, &str)> = Vec::new();
    for bird in birds {
        let hatched: NaiveDate = LINES[bird.line].hatch_date.parse().expect("a date");
        for (age_d, weight_g) in &bird.weighings {
            let date = hatched + Days::new(u64::from(*age_d));
            rows.push((date, &bird.name, weight_g));
        }
    }
    rows.sort_by_key(|(date, bird, _)| (*date, *bird));
    let mut text = "date,bird,weight_g\n".to_owned();
    for (date, bird, weight_g) in rows {
        writeln!(text, "{date},{bird},{weight_g}").expect("writing to a string");
    }
    text
}

fn targets_table() -> String {
    let mut text = "strain,age_d,target_g,lower_g,upper_g\n".to_owned();
    for line in &LINES {
        let terms = Terms::new(line.hatch_g, line.target);
        for age_d in (0..=LAST_TARGET_D).step_by(7) {
            let target_g = terms.weight_g(f64::from(age_d)).round();
            let (lower_g, upper_g) = (target_g * (1.0 - BAND), target_g * (1.0 + BAND));
            writeln!(
                text,
                "{},{age_d},{target_g},{lower_g:.0},{upper_g:.0}",
                line.name
            )
            .expect("writing to a string");
        }
    }
    text
}

/// A bird that died or had not laid by the end has no first egg.
fn onset_table(birds: &[Bird]) -> String {
    let mut text = "bird,first_egg_age_d,last_seen_age_d\n".to_owned();
    for bird in birds {
        let last_seen_d = bird.died_d.unwrap_or(LAST_WEIGHING_D);
        let seen = bird.first_egg_d <= f64::from(last_seen_d);
        let first_egg = if seen {
            bird.first_egg_d.to_string()
        } else {
            String::new()
        };
        writeln!(text, "{},{first_egg},{last_seen_d}", bird.name).expect("writing to a string");
    }
    text
}

/// Terms to six decimals of their unit or better; a line's are its medians.
fn truth_table(birds: &[Bird]) -> String {
    let mut text = "level,strain,bird,term,value\n".to_owned();
    for line in &LINES {
        for (term, value) in Terms::new(line.hatch_g, line.mean).rows() {
            writeln!(text, "strain,{},,{term},{value:.8}", line.name).expect("writing to a string");
        }
    }
    for bird in birds {
        let strain = LINES[bird.line].name;
        let mut row = |term: &str, value: String| {
            writeln!(text, "bird,{strain},{},{term},{value}", bird.name)
                .expect("writing to a string");
        };
        for (term, value) in bird.terms.rows() {
            row(term, format!("{value:.8}"));
        }
        row("first_egg_age_d", bird.first_egg_d.to_string());
    }
    text
}

fn main() -> std::io::Result<()> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for (folder, files) in [
        ("data-demo", study()),
        ("tests/data/demo-faulty", faulty::study()),
    ] {
        let folder = root.join(folder);
        std::fs::create_dir_all(&folder)?;
        for (name, text) in files {
            std::fs::write(folder.join(name), text)?;
        }
    }
    Ok(())
}
