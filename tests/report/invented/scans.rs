//! Invented results of scans and chemistry for the pictures.

use super::Numbers;
use pinfeather::figure::*;

pub(crate) const STRAINS: [&str; 3] = ["Line A", "Line B", "Line C"];

fn quantity(name: &str, unit: &str) -> Quantity {
    Quantity {
        name: name.into(),
        unit: unit.into(),
    }
}

/// Fat by chemistry, read and fitted, of 14 carcasses a strain: (chemistry, read, fitted).
fn carcasses() -> Vec<Vec<(f64, f64, f64)>> {
    let mut numbers = Numbers(11);
    (0..STRAINS.len())
        .map(|s| {
            (0..14)
                .map(|i| {
                    let fat_g = 20.0 + 22.0 * i as f64 + 6.0 * numbers.normal();
                    let read = 45.0 + 1.18 * fat_g + 12.0 * s as f64 + 14.0 * numbers.normal();
                    (fat_g.max(8.0), read, fat_g + 9.0 * numbers.normal())
                })
                .collect()
        })
        .collect()
}

fn strains(place: impl Fn(&(f64, f64, f64)) -> (f64, f64)) -> Vec<StrainPoints> {
    carcasses()
        .iter()
        .zip(STRAINS)
        .map(|(rows, strain)| StrainPoints {
            name: strain.into(),
            birds: rows.len(),
            left_out: 0,
            points: rows
                .iter()
                .enumerate()
                .map(|(i, row)| {
                    let (x, y) = place(row);
                    NamedPoint {
                        name: format!("{strain}-{i}"),
                        x,
                        y,
                    }
                })
                .collect(),
        })
        .collect()
}

pub(crate) fn calibration() -> Identity {
    Identity {
        observed: quantity("Fat by chemistry", "g"),
        line: "Deming regression".into(),
        note: String::new(),
        panels: vec![
            IdentityPanel {
                name: "Before".into(),
                across: quantity("Fat read", "g"),
                fact: "bias 84.2 g, concordance 0.71".into(),
                line: vec![(80.0, 17.0), (440.0, 322.0)],
                strains: strains(|r| (r.1, r.0)),
            },
            IdentityPanel {
                name: "After".into(),
                across: quantity("Fat fitted", "g"),
                fact: "bias 0.3 g, concordance 0.99".into(),
                line: Vec::new(),
                strains: strains(|r| (r.2, r.0)),
            },
        ],
        frame: Frame {
            letter: Some('a'),
            ..Frame::default()
        },
    }
}

pub(crate) fn bland_altman() -> BlandAltman {
    let level = |value: f64, half: f64| {
        let ranged = Ranged {
            value,
            lower: value - half,
            upper: value + half,
        };
        vec![(20.0, ranged), (300.0, ranged)]
    };
    let along = |at_30: f64, at_360: f64| {
        let at = |value| Ranged {
            value,
            ..Ranged::NONE
        };
        vec![(30.0, at(at_30)), (360.0, at(at_360))]
    };
    BlandAltman {
        mean: quantity("Mean of scan and chemistry", "g"),
        difference: quantity("Scan − chemistry", "g"),
        limits: "95 % limits of agreement".into(),
        interval: "95 % confidence intervals".into(),
        panels: vec![
            AgreementPanel {
                name: "Before".into(),
                strains: strains(|r| (0.5 * (r.0 + r.1), r.1 - r.0)),
                fact: "difference +0.18 g per g".into(),
                bias: along(48.0, 108.0),
                lower_limit: along(15.0, 75.0),
                upper_limit: along(81.0, 141.0),
            },
            AgreementPanel {
                name: "After".into(),
                strains: strains(|r| (0.5 * (r.0 + r.2), r.2 - r.0)),
                fact: "bias +0.3 g, limits −17.5 to +18.1 g".into(),
                bias: level(0.3, 2.8),
                lower_limit: level(-17.5, 4.8),
                upper_limit: level(18.1, 4.8),
            },
        ],
        frame: Frame {
            letter: Some('a'),
            ..Frame::default()
        },
    }
}

