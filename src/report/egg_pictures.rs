//! The figure of eggs counted by pen: production by age, and the share in lay ahead of it.

use std::collections::BTreeMap;

use crate::figure::Frame;
use crate::figure::{BandPoint, BirdLine, Birds, ByAge, Layout, Quantity, StrainByAge};
use crate::maturity::{EggGroup, EggOnset};
use crate::report::pictures::{Drawn, Showing};
use crate::study::Study;

/// `egg_production`: hen-day production of each pen, the mean of the fitted pens and the share
/// in lay, a panel a strain; none without counts.
pub fn egg_picture(study: &Study, eggs: &EggOnset, showing: &Showing, drawn: &mut Drawn) {
    let strains: Vec<StrainByAge> = eggs
        .groups
        .iter()
        .map(|group| strain(study, (eggs, group)))
        .collect();
    if strains.is_empty() {
        return;
    }
    let figure = ByAge {
        title: "Hen-day production by age".to_owned(),
        quantity: Quantity {
            name: "Hen-day production".to_owned(),
            unit: "%".to_owned(),
        },
        layout: Layout::Facets,
        birds: Birds::Values,
        curve: "hen-day production by the model, mean of the pens".to_owned(),
        band: String::new(),
        target: "hens in lay (first egg laid), by the model".to_owned(),
        means: false,
        strains,
        frame: Frame {
            subject: "pen",
            ..showing.frame
        },
    };
    drawn.add("egg_production".to_owned(), &figure, showing);
}

/// Days before the first egg from which production is drawn.
const BEFORE_LAY_D: u32 = 14;

fn strain(study: &Study, (eggs, group): (&EggOnset, &EggGroup)) -> StrainByAge {
    let pens = || group.pens.iter().map(|pen| &eggs.pens[*pen]);
    let with_eggs = pens()
        .flat_map(|pen| &pen.days)
        .filter(|day| day.count.eggs > 0.0);
    let first = with_eggs.map(|day| day.count.age_d).min().unwrap_or(0);
    let from = first.saturating_sub(BEFORE_LAY_D);
    let shown = |age_d: u32| age_d >= from;
    let lines = pens().map(|pen| BirdLine {
        name: study.pens[pen.pen].clone(),
        points: pen
            .days
            .iter()
            .filter(|day| shown(day.count.age_d))
            .map(|day| (f64::from(day.count.age_d), day.hen_day_pct))
            .collect(),
    });
    let mut fitted: BTreeMap<u32, Vec<f64>> = BTreeMap::new();
    let mut in_lay: BTreeMap<u32, Vec<f64>> = BTreeMap::new();
    for day in pens().flat_map(|pen| &pen.days) {
        let age_d = day.count.age_d;
        if shown(age_d) {
            fitted.entry(age_d).or_default().extend(day.fitted_pct);
            in_lay.entry(age_d).or_default().extend(day.in_lay_pct);
        }
    }
    StrainByAge {
        name: group.strain.map_or("mixed pens".to_owned(), |strain| {
            study.strains[strain].clone()
        }),
        place: group.strain.unwrap_or_default(),
        birds: group.pens.len(),
        lines: lines.collect(),
        curve: means(&fitted),
        target: means(&in_lay),
        ..StrainByAge::default()
    }
}

/// Means at each age where all pens that are fitted are counted.
fn means(by_age: &BTreeMap<u32, Vec<f64>>) -> Vec<BandPoint> {
    let most = by_age.values().map(Vec::len).max().unwrap_or(0);
    by_age
        .iter()
        .filter(|(_, values)| !values.is_empty() && values.len() == most)
        .map(|(age_d, values)| BandPoint {
            age_d: f64::from(*age_d),
            value: values.iter().sum::<f64>() / values.len() as f64,
            lower: f64::NAN,
            upper: f64::NAN,
        })
        .collect()
}
