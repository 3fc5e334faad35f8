//! The figures of scans and equations: chemistry against readings, differences,
//! precision by method, composition of the body by age.

use std::collections::{BTreeMap, BTreeSet};

use crate::composition::Tissue;
use crate::composition::agreement::AgreementRow;
use crate::composition::calibration::Calibration as Fitted;
use crate::composition::feather_ages::FeatherAgeRow;
use crate::composition::repeatability::Repeatability;
use crate::composition::study_equations::Chosen;
use crate::composition::study_masses::StudyMasses;
use crate::figure::{
    AgreementPanel, BandPoint, BirdLine, BlandAltman, BodyParts, ByAge, Identity, IdentityPanel,
    Layout, Method, MethodPrecision, NamedPoint, PartsAt, Quantity, Ranged, RowsPanel, StrainByAge,
    StrainParts, StrainPoints,
};
use crate::report::paper::way_words;
use crate::report::pictures::{Drawn, Showing, capital, percent};
use crate::report::population_pictures::{One, residual_panels};
use crate::report::text::signed;
use crate::stats::Interval;
use crate::stats::agreement::ProportionalBias;
use crate::study::{Scan, Study};

/// The figures of the equations: for each, chemistry against the reading and against
/// the prediction without the bird, and the differences of both.
pub fn calibration_pictures(
    study: &Study,
    chosen: &[Chosen],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let scans = scans_by_row(study);
    for Chosen { calibration, .. } in chosen {
        let name = &calibration.equation.provenance.response;
        let Some(tissue) = Tissue::ALL.into_iter().find(|tissue| tissue.name() == name) else {
            continue;
        };
        let stages = calibration.agreement.iter().map(|row| {
            let points: Vec<Point> = calibration
                .rows
                .iter()
                .filter_map(|one| {
                    let scan = scans.get(&one.row)?;
                    let reading = match row.stage.as_str() {
                        "before" => tissue.reading(scan),
                        _ => one.observed - one.left_out_error?,
                    };
                    Some(Point {
                        strain: study.birds[*scan.birds.first()?].strain,
                        bird: one.bird.clone(),
                        chemistry: one.observed,
                        reading,
                    })
                })
                .collect();
            (row, points)
        });
        let stages: Vec<(&AgreementRow, Vec<Point>)> = stages.collect();
        identity(study, name, &stages, showing, drawn);
        bland_altman(study, name, &stages, showing, drawn);
    }
}

/// Residuals of each equation from several sides.
pub fn calibration_residual_pictures(
    study: &Study,
    chosen: &[Chosen],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let scans = scans_by_row(study);
    for Chosen { calibration, .. } in chosen {
        let name = &calibration.equation.provenance.response;
        if Tissue::ALL.iter().any(|tissue| tissue.name() == name) {
            residuals(study, calibration, name, &scans, showing, drawn);
        }
    }
}

fn scans_by_row(study: &Study) -> BTreeMap<u32, &Scan> {
    let rows = study.scans.rows.iter();
    rows.map(|scan| (scan.row, scan)).collect()
}

/// One row of a calibration: the chemical mass and the reading.
struct Point {
    strain: usize,
    bird: String,
    chemistry: f64,
    reading: f64,
}

fn grams(name: String) -> Quantity {
    Quantity {
        name,
        unit: "g".to_owned(),
    }
}

fn stage_name(row: &AgreementRow) -> String {
    match row.stage.as_str() {
        "before" => "Before",
        _ => "After (bird left out)",
    }
    .to_owned()
}

