//! A smooth line through a table that rises and falls only where the table does.
//!
//! Piecewise cubic Hermite interpolation. On the interval from `x_i` to `x_{i+1}`,
//! with width h and secant s, the slopes at the knots decide the shape; a cubic is
//! monotone there if both slopes have the secant's sign and are at most three
//! times the secant (Fritsch and Carlson 1980). Inner slopes are the weighted
//! harmonic mean of the two secants, which keeps that bound and is zero where the
//! secants change sign (Fritsch and Butland 1984); end slopes are the three-point
//! formula, cut back to the bound. Nothing is ever extrapolated.
//!
//! # Source
//! Fritsch FN, Carlson RE 1980, Monotone piecewise cubic interpolation, SIAM J
//! Numer Anal 17:238-246; Fritsch FN, Butland J 1984, A method for constructing
//! local monotone piecewise cubic interpolants, SIAM J Sci Stat Comput 5:300-304.

/// A monotone piecewise cubic through knots.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct MonotoneCubic {
    x: Vec<f64>,
    y: Vec<f64>,
    slope: Vec<f64>,
}

/// Where a value is taken on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Crossing {
    /// At this abscissa and nowhere else.
    At(f64),
    /// Nowhere: less than everything between the knots.
    Below,
    /// Nowhere: more than everything between the knots.
    Above,
    /// At several places or along a flat stretch.
    Several,
}

impl MonotoneCubic {
    /// Through knots with finite `x`, strictly ascending, and finite `y` of the
    /// same length, at least one; the caller has checked.
    pub(super) fn new(x: Vec<f64>, y: Vec<f64>) -> Self {
        debug_assert!(!x.is_empty() && x.len() == y.len());
        let slope = slopes(&x, &y);
        Self { x, y, slope }
    }

    /// The knots.
    pub(super) fn places(&self) -> impl Iterator<Item = f64> + '_ {
        self.x.iter().copied()
    }

    /// First and last knot.
    pub(super) fn range(&self) -> (f64, f64) {
        (self.x[0], self.x[self.x.len() - 1])
    }

    /// Value at `x`; none outside the knots.
    pub(super) fn value(&self, x: f64) -> Option<f64> {
        let (first, last) = self.range();
        if !(first..=last).contains(&x) {
            return None;
        }
        let right = self.x.partition_point(|knot| *knot < x);
        // A knot answers for itself, so that a table's own ages give the table's own numbers.
        if self.x[right] <= x {
            return Some(self.y[right]);
        }
        Some(self.on_interval(right - 1, x))
    }

    /// Where the line takes on the value `y`.
    ///
    /// Between two knots the line is monotone, so it takes on `y` there once if
    /// the knots' values have `y` between them, and never otherwise.
    pub(super) fn crossing(&self, y: f64) -> Crossing {
        let least = self.y.iter().copied().fold(f64::INFINITY, f64::min);
        let greatest = self.y.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if y < least {
            return Crossing::Below;
        }
        if y > greatest {
            return Crossing::Above;
        }
        let on = |value: f64| value.total_cmp(&y).is_eq();
        let at_knots = (0..self.x.len())
            .filter(|i| on(self.y[*i]))
            .map(|i| self.x[i]);
        let between = (0..self.x.len() - 1)
            .filter(|i| {
                (self.y[*i] < y && y < self.y[i + 1]) || (self.y[i + 1] < y && y < self.y[*i])
            })
            .map(|i| self.solve(i, y));
        let mut places = at_knots.chain(between);
        match (places.next(), places.next()) {
            (Some(x), None) => Crossing::At(x),
            _ => Crossing::Several,
        }
    }

    fn on_interval(&self, i: usize, x: f64) -> f64 {
        let h = self.x[i + 1] - self.x[i];
        let u = (x - self.x[i]) / h;
        let v = 1.0 - u;
        // Hermite basis: (1+2u)v^2, u v^2, u^2(3-2u), -u^2 v.
        (1.0 + 2.0 * u) * v * v * self.y[i]
            + u * v * v * h * self.slope[i]
            + u * u * (3.0 - 2.0 * u) * self.y[i + 1]
            - u * u * v * h * self.slope[i + 1]
    }

    /// The abscissa on interval `i` where the line is `y`, by bisection: 60
    /// halvings take any width to below its rounding error.
    fn solve(&self, i: usize, y: f64) -> f64 {
        let rising = self.y[i + 1] > self.y[i];
        let (mut left, mut right) = (self.x[i], self.x[i + 1]);
        for _ in 0..60 {
            let middle = 0.5 * (left + right);
            if (self.on_interval(i, middle) < y) == rising {
                left = middle;
            } else {
                right = middle;
            }
        }
        0.5 * (left + right)
    }
}

fn slopes(x: &[f64], y: &[f64]) -> Vec<f64> {
    let width: Vec<f64> = x.windows(2).map(|w| w[1] - w[0]).collect();
    let secant: Vec<f64> = y
        .windows(2)
        .zip(&width)
        .map(|(w, h)| (w[1] - w[0]) / h)
        .collect();
    match secant.len() {
        0 => return vec![0.0],
        1 => return vec![secant[0]; 2],
        _ => {}
    }
    let last = secant.len() - 1;
    let mut slope = Vec::with_capacity(x.len());
    slope.push(end_slope(width[0], width[1], secant[0], secant[1]));
    for i in 1..=last {
        slope.push(inner_slope(
            width[i - 1],
            width[i],
            secant[i - 1],
            secant[i],
        ));
    }
    slope.push(end_slope(
        width[last],
        width[last - 1],
        secant[last],
        secant[last - 1],
    ));
    slope
}

/// Weighted harmonic mean of the secants on both sides; zero where they do not agree in sign.
fn inner_slope(h0: f64, h1: f64, s0: f64, s1: f64) -> f64 {
    if s0 * s1 <= 0.0 {
        return 0.0;
    }
    let (w0, w1) = (2.0 * h1 + h0, h1 + 2.0 * h0);
    (w0 + w1) / (w0 / s0 + w1 / s1)
}

/// Three-point slope at an end, kept within the monotone range.
fn end_slope(h0: f64, h1: f64, s0: f64, s1: f64) -> f64 {
    let slope = ((2.0 * h0 + h1) * s0 - h0 * s1) / (h0 + h1);
    if slope * s0 <= 0.0 {
        0.0
    } else if s0 * s1 <= 0.0 && slope.abs() > 3.0 * s0.abs() {
        3.0 * s0
    } else {
        slope
    }
}
