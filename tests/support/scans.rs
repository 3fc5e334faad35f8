//! An invented study whose true masses are known: two invented lines, birds
//! analysed at seven ages (scanned intact, then plucked, twice each) and birds
//! scanned throughout, whose truth is hidden from the program.

use std::fmt::Write as _;
use std::path::Path;

use pinfeather::study::Study;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, Normal};

/// g of a reading for each g of feathers.
pub(crate) const FEATHER_EFFECT: [f64; 3] = [0.5, 0.3, 0.02];
/// SD of a repeated reading, g: fat, lean, bone.
pub(crate) const SCAN_SD: [f64; 3] = [3.0, 6.0, 0.4];
pub(crate) const AGES_D: [f64; 7] = [28.0, 42.0, 56.0, 77.0, 98.0, 112.0, 126.0];

/// True masses of one bird at one age, g.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Truth {
    pub(crate) fat_g: f64,
    pub(crate) lean_g: f64,
    pub(crate) ash_g: f64,
    pub(crate) feathers_g: f64,
}

impl Truth {
    pub(crate) fn body_g(&self) -> f64 {
        self.fat_g + self.lean_g + self.ash_g
    }
}

pub(crate) struct Invented {
    pub(crate) folder: tempfile::TempDir,
    /// Truth of every scanned live bird: name, age, masses.
    pub(crate) live: Vec<(String, f64, Truth)>,
}

impl Invented {
    pub(crate) fn study(&self) -> Study {
        Study::read_folder(self.folder.path()).unwrap_or_else(|error| panic!("{error}"))
    }
}

/// A bird's truth at an age: with individual size and fatness.
fn truth(strain: usize, age_d: f64, size: f64, fatness: f64) -> Truth {
    let body = [1500.0, 1750.0][strain] * size * (-(-0.022 * (age_d - 55.0)).exp()).exp();
    let fat_share = (0.05 + 0.0006 * age_d + [0.0, 0.015][strain]) * fatness;
    let ash_share = 0.032 + 0.00005 * age_d;
    let feather_share = 0.045 + 0.00025 * age_d + [0.006, 0.0][strain];
    let feathers_g = body * feather_share;
    Truth {
        fat_g: body * fat_share,
        lean_g: body * (1.0 - fat_share - ash_share),
        ash_g: body * ash_share,
        feathers_g,
    }
}

struct Tables {
    generator: ChaCha8Rng,
    birds: String,
    weighings: String,
    scans: String,
    chemistry: String,
    scan: usize,
}

impl Tables {
    fn normal(&mut self, sd: f64) -> f64 {
        Normal::new(0.0, sd).unwrap().sample(&mut self.generator)
    }

    fn scan(&mut self, bird: &str, age_d: f64, repeat: usize, feathers: &str, truth: &Truth) {
        let on = if feathers == "intact" {
            truth.feathers_g
        } else {
            0.0
        };
        let true_reading = [
            5.0 + 1.15 * truth.fat_g,
            0.98 * truth.lean_g,
            0.7 * truth.ash_g,
        ];
        let mut read = [0.0; 3];
        for (tissue, reading) in read.iter_mut().enumerate() {
            *reading =
                true_reading[tissue] + FEATHER_EFFECT[tissue] * on + self.normal(SCAN_SD[tissue]);
        }
        self.scan += 1;
        writeln!(
            self.scans,
            "s{},{bird},{age_d},{repeat},tube,1,{feathers},{:.4},{:.4},{:.4},{:.3},ok",
            self.scan,
            read[0].max(0.0),
            read[1],
            read[2],
            truth.body_g() + on
        )
        .unwrap();
    }

    fn chemistry(&mut self, bird: &str, truth: &Truth) {
        let body = truth.body_g();
        let protein = 0.24 * truth.lean_g;
        let percent = |part: f64| 100.0 * part / body;
        writeln!(
            self.chemistry,
            "{bird},body,{body:.4},{:.6},{:.6},{:.6},{:.6}",
            percent(protein + truth.fat_g + truth.ash_g),
            percent(protein),
            percent(truth.fat_g),
            percent(truth.ash_g)
        )
        .unwrap();
        writeln!(
            self.chemistry,
            "{bird},feathers,{:.4},90,88,1.5,0.5",
            truth.feathers_g
        )
        .unwrap();
    }
}

/// The invented study, made anew from a seed.
pub(crate) fn invented(seed: u64) -> Invented {
    let mut tables = Tables {
        generator: ChaCha8Rng::seed_from_u64(seed),
        birds: "bird,strain\n".into(),
        weighings: "bird,age_d,weight_g\n".into(),
        scans: "scan,bird,age_d,repeat,restraint,birds_in_scan,feathers,fat_g,lean_g,bone_g,scale_weight_g,quality\n".into(),
        chemistry: "bird,part,mass_g,dry_matter_pct,crude_protein_pct,fat_pct,ash_pct\n".into(),
        scan: 0,
    };
    let mut live = Vec::new();
    for (strain, line) in ["Alder", "Birch"].iter().enumerate() {
        for (place, age_d) in AGES_D.iter().enumerate() {
            for own in 0..4 {
                let bird = format!("{line}-a{place}{own}");
                let (size, fatness) = (
                    1.0 + tables.normal(0.07),
                    (1.0 + tables.normal(0.2)).max(0.4),
                );
                let truth = truth(strain, *age_d, size, fatness);
                writeln!(tables.birds, "{bird},{line}").unwrap();
                writeln!(
                    tables.weighings,
                    "{bird},{age_d},{:.3}",
                    truth.body_g() + truth.feathers_g
                )
                .unwrap();
                for feathers in ["intact", "plucked"] {
                    tables.scan(&bird, *age_d, 1, feathers, &truth);
                    tables.scan(&bird, *age_d, 2, feathers, &truth);
                }
                tables.chemistry(&bird, &truth);
            }
        }
        for own in 0..10 {
            let bird = format!("{line}-l{own}");
            writeln!(tables.birds, "{bird},{line}").unwrap();
            let (size, fatness) = (
                1.0 + tables.normal(0.07),
                (1.0 + tables.normal(0.2)).max(0.4),
            );
            for age_d in AGES_D {
                let truth = truth(strain, age_d, size, fatness);
                writeln!(
                    tables.weighings,
                    "{bird},{age_d},{:.3}",
                    truth.body_g() + truth.feathers_g
                )
                .unwrap();
                tables.scan(&bird, age_d, 1, "intact", &truth);
                live.push((bird.clone(), age_d, truth));
            }
        }
    }
    let toml = "[tables]\nbirds = \"birds.csv\"\nweighings = \"weighings.csv\"\nscans = \"scans.csv\"\nchemistry = \"chemistry.csv\"\n[chemistry]\nbasis = \"as-is\"\n[scans]\nmass_tolerance_pct = 15.0\n";
    let files = [
        ("study.toml", toml),
        ("birds.csv", &tables.birds),
        ("weighings.csv", &tables.weighings),
        ("scans.csv", &tables.scans),
        ("chemistry.csv", &tables.chemistry),
    ];
    let folder = tempfile::tempdir().unwrap();
    write_files(folder.path(), &files);
    Invented { folder, live }
}

pub(crate) fn write_files(folder: &Path, files: &[(&str, &str)]) {
    for (name, text) in files {
        std::fs::write(folder.join(name), text).unwrap();
    }
}
