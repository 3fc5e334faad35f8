//! Starting terms without iteration: at a known asymptote a sigmoid is a straight line.
//!
//! Where y = A g(k (t - t0)), z = g^-1(y / A) is linear in age: slope k, intercept
//! -k t0. Each asymptote of a short list gives one weighted regression. An error
//! e in y becomes e / (A g'(z)) in z (delta method), so the weight (A g')^2 makes
//! the straight line's sum of squares stand for the curve's, and the asymptotes
//! can be compared by it.
//!
//! Between the asymptotes (and shapes) of the list the misfit is close to a parabola, and
//! the line's terms are smooth: the start is interpolated at its lowest point, which
//! saves about one step of the fit in six.
//!
//! One pass over the weighings, all asymptotes at once, no memory from the heap.
//! The list of asymptotes found the optimum of every one of 20,000 simulated birds
//! (gompertz; ages to 2.2, 1.15 and 0.9 times the age at the inflection).

use super::elementary::{BLOCK, rough_ln_each};
use super::sigmoid::{LEAST_ASYMPTOTE, RATE_RANGE};

/// Asymptotes tried, as multiples of the greatest value.
pub(super) const REACH: [f64; 6] = [1.02, 1.15, 1.4, 2.0, 3.5, 8.0];

/// A weight below this share of the greatest possible carries no information on the
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

/// One number for each asymptote.
type Each = [f64; REACH.len()];

/// Weighted sums of a straight line z = slope t + intercept for each asymptote; the
/// asymptotes lie side by side so that the sums are taken in step.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    w: Each,
    wt: Each,
    wz: Each,
    wtt: Each,
    wtz: Each,
    wzz: Each,
}

impl Sums {
    #[inline(always)]
    fn add(&mut self, t: f64, z: &Each, weight: &Each) {
        for j in 0..REACH.len() {
            let (wt, wz) = (weight[j] * t, weight[j] * z[j]);
            self.w[j] += weight[j];
            self.wt[j] += wt;
            self.wz[j] += wz;
            self.wtt[j] += wt * t;
            self.wtz[j] += wt * z[j];
            self.wzz[j] += wz * z[j];
        }
    }

