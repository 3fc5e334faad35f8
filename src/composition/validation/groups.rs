//! Errors by laboratory, strain, age and mass.

use super::verdict::{ALPHA, Limit};
use super::{Tested, Verdict};
use crate::stats::distribution::t_quantile;
use crate::stats::equivalence::two_one_sided;
use crate::stats::{Interval, mean};

/// Fewest birds of a band of age or mass.
const BIRDS_A_BAND: usize = 4;
/// Most bands.
const MOST_BANDS: usize = 3;

/// What the interval of a group's bias shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum GroupVerdict {
    /// The bias is within the acceptable error.
    Within,
    /// It is beyond it.
    Beyond,
    /// The birds of the group do not decide it.
    Undecided,
}

impl GroupVerdict {
    /// `within`, `beyond` or `undecided`.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Within => "within",
            Self::Beyond => "beyond",
            Self::Undecided => "undecided",
        }
    }
}

/// Errors of some birds (`validation_groups`).
#[derive(Debug, Clone, PartialEq)]
pub struct GroupRow {
    /// `laboratory`, `strain`, `age` or `mass`.
    pub by: &'static str,
    /// The strain, or the band in words.
    pub group: String,
    /// Birds.
    pub n: usize,
    /// Mean mass by chemistry.
    pub mean_observed: f64,
    /// Mean of predicted minus observed.
    pub bias: f64,
    /// Its standard error; none for one bird.
    pub std_error: Option<f64>,
    /// Interval of the bias, at the confidence of the validation.
    pub interval: Option<Interval>,
    /// Root mean square error.
    pub rmse: f64,
    /// The acceptable error at the group's mean mass.
    pub acceptable: f64,
    /// What the 90 % interval of the bias shows.
    pub verdict: GroupVerdict,
}

/// The name of a group that a bird is of.
type NameOf = fn(&Tested) -> String;

/// By laboratory, strain, age and mass, as far as the birds have them.
pub(super) fn groups(birds: &[Tested], limit: &Limit, confidence: f64) -> Vec<GroupRow> {
    let mut rows = Vec::new();
    let by_name: [(&str, NameOf); 2] = [
        ("laboratory", |bird| bird.laboratory.clone()),
        ("strain", |bird| bird.strain.clone()),
    ];
    for (by, of) in by_name {
        let mut names: Vec<String> = birds.iter().map(of).collect();
        names.sort_unstable();
        names.dedup();
        for name in names.into_iter().filter(|name| !name.is_empty()) {
            let own: Vec<&Tested> = birds.iter().filter(|bird| of(bird) == name).collect();
            rows.push(row(by, name, &own, limit, confidence));
        }
    }
    let ages: Option<Vec<f64>> = birds.iter().map(|bird| bird.age_d).collect();
    // Bands of what chemistry found would show the regression to the mean as a bias.
    let predicted: Vec<f64> = birds.iter().map(|bird| bird.predicted).collect();
    for (by, unit, along) in [("age", "d", ages), ("mass", "g", Some(predicted))] {
        for band in bands(&along.unwrap_or_default()) {
            let own: Vec<&Tested> = band.places.iter().map(|place| &birds[*place]).collect();
            rows.push(row(by, band.words(unit), &own, limit, confidence));
        }
    }
    rows
}

fn row(
    by: &'static str,
    group: String,
    birds: &[&Tested],
    limit: &Limit,
    confidence: f64,
) -> GroupRow {
    let errors: Vec<f64> = birds.iter().map(|bird| bird.error()).collect();
    let observed: Vec<f64> = birds.iter().map(|bird| bird.observed).collect();
    let (mean_observed, n) = (mean(&observed), birds.len());
    let acceptable = limit.at(mean_observed);
    let tested = two_one_sided(&errors, acceptable, ALPHA).ok();
    let verdict = match tested {
        Some(tested) if tested.equivalent => GroupVerdict::Within,
        Some(tested)
            if tested.interval.lower > acceptable || tested.interval.upper < -acceptable =>
        {
            GroupVerdict::Beyond
        }
        _ => GroupVerdict::Undecided,
    };
    let squares: f64 = errors.iter().map(|error| error * error).sum();
    GroupRow {
        by,
        group,
        n,
        mean_observed,
        bias: mean(&errors),
        std_error: tested.map(|tested| tested.standard_error),
        interval: tested.map(|tested| {
            let t = t_quantile(0.5 + confidence / 2.0, n as f64 - 1.0);
            Interval::around(tested.mean, t * tested.standard_error)
        }),
        rmse: (squares / n as f64).sqrt(),
        acceptable,
        verdict,
    }
}

struct Band {
    least: f64,
    greatest: f64,
    places: Vec<usize>,
}

impl Band {
    /// A band of one value is written as that.
    fn words(&self, unit: &str) -> String {
        let short = |value: f64| {
            let digits = if value.abs() >= 100.0 { 0 } else { 1 };
            let text = format!("{value:.digits$}");
            text.strip_suffix(".0").unwrap_or(&text).to_owned()
        };
        let (least, greatest) = (short(self.least), short(self.greatest));
        if least == greatest {
            format!("{least} {unit}")
        } else {
            format!("{least} to {greatest} {unit}")
        }
    }
}

/// Birds in up to three bands of about as many birds, equal values together.
fn bands(along: &[f64]) -> Vec<Band> {
    let mut order: Vec<usize> = (0..along.len()).collect();
    order.sort_by(|a, b| along[*a].total_cmp(&along[*b]));
    let wanted = (along.len() / BIRDS_A_BAND).clamp(1, MOST_BANDS);
    let mut bands: Vec<Band> = Vec::new();
    for (rank, place) in order.iter().enumerate() {
        let value = along[*place];
        let due = bands.len() < wanted && rank * wanted >= bands.len() * along.len();
        let same = bands.last().is_some_and(|band| band.greatest >= value);
        match bands.last_mut() {
            Some(band) if same || !due => {
                band.greatest = value;
                band.places.push(*place);
            }
            _ => bands.push(Band {
                least: value,
                greatest: value,
                places: vec![*place],
            }),
        }
    }
    bands
}

/// Groups that the verdict does not fit, a line each.
pub(super) fn cautions(groups: &[GroupRow], verdict: &Verdict, equation: &str) -> Vec<String> {
    // After recalibration the groups' biases are others.
    if *verdict != Verdict::AsItIs {
        return Vec::new();
    }
    let beyond = groups.iter();
    let beyond = beyond.filter(|row| row.verdict == GroupVerdict::Beyond);
    beyond
        .map(|row| {
            format!(
                "{equation}: the bias of {} {} is beyond the acceptable error (n {}), though that of all birds is within",
                row.by, row.group, row.n
            )
        })
        .collect()
}
