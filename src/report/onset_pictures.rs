//! The figures of the onset of lay: lay curves, and what birds weigh at their first egg.

use crate::figure::{
    AgeUnit, BandPoint, FirstEggGroup, IdentityPanel, LayCurve, MOST_COLOURED, NamedPoint,
    PredictedObserved, Quantity, Ranged, StrainLay, StrainPoints, TraitAtFirstEgg, ValueAtFirstEgg,
};
use crate::maturity::{self, AtFirstEgg, FirstEggPrediction, LayMethod, LayRecords, Threshold};
use crate::report::pictures::{Drawn, Showing};
use crate::study::Study;

/// `lay_curve`: the share in lay by age of each strain; none without birds.
pub fn lay_picture(
    records: &LayRecords,
    curves: &[maturity::LayCurve],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let mut curves_of_strains: Vec<(usize, &maturity::LayCurve)> = curves
        .iter()
        .filter_map(|curve| Some((curve.strain?, curve)))
        .collect();
    if curves_of_strains.len() > MOST_COLOURED {
        curves_of_strains
            .sort_by_key(|(strain, _)| showing.order.iter().position(|at| at == strain));
    }
    let mut strains: Vec<StrainLay> = curves_of_strains
        .into_iter()
        .map(|(strain, curve)| strain_lay(&records.strains[strain], curve))
        .collect();
    if strains.is_empty() {
        return;
    }
    let earlier = from_shortly_before_lay(&mut strains);
    let by = match curves.first().map(|curve| curve.method) {
        Some(LayMethod::Turnbull) => "bootstrap over birds",
        _ => "Greenwood, log scale",
    };
    let figure = LayCurve {
        ages: AgeUnit::Days,
        band: format!(
            "{:.0} % pointwise interval ({by})",
            100.0 * showing.confidence
        ),
        strains,
        earlier,
        letter: showing.letter,
    };
    drawn.add_sheet("lay_curve".to_owned(), || {
        figure.draw(showing.sized(figure.size(showing.width_mm)?)?)
    });
}

/// Days before the first egg from which the curves are drawn.
const BEFORE_LAY_D: f64 = 14.0;

/// Lets every strain rise from nobody in lay, seen together from shortly before the first egg;
/// gives how many ages at which a bird was last seen lie before that.
fn from_shortly_before_lay(strains: &mut [StrainLay]) -> usize {
    let steps = || strains.iter().flat_map(|strain| &strain.steps);
    let first = |ages_d: &mut dyn Iterator<Item = f64>| ages_d.fold(f64::INFINITY, f64::min);
    let first_d = first(&mut steps().map(|step| step.age_d));
    let first_egg_d = first(
        &mut steps()
            .filter(|step| step.value > 0.0)
            .map(|step| step.age_d),
    );
    // Without an egg all is drawn.
    let start_d = match first_egg_d.is_finite() {
        true => first_d.max(first_egg_d - BEFORE_LAY_D),
        false => first_d,
    };
    let mut earlier = 0;
    for strain in strains {
        let seen = strain.censored_d.len();
        strain.censored_d.retain(|age_d| *age_d >= start_d);
        earlier += seen - strain.censored_d.len();
        strain.steps.retain(|step| step.age_d >= start_d);
        let begins = |step: &BandPoint| step.age_d > start_d || step.value > 0.0;
        if strain.steps.first().is_some_and(begins) {
            let nobody = BandPoint {
                age_d: start_d,
                value: 0.0,
                lower: 0.0,
                upper: 0.0,
            };
            strain.steps.insert(0, nobody);
        }
    }
    earlier
}

fn strain_lay(name: &str, curve: &maturity::LayCurve) -> StrainLay {
    let steps = curve.points.iter().map(|point| BandPoint {
        age_d: point.age_d,
        value: 100.0 * point.share,
        lower: point
            .interval
            .map_or(f64::NAN, |limits| 100.0 * limits.lower),
        upper: point
            .interval
            .map_or(f64::NAN, |limits| 100.0 * limits.upper),
    });
    let left = curve
        .points
        .iter()
        .filter(|point| point.last_seen.is_some_and(|n| n > 0));
    let half = curve
        .ages
        .iter()
        .find(|age| (age.share_pct - 50.0).abs() < 0.5);
    let half_d = half.and_then(|half| {
        Some(Ranged {
            value: half.age_d?,
            lower: half.lower_d.unwrap_or(f64::NAN),
            upper: half.upper_d.unwrap_or(f64::NAN),
        })
    });
    StrainLay {
        name: name.to_owned(),
        birds: curve.n,
        steps: steps.collect(),
        censored_d: left.map(|point| point.age_d).collect(),
        half_d: half_d.unwrap_or(Ranged::NONE),
    }
}

