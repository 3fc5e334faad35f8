//! Platform scales, and treatments that start at an age.

use super::super::Paper;
use super::super::sources::{References, Source};
use crate::report::text::{PlatformWords, shift_sentences};
use crate::study::Unit;

impl Paper<'_> {
    pub(super) fn platform(&self, cited: &mut References) -> Vec<String> {
        let Some(platform) = &self.analysis.platform else {
            return Vec::new();
        };
        let mut text = format!(
            "Records of platform scales were classified day by day as single birds, two birds, a bird and part of another, part loads, the empty platform and other loads by a mixture of distributions fitted by the EM algorithm {}; the reading of the empty platform was taken off. Because visits are not independent birds (heavy birds visit less {}, and the same birds return), standard errors of daily values were estimated from their scatter about the line through the days before and after {}.",
            cited.cite(Source::DempsterLairdRubin),
            cited.cite(Source::Chedad),
            cited.cite(Source::Gasser)
        );
        text += &match &platform.calibration {
            Some(found) => format!(
                " Daily means were corrected by the log ratio of the scale's mean to that of hand-weighed birds of the same pen and day ({} pairs), {} with random effects of scales, predicted by kriging {}; its error is part of the intervals.",
                found.pairs(),
                if found.by_age { "linear in age," } else { "constant over age," },
                cited.cite(Source::Cressie)
            ),
            None => " No hand-weighed birds calibrated the scales: means, coefficients of variation and uniformities are those of the visits, and biased by an unknown amount.".to_owned(),
        };
        vec![text]
    }

    /// Treatments that start at an age.
    pub(super) fn treatment_start(&self, cited: &mut References) -> Vec<String> {
        let design = &self.analysis.study.settings.design;
        let (Some(from_d), Some(first)) = (design.treatments_from_d, self.analysis.shifts.first())
        else {
            return Vec::new();
        };
        let ages = self.analysis.study.age_unit();
        let unit = match first.unit {
            Unit::Bird => "bird",
            Unit::Pen => "pen",
        };
        let covariate = design.allocated_at_d.map_or(String::new(), |age_d| {
            format!(
                ", with the weight at allocation ({}) as a covariate",
                ages.show(age_d)
            )
        });
        vec![format!(
            "The treatments started at {}. The experimental unit was the {unit} ({} units). For each unit, the shift of log weight after the start, and its rate of change from the start on, relative to what all units had in common at each age, were estimated by least squares and compared by analysis of variance of these summary measures {}{covariate}; P values were adjusted by Holm's method.",
            ages.show(from_d),
            first.units,
            cited.cite(Source::Matthews)
        )]
    }

    /// What platform scales and treatments that start at an age gave.
    pub(in super::super) fn platform_results(&self) -> Vec<String> {
        let ages = self.analysis.study.age_unit();
        let shifts = shift_sentences(self.analysis, ages);
        let mut all: Vec<String> = shifts.iter().map(ToString::to_string).collect();
        if let Some(words) = PlatformWords::of(self.analysis, ages) {
            let rows: Vec<String> = words
                .rows
                .iter()
                .map(|row| {
                    format!(
                        "{} at {}: mean body weight {}, uniformity {}",
                        row.name, row.when, row.mean, row.uniformity
                    )
                })
                .collect();
            all.push(format!(
                "{} {} {}.",
                words.read,
                words.calibration,
                rows.join("; ")
            ));
        }
        all
    }
}
