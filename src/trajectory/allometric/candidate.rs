//! One form of the model fitted, and what is read from the fit.

use nalgebra::{DMatrix, DVector};

use super::design::{Differs, Form, Layout};
use super::scans::{NOT_POSITIVE, Scans};
use crate::growth::{Allometry, Bend};
use crate::stats::linear_mixed::{Likelihood, LinearMixed, LinearMixedFit};

/// Log masses and the parts of their errors that are known.
#[derive(Debug, Clone)]
pub(super) struct Working {
    /// E(log m) of a mass with error variance v m^2 is ln m - v / 2: that is added back.
    pub(super) y: Vec<f64>,
    pub(super) v: Vec<f64>,
    /// Fitted masses, g.
    pub(super) fitted_g: Vec<f64>,
}

/// A form with its linear fit.
#[derive(Debug, Clone)]
pub(super) struct FittedForm {
    pub(super) form: Form,
    pub(super) layout: Layout,
    pub(super) model: LinearMixed,
    pub(super) fit: LinearMixedFit,
}

/// Greatest standard error of a mass as a share of it: beyond, a logarithm is of little use
/// and its error is far from normal.
const GREATEST_CV: f64 = 1.0 / 3.0;
pub(super) const TOO_UNSURE: &str = "its standard error is more than a third of the mass";

impl Form {
    pub(super) fn line(reference_weight_g: f64) -> Self {
        Self {
            allometry: Allometry {
                reference_weight_g,
                bend: Bend::None,
                reference_age_d: None,
            },
            groups: Differs::Level,
            birds: Differs::Level,
            break_at: None,
        }
    }

    pub(super) fn name(&self) -> String {
        let mut words = vec![match &self.allometry.bend {
            Bend::None => "line".to_owned(),
            Bend::Break => "broken line".to_owned(),
            Bend::Spline(knots) => format!("natural spline with {} knots", knots.len()),
        }];
        let by = |differs: Differs, whom: &str| match differs {
            Differs::Level => None,
            Differs::Exponent => Some(format!("exponent by {whom}")),
            Differs::Bend => Some(format!("exponent and bend by {whom}")),
        };
        words.extend(by(self.groups, "group"));
        words.extend(self.allometry.reference_age_d.map(|_| "age".to_owned()));
        words.extend(by(self.birds, "bird"));
        words.join(", ")
    }

    /// Fits the form.
    pub(super) fn fit(
        &self,
        scans: &Scans,
        working: &Working,
        likelihood: Likelihood,
    ) -> Result<FittedForm, String> {
        let model = self.model(scans, working);
        let fit = model
            .fit(likelihood)
            .map_err(|failure| failure.to_string())?;
        Ok(FittedForm {
            form: self.clone(),
            layout: self.layout(scans, false),
            model,
            fit,
        })
    }

    /// Its linear model.
    fn model(&self, scans: &Scans, working: &Working) -> LinearMixed {
        let layout = self.layout(scans, false);
        LinearMixed {
            starts: scans.starts.clone(),
            response: working.y.clone(),
            fixed: self.columns(scans, &layout, |_| 0.0),
            random: self.random(scans, scans.repeated()),
            known_variances: working.v.clone(),
            residual: true,
        }
    }

    /// The break of greatest likelihood among weights within the middle 80 percent of the
    /// scans, by a grid and golden sections.
    pub(super) fn best_break(
        &self,
        scans: &Scans,
        working: &Working,
    ) -> Result<FittedForm, String> {
        let mut us: Vec<f64> = scans
            .rows
            .iter()
            .map(|row| self.allometry.log_ratio(row.weight_g))
            .collect();
        us.sort_by(f64::total_cmp);
        let at = |at: f64| Self {
            break_at: Some(at),
            ..self.clone()
        };
        let fit = |u: f64| at(u).fit(scans, working, Likelihood::Full);
        // At variances that are held the likelihood of a break is one generalised least
        // squares fit; they are those of the line, then of the best break.
        let line = Self {
            allometry: Allometry {
                bend: Bend::None,
                ..self.allometry.clone()
            },
            break_at: None,
            ..self.clone()
        };
        let held = line.fit(scans, working, Likelihood::Full)?.fit.variances();
        let first = fit(search(&us, |u| at(u).held_log_lik(scans, working, &held)))?;
        let held = first.fit.variances();
        let second = fit(search(&us, |u| at(u).held_log_lik(scans, working, &held)))?;
        Ok(if second.fit.log_lik >= first.fit.log_lik {
            second
        } else {
            first
        })
    }