/// `value_at_first_egg`: each measure at first egg, a dot a bird; none without values.
pub fn first_egg_picture(
    study: &Study,
    values: &[AtFirstEgg],
    thresholds: &[Threshold],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let mut measures: Vec<&str> = values.iter().map(|row| row.measure.as_str()).collect();
    measures.dedup();
    if measures.is_empty() {
        return;
    }
    let group = |measure: &str, strain: usize| {
        let own = values
            .iter()
            .filter(|row| row.measure == measure && study.birds[row.bird].strain == strain);
        let birds = own.filter_map(|row| {
            let value = row.value.as_ref().ok()?.value;
            Some((study.birds[row.bird].name.clone(), value))
        });
        let spread = thresholds
            .iter()
            .find(|row| row.measure == measure && row.strain == strain)
            .map(|row| row.quartiles);
        FirstEggGroup {
            birds: birds.collect(),
            quartiles: spread.map_or(Ranged::NONE, |[lower, median, upper]| Ranged {
                value: median,
                lower,
                upper,
            }),
        }
    };
    let traits = measures.iter().map(|measure| TraitAtFirstEgg {
        quantity: quantity(measure),
        groups: showing
            .panels(study)
            .map(|strain| group(measure, strain))
            .collect(),
    });
    let figure = ValueAtFirstEgg {
        strains: showing
            .panels(study)
            .map(|strain| study.strains[strain].clone())
            .collect(),
        traits: traits.collect(),
        letter: showing.letter,
    };
    drawn.add("value_at_first_egg".to_owned(), || {
        figure.pages(showing.sized(figure.size(showing.width_mm)?)?)
    });
}

/// Panels of `predicted_first_egg`: ages of more forecasts are left to the table.
const MOST_PANELS: usize = 4;
/// Points of a panel from which its intervals would be a grey mat.
const MOST_INTERVALS: usize = 25;

/// `predicted_first_egg`: age at first egg as forecast with what came later hidden, against
/// what came, a panel an age of forecast; none without such forecasts.
pub fn prediction_figure(
    study: &Study,
    eggs: &[FirstEggPrediction],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let mut ages_d: Vec<f64> = eggs.iter().map(|egg| egg.as_of_d).collect();
    ages_d.sort_by(f64::total_cmp);
    ages_d.dedup();
    if ages_d.is_empty() {
        return;
    }
    let kept = ages_d.len().min(MOST_PANELS);
    // Evenly from the first age to the last.
    let places = (0..kept).map(|k| k * (ages_d.len() - 1) / (kept - 1).max(1));
    let mut panels: Vec<IdentityPanel> = places
        .map(|place| prediction_panel(study, eggs, ages_d[place], showing))
        .collect();
    let points = |panel: &IdentityPanel| panel.strains.iter().map(|s| s.points.len()).sum();
    if panels.iter().map(points).max() > Some(MOST_INTERVALS) {
        for panel in &mut panels {
            panel.intervals.clear();
        }
    }
    let barred = panels.iter().any(|panel| !panel.intervals.is_empty());
    let percent = 100.0 * showing.confidence;
    let figure = PredictedObserved {
        observed: Quantity {
            name: "Observed age at first egg".to_owned(),
            unit: "days".to_owned(),
        },
        line: String::new(),
        intervals: if barred {
            format!("Grey bars: {percent:.0} % prediction intervals; held: by them.")
        } else {
            format!("Held: by the {percent:.0} % prediction interval.")
        },
        panels,
        letter: showing.letter,
    };
    drawn.add_sheet("predicted_first_egg".to_owned(), || {
        figure.draw(showing.sized(figure.size(showing.width_mm)?)?)
    });
}

fn prediction_panel(
    study: &Study,
    eggs: &[FirstEggPrediction],
    as_of_d: f64,
    showing: &Showing,
) -> IdentityPanel {
    let own: Vec<&FirstEggPrediction> = eggs
        .iter()
        .filter(|egg| (egg.as_of_d - as_of_d).abs() < 1e-9)
        .collect();
    let n = own.len() as f64;
    let squares: f64 = own
        .iter()
        .map(|egg| (egg.median_d - egg.egg_d).powi(2))
        .sum();
    let held = own
        .iter()
        .filter(|egg| egg.interval_d.contains(egg.egg_d))
        .count();
    // A strain without a forecast egg keeps its place, so that the others keep their colours.
    let strains = showing.overlaid(study).into_iter().map(|strain| {
        let own = own.iter().filter(|egg| egg.strain == strain);
        let points: Vec<NamedPoint> = own
            .map(|egg| NamedPoint {
                name: egg.bird.clone(),
                x: egg.median_d,
                y: egg.egg_d,
            })
            .collect();
        StrainPoints {
            name: study.strains[strain].clone(),
            birds: points.len(),
            points,
        }
    });
    IdentityPanel {
        name: format!("As of {as_of_d} d"),
        across: Quantity {
            name: "Predicted".to_owned(),
            unit: "days".to_owned(),
        },
        fact: format!(
            "error {:.1} d, {held} of {} held",
            (squares / n).sqrt(),
            own.len()
        ),
        line: Vec::new(),
        intervals: own
            .iter()
            .filter(|egg| egg.interval_d.upper.is_finite())
            .map(|egg| (egg.interval_d.lower, egg.interval_d.upper, egg.egg_d))
            .collect(),
        strains: strains.collect(),
    }
}

/// "fat_share_pct" as "Fat share", "%".
fn quantity(measure: &str) -> Quantity {
    let unit = super::tables::lay::unit(measure);
    let plain = measure.trim_end_matches("_pct").replace('_', " ");
    let mut letters = plain.chars();
    let first = letters
        .next()
        .map(|letter| letter.to_uppercase().to_string());
    Quantity {
        name: first.unwrap_or_default() + letters.as_str(),
        unit: unit.to_owned(),
    }
}
