//! Estimates with intervals, or the reason why the counts determine none.

use super::between_pens::{Known, PensFit};
use super::distribution::MaturityFamily;
use super::moments::Daily;
use super::quantities::{self, EggQuantity};
use super::rate::{NODE, Rise};
use super::{EggEstimate, EggOptions, PenDay};
use crate::fit::interval::Estimate;
use crate::stats::Interval;
use crate::stats::distribution::{normal_lower, normal_quantile};
use crate::study::EggPen;

/// What a quantity is believed to be: normal pieces with weights.
type Mixture = Vec<(f64, f64, f64)>;

/// All quantities, in the order of [`EggQuantity::ALL`].
type Values = [Option<f64>; EggQuantity::ALL.len()];

/// All fits, from which groups and pens are estimated.
pub(super) struct Estimator {
    /// Each family with its weight, the best first.
    fits: Vec<(f64, PensFit)>,
    /// The best one with other rises ([`Rise::nodes`]).
    by_rise: Vec<[Option<(Rise, PensFit)>; 2]>,
    options: EggOptions,
}

/// Families with a weight below this are left out.
const NO_WEIGHT: f64 = 1e-3;
/// Shares of the hens that must have come into lay by the last count (by the lower limit of
/// the interval), and may have by the first one, for the moments of the ages.
const MEAN_NEEDS: (f64, f64) = (0.25, 0.75);
const SD_NEEDS: (f64, f64) = (0.25, 0.9);
/// Days that counts go on after the peak.
const AFTER_PEAK_D: f64 = 14.0;
/// Standard error of the age at peak from which it is not determined, d.
const PEAK_ERROR_D: f64 = 14.0;

/// Standard error, d or %, from which a number is not reported.
const MOST_ERROR: f64 = 30.0;

/// Every quantity without a number.
pub(super) fn none(reason: &str) -> Vec<EggEstimate> {
    let each = EggQuantity::ALL.into_iter();
    each.map(|quantity| EggEstimate {
        quantity,
        value: Err(reason.to_owned()),
        by_longer_rise: None,
        rise_error: 0.0,
    })
    .collect()
}

impl Estimator {
    /// Of fits with the likeliest first.
    pub(super) fn new(
        fits: Vec<PensFit>,
        by_rise: Vec<[Option<(Rise, PensFit)>; 2]>,
        options: EggOptions,
    ) -> Self {
        let best = fits.first().map_or(0.0, |fit| fit.log_likelihood);
        let weighed = fits
            .into_iter()
            .map(|fit| ((fit.log_likelihood - best).exp(), fit));
        let kept: Vec<(f64, PensFit)> = weighed.filter(|(weight, _)| *weight > NO_WEIGHT).collect();
        let sum: f64 = kept.iter().map(|(weight, _)| weight).sum();
        Self {
            fits: kept
                .into_iter()
                .map(|(weight, fit)| (weight / sum, fit))
                .collect(),
            by_rise,
            options,
        }
    }

    pub(super) fn families(&self) -> Vec<(MaturityFamily, f64)> {
        let fits = self.fits.iter();
        fits.map(|(weight, fit)| (fit.family, *weight)).collect()
    }

    pub(super) fn day_effects(&self) -> f64 {
        self.fits.first().map_or(0.0, |(_, fit)| fit.days.sd)
    }

    /// SD between pens of the mean age, d.
    pub(super) fn between_pens_d(&self, several: bool) -> Option<f64> {
        let (_, best) = self.fits.first()?;
        let known: Vec<f64> = best
            .pens
            .iter()
            .flatten()
            .map(|pen| pen.terms[0].exp())
            .collect();
        let several = several && !known.is_empty();
        several.then(|| best.between[0] * known.iter().sum::<f64>() / known.len() as f64)
    }

