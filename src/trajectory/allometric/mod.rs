//! How do fat, lean and bone follow the weight of the birds: allometry on each bird's own
//! weight curve, and by composition curves in age.
//!
//! A few scans a bird do not support a growth curve in age, but birds are weighed weekly.
//! With W_i(t) the bird's own curve of the body-weight model, for scan j of bird i
//!
//! ```text
//! ln m_ij = ln a_g + f(ln W_i(t_ij)) + c t_ij + d egg_ij + b_i + e_ij + error of m_ij
//! b_i ~ N(0, sb^2), e_ij ~ N(0, s^2), own error variances known, the equation's shared
//! ```
//!
//! f is a line, a broken line or a natural spline, its exponent and bend common or by group; age
//! and an exponent and a bend by bird enter where they are chosen (`candidate.rs` states the rule). The
//! variances are those of [`crate::stats::linear_mixed`]. A mass with known error variance v
//! has the variance v / m^2 on the log scale, at the fitted mass m. The equations' error is
//! common to all scans; it moves the coefficients by the same weights as any other error,
//! and that is added to their covariance.
//!
//! The result is a curve in age ([`AllometricCurve`]), its terms those of the weight curve
//! and the coefficients; *typical* means all random effects at zero. The weight terms'
//! covariance and the coefficients' are independent blocks: scans of a bird err
//! independently of its weighings, and the error of a bird's fitted log weight (about 0.01)
//! times the exponent is part of the residual.
//!
//! Sources: Huxley JS 1932, *Problems of Relative Growth*, Methuen, London; Gous RM et al.
//! 1999, Poultry Science 78:812-821 (both from memory).

mod candidate;
mod choice;
mod design;
mod egg;
mod fitting;
mod scans;
mod shares;

use std::collections::BTreeMap;
use std::sync::Arc;

use nalgebra::{DMatrix, DVector};

pub use choice::AllometricCandidate;
pub use egg::{EggOffset, FEWEST_EGG_SCANS};
use scans::Scans;
pub use scans::{EggWeight, ScanRow, WeightFrom};
pub use shares::{Closure, closure};

use super::cohort::Cohort;
use super::population::PopulationFit;
use crate::error::{Error, Result};
use crate::fit::estimable::Reach;
use crate::fit::mixed::{CovarianceError, Estimated};
use crate::fit::{Estimates, Variance};
use crate::growth::{AllometricCurve, Allometry, Curve};
use crate::study::{FixedEffectOf, Records, Study};

/// How to fit.
#[derive(Debug, Clone)]
pub struct Options {
    /// What set the groups of the weight model.
    pub groups: Vec<FixedEffectOf>,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            groups: vec![FixedEffectOf::Strain],
        }
    }
}

/// What describes the trait.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Description {
    /// Allometry on the weight curves.
    Allometric,
    /// A growth curve in age, which the caller fits.
    GrowthCurve,
}

/// What became of a trait.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// What describes it.
    pub description: Description,
    /// Which, and why, in one sentence.
    pub sentence: String,
    /// Why not by allometry; empty where it is.
    pub reason: String,
    /// The allometric model, where it could be fitted.
    pub fit: Option<Box<AllometricFit>>,
}

/// A bird's curve of the trait.
#[derive(Debug, Clone)]
pub struct BirdCurve {
    /// Its group in the weight model.
    pub group: usize,
    /// Terms at the modes of its random effects.
    pub terms: Vec<f64>,
    /// Their covariance, p x p row-major.
    pub covariance: Vec<f64>,
    /// Its scans in the model; with none its effect is zero, with the birds' variance.
    pub scans: usize,
}

/// Groups up to which quantities have separate degrees of freedom.
const MOST_GROUPS: usize = 24;

