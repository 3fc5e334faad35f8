//! The answers of a whole study in a few lines: what a reader reads first.
//!
//! At most [`MOST_LINES`] lines of at most [`WIDTH`] characters, from the [`Overview`] that the
//! page renders too. A block has a line for each strain as long as all lines have room; of
//! more strains it names the lowest and the highest and counts how many are where.

mod budget;
mod laboratories;
mod line;
mod plan;
mod samples;
mod scans;

pub use budget::budget;
pub use laboratories::laboratories;
pub use line::{Line, Role, WIDTH};
pub use plan::plan;
pub use samples::samples;
pub use scans::{calibration, corrected, repeatability, validation};

use line::{flowing, wrapped};

use super::text::{Attention, EggRow, Forecast, ForecastRow, Overview, TargetRow, Verdict, number};

/// Lines of a summary.
pub const MOST_LINES: usize = 25;
/// Lines of the summary of one question.
pub const MOST_LINES_OF_ONE: usize = 10;
/// Strains up to which every block has a line for each.
const MOST_IN_FULL: usize = 4;
/// Lines about differences.
const MOST_DIFFERENCES: usize = 3;
/// Lines of houses and pens.
const MOST_PLACES: usize = 6;
/// Lines of forecasts.
const MOST_FORECASTS: usize = 6;
/// Platform scales.
const MOST_SCALES: usize = 3;
/// Lines about masses where there is no target.
const MOST_MASSES: usize = 4;
/// What acting on a verdict requires.
const CAUTION: &str =
    "Feed, light and weight control: decide with the veterinarian, by the local code.";

/// Whose answers are summarised.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scope {
    /// All results of the study.
    Whole,
    /// How birds grow.
    Growth,
    /// Whether groups differ.
    Differences,
    /// Whether the flock is on target, and where it goes.
    Target,
    /// When they lay.
    Lay,
}

/// The answers of a study, all or those to one question; the last line states where everything
/// else is.
#[must_use]
pub fn summary(overview: &Overview, warnings: usize, (scope, place): (Scope, &str)) -> Vec<Line> {
    let mut lines: Vec<Line> = [
        (Role::Heading, &overview.title),
        (Role::Text, &overview.measured),
    ]
    .into_iter()
    .filter(|(_, line)| !line.is_empty())
    .map(|(role, line)| Line::default().with(role, line))
    .collect();
    let own = |of: Scope| scope == Scope::Whole || scope == of;
    if own(Scope::Target) {
        lines.extend(target(overview));
    }
    if scope == Scope::Target {
        lines.extend(forecast(overview));
    }
    if own(Scope::Target) {
        lines.extend(platform(overview));
    }
    if own(Scope::Growth) {
        lines.extend(growth(overview));
    }
    if own(Scope::Differences) {
        lines.extend(differences(overview));
    }
    if own(Scope::Lay) {
        lines.extend(lay(overview));
    }
    if own(Scope::Growth) {
        lines.extend(composition(overview));
    }
    if scope == Scope::Whole {
        lines.extend(scanner(overview));
        lines.extend(attention(overview, warnings));
    }
    if matches!(scope, Scope::Target | Scope::Lay) {
        lines.push(Line::plain(CAUTION));
    }
    lines.truncate(MOST_LINES - 1);
    lines.push(elsewhere(place));
    lines.into_iter().map(Line::cut).collect()
}

/// Where everything else is.
fn elsewhere(place: &str) -> Line {
    Line::plain(format!("{place}  everything else"))
}

/// The lines of one question, its caution and where everything else is; no more than
/// [`MOST_LINES_OF_ONE`].
fn short_answer(mut lines: Vec<Line>, caution: &str, place: &str) -> Vec<Line> {
    lines.truncate(MOST_LINES_OF_ONE - 2);
    lines.push(Line::plain(caution));
    lines.push(elsewhere(place));
    lines.into_iter().map(Line::cut).collect()
}

fn target(overview: &Overview) -> Vec<Line> {
    let Some(target) = &overview.target else {
        return Vec::new();
    };
    let mut lines = vec![Line::headed(
        "ON TARGET?",
        format!(
            "{:>7} {:>7} {:>7} {:>6} {:>11}  verdict",
            "mean", "target", "diff.", "days", "uniformity"
        ),
    )];
    let rows = target.shown((2, 1));
    lines.extend(rows.iter().map(|row| target_line(row, overview.unit)));
    if target.is_long() {
        lines.extend(wrapped("", &target.counts(), 2));
    }
    let places = target.shown_places(MOST_PLACES);
    lines.extend(places.iter().map(|row| target_line(row, overview.unit)));
    if places.len() < target.places.len() {
        let n = target.places.len() - places.len();
        lines.push(Line::plain(format!(
            "  and {n} houses and pens more, in the tables"
        )));
    }
    if let Some((who, needs)) = target.needs().first() {
        lines.push(Line::plain(format!("  {who} {needs}")));
    }
    lines
}

