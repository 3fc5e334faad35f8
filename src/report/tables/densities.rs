//! The tables of densities that the scanner reads.

use super::column::{Column, Columns, about, columns};
use crate::analysis::{Densities, Density};
use crate::contrast::{AgeDifference, PairByAge};
use crate::fit::interval::{self, Estimate};
use crate::growth::Derived;
use crate::report::Table;
use crate::trajectory::{TraitModel, days_between};

/// One value of a curve.
struct Row<'a> {
    density: &'a Density,
    group: String,
    bird: String,
    age_d: f64,
    value: Estimate,
}

/// `densities.csv`: typical densities of each group for every day between its first and last
/// scan, and those of single birds by their curves at their scans.
#[must_use]
pub fn densities(of: &Densities, confidence: f64) -> Table {
    let columns = columns!("densities", |row: Row<'_>| {
        trait("", "the density, as study.toml declares it") => &row.density.name,
        unit("", "its unit, and that of the estimate, its standard error and limits") => &row.density.unit,
        calibrated("", "yes where it was calibrated by chemistry; no where the readings are the scanner's") => row.density.calibrated_on.is_some(),
        level("", "group: the typical bird; bird: a bird's own curve") => if row.bird.is_empty() { "group" } else { "bird" },
        strain("", "name of the group") => &*row.group,
        bird => &*row.bird,
        age_d => row.age_d,
        estimate("see unit", "value of the curve at that age") => row.value.value,
        std_error("see unit", "standard error of the estimate") => row.value.standard_error,
        lower("see unit", "lower limit of the interval") => row.value.interval.map(|limits| limits.lower),
        upper("see unit", "upper limit of the interval") => row.value.interval.map(|limits| limits.upper),
    });
    columns.filled(0, |add| {
        for model in &of.models {
            let Some(density) = of.of_model(model) else {
                continue;
            };
            for (group, named) in model.groups().iter().enumerate() {
                let span = model.age_span(group);
                let days = span.map_or_else(Vec::new, |(first, last)| days_between(first, last));
                for age_d in days {
                    if let Ok(value) = of.typical(model, (group, age_d), confidence) {
                        let (group, bird) = (named.name.clone(), String::new());
                        add(Row {
                            density,
                            group,
                            bird,
                            age_d,
                            value,
                        });
                    }
                }
            }
            let records = &of.study.traits[model.trait_index];
            let cohort = model.cohort();
            for (group, subjects) in cohort.groups.iter().zip(cohort.by_group()) {
                for subject in subjects {
                    let bird = cohort.birds[subject];
                    let mut ages_d = records.of(bird).0.to_vec();
                    ages_d.dedup();
                    for age_d in ages_d {
                        let Some(value) = of_bird(model, (subject, age_d), confidence) else {
                            continue;
                        };
                        let group = group.name.clone();
                        let bird = of.study.birds[bird].name.clone();
                        add(Row {
                            density,
                            group,
                            bird,
                            age_d,
                            value,
                        });
                    }
                }
            }
        }
    })
}

/// The value of a bird's own curve at an age, where the model determines it.
fn of_bird(
    model: &TraitModel,
    (subject, age_d): (usize, f64),
    confidence: f64,
) -> Option<Estimate> {
    let at = Derived::ValueAt(age_d);
    interval::derived(&*model.curve(), &model.bird(subject)?, at, confidence).ok()
}

/// `density_differences.csv`: the difference of typical densities between two groups by age.
#[must_use]
pub fn density_differences(of: &Densities) -> Table {
    let comparison = of.comparison.iter();
    let names = of
        .comparison
        .as_ref()
        .map_or(&[][..], |one| &one.groups.names);
    let columns = columns!("density_differences", |(density, pair, at): (&Density, &PairByAge, &AgeDifference)| {
        trait("", "the density, as study.toml declares it") => &density.name,
        unit("", "its unit, and that of the difference, its standard error and limits") => &density.unit,
        calibrated("", "yes where it was calibrated by chemistry; no where the readings are the scanner's") => density.calibrated_on.is_some(),
        strain_a => &names[pair.a],
        strain_b => pair.b.name(names),
        age_d => at.age_d,
        difference("see unit", "value of the first group's curve minus that of the second") => at.difference,
        std_error("see unit", "standard error of the difference") => at.standard_error,
        lower("see unit", "lower limit at this age alone") => at.interval.map(|limits| limits.lower),
        upper("see unit", "upper limit at this age alone") => at.interval.map(|limits| limits.upper),
        simultaneous_lower("see unit", "lower limit of the band that is simultaneous over all these ages (tube formula)") => at.simultaneous.map(|band| band.lower),
        simultaneous_upper("see unit", "upper limit of the band that is simultaneous over all these ages (tube formula)") => at.simultaneous.map(|band| band.upper),
        differs("", "yes where the simultaneous band excludes 0") => at.differs(),
    });
    let mut rows = Vec::new();
    for compared in comparison.flat_map(|one| &one.compared) {
        let mut all = of.followed.iter();
        let density = all.find(|one| one.trait_index == Some(compared.trait_index));
        for pair in &compared.by_age {
            rows.extend(pair.ages.iter().filter_map(|at| Some((density?, pair, at))));
        }
    }
    columns.table(rows)
}
