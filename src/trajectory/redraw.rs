//! How much of a curve's uncertainty comes from the equation behind its values.
//!
//! Corrected masses share the error of the equation that corrected them: it moves
//! all birds together, and no number of birds takes it away. Its part is found by
//! redrawing the equation's coefficients from their covariance, correcting all
//! scans by them, and fitting every curve again. With u the standard error of the
//! fit itself and s the SD of an estimate over the redraws, the whole error is
//! sqrt(u^2 + s^2) (the variance of a mean over what it is conditional on).

use crate::fit::Estimates;
use crate::fit::interval::{self, Estimate};
use crate::growth::{Curve, Derived};
use crate::study::{Records, Study};

use super::{Request, Subject, SubjectFits, Trajectories};

/// One term or derived quantity with both widths.
#[derive(Debug, Clone, PartialEq)]
pub struct ShareRow {
    /// Whose it is.
    pub subject: Subject,
    /// Curve.
    pub curve: String,
    /// Term or derived quantity.
    pub term: String,
    /// Its unit; empty where it has none.
    pub unit: String,
    /// Estimate, standard error and interval of the fit itself.
    pub estimate: Estimate,
    /// SD of the estimate over the redraws.
    pub redraw_sd: f64,
    /// Redraws whose fit gave the quantity.
    pub redraws: usize,
    /// Redraws whose fit failed, or did not give it.
    pub failed: usize,
}

impl ShareRow {
    /// Standard error with the equation's part; none where the fit has none.
    #[must_use]
    pub fn std_error(&self) -> Option<f64> {
        Some(self.estimate.standard_error?.hypot(self.redraw_sd))
    }

    /// Ends of the interval with the equation's part: the fit's own interval, as
    /// much wider as the standard error is greater.
    #[must_use]
    pub fn interval(&self) -> Option<(f64, f64)> {
        let own = self.estimate.standard_error?;
        let interval = self.estimate.interval?;
        let wider = self.std_error()? / own;
        let value = self.estimate.value;
        let around = |limit: f64| value + (limit - value) * wider;
        (own > 0.0).then_some((around(interval.lower), around(interval.upper)))
    }

    /// Share of the variance that comes from the equation, percent.
    #[must_use]
    pub fn share_pct(&self) -> Option<f64> {
        let whole = self.std_error()?;
        (whole > 0.0).then(|| 100.0 * (self.redraw_sd / whole).powi(2))
    }
}

/// How the redraws are made.
#[derive(Debug, Clone)]
pub struct RedrawRequest {
    /// Redraws, at least 2 for a spread.
    pub redraws: u64,
    /// Derived quantities beside the curves' terms.
    pub derived: Vec<Derived>,
    /// Confidence of the intervals.
    pub confidence: f64,
}

/// Refits the curves of some traits for each redraw of their values.
///
/// `redrawn` gives the traits of one replicate, in the order and with the names of
/// the traits of `study` that they stand for. Fits are those of `request`; a failed
/// one is counted and left out. `done` is called after each replicate.
///
/// # Errors
/// Those of `redrawn`.
pub fn shares<E>(
    study: &Study,
    trajectories: &Trajectories,
    request: &Request,
    wanted: &RedrawRequest,
    redrawn: &dyn Fn(u64) -> Result<Vec<Records>, E>,
    done: &dyn Fn(),
) -> Result<Vec<ShareRow>, E> {
    let mut answer: Option<(Vec<ShareRow>, Vec<Moments>)> = None;
    for replicate in 0..wanted.redraws {
        let again = Study {
            birds: study.birds.clone(),
            strains: study.strains.clone(),
            traits: redrawn(replicate)?,
            ..Study::default()
        };
        let (rows, moments) =
            answer.get_or_insert_with(|| first(study, &again, trajectories, wanted));
        let fits = Trajectories::fit(&again, request, &|_| {});
        let values = fits
            .subjects
            .iter()
            .flat_map(|fits| quantities(fits, wanted));
        debug_assert_eq!(rows.len(), moments.len());
        let mut at = moments.iter_mut();
        for value in values {
            if let Some(moments) = at.next() {
                moments.add(value.map(|estimate| estimate.value));
            }
        }
        done();
    }
    let Some((mut rows, moments)) = answer else {
        return Ok(Vec::new());
    };
    for (row, moments) in rows.iter_mut().zip(&moments) {
        row.redraw_sd = moments.sd();
        row.redraws = moments.n;
        row.failed = moments.failed;
    }
    rows.retain(|row| row.redraws > 1 && row.estimate.value.is_finite());
    Ok(rows)
}

