//! The first screen: the answers as cards, each with one picture, and what needs attention.

use super::charts;
use super::content::{Content, GroupCurve};
use super::html::{Column, escaped, line, paragraph, table};
use super::lay_chart;
use crate::report::text::{Attention, Masses, Sentence, Target, Verdict, capital};

/// Rows of masses on a card.
const MOST_GROUPS: usize = 6;
/// Ages of masses on a card: the last ones.
const MOST_AGES: usize = 3;
/// Groups that a sentence of differences names.
const MOST_CLAUSES: usize = 3;
/// Houses and pens on a card.
const MOST_PLACES: usize = 8;
/// Things that need attention.
const MOST_ATTENTION: usize = 5;

/// The first screen.
pub(super) fn first_screen(put: &mut String, content: &Content, warnings: usize) {
    line(
        put,
        "<section id=\"overview\" class=\"cards\" aria-label=\"Overview\">",
    );
    let overview = &content.overview;
    if let Some(target) = &overview.target {
        target_card(put, content, target);
    }
    growth_card(put, content);
    lay_card(put, content);
    attention_card(put, content, warnings);
    for caution in &overview.cautions {
        paragraph(put, "caution", caution);
    }
    line(put, "</section>");
}

/// A sentence whose beginning stands out.
pub(super) fn lead(put: &mut String, sentence: &Sentence) {
    let strong = match &*sentence.lead {
        "" => String::new(),
        words => format!("<b>{}</b>", escaped(words)),
    };
    line(
        put,
        &format!("<p class=\"lead\">{strong}{}</p>", escaped(&sentence.rest)),
    );
}

/// A strain's mark and name.
fn named(place: usize, name: &str) -> String {
    format!("{}{}", charts::key(place), escaped(name))
}

/// Where a strain stands, as a mark with words.
pub(super) fn pill(verdict: Verdict) -> String {
    let (class, sign) = match verdict {
        Verdict::OnTarget => ("ok", "\u{2713}"),
        Verdict::Below => ("off", "\u{25bc}"),
        Verdict::Above => ("off", "\u{25b2}"),
        Verdict::LowerEdge => ("edge", "\u{25bd}"),
        Verdict::UpperEdge => ("edge", "\u{25b3}"),
        Verdict::NotOff | Verdict::OneBird | Verdict::NoTarget => ("edge", "\u{25cb}"),
    };
    // On a narrow screen the first words are enough.
    let (first, rest) = match verdict {
        Verdict::Below => ("below", " target"),
        Verdict::Above => ("above", " target"),
        Verdict::LowerEdge => ("lower edge", ", uncertain"),
        Verdict::UpperEdge => ("upper edge", ", uncertain"),
        other => (other.words(), ""),
    };
    format!(
        "<span class=\"pill {class}\"><span aria-hidden=\"true\">{sign}</span> {first}<span class=\"wide\">{rest}</span></span>"
    )
}

fn target_card(put: &mut String, content: &Content, target: &Target) {
    let unit = content.overview.unit;
    let shown = target.shown((4, 4));
    let ages = shown.iter().map(|row| row.age_d);
    let first = ages.clone().fold(f64::INFINITY, f64::min);
    let last = ages.fold(f64::NEG_INFINITY, f64::max);
    let at = if last - first < 0.5 {
        format!("at {}", content.overview.ages.show(last))
    } else {
        format!("at {}", content.overview.ages.show_span(first, last))
    };
    line(
        put,
        &format!("<article class=\"card full\"><h2>On target {at}?</h2>"),
    );
    lead(put, &target.sentence());
    line(put, "<div class=\"two\"><div>");
    let columns = [
        Column::words("Strain"),
        Column::number("Mean"),
        Column::number("Target").wide(),
        Column::number("Difference"),
        Column::number("Days").wide(),
        Column::number("Uniformity").wide(),
        Column::words("Verdict"),
    ];
    let places = target.shown_places(MOST_PLACES);
    let strains = shown.len();
    let rows: Vec<Vec<String>> = shown
        .iter()
        .chain(&places)
        .enumerate()
        .map(|(at, row)| {
            vec![
                if target.is_long() || at >= strains {
                    escaped(&row.name)
                } else {
                    named(row.strain, &row.name)
                },
                row.mean_words(unit),
                row.target_words(unit),
                row.difference_words(),
                row.days_words(),
                row.uniformity_words(),
                pill(row.verdict),
            ]
        })
        .collect();
    table(put, "Last weighing against the target", &columns, &rows);
    if target.is_long() {
        let (some, all) = (shown.len(), target.rows.len());
        paragraph(
            put,
            "note",
            &format!("The {some} lowest and highest of {all} strains."),
        );
    }
    line(put, "</div>");
    if !content.deviations.is_empty() {
        let band =
            charts::common_band(&content.deviations).map_or("", |_| " Shaded: the target's band.");
        line(
            put,
            &format!(
                "<figure>{}<figcaption>Deviation of strain means from target.{band}</figcaption></figure>",
                charts::deviation(
                    &content.deviations,
                    !target.is_long(),
                    content.overview.ages
                )
            ),
        );
    }
    line(put, "</div></article>");
}

