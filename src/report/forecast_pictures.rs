//! The figures of the flock's course: the forecast against the target, and how even the
//! birds are by age.

use crate::figure::{
    AgeUnit, BandPoint, FanPoint, FlockForecast, ForecastFan, IdentityPanel, NamedPoint,
    PredictedObserved, Quantity, StrainPoints, StrainUniformity, Uniformity,
};
use crate::flock::{
    FlockLevel, FlockUniformity, ForecastRow, TraitForecast, WeightPrediction, target_trajectories,
};
use crate::report::pictures::{Drawn, Showing, file_name, grams_of, percent};
use crate::study::Study;

/// Birds at an age from which its uniformity is drawn: of fewer a share is too uncertain.
const LEAST_BIRDS: usize = 5;

/// `forecast_TRAIT`: weights so far, target and forecast, a panel a strain; none of a trait
/// without a forecast.
pub fn forecast_pictures(
    study: &Study,
    (as_of_d, traits): (f64, &[TraitForecast]),
    uniformities: &[FlockUniformity],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for one in traits {
        let of_strains = one
            .rows
            .iter()
            .filter(|row| row.level == FlockLevel::Strain);
        let ahead: Vec<&ForecastRow> = of_strains.filter(|row| row.forecast.is_some()).collect();
        if ahead.is_empty() {
            continue;
        }
        let name = &study.traits[one.trait_index].name;
        let figure_name = format!("forecast_{}", file_name(name));
        let targets = match target_trajectories(study, name) {
            Ok(targets) => targets.unwrap_or_default(),
            Err(error) => {
                drawn.add(figure_name, || Err(error));
                continue;
            }
        };
        let flocks = showing.panels(study).map(|strain| {
            let own: Vec<&&ForecastRow> = ahead
                .iter()
                .filter(|row| row.strain == Some(strain))
                .collect();
            let means: Vec<&FlockUniformity> = uniformities
                .iter()
                .filter(|row| {
                    row.level == FlockLevel::Strain
                        && (row.trait_index, row.strain) == (one.trait_index, strain)
                })
                .collect();
            let observed = observed(&means);
            let last_d = own
                .iter()
                .filter_map(|row| row.age_d)
                .fold(as_of_d, f64::max);
            FlockForecast {
                name: study.strains[strain].clone(),
                birds: own.first().map_or(0, |row| row.n),
                target: targets.get(strain).and_then(Option::as_ref).map_or_else(
                    Vec::new,
                    |target| {
                        let ages_d = target.ages_d().filter(|age_d| *age_d <= last_d + 1e-9);
                        ages_d
                            .filter_map(|age_d| band_point(target.at(age_d)?, age_d))
                            .collect()
                    },
                ),
                forecast: fan(&own, observed.last()),
                observed,
                as_of_d,
            }
        });
        let figure = ForecastFan {
            quantity: grams_of(name),
            ages: AgeUnit::Days,
            interval: String::new(),
            fan: format!(
                "50, 80 and {} prediction intervals of the mean of the birds' weighings",
                percent(showing.confidence)
            ),
            flocks: flocks.collect(),
            letter: showing.letter,
        };
        drawn.add(figure_name, || {
            figure.pages(showing.sized(figure.size(showing.width_mm)?)?)
        });
    }
}

fn band_point(target: crate::flock::TargetPoint, age_d: f64) -> Option<BandPoint> {
    Some(BandPoint {
        age_d,
        value: target.target_g,
        lower: target.lower_g.unwrap_or(f64::NAN),
        upper: target.upper_g.unwrap_or(f64::NAN),
    })
}

fn observed(means: &[&FlockUniformity]) -> Vec<BandPoint> {
    let points = means.iter().filter_map(|row| {
        Some(BandPoint {
            age_d: row.age_d,
            value: row.uniformity.mean_g?,
            lower: f64::NAN,
            upper: f64::NAN,
        })
    });
    points.collect()
}

/// The fan opens at the last mean that was weighed.
fn fan(rows: &[&&ForecastRow], last: Option<&BandPoint>) -> Vec<FanPoint> {
    let ahead = rows.iter().filter_map(|row| {
        let ([half, most], widest) = (row.fan_g?, row.interval_g?);
        Some(FanPoint {
            age_d: row.age_d?,
            value: row.forecast?.value,
            intervals: vec![half, most, widest],
        })
    });
    let start = last.map(|last| FanPoint {
        age_d: last.age_d,
        value: last.value,
        intervals: vec![(last.value, last.value); 3],
    });
    start.into_iter().chain(ahead).collect()
}

