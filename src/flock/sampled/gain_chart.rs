//! A control chart of the gain between weighings of a flock, house or pen of unnamed birds.
//!
//! From an occasion to the next the mean is expected to grow as the curve of its group does:
//! expected gain = mean x (f(later) / f(earlier) - 1) / days. Its control limits are three
//! standard errors on either side (Shewhart 1931, Economic control of quality of manufactured
//! product, from memory); the error is that of both means, of the birds drawn and of the
//! occasions. A gain outside is an alarm: about one in 370 where nothing is wrong.

use crate::flock::deviation::{Deviation, FlockLevel};
use crate::trajectory::sampled::SampledTrait;

/// Standard errors from the expected gain to a control limit.
pub const CONTROL_LIMIT: f64 = 3.0;

/// The gain of a flock, house or pen from one weighing to the next.
#[derive(Debug, Clone, PartialEq)]
pub struct GainPoint {
    /// Flock (strain), house or pen.
    pub level: FlockLevel,
    /// Index into [`Study::traits`](crate::study::Study::traits).
    pub trait_index: usize,
    /// Index into [`Study::strains`](crate::study::Study::strains).
    pub strain: usize,
    /// Index into [`Study::houses`](crate::study::Study::houses).
    pub house: Option<usize>,
    /// Index into [`Study::pens`](crate::study::Study::pens).
    pub pen: Option<usize>,
    /// Age of the earlier weighing, d.
    pub from_d: f64,
    /// Age of the later weighing, d.
    pub to_d: f64,
    /// Gain of the mean, g/d.
    pub gain_g_per_d: f64,
    /// Gain expected by the growth curve, g/d; none without a model.
    pub expected_g_per_d: Option<f64>,
    /// Standard error of the gain about what is expected, g/d.
    pub std_error_g_per_d: Option<f64>,
    /// Gain of the target over the same days, g/d.
    pub target_g_per_d: Option<f64>,
}

impl GainPoint {
    /// The control limits, g/d; none without a model or an error.
    #[must_use]
    pub fn limits(&self) -> Option<(f64, f64)> {
        let (expected, error) = (self.expected_g_per_d?, self.std_error_g_per_d?);
        Some((
            expected - CONTROL_LIMIT * error,
            expected + CONTROL_LIMIT * error,
        ))
    }

    /// Whether the gain is outside its control limits; none where there are none.
    #[must_use]
    pub fn is_alarm(&self) -> Option<bool> {
        let (lower, upper) = self.limits()?;
        Some(self.gain_g_per_d < lower || self.gain_g_per_d > upper)
    }
}

/// The gains between the weighings of every flock, house and pen of unnamed birds.
#[must_use]
pub fn gain_chart(of: &SampledTrait, deviations: &[Deviation]) -> Vec<GainPoint> {
    let sampled = |row: &&Deviation| {
        row.trait_index == of.trait_index
            && row.level != FlockLevel::Bird
            && of.group_of(row.strain).is_some()
    };
    let rows: Vec<&Deviation> = deviations.iter().filter(sampled).collect();
    let subject = |row: &Deviation| (row.level, row.strain, row.house, row.pen);
    rows.windows(2)
        .filter(|pair| subject(pair[0]) == subject(pair[1]) && pair[1].age_d > pair[0].age_d)
        .map(|pair| point(of, pair[0], pair[1]))
        .collect()
}

fn point(of: &SampledTrait, before: &Deviation, after: &Deviation) -> GainPoint {
    let days = after.age_d - before.age_d;
    let mut units = of.sampled.units.iter();
    let group = match after.pen {
        Some(pen) => units
            .find(|unit| unit.pen == Some(pen))
            .map(|unit| unit.group),
        None => of.group_of(after.strain),
    };
    // How the curve grows from one age to the other, as a factor.
    let factor = of.model.as_ref().ok().zip(group).map(|(model, group)| {
        let log = |age_d: f64| model.typical(group, age_d).value;
        (log(after.age_d) - log(before.age_d)).exp()
    });
    let target = |row: &Deviation| Some(row.against.as_ref().ok()?.target.target_g);
    GainPoint {
        level: after.level,
        trait_index: after.trait_index,
        strain: after.strain,
        house: after.house,
        pen: after.pen,
        from_d: before.age_d,
        to_d: after.age_d,
        gain_g_per_d: (after.observed_g - before.observed_g) / days,
        expected_g_per_d: factor.map(|factor| before.observed_g * (factor - 1.0) / days),
        std_error_g_per_d: before
            .std_error_g
            .zip(after.std_error_g)
            .zip(factor)
            .map(|((before, after), factor)| (before * factor).hypot(after) / days),
        target_g_per_d: target(before)
            .zip(target(after))
            .map(|(before, after)| (after - before) / days),
    }
}
