//! The report page: one HTML file that opens from disk, with no network.
//!
//! The first screen answers in words and pictures; below it stand an explorer of
//! every bird's curve, the figures, the tables (sorted, filtered, downloaded in
//! the page), the methods, the warnings and the run record. Everything that comes
//! from the data is escaped, and the page forbids itself every connection but, for
//! the live page, to where it came from.

mod data;

use std::fmt::Write as _;
use std::time::SystemTime;

use chrono::{DateTime, SecondsFormat, Utc};

use super::files::RunRecord;
use super::pictures::Named;
use super::table::Table;
use crate::error::Result;
use crate::figure::group_look;
use data::Shown;

const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

/// An SVG beyond this many bytes is embedded as a PNG, which is then smaller.
const LONGEST_SVG: usize = 90_000;

/// Resolution of those.
const DPI: u32 = 150;

/// One question and its answer in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// The question, such as `How do they grow?`.
    pub question: String,
    /// The answer, a sentence a line.
    pub lines: Vec<String>,
}

/// Everything that the page shows.
#[derive(Debug, Clone)]
pub struct Page<'a> {
    /// What the study is called.
    pub title: &'a str,
    /// Questions and answers, in order.
    pub answers: Vec<Answer>,
    /// Strains in the study's order, which is the order of their colours.
    pub strains: &'a [String],
    /// Figures in order.
    pub figures: &'a [Named],
    /// The same drawn for one column of paper, which the first screen shows: letters
    /// keep their size where a picture is small.
    pub small_figures: &'a [Named],
    /// Result tables.
    pub tables: &'a [Table],
    /// How it was done, a paragraph a line.
    pub methods: &'a [String],
    /// What was found, in words for a paper, a paragraph a line.
    pub results: &'a [String],
    /// What needs attention.
    pub warnings: &'a [String],
    /// What was run on what.
    pub record: &'a RunRecord,
    /// What a page that follows the study says besides; none for a file.
    pub live: Option<&'a Live>,
}

/// What a page that follows the study says besides.
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

/// What the first screen answers: the questions under which the answer may stand, the
/// best first, and the beginnings of the names of the figures that show it best.
const FIRST: [(&[&str], &[&str]); 3] = [
    (&["On target?"], &["deviation_body_weight", "deviation"]),
    (
        &["Do they differ?", "How do they grow?"],
        &["forest", "growth_body_weight", "growth"],
    ),
    (
        &["When do they come into lay?", "When do the cues fall?"],
        &["lay_curve", "rate_body_weight", "rate"],
    ),
];

/// Groups the words for the screen: a line that begins at the margin is a question,
/// the indented ones after it are its answer.
#[must_use]
pub fn answers(words: &[String]) -> Vec<Answer> {
    let mut answers: Vec<Answer> = Vec::new();
    for line in words {
        if line.starts_with(' ') || line.is_empty() {
            if let Some(answer) = answers.last_mut() {
                answer.lines.push(line.trim_start().to_owned());
            }
        } else {
            answers.push(Answer {
                question: line.clone(),
                lines: Vec::new(),
            });
        }
    }
    answers
}

