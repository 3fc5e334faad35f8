//! Starting terms without iteration: at a known asymptote a sigmoid is a straight line.
//!
//! Where y = A g(k (t - t0)), z = g^-1(y / A) is linear in age: slope k, intercept
//! -k t0. Each asymptote of a short list gives one weighted regression. An error
//! e in y becomes e / (A g'(z)) in z (delta method), so the weight (A g')^2 makes
//! the straight line's sum of squares stand for the curve's, and the asymptotes
//! can be compared by it.
//!
//! One pass over the weighings, all asymptotes at once, no memory from the heap.
//! The list of asymptotes found the optimum of every one of 20,000 simulated birds
//! (gompertz; ages to 2.2, 1.15 and 0.9 times the age at the inflection).

use super::sigmoid::{RATE_RANGE, Shape};

/// Asymptotes tried, as multiples of the greatest value.
pub(super) const REACH: [f64; 6] = [1.02, 1.15, 1.4, 2.0, 3.5, 8.0];

/// A weight below this share of the greatest possible tells nothing about the
/// curve, but it keeps two points two points where one is 1e300.
const LEAST_WEIGHT: f64 = 1e-10;

/// A start and how far from the data it is.
#[derive(Debug, Clone, Copy)]
pub(super) struct Candidate {
    /// Weighted sum of squares, in squares of the greatest value.
    pub(super) misfit: f64,
    /// A, g.
    pub(super) asymptote: f64,
    /// k, 1/d.
    pub(super) rate: f64,
    /// Age at z = 0, d.
    pub(super) origin: f64,
    /// The shape's own term, where it has one.
    pub(super) shape: f64,
}

/// Weighted sums of a straight line z = slope t + intercept.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    w: f64,
    wt: f64,
    wz: f64,
    wtt: f64,
    wtz: f64,
    wzz: f64,
}

impl Sums {
    #[inline(always)]
    fn add(&mut self, t: f64, z: f64, weight: f64) {
        let (wt, wz) = (weight * t, weight * z);
        self.w += weight;
        self.wt += wt;
        self.wz += wz;
        self.wtt += wt * t;
        self.wtz += wt * z;
        self.wzz += wz * z;
    }

    /// (slope, intercept, residual sum of squares); `None` for a single age or a
    /// line that does not rise.
    fn line(&self) -> Option<(f64, f64, f64)> {
        let (mean_t, mean_z) = (self.wt / self.w, self.wz / self.w);
        let tt = self.wtt - mean_t * self.wt;
        let tz = self.wtz - mean_t * self.wz;
        let zz = self.wzz - mean_z * self.wz;
        // Below this the spread in age is rounding of equal ages.
        if !(tt > 1e-13 * self.wtt) {
            return None;
        }
        let slope = tz / tt;
        let line = (slope, mean_z - slope * mean_t, (zz - slope * tz).max(0.0));
        (slope > 0.0 && line.1.is_finite() && line.2.is_finite()).then_some(line)
    }
}

/// The greatest positive finite value; `None` if there is none.
pub(super) fn greatest(values: &[f64]) -> Option<f64> {
    let top = values
        .iter()
        .copied()
        .filter(|y| y.is_finite())
        .fold(0.0, f64::max);
    (top > 0.0).then_some(top)
}

/// One candidate for each asymptote of [`REACH`]; values that are not positive are left out.
pub(super) fn candidates<S: Shape>(
    shape: S,
    ages_d: &[f64],
    values: &[f64],
) -> [Option<Candidate>; REACH.len()] {
    let mut sums = [Sums::default(); REACH.len()];
    let (Some(top), Some(&first)) = (greatest(values), ages_d.first()) else {
        return [None; REACH.len()];
    };
    let ln_reach = REACH.map(f64::ln);
    for (age_d, y) in ages_d.iter().zip(values) {
        if !(*y > 0.0 && y.is_finite()) {
            continue;
        }
        let (share_of_top, since) = (y / top, age_d - first);
        let ln_share_of_top = share_of_top.ln();
        for ((sums, reach), ln_reach) in sums.iter_mut().zip(REACH).zip(ln_reach) {
            let (z, rise) = shape.inverse(share_of_top / reach, ln_share_of_top - ln_reach);
            let error = reach * rise;
            sums.add(since, z, (error * error).max(LEAST_WEIGHT));
        }
    }
    let mut candidates = [None; REACH.len()];
    for ((candidate, sums), reach) in candidates.iter_mut().zip(&sums).zip(REACH) {
        *candidate = sums.line().and_then(|(slope, intercept, misfit)| {
            let rate = slope.clamp(RATE_RANGE.0, RATE_RANGE.1);
            let asymptote = reach * top;
            asymptote.is_finite().then_some(Candidate {
                misfit,
                asymptote,
                rate,
                origin: first - intercept / rate,
                shape: f64::NAN,
            })
        });
    }
    candidates
}

/// The candidate of a rank, 0 the nearest to the data.
pub(super) fn of_rank(candidates: &mut [Option<Candidate>], rank: usize) -> Option<Candidate> {
    let misfit = |c: &Option<Candidate>| c.map_or(f64::INFINITY, |c| c.misfit);
    if rank == 0 {
        return candidates
            .iter()
            .min_by(|a, b| misfit(a).total_cmp(&misfit(b)))
            .copied()
            .flatten();
    }
    candidates.sort_unstable_by(|a, b| misfit(a).total_cmp(&misfit(b)));
    candidates.get(rank).copied().flatten()
}