/// How groups grow and whether they differ, with the masses at named ages.
fn growth_card(put: &mut String, content: &Content) {
    let overview = &content.overview;
    let Some(weighed) = overview.weighed() else {
        return;
    };
    let full = overview.target.is_none();
    let differs = overview.differs().filter(|_| weighed.groups.len() > 1);
    let heading = match differs {
        Some(_) => format!("Do the {} differ?", content.groups),
        None => "How do they grow?".to_owned(),
    };
    line(
        put,
        if full {
            "<article class=\"card full\"><div class=\"two\"><div>"
        } else {
            "<article class=\"card\">"
        },
    );
    line(put, &format!("<h2>{}</h2>", escaped(&heading)));
    match differs {
        Some(differs) => lead(put, &differs.sentence(MOST_CLAUSES)),
        None => {
            if let Some(growth) = &overview.growth {
                lead(put, growth);
            }
        }
    }
    if full
        && differs.is_some()
        && let Some(growth) = &overview.growth
    {
        paragraph(put, "", &growth.to_string());
    }
    masses(put, content, weighed);
    if full {
        line(put, "</div>");
    }
    let few = weighed.groups.len() <= MOST_GROUPS;
    if let Some(curves) = content.curves.iter().find(|one| one.is_main) {
        let shown = weighed.shown(MOST_GROUPS).into_iter();
        let shown: Vec<&GroupCurve> = shown
            .filter_map(|group| curves.groups.iter().find(|one| one.name == group.name))
            .collect();
        if !shown.is_empty() {
            let weak = match curves.weak {
                true => "<figcaption>Dashed: the model is weak.</figcaption>",
                false => "",
            };
            line(
                put,
                &format!(
                    "<figure>{}{weak}</figure>",
                    charts::growth(&shown, curves, (few, overview))
                ),
            );
        }
    }
    line(
        put,
        if full {
            "</div></article>"
        } else {
            "</article>"
        },
    );
}

/// Masses of the groups that are shown at the last named ages.
fn masses(put: &mut String, content: &Content, weighed: &Masses) {
    let (unit, percent) = (content.overview.unit, content.overview.percent);
    let skipped = weighed.ages_d.len().saturating_sub(MOST_AGES);
    let heading = match weighed.groups.len() {
        1 => capital(&content.overview.subject),
        _ => content.group_heading().to_owned(),
    };
    let mut columns = vec![Column::words(&heading)];
    columns.extend(
        weighed.ages_d[skipped..]
            .iter()
            .enumerate()
            .map(|(place, age_d)| {
                let column = Column::number(&content.overview.ages.show(*age_d));
                let last = place + 1 == weighed.ages_d.len() - skipped;
                if last || place == 0 {
                    column
                } else {
                    column.wide()
                }
            }),
    );
    let shown = weighed.shown(MOST_GROUPS);
    let rows: Vec<Vec<String>> = shown
        .iter()
        .map(|group| {
            let cells = group.at[skipped..].iter();
            let cells = cells.map(|mass| mass.map_or(String::new(), |mass| mass.with_half_width()));
            let name = match weighed.groups.len() {
                1 => "typical".to_owned(),
                n if n > MOST_GROUPS => escaped(&group.name),
                _ => named(group.place, &group.name),
            };
            std::iter::once(name).chain(cells).collect()
        })
        .collect();
    let what = capital(&weighed.trait_name);
    let unit = match unit {
        "" => String::new(),
        unit => format!(", {unit}"),
    };
    table(
        put,
        &format!("{what}{unit}, with half the width of the {percent} % interval"),
        &columns,
        &rows,
    );
    let some = if shown.len() < weighed.groups.len() {
        format!(
            " The lowest and highest {} of {}.",
            shown.len(),
            weighed.groups.len()
        )
    } else {
        String::new()
    };
    paragraph(
        put,
        "note",
        &format!(
            "Typical {}{unit} \u{b1} half the {percent} % interval{}.{some}",
            weighed.trait_name,
            if weighed.groups.len() <= MOST_GROUPS {
                " (shaded below)"
            } else {
                ""
            }
        ),
    );
}

fn lay_card(put: &mut String, content: &Content) {
    let Some(lay) = &content.overview.lay else {
        return;
    };
    line(put, "<article class=\"card\"><h2>When will they lay?</h2>");
    lead(put, &lay.sentence());
    if let Some(chart) = lay_chart::ages_in_lay(&lay.rows) {
        line(
            put,
            &format!(
                "<figure>{chart}<figcaption>Lines: {} % intervals.</figcaption></figure>",
                content.overview.percent
            ),
        );
    }
    let by_eggs = lay.egg_sentence().filter(|_| !lay.rows.is_empty());
    for more in by_eggs.into_iter().chain(lay.waiting_sentence()) {
        paragraph(put, "", &more);
    }
    if let Some(cue) = &lay.cue {
        paragraph(put, "note", &cue.sentence());
    }
    line(put, "</article>");
}

fn attention_card(put: &mut String, content: &Content, warnings: usize) {
    let of_warnings = Attention::of_warnings(warnings);
    let all: Vec<&Attention> = content
        .overview
        .attention
        .iter()
        .chain(&of_warnings)
        .collect();
    if all.is_empty() {
        return;
    }
    line(
        put,
        "<article class=\"card\"><h2>Needs attention</h2><ul class=\"attention\">",
    );
    // The last is that there are warnings: it stays.
    let skipped = all.len().saturating_sub(MOST_ATTENTION);
    let (first, last) = all.split_at(all.len() - 1);
    let first = &first[..first.len() - skipped];
    for one in first.iter().chain(last) {
        line(
            put,
            &format!(
                "<li><b>{}</b>{} <a href=\"#{}\">{}</a></li>",
                escaped(&one.who),
                escaped(&one.what),
                one.topic.anchor(),
                one.topic.title()
            ),
        );
    }
    line(put, "</ul></article>");
}