/// Points by strain, each placed by `place`.
fn by_strain(
    study: &Study,
    showing: &Showing,
    points: &[Point],
    place: impl Fn(&Point) -> (f64, f64),
) -> Vec<StrainPoints> {
    let strains = showing.overlaid(study).into_iter().map(|strain| {
        let mine: Vec<&Point> = points
            .iter()
            .filter(|point| point.strain == strain)
            .collect();
        let mut birds: Vec<&str> = mine.iter().map(|point| point.bird.as_str()).collect();
        birds.sort_unstable();
        birds.dedup();
        StrainPoints {
            name: study.strains[strain].clone(),
            birds: birds.len(),
            left_out: 0,
            points: mine
                .iter()
                .map(|point| {
                    let (x, y) = place(point);
                    NamedPoint {
                        name: point.bird.clone(),
                        x,
                        y,
                    }
                })
                .collect(),
        }
    });
    // One without points keeps its place, and the others their colours.
    strains.collect()
}

fn identity(
    study: &Study,
    name: &str,
    stages: &[(&AgreementRow, Vec<Point>)],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let panels = stages.iter().map(|(row, points)| {
        let across = match row.stage.as_str() {
            "before" => format!("{} read", capital(name)),
            _ => format!("{} predicted", capital(name)),
        };
        let (least, greatest) = points.iter().fold(
            (f64::INFINITY, f64::NEG_INFINITY),
            |(least, greatest), point| (least.min(point.chemistry), greatest.max(point.chemistry)),
        );
        // Deming's line is of the scan on the chemistry.
        let line = match (row.deming_slope, row.deming_intercept) {
            (Some(slope), Some(intercept)) => [least, greatest]
                .map(|chemistry| (intercept + slope * chemistry, chemistry))
                .to_vec(),
            _ => Vec::new(),
        };
        let concordance = row.concordance.map_or(String::new(), |coefficient| {
            format!(", concordance {coefficient:.3}")
        });
        IdentityPanel {
            name: stage_name(row),
            across: grams(across),
            fact: format!("bias {} g{concordance}", signed(row.bias, 1)),
            line,
            strains: by_strain(study, showing, points, |point| {
                (point.reading, point.chemistry)
            }),
        }
    });
    let figure = Identity {
        observed: grams(format!("{} by chemistry", capital(name))),
        line: "Deming regression".to_owned(),
        panels: panels.collect(),
        frame: showing.frame.clone(),
        ..Identity::default()
    };
    drawn.add(format!("calibration_{name}"), &figure, showing);
}

fn bland_altman(
    study: &Study,
    name: &str,
    stages: &[(&AgreementRow, Vec<Point>)],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let panels = stages.iter().map(|(row, points)| {
        let mean = |point: &Point| f64::midpoint(point.reading, point.chemistry);
        let (least, greatest) = points.iter().map(mean).fold(
            (f64::INFINITY, f64::NEG_INFINITY),
            |(least, greatest), mean| (least.min(mean), greatest.max(mean)),
        );
        let level = |value: f64, limits: Interval| {
            let ranged = Ranged {
                value,
                lower: limits.lower,
                upper: limits.upper,
            };
            vec![(least, ranged), (greatest, ranged)]
        };
        let along = |line: ProportionalBias, away: f64| {
            let at = |mean: f64| Ranged {
                value: line.at(mean) + away,
                ..Ranged::NONE
            };
            vec![(least, at(least)), (greatest, at(greatest))]
        };
        let (fact, bias, lower_limit, upper_limit) = match row.proportional_bias {
            Some(line) if line.is_proportional() => (
                format!("difference {} g per g", signed(line.slope, 2)),
                along(line, 0.0),
                along(line, -line.half_width),
                along(line, line.half_width),
            ),
            _ => (
                format!(
                    "bias {} g, limits {} to {} g",
                    signed(row.bias, 1),
                    signed(row.lower_limit, 1),
                    signed(row.upper_limit, 1)
                ),
                level(row.bias, row.bias_interval),
                level(row.lower_limit, row.lower_limit_interval),
                level(row.upper_limit, row.upper_limit_interval),
            ),
        };
        AgreementPanel {
            name: stage_name(row),
            fact,
            strains: by_strain(study, showing, points, |point| {
                (mean(point), point.reading - point.chemistry)
            }),
            bias,
            lower_limit,
            upper_limit,
        }
    });
    let figure = BlandAltman {
        mean: grams(format!("Mean of {name} by scan and by chemistry")),
        difference: grams("Scan − chemistry".to_owned()),
        limits: "95 % limits of agreement (along the mean where the bias is proportional)"
            .to_owned(),
        interval: format!("{} confidence intervals", percent(showing.confidence)),
        panels: panels.collect(),
        frame: showing.frame.clone(),
    };
    drawn.add(format!("bland_altman_{name}"), &figure, showing);
}

