//! The figure of eggs counted by pen: production by age, the share in lay ahead of it, light.

use std::collections::BTreeMap;

use crate::figure::{BirdLine, EggProduction, Ranged, StrainProduction};
use crate::maturity::{EggGroup, EggOnset, EggQuantity, LightProgramme};
use crate::report::pictures::{Drawn, Showing};
use crate::study::Study;

/// `egg_production`: hen-day production of each pen, the mean of the fitted pens and the share
/// in lay, a panel a strain, with the light programmes under them; none without counts.
pub fn egg_picture(
    study: &Study,
    (eggs, programmes): (&EggOnset, &[LightProgramme]),
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let strains: Vec<StrainProduction> = eggs
        .groups
        .iter()
        .map(|group| strain(study, (eggs, group)))
        .collect();
    if strains.is_empty() {
        return;
    }
    let ages = || {
        let points = strains.iter().flat_map(|strain| &strain.pens);
        points.flat_map(|pen| pen.points.iter().map(|(age_d, _)| *age_d))
    };
    let first_d = ages().fold(f64::INFINITY, f64::min);
    let last_d = ages().fold(f64::NEG_INFINITY, f64::max);
    let light = programmes.iter().map(|programme| {
        let line = BirdLine {
            name: programme.words(study),
            points: programme.stairs(first_d, last_d),
        };
        (programme.whose(study), line)
    });
    let (light_of, light) = light.filter(|(_, line)| !line.points.is_empty()).unzip();
    let figure = EggProduction {
        light,
        light_of,
        strains,
        interval: format!("{:.0} % interval", 100.0 * showing.confidence),
        frame: showing.frame.counting("pen"),
    };
    drawn.add("egg_production".to_owned(), &figure, showing);
}

/// Days before the first egg from which production is drawn.
const BEFORE_LAY_D: u32 = 14;

fn strain(study: &Study, (eggs, group): (&EggOnset, &EggGroup)) -> StrainProduction {
    let pens = || group.pens.iter().map(|pen| &eggs.pens[*pen]);
    let days = || pens().flat_map(|pen| &pen.days);
    let with_eggs = days().filter(|day| day.count.eggs > 0.0);
    let first = with_eggs.map(|day| day.count.age_d).min().unwrap_or(0);
    let from = first.saturating_sub(BEFORE_LAY_D);
    let lines = pens().map(|pen| BirdLine {
        name: study.pens[pen.pen].clone(),
        points: pen
            .days
            .iter()
            .filter(|day| day.count.age_d >= from)
            .map(|day| (f64::from(day.count.age_d), day.hen_day_pct))
            .collect(),
    });
    let mut fitted: BTreeMap<u32, Vec<f64>> = BTreeMap::new();
    let mut in_lay: BTreeMap<u32, Vec<f64>> = BTreeMap::new();
    for day in days().filter(|day| day.count.age_d >= from) {
        let age_d = day.count.age_d;
        fitted.entry(age_d).or_default().extend(day.fitted_pct);
        in_lay.entry(age_d).or_default().extend(day.in_lay_pct);
    }
    let half = group
        .estimates
        .iter()
        .find(|one| one.quantity == EggQuantity::InLay50);
    let half = half.and_then(|one| {
        let one = one.value.as_ref().ok()?;
        let limits = one.interval?;
        Some(Ranged {
            value: one.value,
            lower: limits.lower,
            upper: limits.upper,
        })
    });
    StrainProduction {
        name: group.strain.map_or("mixed pens".to_owned(), |strain| {
            study.strains[strain].clone()
        }),
        place: group.strain.unwrap_or_default(),
        pens: lines.collect(),
        fitted: means(&fitted),
        in_lay: means(&in_lay),
        half_d: half.unwrap_or(Ranged::NONE),
    }
}

/// Means at each age at which all pens that are fitted are counted.
fn means(by_age: &BTreeMap<u32, Vec<f64>>) -> Vec<(f64, f64)> {
    let most = by_age.values().map(Vec::len).max().unwrap_or(0);
    by_age
        .iter()
        .filter(|(_, values)| !values.is_empty() && values.len() == most)
        .map(|(age_d, values)| (f64::from(*age_d), crate::stats::mean(values)))
        .collect()
}
