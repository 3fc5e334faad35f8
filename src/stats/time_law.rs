//! Laws of the time to an event, on ln time and in standard form.
//!
//! Everything is a log or a derivative of one, so that it holds in the tails too.

use super::distribution::{normal_log_density, normal_log_upper, normal_quantile};

/// Law of the time to the event.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Family {
    /// Hazard constant in time.
    Exponential,
    /// Hazard a power of time.
    Weibull,
    /// ln T normal.
    LogNormal,
    /// ln T logistic.
    LogLogistic,
}

impl Family {
    /// All of them, simplest first.
    pub const ALL: [Self; 4] = [
        Self::Exponential,
        Self::Weibull,
        Self::LogNormal,
        Self::LogLogistic,
    ];

    pub(super) fn scale_is_free(self) -> bool {
        self != Self::Exponential
    }

    pub(super) fn log_density(self, z: f64) -> f64 {
        match self {
            Self::Exponential | Self::Weibull => z - z.exp(),
            Self::LogNormal => normal_log_density(z),
            Self::LogLogistic => -soft_plus(z) - soft_plus(-z),
        }
    }

    /// First and second derivative of the log density.
    pub(super) fn scores(self, z: f64) -> (f64, f64) {
        match self {
            Self::Exponential | Self::Weibull => (1.0 - z.exp(), -z.exp()),
            Self::LogNormal => (-z, -1.0),
            Self::LogLogistic => (-(0.5 * z).tanh(), -2.0 * self.log_density(z).exp()),
        }
    }

    /// ln P(W > z).
    #[must_use]
    pub fn log_upper(self, z: f64) -> f64 {
        match self {
            Self::Exponential | Self::Weibull => -z.exp(),
            Self::LogNormal => normal_log_upper(z),
            Self::LogLogistic => -soft_plus(z),
        }
    }

    /// ln P(W < z).
    pub(super) fn log_lower(self, z: f64) -> f64 {
        match self {
            Self::Exponential | Self::Weibull => (-(-z.exp()).exp_m1()).ln(),
            Self::LogNormal => normal_log_upper(-z),
            Self::LogLogistic => -soft_plus(-z),
        }
    }

    /// ln P(lower < W < upper), from the side on which the chances are smaller.
    pub(super) fn log_between(self, lower: f64, upper: f64) -> f64 {
        let (large, small) = if lower > 0.0 {
            (self.log_upper(lower), self.log_upper(upper))
        } else {
            (self.log_lower(upper), self.log_lower(lower))
        };
        large + (-(small - large).exp_m1()).ln()
    }

    /// z that W stays below with chance `share`.
    #[must_use]
    pub fn quantile(self, share: f64) -> f64 {
        match self {
            Self::Exponential | Self::Weibull => (-(-share).ln_1p()).ln(),
            Self::LogNormal => normal_quantile(share),
            Self::LogLogistic => share.ln() - (-share).ln_1p(),
        }
    }
}

/// ln(1 + e^z).
fn soft_plus(z: f64) -> f64 {
    z.max(0.0) + (-z.abs()).exp().ln_1p()
}