/// Studentised residuals of an equation from several sides.
fn residuals(
    study: &Study,
    calibration: &Fitted,
    name: &str,
    scans: &BTreeMap<u32, &Scan>,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let groups = showing.overlaid(study).into_iter().map(|strain| {
        let mut birds: BTreeSet<usize> = BTreeSet::new();
        let mine = calibration.rows.iter().filter_map(|row| {
            let scan = scans.get(&row.row)?;
            let bird = *scan.birds.first()?;
            let residual = row
                .studentised
                .filter(|_| study.birds[bird].strain == strain)?;
            birds.insert(bird);
            Some(One {
                name: &row.bird,
                age_d: scan.age_d,
                fitted: row.fitted,
                residual,
            })
        });
        let mine: Vec<One<'_>> = mine.collect();
        (study.strains[strain].clone(), birds.len(), mine)
    });
    let figure = residual_panels(
        (
            format!("{name} by chemistry on the equation's prediction"),
            format!("{} predicted (g)", capital(name)),
            "Studentised residual",
        ),
        &groups.collect::<Vec<_>>(),
        showing,
    );
    drawn.add(format!("calibration_residuals_{name}"), &figure, showing);
}

/// Share of feathers in the body by age and strain; none where no feathers were weighed.
pub fn feather_share_picture(
    study: &Study,
    rows: &[FeatherAgeRow],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let strains = showing.panels(study).map(|strain| {
        let name = &study.strains[strain];
        let own: Vec<&FeatherAgeRow> = rows.iter().filter(|row| row.strain == *name).collect();
        let shares = own
            .iter()
            .flat_map(|row| row.shares_pct.iter().map(|share| (row.age_d, *share)));
        StrainByAge {
            name: name.clone(),
            place: strain,
            birds: own.iter().map(|row| row.shares_pct.len()).sum(),
            lines: shares
                .map(|point| BirdLine {
                    name: name.clone(),
                    points: vec![point],
                })
                .collect(),
            curve: own
                .iter()
                .filter_map(|row| {
                    let limits = row.share_interval(showing.confidence);
                    Some(BandPoint {
                        age_d: row.age_d,
                        value: row.share_pct?.value,
                        lower: limits.map_or(f64::NAN, |limits| limits.lower),
                        upper: limits.map_or(f64::NAN, |limits| limits.upper),
                    })
                })
                .collect(),
            ..StrainByAge::default()
        }
    });
    let strains: Vec<StrainByAge> = strains.filter(|strain| !strain.lines.is_empty()).collect();
    if strains.is_empty() {
        return;
    }
    let figure = ByAge {
        quantity: Quantity {
            name: "Feathers in body mass".to_owned(),
            unit: "%".to_owned(),
        },
        layout: Layout::Facets,
        curve: "means at each age, joined".to_owned(),
        band: format!("{} intervals of the means", percent(showing.confidence)),
        strains,
        frame: showing.frame.clone(),
        ..ByAge::default()
    };
    drawn.add("feather_share".to_owned(), &figure, showing);
}

