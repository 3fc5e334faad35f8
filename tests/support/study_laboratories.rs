//! Invented studies whose scans are of several laboratories.

use std::fmt::Write as _;

use pinfeather::study::Study;
use rand::{Rng as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};

/// Laboratories L0, L1, .. with analysed birds, and L9 without.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Design {
    pub(crate) laboratories: usize,
    /// Analysed birds of each.
    pub(crate) analysed: usize,
    /// SD of the laboratories' levels, g, and slopes.
    pub(crate) level_sd_g: f64,
    pub(crate) slope_sd: f64,
}

pub(crate) struct LaboratoryStudy {
    pub(crate) folder: tempfile::TempDir,
    /// Birds that were scanned alive: name, laboratory, fat.
    pub(crate) live: Vec<(String, String, f64)>,
}

impl LaboratoryStudy {
    pub(crate) fn study(&self) -> Study {
        Study::read_folder(self.folder.path()).unwrap_or_else(|error| panic!("{error}"))
    }
}

/// SD of a bird about the line of its laboratory.
const BIRD_SD_G: f64 = 6.0;
/// Mass of every bird's body.
const BODY_G: f64 = 1000.0;
const SETTINGS: &str = "[tables]\nbirds = \"birds.csv\"\nscans = \"scans.csv\"\nchemistry = \"chemistry.csv\"\n\n[chemistry]\nbasis = \"as-is\"\n\n[calibration]\npart = \"body\"\n\n[calibration.terms]\nfat_chem = [\"fat_scan\"]\n";

/// Fat of a bird is 100 + level + (0.85 + slope) (reading - 130) + error; five live birds of each
/// laboratory and of L9.
pub(crate) fn laboratory_study(design: Design, seed: u64) -> LaboratoryStudy {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let normal = |random: &mut ChaCha8Rng| -> f64 { StandardNormal.sample(random) };
    let mut birds = "bird,strain\n".to_owned();
    let mut scans = "bird,age_d,feathers,laboratory,fat_g\n".to_owned();
    let mut chemistry =
        "bird,part,mass_g,dry_matter_pct,crude_protein_pct,fat_pct,ash_pct\n".to_owned();
    let mut live = Vec::new();
    let names = (0..design.laboratories).map(|place| format!("L{place}"));
    for laboratory in names.chain(["L9".to_owned()]) {
        let level = design.level_sd_g * normal(&mut random);
        let slope = 0.85 + design.slope_sd * normal(&mut random);
        let analysed = if laboratory == "L9" {
            0
        } else {
            design.analysed
        };
        for place in 0..analysed + 5 {
            let bird = format!("{laboratory}-{place}");
            let reading: f64 = random.random_range(60.0..200.0);
            let fat_g = 100.0 + level + slope * (reading - 130.0) + BIRD_SD_G * normal(&mut random);
            writeln!(birds, "{bird},A").unwrap();
            writeln!(scans, "{bird},70,intact,{laboratory},{reading:.6}").unwrap();
            if place < analysed {
                let fat_pct = 100.0 * fat_g / BODY_G;
                writeln!(
                    chemistry,
                    "{bird},body,{BODY_G},{:.8},20,{fat_pct:.8},3",
                    23.0 + fat_pct
                )
                .unwrap();
            } else {
                live.push((bird, laboratory.clone(), fat_g));
            }
        }
    }
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in [
        ("birds.csv", birds.as_str()),
        ("scans.csv", &scans),
        ("chemistry.csv", &chemistry),
        ("study.toml", SETTINGS),
    ] {
        std::fs::write(folder.path().join(name), text).unwrap();
    }
    LaboratoryStudy { folder, live }
}