/// Panels of `predicted_TRAIT`: forecasts further ahead are left to the table.
const MOST_HORIZONS: usize = 4;

/// `predicted_TRAIT`: weights as forecast with what came later hidden, against what came, a
/// panel a horizon; none of a trait without a backtest.
pub fn weight_prediction_figures(
    study: &Study,
    foretold: &[WeightPrediction],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for of_trait in foretold.chunk_by(|a, b| a.trait_index == b.trait_index) {
        let name = &study.traits[of_trait[0].trait_index].name;
        let panels = of_trait
            .chunk_by(|a, b| a.horizon_d >= b.horizon_d)
            .take(MOST_HORIZONS)
            .map(|weights| horizon_panel(study, weights, showing));
        let percent = 100.0 * showing.confidence;
        let figure = PredictedObserved {
            observed: grams_of(name),
            line: String::new(),
            intervals: format!("Held: by the {percent:.0} % prediction interval."),
            panels: panels.collect(),
            letter: showing.letter,
        };
        drawn.add_sheet(format!("predicted_{}", file_name(name)), || {
            figure.draw(showing.sized(figure.size(showing.width_mm)?)?)
        });
    }
}

fn horizon_panel(study: &Study, weights: &[WeightPrediction], showing: &Showing) -> IdentityPanel {
    let strains = showing.overlaid(study).into_iter().map(|strain| {
        let own = weights
            .iter()
            .filter(|one| study.birds[one.bird].strain == strain);
        let mut birds: Vec<usize> = own.clone().map(|one| one.bird).collect();
        birds.sort_unstable();
        birds.dedup();
        StrainPoints {
            name: study.strains[strain].clone(),
            birds: birds.len(),
            points: own
                .map(|one| NamedPoint {
                    name: study.birds[one.bird].name.clone(),
                    x: one.forecast_g,
                    y: one.weighed_g,
                })
                .collect(),
        }
    });
    let squares = weights
        .iter()
        .map(|one| (one.forecast_g / one.weighed_g - 1.0).powi(2));
    let rms = (squares.sum::<f64>() / weights.len() as f64).sqrt();
    let held = weights.iter().filter(|one| one.held).count();
    IdentityPanel {
        name: format!("{} days ahead", weights[0].horizon_d),
        across: Quantity {
            name: "Predicted".to_owned(),
            unit: "g".to_owned(),
        },
        fact: format!(
            "error {:.1} %, {held} of {} held",
            100.0 * rms,
            weights.len()
        ),
        line: Vec::new(),
        intervals: Vec::new(),
        strains: strains.collect(),
    }
}

/// `uniformity_TRAIT`: the share of birds near their mean by age; none of a trait with too
/// few birds together.
pub fn uniformity_pictures(
    study: &Study,
    uniformities: &[FlockUniformity],
    within_pct: f64,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for (trait_index, records) in study.traits.iter().enumerate() {
        let strains: Vec<StrainUniformity> = showing
            .overlaid(study)
            .into_iter()
            .map(|strain| {
                let own = uniformities.iter().filter(|row| {
                    row.level == FlockLevel::Strain
                        && (row.trait_index, row.strain) == (trait_index, strain)
                        && row.uniformity.n >= LEAST_BIRDS
                });
                let points = own.clone().filter_map(|row| {
                    let share = row.uniformity.near_mean?;
                    Some(BandPoint {
                        age_d: row.age_d,
                        value: share.pct,
                        lower: share.lower_pct,
                        upper: share.upper_pct,
                    })
                });
                StrainUniformity {
                    name: study.strains[strain].clone(),
                    birds: own.clone().map(|row| row.uniformity.n).max().unwrap_or(0),
                    points: points.collect(),
                }
            })
            .collect();
        if strains.iter().all(|strain| strain.points.len() < 2) {
            continue;
        }
        let figure = Uniformity {
            quantity: Quantity {
                name: format!("Birds within {within_pct} % of their mean"),
                unit: "%".to_owned(),
            },
            ages: AgeUnit::Days,
            interval: format!(
                "{} interval of the share (Wilson)",
                percent(showing.confidence)
            ),
            goal: None,
            strains,
            letter: showing.letter,
        };
        drawn.add_sheet(format!("uniformity_{}", file_name(&records.name)), || {
            figure.draw(showing.sized(figure.size(showing.width_mm)?)?)
        });
    }
}
