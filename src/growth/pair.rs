//! Least squares for y = a x1 + b x2: the two linear terms of a curve whose other terms are given.
//!
//! This is variable projection (Golub GH, Pereyra V 1973, SIAM J. Numer. Anal.
//! 10:413-432; cited from memory) at the size that a starting grid needs: one pass, no memory.

/// Sums for two regressors.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Pair {
    x11: f64,
    x12: f64,
    x22: f64,
    x1y: f64,
    x2y: f64,
    yy: f64,
}

impl Pair {
    /// Takes in one observation.
    #[inline(always)]
    pub(super) fn add(&mut self, x1: f64, x2: f64, y: f64) {
        self.x11 += x1 * x1;
        self.x12 += x1 * x2;
        self.x22 += x2 * x2;
        self.x1y += x1 * y;
        self.x2y += x2 * y;
        self.yy += y * y;
    }

    /// The second regressor of an observation that was taken in with 0 for it.
    #[inline(always)]
    pub(super) fn add_second(&mut self, x1: f64, x2: f64, y: f64) {
        self.x12 += x1 * x2;
        self.x22 += x2 * x2;
        self.x2y += x2 * y;
    }

    /// (a, b, residual sum of squares); `None` where the regressors are collinear.
    pub(super) fn solve(&self) -> Option<(f64, f64, f64)> {
        let determinant = self.x11 * self.x22 - self.x12 * self.x12;
        // Below this the two regressors are one to rounding.
        let distinct = determinant > 1e-12 * self.x11 * self.x22;
        if !distinct {
            return None;
        }
        let a = (self.x22 * self.x1y - self.x12 * self.x2y) / determinant;
        let b = (self.x11 * self.x2y - self.x12 * self.x1y) / determinant;
        let rss = (self.yy - a * self.x1y - b * self.x2y).max(0.0);
        (a.is_finite() && b.is_finite()).then_some((a, b, rss))
    }
}
