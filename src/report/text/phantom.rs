//! Whether the scanner is stable, by its phantom.

use super::Sentence;
use super::words::{capital, count};
use crate::composition::phantom::{Phantom, PhantomChart, ScansByDay};
use crate::report::prose::listed;
use crate::report::rounding::{Digits, significant};

/// Days that a sentence names.
const MOST_DAYS: usize = 3;

/// A sentence for each chart, and one about the scans.
#[must_use]
pub fn phantom_sentences(phantom: &Phantom) -> Vec<Sentence> {
    let charts = phantom.charts.iter().map(chart);
    charts.chain(scans(phantom)).collect()
}

/// What was read, and of which scanner.
fn name(chart: &PhantomChart) -> String {
    let reading = match &*chart.reading {
        "reading" => "reading".to_owned(),
        other => format!("{} reading", other.replace('_', " ")),
    };
    match &*chart.scanner {
        "" => reading,
        scanner => format!("{reading} of scanner {scanner}"),
    }
}

/// `mean 24.1 g, limits 23.5 to 24.7 g, baseline of 20 days`.
pub(in crate::report) fn limits(chart: &PhantomChart) -> Option<String> {
    let limits = chart.limits.as_ref().ok()?;
    let digits = Digits::of_error(limits.sigma);
    let unit = match &*chart.unit {
        "" => String::new(),
        unit => format!(" {unit}"),
    };
    Some(format!(
        "mean {}{unit}, limits {} to {}{unit}, baseline of {} days",
        digits.write(limits.centre),
        digits.write(limits.lower),
        digits.write(limits.upper),
        limits.n
    ))
}

fn chart(chart: &PhantomChart) -> Sentence {
    let (name, days) = (name(chart), chart.days.len());
    let Some(limits) = limits(chart) else {
        let reason = chart.limits.as_ref().err().cloned().unwrap_or_default();
        return Sentence {
            lead: format!("The phantom's {name} has no control limits"),
            rest: format!(": {reason}."),
        };
    };
    let outside = outside(chart);
    match chart.changed_from() {
        Some((from, found)) => Sentence {
            lead: format!("The phantom's {name} was out of control from {from}"),
            rest: format!(
                " (cumulative sum, found on {found}){}; {limits}, {days} days.{outside}",
                chart.change_pct().map_or(String::new(), |change| format!(
                    ", since then {} % {} the baseline",
                    significant(change.abs(), 2),
                    if change < 0.0 { "below" } else { "above" }
                ))
            ),
        },
        None => Sentence {
            lead: format!("The phantom's {name} showed no lasting change on {days} days"),
            rest: format!(" ({limits}).{outside}"),
        },
    }
}

/// Single days outside the limits, and how many are expected.
fn outside(chart: &PhantomChart) -> String {
    let days = chart.days.iter().filter(|day| day.outside && !day.changed);
    let days: Vec<String> = days.map(|day| day.date.to_string()).collect();
    if days.is_empty() {
        return String::new();
    }
    let expected = chart.expected_outside().map_or(String::new(), |expected| {
        format!("; {} expected without any change", significant(expected, 2))
    });
    let named = match days.len().checked_sub(MOST_DAYS) {
        None | Some(0) => listed(&days),
        Some(more) => format!("{} and {more} more", days[..MOST_DAYS].join(", ")),
    };
    format!(
        " {} outside the limits ({named}{expected}).",
        capital(&count(days.len(), "day"))
    )
}

/// How the scans lie to days out of control, and on days without a measurement.
fn scans(phantom: &Phantom) -> Option<Sentence> {
    let ScansByDay {
        dated,
        undated,
        unmeasured,
        out_of_control,
        days,
    } = &phantom.scans;
    if dated + undated == 0 {
        return None;
    }
    if *dated == 0 {
        return Some(Sentence::plain(
            "No scan has a date (no day of hatch), so that none can be set against the phantom's days.".to_owned(),
        ));
    }
    let mut rest = match days.len() {
        0 => String::new(),
        _ => format!(
            " ({}): repeat them, leave them out, or report results with and without them",
            match days.as_slice() {
                [day] => day.to_string(),
                [first, .., last] => format!("{} from {first} to {last}", count(days.len(), "day")),
                [] => String::new(),
            }
        ),
    };
    rest += ".";
    if *unmeasured > 0 {
        rest += &format!(" {unmeasured} were made on days without a measurement of the phantom.");
    }
    if *undated > 0 {
        rest += &format!(" {undated} have no date.");
    }
    Some(Sentence {
        lead: match out_of_control {
            0 => format!("None of {dated} scans was made on a day out of control"),
            n => format!("{n} of {dated} scans were made on days out of control"),
        },
        rest,
    })
}
