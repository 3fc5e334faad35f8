//! Terms of the joint model of growth and first egg.

/// Lag, effects and what is left over.
#[derive(Debug, Clone, PartialEq)]
pub struct FirstEggSummary {
    /// Days from the spurt to the first egg, by group.
    pub lags_d: Vec<(String, Term)>,
    /// Days by which one standard deviation more of a term comes later, beyond the spurt's own
    /// age one to one.
    pub effects_d: Vec<(String, Term)>,
    /// Standard deviation between birds of equal terms that are on time, d.
    pub sigma_d: Term,
    /// Share of late birds.
    pub late_share: Term,
    /// Their mean delay, d.
    pub delay_d: Term,
    /// Birds behind it.
    pub birds: usize,
    /// Those that had laid.
    pub laid: usize,
    /// Whether it comes from an earlier flock.
    pub earlier_flock: bool,
}

/// A term of the model: posterior median, and standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Term {
    /// The median.
    pub estimate: f64,
    /// The standard deviation.
    pub std_error: f64,
}
