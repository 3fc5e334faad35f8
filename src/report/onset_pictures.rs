//! The figures of the onset of lay: lay curves, and what birds weigh at their first egg.

use crate::error::Result;
use crate::figure::{
    AgeUnit, BandPoint, FirstEggGroup, LayCurve, Quantity, Ranged, StrainLay, TraitAtFirstEgg,
    ValueAtFirstEgg,
};
use crate::maturity::{self, AtFirstEgg, LayMethod, LayRecords, Threshold};
use crate::report::pictures::{Named, Showing};
use crate::study::Study;

/// `lay_curve`: the share in lay by age of each strain; none without birds.
///
/// # Errors
/// As the figure's.
pub fn lay_picture(
    records: &LayRecords,
    curves: &[maturity::LayCurve],
    showing: &Showing,
) -> Result<Option<Named>> {
    let strains: Vec<StrainLay> = curves
        .iter()
        .filter_map(|curve| Some(strain_lay(&records.strains[curve.strain?], curve)))
        .collect();
    if strains.is_empty() {
        return Ok(None);
    }
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
        letter: showing.letter,
    };
    let size = showing.sized(figure.size(showing.width_mm)?)?;
    Ok(Some(Named {
        name: "lay_curve".to_owned(),
        picture: figure.draw(size)?,
    }))
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
///
/// # Errors
/// As the figure's.
pub fn first_egg_picture(
    study: &Study,
    values: &[AtFirstEgg],
    thresholds: &[Threshold],
    showing: &Showing,
) -> Result<Option<Named>> {
    let mut measures: Vec<&str> = values.iter().map(|row| row.measure.as_str()).collect();
    measures.dedup();
    if measures.is_empty() {
        return Ok(None);
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
        groups: (0..study.strains.len())
            .map(|strain| group(measure, strain))
            .collect(),
    });
    let figure = ValueAtFirstEgg {
        strains: study.strains.clone(),
        traits: traits.collect(),
        letter: showing.letter,
    };
    let size = showing.sized(figure.size(showing.width_mm)?)?;
    Ok(Some(Named {
        name: "value_at_first_egg".to_owned(),
        picture: figure.draw(size)?,
    }))
}

/// "fat_share_pct" as "Fat share", "%".
fn quantity(measure: &str) -> Quantity {
    let unit = super::onset_tables::unit(measure);
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