/// An allometric model of a trait on the curves of body weight.
#[derive(Debug, Clone)]
pub struct AllometricFit {
    /// The source of the degrees of freedom of each quantity of the groups: the weight
    /// model's variance terms, and the birds scanned; `None` where that is not known.
    pub covariance_error: Option<Arc<CovarianceError>>,
    /// The trait.
    pub trait_name: String,
    /// The curve in age of all birds and groups.
    pub curve: Arc<AllometricCurve>,
    /// The birds with records of the trait.
    pub cohort: Arc<Cohort>,
    /// The birds and groups of the weight model, to which all places here refer.
    pub weight_cohort: Arc<Cohort>,
    /// Terms of the typical bird of each group of the weight model; none of a group
    /// without scans.
    pub group_terms: Vec<Option<Vec<f64>>>,
    /// Covariance of all groups' terms, group by group (groups x p, both ways); zero for a
    /// group without scans.
    pub joint_covariance: DMatrix<f64>,
    /// The curve of each bird of the weight model; none in a group without scans.
    pub birds: Vec<Option<BirdCurve>>,
    /// How far the scans of each group reach, in age and mass.
    pub reaches: Vec<Reach>,
    /// Log-likelihood of the masses in grams (maximum likelihood).
    pub log_lik: f64,
    /// Scans in the model.
    pub n: usize,
    /// Birds in the model.
    pub birds_scanned: usize,
    /// Parameters.
    pub parameters: usize,
    /// Degrees of freedom of intervals: birds scanned minus groups scanned.
    pub df: usize,
    /// SD between birds of log mass at one weight; none where it was estimated as zero or
    /// no bird was scanned twice.
    pub bird_sd: Option<Estimated>,
    /// SD between birds of the exponent, where it is in the model.
    pub bird_slope_sd: Option<Estimated>,
    /// SD between birds of the first coefficient of the bend, where it is in the model.
    pub bird_bend_sd: Option<Estimated>,
    /// Residual SD of log mass beside the own errors; zero where they explain all.
    pub residual_sd: Estimated,
    /// Effect of an egg in the body on log mass, where scans with one are in the model.
    pub egg_effect: Option<Estimated>,
    /// Weight of an egg, where scale weights and curves determine it.
    pub egg_weight: Option<EggWeight>,
    /// What an egg adds to the masses of scans whose offset is not known from comparisons
    /// ([`Records::with_egg`]), or why it is not estimated.
    pub egg_offset: std::result::Result<EggOffset, String>,
    /// Root mean square error of log mass of each bird's last scan, left out.
    pub left_out_rmse: Option<f64>,
    /// Scans in the model.
    pub scans: Vec<ScanRow>,
    /// Scans left out, by reason.
    pub left_out: BTreeMap<&'static str, usize>,
    /// The forms that were looked at.
    pub choice: Vec<AllometricCandidate>,
    /// By study bird: what its scans add to the coefficients' estimate.
    influences: BTreeMap<usize, DVector<f64>>,
    /// How the equations' standard normal errors move the coefficients.
    shared: DMatrix<f64>,
    /// Of each group with scans: column and slope of each coefficient.
    columns: Vec<Option<Columns>>,
}

/// Of each coefficient of a group its column in the linear model, none of a break's weight
/// that could not be moved, and its derivative in that.
type Columns = Vec<(Option<usize>, f64)>;

/// Models a trait of a study by allometry on its weight curves.
///
/// `shared` states how the masses are correlated by the error of the equations that made them
/// (none: no such error): records x k, the error of each record in grams for one standard
/// deviation of each of k independent normal errors; so its product with its transpose is
/// the shared covariance of the records. Given the same k errors for fat, lean and bone,
/// their sum gets its true standard error (`closure`).
///
/// # Errors
/// [`crate::ErrorKind::Call`] where `shared` has not one row a record.
///
/// # Example
/// ```
/// use pinfeather::study::Records;
/// use pinfeather::trajectory::allometric::{Options, of_study};
/// # use pinfeather::study::Study;
/// # use pinfeather::trajectory::PopulationFit;
/// # fn example(study: &Study, fat: &Records, weight: &PopulationFit) -> pinfeather::Result<()> {
/// let outcome = of_study(study, fat, weight, None, &Options::default())?;
/// println!("{}", outcome.sentence);
/// if let Some(fit) = &outcome.fit {
///     // Typical fat of the first strain at 112 d, with its standard error.
///     if let Some(at) = fit.typical(0, 112.0) {
///         println!("{} g, standard error {:?} g", at.value, at.standard_error);
///     }
/// }
/// # Ok(())
/// # }
/// ```
pub fn of_study(
    study: &Study,
    records: &Records,
    weight: &PopulationFit,
    shared: Option<&DMatrix<f64>>,
    options: &Options,
) -> Result<Outcome> {
    if let Some(shared) = shared
        && shared.nrows() != records.values.len()
    {
        return Err(Error::call(format!(
            "shared errors of {}: found {} rows, expected one for each of {} records",
            records.name,
            shared.nrows(),
            records.values.len()
        )));
    }
    let growth_curve = |reason: &str| Outcome {
        description: Description::GrowthCurve,
        sentence: format!(
            "{} is described by growth curves in age, since {reason}.",
            capitalised(&records.name)
        ),
        reason: reason.to_owned(),
        fit: None,
    };
    let Some(weights) = weight.outcome.fit() else {
        return Ok(growth_curve("body weight could not be fitted"));
    };
    let scans = Scans::of(study, records, weight, weights, options);
    Ok(
        match fitting::fit(study, records, (weight, weights), scans, shared, options) {
            Ok(fit) => Outcome {
                description: Description::Allometric,
                sentence: fit.sentence(),
                reason: String::new(),
                fit: Some(Box::new(fit)),
            },
            Err(reason) => growth_curve(&format!("its allometry could not be fitted ({reason})")),
        },
    )
}