pub(crate) fn method_precision() -> MethodPrecision {
    let ranged = |&(value, lower, upper): &(f64, f64, f64)| Ranged {
        value,
        lower,
        upper,
    };
    let panel = |name: &str, values: &[(f64, f64, f64)]| RowsPanel {
        name: name.into(),
        quantity: quantity("RMS SD", "g"),
        values: values.iter().map(ranged).collect(),
        words: Vec::new(),
    };
    let methods = [
        ("Cone", 24),
        ("Cone, plucked", 12),
        ("Gas anaesthesia", 18),
        ("Group of four", 9),
    ];
    MethodPrecision {
        methods: methods
            .iter()
            .map(|&(name, df)| Method {
                name: name.into(),
                df,
            })
            .collect(),
        panels: vec![
            panel(
                "Fat",
                &[
                    (11.2, 8.7, 15.6),
                    (6.1, 4.4, 10.1),
                    (4.8, 3.6, 7.1),
                    (9.0, 6.2, 16.4),
                ],
            ),
            panel(
                "Lean",
                &[
                    (18.9, 14.8, 26.3),
                    (12.2, 8.7, 20.1),
                    (9.4, 7.1, 13.9),
                    (14.0, 9.6, 25.6),
                ],
            ),
            panel(
                "Bone",
                &[
                    (1.2, 0.94, 1.67),
                    (0.8, 0.57, 1.32),
                    (0.7, 0.53, 1.04),
                    (f64::NAN, f64::NAN, f64::NAN),
                ],
            ),
        ],
        interval: "95 % chi-squared intervals".into(),
        frame: Frame::default(),
    }
}

pub(crate) fn feather_share() -> ByAge {
    let mut numbers = Numbers(5);
    let share = |age_d: f64, s: usize| {
        4.0 + 4.6 * (1.0 - (-age_d / 45.0).exp()) - 0.008 * age_d + 0.5 * s as f64
    };
    let strains = STRAINS.iter().enumerate().map(|(s, name)| {
        let mut lines = Vec::new();
        for age_d in [14.0, 42.0, 77.0, 112.0, 140.0] {
            for i in 0..4 {
                let value = share(age_d, s) + 0.35 * numbers.normal();
                lines.push(BirdLine {
                    name: format!("{name}-{age_d}-{i}"),
                    points: vec![(age_d, value)],
                });
            }
        }
        StrainByAge {
            name: (*name).into(),
            place: s,
            birds: lines.len(),
            lines,
            curve: (14..=140)
                .step_by(3)
                .map(|d| {
                    let (age_d, half) = (f64::from(d), 0.14 + 0.0012 * (f64::from(d) - 77.0).abs());
                    let value = share(age_d, s);
                    BandPoint {
                        age_d,
                        value,
                        lower: value - half,
                        upper: value + half,
                    }
                })
                .collect(),
            ..StrainByAge::default()
        }
    });
    ByAge {
        quantity: quantity("Feathers in body mass", "%"),
        layout: Layout::Facets,
        curve: "allometry on body mass".into(),
        band: "95 % pointwise confidence band".into(),
        strains: strains.collect(),
        ..ByAge::default()
    }
}

pub(crate) fn body_parts() -> BodyParts {
    let strains = STRAINS.iter().enumerate().map(|(s, name)| {
        let size = 1.0 - 0.1 * s as f64;
        StrainParts {
            name: (*name).into(),
            birds: 20,
            ages: (0..=10)
                .map(|i| {
                    let age_d = 14.0 * f64::from(i);
                    let grown = (-(3.4 * (-age_d / 45.0f64).exp())).exp() * size;
                    let values = vec![
                        25.0 * grown + 190.0 * grown.powi(3),
                        1080.0 * grown,
                        62.0 * grown,
                        120.0 * grown,
                    ];
                    PartsAt { age_d, values }
                })
                .collect(),
        }
    });
    BodyParts {
        quantity: quantity("Mass", "g"),
        parts: ["Fat", "Lean", "Bone", "Feathers"].map(Into::into).to_vec(),
        values: "strain curves of the corrected masses".into(),
        strains: strains.collect(),
        ..BodyParts::default()
    }
}

pub(crate) fn residual_panels() -> ResidualPanels {
    let named = |across: &str| Across::Named(across.into());
    let panel = |across, up: &str, reference, strains| ResidualPanel {
        across,
        up: up.into(),
        reference,
        strains,
        means: Vec::new(),
    };
    let zero = ResidualLine::Zero;
    ResidualPanels {
        of: "fat_chem on fat_scan, age and strain".into(),
        panels: vec![
            panel(
                named("Fitted fat (g)"),
                "Residual (g)",
                zero,
                strains(|r| (r.2, r.0 - r.2)),
            ),
            panel(
                Across::Age,
                "Residual (g)",
                zero,
                strains(|r| ((r.0 / 60.0).round() * 28.0, r.0 - r.2)),
            ),
            panel(
                named("Body weight (g)"),
                "Residual (g)",
                zero,
                strains(|r| (5.0 * r.0 + 150.0, r.0 - r.2)),
            ),
            panel(
                named("Normal quantile"),
                "Studentised residual",
                ResidualLine::Equality,
                strains(|r| ((r.0 - r.2) / 9.5, (r.0 - r.2) / 9.0)),
            ),
        ],
        frame: Frame {
            letter: Some('a'),
            ..Frame::default()
        },
    }
}
