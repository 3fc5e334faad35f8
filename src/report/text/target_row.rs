//! The last weighing of a strain, house or pen against its target, in words.

use super::words::{Naming, signed};
use crate::age::AgeUnit;
use crate::analysis::{Analysis, Answer};
use crate::flock::{Band, Deviation, Gain, NoTargetAge};
use crate::report::rounding::Digits;
use crate::stats::Interval;

/// Where a strain stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Its mean lies in the band, or its interval covers a target without a band.
    OnTarget,
    /// Its interval spans the lower edge of the band.
    LowerEdge,
    /// Its interval spans the upper edge of the band.
    UpperEdge,
    /// Below the band, or below a target without one.
    Below,
    /// Above the band, or above a target without one.
    Above,
    /// The target has no band, and the interval covers the target.
    NotOff,
    /// A single bird against a target without a band.
    OneBird,
    /// There is no target at this age.
    NoTarget,
}

impl Verdict {
    /// That of a weighing.
    pub(in crate::report) fn of(row: &Deviation) -> Self {
        row.against.as_ref().map_or(Self::NoTarget, |against| {
            Self::given(against.band, against.deviation_g, against.interval_g)
        })
    }

    /// That of a deviation from the target, g, with its place in the band and its interval.
    pub(in crate::report) fn given(
        band: Band,
        deviation_g: f64,
        interval_g: Option<(f64, f64)>,
    ) -> Self {
        let low = deviation_g < 0.0;
        match (band, interval_g) {
            (Band::Inside, _) => Self::OnTarget,
            (Band::Outside, _) if low => Self::Below,
            (Band::Outside, _) => Self::Above,
            (Band::Unsure, _) if low => Self::LowerEdge,
            (Band::Unsure, _) => Self::UpperEdge,
            (Band::NotGiven, Some((lower_g, _))) if lower_g > 0.0 => Self::Above,
            (Band::NotGiven, Some((_, upper_g))) if upper_g < 0.0 => Self::Below,
            (Band::NotGiven, Some(_)) => Self::NotOff,
            (Band::NotGiven, None) => Self::OneBird,
        }
    }

    /// Whether it is off target.
    #[must_use]
    pub fn is_off(self) -> bool {
        matches!(self, Self::Below | Self::Above)
    }

    /// Whether it may or may not be.
    #[must_use]
    pub fn is_uncertain(self) -> bool {
        matches!(self, Self::LowerEdge | Self::UpperEdge)
    }

    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::OnTarget => "on target",
            Self::LowerEdge => "lower edge, uncertain",
            Self::UpperEdge => "upper edge, uncertain",
            Self::Below => "below target",
            Self::Above => "above target",
            Self::NotOff => "not off target",
            Self::OneBird => "one bird",
            Self::NoTarget => "no target",
        }
    }
}

/// A strain at its last weighing.
#[derive(Debug, Clone)]
pub struct TargetRow {
    /// Index into the study's strains.
    pub strain: usize,
    /// Its name.
    pub name: String,
    /// Age, d.
    pub age_d: f64,
    ages: AgeUnit,
    /// Birds weighed.
    pub n: usize,
    /// Their mean, in the unit of the trait.
    pub mean: f64,
    /// The target.
    pub target: Option<f64>,
    /// Standard error of the mean.
    pub std_error: Option<f64>,
    /// Mean minus target.
    pub deviation: Option<f64>,
    /// Its interval.
    pub interval: Option<(f64, f64)>,
    /// The same, percent of the target.
    pub deviation_pct: Option<f64>,
    /// Days ahead (+) or behind (-), or why there are none; `None` without a target.
    pub days: Option<Result<f64, NoTargetAge>>,
    /// Share of birds near the mean, percent, and its interval.
    pub uniformity: Option<(f64, Interval)>,
    /// Where it stands.
    pub verdict: Verdict,
    /// Whether the target has a band at this age.
    pub has_band: bool,
    /// Gains a day, needed and of the target.
    pub gain: Option<(f64, f64)>,
}

impl TargetRow {
    /// `1723 g`.
    #[must_use]
    pub fn mean_words(&self, unit: &str) -> String {
        self.grams(self.mean, unit)
    }

    /// A mass to the decimals that the standard error of the mean allows; none from 100 on.
    fn digits(&self) -> Digits {
        match self.std_error.map(Digits::of_error) {
            Some(Digits::Decimals(decimals)) if self.mean.abs() < 100.0 && decimals > 0 => {
                Digits::Decimals(decimals)
            }
            None if self.mean.abs() < 100.0 => Digits::Decimals(1),
            _ => Digits::Decimals(0),
        }
    }

    fn grams(&self, value: f64, unit: &str) -> String {
        let text = self.digits().write(value);
        format!("{text} {unit}").trim_end().to_owned()
    }

    /// The target; empty where there is none.
    #[must_use]
    pub fn target_words(&self, unit: &str) -> String {
        self.target
            .map_or(String::new(), |target| self.grams(target, unit))
    }

    /// The difference in percent; empty where there is none.
    #[must_use]
    pub fn difference_words(&self) -> String {
        self.deviation_pct
            .map_or(String::new(), |share| format!("{} %", signed(share, 1)))
    }