impl Page<'_> {
    /// The whole page as HTML.
    ///
    /// # Errors
    /// Where a figure cannot be drawn.
    pub fn html(&self) -> Result<String> {
        let shown = Shown::of(self.tables);
        let mut html = String::new();
        let put = &mut html;
        line(put, "<!doctype html>");
        line(put, "<html lang=\"en\"><head><meta charset=\"utf-8\">");
        line(
            put,
            "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">",
        );
        let connect = if self.live.is_some() {
            "'self'"
        } else {
            "'none'"
        };
        line(
            put,
            &format!(
                "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:; connect-src {connect}; base-uri 'none'; form-action 'none'\">"
            ),
        );
        line(
            put,
            &format!("<title>{}: growth report</title>", escaped(self.title)),
        );
        line(put, &format!("<style>\n{STYLE}</style></head><body>"));
        line(
            put,
            "<a class=\"skip\" href=\"#explorer\">Skip to the curves</a>",
        );
        self.header(put, &shown);
        line(put, "<main>");
        line(put, NEWS);
        self.first_screen(put)?;
        self.explorer(put);
        self.sections(put)?;
        self.tables(put);
        self.words(put);
        line(put, "</main>");
        self.script(put, &shown);
        line(put, "</body></html>");
        Ok(html)
    }

    fn header(&self, put: &mut String, shown: &Shown) {
        line(put, &format!("<header><h1>{}</h1>", escaped(self.title)));
        let counts = self.counts();
        line(
            put,
            &format!("<p class=\"counts\">{}</p>", counts.join(" · ")),
        );
        if let Some(live) = self.live {
            let made = DateTime::<Utc>::from(live.made);
            line(
                put,
                &format!(
                    "<p class=\"counts\">Last updated <time id=\"made\" datetime=\"{}\">{} UTC</time><span id=\"live\" role=\"status\"></span></p>",
                    made.to_rfc3339_opts(SecondsFormat::Millis, true),
                    made.format("%Y-%m-%d %H:%M:%S")
                ),
            );
        }
        if shown.is_sample() {
            line(
                put,
                &format!(
                    "<p class=\"notice\">This study has {} birds; single birds on this page are a sample of {}, taken evenly through the study. Strains are whole; of each bird its best curve is shown. The files in <code>tables</code> hold every bird.</p>",
                    thousands(shown.birds()),
                    thousands(shown.shown())
                ),
            );
        }
        if !self.warnings.is_empty() {
            line(
                put,
                &format!(
                    "<p class=\"notice\"><a href=\"#warnings\">{} to look at</a></p>",
                    plural(self.warnings.len(), "warning")
                ),
            );
        }
        line(
            put,
            "<nav aria-label=\"Sections\"><a href=\"#explorer\">Curves</a> <a href=\"#figures\">Figures</a> <a href=\"#tables\">Tables</a> <a href=\"#methods\">Methods</a> <a href=\"#warnings\">Warnings</a> <a href=\"#record\">Run record</a></nav></header>",
        );
    }

    /// What the study holds, largest things first.
    fn counts(&self) -> Vec<String> {
        let order = |what: &str| {
            ["birds", "strains", "records", "fits"]
                .iter()
                .position(|first| what.starts_with(first))
                .unwrap_or(usize::MAX)
        };
        let mut counts: Vec<(&String, usize)> = self
            .record
            .counts
            .iter()
            .map(|(what, count)| (what, *count))
            .filter(|(_, count)| *count > 0)
            .collect();
        counts.sort_by_key(|(what, _)| order(what));
        let words = |(what, count): (&String, usize)| {
            format!("{} {}", thousands(count), escaped(&what.replace('_', " ")))
        };
        counts.into_iter().map(words).collect()
    }

    /// A list, folded after the first `most` lines; a strain at the head of a line
    /// stands out.
    fn lines(&self, put: &mut String, all: &[String], most: usize) {
        let item = |words: &String| {
            let strain = self.strains.iter().find(|strain| {
                let rest = words.strip_prefix(strain.as_str());
                rest.is_some_and(|rest| rest.starts_with([':', ',', ' ']))
            });
            match strain {
                Some(strain) => format!(
                    "<li><strong>{}</strong>{}</li>",
                    escaped(strain),
                    escaped(&words[strain.len()..])
                ),
                None => format!("<li>{}</li>", escaped(words)),
            }
        };
        list(put, all, most, item);
    }

    /// Three questions, each with its words and one picture.
    fn first_screen(&self, put: &mut String) -> Result<()> {
        line(put, "<section class=\"first\" aria-label=\"The answers\">");
        for (questions, names) in FIRST {
            let Some(answer) = questions.iter().find_map(|question| {
                self.answers
                    .iter()
                    .find(|answer| answer.question.starts_with(question))
            }) else {
                continue;
            };
            line(
                put,
                &format!(
                    "<article class=\"card\"><h2>{}</h2>",
                    escaped(&answer.question)
                ),
            );
            let figure = names.iter().find_map(|name| {
                let mut small = self.small_figures.iter();
                small.find(|figure| figure.name.starts_with(name))
            });
            if let Some(figure) = figure {
                line(put, &embedded(figure)?);
            }
            self.lines(put, &answer.lines, 4);
            line(put, "</article>");
        }
        line(put, "</section>");
        Ok(())
    }

    fn explorer(&self, put: &mut String) {
        line(put, "<section id=\"explorer\"><h2>Every bird's curve</h2>");
        line(
            put,
            "<p class=\"hint\">Pick a trait, strains and a bird; point at a curve for its values. With the keyboard: arrows left and right go through the ages, up and down through the birds, Escape lets the bird go.</p>",
        );
        line(put, "<div class=\"controls\" id=\"controls\"></div>");
        line(
            put,
            "<div class=\"plot\" id=\"plot\" tabindex=\"0\" role=\"application\" aria-label=\"Growth curves; arrow keys read the values\"></div>",
        );
        line(
            put,
            "<p id=\"told\" class=\"told\" role=\"status\" aria-live=\"polite\"></p>",
        );
        line(
            put,
            "<noscript><p>The curves that answer to a pointer need JavaScript; the figures below do not.</p></noscript></section>",
        );
    }

    fn sections(&self, put: &mut String) -> Result<()> {
        line(put, "<section id=\"figures\"><h2>Answers and figures</h2>");
        for answer in &self.answers {
            line(
                put,
                &format!(
                    "<details open><summary>{}</summary>",
                    escaped(&answer.question)
                ),
            );
            self.lines(put, &answer.lines, 8);
            line(put, "</details>");
        }
        line(put, "<div class=\"figures\">");
        // The explorer shows single birds.
        let single = |figure: &&Named| figure.name.starts_with("birds_");
        for figure in self.figures.iter().filter(|figure| !single(figure)) {
            let beside = beside(&figure.name, self.tables).map_or(String::new(), |table| {
                format!(" <button type=\"button\" class=\"csv\" data-table=\"{table}\">Table {table} as CSV</button>")
            });
            line(
                put,
                &format!(
                    "<figure id=\"figure-{}\">{}<figcaption>{}{beside}</figcaption></figure>",
                    escaped(&figure.name),
                    embedded(figure)?,
                    escaped(figure.picture.description())
                ),
            );
        }
        line(put, "</div></section>");
        Ok(())
    }

    fn tables(&self, put: &mut String) {
        line(
            put,
            "<section id=\"tables\"><h2>Tables</h2><div class=\"controls\"><label>Table <select id=\"table-name\"></select></label> <label>Rows with <input id=\"table-filter\" type=\"search\" placeholder=\"words in any cell\"></label> <button type=\"button\" id=\"table-csv\">Download as CSV</button></div><p id=\"table-note\" class=\"hint\" role=\"status\" aria-live=\"polite\"></p><div class=\"scroll\" id=\"table\" tabindex=\"0\" role=\"region\" aria-label=\"The table\"></div><div class=\"controls\"><button type=\"button\" id=\"table-more\">More rows</button></div></section>",
        );
    }

    fn words(&self, put: &mut String) {
        line(put, "<section id=\"methods\"><h2>Methods</h2>");
        for paragraph in self.methods {
            line(put, &format!("<p>{}</p>", escaped(paragraph)));
        }
        if !self.results.is_empty() {
            line(
                put,
                "<details><summary>Results in words, to begin a paper with</summary>",
            );
            for paragraph in self.results {
                line(put, &format!("<p>{}</p>", escaped(paragraph)));
            }
            line(put, "</details>");
        }
        line(put, "</section><section id=\"warnings\"><h2>Warnings</h2>");
        if self.warnings.is_empty() {
            line(put, "<p>None.</p>");
        }
        self.lines(put, self.warnings, 20);
        line(put, "</section><section id=\"record\"><h2>Run record</h2>");
        let record = serde_json::to_string_pretty(self.record).unwrap_or_default();
        line(
            put,
            &format!(
                "<details><summary>{} {}, {}</summary><pre>{}</pre></details></section>",
                escaped(&self.record.program),
                escaped(&self.record.version),
                escaped(&self.record.command),
                escaped(&record)
            ),
        );
    }

    fn script(&self, put: &mut String, shown: &Shown) {
        let strains: Vec<String> = self
            .strains
            .iter()
            .enumerate()
            .map(|(index, name)| {
                let (colour, dash) = group_look(index);
                let dash: Vec<String> = dash.iter().map(|mm| format!("{}", mm * 3.0)).collect();
                format!(
                    "{{\"name\":{},\"colour\":\"{colour}\",\"dash\":\"{}\"}}",
                    data::string(name),
                    dash.join(" ")
                )
            })
            .collect();
        let watch = self
            .live
            .map_or("null".to_owned(), |live| data::string(&live.version));
        line(
            put,
            &format!(
                "<script type=\"application/json\" id=\"data\">{{\"watch\":{watch},\"strains\":[{}],\"tables\":{}}}</script>",
                strains.join(","),
                data::json(self.tables, shown)
            ),
        );
        line(put, &format!("<script>\n{SCRIPT}</script>"));
    }
}

