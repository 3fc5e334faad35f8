//! A line of text with italics, bold and raised exponents.

use crate::figure::font::{self, Cut};
use crate::figure::paper::SMALL_PT;

/// A piece of a text, set in one way.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Run {
    pub text: String,
    pub cut: Cut,
    pub raised: bool,
}

/// A line of text. What stands in it is shown as it is: there is no markup, so
/// a bird may be called `<b>` or `x^2`.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Words(pub Vec<Run>);

impl Words {
    pub(crate) fn plain(text: impl AsRef<str>) -> Self {
        Self::default().then(text)
    }

    pub(crate) fn bold(text: impl AsRef<str>) -> Self {
        Self::default().run(text.as_ref(), Cut::Bold, false)
    }

    /// Adds upright text.
    pub(crate) fn then(self, text: impl AsRef<str>) -> Self {
        self.run(text.as_ref(), Cut::Regular, false)
    }

    /// Adds slanted text, as for the n of a sample.
    pub(crate) fn italic(self, text: impl AsRef<str>) -> Self {
        self.run(text.as_ref(), Cut::Italic, false)
    }

    /// Adds a raised exponent.
    pub(crate) fn raised(self, text: impl AsRef<str>) -> Self {
        self.run(text.as_ref(), Cut::Regular, true)
    }

    fn run(mut self, text: &str, cut: Cut, raised: bool) -> Self {
        let text = printable(text);
        if !text.is_empty() {
            self.0.push(Run { text, cut, raised });
        }
        self
    }

    /// Adds other words behind these.
    pub(crate) fn join(mut self, other: Words) -> Self {
        self.0.extend(other.0);
        self
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The letters alone.
    pub(crate) fn text(&self) -> String {
        self.0.iter().map(|run| run.text.as_str()).collect()
    }

    /// Width in mm at `pt` points.
    pub(crate) fn width_mm(&self, pt: f64) -> f64 {
        self.0
            .iter()
            .map(|run| {
                let pt = if run.raised { raised_pt(pt) } else { pt };
                font::width_mm(&run.text, run.cut, pt)
            })
            .sum()
    }
}

/// Size of an exponent in text of `pt` points: small, but never under the
/// smallest letters that print well.
pub(crate) fn raised_pt(pt: f64) -> f64 {
    (0.72 * pt).max(SMALL_PT).min(pt)
}

/// A name followed by its n: "Line A (n = 20 birds)", the name cut with an
/// ellipsis so that all fits `width_mm`.
pub(crate) fn name_and_n(name: &str, n: &str, cut: Cut, pt: f64, width_mm: f64) -> Words {
    let tail = if n.is_empty() {
        Words::default()
    } else {
        Words::plain(" (").italic("n").then(format!(" = {n})"))
    };
    let room = width_mm - tail.width_mm(pt);
    Words::default()
        .run(&shorten(name, cut, pt, room), cut, false)
        .join(tail)
}

/// The text, cut with an ellipsis where it is wider than `width_mm`.
pub(crate) fn shorten(text: &str, cut: Cut, pt: f64, width_mm: f64) -> String {
    let text = printable(text);
    if font::width_mm(&text, cut, pt) <= width_mm {
        return text;
    }
    let room = width_mm - font::width_mm("…", cut, pt);
    let mut kept = String::new();
    for character in text.chars() {
        kept.push(character);
        if font::width_mm(&kept, cut, pt) > room {
            kept.pop();
            break;
        }
    }
    format!("{}…", kept.trim_end())
}

/// Breaks a text into lines no wider than `width_mm`, at spaces where it can.
pub(crate) fn wrap(text: &str, pt: f64, width_mm: f64) -> Vec<String> {
    let width = |line: &str| font::width_mm(line, Cut::Regular, pt);
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in printable(text).split_whitespace() {
        let word = shorten(word, Cut::Regular, pt, width_mm);
        let longer = if line.is_empty() {
            word.clone()
        } else {
            format!("{line} {word}")
        };
        if width(&longer) <= width_mm || line.is_empty() {
            line = longer;
        } else {
            lines.push(std::mem::replace(&mut line, word));
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// Drops what cannot be printed or would turn the text about: control
/// characters, direction marks and code points that XML forbids.
pub(crate) fn printable(text: &str) -> String {
    text.chars()
        .map(|c| {
            if matches!(c, '\t' | '\n' | '\r') {
                ' '
            } else {
                c
            }
        })
        .filter(|&c| {
            !c.is_control()
                && !matches!(c,
                    '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}'
                    | '\u{FEFF}' | '\u{FFFE}' | '\u{FFFF}')
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_names_are_cut_to_the_room_they_have() {
        let words = name_and_n(
            "A very long name of a strain",
            "12",
            Cut::Regular,
            7.0,
            25.0,
        );
        assert!(words.width_mm(7.0) <= 25.0);
        assert!(words.text().contains("… (n = 12)"), "{}", words.text());
    }

    #[test]
    fn wrapped_lines_keep_every_word_and_fit() {
        let text = "one band of the fitted curve and its observed points";
        let lines = wrap(text, 6.0, 20.0);
        assert_eq!(lines.join(" "), text);
        assert!(lines.len() > 1);
        assert!(
            lines
                .iter()
                .all(|line| font::width_mm(line, Cut::Regular, 6.0) <= 20.0)
        );
    }

    #[test]
    fn control_characters_and_direction_marks_go() {
        assert_eq!(printable("a\u{0}b\u{202E}c\nd\u{1b}"), "abc d");
    }
}
