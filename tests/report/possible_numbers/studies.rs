//! Studies as they come from a barn and not from a textbook: small, short, sparse,
//! noisy, of one strain, of linear growth, of falling weights, of few ages or few
//! scans; made by a seeded generator, the same on every machine.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// How the birds of a study grow.
#[derive(Debug, Clone, Copy)]
enum Growth {
    Sigmoid,
    TwoPhase,
    Linear,
    Falling,
    Mature,
    Exponential,
    Noise,
}

const GROWTH: [Growth; 7] = [
    Growth::Sigmoid,
    Growth::Linear,
    Growth::Falling,
    Growth::TwoPhase,
    Growth::Exponential,
    Growth::Mature,
    Growth::Noise,
];

/// The ages weighed, d.
const AGES: [&[u32]; 6] = [
    &[0, 7, 14, 28, 42, 56, 84, 112, 126],
    &[0, 7, 14, 21, 28],
    &[56, 84, 112],
    &[0, 28, 56, 84],
    &[98, 105, 112, 119, 126, 133, 140],
    &[
        0, 7, 14, 21, 28, 35, 42, 49, 56, 63, 70, 77, 84, 91, 98, 105, 112, 119, 126, 133, 140,
    ],
];

/// Of birds weighed: strains and birds of each.
const SIZES: [(usize, usize); 6] = [(1, 1), (1, 4), (2, 3), (3, 6), (2, 10), (1, 8)];

const SHAPES: [&str; 5] = [
    "\"gompertz\", \"two-phase-gompertz\"",
    "\"logistic\", \"richards\"",
    "\"two-phase-logistic\", \"monomolecular\"",
    "\"weibull\", \"bertalanffy\"",
    "\"gompertz\", \"logistic\", \"two-phase-gompertz\"",
];

/// Coefficient of variation between birds and of a weighing; share of weighings missed.
const NOISE: [(f64, f64, f64); 5] = [
    (0.06, 0.02, 0.0),
    (0.10, 0.15, 0.1),
    (0.0, 0.0, 0.0),
    (0.05, 0.05, 0.5),
    (0.25, 0.40, 0.2),
];

impl Growth {
    fn weight_g(self, age_d: f64) -> f64 {
        let gompertz = |a: f64, k: f64, ti: f64| a * (-(-k * (age_d - ti)).exp()).exp();
        match self {
            Self::Sigmoid => 38.0 + gompertz(1700.0, 0.03, 55.0),
            Self::TwoPhase => 30.0 + gompertz(1300.0, 0.035, 45.0) + gompertz(400.0, 0.12, 125.0),
            Self::Linear => 40.0 + 11.0 * age_d,
            Self::Falling => 1500.0 - 6.0 * age_d,
            Self::Mature => 1650.0,
            Self::Exponential => 40.0 * (0.026 * age_d).exp(),
            Self::Noise => 800.0,
        }
    }
}

