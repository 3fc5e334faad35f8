//! The figures of the page: each under its topic, in the page's colours, in few bytes.

use super::html::{base64, escaped, line};
use crate::error::Result;
use crate::report::Table;
use crate::report::pictures::Named;
use crate::report::text::Topic;

/// An SVG beyond this many bytes is embedded as a PNG where that is smaller.
const LONG_SVG: usize = 60_000;

/// Resolution of those.
const DPI: u32 = 160;

/// Beginnings of the names of figures, the topic where they stand and the table that they are
/// drawn from; the first of a topic that the study has is its main figure. Figures without a
/// line here are not on the page: the explorer shows what they show.
const PLACES: [(&str, Topic, &str); 19] = [
    ("samples", Topic::Growth, "sample_model"),
    ("rate", Topic::Growth, "curve_terms"),
    ("population", Topic::Growth, "curve_terms"),
    ("body_parts", Topic::Composition, "corrected"),
    ("difference", Topic::Differences, "difference_by_age"),
    ("contrasts", Topic::Differences, "contrasts"),
    ("deviation", Topic::Target, "deviation"),
    ("forecast", Topic::Target, "forecast"),
    ("uniformity", Topic::Target, "uniformity"),
    ("scale_days", Topic::Platform, "scale_days"),
    ("lay_curve", Topic::Lay, "lay_curve"),
    ("egg_production", Topic::Lay, "egg_counts"),
    ("value_at_first_egg", Topic::Lay, "thresholds"),
    ("calibration", Topic::Scanner, "calibration_rows"),
    ("bland_altman", Topic::Scanner, "agreement"),
    ("precision", Topic::Scanner, "repeatability"),
    ("feather_share", Topic::Scanner, "feathers"),
    ("density", Topic::Composition, "densities"),
    ("phantom", Topic::Scanner, "phantom"),
];

/// Figures of single traits that only the trait weighed first has on the page.
const OF_MAIN_TRAIT: [&str; 2] = ["rate", "population"];

/// The figures of a topic, its main one first.
pub(super) fn of_topic<'a>(figures: &'a [Named], topic: Topic, main_trait: &str) -> Vec<&'a Named> {
    let places = PLACES.iter().filter(|(_, of, _)| *of == topic);
    let mut found = Vec::new();
    for (start, ..) in places {
        let named = figures
            .iter()
            .filter(|figure| figure.name.starts_with(start));
        let (main, others): (Vec<&Named>, Vec<&Named>) =
            named.partition(|figure| figure.name.contains(main_trait));
        found.extend(main);
        if !OF_MAIN_TRAIT.contains(start) {
            found.extend(others);
        }
    }
    found
}

/// A figure with its caption, and a button for the table that it is drawn from.
pub(super) fn figure(put: &mut String, figure: &Named, tables: &[Table]) -> Result<()> {
    let of = PLACES
        .iter()
        .find(|(start, ..)| figure.name.starts_with(start));
    let table = of.and_then(|(.., name)| tables.iter().find(|table| table.name() == *name));
    let button = table.map_or(String::new(), |table| {
        format!(
            " <button type=\"button\" class=\"csv\" data-table=\"{0}\">{0}.csv</button>",
            table.name()
        )
    });
    let picture = &figure.picture;
    let width = picture.size().width_mm() * 96.0 / 25.4;
    line(
        put,
        &format!(
            "<figure class=\"paper\" id=\"figure-{}\" style=\"--w:{:.0}px\"><div class=\"sheet\">{}</div><figcaption><b>{}.</b> {}{button}</figcaption></figure>",
            escaped(&figure.name),
            1.5 * width,
            embedded(figure)?,
            escaped(picture.title()),
            escaped(picture.description())
        ),
    );
    Ok(())
}

/// The picture in the page: as SVG with its title, or as PNG where that is smaller.
fn embedded(figure: &Named) -> Result<String> {
    let picture = &figure.picture;
    let svg = compact(picture.svg());
    if svg.len() > LONG_SVG {
        let png = base64(&picture.png(DPI)?);
        if png.len() < svg.len() {
            return Ok(format!(
                "<img alt=\"{}\" loading=\"lazy\" src=\"data:image/png;base64,{png}\">",
                escaped(picture.title())
            ));
        }
    }
    Ok(svg)
}

/// Attributes that repeat by the thousand, and the class that stands for them in the page.
/// A quotation mark in a user's words is escaped, so that these are attributes.
const CLASSES: [(&str, &str); 9] = [
    (
        " fill=\"none\" stroke=\"#262626\" stroke-width=\"0.176\" stroke-linejoin=\"round\"",
        "k",
    ),
    (
        " font-size=\"2.469\" fill=\"#262626\" text-anchor=\"middle\"",
        "c",
    ),
    (
        " font-size=\"2.469\" fill=\"#262626\" text-anchor=\"end\"",
        "e",
    ),
    (" font-size=\"2.469\" fill=\"#262626\"", "w"),
    (
        " font-size=\"2.117\" fill=\"#262626\" text-anchor=\"middle\"",
        "d",
    ),
    (" font-size=\"2.117\" fill=\"#262626\"", "f"),
    (
        " fill=\"none\" stroke=\"#262626\" stroke-width=\"0.18\" stroke-linejoin=\"round\"",
        "k",
    ),
    (" font-size=\"2.117\" fill=\"#595959\"", "h"),
    (" stroke-linejoin=\"round\"", ""),
];

/// The SVG in fewer bytes: repeated attributes as classes, coordinates to a hundredth of a
/// millimetre, no description, which the caption has.
fn compact(svg: &str) -> String {
    let mut svg = svg.to_owned();
    for (attributes, class) in CLASSES {
        let class = match class {
            "" => String::new(),
            class => format!(" class=\"{class}\""),
        };
        svg = svg.replace(attributes, &class);
    }
    if let (Some(from), Some(to)) = (svg.find("<desc>"), svg.find("</desc>")) {
        svg.replace_range(from..to + "</desc>".len(), "");
    }
    let mut out = String::with_capacity(svg.len());
    for text in svg.lines().filter(|text| !text.is_empty()) {
        match text.find(" d=\"") {
            Some(from) if text.starts_with("<path") => {
                out.push_str(&text[..from]);
                shorter(&mut out, &text[from..]);
            }
            _ => out.push_str(text),
        }
        out.push('\n');
    }
    out
}

/// Numbers with at most two digits behind the point.
fn shorter(out: &mut String, text: &str) {
    let mut behind = None;
    for letter in text.chars() {
        behind = match (letter, behind) {
            ('.', _) => Some(0),
            ('0'..='9', Some(n)) => Some(n + 1),
            _ => None,
        };
        if behind.is_none_or(|n| n <= 2) {
            out.push(letter);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_lose_digits_and_words_do_not() {
        let svg = "<svg><desc>a</desc>\n<path d=\"M1.2345 2.5L-3.456 4\" fill=\"none\"/>\n<text>1.2345</text></svg>";
        assert_eq!(
            compact(svg),
            "<svg>\n<path d=\"M1.23 2.5L-3.45 4\" fill=\"none\"/>\n<text>1.2345</text></svg>\n"
        );
    }
}
