//! What any pullet may weigh at an age: units that the weights as a whole put in doubt.

use super::odd_birds::EXPLANATIONS;
use crate::study::Records;
use crate::study::columns::BODY_WEIGHT;
use crate::study::faults::Place;

/// Ages in days, and the least and greatest weights in g that a pullet of any egg-type
/// strain may have then. Wide: only a wrong unit lies outside (common practice, no source).
const ENVELOPE: [(f64, f64, f64); 9] = [
    (0.0, 15.0, 150.0),
    (14.0, 30.0, 500.0),
    (30.0, 60.0, 900.0),
    (42.0, 100.0, 1500.0),
    (84.0, 250.0, 3000.0),
    (126.0, 400.0, 4500.0),
    (200.0, 500.0, 6000.0),
    (365.0, 500.0, 7000.0),
    (3650.0, 500.0, 7000.0),
];
/// Share of the weights that must lie on one side of it.
const SHARE: f64 = 0.1;

/// The envelope on the log scale.
struct Envelope(Vec<(f64, f64, f64)>);

impl Envelope {
    fn new() -> Self {
        let knots = ENVELOPE.into_iter();
        Self(
            knots
                .map(|(age_d, low, high)| (age_d, low.ln(), high.ln()))
                .collect(),
        )
    }

    /// Log of the least and greatest weight at an age, linear between the knots.
    fn limits(&self, age_d: f64) -> (f64, f64) {
        let after = self.0.partition_point(|(known_d, ..)| *known_d < age_d);
        let (from, to) = (
            self.0[after.saturating_sub(1)],
            self.0[after.min(self.0.len() - 1)],
        );
        let part = if to.0 > from.0 {
            (age_d - from.0) / (to.0 - from.0)
        } else {
            0.0
        };
        (
            from.1 + part * (to.1 - from.1),
            from.2 + part * (to.2 - from.2),
        )
    }

    /// -1 for a log weight below the envelope, 1 for one above, else 0.
    fn side(&self, age_d: f64, log: f64) -> i8 {
        let (low, high) = self.limits(age_d);
        i8::from(log > high) - i8::from(log < low)
    }
}

/// Units of body weights and ages in doubt: one line for weights too light, one for too
/// heavy. `logs` are the logs of the values; weights of `odd` birds are reported with the birds.
pub(super) fn units_in_doubt(records: &Records, logs: &[f64], odd: &[bool]) -> Vec<String> {
    if records.name != BODY_WEIGHT {
        return Vec::new();
    }
    let envelope = Envelope::new();
    let judged = || {
        let birds = (0..odd.len()).filter(|bird| !odd[*bird]);
        birds.flat_map(|bird| records.starts[bird]..records.starts[bird + 1])
    };
    let mut all = 0_usize;
    let mut outside = [Vec::new(), Vec::new()];
    for record in judged() {
        all += 1;
        match envelope.side(records.ages_d[record], logs[record]) {
            -1 => outside[0].push(record),
            1 => outside[1].push(record),
            _ => {}
        }
    }
    let few = |count: usize| count as f64 <= SHARE * all as f64;
    let mut lines = Vec::new();
    for (outside, words) in outside.iter().zip(["too light", "too heavy"]) {
        // The weighing furthest in age shows it best.
        let example = outside
            .iter()
            .max_by(|a, b| records.ages_d[**a].total_cmp(&records.ages_d[**b]));
        let Some(example) = example.filter(|_| !few(outside.len())) else {
            continue;
        };
        let explanation = EXPLANATIONS.into_iter().find(|(mass, age, days, _)| {
            let off = |record: &usize| {
                let age_d = records.ages_d[*record] * age - days;
                age_d < 0.0 || envelope.side(age_d, logs[*record] + mass.ln()) != 0
            };
            few(judged().filter(off).count())
        });
        lines.push(format!(
            "{}: {} of {all} weights are {words} for pullets of their age, such as {} g at {} d; {}",
            Place::row(&records.file, records.rows[*example]),
            outside.len(),
            records.values[*example],
            records.ages_d[*example],
            explanation.map_or("check the units of weights and ages", |(.., words)| words)
        ));
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_envelope_widens_with_age_and_is_met_at_its_knots() {
        for pair in ENVELOPE.windows(2) {
            assert!(pair[0].0 < pair[1].0 && pair[0].1 <= pair[1].1 && pair[0].2 <= pair[1].2);
        }
        for (age_d, low, high) in ENVELOPE {
            let (from, to) = Envelope::new().limits(age_d);
            assert!((from - f64::ln(low)).abs() < 1e-12 && (to - f64::ln(high)).abs() < 1e-12);
        }
        let (low, high) = (
            Envelope::new().limits(-1.0).0,
            Envelope::new().limits(1e6).1,
        );
        assert!(low.is_finite() && high.is_finite());
    }
}
