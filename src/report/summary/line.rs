//! A line on the terminal, made of pieces that may be coloured; its words carry the meaning.

use std::fmt;

/// Characters of a line.
pub const WIDTH: usize = 80;
/// Where the text of a line begins, behind its heading.
pub(super) const INDENT: usize = 14;

/// What a piece of a line is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// What the line is about.
    Heading,
    /// Anything else.
    Text,
    /// A verdict that needs no action.
    Good,
    /// A verdict that the data leave open.
    Uncertain,
    /// A verdict that needs action.
    Bad,
}

/// A line of at most [`WIDTH`] characters.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Line {
    pieces: Vec<(Role, String)>,
}

impl Line {
    /// A line without a heading.
    pub(super) fn plain(text: impl Into<String>) -> Self {
        Self::default().with(Role::Text, text)
    }

    /// A heading in its column, and the text behind it.
    pub(super) fn headed(heading: &str, text: impl Into<String>) -> Self {
        Self::default()
            .with(Role::Heading, format!("{heading:<INDENT$}"))
            .with(Role::Text, text)
    }

    /// With another piece at the end.
    pub(super) fn with(mut self, role: Role, text: impl Into<String>) -> Self {
        let text = text.into();
        if !text.is_empty() {
            self.pieces.push((role, text));
        }
        self
    }

    /// Its pieces in order.
    #[must_use]
    pub fn pieces(&self) -> &[(Role, String)] {
        &self.pieces
    }

    fn len(&self) -> usize {
        let lengths = self.pieces.iter().map(|(_, text)| text.chars().count());
        lengths.sum()
    }

    /// Without blanks at its end, and no longer than [`WIDTH`].
    pub(super) fn cut(mut self) -> Self {
        let trim = |line: &mut Self| {
            if let Some((_, text)) = line.pieces.last_mut() {
                text.truncate(text.trim_end().len());
            }
        };
        trim(&mut self);
        if self.len() <= WIDTH {
            return self;
        }
        let mut room = WIDTH - 3;
        for (_, text) in &mut self.pieces {
            let kept: String = text.chars().take(room).collect();
            room -= kept.chars().count();
            *text = kept;
        }
        self.pieces.retain(|(_, text)| !text.is_empty());
        trim(&mut self);
        self.with(Role::Text, "...")
    }
}

impl fmt::Display for Line {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.pieces
            .iter()
            .try_for_each(|(_, text)| f.write_str(text))
    }
}

/// Pieces set behind a heading with semicolons between, as many to a line as fit, on at most
/// `most` lines.
pub(super) fn flowing(heading: &str, pieces: &[String], most: usize) -> Vec<Line> {
    let last = pieces.len().saturating_sub(1);
    let ended = pieces.iter().enumerate().map(|(place, piece)| {
        let end = if place < last { ";" } else { "" };
        format!("{piece}{end}")
    });
    filled(heading, &ended.collect::<Vec<_>>(), most)
}

/// A sentence set behind a heading, on at most `most` lines.
pub(super) fn wrapped(heading: &str, text: &str, most: usize) -> Vec<Line> {
    let words: Vec<String> = text.split_whitespace().map(str::to_owned).collect();
    filled(heading, &words, most)
}

/// Pieces with blanks between, none broken.
fn filled(heading: &str, pieces: &[String], most: usize) -> Vec<Line> {
    let mut texts = vec![String::new()];
    for piece in pieces {
        let last = texts.len() - 1;
        let begun = texts[last].chars().count();
        if begun == 0 {
            texts[last].push_str(piece);
        } else if INDENT + begun + 1 + piece.chars().count() < WIDTH {
            texts[last].push(' ');
            texts[last].push_str(piece);
        } else if texts.len() == most {
            let mut kept = std::mem::take(&mut texts[last]);
            while INDENT + kept.chars().count() + 4 > WIDTH {
                let Some(at) = kept.rfind(' ') else { break };
                kept.truncate(at);
            }
            texts[last] = format!("{} ...", kept.trim_end_matches(';'));
            break;
        } else {
            texts.push(piece.clone());
        }
    }
    let headings = std::iter::once(heading).chain(std::iter::repeat(""));
    let lines = headings.zip(texts);
    lines
        .map(|(heading, text)| Line::headed(heading, text))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_keep_their_width() {
        let long = Line::headed("LAY", "x".repeat(90))
            .with(Role::Bad, "below target")
            .cut();
        assert_eq!(long.to_string().chars().count(), WIDTH);
        assert!(long.to_string().ends_with("x..."));
        let short = Line::headed("LAY", "50 % ").with(Role::Good, "on target  ");
        assert_eq!(short.cut().to_string(), "LAY           50 % on target");
    }

    #[test]
    fn sentences_are_broken_between_words() {
        let lines = wrapped("PLAN", &"birds ".repeat(40), 2);
        let text: Vec<String> = lines
            .into_iter()
            .map(|line| line.cut().to_string())
            .collect();
        assert_eq!(text.len(), 2);
        assert!(text[0].starts_with("PLAN          birds"));
        assert!(text[1].starts_with("              birds"));
        assert!(text[1].ends_with("birds ..."));
        assert!(text.iter().all(|line| line.chars().count() <= WIDTH));
    }
}