fn capitalised(name: &str) -> String {
    let mut letters = name.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

impl AllometricFit {
    /// How log mass depends on log weight.
    #[must_use]
    pub fn allometry(&self) -> &Allometry {
        self.curve.allometry()
    }

    /// Covariance of one group's terms, p x p row-major; zero of a group without scans.
    #[must_use]
    pub fn group_covariance(&self, group: usize) -> Vec<f64> {
        let p = self.curve.terms().len();
        // Symmetric: by columns is by rows.
        let block = self.joint_covariance.view((group * p, group * p), (p, p));
        block.iter().copied().collect()
    }

    /// A group's typical curve as the estimates of a fit; none of a group without scans.
    #[must_use]
    pub fn group_estimates(&self, group: usize) -> Option<Estimates> {
        let terms = self.group_terms.get(group)?.as_ref()?;
        let error = self.covariance_error.clone();
        Some(Estimates {
            covariance_error: error.map(|error| (error, group)),
            ..self.estimates(terms, &self.group_covariance(group), group)
        })
    }

    /// A bird's curve, by its place in the weight model; none in a group without scans.
    #[must_use]
    pub fn bird_estimates(&self, subject: usize) -> Option<Estimates> {
        let bird = self.birds.get(subject)?.as_ref()?;
        Some(self.estimates(&bird.terms, &bird.covariance, bird.group))
    }

    fn estimates(&self, terms: &[f64], covariance: &[f64], group: usize) -> Estimates {
        let sigma = self.residual_sd.value;
        Estimates {
            terms: terms.into(),
            covariance: covariance.into(),
            weights: None,
            sigma,
            rss: sigma * sigma * self.n as f64,
            log_lik: self.log_lik,
            n: self.n,
            parameters: self.parameters,
            variance: Variance::LogNormal,
            variance_power: 1.0,
            iterations: 0,
            relative_offset: 0.0,
            df: self.df,
            covariance_error: None,
            ar1: None,
            reach: self.reaches[group],
        }
    }

    /// Mass of the typical bird of a group at an age, g; none of a group without scans.
    #[must_use]
    pub fn typical(&self, group: usize, age_d: f64) -> Option<Estimated> {
        let terms = self.group_terms.get(group)?.as_ref()?;
        let mut gradient = vec![0.0; terms.len()];
        let value = self.curve.value_and_gradient(age_d, terms, &mut gradient);
        Some(Estimated {
            value,
            standard_error: Some(self.error_of(&[(group, gradient)])),
        })
    }

    /// Mass of the typical bird of the first group minus that of the second at an age, g.
    #[must_use]
    pub fn difference(&self, first: usize, second: usize, age_d: f64) -> Option<Estimated> {
        let one = self.group_terms.get(first)?.as_ref()?;
        let other = self.group_terms.get(second)?.as_ref()?;
        let (mut a, mut b) = (vec![0.0; one.len()], vec![0.0; one.len()]);
        let value = self.curve.value_and_gradient(age_d, one, &mut a)
            - self.curve.value_and_gradient(age_d, other, &mut b);
        for b in &mut b {
            *b = -*b;
        }
        Some(Estimated {
            value,
            standard_error: Some(self.error_of(&[(first, a), (second, b)])),
        })
    }

    /// Standard error of a sum of gradients, each in the terms of a group.
    fn error_of(&self, gradients: &[(usize, Vec<f64>)]) -> f64 {
        let p = self.curve.terms().len();
        let mut whole = DVector::zeros(self.joint_covariance.nrows());
        for (group, gradient) in gradients {
            for (j, g) in gradient.iter().enumerate() {
                whole[group * p + j] += g;
            }
        }
        whole
            .dot(&(&self.joint_covariance * &whole))
            .max(0.0)
            .sqrt()
    }

    fn sentence(&self) -> String {
        let form = self.choice.iter().find(|row| row.chosen);
        format!(
            "{} is described by allometry on the birds' weight curves ({}; {} scans of {} birds).",
            capitalised(&self.trait_name),
            form.map_or("line", |row| &row.name),
            self.n,
            self.birds_scanned
        )
    }
}
