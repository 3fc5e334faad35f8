//! Writes the invented study in `data-demo/`, the flock in `data-demo/flock/` and a spoiled copy in
//! `tests/data/demo-faulty/`: `cargo run --example make_demo`. With `SEED DESIGN FOLDER` it
//! writes a study of one of the `DESIGNS`, drawn with that seed, and what is true in it.
//!
//! Every bird follows an individual two-phase gompertz curve,
//! A1 exp(-exp(-k1 (t - ti1))) + A2 exp(-exp(-k2 (t - ti2))), the second phase
//! being the pre-lay spurt. Its terms are drawn round those of its line, its
//! weighings scatter round its curve, and its first egg follows its spurt by some
//! days that depend on its condition. Some birds are scanned throughout, others
//! once and then analysed (`body.rs`, `scans.rs`). The tables `truth*.csv` keep what
//! was drawn. Nothing here describes real birds: the lines, their terms, their
//! targets, what they are made of and the scanner are made up.

mod body;
pub(crate) mod faulty;
pub(crate) mod flock;
pub(crate) mod laboratories;
mod phantom;
mod scans;

use std::fmt::Write as _;
use std::path::Path;

use chrono::{Days, NaiveDate};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const SEED: u64 = 20_250_303;
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

/// How a simulated study is laid out, and what is true in it; the demo is one.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Design {
    pub(crate) name: &'static str,
    /// The first lines, to this number.
    pub(crate) lines: usize,
    pub(crate) birds_per_line: usize,
    pub(crate) pens_per_line: usize,
    /// SD of what the birds of a pen share in both asymptotes, on the log scale.
    pub(crate) pen_sd: f64,
    /// Treatments given to the pens in turn, none of which has an effect; 0 for no column.
    pub(crate) treatments: usize,
    /// Correlation of a bird's weighing errors a week apart.
    pub(crate) correlation: f64,
    /// Mass of the body above which fat grows by another power of it, g, and that power.
    pub(crate) fat_bends: Option<(f64, f64)>,
    /// The first birds of each line, scanned throughout.
    pub(crate) followed: usize,
    pub(crate) followed_at_d: &'static [u32],
    /// Birds of each line taken and analysed at each of these ages.
    pub(crate) analysed: usize,
    pub(crate) analysed_at_d: &'static [u32],
}

impl Design {
    pub(crate) const DEMO: Self = Self {
        name: "as the demo",
        lines: 3,
        birds_per_line: 24,
        pens_per_line: 4,
        pen_sd: 0.0,
        treatments: 0,
        correlation: 0.0,
        fat_bends: None,
        followed: 6,
        followed_at_d: &[21, 42, 63, 84, 105, 126, 147],
        analysed: 4,
        analysed_at_d: &[21, 49, 77, 105, 147],
    };
}

/// The designs, by number.
pub(crate) const DESIGNS: [Design; 6] = [
    Design::DEMO,
    Design {
        name: "four pens a strain, SD between pens 3 %",
        pen_sd: 0.03,
        ..Design::DEMO
    },
    Design {
        name: "fat bends at 900 g of body (power 1.5, then 2.3)",
        pens_per_line: 24,
        fat_bends: Some((900.0, 2.3)),
        ..Design::DEMO
    },
    Design {
        name: "errors of a bird's weighings correlated 0.6 a week apart",
        pens_per_line: 24,
        correlation: 0.6,
        ..Design::DEMO
    },
    Design {
        name: "two strains, 4 followed birds each, 6 analysed at each of 4 ages",
        lines: 2,
        birds_per_line: 4,
        pens_per_line: 4,
        followed: 4,
        followed_at_d: &[21, 42, 63, 84, 105, 126, 147],
        analysed: 6,
        analysed_at_d: &[21, 63, 105, 147],
        ..Design::DEMO
    },
    Design {
        name: "two diets without effect, four pens each, SD between pens 3 %",
        lines: 1,
        birds_per_line: 48,
        pens_per_line: 8,
        pen_sd: 0.03,
        treatments: 2,
        ..Design::DEMO
    },
];

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
    treatment: usize,
    terms: Terms,
    first_egg_d: f64,
    died_d: Option<u32>,
    /// Age and weight in g as written down.
    weighings: Vec<(u32, String)>,
}

/// The tables that are drawn, by name; settings, events and the README are written by hand.
pub(crate) fn study() -> Vec<(&'static str, String)> {
    copy(&Design::DEMO, 0)
}

/// A study of a design, drawn with separate seeds; 0 of the demo's design is the demo.
pub(crate) fn copy(design: &Design, number: u64) -> Vec<(&'static str, String)> {
    let mut birds = hatch(design, number);
    let scanned = scans::scan(design, &birds, number);
    let tables = vec![
        ("weighings.csv", weighings_table(&birds)),
        ("targets.csv", targets_table(design)),
        ("onset.csv", onset_table(&birds)),
        ("truth.csv", truth_table(design, &birds)),
        ("scans.csv", scanned.scans),
        ("chemistry.csv", scanned.chemistry),
        ("truth_composition.csv", scanned.truth),
        ("truth_scanner.csv", scans::truth_table()),
        ("phantom.csv", phantom::table(number)),
        ("truth_phantom.csv", phantom::truth_table()),
    ];
    birds.extend(scanned.analysed);
    let mut files = vec![("birds.csv", birds_table(design, &birds))];
    files.extend(tables);
    files
}

