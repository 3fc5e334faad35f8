//! Findings on one equation for several laboratories.

use super::Findings;
use crate::composition::laboratories::Laboratories;
use crate::report::laboratory_words::details;
use crate::report::tables::{calibration, laboratories};

impl Findings {
    /// Equations for a laboratory that is not among these, and what they are worth there.
    pub fn laboratories(&mut self, all: &[Laboratories]) {
        self.laboratories_of_study(all);
        for of in all.iter().filter(|of| !of.terms.is_empty()) {
            self.append(calibration::calibration_terms(&of.terms));
        }
    }

    /// How laboratories differ, a trait each.
    pub(super) fn laboratories_of_study(&mut self, all: &[Laboratories]) {
        let Some(first) = all.first() else {
            return;
        };
        self.answer(
            "How much do laboratories differ, and what holds in another one?",
            all.iter().flat_map(details),
        );
        for of in all {
            self.warnings.extend(of.warnings.iter().cloned());
        }
        self.count("laboratories", first.laboratories.len());
        self.method(
            "laboratories",
            "restricted likelihood, Kenward-Roger; new laboratory by exact distributions of own lines",
        );
        for of in all {
            if !of.new.is_empty() {
                self.append(laboratories::new_laboratory(of));
            }
            self.append(laboratories::laboratories(of));
            self.append(laboratories::laboratory_variation(of));
            if !of.left_out.is_empty() {
                self.append(laboratories::laboratories_left_out(of));
            }
        }
    }
}