    /// Of a group: averaged over families and over how much pens differ.
    pub(super) fn of_group(&self, group: usize, pens: &[&EggPen]) -> Vec<EggEstimate> {
        let of_fit = |fit: &PensFit| -> Vec<(f64, Known)> {
            let points = fit.groups.iter();
            points
                .filter_map(|(weight, groups)| Some((*weight, *groups.get(group)?.as_ref()?)))
                .collect()
        };
        let mut firsts: Vec<u32> = pens
            .iter()
            .filter_map(|pen| span(pen))
            .map(|s| s.0)
            .collect();
        let mut lasts: Vec<u32> = pens
            .iter()
            .filter_map(|pen| span(pen))
            .map(|s| s.1)
            .collect();
        firsts.sort_unstable();
        lasts.sort_unstable();
        let middle = |ages: &[u32]| ages.get(ages.len() / 2).copied();
        let span = middle(&firsts).zip(middle(&lasts));
        self.estimates(&of_fit, span)
    }

    /// Of a pen, by its counts.
    pub(super) fn of_pen(&self, place: usize, pen: &EggPen) -> Vec<EggEstimate> {
        let of_fit = |fit: &PensFit| -> Vec<(f64, Known)> {
            let known = fit.pens.get(place).copied().flatten();
            known.into_iter().map(|known| (1.0, known)).collect()
        };
        self.estimates(&of_fit, span(pen))
    }

    fn estimates(
        &self,
        of_fit: &dyn Fn(&PensFit) -> Vec<(f64, Known)>,
        span: Option<(u32, u32)>,
    ) -> Vec<EggEstimate> {
        let Some(((first, last), (_, best))) = span.zip(self.fits.first()) else {
            return none("no model could be fitted");
        };
        let rise = self.options.rise;
        let mut mixtures: Vec<Mixture> = vec![Vec::new(); EggQuantity::ALL.len()];
        let mut reached = Reached::new(f64::from(first), f64::from(last));
        for (weight, fit) in &self.fits {
            for (share, known) in of_fit(fit) {
                let model = (fit.family, rise);
                let all = quantities::with_errors(model, &known.terms, &known.covariance);
                for (mixture, one) in mixtures.iter_mut().zip(all) {
                    mixture.extend(one.map(|(value, error)| (weight * share, value, error)));
                }
                reached.add(weight * share, fit.family, &known);
            }
        }
        if mixtures.iter().all(Vec::is_empty) {
            return none("the counts determine no distribution of ages at maturity");
        }
        let centre = |fit: &PensFit, rise: Rise| {
            let points = of_fit(fit);
            let heaviest = points.iter().max_by(|one, next| one.0.total_cmp(&next.0));
            heaviest.map(|(_, known)| quantities::values((fit.family, rise), &known.terms))
        };
        let usual = centre(best, rise);
        let by_rise = self.by_rise.iter().map(|pair| {
            pair.each_ref().map(|one| {
                let (rise, fit) = one.as_ref()?;
                centre(fit, *rise)
            })
        });
        let by_rise: Vec<[Option<Values>; 2]> = by_rise.collect();
        EggQuantity::ALL
            .into_iter()
            .enumerate()
            .map(|(place, quantity)| {
                let change = |other: Option<Values>| Some(other?[place]? - usual?[place]?);
                let changes = by_rise.iter().map(|pair| pair.map(change));
                let rise = RiseError::of(changes.clone());
                let longer = changes.map(|[_, longer]| longer).next().flatten();
                let value = self.one(quantity, &mixtures[place], (rise, &reached));
                EggEstimate {
                    quantity,
                    by_longer_rise: longer.filter(|_| value.is_ok()).map(|change| change / NODE),
                    rise_error: rise.error,
                    value,
                }
            })
            .collect()
    }

