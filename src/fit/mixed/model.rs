//! The options of a mixed model by name, checked once into a [`MixedModel`].

use super::scale::TermScale;
use crate::error::{Error, Result};
use crate::fit::Variance;
use crate::growth::Curve;

/// Which terms have a separate fixed effect in each group.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum GroupedTerms {
    /// None: one value for all groups.
    #[default]
    None,
    /// Every term.
    All,
    /// These.
    Named(Vec<String>),
}

/// Scale on which a random effect is normal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum RandomScale {
    /// The subject's term is the fixed effect plus the random effect.
    #[default]
    Natural,
    /// The subject's term is the fixed effect times exp(random effect), so that it
    /// keeps its sign; the fixed effect is the median subject's.
    Log,
}

/// A term that differs between subjects.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RandomTerm {
    /// The term's name.
    pub term: String,
    /// Scale on which its random effect is normal.
    pub scale: RandomScale,
}

impl RandomTerm {
    /// Random on the natural scale.
    #[must_use]
    pub fn natural(term: &str) -> Self {
        Self {
            term: term.to_owned(),
            scale: RandomScale::Natural,
        }
    }

    /// Random on the log scale.
    #[must_use]
    pub fn log(term: &str) -> Self {
        Self {
            term: term.to_owned(),
            scale: RandomScale::Log,
        }
    }
}

/// Covariance of a subject's random effects.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Covariance {
    /// Independent effects.
    #[default]
    Diagonal,
    /// Correlated effects.
    Full,
}

/// Correlation of a subject's residuals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Correlation {
    /// Independent residuals.
    #[default]
    None,
    /// Continuous-time autoregression: phi to the power of the days apart.
    Ar1,
}

/// What is maximised.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Criterion {
    /// Likelihood: needed to compare models with different fixed effects.
    #[default]
    Likelihood,
    /// Restricted likelihood of the linearised model: less biased random SDs.
    /// Only with [`Estimator::Alternating`].
    RestrictedLikelihood,
}

/// How the integral over the random effects is approximated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Estimator {
    /// Alternation of penalised least squares and a linearised mixed model
    /// (Lindstrom and Bates 1990): the classical method, and the fastest.
    #[default]
    Alternating,
    /// Laplace approximation, its Hessian by expected information.
    Laplace,
    /// Adaptive Gauss-Hermite quadrature.
    Quadrature {
        /// Nodes a random effect.
        nodes: Nodes,
    },
}

/// How many nodes a random effect the quadrature takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Nodes {
    /// As many as it takes until more of them change the log-likelihood by less than
    /// 0.001 and would move no estimate by more than 0.01 standard errors.
    #[default]
    Converged,
    /// A fixed number, 1 (Laplace's approximation) to 64; in a fit, the number used.
    Fixed(usize),
}

/// The options of a mixed model, by name; [`MixedModel::new`] checks them.
#[derive(Debug, Clone, Default)]
pub struct MixedOptions {
    /// Terms with a fixed effect in each group.
    pub grouped: GroupedTerms,
    /// Terms with a random effect; none gives a marginal model.
    pub random: Vec<RandomTerm>,
    /// Terms without one because the data do not support its variance, in which subjects may
    /// differ all the same: their own curves allow for that (see `unsupported.rs`), the groups'
    /// do not. Only by restricted likelihood.
    pub unsupported: Vec<RandomTerm>,
    /// Terms with a random effect of the subjects' cluster beside that (see
    /// [`Subjects::with_clusters`](super::Subjects::with_clusters)): independent of each
    /// other, each on the scale of the subjects' effect on the same term.
    /// Only with [`Estimator::Alternating`].
    pub cluster: Vec<RandomTerm>,
    /// Whether a cluster has one effect common to all these terms, as a factor that scales
    /// several asymptotes, in place of an effect of each.
    pub common_cluster: bool,
    /// Whether the errors of the groups' terms are those by the variation between clusters, in
    /// whatever clusters differ (see `between_clusters.rs`), in place of the model's: for
    /// groups that whole clusters are given to.
    pub between_clusters: bool,
    /// Pairs (lower, upper) of terms that stay in order for the fixed effects and
    /// for each subject: a random effect of `upper` acts on ln(upper - lower).
    pub ordered: Vec<(String, String)>,
    /// Covariance of the random effects.
    pub covariance: Covariance,
    /// How the residual spread depends on the fitted value.
    pub variance: Variance,
    /// Correlation of the residuals.
    pub correlation: Correlation,
    /// What is maximised.
    pub criterion: Criterion,
    /// How.
    pub estimator: Estimator,
}

/// A mixed model, its options checked: ready to be fitted to any subjects.
#[derive(Debug, Clone)]
pub struct MixedModel<'c> {
    pub(super) curve: &'c dyn Curve,
    pub(super) grouped: Vec<bool>,
    /// Indices of the random terms, in the order of the options.
    pub(super) random: Vec<usize>,
    /// Indices of the terms without one that subjects' own curves allow for, and whether on the
    /// log scale.
    pub(super) unsupported: Vec<(usize, RandomScale)>,
    /// Whether a prior keeps the spreads off zero.
    pub(super) off_zero: bool,
    /// Indices of the terms with a cluster effect, in the order of the options.
    pub(super) cluster: Vec<usize>,
    /// Whether a cluster has one effect common to these.
    pub(super) common_cluster: bool,
    pub(super) between_clusters: bool,
    pub(super) scales: Vec<TermScale>,
    pub(super) covariance: Covariance,
    pub(super) variance: Variance,
    pub(super) correlation: Correlation,
    pub(super) criterion: Criterion,
    pub(super) estimator: Estimator,
}

