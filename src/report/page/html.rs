//! Pieces of HTML: every word from the data goes through [`escaped`].

use std::fmt::Write as _;

pub(super) use crate::figure::escaped;

/// Appends a line.
pub(super) fn line(put: &mut String, text: &str) {
    // Writing to a String cannot fail.
    let _ = writeln!(put, "{text}");
}

/// A paragraph of escaped words.
pub(super) fn paragraph(put: &mut String, class: &str, words: &str) {
    if words.is_empty() {
        return;
    }
    let class = match class {
        "" => String::new(),
        class => format!(" class=\"{class}\""),
    };
    line(put, &format!("<p{class}>{}</p>", escaped(words)));
}

/// A list, folded after the first `most` lines.
pub(super) fn list(put: &mut String, all: &[String], most: usize) {
    let some = |put: &mut String, some: &[String]| {
        line(put, "<ul>");
        for words in some {
            line(put, &format!("<li>{}</li>", escaped(words)));
        }
        line(put, "</ul>");
    };
    if all.is_empty() {
        return;
    }
    let (first, rest) = all.split_at(all.len().min(most));
    some(put, first);
    if !rest.is_empty() {
        line(
            put,
            &format!("<details><summary>{} more</summary>", rest.len()),
        );
        some(put, rest);
        line(put, "</details>");
    }
}

/// A column of a table: its heading, and whether its cells are numbers.
#[derive(Debug, Clone)]
pub(super) struct Column {
    pub heading: String,
    pub number: bool,
    pub class: &'static str,
}

impl Column {
    pub(super) fn words(heading: &str) -> Self {
        Self {
            heading: heading.to_owned(),
            number: false,
            class: "",
        }
    }

    pub(super) fn number(heading: &str) -> Self {
        Self {
            number: true,
            ..Self::words(heading)
        }
    }

    /// Left out where there is no room for it.
    pub(super) fn wide(self) -> Self {
        Self {
            class: "wide",
            ..self
        }
    }

    fn class(&self) -> String {
        let number = if self.number { "n" } else { "" };
        match [number, self.class].join(" ").trim() {
            "" => String::new(),
            class => format!(" class=\"{class}\""),
        }
    }
}

/// A table; the first cell of a row is its heading. Cells are HTML.
pub(super) fn table(put: &mut String, name: &str, columns: &[Column], rows: &[Vec<String>]) {
    line(
        put,
        &format!(
            "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"{0}\"><table><caption class=\"unseen\">{0}</caption><thead><tr>",
            escaped(name)
        ),
    );
    for column in columns {
        line(
            put,
            &format!(
                "<th scope=\"col\"{}>{}</th>",
                column.class(),
                column.heading
            ),
        );
    }
    line(put, "</tr></thead><tbody>");
    for row in rows {
        put.push_str("<tr>");
        for (place, (cell, column)) in row.iter().zip(columns).enumerate() {
            let class = column.class();
            let _ = if place == 0 {
                write!(put, "<th scope=\"row\"{class}>{cell}</th>")
            } else {
                write!(put, "<td{class}>{cell}</td>")
            };
        }
        line(put, "</tr>");
    }
    line(put, "</tbody></table></div>");
}

/// `1 warning`, `12 345 warnings`.
pub(super) fn plural(count: usize, what: &str) -> String {
    let ending = if count == 1 { "" } else { "s" };
    format!("{} {what}{ending}", thousands(count))
}

/// A count with a thin space between thousands.
pub(super) fn thousands(count: usize) -> String {
    let digits = count.to_string();
    let mut words = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) && digits.len() > 4 {
            words.push('\u{202f}');
        }
        words.push(digit);
    }
    words
}

/// Base64 of RFC 4648 with padding.
pub(super) fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let group = chunk
            .iter()
            .chain([0, 0].iter())
            .take(3)
            .fold(0_u32, |group, byte| group << 8 | u32::from(*byte));
        for place in 0..4 {
            let letter = LETTERS[(group >> (18 - 6 * place)) as usize & 63];
            text.push(if place <= chunk.len() {
                char::from(letter)
            } else {
                '='
            });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The test vectors of RFC 4648, section 10.
    #[test]
    fn base64_as_in_the_rfc() {
        let vectors = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (bytes, text) in vectors {
            assert_eq!(base64(bytes.as_bytes()), text);
        }
    }

    #[test]
    fn words_from_the_data_are_text() {
        assert_eq!(
            escaped("<b a='1'>&\""),
            "&lt;b a=&#39;1&#39;&gt;&amp;&quot;"
        );
    }
}
