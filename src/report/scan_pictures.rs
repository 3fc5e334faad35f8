//! The figures of scans and equations: chemistry against readings, differences,
//! precision by method, composition of the body by age.

use std::collections::BTreeMap;

use crate::composition::Tissue;
use crate::composition::agreement::AgreementRow;
use crate::composition::calibration::Calibration as Fitted;
use crate::composition::feather_ages::FeatherAgeRow;
use crate::composition::repeatability::Repeatability;
use crate::composition::study_equations::Chosen;
use crate::composition::study_masses::StudyMasses;
use crate::figure::{
    AgreementPanel, BandPoint, BirdLine, BlandAltman, BodyParts, Calibration, FeatherShare,
    IdentityPanel, Layout, Method, MethodPrecision, NamedPoint, PartsAt, Quantity, Ranged,
    ResidualLine, ResidualPanel, ResidualPanels, RowsPanel, StrainGrowth, StrainParts,
    StrainPoints,
};
use crate::report::pictures::{Drawn, Showing, capital, percent};
use crate::report::population_pictures::normal_scores;
use crate::stats::Interval;
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
    strains.filter(|strain| !strain.points.is_empty()).collect()
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
            fact: format!("bias {:+.1} g{concordance}", row.bias).replace('-', "−"),
            line,
            intervals: Vec::new(),
            strains: by_strain(study, showing, points, |point| {
                (point.reading, point.chemistry)
            }),
        }
    });
    let figure = Calibration {
        observed: grams(format!("{} by chemistry", capital(name))),
        line: "Deming regression".to_owned(),
        panels: panels.collect(),
        letter: showing.letter,
    };
    drawn.add_sheet(format!("calibration_{name}"), || {
        figure.draw(showing.sized(figure.size(showing.width_mm)?)?)
    });
}

fn bland_altman(
    study: &Study,
    name: &str,
    stages: &[(&AgreementRow, Vec<Point>)],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let ranged = |value: f64, interval: Interval| Ranged {
        value,
        lower: interval.lower,
        upper: interval.upper,
    };
    let panels = stages.iter().map(|(row, points)| AgreementPanel {
        name: stage_name(row),
        strains: by_strain(study, showing, points, |point| {
            (
                f64::midpoint(point.reading, point.chemistry),
                point.reading - point.chemistry,
            )
        }),
        bias: ranged(row.bias, row.bias_interval),
        lower_limit: ranged(row.lower_limit, row.lower_limit_interval),
        upper_limit: ranged(row.upper_limit, row.upper_limit_interval),
    });
    let figure = BlandAltman {
        mean: grams(format!("Mean of {name} by scan and by chemistry")),
        difference: grams("Scan − chemistry".to_owned()),
        limits: "95 % limits of agreement".to_owned(),
        interval: format!("{} confidence intervals", percent(showing.confidence)),
        panels: panels.collect(),
        letter: showing.letter,
    };
    drawn.add_sheet(format!("bland_altman_{name}"), || {
        figure.draw(showing.sized(figure.size(showing.width_mm)?)?)
    });
}

