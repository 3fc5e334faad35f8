//! The table of the scanner's phantom.

use super::Columns;
use super::column::{Column, about, columns, unit_or_one};
use crate::composition::phantom::{Phantom, PhantomChart, PhantomDay};
use crate::report::Table;

/// `phantom.csv`: the control charts of the phantom, a row a scanner, reading and day.
#[must_use]
pub fn phantom(found: &Phantom) -> Table {
    let rows = found.charts.iter().flat_map(|chart| {
        let days = chart.days.iter().enumerate();
        days.map(move |(place, day)| (chart, place, day))
    });
    let limits = |chart: &PhantomChart| chart.limits.as_ref().ok().copied();
    columns!("phantom", |(chart, place, day): (&PhantomChart, usize, &PhantomDay)| {
        scanner("", "scanner; empty where the log names none") => &chart.scanner,
        reading("", "what was read of the phantom: fat, lean, bone, another of the scanner's readings, or reading") => &chart.reading,
        date("", "day") => day.date.to_string(),
        value("see unit", "mean of the day's measurements") => day.value,
        measurements("1", "measurements of the day") => day.measurements,
        unit => unit_or_one(&chart.unit),
        baseline("", "whether the limits rest on this day: yes or no") => limits(chart).map(|limits| *place < limits.n),
        centre("see unit", "mean of the baseline's days") => limits(chart).map(|limits| limits.centre),
        sigma("see unit", "standard deviation by the mean moving range of the baseline's days over 1.128") => limits(chart).map(|limits| limits.sigma),
        lower_limit("see unit", "centre minus 3 sigma") => limits(chart).map(|limits| limits.lower),
        upper_limit("see unit", "centre plus 3 sigma") => limits(chart).map(|limits| limits.upper),
        score("1", "normal score of the day against all days before it; empty of the first two days") => day.scored.score,
        sum_rising("1", "cumulative sum of high scores (allowance 0.5)") => day.scored.rising,
        sum_falling("1", "cumulative sum of low scores (allowance 0.5)") => day.scored.falling,
        sum_limit("1", "limit of the sums: passed in a log without a change with 5 % probability over all charts") => chart.sum_limit,
        outside("", "whether the day lies outside the limits: yes or no") => limits(chart).map(|_| day.outside),
        changed("", "whether a lasting change had begun by the sums: yes or no") => limits(chart).map(|_| day.changed),
        note => chart.limits.as_ref().err().map_or("", |reason| reason),
    })
    .table(rows)
}