/// Mean weights at the age forecast, strain by strain.
fn forecast(overview: &Overview) -> Vec<Line> {
    let rows = match &overview.forecast {
        None => return Vec::new(),
        Some(Forecast::None(reason)) => {
            return wrapped("FORECAST", &format!("none: {reason}"), 3);
        }
        Some(Forecast::Rows(rows)) => rows,
    };
    let age = rows.first().map_or(String::new(), ForecastRow::age_words);
    let mut lines = vec![Line::headed(
        "FORECAST",
        format!(
            "{:<28}{:>7}   chance of the band",
            format!("mean at {age}"),
            "target"
        ),
    )];
    let most = MOST_FORECASTS.min(rows.len());
    lines.extend(rows[rows.len() - most..].iter().map(|row| {
        let target = row.target.map_or(String::new(), |target| {
            format!("{target:.0} {}", overview.unit)
        });
        Line::plain(format!(
            "  {:<12}{:<28}{target:>7}   {}",
            short(&row.name),
            row.mean_words(overview.unit),
            row.chance_words(),
        ))
    }));
    lines
}

fn target_line(row: &TargetRow, unit: &str) -> Line {
    let verdict = row.verdict.words();
    let (role, verdict) = match row.verdict {
        one if one.is_off() => (Role::Bad, verdict.to_uppercase()),
        one if one.is_uncertain() => (Role::Uncertain, verdict.to_owned()),
        Verdict::OnTarget | Verdict::NotOff => (Role::Good, verdict.to_owned()),
        _ => (Role::Text, verdict.to_owned()),
    };
    Line::plain(format!(
        "  {:<12}{:>7} {:>7} {:>7} {:>6} {:>11}  ",
        short(&row.name),
        row.mean_words(unit),
        row.target_words(unit),
        row.difference_words(),
        row.days_words(),
        row.uniformity_words(),
    ))
    .with(role, verdict)
}

/// The last day of each platform scale, and whether it is calibrated.
fn platform(overview: &Overview) -> Vec<Line> {
    let Some(platform) = &overview.platform else {
        return Vec::new();
    };
    let mut lines = vec![Line::headed("PLATFORM", platform.calibration_short.clone())];
    let rows = platform.rows.iter().take(MOST_SCALES);
    lines.extend(rows.map(|row| {
        let target = row
            .deviation
            .as_ref()
            .map_or(String::new(), |by| format!(", {by} of target"));
        Line::plain(format!(
            "  {:<12}{} at {}{target}",
            short(&row.name),
            row.mean,
            row.when
        ))
    }));
    lines
}

/// Typical masses at the last age, where there is no target to compare with.
fn growth(overview: &Overview) -> Vec<Line> {
    let Some(weighed) = overview.weighed().filter(|_| overview.target.is_none()) else {
        return Vec::new();
    };
    let pieces: Vec<String> = weighed
        .last()
        .map(|(group, mass)| {
            let unit = overview.unit;
            format!("{} {}", group.name, mass.with_interval(unit))
        })
        .collect();
    let mut lines = vec![Line::headed(
        "GROWTH",
        format!(
            "typical {} at {}, with {} % intervals",
            weighed.trait_name,
            overview.ages.show(weighed.last_age_d().unwrap_or_default()),
            overview.percent
        ),
    )];
    lines.extend(flowing("", &pieces, MOST_MASSES));
    lines
}

/// From which age groups differ in the trait weighed first.
fn differences(overview: &Overview) -> Vec<Line> {
    overview.differs().map_or(Vec::new(), |found| {
        flowing("DIFFERENCES", &found.pieces(), MOST_DIFFERENCES)
    })
}

