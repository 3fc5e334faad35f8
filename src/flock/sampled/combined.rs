//! A mean over pens: its error, its distance from the target, and how alike the birds are.

use super::birds_kept;
use super::unit_day::UnitDay;
use crate::flock::deviation::{AgainstTarget, Band, NoTarget, band, target_among};
use crate::flock::target::{TargetCurve, TargetPoint};
use crate::flock::uniformity::{
    Cv, NoCv, Share, Uniformity, UniformityOptions, cv_limits, normal_share_pct,
};
use crate::stats::distribution::{normal_quantile, t_two_sided_quantile};
use crate::stats::wilson::wilson_pct;
use crate::study::Study;
use crate::trajectory::sampled::{SampledTrait, satterthwaite};

/// The units of a flock, house or pen on one day, put together.
pub(super) struct Combined<'a> {
    days: Vec<&'a UnitDay>,
    /// Share of each unit in the mean; they add up to one.
    shares: Vec<f64>,
    pub(super) age_d: f64,
    pub(super) n: usize,
    pub(super) mean_g: f64,
    /// Error variance of the mean, g^2; `None` where no spread is known.
    pub(super) variance_g2: Option<f64>,
    /// Degrees of freedom of that variance.
    df: f64,
    /// How much of the growth curve's value at this age rests on this occasion: the variance of
    /// the curve over that of the mean, 0 to 1; 1 without a curve.
    leverage: f64,
    pub(super) target: Option<TargetPoint>,
    no_target: Option<NoTarget>,
    pub(super) caution: String,
}

