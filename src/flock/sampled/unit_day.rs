//! What was weighed of one pen, house or flock on one day.

use crate::flock::target::TargetCurve;
use crate::study::{AgeMatching, SampleRow, Study};
use crate::trajectory::sampled::SampledTrait;

/// One unit on one day.
#[derive(Debug, Clone)]
pub(super) struct UnitDay {
    /// Index into the units of the model's data.
    pub(super) unit: usize,
    /// The day, by which the units of a flock are put together.
    pub(super) day: f64,
    /// Mean age of the birds, d.
    pub(super) age_d: f64,
    /// Birds weighed.
    pub(super) n: usize,
    /// Their mean, g.
    pub(super) mean_g: f64,
    /// Weights of the birds that were weighed one by one, at the mean age, g.
    pub(super) weights_g: Vec<f64>,
    /// Variance between birds, g^2, where it is known.
    pub(super) spread: Option<Spread>,
}

/// A variance between birds.
#[derive(Debug, Clone, Copy)]
pub(super) struct Spread {
    /// g^2.
    pub(super) variance_g2: f64,
    /// Degrees of freedom of that variance as one of normal weights.
    pub(super) df: f64,
    /// The same, fewer or more by the tails of the weights.
    pub(super) df_of_spread: f64,
}

/// Degrees of freedom of a spread that was read from the model instead of from the day's birds.
const OF_MODEL: f64 = 1000.0;
/// Birds from which the tails of a sample's distribution are estimated.
const ENOUGH_FOR_TAILS: usize = 20;

/// A weighing of a day, as it stands.
struct Weighing {
    unit: usize,
    day: f64,
    age_d: f64,
    weight_g: f64,
    birds: f64,
    sd_g: Option<f64>,
    single: bool,
}

/// Every unit on every day.
pub(super) fn unit_days(
    study: &Study,
    of: &SampledTrait,
    targets: &[Option<TargetCurve>],
    matching: AgeMatching,
) -> Vec<UnitDay> {
    let mut all = weighings(study, of, matching);
    all.sort_by(|a, b| a.unit.cmp(&b.unit).then(a.day.total_cmp(&b.day)));
    all.chunk_by(|a, b| a.unit == b.unit && a.day.total_cmp(&b.day).is_eq())
        .map(|day| {
            let group = of.sampled.units[day[0].unit].group;
            let target = targets[of.sampled.groups[group].strain].as_ref();
            one(of, group, day, target)
        })
        .collect()
}

fn weighings(study: &Study, of: &SampledTrait, matching: AgeMatching) -> Vec<Weighing> {
    let sampled = &study.samples.units;
    let hatch = |date: chrono::NaiveDate| {
        date.signed_duration_since(chrono::NaiveDate::default())
            .num_days() as f64
    };
    // Where flocks of one strain hatched on different days, one day of weighing is several ages.
    let dates: Vec<Option<f64>> = sampled
        .iter()
        .map(|unit| unit.hatch_date.map(hatch))
        .collect();
    let dated = dates.iter().all(Option::is_some) && dates.windows(2).any(|two| two[0] != two[1]);
    let day_of = |age_d: f64, hatch_d: Option<f64>| match hatch_d.filter(|_| dated) {
        Some(hatch_d) => (age_d + hatch_d).round(),
        None => matching.key(age_d),
    };
    let mut all: Vec<Weighing> = Vec::new();
    let of_row = |row: &SampleRow| Weighing {
        unit: row.unit,
        day: day_of(row.age_d, dates[row.unit]),
        age_d: row.age_d,
        weight_g: row.weight_g,
        birds: row.birds() as f64,
        sd_g: row.together.and_then(|together| together.sd_g),
        single: row.together.is_none(),
    };
    all.extend(study.samples.rows.iter().map(of_row));
    let records = &study.traits[of.trait_index];
    for (bird, what) in study.birds.iter().enumerate() {
        let Some(unit) = of.unit_of_bird(bird) else {
            continue;
        };
        let (ages_d, values) = records.of(bird);
        all.extend(ages_d.iter().zip(values).map(|(age_d, value)| Weighing {
            unit,
            day: day_of(*age_d, what.hatch_date.map(hatch)),
            age_d: *age_d,
            weight_g: *value,
            birds: 1.0,
            sd_g: None,
            single: true,
        }));
    }
    all
}

