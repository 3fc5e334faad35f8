//! Invented forecasts, first eggs and designs for the pictures.

use super::scans::STRAINS;
use super::{Numbers, body_weight, weight_g};
use pinfeather::figure::*;

pub(crate) fn forecast_fan() -> ForecastFan {
    let flocks = STRAINS.iter().enumerate().map(|(s, name)| {
        let scale = 1.0 - 0.05 * s as f64;
        let mean = |week: i32| {
            let age_d = 7.0 * f64::from(week);
            let value = weight_g(age_d, scale) * (1.0 + 0.008 * f64::from(week % 3 - 1));
            (age_d, value)
        };
        let last = if s == 0 { 14 } else { 11 };
        FlockForecast {
            name: (*name).into(),
            place: s,
            birds: 40,
            observed: (0..=last).map(mean).collect(),
            target: (0..=20)
                .map(|week| {
                    let age_d = 7.0 * f64::from(week);
                    let value = weight_g(age_d, 0.96);
                    BandPoint {
                        age_d,
                        value,
                        lower: 0.95 * value,
                        upper: 1.05 * value,
                    }
                })
                .collect(),
            forecast: (77..=140)
                .step_by(3)
                .map(|day| {
                    let age_d = f64::from(day);
                    let value = weight_g(age_d, scale);
                    let sd = 0.015 * value + 0.9 * (age_d - 77.0);
                    FanPoint {
                        age_d,
                        value,
                        intervals: [0.674, 1.282, 1.96]
                            .map(|z| (value - z * sd, value + z * sd))
                            .to_vec(),
                    }
                })
                .collect(),
            as_of_d: 77.0,
        }
    });
    ForecastFan {
        quantity: body_weight(),
        fan: "50, 80 and 95 % prediction intervals of the mean".into(),
        flocks: flocks.collect(),
        ..ForecastFan::default()
    }
}

pub(crate) fn uniformity() -> ByAge {
    let mut numbers = Numbers(17);
    let strains = STRAINS.iter().enumerate().map(|(place, name)| {
        let points = (1..=18).map(|week| {
            let value = 68.0 + 0.9 * f64::from(week) - 4.0 * place as f64 + 2.5 * numbers.normal();
            BandPoint {
                age_d: 7.0 * f64::from(week),
                value,
                lower: value - 11.0,
                upper: value + 9.0,
            }
        });
        StrainByAge {
            name: (*name).into(),
            place,
            birds: 60,
            curve: points.collect(),
            ..StrainByAge::default()
        }
    });
    ByAge {
        quantity: Quantity {
            name: "Birds within 10 % of the mean".into(),
            unit: "%".into(),
        },
        layout: Layout::Facets,
        curve: "share at each age".into(),
        band: "its 95 % interval".into(),
        means: true,
        strains: strains.collect(),
        frame: Frame {
            ages: AgeUnit::Weeks,
            ..Frame::default()
        },
        ..ByAge::default()
    }
}

pub(crate) fn lay_curve() -> LayCurve {
    let strains = STRAINS.iter().enumerate().map(|(s, name)| {
        let start = 128.0 + 5.0 * s as f64;
        let mut steps = vec![BandPoint {
            age_d: 112.0,
            value: 0.0,
            lower: 0.0,
            upper: 0.0,
        }];
        let birds = 20;
        for i in 1..=(birds - s) {
            let share = i as f64 / birds as f64;
            let value = 100.0 * share;
            let half = 196.0 * (share * (1.0 - share) / birds as f64).sqrt();
            steps.push(BandPoint {
                age_d: start + 22.0 * share + 9.0 * (share - 0.5).powi(3),
                value,
                lower: (value - half).max(0.0),
                upper: (value + half).min(100.0),
            });
        }
        LayStrain {
            start,
            steps,
            name,
            censored: (0..s).map(|i| 158.0 + 4.0 * i as f64).collect(),
        }
    });
    LayCurve {
        band: "95 % pointwise band".into(),
        strains: strains
            .map(|s| StrainLay {
                name: s.name.into(),
                birds: 20,
                half_d: Ranged {
                    value: s.start + 11.0,
                    lower: s.start + 6.5,
                    upper: s.start + 15.0,
                },
                steps: s.steps,
                censored_d: s.censored,
            })
            .collect(),
        ..LayCurve::default()
    }
}

struct LayStrain {
    start: f64,
    steps: Vec<BandPoint>,
    name: &'static str,
    censored: Vec<f64>,
}