/// Precision of each method, a panel a trait; none where no method has repeats.
pub fn precision_picture(answer: &Repeatability, showing: &Showing, drawn: &mut Drawn) {
    let mut methods: Vec<&str> = Vec::new();
    let mut traits: Vec<&str> = Vec::new();
    for row in &answer.rows {
        for (list, name) in [(&mut methods, &row.method), (&mut traits, &row.trait_name)] {
            if !list.contains(&name.as_str()) {
                list.push(name);
            }
        }
    }
    // Regions have separate traits; the figure is of the whole body.
    traits.retain(|name| ["fat", "lean", "bone", "total"].contains(name));
    if methods.is_empty() || traits.is_empty() {
        return;
    }
    let of = |trait_name: &str, method: &str| {
        answer
            .rows
            .iter()
            .find(|row| row.trait_name == trait_name && row.method == method)
    };
    let unit_of = |trait_name: &str| {
        let mut rows = answer.rows.iter();
        let row = rows.find(|row| row.trait_name == trait_name);
        row.map_or("g", |row| row.unit.as_str())
    };
    let df = |method: &&str| {
        let rows = answer.rows.iter().filter(|row| row.method == **method);
        rows.map(|row| row.df).max().unwrap_or_default()
    };
    let figure = MethodPrecision {
        methods: methods
            .iter()
            .map(|method| Method {
                name: way_words(method),
                df: df(method),
            })
            .collect(),
        panels: traits
            .iter()
            .map(|name| RowsPanel {
                name: capital(name),
                quantity: Quantity {
                    name: "RMS SD".to_owned(),
                    unit: unit_of(name).to_owned(),
                },
                values: methods
                    .iter()
                    .map(|method| {
                        of(name, method).map_or(Ranged::NONE, |row| Ranged {
                            value: row.rms_sd,
                            lower: row.lower,
                            upper: row.upper,
                        })
                    })
                    .collect(),
                words: Vec::new(),
            })
            .collect(),
        interval: format!("{} intervals (chi-squared)", percent(showing.confidence)),
        frame: showing.frame.clone(),
    };
    drawn.add("precision_by_method".to_owned(), &figure, showing);
}

/// Mean parts of the body by age, stacked, a panel a strain; none where there is no
/// balance.
pub fn body_parts_picture(
    study: &Study,
    masses: &StudyMasses,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let Some(first) = masses.balance.first() else {
        return;
    };
    let parts = first.parts.clone();
    let strains = showing
        .panels(study)
        .map(|strain| &study.strains[strain])
        .map(|strain| {
            // Ages are not negative, so their bits are in their order.
            let mut ages: BTreeMap<u64, (usize, Vec<f64>)> = BTreeMap::new();
            let mut birds: Vec<&str> = Vec::new();
            let mine = masses.balance.iter().filter(|row| row.strain == *strain);
            for row in mine {
                let at = ages
                    .entry(row.age_d.to_bits())
                    .or_insert_with(|| (0, vec![0.0; parts.len()]));
                at.0 += 1;
                for (sum, part_g) in at.1.iter_mut().zip(&row.parts_g) {
                    *sum += part_g;
                }
                birds.push(&row.bird);
            }
            birds.sort_unstable();
            birds.dedup();
            let mean = |n: usize, sum: f64| sum / n as f64;
            StrainParts {
                name: strain.clone(),
                birds: birds.len(),
                ages: ages
                    .into_iter()
                    .map(|(age_bits, (n, sums))| PartsAt {
                        age_d: f64::from_bits(age_bits),
                        values: sums.into_iter().map(|sum| mean(n, sum)).collect(),
                    })
                    .collect(),
            }
        });
    let figure = BodyParts {
        quantity: grams("Mass".to_owned()),
        parts: parts.iter().map(|part| capital(part)).collect(),
        values: "means of corrected masses".to_owned(),
        strains: strains.filter(|strain| strain.ages.len() > 1).collect(),
        frame: showing.frame.clone(),
    };
    if !figure.strains.is_empty() {
        drawn.add("body_parts".to_owned(), &figure, showing);
    }
}
