//! When do the hens of a pen come into lay, where their eggs are counted together.
//!
//! The age at sexual maturity (first egg) of the hens of a pen has a distribution; a hen lays
//! at a rate that rises after her first egg to a plateau and falls slowly; hens die. The same
//! hens lay day after day, so that days are no independent samples: `moments.rs` has mean and
//! covariance of the counts by this model, `pen_model.rs` a pen's score and information,
//! `between_pens.rs` how pens make up a group, `quantities.rs` what follows.
//!
//! The families of [`MaturityFamily`] are averaged by their likelihoods. The rise of a hen's
//! rate cannot be estimated from such counts beside the spread of ages; it is given ([`Rise`]),
//! and its error is part of every interval.
//!
//! The model extends the modified compartmental model of egg production, a exp(-b t) / (1 +
//! exp(-c (t - d))), in which ages at maturity are logistic with mean d and standard deviation
//! pi / (c sqrt 3), by the rise of a hen's rate, the covariance of days, and pens.
//!
//! # Source
//! Yang N, Wu C, McMillan I (1989) New mathematical model of poultry egg production, Poultry
//! Science 68:476-481, doi 10.3382/ps.0680476. Hen-day production (eggs over hens alive) and
//! hen-housed production (eggs over hens at the start): Layer production indices, Indian
//! Council of Agricultural Research e-course, ecoursesonline.iasri.res.in id 149816.
//!
//! Start reading at [`egg_onset`].

mod between_pens;
mod distribution;
mod estimates;
mod moments;
mod pen_model;
mod quantities;
mod rate;

use rayon::prelude::*;

pub use distribution::MaturityFamily;
pub use quantities::EggQuantity;
pub use rate::{Rise, RiseOrigin};

use between_pens::PensFit;
use estimates::Estimator;

use crate::fit::interval::Estimate;
use crate::study::{EggCount, EggPen, Study};

/// When the hens came into lay, by group and pen.
#[derive(Debug, Clone)]
pub struct EggOnset {
    /// Each group of pens: a strain, or all pens whose strain is none or mixed.
    pub groups: Vec<EggGroup>,
    /// Each pen, in the study's order.
    pub pens: Vec<PenOnset>,
    /// The rise of a hen's rate that was taken.
    pub rise: Rise,
    /// The families and their weights; empty where no pen could be fitted.
    pub families: Vec<(MaturityFamily, f64)>,
    /// SD between pens of a group of the mean age at maturity, d; `None` where no group has
    /// two pens.
    pub between_pens_d: Option<f64>,
    /// SD of effects of days on production, as a share of it.
    pub day_effects: f64,
}

/// A group of pens.
#[derive(Debug, Clone)]
pub struct EggGroup {
    /// Index into [`Study::strains`]; `None` for pens of no one strain.
    pub strain: Option<usize>,
    /// Its pens, places in [`EggOnset::pens`].
    pub pens: Vec<usize>,
    /// What is estimated of it.
    pub estimates: Vec<EggEstimate>,
}

/// A pen.
#[derive(Debug, Clone)]
pub struct PenOnset {
    /// Index into [`Study::pens`].
    pub pen: usize,
    /// Index into [`Study::strains`].
    pub strain: Option<usize>,
    /// Hens at the first count.
    pub hens: f64,
    /// What is estimated of it.
    pub estimates: Vec<EggEstimate>,
    /// Production by age.
    pub days: Vec<PenDay>,
}

/// A quantity of a group or pen.
#[derive(Debug, Clone)]
pub struct EggEstimate {
    /// Which it is.
    pub quantity: EggQuantity,
    /// Its value, standard error and interval, or why there is none.
    pub value: Result<Estimate, String>,
    /// By how much it would change if the rise of a hen's rate took one standard error longer.
    pub by_longer_rise: Option<f64>,
    /// The part of its standard error that is the rise's: of its time and of where it begins.
    pub rise_error: f64,
}

/// A count, and the model's expectation for that day.
#[derive(Debug, Clone, Copy)]
pub struct PenDay {
    /// The count.
    pub count: EggCount,
    /// Eggs over hens alive, %.
    pub hen_day_pct: f64,
    /// Eggs over hens at the first count, %.
    pub hen_housed_pct: f64,
    /// Hen-day production by the model, %.
    pub fitted_pct: Option<f64>,
    /// Share of the hens in lay, %.
    pub in_lay_pct: Option<f64>,
}

/// How eggs are looked at.
#[derive(Debug, Clone, Copy)]
pub struct EggOptions {
    /// Confidence of the intervals.
    pub confidence: f64,
    /// The rise of a hen's rate.
    pub rise: Rise,
}

impl EggOnset {
    /// What is estimated of a group.
    #[must_use]
    pub fn of_group(&self, strain: Option<usize>, quantity: EggQuantity) -> Option<&EggEstimate> {
        let group = self.groups.iter().find(|group| group.strain == strain)?;
        group.estimates.iter().find(|one| one.quantity == quantity)
    }
}

/// Hens from which a pen has separate estimates: of fewer, counts are far from normal and a
/// pen's own interval is too short (in simulated cages of five 83 % cover; of 30 hens 93 %).
const LEAST_HENS: f64 = 20.0;
/// Days after production passed half of its height from which counts are not used: the model
/// is one of the onset, and its slow decline is a straight line on the log scale.
const AFTER_HALF_D: u32 = 84;

