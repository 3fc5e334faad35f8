//! The table of the timing cues.

use super::Columns;
use super::column::{Column, about, columns};
use crate::maturity::{Cue, CueAge, CueSummary, FirstEgg};
use crate::report::Table;
use crate::study::Study;

/// `cues.csv`: at which age each cue falls, how long before a bird's first egg, and, on the rows
/// of strains, how steadily it comes before the first eggs of their birds.
#[must_use]
pub fn cues(study: &Study, rows: &[Cue], summaries: &[CueSummary]) -> Table {
    let columns = columns!("cues", |(row, of_birds): (&Cue, Option<&CueSummary>)| {
        level => if row.bird.is_some() { "bird" } else { "strain" },
        strain => &study.strains[row.strain],
        bird => row.bird.map(|bird| &study.birds[bird].name),
        trait => &study.traits[row.trait_index].name,
        curve => &row.curve,
        cue("", "which timing cue") => row.cue.name(),
        estimate("d", "age at which it falls") => age(row).map(|age| age.estimate_d),
        std_error("d", "standard error of that age") => age(row).and_then(|age| age.std_error_d),
        lower("d", "lower limit of that age") => age(row).and_then(|age| Some(age.interval_d?.0)),
        upper("d", "upper limit of that age") => age(row).and_then(|age| Some(age.interval_d?.1)),
        first_egg_age_d("d", "age at the first egg, where one was recorded") => match row.first_egg {
            FirstEgg::At(age_d) => Some(age_d),
            FirstEgg::NotYet(_) | FirstEgg::NotRecorded => None,
        },
        difference_d("d", "first egg minus cue") => row.difference_d(),
        status("", "supported, extrapolated, weak, failed, not reached or not estimable (the data do not determine the age)") => row.status(),
        note => row.note(),
        n("1", "of a strain, birds with both the cue and a first egg") => of_birds.map(|all| all.n),
        not_laying("1", "of a strain, birds with the cue and no egg yet") => of_birds.map(|all| all.not_laying),
        without_cue("1", "of a strain, birds with a first egg and no cue") => of_birds.map(|all| all.without_cue),
        mean_difference_d("d", "of a strain, mean of first egg minus cue over its birds") => of_birds.and_then(|all| all.mean_difference_d),
        sd_difference_d("d", "of a strain, standard deviation of that difference between birds") => of_birds.and_then(|all| all.sd_difference_d),
        mean_difference_std_error("d", "of a strain, standard error of the mean difference") => of_birds.and_then(|all| all.std_error_d),
        mean_difference_lower("d", "of a strain, lower limit of the mean difference") => of_birds.and_then(|all| Some(all.interval_d?.0)),
        mean_difference_upper("d", "of a strain, upper limit of the mean difference") => of_birds.and_then(|all| Some(all.interval_d?.1)),
        correlation("1", "of a strain, correlation of cue and first egg over birds") => of_birds.and_then(|all| all.correlation),
        correlation_lower("1", "of a strain, lower limit of the correlation") => of_birds.and_then(|all| Some(all.correlation_interval?.0)),
        correlation_upper("1", "of a strain, upper limit of the correlation") => of_birds.and_then(|all| Some(all.correlation_interval?.1)),
    });
    columns.table(rows.iter().map(|row| {
        let mut summaries = summaries.iter().filter(|_| row.bird.is_none());
        let of_birds = summaries.find(|all| {
            (all.strain, all.trait_index) == (row.strain, row.trait_index)
                && (&all.curve, all.cue) == (&row.curve, row.cue)
        });
        (row, of_birds)
    }))
}

fn age(row: &Cue) -> Option<&CueAge> {
    row.age.as_ref().ok()
}
