//! General statistics that no crate gives: each file is named by its statistic.
//!
//! Nothing here depends on birds, files or growth curves. Functions take plain
//! slices and matrices and end in numbers, or in a [`Failure`] that states in
//! words why the data cannot answer. Given numbers up to 1e75 in size (of which the
//! products of squares are numbers too) they never return NaN (`tests/properties/stats_edges.rs`).
//!
//! Start reading at [`linear`] (regression), [`agreement`] and [`precision`]
//! (two methods, one method twice), [`time_to_event`] (when does it happen).
//! The tail probabilities that all of them lean on are in [`distribution`].

pub mod agreement;
pub mod brier;
pub mod change_point;
pub mod cluster_lines;
pub mod cluster_posterior;
pub mod concordance;
pub mod control_chart;
mod cross_product;
pub mod cusum;
pub mod distribution;
pub mod equivalence;
mod event_terms;
pub mod exact_share;
mod failure;
pub mod few_units;
pub mod incomplete;
mod late_component;
pub mod left_out;
pub mod linear;
pub mod linear_mixed;
pub mod measured_event;
pub mod mixed_inference;
pub mod multiple;
pub mod new_cluster;
mod newton;
mod orthogonal;
pub mod parametric_survival;
pub mod precision;
pub mod proportional_hazards;
pub mod resample;
pub mod reweighted;
pub mod robust_line;
pub mod skewed;
pub mod spread_by_mean;
pub mod survival_curve;
mod time_law;
pub mod time_posterior;
pub mod time_to_event;
pub mod tube;
pub mod wilson;

pub use failure::{Collinearity, Failure};

/// A range that a quantity is believed to lie in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower end; minus infinity where the data set no limit.
    pub lower: f64,
    /// Upper end; infinity where the data set no limit.
    pub upper: f64,
}

impl Interval {
    /// `estimate` give or take `half_width`.
    #[must_use]
    pub fn around(estimate: f64, half_width: f64) -> Self {
        Self {
            lower: estimate - half_width,
            upper: estimate + half_width,
        }
    }

    /// The range, widened to a value outside of it.
    ///
    /// Percentiles of draws of a lumpy quantity, such as a share of a few birds, can leave
    /// out the estimate itself; the widened range covers at least as much.
    #[must_use]
    pub fn including(self, value: f64) -> Self {
        Self {
            lower: self.lower.min(value),
            upper: self.upper.max(value),
        }
    }

    /// Whether `value` lies in the range, ends included.
    #[must_use]
    pub fn contains(&self, value: f64) -> bool {
        self.lower <= value && value <= self.upper
    }

    /// Upper end minus lower end.
    #[must_use]
    pub fn width(&self) -> f64 {
        self.upper - self.lower
    }
}

/// Mean of a slice; 0 for an empty one.
pub(crate) fn mean(values: &[f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let n = values.len() as f64;
    let first = values.iter().sum::<f64>() / n;
    // A second pass removes the rounding of the first (Chan, Golub & LeVeque 1983).
    first + values.iter().map(|value| value - first).sum::<f64>() / n
}

/// Sum of squares about the mean.
pub(crate) fn squares_about_mean(values: &[f64]) -> f64 {
    let centre = mean(values);
    values.iter().map(|value| (value - centre).powi(2)).sum()
}

/// Middle value of a slice that need not be sorted; 0 for an empty one.
pub(crate) fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    match sorted.len() {
        0 => 0.0,
        n if n % 2 == 1 => sorted[n / 2],
        n => f64::midpoint(sorted[n / 2 - 1], sorted[n / 2]),
    }
}
