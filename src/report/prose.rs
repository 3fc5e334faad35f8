//! Words in sections, for a page and for a file of Markdown.

/// Some paragraphs under a heading.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Section {
    /// The heading.
    pub title: &'static str,
    /// Its paragraphs, at least one.
    pub paragraphs: Vec<String>,
}

/// A text in sections, with the numbered list of its sources.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Prose {
    /// The heading over all.
    pub title: &'static str,
    /// What to know before the text is used.
    pub preface: String,
    /// Sections in order; none is empty.
    pub sections: Vec<Section>,
    /// Sources, each with its number.
    pub references: Vec<String>,
}

impl Prose {
    /// A text of these sections, those without a paragraph left out.
    pub(super) fn new(
        title: &'static str,
        preface: String,
        sections: impl IntoIterator<Item = (&'static str, Vec<String>)>,
        references: Vec<String>,
    ) -> Self {
        let sections = sections
            .into_iter()
            .map(|(title, paragraphs)| Section { title, paragraphs })
            .filter(|section| !section.paragraphs.is_empty());
        Self {
            title,
            preface,
            sections: sections.collect(),
            references,
        }
    }

    /// The paragraphs, a section's title before its first; the sources last.
    #[must_use]
    pub fn paragraphs(&self) -> Vec<String> {
        let mut all = Vec::new();
        for Section { title, paragraphs } in &self.sections {
            for (place, paragraph) in paragraphs.iter().enumerate() {
                all.push(match place {
                    0 => format!("{title}. {paragraph}"),
                    _ => paragraph.clone(),
                });
            }
        }
        if !self.references.is_empty() {
            all.push(format!("Sources. {}", self.references.join("; ")));
        }
        all
    }

    /// The text as Markdown.
    #[must_use]
    pub fn markdown(&self) -> String {
        let mut out = format!("# {}\n\n{}\n", self.title, plain(&self.preface));
        for Section { title, paragraphs } in &self.sections {
            out += &format!("\n## {title}\n");
            for paragraph in paragraphs {
                out += &format!("\n{}\n", plain(paragraph));
            }
        }
        if !self.references.is_empty() {
            out += "\n## References\n\n";
            for reference in &self.references {
                out += &format!("{}\n", plain(reference));
            }
        }
        out
    }
}

/// Words with Markdown's special characters escaped: a bird may be called `*`.
fn plain(words: &str) -> String {
    let mut out = String::with_capacity(words.len());
    let mut letters = words.chars().peekable();
    while let Some(letter) = letters.next() {
        match letter {
            '\\' | '*' | '`' => {
                out.push('\\');
                out.push(letter);
            }
            // A tag; in `p < 0.001` it is none.
            '<' if letters.peek().is_some_and(|next| !next.is_whitespace()) => out.push_str("\\<"),
            // A link; a citation such as [1] is none.
            '(' if out.ends_with(']') => out.push_str("\\("),
            letter if letter.is_control() => out.push(' '),
            letter => out.push(letter),
        }
    }
    out
}

/// `a`, `a and b`, `a, b and c`.
pub(super) fn listed<S: AsRef<str>>(items: &[S]) -> String {
    match items {
        [] => String::new(),
        [one] => one.as_ref().to_owned(),
        [before @ .., last] => {
            let before: Vec<&str> = before.iter().map(AsRef::as_ref).collect();
            format!("{} and {}", before.join(", "), last.as_ref())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_stay_what_they_are_in_markdown() {
        let prose = Prose::new(
            "Methods",
            "Read it.".to_owned(),
            [
                ("Birds", vec!["*a* and <b> [x](y) [1]".to_owned()]),
                ("Nothing", Vec::new()),
            ],
            vec!["1. Somebody (1999) A_b".to_owned()],
        );
        assert_eq!(
            prose.markdown(),
            "# Methods\n\nRead it.\n\n## Birds\n\n\\*a\\* and \\<b> [x]\\(y) [1]\n\n## References\n\n1. Somebody (1999) A_b\n"
        );
        assert_eq!(
            prose.paragraphs(),
            [
                "Birds. *a* and <b> [x](y) [1]",
                "Sources. 1. Somebody (1999) A_b"
            ]
        );
    }

    #[test]
    fn lists_read_as_sentences() {
        assert_eq!(listed(&["a", "b", "c"]), "a, b and c");
        assert_eq!(listed(&["a"]), "a");
    }
}