/// Studentised residuals of an equation against its prediction, age and normal quantiles.
fn residuals(
    study: &Study,
    calibration: &Fitted,
    name: &str,
    scans: &BTreeMap<u32, &Scan>,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    struct One<'a> {
        bird: usize,
        name: &'a str,
        at: [f64; 2],
        studentised: f64,
    }
    let all: Vec<One> = calibration
        .rows
        .iter()
        .filter_map(|row| {
            let scan = scans.get(&row.row)?;
            Some(One {
                bird: *scan.birds.first()?,
                name: &row.bird,
                at: [row.fitted, scan.age_d],
                studentised: row.studentised?,
            })
        })
        .collect();
    let mut sorted: Vec<f64> = all.iter().map(|one| one.studentised).collect();
    sorted.sort_by(f64::total_cmp);
    let scores = normal_scores(&sorted);
    let score = |one: &One| {
        let place = sorted.partition_point(|other| *other < one.studentised);
        scores[place.min(scores.len() - 1)]
    };
    let strains = |x: &dyn Fn(&One) -> f64| -> Vec<StrainPoints> {
        let strains = showing.overlaid(study).into_iter().map(|strain| {
            let mine: Vec<&One> = all
                .iter()
                .filter(|one| study.birds[one.bird].strain == strain)
                .collect();
            let mut birds: Vec<usize> = mine.iter().map(|one| one.bird).collect();
            birds.sort_unstable();
            birds.dedup();
            StrainPoints {
                name: study.strains[strain].clone(),
                birds: birds.len(),
                points: mine
                    .iter()
                    .map(|one| NamedPoint {
                        name: one.name.to_owned(),
                        x: x(one),
                        y: one.studentised,
                    })
                    .collect(),
            }
        });
        strains.filter(|strain| !strain.points.is_empty()).collect()
    };
    let panel = |across: String, reference, x: &dyn Fn(&One) -> f64| ResidualPanel {
        across,
        up: "Studentised residual".to_owned(),
        reference,
        strains: strains(x),
    };
    let figure = ResidualPanels {
        of: format!("{name} by chemistry on the equation's prediction"),
        panels: vec![
            panel(
                format!("{} predicted (g)", capital(name)),
                ResidualLine::Zero,
                &|one| one.at[0],
            ),
            panel("Age (days)".to_owned(), ResidualLine::Zero, &|one| {
                one.at[1]
            }),
            panel("Normal quantile".to_owned(), ResidualLine::Equality, &score),
        ],
        letter: showing.letter,
    };
    drawn.add_sheet(format!("calibration_residuals_{name}"), || {
        figure.draw(showing.sized(figure.size(showing.width_mm)?)?)
    });
}

/// Share of feathers in the body by age and strain; none where no feathers were weighed.
pub fn feather_share_picture(
    study: &Study,
    rows: &[FeatherAgeRow],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let strains = rows
        .chunk_by(|one, next| one.strain == next.strain)
        .map(|rows| StrainGrowth {
            name: rows[0].strain.clone(),
            birds: rows.iter().map(|row| row.shares_pct.len()).sum(),
            lines: rows
                .iter()
                .flat_map(|row| row.shares_pct.iter().map(|share| (row.age_d, *share)))
                .map(|point| BirdLine {
                    name: rows[0].strain.clone(),
                    points: vec![point],
                })
                .collect(),
            curve: rows
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
            ..StrainGrowth::default()
        });
    let has_panel = |name: &String| {
        let strain = study.strains.iter().position(|known| known == name);
        strain.is_none_or(|strain| showing.has_panel(strain))
    };
    let strains: Vec<StrainGrowth> = strains
        .filter(|strain| !strain.lines.is_empty() && has_panel(&strain.name))
        .collect();
    if strains.is_empty() {
        return;
    }
    let figure = FeatherShare {
        layout: Layout::Facets,
        curve: "means at each age, joined".to_owned(),
        band: format!("{} intervals of the means", percent(showing.confidence)),
        strains,
        letter: showing.letter,
        ..FeatherShare::default()
    };
    drawn.add("feather_share".to_owned(), || {
        figure.pages(showing.sized(figure.size(showing.width_mm)?)?)
    });
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
    // Regions have traits of their own; the figure is of the whole body.
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
                name: method.replace(['=', '_'], " "),
                df: df(method),
            })
            .collect(),
        panels: traits
            .iter()
            .map(|name| RowsPanel {
                name: capital(name),
                label: format!("RMS SD ({})", unit_of(name)),
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
        interval: format!("{} % intervals (chi-squared)", 100.0 * showing.confidence),
        letter: showing.letter,
    };
    drawn.add("precision_by_method".to_owned(), || {
        figure.pages(showing.sized(figure.size(showing.width_mm)?)?)
    });
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
        letter: showing.letter,
        ..BodyParts::default()
    };
    if figure.strains.is_empty() {
        return;
    }
    drawn.add("body_parts".to_owned(), || {
        figure.pages(showing.sized(figure.size(showing.width_mm)?)?)
    });
}
