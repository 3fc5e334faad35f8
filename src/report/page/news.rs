//! Additional text of a page that follows the study.

use std::time::SystemTime;

use super::html::{escaped, line, list};

/// Additional text of a page that follows the study.
#[derive(Debug, Clone)]
pub struct Live {
    /// Path of the number of the newest version on the page's own server.
    pub version: String,
    /// When the page was made.
    pub made: SystemTime,
}

/// What stands above a page that follows the study, where it is not the study as it is.
#[derive(Debug, Clone)]
pub struct News {
    /// What has happened.
    pub heading: String,
    /// Each fault or change, a line each.
    pub lines: Vec<String>,
    /// Address and words of a link to another page.
    pub link: Option<(String, String)>,
}

/// Where news go in a page that has been made.
pub(super) const NEWS: &str = "<!-- news -->";

/// A page as one version of what its server shows, with the news above it.
#[must_use]
pub fn with_news(html: &str, version: u64, news: Option<&News>) -> String {
    let mut above = format!("<div id=\"news\" class=\"wrap\" data-version=\"{version}\">");
    if let Some(news) = news {
        line(
            &mut above,
            &format!(
                "<div class=\"notice\" role=\"alert\"><p><strong>{}</strong></p>",
                escaped(&news.heading)
            ),
        );
        list(&mut above, &news.lines, 20);
        if let Some((address, words)) = &news.link {
            line(
                &mut above,
                &format!(
                    "<p><a href=\"{}\">{}</a></p>",
                    escaped(address),
                    escaped(words)
                ),
            );
        }
        line(&mut above, "</div>");
    }
    above.push_str("</div>");
    html.replacen(NEWS, &above, 1)
}