fn lay(overview: &Overview) -> Vec<Line> {
    let Some(lay) = &overview.lay else {
        return Vec::new();
    };
    let mut lines = Vec::new();
    if lay.rows.is_empty() {
        return eggs(&lay.eggs, "LAY");
    }
    if lay.rows.len() <= MOST_IN_FULL {
        let halves = lay.rows.iter().map(|row| row.half_words().chars().count());
        let wide = halves.max().unwrap_or(0).max(20) + 2;
        lines.push(Line::headed(
            "LAY",
            format!("{:<wide$}laying", "50 % in lay at"),
        ));
        lines.extend(lay.rows.iter().map(|row| {
            let half = row.half_words();
            let name = short(&row.name);
            Line::plain(format!("  {name:<12}{half:<wide$}{}", row.laying_words()))
        }));
    } else {
        let pieces: Vec<String> = lay
            .rows
            .iter()
            .map(|row| format!("{} {}", row.name, row.half_words()))
            .collect();
        lines.extend(flowing("50 % IN LAY", &pieces, MOST_DIFFERENCES));
    }
    let cue = lay.cue.as_ref();
    lines.extend(cue.map(|cue| Line::plain(format!("  {}", cue.short()))));
    lines.extend(eggs(&lay.eggs, "EGGS BY PEN"));
    lines
}

/// When half of the hens were in lay by the eggs counted in pens.
fn eggs(rows: &[EggRow], heading: &'static str) -> Vec<Line> {
    if rows.is_empty() {
        return Vec::new();
    }
    if rows.len() > MOST_IN_FULL {
        let pieces: Vec<String> = rows
            .iter()
            .map(|row| format!("{} {}", row.name, row.half_words()))
            .collect();
        return flowing("50 % IN LAY", &pieces, MOST_DIFFERENCES);
    }
    let halves = rows.iter().map(|row| row.half_words().chars().count());
    let wide = halves.max().unwrap_or(0).max(20) + 2;
    let mut lines = vec![Line::headed(
        heading,
        format!(
            "{:<wide$}{:<7}{:<14}pens",
            "50 % in lay at", "SD", "50 % hen-day"
        ),
    )];
    lines.extend(rows.iter().map(|row| {
        Line::plain(format!(
            "  {:<12}{:<wide$}{:<7}{:<14}{}",
            short(&row.name),
            row.half_words(),
            row.sd_words(),
            row.production_words(),
            row.pens
        ))
    }));
    let without = rows
        .iter()
        .find_map(|row| Some((row, row.half_d.as_ref().err()?)));
    if let Some((row, reason)) = without {
        lines.extend(wrapped("", &format!("{}: {reason}", row.name), 2));
    }
    lines
}

/// Fat, lean and bone at the last age.
fn composition(overview: &Overview) -> Vec<Line> {
    let Some(found) = &overview.composition else {
        return Vec::new();
    };
    let heading = |text: String| Line::default().with(Role::Heading, text);
    let title = format!("COMPOSITION at {}, g", overview.ages.show(found.age_d));
    if found.groups.len() <= MOST_IN_FULL {
        let title = format!("{title} \u{b1} {} %", overview.percent);
        let parts: String = found
            .parts
            .iter()
            .map(|name| format!("{name:>16}"))
            .collect();
        let rows = found.groups.iter().map(|(group, masses)| {
            let mut line = format!("  {:<30}", short(group));
            for mass in masses {
                let cell = mass.map_or(String::new(), |mass| mass.with_half_width());
                line.push_str(&format!("{cell:>16}"));
            }
            Line::plain(line)
        });
        let first = heading(format!("{title:<32}")).with(Role::Text, parts);
        return std::iter::once(first).chain(rows).collect();
    }
    let mut spans = String::new();
    for (place, name) in found.parts.iter().enumerate() {
        let values = found.groups.iter().filter_map(|(_, masses)| masses[place]);
        let (least, greatest) = values
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), mass| {
                (mass.value.min(low), mass.value.max(high))
            });
        if least.is_finite() {
            spans += &format!("; {name} {} to {}", number(least), number(greatest));
        }
    }
    vec![heading(title).with(Role::Text, spans)]
}

fn scanner(overview: &Overview) -> Vec<Line> {
    let errors = overview.scanner.iter().flat_map(|scanner| &scanner.errors);
    let errors: Vec<String> = errors.map(super::text::LeftOutError::words).collect();
    if errors.is_empty() {
        return Vec::new();
    }
    vec![Line::headed(
        "SCANNER",
        format!("error on birds left out: {}", errors.join(", ")),
    )]
}

fn attention(overview: &Overview, warnings: usize) -> Vec<Line> {
    let of_warnings = Attention::of_warnings(warnings);
    let all = overview.attention.iter().chain(&of_warnings);
    let pieces: Vec<String> = all
        .map(|one| one.short.clone())
        .filter(|short| !short.is_empty())
        .collect();
    if pieces.is_empty() {
        return Vec::new();
    }
    flowing("ATTENTION", &pieces, 2)
}

/// Names that leave the columns in line.
fn short(name: &str) -> String {
    name.chars().take(11).collect()
}
