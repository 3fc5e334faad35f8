//! The tables of one equation for several laboratories.

use super::Columns;
use super::column::{Column, about, columns};
use crate::composition::laboratories::{Laboratories, LaboratoryRow, LeftOutRow, NewLaboratoryRow};
use crate::composition::validation::QuantityRow;
use crate::report::Table;

/// `laboratories.csv`: each laboratory's own line, and how well the others predict its birds.
#[must_use]
pub fn laboratories(of: &Laboratories) -> Table {
    columns!("laboratories", |row: &LaboratoryRow| {
        equation => &of.trait_name,
        laboratory("", "name of the laboratory (or scanner)") => &row.laboratory,
        n("1", "birds of the laboratory") => row.birds,
        level("g", "the laboratory's own line at the mean of all birds' readings and other terms") => row.level[0],
        level_std_error("g", "its standard error") => row.level[1],
        slope("1", "the laboratory's own slope of chemistry by reading; empty where laboratories differ in level alone") => row.slope.map(|slope| slope[0]),
        slope_std_error("1", "its standard error") => row.slope.map(|slope| slope[1]),
        left_out_bias("g", "mean of predicted minus observed of its birds by the equation of the other laboratories") => row.left_out_bias,
        left_out_rmse("g", "root mean square of these errors") => row.left_out_rmse,
        outside("1", "its birds outside the prediction interval for a new laboratory by the others") => row.outside,
        note => &row.note,
    })
    .table(&of.laboratories)
}

/// `laboratory_variation.csv`: how far laboratories differ.
#[must_use]
pub fn laboratory_variation(of: &Laboratories) -> Table {
    columns!("laboratory_variation", |row: &QuantityRow| {
        equation => &of.trait_name,
        quantity("", "what the number is: SD between laboratories of level (at the mean reading) and slope, their correlation, SD of birds of one laboratory, the laboratories' share of the variance of a bird, P of no difference, error on laboratories left out") => row.quantity,
        estimate("see unit", "its estimate, by restricted likelihood; P by the exact F test") => row.estimate,
        lower("see unit", "lower confidence limit, from the laboratories' own lines") => row.interval.map(|limits| limits.lower),
        upper("see unit", "upper confidence limit") => row.interval.map(|limits| limits.upper),
        n("1", "laboratories") => row.n,
        status("", "supported, weak (few laboratories), not estimable") => row.standing.word(),
        caution("", "why it is weak or not estimable, or was removed") => &row.caution,
        unit("", "unit of the numbers in the row: g, or 1 for none") => if row.in_unit { "g" } else { "1" },
    })
    .table(&of.variation)
}

/// `new_laboratory.csv`: what is predicted for a laboratory that is not among these.
#[must_use]
pub fn new_laboratory(of: &Laboratories) -> Table {
    columns!("new_laboratory", |row: &NewLaboratoryRow| {
        equation => &of.trait_name,
        bird("", "the bird whose readings and other terms these are: of least, lower-quarter, middle, upper-quarter and greatest prediction") => &row.bird,
        reading("g", "its reading; empty where the equation has no such term") => row.reading,
        predicted("g", "mass that the equation predicts") => row.predicted,
        laboratory_lower("g", "lower limit of the prediction interval of a new laboratory's line there") => row.laboratory.lower,
        laboratory_upper("g", "upper limit") => row.laboratory.upper,
        bird_lower("g", "lower limit of the prediction interval of a bird of a new laboratory") => row.one_bird.lower,
        bird_upper("g", "upper limit") => row.one_bird.upper,
    })
    .table(&of.new)
}

/// `laboratories_left_out.csv`: each bird, predicted by the equation of the other laboratories.
#[must_use]
pub fn laboratories_left_out(of: &Laboratories) -> Table {
    columns!("laboratories_left_out", |row: &LeftOutRow| {
        equation => &of.trait_name,
        laboratory("", "name of its laboratory") => &row.laboratory,
        bird => &row.bird,
        observed("g", "mass by chemistry") => row.observed,
        predicted("g", "mass predicted by the equation of the other laboratories") => row.predicted,
        lower("g", "lower limit of the prediction interval of a bird of a new laboratory; empty from two others") => row.interval.map(|limits| limits.lower),
        upper("g", "upper limit") => row.interval.map(|limits| limits.upper),
    })
    .table(&of.left_out)
}
