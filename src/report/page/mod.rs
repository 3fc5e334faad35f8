//! The report page: one HTML file that opens from disk, with no network.
//!
//! The first screen answers in sentences, small tables and pictures; below it a section a
//! topic has one answer, one figure, one table and how it was computed, and the last what was
//! read and run, with all tables. Everything that comes from the data is escaped, and the page
//! forbids itself every connection but, for the live page, to where it came from.

mod charts;
mod closed_tables;
mod content;
mod data;
mod data_section;
mod explorer;
mod figures;
mod first_screen;
mod html;
mod lay_chart;
mod news;
mod protocol;
mod topics;

pub use content::Content;
pub use news::{Live, News, with_news};

use std::path::Path;

use chrono::{DateTime, SecondsFormat, Utc};

use self::data::Shown;
use self::html::{escaped, line};
use super::files::RunRecord;
use super::pictures::Named;
use super::prose::Prose;
use super::table::Table;
use crate::age::AgeUnit;
use crate::error::{Error, Result};

const STYLE: &str = include_str!("page.css");
const SCRIPTS: [&str; 4] = [
    include_str!("base.js"),
    include_str!("explorer.js"),
    include_str!("tables.js"),
    include_str!("page.js"),
];

/// Everything that the page shows.
#[derive(Debug, Clone)]
pub struct Page<'a> {
    /// The results of the study, and what the page draws itself.
    pub content: &'a Content,
    /// Figures in order.
    pub figures: &'a [Named],
    /// Result tables.
    pub tables: &'a [Table],
    /// How it was done.
    pub methods: Option<&'a Prose>,
    /// What was found, in words for a paper.
    pub results: Option<&'a Prose>,
    /// What needs attention.
    pub warnings: &'a [String],
    /// What was run on what.
    pub record: &'a RunRecord,
    /// Additional text of a page that follows the study; none for a file.
    pub live: Option<&'a Live>,
}

impl Page<'_> {
    /// The whole page as HTML.
    ///
    /// # Errors
    /// Where a figure cannot be drawn, or the temporary file of a long table cannot be read.
    pub fn html(&self) -> Result<String> {
        let read = |error| Error::unwritable(Path::new("a temporary file of rows"), error);
        let shown = Shown::of(self.tables).map_err(read)?;
        let tables = data::json(self.tables, &shown).map_err(read)?;
        let topics = self.topics();
        let title = &self.content.overview.title;
        let mut html = String::new();
        let put = &mut html;
        line(put, "<!doctype html>");
        line(put, "<html lang=\"en\"><head><meta charset=\"utf-8\">");
        line(
            put,
            "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"><meta name=\"color-scheme\" content=\"light dark\">",
        );
        let connect = match self.live {
            Some(_) => "'self'",
            None => "'none'",
        };
        line(
            put,
            &format!(
                "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:; connect-src {connect}; base-uri 'none'; form-action 'none'\">"
            ),
        );
        line(
            put,
            &format!("<title>{}: growth report</title>", escaped(title)),
        );
        line(put, &format!("<style>\n{STYLE}</style></head><body>"));
        line(
            put,
            "<a class=\"skip\" href=\"#main\">Skip to the answers</a>",
        );
        self.header(put);
        line(
            put,
            "<nav aria-label=\"Sections\"><div class=\"wrap\"><a href=\"#overview\" aria-current=\"true\">Overview</a>",
        );
        for topic in &topics {
            line(
                put,
                &format!("<a href=\"#{}\">{}</a>", topic.anchor(), topic.title()),
            );
        }
        line(put, "</div></nav>");
        line(put, news::NEWS);
        line(put, "<main id=\"main\" class=\"wrap\">");
        first_screen::first_screen(put, self.content, self.warnings.len());
        for topic in topics {
            self.topic(put, topic, &shown)?;
        }
        line(put, "</main>");
        self.script(put, &tables);
        line(put, "</body></html>");
        Ok(html)
    }

    fn header(&self, put: &mut String) {
        let overview = &self.content.overview;
        line(
            put,
            &format!(
                "<header class=\"wrap\"><h1>{}</h1><p class=\"sub\">{}</p>",
                escaped(&overview.title),
                escaped(&overview.measured)
            ),
        );
        if let Some(live) = self.live {
            let made = DateTime::<Utc>::from(live.made);
            line(
                put,
                &format!(
                    "<p class=\"sub\">Last updated <time id=\"made\" datetime=\"{}\">{} UTC</time><span id=\"live\" role=\"status\"></span></p>",
                    made.to_rfc3339_opts(SecondsFormat::Millis, true),
                    made.format("%Y-%m-%d %H:%M:%S")
                ),
            );
        }
        line(put, "</header>");
    }

    fn script(&self, put: &mut String, tables: &str) {
        let watch = self
            .live
            .map_or("null".to_owned(), |live| data::string(&live.version));
        line(
            put,
            &format!(
                "<script type=\"application/json\" id=\"page-data\">{{\"watch\":{watch},\"groups\":{},\"subject\":{},\"weeks\":{},\"curves\":{},\"tables\":{}}}</script>",
                data::string(self.content.groups),
                data::string(&self.content.overview.subject),
                self.content.overview.ages == AgeUnit::Weeks,
                explorer::json(&self.content.curves),
                tables
            ),
        );
        line(put, &format!("<script>\n{}</script>", SCRIPTS.concat()));
    }
}
