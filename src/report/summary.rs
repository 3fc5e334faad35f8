//! The answers of a whole study in a few lines: what a reader sees first.
//!
//! At most [`MOST_LINES`] lines of at most [`WIDTH`] characters, from the [`Overview`] that the
//! page renders too. A block has a line for each strain as long as all lines have room; of
//! more strains it names the lowest and the highest and counts how many are where.

use super::text::{Attention, Forecast, ForecastRow, Overview, TargetRow, days, number};

/// Lines of a summary.
pub const MOST_LINES: usize = 25;
/// Characters of a line.
pub const WIDTH: usize = 80;
/// Strains up to which every block has a line for each.
const MOST_IN_FULL: usize = 4;
/// Lines about differences.
const MOST_DIFFERENCES: usize = 3;
/// Lines of forecasts.
const MOST_FORECASTS: usize = 6;
/// Lines about masses where there is no target.
const MOST_MASSES: usize = 4;
/// Where the text of a line begins, behind its heading.
const INDENT: usize = 14;

/// What acting on a verdict asks for.
const CAUTION: &str =
    "Feed, light and weight control: decide with the veterinarian, by the local code.";

/// Whose answers are summarised.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scope {
    /// All that the study says.
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

/// The answers of a study, all or those to one question; the last line says where everything
/// else is.
#[must_use]
pub fn summary(
    overview: &Overview,
    warnings: usize,
    (scope, elsewhere): (Scope, &str),
) -> Vec<String> {
    let mut lines: Vec<String> = [&overview.title, &overview.measured]
        .into_iter()
        .filter(|line| !line.is_empty())
        .cloned()
        .collect();
    let own = |of: Scope| scope == Scope::Whole || scope == of;
    if own(Scope::Target) {
        lines.extend(target(overview));
    }
    if scope == Scope::Target {
        lines.extend(forecast(overview));
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
        lines.push(CAUTION.to_owned());
    }
    lines.truncate(MOST_LINES - 1);
    lines.push(format!("{elsewhere}  everything else"));
    lines.iter().map(|line| cut(line.trim_end())).collect()
}

/// A line of at most [`WIDTH`] characters.
fn cut(line: &str) -> String {
    if line.chars().count() <= WIDTH {
        return line.to_owned();
    }
    let kept: String = line.chars().take(WIDTH - 3).collect();
    format!("{}...", kept.trim_end())
}

/// Pieces set behind a heading, as many to a line as fit, on at most so many lines.
fn flowing(heading: &str, pieces: &[String], most: usize) -> Vec<String> {
    let mut lines = vec![format!("{heading:<INDENT$}")];
    for (place, piece) in pieces.iter().enumerate() {
        let end = if place + 1 < pieces.len() { "; " } else { "" };
        let last = lines.len() - 1;
        let begun = lines[last].chars().count() > INDENT;
        if begun && lines[last].chars().count() + piece.chars().count() > WIDTH - 2 {
            if lines.len() == most {
                lines[last] = format!("{} ...", lines[last].trim_end_matches([' ', ';']));
                return lines;
            }
            lines.push(" ".repeat(INDENT));
        }
        let last = lines.len() - 1;
        lines[last].push_str(&format!("{piece}{end}"));
    }
    lines
}

fn target(overview: &Overview) -> Vec<String> {
    let Some(target) = &overview.target else {
        return Vec::new();
    };
    let mut lines = vec![format!(
        "{:<INDENT$}{:>7} {:>7} {:>7} {:>6} {:>11}  verdict",
        "ON TARGET?", "mean", "target", "diff.", "days", "uniformity"
    )];
    let rows = target.shown((2, 1));
    lines.extend(rows.iter().map(|row| target_line(row, overview.unit)));
    if target.is_long() {
        lines.extend(flowing("", &[target.counts()], 2));
    }
    if let Some((who, needs)) = target.needs().first() {
        lines.push(format!("  {who} {needs}"));
    }
    lines
}