fn one(of: &SampledTrait, group: usize, day: &[Weighing], target: Option<&TargetCurve>) -> UnitDay {
    let birds: f64 = day.iter().map(|one| one.birds).sum();
    let mean = |value: fn(&Weighing) -> f64| {
        day.iter().map(|one| one.birds * value(one)).sum::<f64>() / birds
    };
    let (age_d, mean_g) = (mean(|one| one.age_d), mean(|one| one.weight_g));
    // Birds weighed some days apart are brought to the mean age by the target's growth.
    let factor = |own_d: f64| {
        let at = |age_d: f64| Some(target?.at(age_d)?.target_g);
        at(age_d)
            .zip(at(own_d))
            .map_or(1.0, |(mean, own)| mean / own)
    };
    let single = day.iter().filter(|one| one.single);
    let weights_g: Vec<f64> = single.map(|one| one.weight_g * factor(one.age_d)).collect();
    let spread = spread(day, &weights_g).or_else(|| {
        let sd = of.model.as_ref().ok()?.sd(group, age_d)?;
        Some(Spread {
            variance_g2: mean_g * mean_g * (sd * sd).exp_m1(),
            df: OF_MODEL,
            df_of_spread: OF_MODEL,
        })
    });
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a whole number of birds"
    )]
    let n = birds as usize;
    UnitDay {
        unit: day[0].unit,
        day: day[0].day,
        age_d,
        n,
        mean_g,
        weights_g,
        spread,
    }
}

/// The variance between birds of a day: of single birds, of means with a known SD, or of the
/// scatter of means of groups of birds.
fn spread(day: &[Weighing], weights_g: &[f64]) -> Option<Spread> {
    let n = weights_g.len();
    let mean = weights_g.iter().sum::<f64>() / n.max(1) as f64;
    let squares: f64 = weights_g.iter().map(|weight| (weight - mean).powi(2)).sum();
    let (mut sum, mut df) = (squares, n.saturating_sub(1) as f64);
    let together = || day.iter().filter(|one| !one.single);
    for one in together() {
        if let Some(sd_g) = one.sd_g {
            sum += (one.birds - 1.0) * sd_g * sd_g;
            df += one.birds - 1.0;
        }
    }
    if df <= 0.0 {
        let birds: f64 = together().map(|one| one.birds).sum();
        let mean = together().map(|one| one.birds * one.weight_g).sum::<f64>() / birds;
        sum = together()
            .map(|one| one.birds * (one.weight_g - mean).powi(2))
            .sum();
        df = together().count().saturating_sub(1) as f64;
    }
    (df > 0.0).then(|| Spread {
        variance_g2: sum / df,
        df,
        df_of_spread: of_tails(weights_g, mean, squares).unwrap_or(df),
    })
}

/// Degrees of freedom of the variance of a sample, 2 sigma^4 / var(s^2), with the sample's
/// kurtosis: var(s^2) = sigma^4 (2 / (n - 1) + (kurtosis - 3) / n). A sample of few birds takes
/// its weights as normal.
fn of_tails(weights_g: &[f64], mean: f64, squares: f64) -> Option<f64> {
    let n = weights_g.len() as f64;
    if weights_g.len() < ENOUGH_FOR_TAILS || squares <= 0.0 {
        return None;
    }
    let fourth: f64 = weights_g.iter().map(|weight| (weight - mean).powi(4)).sum();
    let excess = n * fourth / (squares * squares) - 3.0;
    let relative = 2.0 / (n - 1.0) + excess.max(-1.0) / n;
    Some(2.0 / relative)
}
