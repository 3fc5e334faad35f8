//! The answers of a whole study in a few lines: what a reader sees first.
//!
//! At most [`MOST_LINES`] lines of at most [`WIDTH`] characters, from the list of answers and
//! the typed results. A block has a line for each strain as long as all lines have room; of
//! more strains it names the lowest and the highest and counts how many are where.

use super::rounding::estimate_and_error;
use crate::analysis::{Analysis, Answer};
use crate::flock::{Band, Deviation, Gain, Level};

/// Lines of a summary.
pub const MOST_LINES: usize = 25;
/// Characters of a line.
pub const WIDTH: usize = 80;
/// Strains that the verdict on the target names one by one.
const MOST_NAMED: usize = 8;
/// Strains up to which every block has a line for each.
const MOST_IN_FULL: usize = 4;
/// Lines about differences.
const MOST_DIFFERENCES: usize = 3;
/// Traits of composition, in the order of their columns.
const TISSUES: [&str; 3] = ["fat", "lean", "bone"];
/// Where the text of a line begins, behind its heading.
const INDENT: usize = 14;

/// The answers of a study; the last line says where everything else is.
#[must_use]
pub fn summary(analysis: &Analysis, warnings: usize, elsewhere: &str) -> Vec<String> {
    let answers = analysis.answers();
    let page = Summary {
        analysis,
        answers: &answers,
    };
    let mut lines = page.title();
    lines.extend(page.target());
    lines.extend(page.growth());
    lines.extend(page.differences());
    lines.extend(page.lay());
    lines.extend(page.composition());
    lines.extend(page.scanner());
    lines.extend(page.attention(warnings));
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

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// As many decimals as three digits ask for.
fn number(value: f64) -> String {
    match value.abs() {
        size if size >= 100.0 => format!("{:.0}", value + 0.0),
        size if size >= 10.0 => format!("{value:.1}"),
        _ => format!("{value:.2}"),
    }
}

/// An age in days; a whole day has no decimals.
fn days(age_d: f64) -> String {
    if (age_d - age_d.round()).abs() < 0.05 {
        format!("{:.0}", age_d + 0.0)
    } else {
        format!("{age_d:.1}")
    }
}

fn count(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

struct Summary<'a> {
    analysis: &'a Analysis,
    answers: &'a [Answer],
}

impl Summary<'_> {
    /// What was measured.
    fn title(&self) -> Vec<String> {
        let study = &self.analysis.study;
        let weighed = study.main_trait().map(|at| &study.traits[at]);
        let mut lines = Vec::new();
        if !study.name.is_empty() {
            lines.push(study.name.clone());
        }
        if let Some(records) = weighed {
            let birds = (0..study.birds.len()).filter(|bird| !records.of(*bird).0.is_empty());
            let span = records.ages_d.iter().fold(
                (f64::INFINITY, f64::NEG_INFINITY),
                |(first, last), age_d| (age_d.min(first), age_d.max(last)),
            );
            lines.push(format!(
                "{} with {}, {}, {} to {} d",
                count(birds.count(), "bird"),
                records.name.replace('_', " "),
                count(study.strains.len(), "strain"),
                days(span.0),
                days(span.1),
            ));
        }
        lines
    }

    /// The last row of each strain against its target.
    fn last_rows(&self) -> Vec<&Deviation> {
        let verdict = self.analysis.verdict.iter();
        let rows = verdict.flat_map(|verdict| &verdict.deviations);
        let main_trait = self.analysis.study.main_trait();
        let mut last: Vec<&Deviation> = Vec::new();
        for row in rows.filter(|row| row.level == Level::Strain) {
            if Some(row.trait_index) != main_trait {
                continue;
            }
            match last.last_mut() {
                Some(before) if before.strain == row.strain => *before = row,
                _ => last.push(row),
            }
        }
        last
    }

    fn target(&self) -> Vec<String> {
        let rows = self.last_rows();
        if rows.is_empty() {
            return Vec::new();
        }
        let mut lines = vec![format!(
            "{:<INDENT$}{:>7} {:>7} {:>7} {:>6} {:>11}  verdict",
            "ON TARGET?", "mean", "target", "diff.", "days", "uniformity"
        )];
        let off = |row: &&&Deviation| verdict(row).contains("TARGET");
        if rows.len() <= MOST_NAMED {
            lines.extend(rows.iter().map(|row| self.target_line(row)));
        } else {
            let share = |row: &Deviation| {
                let against = row.against.as_ref();
                against.map_or(f64::INFINITY, |against| against.deviation_pct)
            };
            let mut sorted = rows.clone();
            sorted.sort_by(|a, b| share(a).total_cmp(&share(b)));
            lines.extend(sorted.iter().take(2).map(|row| self.target_line(row)));
            lines.extend(sorted.last().map(|row| self.target_line(row)));
            lines.push(format!(
                "{}{} of {} strains off target",
                " ".repeat(INDENT),
                rows.iter().filter(off).count(),
                rows.len()
            ));
        }
        let needing = rows.iter().filter(off);
        let needs = needing.filter_map(|row| match row.gain {
            Gain::PerDay {
                needed_g_per_d,
                target_g_per_d,
            } => Some(format!(
                "{} needs {needed_g_per_d:.1} g/d to be back in time (target {target_g_per_d:.1} g/d)",
                self.analysis.study.strains[row.strain]
            )),
            _ => None,
        });
        let needs: Vec<String> = needs.take(1).collect();
        if !needs.is_empty() {
            lines.extend(flowing("", &needs, 1));
        }
        lines
    }

    fn target_line(&self, row: &Deviation) -> String {
        let name = &self.analysis.study.strains[row.strain];
        let uniformity = self.find("uniformity", name, "body_weight", None);
        let uniformity = uniformity
            .and_then(|answer| answer.estimate)
            .map_or(String::new(), |share| format!("{share:.0} %"));
        let mean = format!("{:.0} g", row.observed_g);
        let (target, share, days) = match &row.against {
            Ok(against) => (
                format!("{:.0} g", against.target.target_g),
                format!("{:+.1} %", against.deviation_pct),
                against
                    .days
                    .map_or(String::new(), |days| format!("{days:+.1}")),
            ),
            Err(_) => (String::new(), String::new(), String::new()),
        };
        format!(
            "  {:<12}{mean:>7} {target:>7} {share:>7} {days:>6} {uniformity:>11}  {}",
            short(name),
            verdict(row)
        )
    }

    fn find(
        &self,
        quantity: &str,
        strain: &str,
        of_trait: &str,
        age_d: Option<f64>,
    ) -> Option<&Answer> {
        self.answers.iter().rfind(|answer| {
            answer.quantity == quantity
                && answer.strain == strain
                && (answer.trait_name == of_trait || of_trait.is_empty())
                && age_d.is_none_or(|age_d| answer.age_d == Some(age_d))
        })
    }

    /// Typical masses at the last age, where there is no target to say it better.
    fn growth(&self) -> Vec<String> {
        if !self.last_rows().is_empty() {
            return Vec::new();
        }
        let study = &self.analysis.study;
        let Some(records) = study.main_trait().map(|at| &study.traits[at]) else {
            return Vec::new();
        };
        let typical = self.answers.iter().filter(|answer| {
            answer.quantity == "typical_mass" && answer.trait_name == records.name
        });
        let last_d = typical.clone().filter_map(|answer| answer.age_d);
        let last_d = last_d.fold(f64::NEG_INFINITY, f64::max);
        let pieces: Vec<String> = typical
            .filter(|answer| answer.age_d == Some(last_d))
            .filter_map(|answer| {
                let limits = answer.interval.map_or(String::new(), |limits| {
                    format!(" ({} to {})", number(limits.lower), number(limits.upper))
                });
                let whose = group_name(answer);
                Some(format!("{whose} {} g{limits}", number(answer.estimate?)))
            })
            .collect();
        if pieces.is_empty() {
            return Vec::new();
        }
        let mut lines = vec![format!(
            "{:<INDENT$}typical {} at {} d, with 95 % intervals",
            "GROWTH",
            records.name.replace('_', " "),
            days(last_d)
        )];
        lines[0] = lines[0].replace(
            "95 %",
            &format!("{} %", (1000.0 * self.analysis.confidence).round() / 10.0),
        );
        lines.extend(flowing("", &pieces, MOST_NAMED / 2));
        lines
    }

    /// From which age groups differ in the trait weighed first.
    fn differences(&self) -> Vec<String> {
        let Some(found) = &self.analysis.differences else {
            return Vec::new();
        };
        let comparison = &found.comparison;
        let names = &comparison.groups.names;
        let main_trait = self.analysis.study.main_trait();
        let mut compared = comparison.compared.iter();
        let Some(one) = compared.find(|one| Some(one.trait_index) == main_trait) else {
            return Vec::new();
        };
        let mut pieces = Vec::new();
        let mut alike = 0;
        for pair in one.clearest(MOST_NAMED) {
            let (a, b) = (names[pair.a].as_str(), pair.b.name(names));
            let last_d = pair.ages.last().map(|age| age.age_d);
            let spans = pair.spans();
            if spans.is_empty() {
                alike += 1;
            }
            for (from_d, to_d, above) in spans {
                let (heavy, light) = if above { (a, b) } else { (b, a) };
                let end = if Some(to_d) == last_d {
                    String::new()
                } else {
                    format!(" to {} d", days(to_d))
                };
                pieces.push(format!("{heavy} > {light} from {} d{end}", days(from_d)));
            }
        }
        if alike > 0 {
            let pairs = if alike == 1 { "pair" } else { "pairs" };
            pieces.push(if pieces.is_empty() {
                "none at any age".to_owned()
            } else {
                format!("no difference in {alike} {pairs}")
            });
        }
        if pieces.is_empty() {
            let reason = one.notes.last().map_or("not compared", String::as_str);
            pieces.push(reason.to_owned());
        }
        flowing("DIFFERENCES", &pieces, MOST_DIFFERENCES)
    }

    fn lay(&self) -> Vec<String> {
        let Some(lay) = self.analysis.lay.as_ref() else {
            return Vec::new();
        };
        let of_strains = lay.curves.iter().filter(|curve| curve.strain.is_some());
        let curves: Vec<_> = of_strains.collect();
        if curves.is_empty() {
            return Vec::new();
        }
        let mut lines = Vec::new();
        let named = |strain: Option<usize>| -> &str {
            strain.map_or("all", |strain| &lay.records.strains[strain])
        };
        let half = |name: &str| {
            let answer = self.find("age_in_lay_50pct", name, "", None)?;
            let limit = |side: f64| {
                if side.is_finite() {
                    format!("{side:.0}")
                } else {
                    "?".to_owned()
                }
            };
            let limits = answer.interval.map_or(String::new(), |limits| {
                format!(" ({} to {})", limit(limits.lower), limit(limits.upper))
            });
            Some(format!("{:.0} d{limits}", answer.estimate?))
        };
        if curves.len() <= MOST_IN_FULL {
            lines.push(format!("{:<INDENT$}{:<22}laying", "LAY", "50 % in lay at"));
            for curve in curves {
                let name = named(curve.strain);
                let half = half(name).unwrap_or_else(|| "not yet".to_owned());
                lines.push(format!(
                    "  {:<12}{half:<22}{} of {}",
                    short(name),
                    curve.laid,
                    curve.n
                ));
            }
        } else {
            let pieces: Vec<String> = curves
                .iter()
                .map(|curve| {
                    let name = named(curve.strain);
                    let half = half(name).unwrap_or_else(|| "not yet".to_owned());
                    format!("{name} {half}")
                })
                .collect();
            lines.extend(flowing("50 % IN LAY", &pieces, MOST_DIFFERENCES));
        }
        if let Some(waiting) = lay.waiting() {
            let models = &waiting.models;
            let error = |model: &crate::maturity::OnsetModel| {
                Some(format!("{:.1} d", model.cross_validated?.error_d?))
            };
            let base = models.without_cues().and_then(error);
            let words = match (models.recommended(), base) {
                (Some(model), Some(without)) => error(model).map(|with| {
                    format!(
                        "Cue: {} predicts first egg to {with} ({without} without)",
                        model.cues.join(" + ").replace('_', " ")
                    )
                }),
                (None, Some(without)) => {
                    let known = models.candidates();
                    let known = known.filter_map(|model| model.cross_validated?.error_d);
                    let least = known.fold(f64::INFINITY, f64::min);
                    Some(if least.is_finite() {
                        format!(
                            "Cues: no practical help (error {least:.1} d with, {without} without)"
                        )
                    } else {
                        "Cues: none could be judged".to_owned()
                    })
                }
                _ => None,
            };
            lines.extend(words.map(|words| format!("  {words}")));
        }
        lines
    }

    /// Fat, lean and bone at the last age.
    fn composition(&self) -> Vec<String> {
        let study = &self.analysis.study;
        let tissues: Vec<&str> = TISSUES
            .into_iter()
            .filter(|name| study.traits.iter().any(|records| records.name == *name))
            .collect();
        let typical = |name: &str| {
            let name = name.to_owned();
            self.answers.iter().filter(move |answer| {
                answer.quantity == "typical_mass" && answer.trait_name == name
            })
        };
        let Some(last_d) = tissues
            .iter()
            .flat_map(|name| typical(name))
            .filter_map(|answer| answer.age_d)
            .max_by(f64::total_cmp)
        else {
            return Vec::new();
        };
        let cell = |answer: &Answer| {
            let estimate = answer.estimate?;
            let half = answer
                .interval
                .map(|limits| (limits.upper - limits.lower) / 2.0);
            Some(estimate_and_error(estimate, half))
        };
        let at = |name: &str| typical(name).filter(|answer| answer.age_d == Some(last_d));
        let mut groups: Vec<String> = Vec::new();
        for answer in tissues.iter().flat_map(|name| at(name)) {
            let name = group_name(answer);
            if !groups.contains(&name) {
                groups.push(name);
            }
        }
        let mut lines = vec![format!("COMPOSITION at {} d, g", days(last_d))];
        if groups.len() <= MOST_IN_FULL {
            let percent = (1000.0 * self.analysis.confidence).round() / 10.0;
            let heading = format!("{} \u{b1} {percent} %", lines[0]);
            lines[0] = format!("{heading:<32}");
            for name in &tissues {
                lines[0].push_str(&format!("{:>16}", capital(name).to_lowercase()));
            }
            for group in &groups {
                let mut line = format!("  {:<30}", short(group));
                for name in &tissues {
                    let answer = at(name).find(|answer| group_name(answer) == *group);
                    let cell = answer.and_then(cell).unwrap_or_default();
                    line.push_str(&format!("{cell:>16}"));
                }
                lines.push(line);
            }
        } else {
            for name in &tissues {
                let values: Vec<f64> = at(name).filter_map(|answer| answer.estimate).collect();
                let (least, greatest) = values
                    .iter()
                    .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
                        (value.min(low), value.max(high))
                    });
                if least.is_finite() {
                    lines[0].push_str(&format!(
                        "; {name} {} to {}",
                        number(least),
                        number(greatest)
                    ));
                }
            }
        }
        lines
    }

    fn scanner(&self) -> Vec<String> {
        let of_equations = self.answers.iter();
        let mut found: Vec<&Answer> = of_equations
            .filter(|answer| answer.quantity == "left_out_error")
            .collect();
        let place = |name: &str| TISSUES.iter().position(|tissue| *tissue == name);
        found.sort_by_key(|answer| place(&answer.trait_name).unwrap_or(TISSUES.len()));
        let error = |answer: &&Answer| {
            let (of, unit) = (&answer.trait_name, answer.unit);
            Some(format!("{of} {} {unit}", number(answer.estimate?)))
        };
        let errors: Vec<String> = found.iter().filter_map(error).collect();
        if errors.is_empty() {
            return Vec::new();
        }
        vec![format!(
            "{:<INDENT$}error on birds left out: {}",
            "SCANNER",
            errors.join(", ")
        )]
    }

    fn attention(&self, warnings: usize) -> Vec<String> {
        let mut pieces = Vec::new();
        let rejected = self.analysis.scans.kept.rejected.len();
        if rejected > 0 {
            pieces.push(format!("{} rejected", count(rejected, "scan")));
        }
        let verdict = self.analysis.verdict.as_ref();
        let ahead = verdict.and_then(|verdict| verdict.ahead.as_ref());
        let birds = &self.analysis.study.birds;
        let mut drifting: Vec<&str> = Vec::new();
        for watch in ahead.iter().flat_map(|ahead| &ahead.drifting) {
            let lasting = watch.drifting.iter().filter(|one| one.lasting);
            drifting.extend(lasting.map(|one| birds[one.bird].name.as_str()));
        }
        drifting.sort_unstable();
        drifting.dedup();
        match drifting.as_slice() {
            [] => {}
            few @ [_] | few @ [_, _] | few @ [_, _, _] => {
                pieces.push(format!("look at {}", few.join(", ")));
            }
            [first, second, rest @ ..] => {
                pieces.push(format!("look at {first}, {second} and {} more", rest.len()));
            }
        }
        for model in &self.analysis.growth.trajectories.models {
            if model.status() != "converged" {
                let name = &self.analysis.study.traits[model.trait_index].name;
                let name = name.replace('_', " ");
                pieces.push(format!("the model of {name} is {}", model.status()));
            }
        }
        if warnings > 0 {
            pieces.push(format!("{} (--details)", count(warnings, "warning")));
        }
        if pieces.is_empty() {
            return Vec::new();
        }
        flowing("ATTENTION", &pieces, 2)
    }
}

