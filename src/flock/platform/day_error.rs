//! How far a scale's daily values scatter about a smooth course.
//!
//! Visits are not birds: a bird comes often, what birds share on a day (full crops, litter on the
//! platform) is in every visit, and so SD / sqrt(visits) is no error of a daily mean. What
//! scatter there is from day to day is read from each day against the line through the days
//! before and after it (Gasser, Sroka and Jennen-Steinmetz 1986, Biometrika 73:625):
//!
//! ```text
//! e_i = a y_(i-1) + b y_(i+1) - y_i,   s^2 = mean of e_i^2 / (a^2 + b^2 + 1)
//! ```
//!
//! with a, b the weights of linear interpolation. s^2 is a quadratic form in independent errors;
//! its degrees of freedom are 2 E^2 / Var = (tr A)^2 / tr(A A) (Satterthwaite 1946).

/// Variance of a daily value about a smooth course, and its degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayError {
    /// Variance of one day's value.
    pub variance: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
}

/// Days apart beyond which a neighbour is none.
const NEIGHBOURS_WITHIN_D: f64 = 4.0;

/// From series of (age in days, value), each ascending in age, which have no errors in common.
/// `None` where no day has a neighbour on both sides.
pub(super) fn day_error(series: &[Vec<(f64, f64)>]) -> Option<DayError> {
    let (mut squares, mut trace, mut trace_of_square) = (0.0, 0.0, 0.0);
    for days in series {
        // Each contrast by its place and the coefficients of the three days.
        let mut contrasts: Vec<(usize, [f64; 3])> = Vec::new();
        for (at, triple) in days.windows(3).enumerate() {
            let [before, day, after] = [triple[0], triple[1], triple[2]];
            if after.0 - day.0 > NEIGHBOURS_WITHIN_D || day.0 - before.0 > NEIGHBOURS_WITHIN_D {
                continue;
            }
            let a = (after.0 - day.0) / (after.0 - before.0);
            let norm = (a * a + (1.0 - a).powi(2) + 1.0).sqrt();
            let row = [a / norm, -1.0 / norm, (1.0 - a) / norm];
            let value = row[0] * before.1 + row[1] * day.1 + row[2] * after.1;
            squares += value * value;
            trace += 1.0;
            contrasts.push((at, row));
        }
        for (at, row) in &contrasts {
            for (other_at, other) in &contrasts {
                if at.abs_diff(*other_at) > 2 {
                    continue;
                }
                let product: f64 = (0..3)
                    .filter_map(|place| {
                        let there = (at + place).checked_sub(*other_at)?;
                        Some(row[place] * other.get(there)?)
                    })
                    .sum();
                trace_of_square += product * product;
            }
        }
    }
    (trace > 0.0).then(|| DayError {
        variance: squares / trace,
        degrees_of_freedom: trace * trace / trace_of_square,
    })
}
