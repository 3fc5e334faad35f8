//! The tables of a next calibration: how precise, with which birds.

use super::Columns;
use super::column::{Column, about, columns};
use crate::plan::carcasses::{CarcassKind, CarcassPlace, CarcassPrecision, Carcasses};
use crate::report::Table;

/// Plans of a next calibration: alone, and beside the pilot's birds.
#[derive(Debug, Clone, Copy)]
pub struct PlannedCarcasses<'a> {
    /// The plans.
    pub plans: &'a [Carcasses],
    /// Numbers of birds to be analysed.
    pub birds: &'a [usize],
}

/// What counts for the equations of a plan.
#[must_use]
pub(in crate::report) fn basis(plan: &Carcasses) -> &'static str {
    if plan.with_pilot {
        "pilot and new birds"
    } else {
        "new birds alone"
    }
}

struct PrecisionLine<'a> {
    plan: &'a Carcasses,
    trait_name: &'a str,
    birds: usize,
    split: &'static str,
    place: &'a CarcassPlace,
    found: Option<CarcassPrecision>,
    efficiency: Option<f64>,
}

/// `carcass_precision.csv`: the error that equations would leave in the strains' mean masses.
#[must_use]
pub fn precision(planned: PlannedCarcasses<'_>) -> Table {
    let columns = columns!("carcass_precision", |line: PrecisionLine<'_>| {
        basis("", "new birds alone, or pilot and new birds: whose analyses the equations are fitted to") => basis(line.plan),
        trait => line.trait_name,
        birds("1", "new birds that are killed and analysed, all strains together") => line.birds,
        split("", "as in the pilot (its shares of strains and ages), or best (see carcass_split)") => line.split,
        strain => &*line.place.strain,
        age_d => line.place.age_d,
        mean_g("g", "mean corrected mass of the pilot's birds there") => line.place.mass_g,
        std_error_pct("%", "standard error that the equation leaves in the mean mass, of it") => line.found.map(|found| found.std_error_pct),
        half_width_pct("%", "half width of its interval, of the mean mass") => line.found.map(|found| found.half_width_pct),
        half_width_g("g", "the same in grams") => line.found.map(|found| 0.01 * found.half_width_pct * line.place.mass_g),
        efficiency("1", "mean variance with the best split over that with this one, over strains, ages and traits") => line.efficiency,
        status => if line.found.is_some() { "supported" } else { "not estimable" },
        reason => if line.found.is_some() { "" } else { "so few birds do not separate the terms of the equation" },
    });
    columns.filled(0, |add| {
        for (plan, birds) in each(planned) {
            let best = plan.best(birds);
            let splits = [
                ("as in the pilot", Some(plan.as_in_pilot(birds))),
                ("best", best.clone()),
            ];
            for (name, split) in splits {
                let efficiency = split
                    .as_ref()
                    .zip(best.as_ref())
                    .and_then(|(split, best)| plan.efficiency(split, best));
                for (at, of) in plan.traits.iter().enumerate() {
                    let found = split.as_ref().and_then(|split| plan.precision(at, split));
                    for (which, place) in of.places.iter().enumerate() {
                        add(PrecisionLine {
                            plan,
                            trait_name: &of.name,
                            birds,
                            split: name,
                            place,
                            found: found.as_ref().map(|found| found[which]),
                            efficiency,
                        });
                    }
                }
            }
        }
    })
}

struct SplitLine<'a> {
    plan: &'a Carcasses,
    birds: usize,
    kind: &'a CarcassKind,
    as_in_pilot: usize,
    best: Option<usize>,
}

/// `carcass_split.csv`: which birds to analyse.
#[must_use]
pub fn split(planned: PlannedCarcasses<'_>) -> Table {
    let columns = columns!("carcass_split", |line: SplitLine<'_>| {
        basis("", "new birds alone, or pilot and new birds: whose analyses the equations are fitted to") => basis(line.plan),
        birds("1", "new birds that are killed and analysed, all strains together") => line.birds,
        strain => &*line.kind.strain,
        age_d => line.kind.age_d,
        in_pilot("1", "birds of this strain and age that the pilot analysed") => line.kind.pilot,
        as_in_pilot("1", "of the new birds, shared out as the pilot's were") => line.as_in_pilot,
        best("1", "of the new birds, shared out so that the mean variance that the equations leave in the strains' mean masses is smallest; empty where no split separates the terms") => line.best,
    });
    columns.filled(0, |add| {
        for (plan, birds) in each(planned) {
            let best = plan.best(birds);
            let pilot = plan.as_in_pilot(birds);
            for (at, kind) in plan.kinds.iter().enumerate() {
                add(SplitLine {
                    plan,
                    birds,
                    kind,
                    as_in_pilot: pilot[at],
                    best: best.as_ref().map(|best| best[at]),
                });
            }
        }
    })
}

fn each(planned: PlannedCarcasses<'_>) -> impl Iterator<Item = (&Carcasses, usize)> {
    let plans = planned.plans.iter();
    plans.flat_map(move |plan| planned.birds.iter().map(move |birds| (plan, *birds)))
}
