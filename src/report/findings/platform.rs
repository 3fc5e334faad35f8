//! Findings on platform scales.

use super::Findings;
use crate::analysis::Analysis;
use crate::report::tables;
use crate::report::text::PlatformWords;

impl Findings {
    /// One distribution a day, what was rejected, and how the scales are calibrated.
    pub fn platform(&mut self, analysis: &Analysis) {
        let (Some(platform), Some(words)) = (
            &analysis.platform,
            PlatformWords::of(analysis, analysis.study.age_unit()),
        ) else {
            return;
        };
        let mut sentences = vec![format!("  {}", words.read)];
        sentences.extend(words.rows.iter().map(|row| {
            let target = row
                .deviation
                .as_ref()
                .map_or(String::new(), |by| format!(", {by} of the target"));
            format!(
                "  {} at {}: mean {}{target}, uniformity {}",
                row.name, row.when, row.mean, row.uniformity
            )
        }));
        sentences.push(format!("  {}", words.calibration));
        sentences.extend(words.cautions.iter().map(|caution| format!("  {caution}")));
        self.answer("What do the platform scales show?", sentences);
        self.warnings.extend(platform.warnings.iter().cloned());
        self.count("platform records", analysis.study.stream.records);
        self.tables
            .push(tables::platform::scale_days(&analysis.study, platform));
        if platform.calibration.is_some() {
            let table = tables::platform::scale_calibration(&analysis.study, platform);
            self.tables.push(table);
        }
    }
}
