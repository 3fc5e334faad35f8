//! A sigmoid held at the weight at hatch: f(0) = w0, known and not estimated.
//!
//! f = A g(k t + z0) with g(z0) = w0 / A, so ti = -z0 / k is not a free term and A
//! and k remain. With z = k t + z0, and z0_A = -w0 / (A^2 g'(z0)):
//!
//! ```text
//! f     = A g          f_A = g + A g' z0_A              f_k = A g' t
//! df/dt = A k g'   its _A  = k (g' + A g'' z0_A)        _k  = A (g' + k t g'')
//! ```
//!
//! The hatch-weight form is as old as the curve; that both forms give the same fitted
//! values is shown for instance by Duan-yai S et al. 1999, Asian-Aus. J. Anim. Sci.
//! 12:1177-1180 (its abstract was read).

use super::derived::{Landmarks, derived};
use super::gompertz::Gompertz;
use super::linearise::{REACH, greatest};
use super::logistic::Logistic;
use super::sigmoid::{ASYMPTOTE, RATE, RATE_RANGE, Shape};
use super::{Curve, Derived, Term};

/// A shape that can be anchored.
pub(super) trait AnchorShape: Shape {
    /// The anchored curve's name.
    const ANCHORED_NAME: &'static str;
    /// The shape itself: it has no additional term.
    const SHAPE: Self;
}

impl AnchorShape for Gompertz {
    const ANCHORED_NAME: &'static str = "anchored-gompertz";
    const SHAPE: Self = Self;
}

impl AnchorShape for Logistic {
    const ANCHORED_NAME: &'static str = "anchored-logistic";
    const SHAPE: Self = Self;
}

/// The asymptote keeps at least this ratio to the hatch weight, or nothing would grow.
const LEAST_GROWTH: f64 = 1.001;

/// A curve that requires the hatch weight of the bird at hand.
#[derive(Debug, Clone)]
pub(super) struct Anchored<S> {
    shape: S,
    /// NaN until a bird's is known.
    hatch_weight_g: f64,
    terms: [Term; 2],
}

impl<S: AnchorShape> Anchored<S> {
    /// Not yet for any bird: gives no start and no number.
    pub(super) const fn new() -> Self {
        Self {
            shape: S::SHAPE,
            hatch_weight_g: f64::NAN,
            terms: [ASYMPTOTE, RATE],
        }
    }

    /// z at hatch and its derivative in A.
    #[inline(always)]
    fn z0(&self, asymptote: f64) -> (f64, f64) {
        let share = self.hatch_weight_g / asymptote;
        let (z0, rise) = self.shape.inverse(share, share.ln());
        (z0, -share / (asymptote * rise))
    }

    /// k at a given asymptote (as a multiple of the greatest value): the line through
    /// z0 at hatch. Returns (misfit, A, k).
    fn line_from_hatch(
        &self,
        asymptote: f64,
        ages_d: &[f64],
        values: &[f64],
    ) -> Option<(f64, f64, f64)> {
        let (z0, _) = self.z0(asymptote);
        let (mut tt, mut tz, mut zz) = (0.0, 0.0, 0.0);
        for (age_d, y) in ages_d.iter().zip(values) {
            if *y > 0.0 && y.is_finite() && *age_d > 0.0 {
                let share = y / asymptote;
                let (z, rise) = self.shape.inverse(share, share.ln());
                let (z, w) = (z - z0, rise * rise);
                tt += w * age_d * age_d;
                tz += w * age_d * z;
                zz += w * z * z;
            }
        }
        let k = tz / tt;
        let misfit = (zz - k * tz).max(0.0) * asymptote * asymptote;
        (k > 0.0 && misfit.is_finite())
            .then(|| (misfit, asymptote, k.clamp(RATE_RANGE.0, RATE_RANGE.1)))
    }
}

impl<S: AnchorShape> Curve for Anchored<S> {
    fn name(&self) -> &str {
        S::ANCHORED_NAME
    }

    fn terms(&self) -> &[Term] {
        &self.terms
    }

    fn value(&self, age_d: f64, terms: &[f64]) -> f64 {
        let (z0, _) = self.z0(terms[0]);
        terms[0] * self.shape.share(terms[1] * age_d + z0)
    }

    fn value_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let (a, k) = (terms[0], terms[1]);
        let (z0, z0_in_a) = self.z0(a);
        let at = self.shape.at(k * age_d + z0);
        gradient[0] = at.share + a * at.rise * z0_in_a;
        gradient[1] = a * at.rise * age_d;
        a * at.share
    }

    fn slope_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let (a, k) = (terms[0], terms[1]);
        let (z0, z0_in_a) = self.z0(a);
        let at = self.shape.at(k * age_d + z0);
        gradient[0] = k * (at.rise + a * at.bend * z0_in_a);
        gradient[1] = a * (at.rise + k * age_d * at.bend);
        a * k * at.rise
    }

    /// One regression through the hatch weight for each asymptote of the list.
    fn start(&self, attempt: usize, ages_d: &[f64], values: &[f64], terms: &mut [f64]) -> bool {
        let Some(top) = greatest(values) else {
            return false;
        };
        let top = top.max(self.hatch_weight_g);
        let mut starts = REACH.map(|reach| self.line_from_hatch(reach * top, ages_d, values));
        let misfit = |start: &Option<(f64, f64, f64)>| start.map_or(f64::INFINITY, |s| s.0);
        starts.sort_unstable_by(|a, b| misfit(a).total_cmp(&misfit(b)));
        let Some((_, asymptote, k)) = starts.get(attempt).copied().flatten() else {
            return false;
        };
        terms.copy_from_slice(&[asymptote, k]);
        true
    }

    fn derived(&self, what: Derived, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        derived(self, what, terms, gradient)
    }

    fn needs_hatch_weight(&self) -> bool {
        self.hatch_weight_g.is_nan()
    }

    fn at_hatch_weight(&self, weight_g: f64) -> Option<Box<dyn Curve>> {
        if !(weight_g > 0.0 && weight_g.is_finite()) {
            return None;
        }
        let mut anchored = Self {
            hatch_weight_g: weight_g,
            ..self.clone()
        };
        anchored.terms[0].lower = LEAST_GROWTH * weight_g;
        Some(Box::new(anchored))
    }
}

impl<S: AnchorShape> Landmarks for Anchored<S> {
    fn asymptote(&self, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        gradient.copy_from_slice(&[1.0, 0.0]);
        Some(terms[0])
    }

    fn age_at_value(&self, value: f64, terms: &[f64]) -> Option<f64> {
        let share = value / terms[0];
        (share > 0.0 && share < 1.0).then(|| {
            let (z0, _) = self.z0(terms[0]);
            (self.shape.inverse(share, share.ln()).0 - z0) / terms[1]
        })
    }

    /// t = (z - z0) / k at the z of the greatest g'.
    fn inflection_age(&self, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        let z = S::INFLECTION_Z?;
        let (z0, z0_in_a) = self.z0(terms[0]);
        let age_d = (z - z0) / terms[1];
        gradient.copy_from_slice(&[-z0_in_a / terms[1], -age_d / terms[1]]);
        Some(age_d)
    }
}
