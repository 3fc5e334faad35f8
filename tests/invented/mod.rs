//! An invented flock for the pictures: two-phase growth from hatch to 24 weeks,
//! weekly weighings, made by a small generator with a fixed seed.

use pinfeather::figure::*;

/// Invented strains with birds that follow two summed gompertz curves.
pub struct Flock {
    strains: Vec<Strain>,
}

struct Strain {
    name: String,
    scale: f64,
    birds: Vec<BirdLine>,
}

/// Linear congruential numbers (constants of Knuth's MMIX), for a test only.
struct Numbers(u64);

impl Numbers {
    fn uniform(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// About normal: the sum of twelve uniforms, less six.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

fn weight_g(age_d: f64, scale: f64) -> f64 {
    let phase = |a: f64, k: f64, ti: f64| a * (-(-k * (age_d - ti)).exp()).exp();
    scale * (phase(1520.0, 0.0245, 52.0) + phase(330.0, 0.11, 136.0))
}

fn slope_g_per_d(age_d: f64, scale: f64) -> f64 {
    (weight_g(age_d + 0.01, scale) - weight_g(age_d - 0.01, scale)) / 0.02
}

fn body_weight() -> Quantity {
    Quantity {
        name: "Body weight".into(),
        unit: "g".into(),
    }
}

impl Flock {
    pub fn of(names: &[&str], birds: usize) -> Self {
        let mut numbers = Numbers(7);
        let strains = names.iter().enumerate().map(|(s, name)| {
            let scale = 1.0 - 0.11 * (s % 4) as f64 + 0.03 * (s / 4) as f64;
            let birds = (0..birds).map(|b| {
                let own = scale * (1.0 + 0.06 * numbers.normal());
                let weeks = if numbers.uniform() < 0.07 { 15 } else { 24 };
                let points = (0..=weeks).map(|week| {
                    let age_d = 7.0 * f64::from(week);
                    let value = weight_g(age_d, own) * (1.0 + 0.02 * numbers.normal());
                    (age_d, value.max(30.0))
                });
                BirdLine {
                    name: format!("{name}-{:02}", b + 1),
                    points: points.collect(),
                }
            });
            Strain {
                name: (*name).to_owned(),
                scale,
                birds: birds.collect(),
            }
        });
        Self {
            strains: strains.collect(),
        }
    }

    pub fn growth(&self, layout: Layout) -> Growth {
        Growth {
            quantity: body_weight(),
            layout,
            curve: "two-phase gompertz".into(),
            band: "95 % pointwise confidence band".into(),
            strains: self
                .strains
                .iter()
                .map(|s| StrainGrowth {
                    name: s.name.clone(),
                    birds: s.birds.len(),
                    lines: s.birds.clone(),
                    curve: curve(s.scale, 0.028),
                    standing: Standing::Sound,
                })
                .collect(),
            ..Growth::default()
        }
    }
}

fn curve(scale: f64, width: f64) -> Vec<BandPoint> {
    (0..=84)
        .map(|i| {
            let age_d = 2.0 * f64::from(i);
            let value = weight_g(age_d, scale);
            BandPoint {
                age_d,
                value,
                lower: value * (1.0 - width),
                upper: value * (1.0 + width),
            }
        })
        .collect()
}
