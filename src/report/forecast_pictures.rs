//! The figures of the flock's course: the forecast against the target, and how even the
//! birds are by age.

use crate::figure::{
    BandPoint, ByAge, FanPoint, FlockForecast, ForecastFan, Identity, IdentityPanel, Layout,
    NamedPoint, Quantity, StrainByAge, StrainPoints,
};
use crate::flock::{
    FlockLevel, FlockUniformity, ForecastRow, TraitForecast, WeightPrediction, target_trajectories,
};
use crate::report::pictures::{Drawn, Showing, capital, file_name, percent, quantity_of};
use crate::report::text::trait_words;
use crate::study::Study;

/// Birds at an age from which its uniformity is drawn: of fewer a share is too uncertain.
const LEAST_BIRDS: usize = 5;
/// Days before the forecast that are drawn for each day ahead, and at least.
const BACK_PER_DAY: f64 = 2.0;
const LEAST_BACK_D: f64 = 28.0;

/// `forecast_TRAIT`: the last weeks, target and forecast, a panel a strain; none of a trait
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
                drawn.fail(&figure_name, &error);
                continue;
            }
        };
        let last_d = ahead
            .iter()
            .filter_map(|row| row.age_d)
            .fold(as_of_d, f64::max);
        let first_d = as_of_d - (BACK_PER_DAY * (last_d - as_of_d)).max(LEAST_BACK_D);
        let is_shown = |age_d: f64| (first_d - 1e-9..=last_d + 1e-9).contains(&age_d);
        let flocks = showing.panels(study).map(|strain| {
            let own: Vec<&&ForecastRow> = ahead
                .iter()
                .filter(|row| row.strain == Some(strain))
                .collect();
            let means = uniformities.iter().filter(|row| {
                row.level == FlockLevel::Strain
                    && (row.trait_index, row.strain) == (one.trait_index, strain)
            });
            let means = means.filter_map(|row| Some((row.age_d, row.uniformity.mean_g?)));
            let observed: Vec<(f64, f64)> = means.filter(|(age_d, _)| is_shown(*age_d)).collect();
            let target = targets.get(strain).and_then(Option::as_ref);
            FlockForecast {
                name: study.strains[strain].clone(),
                place: strain,
                birds: own.first().map_or(0, |row| row.n),
                target: target.map_or_else(Vec::new, |target| {
                    let ages_d = target.ages_d().filter(|age_d| is_shown(*age_d));
                    ages_d
                        .filter_map(|age_d| band_point(target.at(age_d)?, age_d))
                        .collect()
                }),
                forecast: fan(&own, as_of_d, &observed),
                observed,
                as_of_d,
            }
        });
        let figure = ForecastFan {
            quantity: quantity_of(study, name),
            fan: format!(
                "50, 80 and {} prediction intervals of the mean of the {}s' weighings",
                percent(showing.confidence),
                showing.frame.subject
            ),
            flocks: flocks.collect(),
            frame: showing.frame.clone(),
        };
        drawn.add(figure_name, &figure, showing);
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

/// The fan opens at the mean that was weighed on the day of the forecast, where there is one.
fn fan(rows: &[&&ForecastRow], as_of_d: f64, observed: &[(f64, f64)]) -> Vec<FanPoint> {
    let ahead = rows.iter().filter_map(|row| {
        let ([half, most], widest) = (row.fan_g?, row.interval_g?);
        Some(FanPoint {
            age_d: row.age_d?,
            value: row.forecast?.value,
            intervals: vec![half, most, widest],
        })
    });
    let mut weighed = observed.iter();
    let start = weighed.find(|(age_d, _)| (age_d - as_of_d).abs() < 0.5);
    let start = start.map(|&(age_d, value)| FanPoint {
        age_d,
        value,
        intervals: vec![(value, value); 3],
    });
    start.into_iter().chain(ahead).collect()
}

/// Panels of `predicted_TRAIT`: forecasts further ahead are left to the table.
const MOST_HORIZONS: usize = 4;

/// `predicted_TRAIT`: weights as forecast with what came later hidden, against what came, a
/// panel a horizon; none of a trait without a backtest.
pub fn weight_prediction_figures(
    study: &Study,
    predictions: &[WeightPrediction],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for of_trait in predictions.chunk_by(|a, b| a.trait_index == b.trait_index) {
        let name = &study.traits[of_trait[0].trait_index].name;
        let panels = of_trait
            .chunk_by(|a, b| a.horizon_d >= b.horizon_d)
            .take(MOST_HORIZONS)
            .map(|weights| horizon_panel(study, weights, showing));
        let figure = Identity {
            observed: quantity_of(study, name),
            note: format!(
                "Covered: within the {} prediction interval.",
                percent(showing.confidence)
            ),
            panels: panels.collect(),
            frame: showing.frame.clone(),
            ..Identity::default()
        };
        drawn.add(format!("predicted_{}", file_name(name)), &figure, showing);
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
            left_out: 0,
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
            unit: quantity_of(study, "").unit,
        },
        fact: format!(
            "RMS error {:.1} %, {held} of {} covered",
            100.0 * rms,
            weights.len()
        ),
        line: Vec::new(),
        strains: strains.collect(),
    }
}

/// `uniformity_TRAIT`: the share of birds near their mean by age, a panel a strain; none of a
/// trait with too few birds together.
pub fn uniformity_pictures(
    study: &Study,
    uniformities: &[FlockUniformity],
    within_pct: f64,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for (trait_index, records) in study.traits.iter().enumerate() {
        let strains = showing.panels(study).map(|strain| {
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
            StrainByAge {
                name: study.strains[strain].clone(),
                place: strain,
                birds: own.clone().map(|row| row.uniformity.n).max().unwrap_or(0),
                curve: points.collect(),
                ..StrainByAge::default()
            }
        });
        let strains: Vec<StrainByAge> = strains.collect();
        if strains.iter().all(|strain| strain.curve.len() < 2) {
            continue;
        }
        let subject = &showing.frame.subject;
        let figure = ByAge {
            title: format!("Uniformity of {} by age", trait_words(study, &records.name)),
            quantity: Quantity {
                name: format!("{}s within {within_pct} % of their mean", capital(subject)),
                unit: "%".to_owned(),
            },
            layout: Layout::Facets,
            curve: "share at each age".to_owned(),
            band: format!("its {} interval (Wilson)", percent(showing.confidence)),
            means: true,
            strains,
            frame: showing.frame.clone(),
            ..ByAge::default()
        };
        let name = format!("uniformity_{}", file_name(&records.name));
        drawn.add(name, &figure, showing);
    }
}
