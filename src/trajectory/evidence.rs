//! What speaks for and against each curve of a strain, and a verdict in words.

use super::interval::{Validation, records_of};
use super::{Level, SubjectFits};
use crate::fit::diagnostics::{self, LackOfFit, Residual};
use crate::fit::{Estimates, Outcome, Series};
use crate::study::Study;

/// A chance below which a test speaks against a curve.
const DOUBTFUL: f64 = 0.05;

/// What is known of one curve beside its likelihood.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Evidence {
    /// Place by BIC among the curves of the same observations, 1 for the best.
    pub rank_bic: Option<usize>,
    /// Lack of fit against replicate weighings (strains).
    pub lack_of_fit: Option<LackOfFit>,
    /// P value of the number of runs of the mean residuals along age (strains).
    pub runs_p: Option<f64>,
    /// Correlation of neighbouring residuals of a bird (strains).
    pub autocorrelation: Option<f64>,
    /// Whether the last values have reached three quarters of the asymptote.
    pub asymptote_supported: Option<bool>,
    /// For and against, in words (strains).
    pub verdict: String,
}

/// The evidence on each curve of a subject, in the order of its fits. At bird level
/// only what costs nothing.
#[must_use]
pub fn evidence(study: &Study, fits: &SubjectFits, validation: &Validation) -> Vec<Evidence> {
    let mut all: Vec<Evidence> = (0..fits.fits.len())
        .map(|at| Evidence {
            rank_bic: rank(fits, at, |estimates| Some(estimates.bic())),
            ..Evidence::default()
        })
        .collect();
    let pooled = records_of(study, fits.subject);
    for (fit, evidence) in fits.fits.iter().zip(&mut all) {
        let Some(estimates) = fit.outcome.estimates() else {
            continue;
        };
        let first = pooled.values.len() - estimates.n;
        let series = Series {
            ages_d: &pooled.ages_d[first..],
            values: &pooled.values[first..],
        };
        evidence.asymptote_supported =
            diagnostics::asymptote_supported(&*fit.curve, series, estimates);
        if fits.subject.level == Level::Strain {
            let rows: Vec<_> = diagnostics::residuals(&*fit.curve, series, estimates).collect();
            evidence.lack_of_fit = diagnostics::lack_of_fit(&rows, estimates.terms.len());
            evidence.runs_p = diagnostics::runs_test(&rows).map(|runs| runs.p_value);
            evidence.autocorrelation = within_birds(&rows, &pooled.birds[first..]);
        }
    }
    if fits.subject.level == Level::Strain {
        let verdicts: Vec<String> = (0..all.len())
            .map(|at| verdict(fits, &all, validation, at))
            .collect();
        for (evidence, verdict) in all.iter_mut().zip(verdicts) {
            evidence.verdict = verdict;
        }
    }
    all
}

/// The place of a fit by a criterion that is best when least, among those with as many
/// observations.
fn rank(
    fits: &SubjectFits,
    at: usize,
    criterion: impl Fn(&Estimates) -> Option<f64>,
) -> Option<usize> {
    let n = fits.fits[at].outcome.n();
    let value = |outcome: &Outcome| outcome.estimates().and_then(&criterion);
    let own = value(&fits.fits[at].outcome)?;
    let alike = fits.fits.iter().filter(|fit| fit.outcome.n() == n);
    let better = alike.filter(|fit| value(&fit.outcome).is_some_and(|other| other < own));
    Some(1 + better.count())
}

/// Correlation of neighbouring standardised residuals of the same bird.
fn within_birds(rows: &[Residual], birds: &[usize]) -> Option<f64> {
    let mut order: Vec<usize> = (0..rows.len()).collect();
    // Rows ascend in age already, and a stable sort keeps that within a bird.
    order.sort_by_key(|row| birds[*row]);
    let squares: f64 = rows.iter().map(|row| row.standardised.powi(2)).sum();
    let mut products = 0.0;
    let mut pairs = 0_u32;
    for pair in order.windows(2) {
        if birds[pair[0]] == birds[pair[1]] {
            products += rows[pair[0]].standardised * rows[pair[1]].standardised;
            pairs += 1;
        }
    }
    let mean_square = squares / rows.len() as f64;
    // The two means are over different weighings: of a few, their ratio may be beyond 1.
    (pairs > 1 && mean_square > 0.0)
        .then(|| (products / f64::from(pairs) / mean_square).clamp(-1.0, 1.0))
}

fn verdict(fits: &SubjectFits, all: &[Evidence], validation: &Validation, at: usize) -> String {
    let fit = &fits.fits[at];
    let Some(place) = fits.places()[at] else {
        return match &fit.outcome {
            Outcome::Failed(_) => "not supported: the fit failed".to_owned(),
            _ => "too few observations to be ranked".to_owned(),
        };
    };
    let mut words = if place.rank == 1 {
        vec![best(fits, all, validation, at, place.weight)]
    } else if place.delta < 2.0 {
        vec![format!(
            "as good as the best: AICc {:.1} above it",
            place.delta
        )]
    } else {
        vec![format!("not the best: AICc {:.1} above it", place.delta)]
    };
    let evidence = &all[at];
    if place.weak {
        words.push("weak, see the note".to_owned());
    }
    if evidence.asymptote_supported == Some(false) {
        words.push("its asymptote is an extrapolation".to_owned());
    }
    if let Some(lack) = evidence.lack_of_fit
        && lack.p_value < DOUBTFUL
    {
        words.push(format!(
            "it misses more than the spread at an age explains (p {:.4})",
            lack.p_value
        ));
    }
    if let Some(p) = evidence.runs_p
        && p < DOUBTFUL
    {
        words.push(format!("its residuals come in runs along age (p {p:.4})"));
    }
    words.join("; ")
}

/// The other criteria for the curve that is best by AICc.
fn best(
    fits: &SubjectFits,
    all: &[Evidence],
    validation: &Validation,
    at: usize,
    weight: f64,
) -> String {
    let mut agree = Vec::new();
    let mut differ = Vec::new();
    let mut hear = |criterion: &str, winner: Option<usize>| match winner {
        Some(winner) if winner == at => agree.push(criterion.to_owned()),
        Some(winner) => differ.push(format!(
            "{criterion} prefers {}",
            fits.fits[winner].curve.name()
        )),
        None => {}
    };
    let n = fits.fits[at].outcome.n();
    let alike = |other: &usize| fits.fits[*other].outcome.n() == n;
    let bic = (0..all.len()).find(|other| alike(other) && all[*other].rank_bic == Some(1));
    hear("BIC", bic);
    let least = |error: &dyn Fn(usize) -> Option<f64>| {
        (0..all.len())
            .filter(alike)
            .filter_map(|other| Some((error(other)?, other)))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|found| found.1)
    };
    let subject = fits.subject;
    hear(
        "left-out birds",
        least(&|other| validation.of(subject, other).by_bird_g),
    );
    hear(
        "the forecast of the last weeks",
        least(&|other| validation.of(subject, other).by_last_ages_g),
    );
    let mut words = format!("best by AICc (weight {weight:.2})");
    if !agree.is_empty() {
        words += &format!(", and by {}", agree.join(", "));
    }
    if !differ.is_empty() {
        words += &format!("; but {}", differ.join(", "));
    }
    words
}
