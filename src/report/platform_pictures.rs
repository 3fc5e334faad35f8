//! The figure of platform scales.

use crate::figure::{BandPoint, PlatformDays, ScaleDays};
use crate::flock::platform::{Load, Platform};
use crate::report::pictures::{Drawn, Showing, percent};
use crate::study::Study;

/// Scales side by side; of more, those with the most visits.
const MOST_SCALES: usize = 3;

/// `scale_days`: the daily means of the scales and what was rejected; none where the birds' age
/// is not known.
pub fn platform_picture(study: &Study, platform: &Platform, showing: &Showing, drawn: &mut Drawn) {
    let mut scales: Vec<ScaleDays> = (0..study.stream.scales.len())
        .filter_map(|scale| scale_days(study, platform, scale))
        .collect();
    scales.sort_by_key(|scale| std::cmp::Reverse(scale.visits));
    scales.truncate(MOST_SCALES);
    scales.sort_by(|a, b| a.name.cmp(&b.name));
    if scales.is_empty() {
        return;
    }
    let how = match platform.calibration {
        Some(_) => "calibrated by hand-weighed birds",
        None => "not calibrated",
    };
    let figure = PlatformDays {
        interval: format!("{} confidence interval, {how}", percent(showing.confidence)),
        kinds: ["empty", "part of a bird", "two birds, or more than one"]
            .map(str::to_owned)
            .into(),
        scales,
        frame: showing.frame.clone(),
    };
    drawn.add("scale_days".to_owned(), &figure, showing);
}

fn scale_days(study: &Study, platform: &Platform, scale: usize) -> Option<ScaleDays> {
    let own = || {
        let days = platform.days.iter().filter(move |day| day.scale == scale);
        days.filter_map(|day| Some((day.age_d?, day)))
    };
    let means: Vec<BandPoint> = own()
        .filter_map(|(age_d, day)| {
            let mean = day.weights?.mean_g;
            Some(BandPoint {
                age_d,
                value: mean.value,
                lower: mean.interval.map_or(f64::NAN, |limits| limits.lower),
                upper: mean.interval.map_or(f64::NAN, |limits| limits.upper),
            })
        })
        .collect();
    if means.is_empty() {
        return None;
    }
    let of = |loads: &[Load]| -> Vec<(f64, f64)> {
        own()
            .map(|(age_d, day)| {
                let shares = loads.iter().map(|load| day.shares[*load as usize]);
                (age_d, 100.0 * shares.sum::<f64>())
            })
            .collect()
    };
    Some(ScaleDays {
        name: study.stream.scales[scale].name.clone(),
        visits: own().map(|(_, day)| day.whole_visits()).sum(),
        means,
        target: own()
            .filter_map(|(age_d, day)| Some((age_d, day.target_g?)))
            .collect(),
        rejected: vec![
            of(&[Load::Empty]),
            of(&[Load::Part]),
            of(&[Load::BirdAndPart, Load::Two, Load::Other]),
        ],
    })
}