    fn held_log_lik(&self, scans: &Scans, working: &Working, variances: &[f64]) -> f64 {
        let fit = self
            .model(scans, working)
            .at_variances(Likelihood::Full, variances);
        fit.map_or(f64::NEG_INFINITY, |fit| fit.log_lik)
    }
}

/// Where a function is greatest between the deciles of values that ascend: the best point
/// of a grid, and golden sections round it.
fn search(us: &[f64], log_lik: impl Fn(f64) -> f64) -> f64 {
    const GRID: usize = 13;
    const SECTIONS: usize = 30;
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    let (first, last) = (quantile(us, 0.1), quantile(us, 0.9));
    let width = (last - first) / (GRID - 1) as f64;
    let mut best = (first, f64::NEG_INFINITY);
    for k in 0..GRID {
        let u = first + width * k as f64;
        let at_u = log_lik(u);
        if at_u > best.1 {
            best = (u, at_u);
        }
    }
    let (mut low, mut high) = ((best.0 - width).max(first), (best.0 + width).min(last));
    let (mut a, mut b) = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
    let (mut at_a, mut at_b) = (log_lik(a), log_lik(b));
    for _ in 0..SECTIONS {
        if at_a > at_b {
            (high, b, at_b) = (b, a, at_a);
            a = high - GOLDEN * (high - low);
            at_a = log_lik(a);
        } else {
            (low, a, at_a) = (a, b, at_b);
            b = low + GOLDEN * (high - low);
            at_b = log_lik(b);
        }
    }
    0.5 * (low + high)
}

impl FittedForm {
    /// Parameters that are not the linear model's: a break's weight, which counts as two since it
    /// is searched for (a likelihood with a kink gains more by chance than a regular one).
    pub(super) fn more(&self) -> usize {
        2 * usize::from(self.form.break_at.is_some())
    }

    /// The same with the uncertainty of a break's weight: its linear effect is a column.
    pub(super) fn with_break(self, scans: &Scans) -> Self {
        if self.form.break_at.is_none() {
            return self;
        }
        let change = |group: usize| {
            let column = self.layout.of_group(group)[2];
            column.map_or(0.0, |column| self.fit.fixed[column])
        };
        let layout = self.form.layout(scans, true);
        let model = LinearMixed {
            fixed: self.form.columns(scans, &layout, change),
            ..self.model.clone()
        };
        match model.at_variances(self.fit.likelihood, &self.fit.variances()) {
            Ok(mut fit) => {
                // At the best break the break's column adds nothing but rounding.
                fit.log_lik = self.fit.log_lik;
                fit.parameters = self.fit.parameters + 1;
                Self {
                    layout,
                    model,
                    fit,
                    ..self
                }
            }
            Err(_) => self,
        }
    }

    /// Log-likelihood of the masses in grams.
    pub(super) fn mass_log_lik(&self, scans: &Scans) -> f64 {
        self.fit.log_lik - scans.rows.iter().map(|row| row.mass_g.ln()).sum::<f64>()
    }

    pub(super) fn mass_aicc(&self, scans: &Scans) -> f64 {
        self.fit.aicc(self.more()) + 2.0 * (self.fit.log_lik - self.mass_log_lik(scans))
    }

    /// Errors of the last scan of each bird predicted from all others, on the log scale,
    /// with the variance of each.
    pub(super) fn last_scans(&self) -> Vec<(f64, f64)> {
        let all = self.fit.left_out(&self.model);
        let last = self.model.starts[1..].iter().map(|end| all[end - 1]);
        last.flatten().collect()
    }

    /// Fitted log masses: what is left when the known errors are taken off.
    fn fitted_g(&self) -> Vec<f64> {
        let mut fitted = Vec::with_capacity(self.model.response.len());
        for (subject, block) in self.model.starts.windows(2).enumerate() {
            let pulled = self.fit.weighted_residuals(&self.model, subject);
            for (row, pulled) in (block[0]..block[1]).zip(pulled.iter()) {
                let known = self.model.known_variances[row];
                fitted.push((self.model.response[row] - known * pulled).exp());
            }
        }
        fitted
    }
}

pub(super) fn rmse(errors: &[(f64, f64)]) -> Option<f64> {
    (!errors.is_empty()).then(|| {
        let squares: f64 = errors.iter().map(|(error, _)| error * error).sum();
        (squares / errors.len() as f64).sqrt()
    })
}

