//! The methods section, each sentence from what this run did.

mod animals;
mod flock;
mod growth;
mod inference;
mod lay;
mod platform;
mod scans;

use super::Paper;
use super::sources::{References, Source};
use super::words::count;
use crate::report::prose::{Prose, listed};

const PREFACE: &str = "Drafted from the results of this run. Text in square brackets is for the author to complete; read every sentence against the experiment before it is used.";

impl Paper<'_> {
    /// The methods in sections, as far as there are any, with the sources that they cite.
    #[must_use]
    pub fn methods(&self) -> Prose {
        let mut cited = References::default();
        // In the order of the text, so that sources are numbered as they are met.
        let sections = [
            ("Study design and animals", self.animals(&mut cited)),
            ("Measurements and exclusions", self.measurements()),
            ("Body scans", self.scans(&mut cited)),
            ("Scanner calibration", self.calibration(&mut cited)),
            ("Corrected masses", self.correction()),
            ("Growth models", self.growth_models(&mut cited)),
            ("Statistical inference", self.inference(&mut cited)),
            ("Target weight and uniformity", self.targets(&mut cited)),
            (
                "Forecasts of body weight and composition",
                self.forecasts(&mut cited),
            ),
            ("Platform scales", self.platform(&mut cited)),
            (
                "Treatments that start at an age",
                self.treatment_start(&mut cited),
            ),
            ("Onset of lay", self.onset(&mut cited)),
            ("Software", self.software(&mut cited)),
            (
                "Data availability and reproducibility",
                self.reproducibility(),
            ),
        ];
        // Neighbouring citations in one pair of brackets.
        let sections = sections.map(|(title, paragraphs)| {
            let joined = paragraphs
                .into_iter()
                .map(|text| self.worded(text.replace("][", ", ")));
            (title, joined.collect())
        });
        Prose::new("Methods", PREFACE.to_owned(), sections, cited.list())
    }

    fn software(&self, cited: &mut References) -> Vec<String> {
        let run = self.run;
        let name = super::words::capital(&run.program);
        let mut text = format!(
            "All analyses were performed with {name} version {} [state the reference to cite].",
            run.version
        );
        let mut drawn = Vec::new();
        if self.options.growth.redraws > 0 {
            let redraws = self.options.growth.redraws;
            drawn.push(format!("{redraws} redraws of the calibration equations"));
        }
        let replicates = self
            .options
            .comparison
            .as_ref()
            .map_or(0, |one| one.replicates);
        if replicates > 0 {
            drawn.push(format!("{replicates} bootstrap samples of birds"));
        }
        if !drawn.is_empty() {
            text += &format!(
                " Random numbers ({}) were drawn with seed {}.",
                listed(&drawn),
                run.seed
            );
        }
        text += &format!(
            " Estimates are reported to two significant digits of their standard error {}.",
            cited.cite(Source::Gum)
        );
        vec![text]
    }

    fn reproducibility(&self) -> Vec<String> {
        let run = self.run;
        let mut text = format!(
            "The run record (run.json) lists the call (\"{} {}\"), the seed ({}), the program's version and the SHA-256 digests of the {} read and of every file written; the command \"{} run --verify\" repeats the analysis from this record and reports any difference.",
            run.program,
            run.arguments.join(" "),
            run.seed,
            count(run.inputs.len(), "input file"),
            run.program,
        );
        text += " All estimates are in the accompanying tables, whose columns and units are defined in dictionary.csv. [State where the data, the run record and the tables are deposited, and any restrictions on their use; whether a study protocol was registered; funding and competing interests.]";
        vec![text]
    }
}
