//! What follows from the terms: ages at maturity, shares in lay, production.

use nalgebra::{Matrix4, Vector4};

use super::distribution::MaturityFamily;
use super::moments::{Daily, TERMS, Terms, whole_day};
use super::rate::Rise;

/// What is estimated of a pen or a group.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EggQuantity {
    /// Mean age at sexual maturity (first egg), d.
    MeanAge,
    /// Standard deviation of that age among the hens of a pen, d.
    SdAge,
    /// Age by which 5 % are in lay, d.
    InLay5,
    /// Age by which half are in lay, d.
    InLay50,
    /// Age by which 95 % are in lay, d.
    InLay95,
    /// Age at which hen-day production reaches 50 %, d.
    HalfProduction,
    /// Age at which hen-day production is greatest, d.
    Peak,
    /// Greatest hen-day production, %.
    PeakProduction,
}

impl EggQuantity {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::MeanAge,
        Self::SdAge,
        Self::InLay5,
        Self::InLay50,
        Self::InLay95,
        Self::HalfProduction,
        Self::Peak,
        Self::PeakProduction,
    ];

    /// Name in the tables.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::MeanAge => "mean_age_at_maturity",
            Self::SdAge => "sd_age_at_maturity",
            Self::InLay5 => "age_in_lay_5pct",
            Self::InLay50 => "age_in_lay_50pct",
            Self::InLay95 => "age_in_lay_95pct",
            Self::HalfProduction => "age_at_50pct_hen_day_production",
            Self::Peak => "age_at_peak_production",
            Self::PeakProduction => "peak_hen_day_production",
        }
    }

    /// Its unit.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::PeakProduction => "%",
            _ => "d",
        }
    }

    /// Whether its errors are symmetric about its logarithm.
    pub(super) fn is_on_log(self) -> bool {
        self == Self::SdAge
    }

    fn place(self) -> usize {
        self as usize
    }
}

/// Days after the last hen in a thousand is mature within which production peaks.
const PEAK_WITHIN: u32 = 120;

/// Values of all quantities, `None` where the curve has none; in the order of
/// [`EggQuantity::ALL`].
pub(super) fn values(
    (family, rise): (MaturityFamily, Rise),
    terms: &Terms,
) -> [Option<f64>; EggQuantity::ALL.len()] {
    let law = (terms[0], terms[1].exp());
    let age = |share: f64| family.age(law, share);
    let moments = family.mean_and_sd(law);
    let (first, last) = (age(0.001).floor() - 5.0, age(0.999).ceil());
    let mut all = [None; EggQuantity::ALL.len()];
    let mut set = |what: EggQuantity, value: Option<f64>| {
        all[what.place()] = value.filter(|value| value.is_finite());
    };
    set(EggQuantity::MeanAge, moments.map(|moments| moments.0));
    set(EggQuantity::SdAge, moments.map(|moments| moments.1));
    set(EggQuantity::InLay5, Some(age(0.05)));
    set(EggQuantity::InLay50, Some(age(0.5)));
    set(EggQuantity::InLay95, Some(age(0.95)));
    if !(first.is_finite() && (0.0..3650.0).contains(&last)) {
        return all;
    }
    let span = (whole_day(first), whole_day(last) + PEAK_WITHIN);
    let daily = Daily::of((family, rise), terms, span);
    let day = |place: usize| f64::from(span.0) + place as f64;
    let half = daily.lays.windows(2).enumerate().find_map(|(place, pair)| {
        let within = pair[0] < 0.5 && pair[1] >= 0.5;
        within.then(|| day(place) + (0.5 - pair[0]) / (pair[1] - pair[0]))
    });
    set(EggQuantity::HalfProduction, half);
    let peak = daily
        .lays
        .windows(3)
        .enumerate()
        .find_map(|(place, three)| {
            let [before, top, after] = [three[0], three[1], three[2]];
            let bend = before - 2.0 * top + after;
            let within = top >= before && top > after && bend < 0.0;
            // The parabola through three days.
            within.then(|| {
                let shift = 0.5 * (before - after) / bend;
                (
                    day(place + 1) + shift,
                    100.0 * (top - 0.25 * (before - after) * shift),
                )
            })
        });
    set(EggQuantity::Peak, peak.map(|peak| peak.0));
    set(EggQuantity::PeakProduction, peak.map(|peak| peak.1));
    all
}

/// Steps of the terms in central differences of the quantities.
const STEPS: Terms = [1e-4, 1e-3, 1e-3, 1e-2];

/// Values and standard errors of all quantities (first order).
pub(super) fn with_errors(
    model: (MaturityFamily, Rise),
    terms: &Terms,
    covariance: &Matrix4<f64>,
) -> [Option<(f64, f64)>; EggQuantity::ALL.len()] {
    let centre = values(model, terms);
    let mut gradients = [Some(Vector4::zeros()); EggQuantity::ALL.len()];
    for term in 0..TERMS {
        let (mut above, mut below) = (*terms, *terms);
        above[term] += STEPS[term];
        below[term] -= STEPS[term];
        let (above, below) = (values(model, &above), values(model, &below));
        for (gradient, pair) in gradients.iter_mut().zip(above.iter().zip(below)) {
            *gradient = match (*gradient, pair) {
                (Some(mut gradient), (Some(above), Some(below))) => {
                    gradient[term] = (above - below) / (2.0 * STEPS[term]);
                    Some(gradient)
                }
                _ => None,
            };
        }
    }
    let mut all = [None; EggQuantity::ALL.len()];
    for (out, (value, gradient)) in all.iter_mut().zip(centre.iter().zip(gradients)) {
        *out = value.zip(gradient).and_then(|(value, gradient)| {
            let error = gradient.dot(&(covariance * gradient)).max(0.0).sqrt();
            error.is_finite().then_some((value, error))
        });
    }
    all
}