impl<'a> Combined<'a> {
    /// Puts the days of units together; `among` are all units that the mean stands for.
    pub(super) fn of(
        (study, of): (&Study, &SampledTrait),
        days: &[&'a UnitDay],
        among: &[usize],
        target: Option<&TargetCurve>,
    ) -> Self {
        let mut cautions = Vec::new();
        let kept: Option<Vec<f64>> = days
            .iter()
            .map(|day| birds_kept(study, of, day.unit))
            .collect();
        if kept.is_none() && days.len() > 1 {
            cautions.push("birds kept not given: pens weighted by the birds weighed".to_owned());
        }
        let weights = kept.unwrap_or_else(|| days.iter().map(|day| day.n as f64).collect());
        let total: f64 = weights.iter().sum();
        let shares: Vec<f64> = weights.iter().map(|weight| weight / total).collect();
        let mean = |value: &dyn Fn(&UnitDay) -> f64| -> f64 {
            days.iter()
                .zip(&shares)
                .map(|(day, share)| share * value(day))
                .sum()
        };
        let (age_d, mean_g) = (mean(&|day| day.age_d), mean(&|day| day.mean_g));
        let ages = days.iter().map(|day| day.age_d);
        let range_d = (
            ages.clone().fold(f64::INFINITY, f64::min),
            ages.fold(f64::NEG_INFINITY, f64::max),
        );
        let points = target.ok_or(NoTarget::ForStrain).and_then(|target| {
            let each = days
                .iter()
                .map(|day| target_among(target, day.age_d, range_d));
            each.collect::<Result<Vec<TargetPoint>, NoTarget>>()
        });
        let point = points.as_ref().ok().map(|points| {
            let edge = |of: fn(&TargetPoint) -> Option<f64>| {
                let edges: Option<Vec<f64>> = points.iter().map(of).collect();
                edges.map(|edges| {
                    edges
                        .iter()
                        .zip(&shares)
                        .map(|(edge, share)| edge * share)
                        .sum()
                })
            };
            TargetPoint {
                target_g: points
                    .iter()
                    .zip(&shares)
                    .map(|(p, share)| p.target_g * share)
                    .sum(),
                lower_g: edge(|point| point.lower_g),
                upper_g: edge(|point| point.upper_g),
            }
        });
        let mut combined = Self {
            shares,
            age_d,
            n: days.iter().map(|day| day.n).sum(),
            mean_g,
            variance_g2: None,
            df: f64::INFINITY,
            leverage: 1.0,
            target: point,
            no_target: points.err(),
            caution: String::new(),
            days: days.to_vec(),
        };
        combined.weigh(of, missing_share((study, of), days, among), &mut cautions);
        combined.caution = cautions.join("; ");
        combined
    }

    /// The error of the mean.
    fn weigh(&mut self, of: &SampledTrait, missing: Option<f64>, cautions: &mut Vec<String>) {
        let square = self.mean_g * self.mean_g;
        let (mut variance, mut error, mut occasions) = (0.0, 0.0, 0.0);
        // What all pens of a day have in common: days in a row, their pens together.
        let shared: f64 = self
            .days
            .iter()
            .zip(&self.shares)
            .map(|(day, share)| (day.day, share * day.mean_g))
            .collect::<Vec<_>>()
            .chunk_by(|a, b| a.0.total_cmp(&b.0).is_eq())
            .map(|day| day.iter().map(|(_, part)| part).sum::<f64>().powi(2))
            .sum();
        for (day, share) in self.days.iter().zip(&self.shares) {
            let Some(spread) = day.spread else {
                cautions.push("one bird, or means without a spread: no error of the mean".into());
                return;
            };
            let own = share * share * spread.variance_g2 / day.n as f64;
            variance += own;
            error += 2.0 * own * own / spread.df;
            occasions += (share * day.mean_g).powi(2);
        }
        let components = match &of.model {
            Ok(model) => model.components,
            Err(why) => {
                cautions.push(format!(
                    "the error is that of drawing birds alone; how occasions vary is not known ({why})"
                ));
                Default::default()
            }
        };
        let [of_days, of_both, of_occasions] = components.errors;
        variance += shared * components.days + occasions * components.occasions;
        error += shared * shared * of_days
            + 2.0 * shared * occasions * of_both
            + occasions * occasions * of_occasions;
        match missing {
            Some(share) if share > 0.0 => {
                // The pens that were weighed stand for the others, too.
                let others = share * share * square * (1.0 + 1.0 / self.days.len() as f64);
                variance += others * components.units;
                error += others * others * components.units_error;
                cautions.push(format!(
                    "{:.0} % of the birds were not weighed that day",
                    100.0 * share
                ));
            }
            None => cautions.push("not all pens were weighed that day".to_owned()),
            Some(_) => {}
        }
        if let (Ok(model), Some(day)) = (&of.model, self.days.first()) {
            let group = of.sampled.units[day.unit].group;
            let of_curve = model.typical(group, self.age_d).std_error.powi(2);
            self.leverage = (of_curve * square / variance).clamp(0.0, 1.0);
        }
        self.variance_g2 = Some(variance);
        self.df = satterthwaite(variance, error);
    }

    /// Half the width of the interval of the mean, g.
    pub(super) fn half_width(&self, confidence: f64) -> Option<f64> {
        Some(quantile(confidence, self.df, self.leverage) * self.variance_g2?.sqrt())
    }

    pub(super) fn against(
        &self,
        target: Option<&TargetCurve>,
        confidence: f64,
    ) -> Result<AgainstTarget, NoTarget> {
        let (Some(point), Some(target)) = (self.target, target) else {
            return Err(self.no_target.unwrap_or(NoTarget::ForStrain));
        };
        let deviation_g = self.mean_g - point.target_g;
        let half = self.half_width(confidence);
        let single = self.days.iter().flat_map(|day| &day.weights_g);
        let inside = single.filter(|weight| band(&point, **weight, 0.0) == Band::Inside);
        Ok(AgainstTarget {
            target: point,
            deviation_g,
            interval_g: half.map(|half| (deviation_g - half, deviation_g + half)),
            deviation_pct: 100.0 * deviation_g / point.target_g,
            days: target.age_at(self.mean_g).map(|then_d| then_d - self.age_d),
            band: band(&point, self.mean_g, half.unwrap_or(0.0)),
            birds_in_band: point.has_band().then(|| inside.count()),
        })
    }

    pub(super) fn uniformity(&self, options: &UniformityOptions) -> Uniformity {
        let cv = self.cv(options.confidence);
        Uniformity {
            n: self.n,
            mean_g: Some(self.mean_g),
            cv,
            near_mean: self.share_within(self.mean_g, options),
            normal_share_pct: cv
                .ok()
                .map(|cv| normal_share_pct(cv.cv_pct, options.within_pct)),
        }
    }

    /// Variation between all birds of the flock: within pens, and between their means less what
    /// sampling alone makes them differ.
    fn cv(&self, confidence: f64) -> Result<Cv, NoCv> {
        let (mut within, mut error, mut between) = (0.0, 0.0, 0.0);
        for (day, share) in self.days.iter().zip(&self.shares) {
            let spread = day.spread.ok_or(NoCv::TooFewBirds)?;
            let own = share * spread.variance_g2;
            within += own;
            error += 2.0 * own * own / spread.df_of_spread;
            let sampling = spread.variance_g2 / day.n as f64 * (1.0 - share);
            between += share * ((day.mean_g - self.mean_g).powi(2) - sampling);
        }
        let sd_g = (within + between.max(0.0)).sqrt();
        let ratio = sd_g / self.mean_g;
        let (lower_pct, upper_pct) =
            cv_limits(ratio, satterthwaite(within, error) + 1.0, confidence);
        Ok(Cv {
            sd_g,
            cv_pct: 100.0 * ratio,
            lower_pct,
            upper_pct,
        })
    }

    /// Birds weighed one by one whose weight is near a centre, pens in their shares; none where
    /// some unit has none of them.
    pub(super) fn share_within(&self, centre_g: f64, options: &UniformityOptions) -> Option<Share> {
        let reach = centre_g * options.within_pct / 100.0 + 1e-9 * centre_g;
        let (mut within, mut n, mut share, mut variance, mut even) = (0, 0, 0.0, 0.0, 0.0);
        for (day, of_flock) in self.days.iter().zip(&self.shares) {
            let own = day.weights_g.len();
            if own < 2 || centre_g <= 0.0 {
                return None;
            }
            let near = day
                .weights_g
                .iter()
                .filter(|w| (*w - centre_g).abs() <= reach)
                .count();
            let own_share = near as f64 / own as f64;
            within += near;
            n += own;
            share += of_flock * own_share;
            variance += of_flock * of_flock * own_share * (1.0 - own_share) / own as f64;
            even += of_flock * of_flock / own as f64;
        }
        // As many birds as a plain sample with this error would have.
        let effective = if variance > 0.0 {
            share * (1.0 - share) / variance
        } else {
            1.0 / even
        };
        let z = normal_quantile(0.5 + 0.5 * options.confidence);
        let (lower_pct, upper_pct) = wilson_pct(share, effective, z);
        Some(Share {
            within,
            n,
            pct: 100.0 * share,
            lower_pct,
            upper_pct,
        })
    }
}

/// Share of the birds kept that were not weighed; `None` where a unit was not and it is not
/// written down how many birds it holds.
fn missing_share(
    (study, of): (&Study, &SampledTrait),
    days: &[&UnitDay],
    among: &[usize],
) -> Option<f64> {
    let weighed = |unit: &usize| days.iter().any(|day| day.unit == *unit);
    if among.iter().all(weighed) {
        return Some(0.0);
    }
    let kept: Option<Vec<f64>> = among
        .iter()
        .map(|unit| birds_kept(study, of, *unit))
        .collect();
    let kept = kept?;
    let total: f64 = kept.iter().sum();
    let of_weighed: f64 = among
        .iter()
        .zip(&kept)
        .filter(|(unit, _)| weighed(unit))
        .map(|(_, k)| k)
        .sum();
    Some(1.0 - of_weighed / total)
}

/// Quantile of the error of a mean in units of a standard error that was estimated with that
/// mean's own departure among others.
///
/// With the leverage h of the occasion 1, its departure from the curve is no evidence on the
/// error, and the quantile is Student's t. With h = 0 it is the error itself: |e| <= q s, where
/// nu s^2 = e^2 + (the others' squares), is the same as |e| <= t_(nu-1) s' with s' of the others
/// alone, so that q^2 = nu t^2 / (nu - 1 + t^2) (internally against externally studentised
/// residuals; Cook and Weisberg 1982, Residuals and influence in regression, 2.2, from memory).
/// Between the two it is interpolated; checked by simulation (tests/coverage/sampled.rs).
fn quantile(confidence: f64, df: f64, leverage: f64) -> f64 {
    let t = t_two_sided_quantile(confidence, df);
    if df <= 2.0 || df.is_infinite() {
        return t;
    }
    let others = t_two_sided_quantile(confidence, df - 1.0).powi(2);
    let own = (df * others / (df - 1.0 + others)).sqrt();
    (1.0 - leverage) * own + leverage * t
}