/// Log masses with their errors at fitted masses; scans whose mass is not positive or too
/// unsure are left out of `scans`.
pub(super) fn prepare(scans: &mut Scans, reference_weight_g: f64) -> Result<Working, String> {
    const ROUNDS: usize = 3;
    // Far off where a mass is near zero, but then of hardly any weight.
    let rough = |row: &super::ScanRow| row.mass_g.max(0.5 * row.variance_g2.sqrt());
    if scans.rows.iter().any(|row| rough(row) <= 0.0) {
        scans.keep(NOT_POSITIVE, |_, row| rough(row) > 0.0);
    }
    let mut fitted_g: Vec<f64> = scans.rows.iter().map(rough).collect();
    for round in 0..ROUNDS {
        if round > 0 {
            let sure: Vec<bool> = scans
                .rows
                .iter()
                .zip(&fitted_g)
                .map(|(row, mass_g)| row.variance_g2.sqrt() <= GREATEST_CV * mass_g)
                .collect();
            let positive: Vec<bool> = scans.rows.iter().map(|row| row.mass_g > 0.0).collect();
            let kept: Vec<bool> = sure.iter().zip(&positive).map(|(a, b)| *a && *b).collect();
            scans.keep(TOO_UNSURE, |at, _| kept[at]);
            let mut at = kept.iter();
            fitted_g.retain(|_| at.next().copied().unwrap_or(false));
        }
        if scans.rows.is_empty() {
            return Err("no scan with a mass above 0 and a weight is left".to_owned());
        }
        let working = Working::at(scans, &fitted_g);
        let spline = smooth(scans, &Form::line(reference_weight_g), 4);
        let line = Form::line(reference_weight_g);
        let fitted = match spline.map(|form| form.fit(scans, &working, Likelihood::Full)) {
            Some(Ok(fitted)) => fitted,
            _ => line.fit(scans, &working, Likelihood::Full)?,
        };
        fitted_g = fitted.fitted_g();
    }
    Ok(Working::at(scans, &fitted_g))
}

impl Working {
    fn at(scans: &Scans, fitted_g: &[f64]) -> Self {
        let v: Vec<f64> = scans
            .rows
            .iter()
            .zip(fitted_g)
            .map(|(row, mass_g)| row.variance_g2 / (mass_g * mass_g))
            .collect();
        let y = scans
            .rows
            .iter()
            .zip(&v)
            .zip(fitted_g)
            .map(|((row, v), fitted_g)| {
                let mass_g = if row.mass_g > 0.0 {
                    row.mass_g
                } else {
                    *fitted_g
                };
                mass_g.ln() + 0.5 * v
            });
        Self {
            y: y.collect(),
            v: v.clone(),
            fitted_g: fitted_g.to_vec(),
        }
    }
}

/// A spline with knots at even quantiles of log weight, the outer ones at the ends; none
/// where the weights are too few.
pub(super) fn smooth(scans: &Scans, form: &Form, knots: usize) -> Option<Form> {
    let mut us: Vec<f64> = scans
        .rows
        .iter()
        .map(|row| form.allometry.log_ratio(row.weight_g))
        .collect();
    us.sort_by(f64::total_cmp);
    let places: Vec<f64> = (0..knots)
        .map(|k| quantile(&us, k as f64 / (knots - 1) as f64))
        .collect();
    let apart = 1e-3 * (places[knots - 1] - places[0]);
    let distinct = places.windows(2).all(|pair| pair[1] - pair[0] > apart);
    (distinct && us.len() > 2 * knots).then(|| Form {
        allometry: Allometry {
            bend: Bend::Spline(places),
            ..form.allometry.clone()
        },
        ..form.clone()
    })
}

fn quantile(sorted: &[f64], p: f64) -> f64 {
    let place = p * (sorted.len() - 1) as f64;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "between 0 and the number of scans"
    )]
    let low = place.floor() as usize;
    let high = (low + 1).min(sorted.len() - 1);
    sorted[low] + (place - low as f64) * (sorted[high] - sorted[low])
}

/// The sum over birds of what columns of errors add to the fixed effects.
pub(super) fn shared_effect(fitted: &FittedForm, factor: &DMatrix<f64>) -> DMatrix<f64> {
    let mut sum = DMatrix::zeros(fitted.layout.len(), factor.ncols());
    for (subject, block) in fitted.model.starts.windows(2).enumerate() {
        let own = factor.rows(block[0], block[1] - block[0]).into_owned();
        sum += fitted.fit.effect_of(&fitted.model, subject, &own);
    }
    sum
}

/// What each bird's residuals add to the fixed effects.
pub(super) fn influences(fitted: &FittedForm) -> Vec<DVector<f64>> {
    let blocks = fitted.model.starts.windows(2).enumerate();
    let of_bird = blocks.map(|(subject, block)| {
        let z = fitted.model.fixed.rows(block[0], block[1] - block[0]);
        let pulled = fitted.fit.weighted_residuals(&fitted.model, subject);
        &fitted.fit.covariance * (z.transpose() * pulled)
    });
    of_bird.collect()
}