/// When the hens of a study came into lay; `None` without counts of eggs.
///
/// A pen whose counts determine no terms has reasons in place of numbers, and so has a group
/// with such a pen: leaving the pen out would make the group early or late.
#[must_use]
pub fn egg_onset(study: &Study, options: EggOptions) -> Option<EggOnset> {
    if study.eggs.is_empty() {
        return None;
    }
    let pens: Vec<EggPen> = study.eggs.iter().map(of_onset).collect();
    let mut strains: Vec<Option<usize>> = Vec::new();
    for pen in &pens {
        if !strains.contains(&pen.strain) {
            strains.push(pen.strain);
        }
    }
    strains.sort_unstable_by_key(|strain| strain.unwrap_or(usize::MAX));
    let usable: Vec<Result<(), String>> =
        pens.iter().map(|pen| usable(pen, options.rise)).collect();
    let kept: Vec<usize> = (0..pens.len()).filter(|pen| usable[*pen].is_ok()).collect();
    let kept_pens: Vec<&EggPen> = kept.iter().map(|pen| &pens[*pen]).collect();
    let group_of: Vec<usize> = kept_pens
        .iter()
        .filter_map(|pen| strains.iter().position(|strain| *strain == pen.strain))
        .collect();
    let to_fit = (&kept_pens[..], &group_of[..], strains.len());
    let mut fits: Vec<PensFit> = MaturityFamily::ALL
        .into_par_iter()
        .filter_map(|family| between_pens::fit(to_fit, (family, options.rise)))
        .collect();
    fits.sort_by(|one, next| next.log_likelihood.total_cmp(&one.log_likelihood));
    let best = fits.first().map(|fit| fit.family);
    let by_rise = options.rise.nodes().into_par_iter().map(|pair| {
        pair.map(|rise| {
            let fit = best.and_then(|family| between_pens::fit(to_fit, (family, rise)));
            fit.map(|fit| (rise, fit))
        })
    });
    let by_rise = by_rise.collect();
    let estimator = Estimator::new(fits, by_rise, options);
    let names = |pen: usize| &study.pens[pens[pen].pen];
    let groups = strains.iter().enumerate().map(|(group, strain)| {
        let own: Vec<usize> = (0..pens.len())
            .filter(|pen| pens[*pen].strain == *strain)
            .collect();
        let lost = own
            .iter()
            .find_map(|pen| Some((names(*pen), usable[*pen].as_ref().err()?)));
        let estimates = match lost {
            Some((name, reason)) => estimates::none(&format!("pen {name}: {reason}")),
            None => estimator.of_group(
                group,
                &own.iter().map(|pen| &pens[*pen]).collect::<Vec<_>>(),
            ),
        };
        EggGroup {
            strain: *strain,
            pens: own,
            estimates,
        }
    });
    let groups = groups.collect();
    let of_pens = pens.iter().zip(&study.eggs).enumerate();
    let of_pens = of_pens.map(|(place, (pen, whole))| {
        let fitted = kept.iter().position(|kept| *kept == place);
        let hens = whole.counts.first().map_or(0.0, |count| count.hens);
        PenOnset {
            pen: pen.pen,
            strain: pen.strain,
            hens,
            estimates: match (&usable[place], fitted) {
                (Ok(()), Some(_)) if hens < LEAST_HENS => estimates::none(&format!(
                    "fewer than {LEAST_HENS} hens: they count in their strain alone"
                )),
                (Ok(()), Some(fitted)) => estimator.of_pen(fitted, pen),
                (Err(reason), _) => estimates::none(reason),
                (Ok(()), None) => estimates::none("no model could be fitted"),
            },
            days: estimator.days(fitted, whole),
        }
    });
    Some(EggOnset {
        pens: of_pens.collect(),
        groups,
        rise: options.rise,
        families: estimator.families(),
        between_pens_d: estimator.between_pens_d(kept.len() > present(&group_of)),
        day_effects: estimator.day_effects(),
    })
}

fn present(group_of: &[usize]) -> usize {
    let mut groups = group_of.to_vec();
    groups.sort_unstable();
    groups.dedup();
    groups.len()
}

/// The counts of the onset: up to some weeks after half of the height.
fn of_onset(pen: &EggPen) -> EggPen {
    let rate = |count: &EggCount| count.eggs / (count.hens * f64::from(count.days));
    let greatest = pen.counts.iter().map(rate).fold(0.0, f64::max);
    let mut half = pen
        .counts
        .iter()
        .filter(|count| rate(count) >= 0.5 * greatest);
    let last = half
        .next()
        .map_or(u32::MAX, |count| count.age_d.saturating_add(AFTER_HALF_D));
    EggPen {
        counts: pen
            .counts
            .iter()
            .filter(|count| count.age_d <= last)
            .copied()
            .collect(),
        ..pen.clone()
    }
}

/// Whether a pen has enough counts with eggs for a model.
fn usable(pen: &EggPen, rise: Rise) -> Result<(), String> {
    let eggs: f64 = pen.counts.iter().map(|count| count.eggs).sum();
    if eggs <= 0.0 {
        return Err("no egg was laid".to_owned());
    }
    pen_model::PenState::new(&pen.counts, (MaturityFamily::Normal, rise)).map(|_| ())
}
