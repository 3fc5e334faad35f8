//! Distributions of the age at sexual maturity of the hens of a pen.

use std::f64::consts::{PI, SQRT_2};

use crate::stats::distribution::normal_quantile;

/// Family of the age T at sexual maturity: location a (exp of the first term) and spread s.
///
/// Normal: T = a (1 + s Z). Others: ln T = ln a + s Z, with Z smallest-extreme-value (Weibull),
/// normal or logistic, as the onset models of single birds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MaturityFamily {
    /// T normal.
    Normal,
    /// T Weibull: leans to early ages.
    Weibull,
    /// ln T normal: leans to late ages.
    LogNormal,
    /// ln T logistic: heavy tails.
    LogLogistic,
}

impl MaturityFamily {
    /// All of them.
    pub const ALL: [Self; 4] = [
        Self::Normal,
        Self::Weibull,
        Self::LogNormal,
        Self::LogLogistic,
    ];

    /// Name in the tables.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Weibull => "weibull",
            Self::LogNormal => "lognormal",
            Self::LogLogistic => "loglogistic",
        }
    }

    /// Share of the hens mature by an age, d; 0 below hatch.
    pub(super) fn share(self, (log_location, spread): (f64, f64), age_d: f64) -> f64 {
        if age_d <= 0.0 {
            return 0.0;
        }
        let z = match self {
            Self::Normal => (age_d * (-log_location).exp() - 1.0) / spread,
            _ => (age_d.ln() - log_location) / spread,
        };
        match self {
            Self::Weibull => -(-z.exp()).exp_m1(),
            Self::Normal | Self::LogNormal => 0.5 * libm::erfc(-z / SQRT_2),
            Self::LogLogistic => 1.0 / (1.0 + (-z).exp()),
        }
    }

    /// Age by which a share of the hens is mature, d.
    pub(super) fn age(self, (log_location, spread): (f64, f64), share: f64) -> f64 {
        let z = match self {
            Self::Weibull => (-(-share).ln_1p()).ln(),
            Self::Normal | Self::LogNormal => normal_quantile(share),
            Self::LogLogistic => share.ln() - (-share).ln_1p(),
        };
        match self {
            Self::Normal => log_location.exp() * (1.0 + spread * z),
            _ => (log_location + spread * z).exp(),
        }
    }

    /// Mean and standard deviation of the age, d; `None` where they are infinite.
    pub(super) fn mean_and_sd(self, (log_location, spread): (f64, f64)) -> Option<(f64, f64)> {
        let location = log_location.exp();
        if self == Self::Normal {
            return Some((location, spread * location));
        }
        let (first, second) = (self.moment(spread)?, self.moment(2.0 * spread)?);
        let variance = (second - first * first).max(0.0);
        Some((location * first, location * variance.sqrt()))
    }

    /// E exp(s Z); `None` where it is infinite.
    fn moment(self, spread: f64) -> Option<f64> {
        match self {
            Self::Normal => None,
            Self::Weibull => Some(libm::tgamma(1.0 + spread)).filter(|moment| moment.is_finite()),
            Self::LogNormal => Some((0.5 * spread * spread).exp()),
            Self::LogLogistic => {
                let angle = PI * spread;
                (spread < 1.0).then(|| {
                    if angle < 1e-8 {
                        1.0
                    } else {
                        angle / angle.sin()
                    }
                })
            }
        }
    }

    /// Spread of ln T that goes with a standard deviation of one, about.
    pub(super) fn spread_of_unit(self) -> f64 {
        match self {
            Self::Normal | Self::LogNormal => 1.0,
            Self::Weibull => 6.0_f64.sqrt() / PI,
            Self::LogLogistic => 3.0_f64.sqrt() / PI,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// R 4.x: mean and SD of Weibull(shape 1/0.05, scale 140) by gamma(), of exp(N(ln 140,
    /// 0.05^2)) and of the log-logistic with s = 0.03 by integrate() of x^k times dlnorm and
    /// the logistic density of ln x.
    #[test]
    fn means_and_standard_deviations_are_those_of_r() {
        let at = |family: MaturityFamily, spread: f64| {
            family.mean_and_sd((140.0_f64.ln(), spread)).unwrap()
        };
        for (family, spread, mean, sd) in [
            (MaturityFamily::Normal, 0.05, 140.0, 7.0),
            (MaturityFamily::Weibull, 0.05, 136.290_597_18, 8.446_786_97),
            (
                MaturityFamily::LogNormal,
                0.05,
                140.175_109_42,
                7.013_138_23,
            ),
            (
                MaturityFamily::LogLogistic,
                0.03,
                140.207_476_68,
                7.642_837_34,
            ),
        ] {
            let found = at(family, spread);
            // 1e-6: the digits of the reference.
            assert!(
                (found.0 - mean).abs() < 1e-6 && (found.1 - sd).abs() < 1e-6,
                "{family:?} {found:?}"
            );
        }
    }

    #[test]
    fn the_age_of_a_share_has_that_share() {
        for family in MaturityFamily::ALL {
            for share in [0.05, 0.5, 0.95] {
                let age_d = family.age((4.9, 0.06), share);
                assert!((family.share((4.9, 0.06), age_d) - share).abs() < 1e-12);
            }
        }
    }
}