/// A number about normal: the sum of twelve uniforms, less six.
fn normal(random: &mut ChaCha8Rng) -> f64 {
    (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0
}

/// Writes study number `seed` into an empty folder, and describes it.
pub(crate) fn write(seed: u64, folder: &Path) -> String {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    // Primes apart, so that 40 studies have 40 combinations.
    let at = |step: u64, count: usize| {
        usize::try_from(seed * step % count as u64).expect("below a count")
    };
    let growth = GROWTH[at(1, GROWTH.len())];
    let ages_d = AGES[at(5, AGES.len())];
    let (strains, birds) = SIZES[(seed / 2) as usize % SIZES.len()];
    let curves = SHAPES[at(3, SHAPES.len())];
    let (between, within, missed) = NOISE[(seed / 3) as usize % NOISE.len()];
    let scans = seed % 4 == 1;
    let mut tables = Tables::default();
    for strain in 0..strains {
        let name = ["Alder", "Birch", "Cedar"][strain];
        for bird in 0..birds {
            let id = format!("{}{:02}", &name[..1], bird + 1);
            let own = (1.0 - 0.1 * strain as f64) * (1.0 + between * normal(&mut random)).max(0.3);
            writeln!(tables.birds, "{id},{name}").unwrap();
            tables.weigh(&mut random, (&id, own), (growth, ages_d), (within, missed));
            if random.random::<f64>() < 0.6 {
                let egg_d = 130.0 + 8.0 * normal(&mut random);
                writeln!(tables.onset, "{id},{egg_d:.0},170").unwrap();
            } else {
                writeln!(tables.onset, "{id},,170").unwrap();
            }
        }
        for age_d in ages_d {
            let target_g = growth.weight_g(f64::from(*age_d)).max(20.0);
            writeln!(tables.targets, "{name},{age_d},{target_g:.0}").unwrap();
        }
    }
    tables.save(folder, curves, scans);
    format!(
        "study {seed}: {growth:?}, {strains} x {birds} birds, {} ages, noise {within}, missed {missed}, {curves}",
        ages_d.len()
    )
}

/// The tables' text, a row a line.
#[derive(Default)]
struct Tables {
    birds: String,
    weighings: String,
    onset: String,
    targets: String,
    scans: String,
    chemistry: String,
    scanned: usize,
}

impl Tables {
    fn weigh(
        &mut self,
        random: &mut ChaCha8Rng,
        (id, own): (&str, f64),
        (growth, ages_d): (Growth, &[u32]),
        (within, missed): (f64, f64),
    ) {
        let mut last = None;
        for age_d in ages_d {
            let spread = (1.0 + within * normal(random)).max(0.2);
            let weight_g = (own * growth.weight_g(f64::from(*age_d)) * spread).max(20.0);
            if random.random::<f64>() >= missed {
                writeln!(self.weighings, "{id},{age_d},{weight_g:.1}").unwrap();
                last = Some((*age_d, weight_g));
            }
        }
        if let Some((age_d, weight_g)) = last {
            self.scan(random, id, age_d, weight_g);
        }
    }

    /// A scan at the last weighing, and the chemistry of the bird after it.
    fn scan(&mut self, random: &mut ChaCha8Rng, id: &str, age_d: u32, weight_g: f64) {
        let fat_pct = 7.0 + 4.0 * random.random::<f64>();
        let scanned = weight_g * (fat_pct / 100.0 + 0.01 * normal(random)).max(0.01);
        let (lean, bone) = (weight_g * 0.86, weight_g * 0.028);
        self.scanned += 1;
        let scan = self.scanned;
        writeln!(
            self.scans,
            "s{scan},{id},{age_d},intact,{scanned:.1},{lean:.1},{bone:.1},{weight_g:.0}"
        )
        .unwrap();
        let dry_pct = fat_pct + 24.2;
        writeln!(
            self.chemistry,
            "{id},body,{:.1},{dry_pct:.2},21,{fat_pct:.2},3.2",
            0.94 * weight_g
        )
        .unwrap();
    }

    fn save(&self, folder: &Path, curves: &str, scans: bool) {
        let mut named = vec![
            ("birds", "bird,strain", &self.birds),
            ("weighings", "bird,age_d,weight_g", &self.weighings),
            ("onset", "bird,first_egg_age_d,last_seen_age_d", &self.onset),
            ("targets", "strain,age_d,target_g", &self.targets),
        ];
        // Fewer than three birds calibrate no scanner, and the program reports that.
        let with_scans = scans && self.scanned >= 3;
        if with_scans {
            let columns = "scan,bird,age_d,feathers,fat_g,lean_g,bone_g,scale_weight_g";
            named.push(("scans", columns, &self.scans));
            let columns = "bird,part,mass_g,dry_matter_pct,crude_protein_pct,fat_pct,ash_pct";
            named.push(("chemistry", columns, &self.chemistry));
        }
        let mut settings = "name = \"Invented\"\n\n[tables]\n".to_owned();
        for (name, header, rows) in named {
            fs::write(
                folder.join(format!("{name}.csv")),
                format!("{header}\n{rows}"),
            )
            .unwrap();
            writeln!(settings, "{name} = \"{name}.csv\"").unwrap();
        }
        if with_scans {
            settings.push_str("\n[chemistry]\nbasis = \"as-is\"\n");
        }
        writeln!(settings, "\n[fit]\ncurves = [{curves}]").unwrap();
        fs::write(folder.join("study.toml"), settings).unwrap();
    }
}
