//! Text on the platform scales.

use super::Sentence;
use super::words::{count, signed};
use crate::age::AgeUnit;
use crate::analysis::Analysis;
use crate::flock::platform::{DayWeights, Estimate, Load, Platform, PlatformDay};
use crate::study::Study;

/// The last day of a scale.
#[derive(Debug, Clone)]
pub struct ScaleRow {
    /// The scale, or the pen that it stands in.
    pub name: String,
    /// Age of the birds, or the date where the age is not known.
    pub when: String,
    /// Mean with its interval, `1240 g (1228 to 1253)`.
    pub mean: String,
    /// Difference from the target, percent, where there is one.
    pub deviation: Option<String>,
    /// Uniformity with its interval.
    pub uniformity: String,
}

/// Results of the platform scales.
#[derive(Debug, Clone)]
pub struct PlatformWords {
    /// A row a scale that has weights.
    pub rows: Vec<ScaleRow>,
    /// What was read, and what was rejected.
    pub read: Sentence,
    /// Whether the scales are calibrated, and what that found.
    pub calibration: Sentence,
    /// The same in a few words.
    pub calibration_short: String,
    /// What else is to be known of such records.
    pub cautions: Vec<String>,
}

impl PlatformWords {
    /// From an analysis of a study with platform scales.
    #[must_use]
    pub fn of(analysis: &Analysis, ages: AgeUnit) -> Option<Self> {
        let platform = analysis.platform.as_ref()?;
        let study = &analysis.study;
        let rows = (0..study.stream.scales.len()).filter_map(|scale| {
            let day = platform.last_of(scale)?;
            let own = day.weights?;
            Some(row(study, day, &own, ages))
        });
        let (calibration, calibration_short) = calibration(platform, ages);
        Some(Self {
            rows: rows.collect(),
            read: read(study, platform),
            calibration,
            calibration_short,
            cautions: cautions(platform),
        })
    }
}

fn row(study: &Study, day: &PlatformDay, own: &DayWeights, ages: AgeUnit) -> ScaleRow {
    ScaleRow {
        name: study.stream.scales[day.scale].name.clone(),
        when: day
            .age_d
            .map_or_else(|| day.date.to_string(), |age_d| ages.show(age_d)),
        mean: with_interval(own.mean_g, " g"),
        deviation: day
            .deviation_pct()
            .map(|deviation| format!("{} %", signed(deviation.value, 1))),
        uniformity: with_interval(own.uniformity_pct, " %"),
    }
}

fn with_interval(estimate: Estimate, unit: &str) -> String {
    match estimate.interval {
        Some(limits) => format!(
            "{:.0}{unit} ({:.0} to {:.0})",
            estimate.value, limits.lower, limits.upper
        ),
        None => format!("{:.0}{unit}", estimate.value),
    }
}

/// Share of each kind of load that is worth a word.
const NAMED: [(Load, &str); 5] = [
    (Load::Empty, "the empty platform"),
    (Load::Part, "part of a bird"),
    (Load::BirdAndPart, "a bird and part of another"),
    (Load::Two, "two birds"),
    (Load::Other, "other loads"),
];

fn read(study: &Study, platform: &Platform) -> Sentence {
    let shares = platform.shares();
    let rejected: Vec<String> = NAMED
        .iter()
        .map(|(load, words)| (100.0 * shares[*load as usize], words))
        .filter(|(percent, _)| *percent >= 0.05)
        .map(|(percent, words)| format!("{percent:.1} % {words}"))
        .collect();
    let single = 100.0 * shares[Load::Bird as usize];
    let days = platform.days.len();
    let rest = if rejected.is_empty() {
        ".".to_owned()
    } else {
        format!(
            "; rejected were {}.",
            crate::report::prose::listed(&rejected)
        )
    };
    Sentence {
        lead: format!(
            "{single:.1} % of {} records of {} on {} were single birds",
            study.stream.records,
            count(study.stream.scales.len(), "platform scale"),
            count(days, "scale day")
        ),
        rest,
    }
}

fn calibration(platform: &Platform, ages: AgeUnit) -> (Sentence, String) {
    let Some(found) = &platform.calibration else {
        return (
            Sentence {
                lead: "Not calibrated: the weights are biased by an unknown amount".to_owned(),
                rest: ". Which birds come to a platform, and what the scale reads too much, cannot be seen in its records; weigh a random sample of the same pen by hand on some of the same days.".to_owned(),
            },
            "not calibrated: biased by an unknown amount".to_owned(),
        );
    };
    let (first_d, last_d) = found.ages_d();
    let at = |age_d: f64| {
        let bias = found.at_large(age_d);
        let half = 1.96 * 100.0 * bias.variance.sqrt();
        format!(
            "{} % (\u{b1} {half:.1})",
            signed(100.0 * bias.log_ratio.exp_m1(), 1)
        )
    };
    let by_age = if found.by_age {
        format!(
            "{} at {} and {} at {}",
            at(first_d),
            ages.show(first_d),
            at(last_d),
            ages.show(last_d)
        )
    } else {
        at(f64::midpoint(first_d, last_d))
    };
    let short = format!("calibrated: visits minus hand-weighed {by_age}");
    (
        Sentence {
            lead: format!("Visits differed from hand-weighed birds by {by_age}"),
            rest: format!(
                ", from {} of a hand-weighed sample and a scale's day; the daily means are corrected for it and carry its error.",
                count(found.pairs(), "pair")
            ),
        },
        short,
    )
}

fn cautions(platform: &Platform) -> Vec<String> {
    let mut all = vec![
        "Visits are not birds: light birds come more often than heavy ones (Chedad et al., British Poultry Science), some birds come much more often than others, and the intervals therefore rest on the scatter of the daily values, not on the number of visits.".to_owned(),
    ];
    if let Some(rise) = platform
        .rise
        .filter(|rise| rise.pct_per_h.abs() > 2.0 * rise.standard_error)
    {
        all.push(format!(
            "Weights rose by {} % an hour between {} and {} o'clock (standard error {:.2}): weigh by hand at the hours that count, or name them as from and to under [scale_stream].",
            signed(rise.pct_per_h, 2),
            rise.hours.0,
            u32::from(rise.hours.1) + 1,
            rise.standard_error
        ));
    }
    all.push(match &platform.spread_bias {
        Some(bias) => format!(
            "The spread of the visits was {} % off that of hand-weighed birds (\u{b1} {:.0}), and CV and uniformity are corrected for it.",
            signed(100.0 * bias.log_ratio.exp_m1(), 0),
            196.0 * bias.variance.sqrt()
        ),
        None => "Uniformity of unidentified visits is not that of the birds: in hens on aviary scales it was a few points too high (British Poultry Science).".to_owned(),
    });
    all
}
