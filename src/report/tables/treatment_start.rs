//! The table of treatments that start at an age.

use super::column::{Column, Columns, about, columns};
use crate::contrast::treatment_start::{Shift, ShiftRow, Shifts};
use crate::report::Table;
use crate::study::{Study, Unit};

/// `treatment_start.csv`: what treatments do from the age at which they start.
#[must_use]
pub fn treatment_start(study: &Study, shifts: &[Shifts]) -> Table {
    let rows = shifts
        .iter()
        .flat_map(|of_trait| of_trait.rows.iter().map(move |row| (of_trait, row)));
    columns!("treatment_start", |(of_trait, row): (&Shifts, &ShiftRow)| {
        trait => &study.traits[row.trait_index].name,
        treatment_a("", "treatment") => &study.treatments[row.treatment],
        treatment_b("", "treatment that it is compared with") => &study.treatments[row.reference],
        from_age_d("d", "age at which the treatments start") => study.settings.design.treatments_from_d,
        shift("", "level: difference after the start; rate: growth of the difference from the start on") => match row.shift { Shift::Level => "level", Shift::Rate => "rate" },
        unit => match row.shift { Shift::Level => "%", Shift::Rate => "%/week" },
        estimate("see unit", "the shift, percent of the other treatment's weight") => row.estimate,
        std_error("see unit", "its standard error") => row.standard_error,
        lower("see unit", "lower limit") => row.interval.lower,
        upper("see unit", "upper limit") => row.interval.upper,
        df("1", "degrees of freedom: units minus terms") => row.degrees_of_freedom,
        p_value("1", "two-sided P value of no shift") => row.p_value,
        p_adjusted("1", "the same, adjusted by Holm over treatments, level and rate") => row.p_adjusted,
        experimental_unit("", "bird or pen") => match of_trait.unit { Unit::Bird => "bird", Unit::Pen => "pen" },
        units_a("1", "units of the treatment") => row.units.0,
        units_b("1", "units of the treatment that it is compared with") => row.units.1,
        covariate_age_d("d", "age whose weight is a covariate; empty without one") => study.settings.design.allocated_at_d,
    })
    .table(rows)
}
