//! An invented flock for the pictures: two-phase growth from hatch to 24 weeks,
//! weekly weighings, made by a small generator with a fixed seed.

pub(crate) mod contrasts;
pub(crate) mod lay;
pub(crate) mod scans;

use pinfeather::figure::*;

/// Invented strains with birds that follow two summed gompertz curves.
pub(crate) struct Flock {
    strains: Vec<Strain>,
    step: usize,
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
    /// Weekly weighings.
    pub(crate) fn of(names: &[&str], birds: usize) -> Self {
        Self::every(names, birds, 1)
    }

    /// A weighing every `step` weeks.
    pub(crate) fn every(names: &[&str], birds: usize, step: usize) -> Self {
        let mut numbers = Numbers(7);
        let strains = names.iter().enumerate().map(|(s, name)| {
            let scale = 1.0 - 0.11 * (s % 4) as f64 + 0.03 * (s / 4) as f64;
            let birds = (0..birds).map(|b| {
                let own = scale * (1.0 + 0.06 * numbers.normal());
                let weeks = if numbers.uniform() < 0.07 { 15 } else { 24 };
                let points = (0..=weeks).step_by(step).map(|week| {
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
            step,
            strains: strains.collect(),
        }
    }

    pub(crate) fn growth(&self, layout: Layout) -> Growth {
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

    /// A panel a bird; every seventh fit is weak, every eleventh failed.
    pub(crate) fn birds(&self) -> BirdPanels {
        let birds = self.strains.iter().enumerate().flat_map(|(s, strain)| {
            strain.birds.iter().enumerate().map(move |(b, bird)| {
                let own = bird.points.iter().map(|p| p.1).sum::<f64>()
                    / bird.points.iter().map(|p| weight_g(p.0, 1.0)).sum::<f64>();
                let standing = match b {
                    b if b % 11 == 5 => {
                        Standing::Failed("the last age lies before the inflection".into())
                    }
                    b if b % 7 == 2 => {
                        Standing::Weak("relative standard error of A2 is 0.81".into())
                    }
                    _ => Standing::Sound,
                };
                let failed = matches!(standing, Standing::Failed(_));
                BirdPanel {
                    name: bird.name.clone(),
                    strain: strain.name.clone(),
                    strain_index: s,
                    points: bird.points.clone(),
                    line: if failed { Vec::new() } else { curve(own, 0.03) },
                    standing,
                }
            })
        });
        BirdPanels {
            quantity: body_weight(),
            ages: AgeUnit::Weeks,
            curve: "two-phase gompertz".into(),
            band: "95 % pointwise confidence band".into(),
            birds: birds.collect(),
        }
    }

    pub(crate) fn rate(&self, layout: Layout) -> Rate {
        Rate {
            quantity: body_weight(),
            layout,
            curve: "two-phase gompertz".into(),
            band: "95 % pointwise confidence band".into(),
            strains: self
                .strains
                .iter()
                .map(|s| StrainRate {
                    name: s.name.clone(),
                    birds: s.birds.len(),
                    rate: (0..=84)
                        .map(|i| {
                            let age_d = 2.0 * f64::from(i);
                            let value = slope_g_per_d(age_d, s.scale);
                            BandPoint {
                                age_d,
                                value,
                                lower: 0.94 * value - 0.1,
                                upper: 1.06 * value + 0.1,
                            }
                        })
                        .collect(),
                    standing: Standing::Sound,
                })
                .collect(),
            ..Rate::default()
        }
    }

    /// Against a target 3 percent under the first strain.
    pub(crate) fn deviation(&self, layout: Layout) -> Deviations {
        let strains = self.strains.iter().map(|s| {
            let target = |age_d: f64| weight_g(age_d, 0.97 * s.scale) * (1.0 + 0.0004 * age_d);
            let percent = |p: &(f64, f64)| (p.0, 100.0 * (p.1 / target(p.0) - 1.0));
            let lines: Vec<BirdLine> = s
                .birds
                .iter()
                .map(|b| BirdLine {
                    name: b.name.clone(),
                    points: b.points.iter().map(percent).collect(),
                })
                .collect();
            let mean = (0..=24).step_by(self.step).map(|week| {
                let age_d = 7.0 * f64::from(week);
                let at: Vec<f64> = lines
                    .iter()
                    .flat_map(|l| &l.points)
                    .filter(|p| (p.0 - age_d).abs() < 0.5)
                    .map(|p| p.1)
                    .collect();
                let n = at.len() as f64;
                let mean = at.iter().sum::<f64>() / n;
                let ss: f64 = at.iter().map(|v| (v - mean).powi(2)).sum();
                let half = 2.1 * (ss / (n - 1.0) / n).sqrt();
                BandPoint {
                    age_d,
                    value: mean,
                    lower: mean - half,
                    upper: mean + half,
                }
            });
            StrainDeviation {
                name: s.name.clone(),
                birds: s.birds.len(),
                mean: mean.collect(),
                band: vec![(0.0, -10.0, 10.0), (42.0, -6.0, 6.0), (168.0, -5.0, 5.0)],
                lines: if layout == Layout::Facets {
                    lines
                } else {
                    Vec::new()
                },
            }
        });
        Deviations {
            layout,
            points: "strain means".into(),
            interval: "95 % confidence interval of the mean".into(),
            strains: strains.collect(),
            ..Deviations::default()
        }
    }

    pub(crate) fn residuals(&self) -> Residuals {
        Residuals {
            quantity: body_weight(),
            label: "Residual (g)".into(),
            curve: "two-phase gompertz".into(),
            smooth: "running means".into(),
            strains: self
                .strains
                .iter()
                .map(|s| StrainResiduals {
                    name: s.name.clone(),
                    residuals: s
                        .birds
                        .iter()
                        .flat_map(|b| b.points.iter().map(|p| (&b.name, *p)))
                        .map(|(bird, (age_d, value))| {
                            let fitted = weight_g(age_d, s.scale);
                            Residual {
                                bird: bird.clone(),
                                age_d,
                                fitted,
                                residual: value - fitted,
                            }
                        })
                        .collect(),
                    smooth_by_age: (0..=24)
                        .map(|w| (7.0 * f64::from(w), 6.0 * (f64::from(w) * 0.5).sin()))
                        .collect(),
                    smooth_by_fitted: (0..=24)
                        .map(|w| {
                            let age_d = 7.0 * f64::from(w);
                            (weight_g(age_d, s.scale), 6.0 * (f64::from(w) * 0.5).sin())
                        })
                        .collect(),
                })
                .collect(),
            ..Residuals::default()
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
