//! The answer of a plan of weekly samples in ten lines.

use super::line::{Line, Role, wrapped};
use super::short_answer;
use crate::report::sample_plan_words::{
    CAUTION, aim, basis, chosen, fewer_pens, named, not_reached, reached, size,
};
use crate::report::tables::samples::PlannedSamples;

/// How many birds of how many pens to weigh a week, what they reach and what that rests on.
#[must_use]
pub fn samples(planned: &PlannedSamples, place: &str) -> Vec<Line> {
    let mut lines = Vec::new();
    for one in &planned.flocks {
        let name = named(one);
        match chosen(one) {
            Some(design) => {
                let text = format!("{name}{} a week", size(&design));
                lines.push(Line::headed("PLAN", "").with(Role::Good, text));
                lines.extend(wrapped("TO", &aim(&planned.aim), 2));
                lines.extend(wrapped("REACHES", &reached(&design), 2));
                if let Some(fewer) = fewer_pens(one) {
                    lines.extend(wrapped("FEWEST PENS", &fewer, 1));
                }
            }
            None => {
                let text = format!("{name}{}", not_reached(planned, one));
                lines.extend(wrapped("NO PLAN", &text, 5));
            }
        }
        lines.extend(wrapped("BASED ON", &basis(one), 2));
    }
    short_answer(lines, CAUTION, place)
}
