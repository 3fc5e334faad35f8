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

    pub(crate) fn growth(&self, layout: Layout) -> ByAge {
        ByAge {
            strains: self
                .each()
                .map(|(strain, own)| StrainByAge {
                    lines: own.birds.clone(),
                    curve: curve(own.scale, 0.028),
                    ..strain
                })
                .collect(),
            ..two_phase(body_weight(), layout)
        }
    }

    /// The strains with their places and numbers of birds.
    fn each(&self) -> impl Iterator<Item = (StrainByAge, &Strain)> {
        self.strains.iter().enumerate().map(|(place, own)| {
            let strain = StrainByAge {
                name: own.name.clone(),
                place,
                birds: own.birds.len(),
                ..StrainByAge::default()
            };
            (strain, own)
        })
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
        let birds: Vec<BirdPanel> = birds.collect();
        let drawn = BirdPanels::drawn_of(birds.len());
        BirdPanels {
            quantity: body_weight(),
            frame: Frame {
                ages: AgeUnit::Weeks,
                ..Frame::default()
            },
            curve: "two-phase Gompertz".into(),
            band: "95 % pointwise confidence band".into(),
            with: birds.len(),
            birds: drawn.map(|at| birds[at].clone()).collect(),
            without: 0,
        }
    }

    pub(crate) fn rate(&self, layout: Layout) -> ByAge {
        let rate = |scale: f64| {
            (0..=84).map(move |i| {
                let age_d = 2.0 * f64::from(i);
                let value = slope_g_per_d(age_d, scale);
                BandPoint {
                    age_d,
                    value,
                    lower: 0.94 * value - 0.1,
                    upper: 1.06 * value + 0.1,
                }
            })
        };
        let quantity = Quantity {
            name: "Rate of gain".into(),
            unit: "g/d".into(),
        };
        ByAge {
            strains: self
                .each()
                .map(|(strain, own)| StrainByAge {
                    curve: rate(own.scale).collect(),
                    ..strain
                })
                .collect(),
            ..two_phase(quantity, layout)
        }
    }

    /// Against a target 3 percent under the first strain.
    pub(crate) fn deviation(&self, layout: Layout) -> ByAge {
        let strains = self.each().map(|(strain, own)| {
            let target = |age_d: f64| weight_g(age_d, 0.97 * own.scale) * (1.0 + 0.0004 * age_d);
            let percent = |p: &(f64, f64)| (p.0, 100.0 * (p.1 / target(p.0) - 1.0));
            let lines: Vec<BirdLine> = own
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
            let band = [(0.0, 10.0), (42.0, 6.0), (168.0, 5.0)];
            StrainByAge {
                curve: mean.collect(),
                target: band
                    .map(|(age_d, half)| BandPoint {
                        age_d,
                        value: 0.0,
                        lower: -half,
                        upper: half,
                    })
                    .to_vec(),
                lines: match layout {
                    Layout::Facets => lines,
                    Layout::Overlaid => Vec::new(),
                },
                ..strain
            }
        });
        ByAge {
            quantity: Quantity {
                name: "Deviation from target".into(),
                unit: "%".into(),
            },
            layout,
            birds: Birds::Lines,
            curve: "means".into(),
            band: "95 % confidence interval of the mean".into(),
            target: "target and its band".into(),
            means: true,
            strains: strains.collect(),
            ..ByAge::default()
        }
    }

    pub(crate) fn residuals(&self) -> ResidualPanels {
        let panel = |across, x: &dyn Fn(f64, f64) -> f64| ResidualPanel {
            across,
            up: "Residual (g)".into(),
            reference: ResidualLine::Zero,
            strains: self
                .strains
                .iter()
                .map(|s| StrainPoints {
                    name: s.name.clone(),
                    birds: s.birds.len(),
                    left_out: 0,
                    points: s
                        .birds
                        .iter()
                        .flat_map(|b| b.points.iter().map(|p| (&b.name, *p)))
                        .map(|(bird, (age_d, value))| {
                            let fitted = weight_g(age_d, s.scale);
                            NamedPoint {
                                name: bird.clone(),
                                x: x(age_d, fitted),
                                y: value - fitted,
                            }
                        })
                        .collect(),
                })
                .collect(),
            means: (0..=24)
                .map(|w| (7.0 * f64::from(w), 6.0 * (f64::from(w) * 0.5).sin()))
                .collect(),
        };
        ResidualPanels {
            of: "body weight by the two-phase Gompertz".into(),
            panels: vec![
                panel(Across::Age, &|age_d, _| age_d),
                panel(Across::Named("Fitted (g)".into()), &|_, fitted| fitted),
            ],
            frame: Frame::default(),
        }
    }
}

fn two_phase(quantity: Quantity, layout: Layout) -> ByAge {
    ByAge {
        quantity,
        layout,
        curve: "two-phase Gompertz".into(),
        band: "95 % pointwise confidence band".into(),
        ..ByAge::default()
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