pub(crate) fn value_at_first_egg() -> ValueAtFirstEgg {
    let mut numbers = Numbers(29);
    let mut panel = |name: &str, unit: &str, middle: f64, spread: f64| TraitAtFirstEgg {
        quantity: Quantity {
            name: name.into(),
            unit: unit.into(),
        },
        groups: (0..STRAINS.len())
            .map(|s| {
                let own = middle * (1.0 - 0.06 * s as f64);
                FirstEggGroup {
                    birds: (0..24 - s)
                        .map(|i| (format!("{s}-{i}"), own + spread * numbers.normal()))
                        .collect(),
                    quartiles: Ranged {
                        value: own,
                        lower: own - 0.67 * spread,
                        upper: own + 0.67 * spread,
                    },
                }
            })
            .collect(),
    };
    ValueAtFirstEgg {
        strains: STRAINS.map(Into::into).to_vec(),
        traits: vec![
            panel("Age", "d", 141.0, 6.0),
            panel("Body weight", "g", 1610.0, 95.0),
            panel("Fat", "g", 182.0, 38.0),
            panel("Lean", "g", 1180.0, 60.0),
        ],
        frame: Frame {
            letter: Some('a'),
            ..Frame::default()
        },
    }
}

pub(crate) fn predicted_observed() -> Identity {
    let mut numbers = Numbers(31);
    let mut panel = |name: &str, error_d: f64, fact: &str| {
        let strains = STRAINS.iter().enumerate().map(|(s, strain)| StrainPoints {
            name: (*strain).into(),
            birds: 20,
            left_out: 0,
            points: (0..20)
                .map(|i| {
                    let y = 138.0 + 4.0 * s as f64 + 7.0 * numbers.normal();
                    NamedPoint {
                        name: format!("{strain}-{i}"),
                        x: 142.0 + 0.8 * (y - 142.0) + error_d * numbers.normal(),
                        y,
                    }
                })
                .collect(),
        });
        IdentityPanel {
            name: name.into(),
            across: Quantity {
                name: "Predicted age".into(),
                unit: "days".into(),
            },
            fact: fact.into(),
            line: Vec::new(),
            strains: strains.collect(),
        }
    };
    Identity {
        observed: Quantity {
            name: "Observed age at first egg".into(),
            unit: "days".into(),
        },
        line: String::new(),
        note: "Covered: within the 95 % prediction interval.".into(),
        panels: vec![
            panel("As of 84 d", 6.5, "error 7.1 d, concordance 0.61"),
            panel("As of 126 d", 3.0, "error 3.8 d, concordance 0.79"),
        ],
        frame: Frame {
            letter: Some('a'),
            ..Frame::default()
        },
    }
}

pub(crate) fn precision_by_birds() -> Precision {
    let panel = |name: &str, label: &str, at_20: f64, wanted| PrecisionPanel {
        name: name.into(),
        label: label.into(),
        wanted: Some(wanted),
        designs: [("every 2 weeks", 1.0), ("every 4 weeks", 1.3)]
            .iter()
            .map(|&(design, worse)| {
                let at = |birds: f64| worse * at_20 * (20.0 / birds).sqrt();
                DesignPrecision {
                    name: design.into(),
                    expected: (3..=40)
                        .map(|i| 2.0 * f64::from(i))
                        .map(|b| (b, at(b)))
                        .collect(),
                    points: [10.0, 20.0, 40.0, 80.0]
                        .map(|birds| {
                            let value = 1.04 * at(birds);
                            let ranged = Ranged {
                                value,
                                lower: 0.94 * value,
                                upper: 1.06 * value,
                            };
                            (birds, ranged)
                        })
                        .to_vec(),
                }
            })
            .collect(),
    };
    Precision {
        title: "Precision by number of birds".into(),
        effort: "Birds".into(),
        expected: "expected information".into(),
        points: "500 simulated studies, bars: 95 % interval".into(),
        panels: vec![
            panel("Asymptote", "Standard error (g)", 31.0, 25.0),
            panel("Inflection", "Standard error (d)", 1.4, 1.0),
        ],
        frame: Frame {
            letter: Some('a'),
            ..Frame::default()
        },
    }
}

pub(crate) fn precision_by_cost() -> Precision {
    let panel = |name: &str, at_1000: f64, wanted| PrecisionPanel {
        name: name.into(),
        label: "Half width (%)".into(),
        wanted: Some(wanted),
        designs: [
            ("tube", 1.0),
            ("tube, 2 scans each", 0.9),
            ("crate of 3 birds", 0.8),
        ]
        .iter()
        .map(|&(way, worse)| {
            let at = |cost: f64| worse * at_1000 * (1000.0 / cost).sqrt();
            DesignPrecision {
                name: way.into(),
                expected: (3..=40)
                    .map(|i| 100.0 * f64::from(i))
                    .map(|cost| (cost, at(cost)))
                    .collect(),
                points: vec![(
                    2000.0 * worse,
                    Ranged {
                        value: at(2000.0 * worse),
                        ..Ranged::NONE
                    },
                )],
            }
        })
        .collect(),
    };
    Precision {
        title: "Precision by cost".into(),
        effort: "Cost (EUR)".into(),
        expected: "least half width for the cost".into(),
        points: "cheapest design that reaches all requirements".into(),
        panels: vec![
            panel("Fat: strain mean", 13.0, 9.0),
            panel("Lean: strain mean", 4.4, 3.0),
            panel("Fat: bird's curve", 17.0, 12.0),
        ],
        frame: pinfeather::figure::Frame {
            letter: Some('a'),
            ..pinfeather::figure::Frame::default()
        },
    }
}