/// The rows as the fits themselves give them, in the order of the redrawn traits.
fn first(
    study: &Study,
    again: &Study,
    trajectories: &Trajectories,
    wanted: &RedrawRequest,
) -> (Vec<ShareRow>, Vec<Moments>) {
    let mut rows = Vec::new();
    for records in &again.traits {
        let of_trait = trajectories
            .subjects
            .iter()
            .filter(|fits| study.traits[fits.subject.trait_index].name == records.name);
        for fits in of_trait {
            let names = names(fits, wanted);
            for ((curve, term, unit), value) in names.into_iter().zip(quantities(fits, wanted)) {
                rows.push(ShareRow {
                    subject: fits.subject,
                    curve,
                    term,
                    unit,
                    estimate: value.unwrap_or(Estimate {
                        value: f64::NAN,
                        standard_error: None,
                        interval: None,
                    }),
                    redraw_sd: 0.0,
                    redraws: 0,
                    failed: 0,
                });
            }
        }
    }
    let moments = vec![Moments::default(); rows.len()];
    (rows, moments)
}

fn names(fits: &SubjectFits, wanted: &RedrawRequest) -> Vec<(String, String, String)> {
    let of_curve = |curve: &dyn Curve| {
        let terms = curve.terms().iter();
        let terms = terms.map(|term| (term.name.to_string(), term.unit.to_string()));
        let derived = wanted.derived.iter();
        let derived = derived.map(|what| (what.name().into_owned(), what.unit().to_owned()));
        let curve = curve.name().to_owned();
        let all: Vec<(String, String, String)> = terms
            .chain(derived)
            .map(|(name, unit)| (curve.clone(), name, unit))
            .collect();
        all
    };
    fits.fits
        .iter()
        .flat_map(|fit| of_curve(&*fit.curve))
        .collect()
}

/// Every term and derived quantity of every curve, in the order of [`names`]; `None`
/// where the fit does not give it.
fn quantities(fits: &SubjectFits, wanted: &RedrawRequest) -> Vec<Option<Estimate>> {
    let mut all = Vec::new();
    for fit in &fits.fits {
        let curve = &*fit.curve;
        let estimates: Option<&Estimates> = fit.outcome.estimates();
        for index in 0..curve.terms().len() {
            all.push(estimates.and_then(|estimates| {
                interval::term(curve, estimates, index, wanted.confidence).ok()
            }));
        }
        for what in &wanted.derived {
            all.push(estimates.and_then(|estimates| {
                interval::derived(curve, estimates, *what, wanted.confidence).ok()
            }));
        }
    }
    all
}

/// Mean and squares of one quantity over the redraws, updated one at a time
/// (Welford 1962, Technometrics 4:419-420; from memory).
#[derive(Debug, Clone, Copy, Default)]
struct Moments {
    n: usize,
    failed: usize,
    mean: f64,
    squares: f64,
}

impl Moments {
    fn add(&mut self, value: Option<f64>) {
        let Some(value) = value.filter(|value| value.is_finite()) else {
            self.failed += 1;
            return;
        };
        self.n += 1;
        let before = value - self.mean;
        self.mean += before / self.n as f64;
        self.squares += before * (value - self.mean);
    }

    fn sd(&self) -> f64 {
        if self.n < 2 {
            return 0.0;
        }
        (self.squares / (self.n - 1) as f64).sqrt()
    }
}
