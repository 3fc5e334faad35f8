//! Invented results of mixed fits and contrasts for the pictures.

use super::scans::STRAINS;
use super::{Numbers, body_weight, weight_g};
use pinfeather::figure::*;

pub(crate) fn forest() -> Forest {
    let ranged = |&(value, half): &(f64, f64)| Ranged {
        value,
        lower: value - half,
        upper: value + half,
    };
    let panel = |name: &str, unit: &str, values: [(f64, f64); 3], p: [&str; 3]| RowsPanel {
        name: name.into(),
        quantity: Quantity {
            name: "Difference".into(),
            unit: unit.into(),
        },
        values: values.iter().map(ranged).collect(),
        words: p.map(|p| format!("P {p}")).to_vec(),
    };
    Forest {
        of: "body weight".into(),
        contrasts: ["Line B − Line A", "Line C − Line A", "Line C − Line B"]
            .map(Into::into)
            .to_vec(),
        panels: vec![
            panel(
                "Asymptote",
                "g",
                [(-182.0, 64.0), (-391.0, 70.0), (-209.0, 71.0)],
                ["< 0.001", "< 0.001", "< 0.001"],
            ),
            panel(
                "Growth rate",
                "1/d",
                [(0.0004, 0.0011), (0.0017, 0.0012), (0.0013, 0.0012)],
                ["= 0.81", "= 0.006", "= 0.041"],
            ),
            panel(
                "Inflection",
                "d",
                [(-1.2, 2.1), (-3.9, 2.2), (f64::NAN, f64::NAN)],
                ["= 0.34", "= 0.002", ""],
            ),
        ],
        interval: "95 % intervals of all comparisons together".into(),
        p_value: "adjusted as the bars are".into(),
        frame: Frame {
            letter: Some('a'),
            ..Frame::default()
        },
    }
}

pub(crate) fn difference_band() -> DifferenceBand {
    let pair = |name: &str, first: f64, second: f64, differ_d| StrainPair {
        name: name.into(),
        difference: (0..=56)
            .map(|i| {
                let age_d = 3.0 * f64::from(i);
                let value = weight_g(age_d, second) - weight_g(age_d, first);
                let half = 4.0 + 0.25 * age_d;
                DifferencePoint {
                    age_d,
                    value,
                    lower: value - half,
                    upper: value + half,
                    simultaneous_lower: value - 1.5 * half,
                    simultaneous_upper: value + 1.5 * half,
                }
            })
            .collect(),
        differ_d,
    };
    DifferenceBand {
        quantity: Quantity {
            name: "Difference in body weight".into(),
            unit: "g".into(),
        },
        pointwise: "95 % pointwise band".into(),
        simultaneous: "95 % simultaneous band".into(),
        pairs: vec![
            pair("Line B − Line A", 1.0, 0.97, vec![]),
            pair("Line C − Line A", 1.0, 0.89, vec![(31.0, 168.0)]),
            pair(
                "Line C − Line B",
                0.97,
                0.91,
                vec![(36.0, 62.0), (84.0, 168.0)],
            ),
        ],
        ..DifferenceBand::default()
    }
}

pub(crate) fn random_pairs() -> RandomPairs {
    let mut numbers = Numbers(23);
    let strains = STRAINS.iter().map(|name| StrainEffects {
        name: (*name).into(),
        birds: (0..20)
            .map(|i| {
                let (a, b, c) = (numbers.normal(), numbers.normal(), numbers.normal());
                let effects = vec![85.0 * a, 0.0012 * (b - 0.5 * a), 2.2 * (0.6 * a + 0.8 * c)];
                (format!("{name}-{i}"), effects)
            })
            .collect(),
    });
    RandomPairs {
        terms: ["A (g)", "k (1/d)", "ti (d)"].map(Into::into).to_vec(),
        values: "conditional modes".into(),
        strains: strains.collect(),
        correlations: vec![vec![1.0], vec![-0.44, 1.0], vec![0.58, -0.21, 1.0]],
        frame: Frame::default(),
    }
}

pub(crate) fn profile() -> Profile {
    let term = |name: &str, unit: &str, (at, spread, level): (f64, f64, f64)| {
        // Where it is given, the likelihood levels off at `level` above the estimate.
        let fall = |z: f64| {
            if level > 0.0 && z > 0.0 {
                level * (1.0 - (-z * z / level).exp())
            } else {
                z * z
            }
        };
        ProfileTerm {
            term: Quantity {
                name: name.into(),
                unit: unit.into(),
            },
            name: "Line A".into(),
            points: (-40..=40)
                .map(|i| f64::from(i) / 10.0)
                .map(|z| (at + spread * z, fall(z)))
                .collect(),
            estimate: Ranged {
                value: at,
                lower: at - 1.96 * spread,
                upper: if level > 0.0 {
                    f64::NAN
                } else {
                    at + 1.96 * spread
                },
            },
        }
    };
    Profile {
        measure: "Twice the fall in log-likelihood".into(),
        cut_off: 3.841,
        cut_off_words: "95 % (chi-squared, 1 df)".into(),
        terms: vec![
            term("A", "g", (1850.0, 22.0, 3.1)),
            term("k", "1/d", (0.0242, 0.0006, 0.0)),
            term("ti", "d", (54.3, 0.9, 0.0)),
        ],
        frame: Frame {
            letter: Some('a'),
            ..Frame::default()
        },
    }
}

pub(crate) fn population() -> ByAge {
    let mut numbers = Numbers(3);
    let strains = STRAINS.iter().enumerate().map(|(s, name)| {
        let scale = 1.0 - 0.11 * s as f64;
        let curve = |own: f64| -> Vec<(f64, f64)> {
            (0..=56)
                .map(|i| 3.0 * f64::from(i))
                .map(|age_d| (age_d, weight_g(age_d, own)))
                .collect()
        };
        StrainByAge {
            name: (*name).into(),
            place: s,
            birds: 20,
            lines: (0..20)
                .map(|i| BirdLine {
                    name: format!("{name}-{i}"),
                    points: curve(scale * (1.0 + 0.06 * numbers.normal())),
                })
                .collect(),
            curve: curve(scale)
                .into_iter()
                .map(|(age_d, value)| BandPoint {
                    age_d,
                    value,
                    lower: 0.97 * value,
                    upper: 1.03 * value,
                })
                .collect(),
            ..StrainByAge::default()
        }
    });
    ByAge {
        quantity: body_weight(),
        layout: Layout::Facets,
        birds: Birds::Lines,
        curve: "two-phase gompertz".into(),
        band: "95 % simultaneous band".into(),
        strains: strains.collect(),
        ..ByAge::default()
    }
}