    fn one(
        &self,
        quantity: EggQuantity,
        mixture: &Mixture,
        (rise, reached): (RiseError, &Reached),
    ) -> Result<Estimate, String> {
        if mixture.is_empty() {
            return Err(match quantity {
                EggQuantity::HalfProduction => "hen-day production does not reach 50 %".to_owned(),
                _ => "the fitted curve never comes there".to_owned(),
            });
        }
        let sum: f64 = mixture.iter().map(|piece| piece.0).sum();
        // Not determined by some of the pieces: by half of their weight is not enough.
        if sum < 0.5 * reached.weight {
            return Err("the counts do not determine it".to_owned());
        }
        let on_log = quantity.is_on_log();
        let pieces: Mixture = mixture
            .iter()
            .map(|(weight, value, error)| {
                let (value, error) = (value + rise.shift, error.hypot(rise.error));
                match on_log {
                    true => (weight / sum, value.ln(), error / value),
                    false => (weight / sum, value, error),
                }
            })
            .collect();
        let mean: f64 = pieces.iter().map(|(weight, value, _)| weight * value).sum();
        let variance: f64 = pieces
            .iter()
            .map(|(weight, value, error)| weight * (error.powi(2) + (value - mean).powi(2)))
            .sum();
        let tail = 0.5 * (1.0 - self.options.confidence);
        let (lower, upper) = (quantile(&pieces, tail), quantile(&pieces, 1.0 - tail));
        let (value, error, interval) = match on_log {
            false => (mean, variance.sqrt(), Interval { lower, upper }),
            true => {
                let value = mean.exp();
                let interval = Interval {
                    lower: lower.exp(),
                    upper: upper.exp(),
                };
                (value, value * variance.sqrt(), interval)
            }
        };
        reached.allows(quantity, (value, error))?;
        let numbers = [value, error, interval.lower, interval.upper];
        if !numbers.iter().all(|number| number.is_finite()) || error > MOST_ERROR {
            return Err("the counts do not determine it".to_owned());
        }
        Ok(Estimate {
            value,
            standard_error: Some(error),
            interval: Some(interval),
        })
    }

    /// Production by age, with the curve of a fitted pen.
    pub(super) fn days(&self, fitted: Option<usize>, pen: &EggPen) -> Vec<PenDay> {
        let housed = pen.counts.first().map_or(1.0, |count| count.hens);
        let known = self.fits.first().zip(fitted).and_then(|((_, fit), place)| {
            Some((fit.family, fit.pens.get(place).copied().flatten()?))
        });
        let span = span(pen);
        let daily = known.zip(span).map(|((family, known), span)| {
            Daily::of((family, self.options.rise), &known.terms, span)
        });
        let days = pen.counts.iter().map(|count| {
            let hen_days = count.hens * f64::from(count.days);
            let own = count.age_d + 1 - count.days..=count.age_d;
            let fitted = daily.as_ref().map(|daily| {
                let lays = own.map(|day| daily.lays[(day - daily.first) as usize]);
                100.0 * lays.sum::<f64>() / f64::from(count.days)
            });
            PenDay {
                count: *count,
                hen_day_pct: 100.0 * count.eggs / hen_days,
                hen_housed_pct: 100.0 * count.eggs / (housed * f64::from(count.days)),
                fitted_pct: fitted,
                in_lay_pct: known.map(|(family, known)| {
                    let law = (known.terms[0], known.terms[1].exp());
                    100.0 * family.share(law, f64::from(count.age_d) + 0.5)
                }),
            }
        });
        days.collect()
    }
}

/// What the error of the rise does to a quantity: it need not change in a straight line.
#[derive(Debug, Clone, Copy)]
struct RiseError {
    /// Mean change over the rises that may be.
    shift: f64,
    /// Standard deviation of the change.
    error: f64,
}

impl RiseError {
    /// From the changes at the nodes either side; one that has no value changes as the other
    /// does, the other way. Time and beginning of a rise are independent.
    fn of(changes: impl Iterator<Item = [Option<f64>; 2]>) -> Self {
        let (mut shift, mut variance) = (0.0, 0.0);
        for [below, above] in changes {
            let one = below.or(above.map(|change| -change)).unwrap_or(0.0);
            let other = above.or(below.map(|change| -change)).unwrap_or(0.0);
            let mean = (one + other) / 6.0;
            shift += mean;
            variance += ((one * one + other * other) / 6.0 - mean * mean).max(0.0);
        }
        Self {
            shift,
            error: variance.sqrt(),
        }
    }
}

/// First and last day of a pen's counts.
fn span(pen: &EggPen) -> Option<(u32, u32)> {
    let (first, last) = (pen.counts.first()?, pen.counts.last()?);
    Some((first.age_d + 1 - first.days, last.age_d))
}