/// Mean weights at the age forecast, strain by strain.
fn forecast(overview: &Overview) -> Vec<String> {
    let rows = match &overview.forecast {
        None => return Vec::new(),
        Some(Forecast::None(reason)) => {
            return flowing("FORECAST", &[format!("none: {reason}")], 3);
        }
        Some(Forecast::Rows(rows)) => rows,
    };
    let age = rows.first().map_or(String::new(), ForecastRow::age_words);
    let mut lines = vec![format!(
        "{:<INDENT$}{:<28}{:>7}   {}",
        "FORECAST",
        format!("mean at {age}"),
        "target",
        "chance of the band"
    )];
    let most = MOST_FORECASTS.min(rows.len());
    lines.extend(rows[rows.len() - most..].iter().map(|row| {
        let target = row.target.map_or(String::new(), |target| {
            format!("{target:.0} {}", overview.unit)
        });
        format!(
            "  {:<12}{:<28}{target:>7}   {}",
            short(&row.name),
            row.mean_words(overview.unit),
            row.chance_words(),
        )
    }));
    lines
}

fn target_line(row: &TargetRow, unit: &str) -> String {
    let verdict = row.verdict.words();
    let verdict = if row.verdict.is_off() {
        verdict.to_uppercase()
    } else {
        verdict.to_owned()
    };
    format!(
        "  {:<12}{:>7} {:>7} {:>7} {:>6} {:>11}  {verdict}",
        short(&row.name),
        row.mean_words(unit),
        row.target_words(unit),
        row.difference_words(),
        row.days_words(),
        row.uniformity_words(),
    )
}

/// Typical masses at the last age, where there is no target to say it better.
fn growth(overview: &Overview) -> Vec<String> {
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
    let mut lines = vec![format!(
        "{:<INDENT$}typical {} at {} d, with {} % intervals",
        "GROWTH",
        weighed.trait_name,
        days(weighed.last_age_d().unwrap_or_default()),
        overview.percent
    )];
    lines.extend(flowing("", &pieces, MOST_MASSES));
    lines
}

/// From which age groups differ in the trait weighed first.
fn differences(overview: &Overview) -> Vec<String> {
    overview.differs().map_or(Vec::new(), |found| {
        flowing("DIFFERENCES", &found.pieces(), MOST_DIFFERENCES)
    })
}

fn lay(overview: &Overview) -> Vec<String> {
    let Some(lay) = &overview.lay else {
        return Vec::new();
    };
    let mut lines = Vec::new();
    if lay.rows.len() <= MOST_IN_FULL {
        lines.push(format!("{:<INDENT$}{:<22}laying", "LAY", "50 % in lay at"));
        lines.extend(lay.rows.iter().map(|row| {
            let half = row.half_words();
            format!("  {:<12}{half:<22}{}", short(&row.name), row.laying_words())
        }));
    } else {
        let pieces: Vec<String> = lay
            .rows
            .iter()
            .map(|row| format!("{} {}", row.name, row.half_words()))
            .collect();
        lines.extend(flowing("50 % IN LAY", &pieces, MOST_DIFFERENCES));
    }
    lines.extend(lay.cue.as_ref().map(|cue| format!("  {}", cue.short())));
    lines
}

/// Fat, lean and bone at the last age.
fn composition(overview: &Overview) -> Vec<String> {
    let Some(found) = &overview.composition else {
        return Vec::new();
    };
    let mut lines = vec![format!("COMPOSITION at {} d, g", days(found.age_d))];
    if found.groups.len() <= MOST_IN_FULL {
        let heading = format!("{} \u{b1} {} %", lines[0], overview.percent);
        lines[0] = format!("{heading:<32}");
        for name in &found.parts {
            lines[0].push_str(&format!("{name:>16}"));
        }
        for (group, masses) in &found.groups {
            let mut line = format!("  {:<30}", short(group));
            for mass in masses {
                let cell = mass.map_or(String::new(), |mass| mass.with_half_width());
                line.push_str(&format!("{cell:>16}"));
            }
            lines.push(line);
        }
        return lines;
    }
    for (place, name) in found.parts.iter().enumerate() {
        let values = found.groups.iter().filter_map(|(_, masses)| masses[place]);
        let (least, greatest) = values
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), mass| {
                (mass.value.min(low), mass.value.max(high))
            });
        if least.is_finite() {
            lines[0].push_str(&format!(
                "; {name} {} to {}",
                number(least),
                number(greatest)
            ));
        }
    }
    lines
}

fn scanner(overview: &Overview) -> Vec<String> {
    let errors = overview.scanner.iter().flat_map(|scanner| &scanner.errors);
    let errors: Vec<String> = errors.map(super::text::LeftOutError::words).collect();
    if errors.is_empty() {
        return Vec::new();
    }
    vec![format!(
        "{:<INDENT$}error on birds left out: {}",
        "SCANNER",
        errors.join(", ")
    )]
}

fn attention(overview: &Overview, warnings: usize) -> Vec<String> {
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
