//! What was read and run: warnings, counts, all tables, sources, a draft of the results, the
//! run record.

use super::Page;
use super::data::Shown;
use super::html::{Column, escaped, line, list, paragraph, table, thousands};
use crate::report::text::capital;

impl Page<'_> {
    /// Warnings, counts, all tables, sources, a draft of the results, the run record.
    pub(super) fn data(&self, put: &mut String, shown: &Shown) {
        let overview = &self.content.overview;
        let attention: Vec<String> = overview
            .attention
            .iter()
            .map(|one| format!("{}{}", one.who, one.what))
            .collect();
        if !attention.is_empty() {
            line(put, "<h3>Needs attention</h3>");
            list(put, &attention, 20);
        }
        line(put, "<h3 id=\"warnings\">Warnings</h3>");
        if self.warnings.is_empty() {
            line(put, "<p>None.</p>");
        }
        list(put, self.warnings, 12);
        let counts: Vec<Vec<String>> = self
            .record
            .counts
            .iter()
            .map(|(what, n)| vec![escaped(&capital(&what.replace('_', " "))), thousands(*n)])
            .collect();
        line(
            put,
            "<details><summary>Table: counts of records and fits</summary>",
        );
        table(
            put,
            "Counts of records and fits",
            &[Column::words("What"), Column::number("Number")],
            &counts,
        );
        line(put, "</details>");
        tables(put);
        paragraph(
            put,
            "note",
            "Curves day by day and residuals are files in the folder tables; their curves are those of the explorer under Growth.",
        );
        if shown.is_sample() {
            paragraph(
                put,
                "note",
                &format!(
                    "This study has {} birds; in these tables single birds are a sample of {}, taken evenly through the study. Strains are whole. The files in the folder tables hold every bird.",
                    thousands(shown.birds()),
                    thousands(shown.shown())
                ),
            );
        }
        if let Some(methods) = self.methods
            && !methods.references.is_empty()
        {
            line(put, "<details id=\"sources\"><summary>Sources</summary>");
            for source in &methods.references {
                paragraph(put, "source", source);
            }
            line(put, "</details>");
        }
        if let Some(results) = self.results {
            line(
                put,
                "<details><summary>Results in words, to begin a paper with</summary>",
            );
            for section in &results.sections {
                line(put, &format!("<h3>{}</h3>", escaped(section.title)));
                for words in &section.paragraphs {
                    paragraph(put, "", words);
                }
            }
            line(put, "</details>");
        }
        let record = serde_json::to_string_pretty(self.record).unwrap_or_default();
        line(
            put,
            &format!(
                "<details id=\"record\"><summary>Run record: {} {}, {}</summary><pre tabindex=\"0\">{}</pre></details>",
                escaped(&self.record.program),
                escaped(&self.record.version),
                escaped(&self.record.command),
                escaped(&record)
            ),
        );
    }
}

/// All tables, sorted and filtered in the page.
fn tables(put: &mut String) {
    line(
        put,
        "<div id=\"tables\"><h3>Tables</h3><div class=\"controls\"><label>Table <select id=\"table-name\"></select></label> <label>Rows with <input id=\"table-filter\" type=\"search\" placeholder=\"words in any cell\"></label> <button type=\"button\" id=\"table-csv\">Download as CSV</button></div><p id=\"table-note\" class=\"note\" role=\"status\" aria-live=\"polite\"></p><div class=\"scroll rows\" id=\"table\" tabindex=\"0\" role=\"region\" aria-label=\"The table\"></div><div class=\"controls\"><button type=\"button\" id=\"table-more\">More rows</button></div></div>",
    );
}
