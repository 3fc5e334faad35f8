//! The tables of the timing cues.

use crate::maturity::{Cue, CueSummary, FirstEgg};
use crate::report::Table;
use crate::study::Study;

/// `cues.csv`: at which age each cue falls, and how long before the first egg.
#[must_use]
pub fn cues(study: &Study, rows: &[Cue]) -> Table {
    let mut table = Table::new(
        "cues",
        &[
            "level",
            "strain",
            "bird",
            "trait",
            "curve",
            "cue",
            "estimate",
            "std_error",
            "lower",
            "upper",
            "first_egg_age_d",
            "difference_d",
            "status",
            "note",
        ],
    );
    for row in rows {
        let age = row.age.as_ref().ok();
        let interval = age.and_then(|age| age.interval_d);
        let first_egg = match row.first_egg {
            FirstEgg::At(age_d) => Some(age_d),
            FirstEgg::NotYet(_) | FirstEgg::NotRecorded => None,
        };
        table
            .row()
            .text(if row.bird.is_some() { "bird" } else { "strain" })
            .text(&study.strains[row.strain])
            .text(row.bird.map_or("", |bird| &study.birds[bird].name))
            .text(&study.traits[row.trait_index].name)
            .text(&row.curve)
            .text(&row.cue.name())
            .number(age.map(|age| age.estimate_d))
            .number(age.and_then(|age| age.std_error_d))
            .number(interval.map(|interval| interval.0))
            .number(interval.map(|interval| interval.1))
            .number(first_egg)
            .number(row.difference_d())
            .text(row.status())
            .text(&row.note());
    }
    table
}

/// `cue_summary.csv`: how steadily each cue comes before the first egg, by strain.
#[must_use]
pub fn cue_summary(study: &Study, rows: &[CueSummary]) -> Table {
    let mut table = Table::new(
        "cue_summary",
        &[
            "strain",
            "trait",
            "curve",
            "cue",
            "n",
            "not_laying",
            "without_cue",
            "mean_difference_d",
            "sd_difference_d",
            "std_error",
            "lower",
            "upper",
            "correlation",
            "correlation_lower",
            "correlation_upper",
        ],
    );
    for row in rows {
        table
            .row()
            .text(&study.strains[row.strain])
            .text(&study.traits[row.trait_index].name)
            .text(&row.curve)
            .text(&row.cue.name())
            .whole(row.n)
            .whole(row.not_laying)
            .whole(row.without_cue)
            .number(row.mean_difference_d)
            .number(row.sd_difference_d)
            .number(row.std_error_d)
            .number(row.interval_d.map(|interval| interval.0))
            .number(row.interval_d.map(|interval| interval.1))
            .number(row.correlation)
            .number(row.correlation_interval.map(|interval| interval.0))
            .number(row.correlation_interval.map(|interval| interval.1));
    }
    table
}
