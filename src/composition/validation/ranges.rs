//! For which masses and ages is the verdict shown?
//!
//! The errors are followed along the mass and along age by a straight line. Where the 90 %
//! interval of the line lies within the acceptable error, the equation (recalibrated, where that
//! is the verdict) is shown to be good enough; towards the ends of few birds it may not be, though
//! nothing speaks against it.

use super::verdict::{ALPHA, Limit};
use super::{Recalibrated, Tested, Verdict};
use crate::stats::Interval;
use crate::stats::distribution::t_two_sided_quantile;
use crate::stats::mean;
use crate::stats::robust_line::RobustLine;

/// Points at which the line is looked at.
const STEPS: usize = 60;

/// The stretch of a quantity for which a verdict is shown.
#[derive(Debug, Clone, PartialEq)]
pub struct HeldRange {
    /// `mass` (predicted, in the unit of the response) or `age`.
    pub of: &'static str,
    /// Its unit: `g`, `%` or `d`.
    pub unit: &'static str,
    /// The birds tested.
    pub tested: Interval,
    /// Where the verdict is shown; none where it is shown nowhere.
    pub shown: Option<Interval>,
    /// Why it is not known, where it is not.
    pub caution: String,
}

/// The stretches of mass and age for which a favourable verdict is shown.
pub(super) fn held(birds: &[Tested], limit: &Limit, verdict: &Verdict) -> Vec<HeldRange> {
    let masses: Vec<f64> = birds.iter().map(|bird| bird.predicted).collect();
    let ages: Option<Vec<f64>> = birds.iter().map(|bird| bird.age_d).collect();
    let by_mass = one("mass", "g", &masses, birds, limit, verdict);
    let by_age = ages.map(|ages| one("age", "d", &ages, birds, limit, verdict));
    [Some(by_mass), by_age].into_iter().flatten().collect()
}

fn one(
    of: &'static str,
    unit: &'static str,
    along: &[f64],
    birds: &[Tested],
    limit: &Limit,
    verdict: &Verdict,
) -> HeldRange {
    let least = along.iter().copied().fold(f64::INFINITY, f64::min);
    let greatest = along.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mut range = HeldRange {
        of,
        unit,
        tested: Interval {
            lower: least,
            upper: greatest,
        },
        shown: None,
        caution: String::new(),
    };
    if matches!(verdict, Verdict::NotUsable | Verdict::Undecided { .. }) {
        return range;
    }
    let errors: Vec<f64> = birds.iter().map(Tested::error).collect();
    let observed: Vec<f64> = birds.iter().map(|bird| bird.observed).collect();
    let Ok(line) = RobustLine::of(along, &errors) else {
        range.caution = if greatest > least {
            format!("too few birds along {of}")
        } else {
            format!(
                "all birds are alike in {of} ({least:.4} {unit}), so that the verdict is of that {of} alone"
            )
        };
        return range;
    };
    // The acceptable error goes by the mass, which along age is that of a line too.
    let mass = RobustLine::of(along, &observed).ok();
    let within = |at: f64| {
        let value = line.at(at);
        let half = t_two_sided_quantile(1.0 - 2.0 * ALPHA, value.df) * value.standard_error;
        let left = match verdict {
            Verdict::After(Recalibrated::Intercept) => value.value - line.level,
            Verdict::After(Recalibrated::InterceptAndSlope) => 0.0,
            _ => value.value,
        };
        let acceptable = limit.at(mass.as_ref().map_or(at, |mass| mass.at(at).value));
        left.abs() + half < acceptable
    };
    let at = |step: usize| least + (greatest - least) * step as f64 / STEPS as f64;
    let centre = mean(along);
    let middle = (0..=STEPS).min_by(|a, b| {
        let from = |step: &usize| (at(*step) - centre).abs();
        from(a).total_cmp(&from(b))
    });
    let middle = middle.unwrap_or_default();
    if !within(at(middle)) {
        range.caution = format!("too few birds to show it at any one {of}");
        return range;
    }
    let lower = (0..=middle)
        .rev()
        .take_while(|step| within(at(*step)))
        .last();
    let upper = (middle..=STEPS).take_while(|step| within(at(*step))).last();
    range.shown = Some(Interval {
        lower: at(lower.unwrap_or(middle)),
        upper: at(upper.unwrap_or(middle)),
    });
    range
}

/// What these birds cannot show, a line each.
pub(super) fn cautions(birds: &[Tested], equation: &str) -> Vec<String> {
    let mut lines = Vec::new();
    let ages: Option<Vec<f64>> = birds.iter().map(|bird| bird.age_d).collect();
    match ages {
        Some(ages) if ages.iter().all(|age| age.total_cmp(&ages[0]).is_eq()) => lines.push(format!(
            "{equation}: all birds are {} d old, so that the validation holds for that age alone; analyse birds of other ages",
            ages[0]
        )),
        None => lines.push(format!(
            "{equation}: not every bird has an age (column age, in days), so that validity by age was not examined"
        )),
        Some(_) => {}
    }
    let mut laboratories: Vec<&str> = birds.iter().map(|bird| bird.laboratory.as_str()).collect();
    laboratories.sort_unstable();
    laboratories.dedup();
    if laboratories.len() > 1 {
        lines.push(format!(
            "{equation}: the verdict is that of the birds of these {} laboratories together, not of another one (validation_groups.csv has each); for that, calibrate on them (calibrate, column laboratory)",
            laboratories.len()
        ));
    }
    lines
}