    /// (slope, intercept, residual sum of squares) at asymptote j; `None` for a single
    /// age or a line that does not rise.
    fn line(&self, j: usize) -> Option<(f64, f64, f64)> {
        let (mean_t, mean_z) = (self.wt[j] / self.w[j], self.wz[j] / self.w[j]);
        let tt = self.wtt[j] - mean_t * self.wt[j];
        let tz = self.wtz[j] - mean_t * self.wz[j];
        let zz = self.wzz[j] - mean_z * self.wz[j];
        // Below this the spread in age is rounding of equal ages.
        let ages_differ = tt > 1e-13 * self.wtt[j];
        if !ages_differ {
            return None;
        }
        let slope = tz / tt;
        let line = (slope, mean_z - slope * mean_t, (zz - slope * tz).max(0.0));
        // What a line explains of equal values is the square of their rounding.
        let rises = slope > 0.0 && slope * tz > 1e-28 * self.wzz[j];
        (rises && line.1.is_finite() && line.2.is_finite()).then_some(line)
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
///
/// `invert` gives z and g'(z) from a share, its logarithm, what `argument` makes of both
/// and the logarithm of that.
#[inline(always)]
pub(super) fn candidates(
    argument: impl Fn(f64, f64) -> f64,
    invert: impl Fn(f64, f64, f64, f64) -> (f64, f64),
    ages_d: &[f64],
    values: &[f64],
) -> [Option<Candidate>; REACH.len()] {
    let (Some(top), Some(&first)) = (greatest(values), ages_d.first()) else {
        return [None; REACH.len()];
    };
    let mut sums = Sums::default();
    let (per_reach, ln_reach) = (per_reach(), REACH.map(f64::ln));
    let (mut since, mut share_of_top) = ([0.0; BLOCK], [0.0; BLOCK]);
    let mut arguments = [Each::default(); BLOCK];
    for (ages_d, values) in ages_d.chunks(BLOCK).zip(values.chunks(BLOCK)) {
        let mut n = 0;
        for (age_d, y) in ages_d.iter().zip(values) {
            if *y > 0.0 && y.is_finite() {
                (since[n], share_of_top[n]) = (age_d - first, y / top);
                n += 1;
            }
        }
        let mut ln_share_of_top = share_of_top;
        rough_ln_each(&mut ln_share_of_top[..n]);
        let shares = share_of_top[..n].iter().zip(&ln_share_of_top);
        for ((share, ln_share), arguments) in shares.clone().zip(&mut arguments) {
            for j in 0..REACH.len() {
                arguments[j] = argument(share * per_reach[j], ln_share - ln_reach[j]);
            }
        }
        let mut logarithms = arguments;
        rough_ln_each(logarithms[..n].as_flattened_mut());
        let known = arguments.iter().zip(&logarithms).zip(&since);
        for ((share, ln_share), ((arguments, logarithms), since)) in shares.zip(known) {
            let (mut z, mut weight) = (Each::default(), Each::default());
            for j in 0..REACH.len() {
                let (share, ln_share) = (share * per_reach[j], ln_share - ln_reach[j]);
                let (at, rise) = invert(share, ln_share, arguments[j], logarithms[j]);
                let error = REACH[j] * rise;
                z[j] = at;
                weight[j] = (error * error).max(LEAST_WEIGHT);
            }
            sums.add(*since, &z, &weight);
        }
    }
    let mut candidates = [None; REACH.len()];
    for (j, candidate) in candidates.iter_mut().enumerate() {
        *candidate = sums.line(j).and_then(|(slope, intercept, misfit)| {
            let rate = slope.clamp(RATE_RANGE.0, RATE_RANGE.1);
            let asymptote = REACH[j] * top;
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

/// 1 / [`REACH`]: in this scale the asymptotes of the list lie about evenly.
#[inline(always)]
pub(super) fn per_reach() -> Each {
    REACH.map(|reach| 1.0 / reach)
}

/// The best candidate, or one between it and its neighbours, at the lowest point of the
/// parabola through their misfits. The candidates lie at ascending or descending `x`.
#[inline(always)]
pub(super) fn refined<const N: usize>(
    candidates: &[Option<Candidate>; N],
    x: [f64; N],
) -> Option<Candidate> {
    let misfit = |at: usize| candidates[at].map_or(f64::INFINITY, |c| c.misfit);
    let best = (1..N).fold(
        0,
        |best, at| if misfit(at) < misfit(best) { at } else { best },
    );
    let nearest = candidates[best];
    let middle = best.clamp(1, N - 2);
    let around = [middle - 1, middle, middle + 1];
    let [Some(one), Some(two), Some(three)] = around.map(|at| candidates[at]) else {
        return nearest;
    };
    parabola([one, two, three], around.map(|at| x[at])).or(nearest)
}

/// Three candidates interpolated at the lowest point of the parabola through their
/// misfits; `None` where it has none, or where no curve is left there.
#[inline(always)]
fn parabola([one, two, three]: [Candidate; 3], x: [f64; 3]) -> Option<Candidate> {
    let first = (two.misfit - one.misfit) / (x[1] - x[0]);
    let second = (three.misfit - two.misfit) / (x[2] - x[1]);
    let bend = (second - first) / (x[2] - x[0]);
    let lowest = 0.5 * (x[0] + x[1] - first / bend);
    let lowest = lowest.clamp(x[0].min(x[2]), x[0].max(x[2]));
    // Lagrange's weights.
    let to = x.map(|x| lowest - x);
    let weight = [
        to[1] * to[2] / ((x[0] - x[1]) * (x[0] - x[2])),
        to[0] * to[2] / ((x[1] - x[0]) * (x[1] - x[2])),
        to[0] * to[1] / ((x[2] - x[0]) * (x[2] - x[1])),
    ];
    let mean = |of: fn(&Candidate) -> f64| {
        weight[0] * of(&one) + weight[1] * of(&two) + weight[2] * of(&three)
    };
    let between = Candidate {
        misfit: mean(|c| c.misfit).max(0.0),
        asymptote: 1.0 / mean(|c| 1.0 / c.asymptote),
        rate: mean(|c| c.rate),
        origin: mean(|c| c.origin),
        shape: mean(|c| c.shape),
    };
    let sound = bend > 0.0
        && (RATE_RANGE.0..=RATE_RANGE.1).contains(&between.rate)
        && between.asymptote >= LEAST_ASYMPTOTE
        && between.asymptote.is_finite()
        && between.origin.is_finite();
    sound.then_some(between)
}

/// The candidate of a rank, 0 the nearest to the data, as it stands in the list.
pub(super) fn of_rank(candidates: &mut [Option<Candidate>], rank: usize) -> Option<Candidate> {
    let misfit = |c: &Option<Candidate>| c.map_or(f64::INFINITY, |c| c.misfit);
    candidates.sort_unstable_by(|a, b| misfit(a).total_cmp(&misfit(b)));
    candidates.get(rank).copied().flatten()
}