/// Body weight, fat, lean and bone of a line's typical bird at an age, g.
pub(crate) fn typical(design: &Design, line: usize, age_d: u32) -> [f64; 4] {
    let Line { hatch_g, mean, .. } = &LINES[line];
    let terms = Terms::new(*hatch_g, *mean);
    let [fat, lean, bone] = body::typical(design, line, &terms, age_d);
    [terms.weight_g(f64::from(age_d)), fat, lean, bone]
}

/// Settings of a study of a design, from those of the demo.
pub(crate) fn settings(design: &Design, demo: &str) -> String {
    let mut settings = demo.replace("events = \"events.csv\"\n", "");
    if design.treatments > 0 {
        settings = settings.replace("[fit]\n", "[fit]\nfixed_effects_by = [\"treatment\"]\n");
    }
    if design.pens_per_line == design.birds_per_line {
        settings += "\n[design]\nunit = \"bird\"\n";
    }
    settings
}

/// Typical masses of each line, every week.
fn typical_table(design: &Design) -> String {
    let mut text = "strain,age_d,body_weight_g,fat_g,lean_g,bone_g\n".to_owned();
    for (line, Line { name, .. }) in LINES[..design.lines].iter().enumerate() {
        for age_d in (0..=LAST_WEIGHING_D).step_by(7) {
            let masses = typical(design, line, age_d).map(|mass_g| format!("{mass_g:.4}"));
            writeln!(text, "{name},{age_d},{}", masses.join(",")).expect("writing to a string");
        }
    }
    text
}

fn hatch(design: &Design, copy: u64) -> Vec<Bird> {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED + 1_000_003 * copy);
    let shared = pens(design, copy);
    let mut birds = Vec::new();
    for line in 0..design.lines {
        for i in 0..design.birds_per_line {
            birds.push(bird(&mut rng, (design, &shared), line, i));
        }
    }
    birds
}

/// The factor that the asymptotes of each pen's birds share; of a separate random stream, so that
/// pens change nothing else that is drawn.
fn pens(design: &Design, copy: u64) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED + 1_000_003 * copy + 500_001);
    let pens = 0..design.lines * design.pens_per_line;
    let factor = |_| {
        let normal: f64 = StandardNormal.sample(&mut rng);
        (design.pen_sd * normal).exp()
    };
    pens.map(factor).collect()
}

fn bird(rng: &mut ChaCha8Rng, (design, shared): (&Design, &[f64]), line: usize, i: usize) -> Bird {
    let place = i % design.pens_per_line;
    let pen = design.pens_per_line * line + place;
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
            mean[0] * (0.06 * normal()).exp() * shared[pen],
            mean[1] * (0.04 * normal()).exp(),
            mean[2] * (0.06 * condition + 0.08 * normal()).exp() * shared[pen],
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
    let mut error = None;
    for age_d in (0..=LAST_WEIGHING_D).step_by(7) {
        let scatter: f64 = StandardNormal.sample(rng);
        let kept = design.correlation;
        let scatter = match error {
            Some(before) => kept * before + (1.0 - kept * kept).sqrt() * scatter,
            None => scatter,
        };
        error = Some(scatter);
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
        pen,
        treatment: if design.treatments > 0 {
            place % design.treatments
        } else {
            0
        },
        terms,
        first_egg_d: first_egg_d.round(),
        died_d,
        weighings,
    }
}

fn birds_table(design: &Design, birds: &[Bird]) -> String {
    let treated = design.treatments > 0;
    let further = if treated { ",treatment" } else { "" };
    let mut text = format!("bird,strain,pen,hatch_date{further}\n");
    for bird in birds {
        let Line {
            name, hatch_date, ..
        } = LINES[bird.line];
        let pen = bird.pen + 1;
        let treatment = if treated {
            format!(",diet {}", bird.treatment + 1)
        } else {
            String::new()
        };
        writeln!(
            text,
            "{},{name},pen {pen},{hatch_date}{treatment}",
            bird.name
        )
        .expect("writing to a string");
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

fn targets_table(design: &Design) -> String {
    let mut text = "strain,age_d,target_g,lower_g,upper_g\n".to_owned();
    for line in &LINES[..design.lines] {
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
fn truth_table(design: &Design, birds: &[Bird]) -> String {
    let mut text = "level,strain,bird,term,value\n".to_owned();
    for line in &LINES[..design.lines] {
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
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [seed, design, folder] = &arguments[..] {
        let seed = seed.parse().map_err(std::io::Error::other)?;
        let number: usize = design.parse().map_err(std::io::Error::other)?;
        let design = DESIGNS.get(number).ok_or_else(|| {
            let names = DESIGNS.iter().enumerate();
            let names = names.map(|(number, design)| format!("{number}: {}", design.name));
            std::io::Error::other(names.collect::<Vec<_>>().join("; "))
        })?;
        let demo = std::fs::read_to_string(root.join("data-demo/study.toml"))?;
        let mut files = copy(design, seed);
        files.push(("study.toml", settings(design, &demo)));
        files.push(("truth_typical.csv", typical_table(design)));
        return write(Path::new(folder), files);
    }
    write(&root.join("data-demo"), study())?;
    write(
        &root.join("data-demo/second_laboratory"),
        laboratories::tables(),
    )?;
    write(&root.join("data-demo/laboratories"), laboratories::six())?;
    write(&root.join("data-demo/flock"), flock::tables())?;
    write(&root.join("tests/data/demo-faulty"), faulty::study())
}

fn write(folder: &Path, files: Vec<(&'static str, String)>) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    for (name, text) in files {
        std::fs::write(folder.join(name), text)?;
    }
    Ok(())
}