/// Where news go in a page that has been made.
const NEWS: &str = "<!-- news -->";

/// A page as one version of what its server shows, with the news above it.
#[must_use]
pub fn with_news(html: &str, version: u64, news: Option<&News>) -> String {
    let mut above = format!("<div id=\"news\" data-version=\"{version}\">");
    if let Some(news) = news {
        line(
            &mut above,
            &format!(
                "<div class=\"notice\" role=\"alert\"><p><strong>{}</strong></p>",
                escaped(&news.heading)
            ),
        );
        list(&mut above, &news.lines, 20, |words| {
            format!("<li>{}</li>", escaped(words))
        });
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

/// The table that a figure is drawn from, by the beginning of its name.
fn beside(figure: &str, tables: &[Table]) -> Option<&'static str> {
    const OF: [(&str, &str); 17] = [
        ("growth", "curves"),
        ("rate", "curves"),
        ("population", "curves"),
        ("birds", "curves"),
        ("residuals", "residuals"),
        ("deviation", "deviation"),
        ("uniformity", "uniformity"),
        ("forecast", "forecast"),
        ("calibration", "calibration_rows"),
        ("agreement", "agreement"),
        ("precision", "repeatability"),
        ("feather", "feathers"),
        ("body", "corrected"),
        ("forest", "contrasts"),
        ("difference", "difference_by_age"),
        ("lay", "lay_curve"),
        ("value_at_first_egg", "thresholds"),
    ];
    let (_, wanted) = OF.iter().find(|(start, _)| figure.starts_with(start))?;
    tables.iter().map(Table::name).find(|name| name == wanted)
}

/// The picture in the page: as SVG with its own title and description, or as PNG
/// where that is smaller.
fn embedded(figure: &Named) -> Result<String> {
    let picture = &figure.picture;
    if picture.svg().len() <= LONGEST_SVG {
        return Ok(picture.svg().to_owned());
    }
    Ok(format!(
        "<img alt=\"{}. {}\" src=\"data:image/png;base64,{}\">",
        escaped(picture.title()),
        escaped(picture.description()),
        base64(&picture.png(DPI)?)
    ))
}

/// A list, folded after the first `most` lines.
fn list(put: &mut String, all: &[String], most: usize, item: impl Fn(&String) -> String) {
    let some = |put: &mut String, some: &[String]| {
        line(put, "<ul>");
        for words in some {
            line(put, &item(words));
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

fn line(put: &mut String, text: &str) {
    // Writing to a String cannot fail.
    let _ = writeln!(put, "{text}");
}

/// Words as HTML text or attribute value.
fn escaped(words: &str) -> String {
    let mut safe = String::with_capacity(words.len());
    for letter in words.chars() {
        match letter {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            _ => safe.push(letter),
        }
    }
    safe
}

fn plural(count: usize, what: &str) -> String {
    let ending = if count == 1 { "" } else { "s" };
    format!("{} {what}{ending}", thousands(count))
}

/// A count with a thin space between thousands.
fn thousands(count: usize) -> String {
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
fn base64(bytes: &[u8]) -> String {
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

    #[test]
    fn indented_lines_answer_the_question_above() {
        let words =
            ["On target?", "  Alder: yes", "When?", "  soon", "    later"].map(str::to_owned);
        let answers = answers(&words);
        assert_eq!(answers.len(), 2);
        assert_eq!(answers[1].lines, ["soon", "later"]);
    }
}