/// Where a mixture of normal pieces has a share below.
fn quantile(pieces: &Mixture, share: f64) -> f64 {
    let below = |value: f64| -> f64 {
        let each = pieces.iter();
        each.map(|(weight, centre, error)| {
            weight * normal_lower((value - centre) / error.max(1e-300))
        })
        .sum()
    };
    let reach = |sign: f64| {
        let ends = pieces
            .iter()
            .map(|(_, centre, error)| centre + sign * 40.0 * error);
        ends.fold(-sign * f64::INFINITY, |end, next| {
            if sign > 0.0 {
                end.max(next)
            } else {
                end.min(next)
            }
        })
    };
    let (mut lower, mut upper) = (reach(-1.0), reach(1.0));
    for _ in 0..200 {
        let middle = f64::midpoint(lower, upper);
        if below(middle) < share {
            lower = middle;
        } else {
            upper = middle;
        }
    }
    f64::midpoint(lower, upper)
}

/// How much of the rise of lay the counts saw.
struct Reached {
    first_d: f64,
    last_d: f64,
    weight: f64,
    /// Share in lay before the first day.
    before: f64,
    /// Lower limit of the share in lay by the last day.
    by_last: f64,
}

impl Reached {
    fn new(first_d: f64, last_d: f64) -> Self {
        Self {
            first_d,
            last_d,
            weight: 0.0,
            before: 0.0,
            by_last: 0.0,
        }
    }

    fn add(&mut self, weight: f64, family: MaturityFamily, known: &Known) {
        let share = |terms: [f64; 2], age_d: f64| family.share((terms[0], terms[1].exp()), age_d);
        let terms = [known.terms[0], known.terms[1]];
        let (first, last) = (self.first_d - 0.5, self.last_d + 0.5);
        // On the logit of the share, one-sided as far as a two-sided 95 % interval.
        let logit = |terms: [f64; 2]| {
            let share = share(terms, last).clamp(1e-9, 1.0 - 1e-9);
            (share / (1.0 - share)).ln()
        };
        let slope = |term: usize| {
            let (mut above, mut below) = (terms, terms);
            above[term] += 1e-4;
            below[term] -= 1e-4;
            (logit(above) - logit(below)) / 2e-4
        };
        let slopes = [slope(0), slope(1)];
        let mut variance = 0.0;
        for (row, one) in slopes.iter().enumerate() {
            for (column, other) in slopes.iter().enumerate() {
                variance += one * other * known.covariance[(row, column)];
            }
        }
        let limit = logit(terms) - normal_quantile(0.975) * variance.max(0.0).sqrt();
        self.weight += weight;
        self.before += weight * share(terms, first);
        self.by_last += weight / (1.0 + (-limit).exp());
    }

    /// Whether the counts determine a quantity; why not otherwise.
    fn allows(&self, quantity: EggQuantity, (value, error): (f64, f64)) -> Result<(), String> {
        let (before, by_last) = (self.before / self.weight, self.by_last / self.weight);
        let within = |(most_before, least_by_last): (f64, f64)| {
            let percent = |share: f64| format!("{:.0} %", 100.0 * share);
            if before > most_before {
                return Err(format!(
                    "about {} of the hens were in lay before the first count (at {} d)",
                    percent(before),
                    self.first_d
                ));
            }
            if by_last < least_by_last {
                return Err(format!(
                    "the counts end (at {} d) before {} of the hens are surely in lay",
                    self.last_d,
                    percent(least_by_last)
                ));
            }
            Ok(())
        };
        match quantity {
            EggQuantity::MeanAge => within(MEAN_NEEDS),
            EggQuantity::SdAge => within(SD_NEEDS),
            EggQuantity::InLay5 => within((0.05, 0.05)),
            EggQuantity::InLay50 => within((0.5, 0.5)),
            EggQuantity::InLay95 => within((0.95, 0.95)),
            EggQuantity::HalfProduction if value > self.last_d || value < self.first_d => {
                Err("hen-day production passes 50 % outside the ages counted".to_owned())
            }
            EggQuantity::HalfProduction => Ok(()),
            EggQuantity::Peak | EggQuantity::PeakProduction => {
                within((0.5, 0.9))?;
                let is_age = quantity == EggQuantity::Peak;
                if is_age && value + AFTER_PEAK_D > self.last_d {
                    return Err(format!(
                        "the counts end (at {} d) before or shortly after the peak",
                        self.last_d
                    ));
                }
                if is_age && error > PEAK_ERROR_D {
                    return Err("production is level about its peak".to_owned());
                }
                Ok(())
            }
        }
    }
}
