//! The figures of the onset of lay: lay curves, and what birds weigh at their first egg.

use crate::figure::{
    BandPoint, FirstEggGroup, Identity, IdentityPanel, LayCurve, MOST_COLOURED, NamedPoint,
    Quantity, Ranged, StrainLay, StrainPoints, TraitAtFirstEgg, ValueAtFirstEgg,
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
    from_shortly_before_lay(&mut strains);
    let by = match curves.first().map(|curve| curve.method) {
        Some(LayMethod::Turnbull) => "bootstrap over birds",
        _ => "Greenwood, log scale",
    };
    let figure = LayCurve {
        band: format!(
            "{:.0} % pointwise interval ({by})",
            100.0 * showing.confidence
        ),
        strains,
        frame: showing.frame.clone(),
    };
    drawn.add("lay_curve".to_owned(), &figure, showing);
}

/// Days before the first egg from which the curves are drawn.
const BEFORE_LAY_D: f64 = 14.0;

/// Lets every strain rise from nobody in lay, seen together from shortly before the first egg.
fn from_shortly_before_lay(strains: &mut [StrainLay]) {
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
    for strain in strains {
        strain.censored_d.retain(|age_d| *age_d >= start_d);
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

/// Birds of a strain from which a measure at first egg has a panel.
const LEAST_BIRDS: usize = 3;

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
    // Of two birds there is nothing to see.
    let known = |measure: &str, strain: usize| {
        let own = values.iter().filter(|row| {
            row.measure == measure && row.value.is_ok() && study.birds[row.bird].strain == strain
        });
        own.count()
    };
    measures.retain(|measure| {
        (0..study.strains.len()).any(|strain| known(measure, strain) >= LEAST_BIRDS)
    });
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
        frame: showing.frame.clone(),
    };
    drawn.add("value_at_first_egg".to_owned(), &figure, showing);
}

/// Panels of `predicted_first_egg`: ages of more forecasts are left to the table.
const MOST_PANELS: usize = 4;

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
    let panels = places.map(|place| prediction_panel(study, eggs, ages_d[place], showing));
    let figure = Identity {
        observed: Quantity {
            name: "Observed age at first egg".to_owned(),
            unit: "days".to_owned(),
        },
        note: format!(
            "Covered: within the {:.0} % prediction interval.",
            100.0 * showing.confidence
        ),
        panels: panels.collect(),
        frame: showing.frame.clone(),
        ..Identity::default()
    };
    drawn.add("predicted_first_egg".to_owned(), &figure, showing);
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
            left_out: 0,
        }
    });
    IdentityPanel {
        name: format!("As of {}", showing.frame.ages.show(as_of_d)),
        across: Quantity {
            name: "Predicted".to_owned(),
            unit: "days".to_owned(),
        },
        fact: format!(
            "RMS error {:.1} d, {held} of {} covered",
            (squares / n).sqrt(),
            own.len()
        ),
        line: Vec::new(),
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
