//! Tables of platform scales.

use super::column::{Column, Columns, about, columns};
use crate::flock::platform::{Estimate, Load, Platform, PlatformDay};
use crate::report::Table;
use crate::study::Study;

/// `scale_days.csv`: one distribution of body weight a day and scale, and what was rejected.
#[must_use]
pub fn scale_days(study: &Study, platform: &Platform) -> Table {
    let share = |day: &PlatformDay, load: Load| 100.0 * day.shares[load as usize];
    let lower = |estimate: Estimate| estimate.interval.map(|limits| limits.lower);
    let upper = |estimate: Estimate| estimate.interval.map(|limits| limits.upper);
    columns!("scale_days", |day: &PlatformDay| {
        scale("", "scale, or the pen that it stands in") => &study.stream.scales[day.scale].name,
        strain => &study.strains[study.stream.scales[day.scale].strain],
        pen => study.stream.scales[day.scale].pen.map(|pen| &study.pens[pen]),
        date("", "day, local") => day.date.to_string(),
        age_d => day.age_d,
        records("1", "records of the day") => day.records,
        visits("1", "records of single birds, each counted by its probability") => day.visits,
        empty_pct("%", "share of records of the empty platform") => share(day, Load::Empty),
        part_pct("%", "share of records of a bird not wholly on the platform") => share(day, Load::Part),
        bird_and_part_pct("%", "share of records of a bird and part of another") => share(day, Load::BirdAndPart),
        two_birds_pct("%", "share of records of two birds") => share(day, Load::Two),
        other_pct("%", "share of other records") => share(day, Load::Other),
        rejected_pct("%", "share of records that are no single birds") => 100.0 - share(day, Load::Bird),
        tare_g("g", "reading of the empty platform, taken off the weights; empty where it was not seen") => day.tare_g,
        visits_mean_g("g", "mean of the visits, not calibrated") => day.weights.map(|own| own.visits_mean_g),
        visits_sd_g("g", "standard deviation of the visits, not calibrated") => day.weights.map(|own| own.visits_sd_g),
        visits_uniformity_pct("%", "share of visits near their mean, not calibrated") => day.weights.map(|own| own.visits_uniformity_pct),
        effective_n("1", "independent birds whose mean would scatter from day to day as the mean of these visits does") => day.weights.and_then(|own| own.effective_n),
        calibrated("", "whether hand-weighed birds calibrate the columns that follow: yes or no") => day.weights.map(|own| own.calibrated),
        mean_g("g", "mean body weight") => day.weights.map(|own| own.mean_g.value),
        mean_std_error_g("g", "standard error of the mean, from the scatter of the daily means and the calibration") => day.weights.and_then(|own| own.mean_g.standard_error),
        mean_lower_g("g", "lower limit of the mean") => day.weights.and_then(|own| lower(own.mean_g)),
        mean_upper_g("g", "upper limit of the mean") => day.weights.and_then(|own| upper(own.mean_g)),
        cv_pct("%", "coefficient of variation") => day.weights.map(|own| own.cv_pct.value),
        cv_lower_pct("%", "lower limit of the coefficient of variation") => day.weights.and_then(|own| lower(own.cv_pct)),
        cv_upper_pct("%", "upper limit of the coefficient of variation") => day.weights.and_then(|own| upper(own.cv_pct)),
        uniformity_pct("%", "share of birds near the mean") => day.weights.map(|own| own.uniformity_pct.value),
        uniformity_lower_pct("%", "lower limit of that share") => day.weights.and_then(|own| lower(own.uniformity_pct)),
        uniformity_upper_pct("%", "upper limit of that share") => day.weights.and_then(|own| upper(own.uniformity_pct)),
        target_g => day.target_g,
        deviation_pct("%", "mean minus target, percent of the target") => day.deviation_pct().map(|own| own.value),
        note => note(day),
    })
    .table(&platform.days)
}

fn note(day: &PlatformDay) -> &'static str {
    match day.weights {
        None => "too few visits of single birds",
        Some(own) if !own.calibrated => "not calibrated: biased by an unknown amount",
        Some(own) if !own.near_calibration => {
            "more than two weeks from the samples that calibrate the scale"
        }
        Some(own) if own.mean_g.interval.is_none() => {
            "no interval: too few days in a row to see how daily means scatter"
        }
        Some(_) => "",
    }
}

/// A hand-weighed sample and the scale's day beside it.
type Row<'a> = (
    &'a crate::flock::platform::HandSample,
    Option<&'a PlatformDay>,
);

/// `scale_calibration.csv`: hand-weighed birds beside the scale of their pen and day.
#[must_use]
pub fn scale_calibration(study: &Study, platform: &Platform) -> Table {
    let beside = |sample: &crate::flock::platform::HandSample| {
        platform.days.iter().find(|day| {
            day.scale == sample.scale
                && day.weights.is_some()
                && day
                    .age_d
                    .is_some_and(|age_d| (age_d - sample.age_d).abs() < 0.5)
        })
    };
    let rows = platform
        .hand
        .iter()
        .map(|sample| (sample, beside(sample)))
        .filter(|(_, day)| day.is_some());
    let bias = |(sample, day): &Row<'_>| {
        let calibration = platform.calibration.as_ref()?;
        let day = (*day)?;
        Some(calibration.at(sample.scale, day.age_d?))
    };
    columns!("scale_calibration", |(sample, day): Row<'_>| {
        scale("", "scale, or the pen that it stands in") => &study.stream.scales[sample.scale].name,
        age_d => sample.age_d,
        n("1", "birds weighed by hand") => sample.n,
        hand_mean_g("g", "mean of the birds weighed by hand") => sample.mean_g,
        hand_std_error_g("g", "its standard error") => sample.standard_error_g,
        visits_mean_g("g", "mean of the scale's visits on that day") => day.and_then(|day| day.weights).map(|own| own.visits_mean_g),
        difference_pct("%", "visits minus hand, percent of the hand-weighed mean") => day.and_then(|day| day.weights).map(|own| 100.0 * (own.visits_mean_g / sample.mean_g - 1.0)),
        bias_pct("%", "estimated bias of the scale at that age") => bias(&(*sample, *day)).map(|bias| 100.0 * bias.log_ratio.exp_m1()),
        bias_std_error_pct("%", "its standard error, differences between days and scales included") => bias(&(*sample, *day)).map(|bias| 100.0 * bias.variance.sqrt()),
    })
    .table(rows)
}
