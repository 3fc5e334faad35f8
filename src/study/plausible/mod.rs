//! What is no fault but hard to believe: units, weighings, scans, analyses in doubt.
//!
//! The rules point at rows and take nothing out. They belong to reading a study:
//! [`Study::doubts`] is what `check` prints in full and every other command prints
//! as warnings. Their constants are common practice, no source; how often they are
//! wrong on sound flocks is measured in `tests/reading/plausible_weights.rs`.

mod course;
mod envelope;
mod gaps;
mod odd_birds;
mod weights;

pub use gaps::Gap;
pub(crate) use gaps::gaps;
pub use odd_birds::OddBird;
pub use weights::{Jump, JumpKind};

use std::fmt::Display;

use super::Study;
use super::columns::Values;
use super::doubt::{Doubt, doubts};
use course::Course;

/// Examples that a warning gives of each kind of doubt.
const EXAMPLES: usize = 3;

/// All that is hard to believe in a study.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Doubts {
    /// Units, or days of hatch, that the weights as a whole put in doubt: one line each.
    pub units: Vec<String>,
    /// Birds all of whose weights are hard to believe.
    pub birds: Vec<OddBird>,
    /// Single weights that are hard to believe.
    pub weights: Vec<Jump>,
    /// Rows of scans and chemistry that are hard to believe.
    pub rows: Vec<Doubt>,
}

impl Study {
    /// What in the study is hard to believe; nothing where its values may be any numbers
    /// ([`Values::AnyNumber`]).
    #[must_use]
    pub fn doubts(&self) -> Doubts {
        if self.values == Values::AnyNumber {
            return Doubts::default();
        }
        let mut found = Doubts {
            rows: doubts(self),
            ..Doubts::default()
        };
        let Some(records) = self.main_trait().map(|at| &self.traits[at]) else {
            return found;
        };
        let course = Course::of(self, records);
        found.birds = odd_birds::odd_birds(self, records, &course);
        let odd: Vec<bool> = odd_birds::marked(self, &found.birds);
        found.weights = weights::jumps(self, records, &course, &odd);
        found.units = envelope::units_in_doubt(records, &course.logs, &odd);
        found
    }
}

impl Doubts {
    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.units.is_empty()
            && self.birds.is_empty()
            && self.weights.is_empty()
            && self.rows.is_empty()
    }

    /// One line for each kind of doubt: how many, the first three, and how to see all.
    #[must_use]
    pub fn warnings(&self) -> Vec<String> {
        let mut lines = self.units.clone();
        lines.extend(grouped(&self.birds, "bird weighs", "birds weigh"));
        lines.extend(grouped(&self.weights, "weight is", "weights are"));
        lines.extend(grouped(
            &self.rows,
            "row of scans or chemistry is",
            "rows of scans or chemistry are",
        ));
        lines
    }
}

fn grouped<T: Display>(findings: &[T], one: &str, many: &str) -> Option<String> {
    let first: Vec<String> = findings.iter().take(EXAMPLES).map(T::to_string).collect();
    let what = match (findings.len(), one.ends_with("weighs")) {
        (0, _) => return None,
        (1, true) => format!("1 {one} what no bird of its strain and age does"),
        (n, true) => format!("{n} {many} what no bird of their strain and age does"),
        (1, false) => format!("1 {one} hard to believe"),
        (n, false) => format!("{n} {many} hard to believe"),
    };
    let more = match findings.len().saturating_sub(EXAMPLES) {
        0 => String::new(),
        more => format!(" | and {more} more, which check lists"),
    };
    Some(format!("{what}: {}{more}", first.join(" | ")))
}

/// The day of age that a weighing is counted under.
#[expect(
    clippy::cast_possible_truncation,
    reason = "ages of birds are at most ten years, and no others are counted"
)]
fn day(age_d: f64) -> i32 {
    age_d.round() as i32
}

/// The median of values, which are put in another order.
fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    let even = values.len().is_multiple_of(2);
    let (below, upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(if even {
        f64::midpoint(lower, *upper)
    } else {
        *upper
    })
}

/// The standard deviation of sound values among which some may be wrong: the median
/// distance from the median, over that of the standard normal. Values are put in
/// another order and centred.
fn robust_spread(values: &mut [f64]) -> Option<f64> {
    let centre = median(values)?;
    for value in &mut *values {
        *value = (*value - centre).abs();
    }
    median(values).map(|distance| 1.482_602_218_505_602 * distance)
}