/// Names that leave the columns in line.
fn short(name: &str) -> String {
    name.chars().take(11).collect()
}

/// A group as its strain and treatment.
fn group_name(answer: &Answer) -> String {
    match (&*answer.strain, &*answer.treatment) {
        (strain, "") => strain.to_owned(),
        ("", treatment) => treatment.to_owned(),
        (strain, treatment) => format!("{strain} {treatment}"),
    }
}

/// Where a strain stands; capitals where it is off.
fn verdict(row: &Deviation) -> &'static str {
    let Ok(against) = &row.against else {
        return "no target";
    };
    match (against.band, against.interval_g) {
        (Band::Inside, _) => "on target",
        (Band::Outside, _) if against.deviation_g < 0.0 => "BELOW TARGET",
        (Band::Outside, _) => "ABOVE TARGET",
        (Band::Unsure, _) if against.deviation_g < 0.0 => "lower edge, uncertain",
        (Band::Unsure, _) => "upper edge, uncertain",
        (Band::NotGiven, Some((lower_g, _))) if lower_g > 0.0 => "ABOVE TARGET",
        (Band::NotGiven, Some((_, upper_g))) if upper_g < 0.0 => "BELOW TARGET",
        (Band::NotGiven, Some(_)) => "not off target",
        (Band::NotGiven, None) => "one bird",
    }
}
