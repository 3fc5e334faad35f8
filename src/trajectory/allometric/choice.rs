//! The choice between forms.
//!
//! Of all forms the one of least AICc (maximum likelihood, n the number of scans) is taken,
//! among those that predict the last scan of each bird, left out, no worse than the line. In
//! what birds of a group differ is chosen for the best form of birds that differ in their level
//! alone, and then once more in what groups differ. Groups differ in whatever birds differ in:
//! groups of a few birds with unlike exponents have unlike exponents by chance, and a model that
//! gives them one states differences at small and great weights too surely.

use super::candidate::{FittedForm, Working, rmse, smooth};
use super::design::{Differs, Form};
use super::scans::Scans;
use crate::growth::{Allometry, Bend};
use crate::stats::linear_mixed::Likelihood;

/// A form that was looked at.
#[derive(Debug, Clone, PartialEq)]
pub struct AllometricCandidate {
    /// The form in words: `line`, `spline of 4 knots, exponent by group, age`.
    pub name: String,
    /// Log-likelihood of the masses in grams (maximum likelihood, with the Jacobian of the
    /// logarithm); none where the form is not estimable.
    pub log_lik: Option<f64>,
    /// Parameters.
    pub parameters: usize,
    /// AICc on the same scale.
    pub aicc: Option<f64>,
    /// Root mean square error of the last scan of each bird predicted from its other scans
    /// and all other birds, of log mass.
    pub left_out_rmse: Option<f64>,
    /// Whether it is the one that was taken.
    pub chosen: bool,
    /// Why, or why not.
    pub why: String,
}

/// All forms that the scans may support, the simplest first.
fn forms(scans: &Scans, reference: (f64, f64), several: bool) -> Vec<Form> {
    let line = Form::line(reference.0);
    let broken = Form {
        allometry: Allometry {
            bend: Bend::Break,
            ..line.allometry.clone()
        },
        break_at: Some(0.0),
        ..line.clone()
    };
    let mut bends = vec![line.clone(), broken];
    bends.extend((3..=5).filter_map(|knots| smooth(scans, &line, knots)));
    let mut forms = Vec::new();
    for bend in bends {
        for &groups in group_differences(&bend.allometry.bend) {
            if groups > Differs::Level && !several {
                continue;
            }
            for reference_age_d in [None, Some(reference.1)] {
                let mut form = bend.clone();
                form.groups = groups;
                form.allometry.reference_age_d = reference_age_d;
                forms.push(form);
            }
        }
    }
    forms
}

/// What groups may differ in.
fn group_differences(bend: &Bend) -> &'static [Differs] {
    match bend {
        Bend::None => &[Differs::Level, Differs::Exponent],
        _ => &[Differs::Level, Differs::Exponent, Differs::Bend],
    }
}

/// The form at this place as it was fitted.
fn taken(looked: &[(Form, Result<FittedForm, String>)], at: usize) -> Result<Form, String> {
    match &looked[at].1 {
        Ok(fitted) => Ok(fitted.form.clone()),
        Err(reason) => Err(reason.clone()),
    }
}

/// The chosen form and all that were looked at.
pub(super) fn choose(
    scans: &Scans,
    working: &Working,
    reference: (f64, f64),
) -> Result<(Form, Vec<AllometricCandidate>), String> {
    let several = Form::line(reference.0).layout(scans, false).groups.len() > 1;
    let mut looked: Vec<(Form, Result<FittedForm, String>)> = Vec::new();
    // The weight of a break is that of the form with birds alike but for their level.
    let fit = |form: &Form| match form.allometry.bend {
        Bend::Break if form.birds == Differs::Level => form.best_break(scans, working),
        _ => form.fit(scans, working, Likelihood::Full),
    };
    for form in forms(scans, reference, several) {
        let fitted = fit(&form);
        looked.push((form, fitted));
    }
    let mut best = least_aicc(&looked, scans)?;
    if scans.repeated() {
        for birds in [Differs::Exponent, Differs::Bend] {
            let mut form = taken(&looked, best)?;
            if birds == Differs::Bend && form.allometry.bend == Bend::None {
                continue;
            }
            form.birds = birds;
            if several {
                form.groups = form.groups.max(birds);
            }
            let fitted = fit(&form).and_then(|fitted| {
                match fitted.fit.random_variances.last().is_some_and(|v| *v > 0.0) {
                    true => Ok(fitted),
                    false => Err("its variance is estimated as zero".to_owned()),
                }
            });
            looked.push((form, fitted));
            best = least_aicc(&looked, scans)?;
        }
        // What groups differ in was chosen while birds were alike in it.
        let form = taken(&looked, best)?;
        if form.birds > Differs::Level && several {
            for &groups in group_differences(&form.allometry.bend) {
                if groups != form.groups && groups >= form.birds {
                    let form = Form {
                        groups,
                        ..form.clone()
                    };
                    let fitted = fit(&form);
                    looked.push((form, fitted));
                }
            }
            best = least_aicc(&looked, scans)?;
        }
    }
    let (limit, least) = (limit_of(&looked), best);
    let rows = looked.iter().enumerate().map(|(at, (form, fitted))| {
        let of = |what: &dyn Fn(&FittedForm) -> f64| fitted.as_ref().ok().map(what);
        let left_out_rmse = fitted.as_ref().ok().and_then(|f| rmse(&f.last_scans()));
        let why = match fitted {
            Err(reason) => format!("not estimable: {reason}"),
            Ok(_) if at == least => "least AICc".to_owned(),
            Ok(_) if left_out_rmse > limit => {
                "predicts scans left out worse than the line".to_owned()
            }
            Ok(_) => "larger AICc".to_owned(),
        };
        AllometricCandidate {
            name: form.name(),
            log_lik: of(&|f| f.mass_log_lik(scans)),
            parameters: fitted.as_ref().map_or(0, |f| f.fit.parameters + f.more()),
            aicc: of(&|f| f.mass_aicc(scans)),
            left_out_rmse,
            chosen: at == least,
            why,
        }
    });
    let rows = rows.collect();
    Ok((taken(&looked, best)?, rows))
}

/// The line's error of scans left out.
fn limit_of(looked: &[(Form, Result<FittedForm, String>)]) -> Option<f64> {
    let (_, line) = looked.first()?;
    let errors = line.as_ref().ok()?.last_scans();
    // Rounding does not make a form worse.
    rmse(&errors).map(|rmse| rmse * (1.0 + 1e-6) + 1e-12)
}

fn least_aicc(
    looked: &[(Form, Result<FittedForm, String>)],
    scans: &Scans,
) -> Result<usize, String> {
    let limit = limit_of(looked);
    let mut best: Option<(usize, f64)> = None;
    for (at, (_, fitted)) in looked.iter().enumerate() {
        let Ok(fitted) = fitted else { continue };
        let aicc = fitted.mass_aicc(scans);
        let worse = rmse(&fitted.last_scans()) > limit && limit.is_some();
        if !worse && best.is_none_or(|(_, least)| aicc < least) {
            best = Some((at, aicc));
        }
    }
    match best {
        Some((at, _)) => Ok(at),
        None => match &looked[0].1 {
            Err(reason) => Err(reason.clone()),
            Ok(_) => Ok(0),
        },
    }
}
