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
//! f is a line, a broken line or a natural spline, its exponent common or by group; age and
//! an exponent by bird enter where they are chosen (`candidate.rs` states the rule). The
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
mod design;
mod egg;
mod scans;
mod shares;

use std::collections::BTreeMap;
use std::sync::Arc;

use nalgebra::{DMatrix, DVector};

pub use candidate::AllometricCandidate;
use candidate::{FittedForm, choose, influences, prepare, rmse, shared_effect};
use egg::egg_offset;
pub use egg::{EggOffset, FEWEST_EGG_SCANS};
use scans::Scans;
pub use scans::{EggWeight, ScanRow, WeightFrom};
pub use shares::{Closure, closure};

use super::population::{Cohort, PopulationFit};
use crate::error::{Error, Result};
use crate::fit::estimable::Reach;
use crate::fit::mixed::{CovarianceError, Estimated, MixedFit};
use crate::fit::{Estimates, Variance};
use crate::growth::{AllometricCurve, Allometry, Curve};
use crate::stats::linear_mixed::Likelihood;
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

/// Groups up to which quantities have degrees of freedom of their own.
const MOST_GROUPS: usize = 24;

/// An allometric model of a trait on the curves of body weight.
#[derive(Debug, Clone)]
pub struct AllometricFit {
    /// From what each quantity of the groups has degrees of freedom of its own: the weight
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
    /// Residual SD of log mass beside the own errors; zero where they explain all.
    pub residual_sd: Estimated,
    /// Effect of an egg in the body on log mass, where scans with one are in the model.
    pub egg_effect: Option<Estimated>,
    /// What an egg weighs, where scale weights and curves say it.
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
/// `shared` says how the masses hang together by the error of the equations that made them
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
        fit: None,
    };
    let Some(weights) = weight.outcome.fit() else {
        return Ok(growth_curve("body weight could not be fitted"));
    };
    let scans = Scans::of(study, records, weight, weights, options);
    Ok(
        match fit(study, records, (weight, weights), scans, shared, options) {
            Ok(fit) => Outcome {
                description: Description::Allometric,
                sentence: fit.sentence(),
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

/// The geometric mean weight at the scans to one digit, and their mean age to the day.
fn reference(scans: &Scans) -> (f64, f64) {
    let n = scans.rows.len() as f64;
    let log = scans.rows.iter().map(|row| row.weight_g.ln()).sum::<f64>() / n;
    let digit = 10f64.powf((log / std::f64::consts::LN_10).floor());
    let age_d = scans.rows.iter().map(|row| row.age_d).sum::<f64>() / n;
    ((log.exp() / digit).round() * digit, age_d.round())
}

fn fit(
    study: &Study,
    records: &Records,
    (weight, weights): (&PopulationFit, &MixedFit),
    mut scans: Scans,
    shared: Option<&DMatrix<f64>>,
    options: &Options,
) -> std::result::Result<AllometricFit, String> {
    if scans.rows.is_empty() {
        return Err(match scans.left_out.keys().next() {
            Some(reason) => format!("no scan can be used: {reason}"),
            None => "there is no scan of a single bird".to_owned(),
        });
    }
    let reference = reference(&scans);
    let working = prepare(&mut scans, reference.0)?;
    let (form, choice) = choose(&scans, &working, reference)?;
    let full = form.fit(&scans, &working, Likelihood::Full)?;
    let fitted = form.fit(&scans, &working, Likelihood::Restricted)?;
    let of_eggs = shared.and_then(|shared| Some((shared, eggs_shared(records, shared.ncols())?)));
    let of_eggs = of_eggs.as_ref().map(|(shared, eggs)| (*shared, eggs));
    let egg_offset = egg_offset(&fitted, &scans, &working, of_eggs);
    let fitted = fitted.with_break(&scans);
    let factor = shared.map_or_else(
        || DMatrix::zeros(scans.rows.len(), 0),
        |shared| scans.log_factor(shared, &working.fitted_g),
    );
    let moved = shared_effect(&fitted, &factor);
    let covariance = &fitted.fit.covariance + &moved * moved.transpose();
    let curve = Arc::new(AllometricCurve::new(
        weight.curve.clone(),
        form.allometry.clone(),
    ));
    let layout = &fitted.layout;
    let groups = weight.cohort.groups.len();
    let columns = (0..groups).map(|group| {
        let place = layout.groups.iter().position(|own| *own == group)?;
        let (_, slopes) = form.coefficients(layout, place, &fitted.fit.fixed);
        Some(layout.of_group(place).into_iter().zip(slopes).collect())
    });
    let columns: Vec<Option<Columns>> = columns.collect();
    let group_terms = (0..groups).map(|group| {
        let place = layout.groups.iter().position(|own| *own == group)?;
        let (own, _) = form.coefficients(layout, place, &fitted.fit.fixed);
        Some([weights.group(group), &own].concat())
    });
    let group_terms: Vec<Option<Vec<f64>>> = group_terms.collect();
    let joint_covariance = joint_covariance(weights, &columns, &covariance, curve.terms().len());
    let sd = |at: usize, variance: f64| {
        let error = fitted.fit.variance_errors[at];
        let sd = variance.sqrt();
        Estimated {
            value: sd,
            standard_error: error.filter(|_| sd > 0.0).map(|error| error / (2.0 * sd)),
        }
    };
    let random = fitted.fit.random_variances.iter().copied().enumerate();
    let mut random = random.map(|(k, v)| (v > 0.0).then(|| sd(k + 1, v)));
    let birds = birds(
        weights,
        weight,
        &fitted,
        &scans,
        (&factor, &moved),
        &group_terms,
    );
    let of_birds = scans.starts.iter().zip(influences(&fitted));
    let influences = of_birds.map(|(first, effect)| (scans.rows[*first].bird, effect));
    let known = study.traits.iter().position(|own| own.name == records.name);
    let df = scans.birds().saturating_sub(layout.groups.len()).max(1);
    Ok(AllometricFit {
        covariance_error: covariance_error(weights, &joint_covariance, df),
        trait_name: records.name.clone(),
        curve,
        cohort: Arc::new(Cohort::of(
            study,
            records,
            known.unwrap_or(study.traits.len()),
            &options.groups,
            |_| true,
        )),
        weight_cohort: weight.cohort.clone(),
        group_terms,
        joint_covariance,
        birds,
        reaches: reaches(&scans, groups),
        log_lik: full.mass_log_lik(&scans),
        n: scans.rows.len(),
        birds_scanned: scans.birds(),
        parameters: choice
            .iter()
            .find(|row| row.chosen)
            .map_or(full.fit.parameters, |row| row.parameters),
        df,
        bird_sd: random.next().flatten(),
        bird_slope_sd: random.next().flatten(),
        residual_sd: sd(0, fitted.fit.residual_variance),
        egg_effect: egg_effect(&fitted, &covariance),
        egg_weight: scans.egg_weight,
        egg_offset,
        left_out_rmse: rmse(&full.last_scans()),
        influences: influences.collect(),
        left_out: std::mem::take(&mut scans.left_out),
        scans: scans.rows,
        choice,
        shared: moved,
        columns,
    })
}

/// How well the covariance of the groups' terms is known: what comes from the weight curves as
/// well as their variance terms, the rest as well as this number of birds allows. `None` of very many
/// groups, whose blocks of all pairs would not fit into memory.
fn covariance_error(
    weights: &MixedFit,
    joint: &DMatrix<f64>,
    df: usize,
) -> Option<Arc<CovarianceError>> {
    let error = weights.covariance_error.as_ref()?;
    let groups = weights.reaches.len();
    if groups > MOST_GROUPS {
        return None;
    }
    let p = joint.nrows() / groups.max(1);
    let block = |a: usize, b: usize| -> Vec<f64> {
        let entry = |at: usize| joint[(a * p + at / p, b * p + at % p)];
        (0..p * p).map(entry).collect()
    };
    Some(Arc::new(error.extended(p, block, df as f64)))
}

/// How the equations' errors move the masses of scans with an egg, in the columns of the
/// other masses; none where that is not known.
fn eggs_shared(records: &Records, k: usize) -> Option<DMatrix<f64>> {
    let eggs = &records.with_egg;
    let known = eggs.iter().all(|egg| egg.shared.len() == k);
    known.then(|| DMatrix::from_fn(eggs.len(), k, |row, column| eggs[row].shared[column]))
}

fn egg_effect(fitted: &FittedForm, covariance: &DMatrix<f64>) -> Option<Estimated> {
    fitted.layout.egg.then(|| {
        let column = fitted.layout.egg_column();
        Estimated {
            value: fitted.fit.fixed[column],
            standard_error: Some(covariance[(column, column)].max(0.0).sqrt()),
        }
    })
}

/// Covariance of the weight terms of all groups beside that of the coefficients.
fn joint_covariance(
    weights: &MixedFit,
    columns: &[Option<Columns>],
    covariance: &DMatrix<f64>,
    p: usize,
) -> DMatrix<f64> {
    let groups = columns.len();
    let mut joint = DMatrix::zeros(groups * p, groups * p);
    let own = p - columns.iter().flatten().next().map_or(0, Vec::len);
    let count = weights.fixed.len();
    let place = |term: usize, group: usize| {
        weights.fixed.iter().position(|effect| {
            effect.term == term && effect.group.is_none_or(|known| known == group)
        })
    };
    for a in (0..groups).filter(|group| columns[*group].is_some()) {
        for b in (0..groups).filter(|group| columns[*group].is_some()) {
            for i in 0..own {
                for j in 0..own {
                    if let (Some(row), Some(column)) = (place(i, a), place(j, b)) {
                        joint[(a * p + i, b * p + j)] =
                            weights.fixed_covariance[row * count + column];
                    }
                }
            }
            let (one, other) = (columns[a].iter().flatten(), columns[b].as_ref());
            for (i, (row, slope)) in one.enumerate() {
                for (j, (column, other_slope)) in other.into_iter().flatten().enumerate() {
                    if let (Some(row), Some(column)) = (row, column) {
                        joint[(a * p + own + i, b * p + own + j)] =
                            slope * other_slope * covariance[(*row, *column)];
                    }
                }
            }
        }
    }
    joint
}

/// The curve of each bird of the weight model.
///
/// The mode of a bird's effects is `K (y - Z b)`, K its shrinkage; its error has the
/// variance `G - K R G` and is independent of the coefficients' but for `-K Z (b - true)`.
fn birds(
    weights: &MixedFit,
    weight: &PopulationFit,
    fitted: &FittedForm,
    scans: &Scans,
    (factor, moved): (&DMatrix<f64>, &DMatrix<f64>),
    group_terms: &[Option<Vec<f64>>],
) -> Vec<Option<BirdCurve>> {
    let FittedForm {
        form,
        layout,
        model,
        fit,
    } = fitted;
    let own = weight.curve.terms().len();
    let scanned: BTreeMap<usize, usize> = (0..scans.birds())
        .map(|subject| (scans.rows[scans.starts[subject]].bird, subject))
        .collect();
    let spread = DMatrix::from_diagonal(&DVector::from_column_slice(&fit.random_variances));
    let of_bird = |(at, bird): (usize, &usize)| {
        let group = weights.subject_groups[at];
        group_terms[group].as_ref()?;
        let place = layout.groups.iter().position(|known| *known == group)?;
        let (mut terms, _) = form.coefficients(layout, place, &fit.fixed);
        let columns = layout.of_group(place);
        let k = terms.len();
        // Rows: ln a and the other coefficients of this bird in the fixed effects.
        let mut select = DMatrix::zeros(k, layout.len());
        for (row, column) in columns.iter().enumerate() {
            if let Some(column) = column {
                select[(row, *column)] = 1.0;
            }
        }
        let q = fit.random_variances.len();
        let mut left = spread.clone();
        let mut modes = DVector::zeros(q);
        let mut shared = &select * moved;
        let subject = scanned.get(bird);
        if let Some(subject) = subject {
            let (first, rows) = (scans.starts[*subject], scans.starts[subject + 1]);
            let shrinkage = fit.shrinkage(model, *subject);
            let z = model.fixed.rows(first, rows - first);
            let r = model.random.rows(first, rows - first);
            modes = fit.modes(model, *subject);
            left -= &shrinkage * r * &spread;
            let back = &shrinkage * z;
            let direct = &shrinkage * factor.rows(first, rows - first) - &back * moved;
            for effect in 0..q {
                for column in 0..layout.len() {
                    select[(effect, column)] -= back[(effect, column)];
                }
                for column in 0..shared.ncols() {
                    shared[(effect, column)] += direct[(effect, column)];
                }
            }
        }
        let mut inner =
            &select * &fit.covariance * select.transpose() + &shared * shared.transpose();
        for a in 0..q {
            for b in 0..q {
                inner[(a, b)] += left[(a, b)];
            }
        }
        if q > 0 {
            terms[0] *= modes[0].exp();
        }
        if q > 1 {
            terms[1] += modes[1];
        }
        let p = own + k;
        let mut covariance = vec![0.0; p * p];
        let of_weight = weights.subject_covariance(at);
        for i in 0..own {
            covariance[i * p..i * p + own].copy_from_slice(&of_weight[i * own..(i + 1) * own]);
        }
        let slope = |row: usize| if row == 0 { terms[0] } else { 1.0 };
        for i in 0..k {
            for j in 0..k {
                covariance[(own + i) * p + own + j] = slope(i) * slope(j) * inner[(i, j)];
            }
        }
        Some(BirdCurve {
            group,
            terms: [weights.subject(at), &terms].concat(),
            covariance,
            scans: subject.map_or(0, |subject| {
                scans.starts[subject + 1] - scans.starts[*subject]
            }),
        })
    };
    weight
        .cohort
        .birds
        .iter()
        .enumerate()
        .map(of_bird)
        .collect()
}

/// How far the scans of each group reach.
fn reaches(scans: &Scans, groups: usize) -> Vec<Reach> {
    let mut reaches = vec![Reach::NOTHING; groups];
    for row in &scans.rows {
        let reach = &mut reaches[row.group];
        reach.first_d = reach.first_d.min(row.age_d);
        reach.last_d = reach.last_d.max(row.age_d);
        reach.largest = reach.largest.max(row.mass_g);
    }
    reaches
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
