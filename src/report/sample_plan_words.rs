//! A plan of weekly samples in words.

use super::tables::samples::{PlannedFlock, PlannedSamples};
use super::text::count;
use super::words::three_digits;
use crate::plan::samples::{SampleAim, SampleDesign};

/// What no number can replace.
pub const CAUTION: &str = "Draw birds at random from all parts of a pen.";

/// The answer for each flock, what it reaches, fewer pens, and what it rests on.
#[must_use]
pub fn samples(planned: &PlannedSamples) -> Vec<String> {
    let mut lines = vec!["How many birds to weigh a week?".to_owned()];
    for one in &planned.flocks {
        let name = named(one);
        match chosen(one) {
            Some(design) => {
                lines.push(format!(
                    "  {name}{}, to {}",
                    size(&design),
                    aim(&planned.aim)
                ));
                lines.push(format!("  {}", reached(&design)));
                if let Some(fewer) = fewer_pens(one) {
                    lines.push(format!("  fewest pens: {fewer}"));
                }
            }
            None => lines.push(format!("  {name}no plan: {}", not_reached(planned, one))),
        }
        lines.push(format!("  {}", basis(one)));
    }
    lines.push(format!("  {CAUTION}"));
    lines
}

/// `Elder: `; nothing of a flock without a name.
pub(super) fn named(one: &PlannedFlock) -> String {
    if one.name.is_empty() {
        String::new()
    } else {
        format!("{}: ", one.name)
    }
}

pub(super) fn chosen(one: &PlannedFlock) -> Option<SampleDesign> {
    one.designs[one.chosen?].as_ref().ok().copied()
}

/// `30 birds of each of 6 pens (180 in all)`.
pub(super) fn size(design: &SampleDesign) -> String {
    if design.pens == 1 {
        return format!("{} birds of 1 pen", design.birds_per_pen);
    }
    format!(
        "{} birds of each of {} pens ({} in all)",
        design.birds_per_pen,
        design.pens,
        design.birds()
    )
}

/// `estimate the flock's mean to within 2 % and its uniformity to within 6 points`.
pub(super) fn aim(aim: &SampleAim) -> String {
    let mean = aim
        .mean
        .map(|mean| format!("mean to within {} %", 100.0 * mean));
    let uniformity = aim
        .uniformity_points
        .map(|points| format!("uniformity to within {points} points"));
    let parts: Vec<String> = mean.into_iter().chain(uniformity).collect();
    format!(
        "estimate the flock's {} ({:.0} % intervals)",
        parts.join(" and its "),
        100.0 * aim.level
    )
}

/// `mean +/- 1.9 %, uniformity 77 % +/- 6.0 points`.
pub(super) fn reached(design: &SampleDesign) -> String {
    let (Some(mean), Some(points)) = (design.mean, design.uniformity_points) else {
        return "one pen does not show how pens differ".to_owned();
    };
    format!(
        "expected: mean to within {} %, uniformity of {:.0} % to within {} points",
        three_digits(100.0 * mean),
        design.uniformity_pct,
        three_digits(points)
    )
}

/// The design of the fewest pens, where it is not the chosen one.
pub(super) fn fewer_pens(one: &PlannedFlock) -> Option<String> {
    let fewest = one.designs.iter().find_map(|design| design.as_ref().ok())?;
    let chosen = chosen(one)?;
    (fewest.pens < chosen.pens).then(|| size(fewest))
}

/// Why no number of birds will do.
pub(super) fn not_reached(planned: &PlannedSamples, one: &PlannedFlock) -> String {
    let most = one
        .designs
        .iter()
        .filter_map(|design| design.as_ref().err());
    let Some(most) = most.max_by_key(|design| design.pens) else {
        return "the flock has no pens".to_owned();
    };
    let days = planned.aim.mean.filter(|mean| {
        let floor = one
            .flock
            .days_sd
            .hypot(one.flock.occasions_sd / (one.flock.pens as f64).sqrt());
        most.mean.is_some_and(|found| found > *mean) && 1.96 * floor > *mean
    });
    let why = if days.is_some() {
        "; what days and occasions add does not shrink with the number of birds: weigh on several days and compare the mean over them"
    } else {
        ""
    };
    format!(
        "{} do not {}; {}{why}",
        size(most),
        aim(&planned.aim),
        reached(most)
    )
}

/// What the plan rests on.
pub(super) fn basis(one: &PlannedFlock) -> String {
    let percent = |share: f64| three_digits(100.0 * share);
    let kept = one
        .flock
        .birds_per_pen
        .map_or(String::new(), |birds| format!(" of {birds} birds"));
    format!(
        "{}CV {} % between birds of a pen; SD of pens {} %, days {} %, occasions {} %; {}{kept}",
        one.from,
        percent(one.flock.cv),
        percent(one.flock.pens_sd),
        percent(one.flock.days_sd),
        percent(one.flock.occasions_sd),
        count(one.flock.pens, "pen")
    )
}
