//! The scanning protocol as a section of the page: the same steps as in `paper/protocol.md`.

use super::html::{escaped, line, paragraph};
use crate::report::protocol::Protocol;

/// The steps, in a numbered list; folded away on the screen, and printed whole (`page.js`).
pub(super) fn protocol(put: &mut String, protocol: &Protocol) {
    paragraph(put, "caution", &format!("Cautions: {}", protocol.cautions));
    line(
        put,
        "<details id=\"protocol-steps\"><summary>The steps</summary><ol class=\"steps\">",
    );
    for step in &protocol.steps {
        line(put, &format!("<li><h3>{}</h3><ul>", escaped(step.title)));
        for words in &step.lines {
            line(put, &format!("<li>{}</li>", with_prompts(words)));
        }
        line(put, "</ul></li>");
    }
    line(put, "</ol></details>");
}

/// A line whose prompts in square brackets stand out.
fn with_prompts(words: &str) -> String {
    escaped(words)
        .replace('[', "<span class=\"prompt\">[")
        .replace(']', "]</span>")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prompts_stand_out_and_words_stay_words() {
        assert_eq!(
            with_prompts("Use <tube>. [Say why.]"),
            "Use &lt;tube&gt;. <span class=\"prompt\">[Say why.]</span>"
        );
    }
}
