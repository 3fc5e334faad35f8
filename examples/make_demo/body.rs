//! What an invented bird is made of, and what the laboratory finds.
//!
//! Of a bird's weight a share is feathers, which grows with age:
//! F = W (f + g t) p. The rest B = W - F divides by allometry: fat
//! a (B / 1 kg)^1.5 q, ash b (B / 1 kg)^1.03 r, and what is left is lean. f, a
//! and b belong to the line, p, q and r to the bird, the exponents and g to all.

use std::fmt::Write as _;

use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::{Bird, Design, LINES, Terms};

const FAT_EXPONENT: f64 = 1.5;
const BONE_EXPONENT: f64 = 1.03;
/// Growth of the feathers' share of the weight, per day of age.
const FEATHER_SHARE_PER_D: f64 = 0.000_3;
/// Share of protein in lean; the rest is water.
const PROTEIN_OF_LEAN: f64 = 0.235;
/// SD of what a balance in the laboratory reads, as a share.
const WEIGHING_SD: f64 = 0.002;

/// What a line's birds are made of.
struct LineBody {
    fat_g_at_1_kg: f64,
    bone_g_at_1_kg: f64,
    feather_share_at_hatch: f64,
}

/// In the order of [`LINES`].
const BODIES: [LineBody; 3] = [
    LineBody {
        fat_g_at_1_kg: 92.0,
        bone_g_at_1_kg: 33.0,
        feather_share_at_hatch: 0.036,
    },
    LineBody {
        fat_g_at_1_kg: 82.0,
        bone_g_at_1_kg: 34.5,
        feather_share_at_hatch: 0.040,
    },
    LineBody {
        fat_g_at_1_kg: 104.0,
        bone_g_at_1_kg: 32.0,
        feather_share_at_hatch: 0.038,
    },
];

/// What makes one bird unlike another of its line and weight: factors round 1.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Makeup {
    fatness: f64,
    frame: f64,
    plumage: f64,
}

impl Makeup {
    pub(crate) fn draw(rng: &mut ChaCha8Rng) -> Self {
        let mut factor = |sd: f64| {
            let normal: f64 = StandardNormal.sample(rng);
            (sd * normal).exp()
        };
        Self {
            fatness: factor(0.15),
            frame: factor(0.05),
            plumage: factor(0.06),
        }
    }
}

/// Fat, lean and bone of a line's typical bird at an age, g.
pub(crate) fn typical(design: &Design, line: usize, terms: &Terms, age_d: u32) -> [f64; 3] {
    let makeup = Makeup {
        fatness: 1.0,
        frame: 1.0,
        plumage: 1.0,
    };
    Masses::on((design, line), terms, makeup, age_d).tissues_g()
}

/// True masses of one bird at one age, g; fat, lean and bone without the feathers.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Masses {
    pub(crate) fat_g: f64,
    pub(crate) lean_g: f64,
    pub(crate) bone_g: f64,
    pub(crate) feathers_g: f64,
}

impl Masses {
    pub(crate) fn of(design: &Design, bird: &Bird, makeup: Makeup, age_d: u32) -> Self {
        Self::on((design, bird.line), &bird.terms, makeup, age_d)
    }

    fn on((design, line): (&Design, usize), terms: &Terms, makeup: Makeup, age_d: u32) -> Self {
        let age_d = f64::from(age_d);
        let line = &BODIES[line];
        let weight_g = terms.weight_g(age_d);
        let share = (line.feather_share_at_hatch + FEATHER_SHARE_PER_D * age_d) * makeup.plumage;
        let feathers_g = weight_g * share;
        let body_g = weight_g - feathers_g;
        let allometry = |at_1_kg: f64, exponent: f64| at_1_kg * (body_g / 1000.0).powf(exponent);
        let bend = match design.fat_bends {
            Some((at_g, exponent)) => (body_g / at_g).max(1.0).powf(exponent - FAT_EXPONENT),
            None => 1.0,
        };
        let fat_g = allometry(line.fat_g_at_1_kg, FAT_EXPONENT) * makeup.fatness * bend;
        let bone_g = allometry(line.bone_g_at_1_kg, BONE_EXPONENT) * makeup.frame;
        Self {
            fat_g,
            lean_g: body_g - fat_g - bone_g,
            bone_g,
            feathers_g,
        }
    }

    pub(crate) fn body_g(&self) -> f64 {
        self.fat_g + self.lean_g + self.bone_g
    }

    pub(crate) fn weight_g(&self) -> f64 {
        self.body_g() + self.feathers_g
    }

    /// Fat, lean, bone.
    pub(crate) fn tissues_g(&self) -> [f64; 3] {
        [self.fat_g, self.lean_g, self.bone_g]
    }
}

/// The analysed birds: body and feathers of each, percentages of the fresh part.
pub(crate) fn chemistry_table(rng: &mut ChaCha8Rng, analysed: &[(&str, Masses)]) -> String {
    let mut text = "bird,part,mass_g,dry_matter_pct,crude_protein_pct,fat_pct,ash_pct\n".to_owned();
    let mut row = |bird: &str, part: &str, mass_g: f64, percent: [f64; 4], sd: [f64; 4]| {
        let mut normal = || -> f64 { StandardNormal.sample(rng) };
        let mass_g = mass_g * (1.0 + WEIGHING_SD * normal());
        write!(text, "{bird},{part},{mass_g:.1}").expect("writing to a string");
        for (percent, sd) in percent.into_iter().zip(sd) {
            write!(text, ",{:.2}", percent + sd * normal()).expect("writing to a string");
        }
        text.push('\n');
    };
    for (bird, masses) in analysed {
        let percent = |part_g: f64| 100.0 * part_g / masses.body_g();
        let protein_g = PROTEIN_OF_LEAN * masses.lean_g;
        let solids_g = protein_g + masses.fat_g + masses.bone_g;
        let found = [solids_g, protein_g, masses.fat_g, masses.bone_g].map(percent);
        row(bird, "body", masses.body_g(), found, [0.2, 0.2, 0.12, 0.04]);
        // Of all feathers alike: hardly anything but dry keratin.
        let found = [90.0, 87.0, 1.6, 1.1];
        row(
            bird,
            "feathers",
            masses.feathers_g,
            found,
            [0.5, 0.5, 0.2, 0.1],
        );
    }
    text
}

/// Masses at each scan of a single bird, and what they follow from.
pub(crate) fn truth_table(rows: &[(&Bird, u32, Masses)]) -> String {
    let mut text = "strain,bird,age_d,weight_g,fat_g,lean_g,bone_g,feathers_g\n".to_owned();
    for (bird, age_d, masses) in rows {
        let [fat_g, lean_g, bone_g] = masses.tissues_g();
        writeln!(
            text,
            "{},{},{age_d},{:.4},{fat_g:.4},{lean_g:.4},{bone_g:.4},{:.4}",
            LINES[bird.line].name,
            bird.name,
            masses.weight_g(),
            masses.feathers_g
        )
        .expect("writing to a string");
    }
    text
}