/// Most quadrature points a subject: beyond this a fit would not end today.
const MOST_POINTS: usize = 20_000;

const MOST_NODES: usize = 64;

/// Most nodes a random effect with this number of random effects.
fn most_nodes(effects: usize) -> usize {
    let points = |nodes: usize| (0..effects).try_fold(1_usize, |sum, _| sum.checked_mul(nodes));
    (1..=MOST_NODES)
        .take_while(|nodes| points(*nodes).is_some_and(|points| points <= MOST_POINTS))
        .last()
        .unwrap_or(1)
}

impl<'c> MixedModel<'c> {
    /// Checks the options against the curve's terms.
    ///
    /// # Errors
    /// A name that is no term of the curve, a term named twice, an order that
    /// cannot be kept, restricted likelihood or cluster effects with an estimator that
    /// has none, a cluster effect on another scale than the subjects' effect on the same
    /// term, a number of nodes that cannot be computed.
    pub fn new(curve: &'c dyn Curve, options: &MixedOptions) -> Result<Self> {
        let count = curve.terms().len();
        let mut scales = vec![TermScale::Natural; count];
        let random = effects(curve, &options.random, "random term")?;
        let cluster = effects(curve, &options.cluster, "cluster term")?;
        let unsupported = effects(curve, &options.unsupported, "unsupported term")?;
        if let Some(both) = unsupported.iter().find(|term| random.contains(term)) {
            return Err(Error::call(format!(
                "unsupported term {}: found it among the random terms too",
                curve.terms()[*both].name
            )));
        }
        let scales_of = options.unsupported.iter().map(|term| term.scale);
        let unsupported = unsupported.into_iter().zip(scales_of).collect();
        for (at, own) in cluster.iter().zip(&options.cluster) {
            let of_subjects = options.random.iter().find(|other| other.term == own.term);
            if of_subjects.is_some_and(|other| other.scale != own.scale) {
                return Err(Error::call(format!(
                    "cluster term {}: found another scale than that of the subjects' random effect, expected the same",
                    curve.terms()[*at].name
                )));
            }
        }
        let all = random.iter().chain(&cluster);
        for (at, term) in all.zip(options.random.iter().chain(&options.cluster)) {
            if term.scale == RandomScale::Log {
                scales[*at] = TermScale::Log;
            }
        }
        let mut grouped = match &options.grouped {
            GroupedTerms::None => vec![false; count],
            GroupedTerms::All => vec![true; count],
            GroupedTerms::Named(names) => {
                let mut grouped = vec![false; count];
                for name in names {
                    grouped[index(curve, name)?] = true;
                }
                grouped
            }
        };
        for (lower, upper) in &options.ordered {
            let (low, high) = (index(curve, lower)?, index(curve, upper)?);
            if low == high
                || matches!(scales[low], TermScale::Above(_))
                || scales.contains(&TermScale::Above(high))
            {
                return Err(Error::call(format!(
                    "order of {lower} and {upper}: a term can stand above one other, which itself stands free"
                )));
            }
            scales[high] = TermScale::Above(low);
            // The upper term moves with the lower, so both have the same groups.
            let either = grouped[low] || grouped[high];
            grouped[low] = either;
            grouped[high] = either;
        }
        if options.criterion == Criterion::RestrictedLikelihood
            && options.estimator != Estimator::Alternating
        {
            return Err(Error::call(
                "restricted likelihood: only the alternating estimator has one; take maximum likelihood or the alternating estimator",
            ));
        }
        if !cluster.is_empty() && options.estimator != Estimator::Alternating {
            return Err(Error::call(
                "cluster effects: only the alternating estimator has them; take it, or leave the cluster terms out",
            ));
        }
        if let Estimator::Quadrature {
            nodes: Nodes::Fixed(nodes),
        } = options.estimator
        {
            let most = most_nodes(random.len());
            if !(1..=most).contains(&nodes) {
                return Err(Error::call(format!(
                    "quadrature with {nodes} nodes on {} random terms: expected 1 to {most} nodes, which are {MOST_POINTS} points a subject at most; take fewer nodes or fewer random terms",
                    random.len()
                )));
            }
        }
        Ok(Self {
            curve,
            grouped,
            random,
            unsupported,
            off_zero: false,
            common_cluster: options.common_cluster && cluster.len() > 1,
            between_clusters: options.between_clusters,
            cluster,
            scales,
            covariance: options.covariance,
            variance: options.variance,
            correlation: options.correlation,
            criterion: options.criterion,
            estimator: options.estimator,
        })
    }

    /// The curve.
    #[must_use]
    pub fn curve(&self) -> &'c dyn Curve {
        self.curve
    }

    /// Indices of the random terms in the curve's order of terms, in the order of
    /// the options (and of the random SDs of a fit).
    #[must_use]
    pub fn random_terms(&self) -> &[usize] {
        &self.random
    }
}

/// Indices of terms with an effect, each named once.
fn effects(curve: &dyn Curve, terms: &[RandomTerm], what: &str) -> Result<Vec<usize>> {
    let mut found = Vec::with_capacity(terms.len());
    for RandomTerm { term, .. } in terms {
        let at = index(curve, term)?;
        if found.contains(&at) {
            return Err(Error::call(format!("{what} {term}: named twice")));
        }
        found.push(at);
    }
    Ok(found)
}

fn index(curve: &dyn Curve, name: &str) -> Result<usize> {
    curve
        .terms()
        .iter()
        .position(|term| term.name == name)
        .ok_or_else(|| {
            let known: Vec<&str> = curve.terms().iter().map(|term| &*term.name).collect();
            Error::call(format!(
                "term {name}: the curve {} has none of that name; it has {}",
                curve.name(),
                known.join(", ")
            ))
        })
}