    /// Days ahead or behind; empty where there are none.
    #[must_use]
    pub fn days_words(&self) -> String {
        match self.days {
            Some(Ok(days)) => signed(days, 1),
            _ => String::new(),
        }
    }

    /// Uniformity in percent; empty where there is none.
    #[must_use]
    pub fn uniformity_words(&self) -> String {
        self.uniformity
            .map_or(String::new(), |(share, _)| format!("{share:.0} %"))
    }

    /// The difference with its interval, in the unit of the trait.
    #[must_use]
    pub fn deviation_words(&self, unit: &str) -> String {
        let Some(deviation) = self.deviation else {
            return String::new();
        };
        let signed = |value: f64| {
            let text = self.digits().write(value);
            let zero = text.chars().all(|digit| matches!(digit, '0' | '.'));
            let plus = if value > 0.0 && !zero { "+" } else { "" };
            format!("{plus}{text}")
        };
        let limits = self.interval.map_or(String::new(), |(lower, upper)| {
            format!(" ({} to {})", signed(lower), signed(upper))
        });
        format!("{}{limits} {unit}", signed(deviation))
            .trim_end()
            .to_owned()
    }

    /// A sentence for a paper: "Mean body weight of Cedar at 168 d (n = 22) was 1564 g, 124 g
    /// below target (−7.3 %; 95 % CI −160 to −87 g; 28.6 d behind) and outside the target band."
    #[must_use]
    pub fn full_sentence(&self, trait_name: &str, unit: &str, percent: f64) -> Option<String> {
        let deviation = self.deviation?;
        let mut inside = vec![self.difference_words().trim_start_matches('+').to_owned()];
        if let Some((lower, upper)) = self.interval {
            let lower = self.digits().write(lower);
            let upper = self.grams(upper, unit);
            inside.push(format!("{percent} % CI {lower} to {upper}"));
        }
        if let Some(Ok(off)) = self.days {
            let direction = if off < 0.0 { "behind" } else { "ahead" };
            inside.push(format!("{:.1} d {direction}", off.abs()));
        }
        let side = if deviation < 0.0 { "below" } else { "above" };
        let band = match self.verdict {
            Verdict::OnTarget => " and within the target band",
            Verdict::Below | Verdict::Above if self.has_band => " and outside the target band",
            Verdict::LowerEdge | Verdict::UpperEdge => {
                "; the interval includes an edge of the target band"
            }
            _ => "",
        };
        Some(format!(
            "Mean {trait_name} of {} at {} (n = {}) was {}, {} {side} target ({}){band}.",
            self.name,
            self.ages.show(self.age_d),
            self.n,
            self.mean_words(unit),
            self.grams(deviation.abs(), unit),
            inside.join("; ")
        ))
    }

    /// How far it is off, as a clause: `Cedar is 7.3 % below target`.
    pub(super) fn clause(&self) -> String {
        let side = if self.verdict == Verdict::Below {
            "below"
        } else {
            "above"
        };
        let share = self.deviation_pct.unwrap_or(0.0).abs();
        format!("{} is {share:.1} % {side} target", self.name)
    }

    /// ` and 29 days behind`; empty where the days are not stated.
    pub(super) fn delay(&self) -> String {
        match self.days {
            Some(Ok(days)) if days <= -0.5 => format!(" and {:.0} days behind", -days),
            Some(Ok(days)) if days >= 0.5 => format!(" and {days:.0} days ahead"),
            _ => String::new(),
        }
    }
}

/// A row of the verdict.
pub(super) fn target_row(
    (analysis, naming): (&Analysis, Naming<'_>),
    answers: &[Answer],
    row: &Deviation,
    name: String,
) -> TargetRow {
    let study = &analysis.study;
    let against = row.against.as_ref().ok();
    let named = |index: Option<usize>, names: &[String]| {
        index.map_or_else(String::new, |index| names[index].clone())
    };
    let (house, pen) = (named(row.house, &study.houses), named(row.pen, &study.pens));
    let mut uniformity = answers.iter().filter(|answer| {
        answer.quantity == "uniformity"
            && answer.strain == study.strains[row.strain]
            && answer.trait_name == study.traits[row.trait_index].name
            && (&answer.house, &answer.pen) == (&house, &pen)
    });
    TargetRow {
        strain: row.strain,
        name,
        age_d: row.age_d,
        ages: naming.ages,
        n: row.n,
        mean: row.observed_g,
        std_error: row.std_error_g,
        target: against.map(|against| against.target.target_g),
        deviation: against.map(|against| against.deviation_g),
        interval: against.and_then(|against| against.interval_g),
        deviation_pct: against.map(|against| against.deviation_pct),
        days: against.map(|against| against.days),
        uniformity: uniformity
            .next_back()
            .and_then(|answer| answer.estimate.zip(answer.interval)),
        verdict: Verdict::of(row),
        has_band: against.is_some_and(|against| against.band != Band::NotGiven),
        gain: match row.gain {
            Gain::PerDay {
                needed_g_per_d,
                target_g_per_d,
            } => Some((needed_g_per_d, target_g_per_d)),
            _ => None,
        },
    }
}
