//! The figure of densities that the scanner reads.

use crate::analysis::Densities;
use crate::figure::{BandPoint, BirdLine, ByAge, Layout, Quantity, StrainByAge};
use crate::report::pictures::{Drawn, Showing, capital, evenly_between, file_name, percent};
use crate::trajectory::TraitModel;

/// Steps of the curve.
const STEPS: u32 = 56;

/// `density_NAME`: the values of the birds and the typical curves, in the unit of the reading.
pub fn density_pictures(densities: &Densities, showing: &Showing, drawn: &mut Drawn) {
    for model in &densities.models {
        let Some(density) = densities.of_model(model) else {
            continue;
        };
        let kind = match density.calibrated_on {
            Some(_) => "calibrated",
            None => "as read",
        };
        let figure = ByAge {
            quantity: Quantity {
                name: format!("{}, {kind}", capital(&density.name.replace('_', " "))),
                unit: density.unit.clone(),
            },
            layout: Layout::Facets,
            curve: "typical bird, by allometry on body weight".to_owned(),
            band: format!("{} pointwise intervals", percent(showing.confidence)),
            strains: strains(densities, model, showing),
            frame: showing.frame.clone(),
            ..ByAge::default()
        };
        drawn.add(
            format!("density_{}", file_name(&density.name)),
            &figure,
            showing,
        );
    }
}

fn strains(densities: &Densities, model: &TraitModel, showing: &Showing) -> Vec<StrainByAge> {
    let (study, cohort) = (&densities.study, model.cohort());
    let records = &study.traits[model.trait_index];
    let groups = model.groups().iter().enumerate();
    let panels = groups.filter_map(|(group, named)| {
        let place = study.strains.iter().position(|name| *name == named.name);
        if !place.is_none_or(|strain| showing.has_panel(strain)) {
            return None;
        }
        let (first_d, last_d) = model.age_span(group)?;
        let own = cohort
            .groups
            .iter()
            .position(|own| own.name == named.name)?;
        let subjects = &cohort.by_group()[own];
        let lines: Vec<BirdLine> = subjects
            .iter()
            .map(|subject| {
                let bird = cohort.birds[*subject];
                let (ages_d, values) = records.of(bird);
                BirdLine {
                    name: study.birds[bird].name.clone(),
                    points: ages_d.iter().copied().zip(values.iter().copied()).collect(),
                }
            })
            .collect();
        let curve = evenly_between((first_d, last_d), STEPS)
            .into_iter()
            .filter_map(|age_d| {
                let value = densities.typical(model, (group, age_d), showing.confidence);
                let value = value.ok()?;
                let limits = value.interval;
                Some(BandPoint {
                    age_d,
                    value: value.value,
                    lower: limits.map_or(f64::NAN, |limits| limits.lower),
                    upper: limits.map_or(f64::NAN, |limits| limits.upper),
                })
            });
        Some(StrainByAge {
            name: named.name.clone(),
            place: place.unwrap_or(group),
            birds: lines.len(),
            curve: curve.collect(),
            lines,
            ..StrainByAge::default()
        })
    });
    panels.collect()
}
