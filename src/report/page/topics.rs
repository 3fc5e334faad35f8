//! The sections below the first screen: one answer, one figure, one table and how it was
//! computed, a topic each; what was read and run last.

use super::Page;
use super::data::Shown;
use super::figures;
use super::first_screen::lead;
use super::html::{escaped, line, paragraph, table};
use super::protocol::protocol;
use crate::error::Result;
use crate::report::pictures::Named;
use crate::report::prose::Section;
use crate::report::text::{Sentence, Topic};

/// Sections of the methods, and the topic that each describes; others stand under the data.
const METHODS: [(&str, Topic); 10] = [
    ("Growth models", Topic::Growth),
    ("Corrected masses", Topic::Composition),
    ("Statistical inference", Topic::Differences),
    ("Target weight and uniformity", Topic::Target),
    ("Forecasts of body weight and composition", Topic::Target),
    ("Platform scales", Topic::Platform),
    ("Treatments that start at an age", Topic::Differences),
    ("Onset of lay", Topic::Lay),
    ("Body scans", Topic::Scanner),
    ("Scanner calibration", Topic::Scanner),
];

impl Page<'_> {
    /// The topics that this study has.
    pub(super) fn topics(&self) -> Vec<Topic> {
        let overview = &self.content.overview;
        let has = |topic: &Topic| match topic {
            Topic::Growth => !self.content.curves.is_empty() || overview.growth.is_some(),
            Topic::Composition => overview.composition.is_some() || !overview.densities.is_empty(),
            Topic::Differences => !overview.differences.is_empty() || !overview.shifts.is_empty(),
            Topic::Target => overview.target.is_some(),
            Topic::Platform => overview.platform.is_some(),
            Topic::Lay => overview.lay.is_some(),
            Topic::Scanner => overview.scanner.is_some() || !overview.phantom.is_empty(),
            Topic::Protocol => self.content.protocol.is_some(),
            Topic::Data => true,
        };
        Topic::ALL.into_iter().filter(has).collect()
    }

    /// The figures of a topic; without targets what is forecast stands with growth.
    fn figures_of(&self, topic: Topic) -> Vec<&Named> {
        let overview = &self.content.overview;
        let mut found = figures::of_topic(self.figures, topic, &overview.trait_name);
        if topic == Topic::Growth && overview.target.is_none() {
            let ahead = figures::of_topic(self.figures, Topic::Target, &overview.trait_name);
            found.extend(ahead);
        }
        found
    }

    /// One section.
    pub(super) fn topic(&self, put: &mut String, topic: Topic, shown: &Shown) -> Result<()> {
        line(
            put,
            &format!(
                "<section id=\"{}\" class=\"topic\"><h2>{}</h2>",
                topic.anchor(),
                topic.title()
            ),
        );
        for (place, sentence) in self.sentences(topic).iter().enumerate() {
            if place == 0 {
                lead(put, sentence);
            } else {
                paragraph(put, "", &sentence.to_string());
            }
        }
        let figures = self.figures_of(topic);
        let more = if topic == Topic::Growth && !self.content.curves.is_empty() {
            explorer(put);
            &figures[..]
        } else if let Some((main, more)) = figures.split_first() {
            figures::figure(put, main, self.tables)?;
            more
        } else {
            &[]
        };
        for closed in self.closed_tables(topic) {
            line(
                put,
                &format!(
                    "<details><summary>Table: {}</summary>",
                    escaped(&closed.name)
                ),
            );
            table(put, &closed.name, &closed.columns, &closed.rows);
            line(put, "</details>");
        }
        if topic == Topic::Data {
            self.data(put, shown);
        }
        if let (Topic::Protocol, Some(steps)) = (topic, &self.content.protocol) {
            protocol(put, steps);
        }
        self.methods_of(put, topic);
        if !more.is_empty() {
            line(
                put,
                "<details><summary>More figures</summary><div class=\"more\">",
            );
            for figure in more {
                figures::figure(put, figure, self.tables)?;
            }
            line(put, "</div></details>");
        }
        line(put, "</section>");
        Ok(())
    }

    fn sentences(&self, topic: Topic) -> Vec<Sentence> {
        let overview = &self.content.overview;
        let plain = |rest: String| Sentence {
            lead: String::new(),
            rest,
        };
        match topic {
            Topic::Growth => overview.growth.iter().cloned().collect(),
            Topic::Composition => {
                let composition = overview.composition.iter();
                let composition = composition.map(|one| one.sentence.clone());
                composition
                    .chain(overview.densities.iter().cloned())
                    .collect()
            }
            Topic::Differences => {
                let each = overview.differences.iter();
                let each = each.map(|one| one.sentence(usize::MAX));
                each.chain(overview.shifts.iter().cloned()).collect()
            }
            Topic::Target => {
                let mut all: Vec<Sentence> =
                    overview.target.iter().map(|one| one.sentence()).collect();
                let needs = overview.target.iter().flat_map(|one| one.needs());
                all.extend(needs.map(|(who, needs)| plain(format!("{who} {needs}."))));
                all
            }
            Topic::Platform => overview
                .platform
                .iter()
                .flat_map(|platform| {
                    let cautions = platform.cautions.iter().cloned().map(plain);
                    [platform.read.clone(), platform.calibration.clone()]
                        .into_iter()
                        .chain(cautions)
                })
                .collect(),
            Topic::Lay => overview
                .lay
                .iter()
                .flat_map(|lay| {
                    let cue = lay.cue.as_ref().map(|cue| cue.sentence());
                    let by_eggs = lay.egg_sentence().filter(|_| !lay.rows.is_empty());
                    let more = by_eggs.into_iter().chain(lay.waiting_sentence());
                    let more = more.chain(cue).map(plain);
                    std::iter::once(lay.sentence())
                        .chain(more)
                        .collect::<Vec<_>>()
                })
                .collect(),
            Topic::Scanner => {
                let scanner = overview.scanner.iter().map(|one| one.sentence());
                let further = overview.phantom.iter().chain(&overview.scanning);
                scanner.chain(further.cloned()).collect()
            }
            Topic::Protocol => {
                let protocol = self.content.protocol.iter();
                protocol.map(|one| plain(one.preface.to_owned())).collect()
            }
            Topic::Data => vec![plain(format!("{}.", overview.measured))],
        }
    }

    /// The paragraphs of the methods that belong to a topic, closed.
    fn methods_of(&self, put: &mut String, topic: Topic) {
        let Some(methods) = self.methods else {
            return;
        };
        let there = self.topics();
        let topic_of = |section: &&Section| {
            let known = METHODS.iter().find(|(title, _)| *title == section.title);
            match known.map(|(_, topic)| *topic) {
                None => Topic::Data,
                Some(topic) if there.contains(&topic) => topic,
                Some(_) => Topic::Growth,
            }
        };
        let sections: Vec<&Section> = methods
            .sections
            .iter()
            .filter(|section| topic_of(section) == topic)
            .collect();
        if sections.is_empty() {
            return;
        }
        line(put, "<details><summary>How this was computed</summary>");
        for section in sections {
            line(put, &format!("<h3>{}</h3>", escaped(section.title)));
            for words in &section.paragraphs {
                paragraph(put, "", words);
            }
        }
        line(
            put,
            "<p class=\"note\">Numbers in brackets: <a href=\"#sources\">sources</a>.</p></details>",
        );
    }
}

/// The curves that answer to a pointer.
fn explorer(put: &mut String) {
    line(
        put,
        "<div id=\"explorer\"><div class=\"controls\" id=\"controls\"></div>",
    );
    line(
        put,
        "<div class=\"plot\" id=\"plot\" tabindex=\"0\" role=\"application\" aria-label=\"Growth curves; arrow keys read the values\" aria-describedby=\"hint\"></div>",
    );
    line(
        put,
        "<p id=\"readout\" class=\"readout\" role=\"status\" aria-live=\"polite\"></p>",
    );
    line(
        put,
        "<p class=\"note\" id=\"hint\">Point at a curve for its values. Keyboard: left and right go through the ages, up and down through the birds, Escape lets the bird go.</p>",
    );
    line(
        put,
        "<noscript><p>The curves that answer to a pointer need JavaScript; the other figures do not.</p></noscript></div>",
    );
}
