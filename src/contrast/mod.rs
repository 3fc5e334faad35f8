//! Do strains differ: in what, by how much, from which age?
//!
//! Every curve is fitted to all groups (strains, treatments or pens), pooled or as one
//! mixed model with fixed effects by group; what is compared follows from the terms of
//! all groups and their joint covariance.
//!
//! Start reading at [`compare`]. `joint.rs` finds the terms of the groups, `pairs.rs`
//! compares them term by term ([`Against`] says with what), `whole_curve.rs` tests whole curves, `by_age.rs` tells
//! from which age two curves differ. How the traits go together is in [`allometry`]
//! and [`fat_share`]. It draws and writes nothing.

pub mod allometry;
mod bootstrap;
mod by_age;
pub mod fat_share;
mod grouping;
mod joint;
mod mean_of_all;
mod pairs;
mod whole_curve;

use std::sync::Arc;

use crate::error::{Error, Result};
use crate::fit::Settings;
use crate::fit::mixed::{Covariance, Estimator};
use crate::growth::Curve;
use crate::study::Study;
use crate::trajectory::derived_quantities;

pub use by_age::{AgeDifference, PairByAge};
pub use grouping::{By, Groups};
pub use joint::{Difference, Joint, Source};
pub use pairs::{Contrast, NoContrast};
pub use whole_curve::CurveTest;

use bootstrap::Refit;
use grouping::Sample;

/// What a group is compared with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Against {
    /// Another group, an index into the names.
    Group(usize),
    /// The mean of all groups that have a fit, the group itself among them.
    MeanOfAll,
}

impl Against {
    /// Up to this many groups are compared pair by pair, more each with the mean of all:
    /// of thirteen there are 78 pairs, and what stands out is lost among them.
    pub const MOST_IN_PAIRS: usize = 12;

    /// The group's name, or `mean of all`.
    #[must_use]
    pub fn name(self, names: &[String]) -> &str {
        match self {
            Self::Group(group) => &names[group],
            Self::MeanOfAll => "mean of all",
        }
    }
}

/// How p values are adjusted for the number of comparisons.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Adjust {
    /// Holm's, within each term; intervals stay those of one comparison.
    #[default]
    Holm,
    /// Tukey's, within each term; intervals cover all pairs together. Groups compared with
    /// the mean of all: by the simulated law of the greatest |t| among them.
    Tukey,
    /// Not at all.
    None,
}

/// How the mixed fit is made.
#[derive(Debug, Clone, Default)]
pub struct MixedWishes {
    /// Terms with a random effect by bird; the curve's mass, inflection and rate where empty.
    pub random: Vec<String>,
    /// Covariance of the random effects.
    pub covariance: Covariance,
    /// How the likelihood is maximised.
    pub estimator: Estimator,
}

/// What is to be compared, and how.
#[derive(Debug, Clone)]
pub struct Request {
    /// Curves, each fitted to every group.
    pub curves: Vec<Arc<dyn Curve>>,
    /// What sets the groups apart.
    pub by: By,
    /// One mixed fit of all birds, or a pooled fit for each group.
    pub source: Source,
    /// Terms and derived quantities to compare; all where empty.
    pub terms: Vec<String>,
    /// How p values are adjusted.
    pub adjust: Adjust,
    /// Confidence of intervals and bands.
    pub confidence: f64,
    /// Ages at which value and rate are compared, d.
    pub ages_d: Vec<f64>,
    /// Masses whose age is compared, g.
    pub masses_g: Vec<f64>,
    /// Variance model.
    pub settings: Settings,
    /// Weight at hatch for the anchored curves where there is no weighing at age 0.
    pub hatch_weight_g: Option<f64>,
    /// How a mixed fit is made.
    pub mixed: MixedWishes,
    /// Refits with birds drawn again that the intervals of contrasts are read from; 0
    /// takes them from standard errors.
    pub replicates: usize,
    /// Seed of everything drawn at random.
    pub seed: u64,
}

/// One curve of one trait, compared between the groups.
#[derive(Debug, Clone)]
pub struct Compared {
    /// Index into the study's traits.
    pub trait_index: usize,
    /// The curve's name.
    pub curve: String,
    /// The terms of the groups; `None` where fewer than two groups have a fit.
    pub joint: Option<Joint>,
    /// Terms and derived quantities, pair by pair.
    pub contrasts: Vec<Contrast>,
    /// Those that the data of a group do not determine.
    pub not_estimable: Vec<NoContrast>,
    /// Tests of whole curves.
    pub tests: Vec<CurveTest>,
    /// The difference along age, pair by pair.
    pub by_age: Vec<PairByAge>,
    /// What went otherwise than asked, in words; may be empty.
    pub notes: Vec<String>,
}

impl Compared {
    /// The comparisons along age that a reader is shown: all pairs; of groups compared with
    /// the mean of all the `most` that stand out most clearly ([`PairByAge::clearness`]),
    /// in the order of the groups.
    #[must_use]
    pub fn clearest(&self, most: usize) -> Vec<&PairByAge> {
        let mut all: Vec<&PairByAge> = self.by_age.iter().collect();
        if all.iter().any(|one| one.b == Against::MeanOfAll) {
            all.sort_by(|one, next| next.clearness().total_cmp(&one.clearness()));
            all.truncate(most);
            all.sort_by_key(|one| one.a);
        }
        all
    }
}

/// Everything compared.
#[derive(Debug, Clone)]
pub struct Comparison {
    /// The groups.
    pub groups: Groups,
    /// Trait by trait, curve by curve.
    pub compared: Vec<Compared>,
}

/// Compares the groups of a study in every trait and curve; `done` is told of each
/// curve that is finished, and of each replicate of a bootstrap.
///
/// A curve that cannot be fitted to two groups is no error: it has no numbers, and a
/// note that says why.
///
/// # Errors
/// Fewer than two groups; a term that no curve has; mixed options that do not go
/// together.
pub fn compare(
    study: &Study,
    request: &Request,
    done: &(dyn Fn(usize) + Sync),
) -> Result<Comparison> {
    let groups = Groups::of(study, request.by);
    groups.at_least_two()?;
    check_terms(request)?;
    let mut compared = Vec::new();
    for trait_index in 0..study.traits.len() {
        for curve in &request.curves {
            compared.push(one_curve(
                study,
                &groups,
                (trait_index, curve),
                request,
                done,
            )?);
            done(1);
        }
    }
    Ok(Comparison { groups, compared })
}

/// Every term asked for is one of a curve's, or a derived quantity.
fn check_terms(request: &Request) -> Result<()> {
    let mut known: Vec<String> = Vec::new();
    for curve in &request.curves {
        known.extend(curve.terms().iter().map(|term| term.name.to_string()));
    }
    let derived = derived_quantities(&request.ages_d, &request.masses_g);
    known.extend(derived.iter().map(|what| what.name().into_owned()));
    let mut seen = std::collections::HashSet::new();
    known.retain(|name| seen.insert(name.clone()));
    match request.terms.iter().find(|name| !known.contains(name)) {
        None => Ok(()),
        Some(name) => Err(Error::call(format!(
            "--terms {name}: no curve asked for has it, expected of {}; correct the name",
            known.join(", ")
        ))),
    }
}

fn one_curve(
    study: &Study,
    groups: &Groups,
    (trait_index, curve): (usize, &Arc<dyn Curve>),
    request: &Request,
    done: &(dyn Fn(usize) + Sync),
) -> Result<Compared> {
    let records = &study.traits[trait_index];
    let sample_of = |kept: &[usize]| Sample::of(records, groups, kept);
    let all: Vec<usize> = (0..groups.names.len()).collect();
    let whole = sample_of(&all);
    let present: Vec<usize> = all
        .iter()
        .copied()
        .filter(|group| whole.birds_in(*group) > 0)
        .collect();
    let sample = sample_of(&present);
    let mut compared = Compared {
        trait_index,
        curve: curve.name().to_owned(),
        joint: None,
        contrasts: Vec::new(),
        not_estimable: Vec::new(),
        tests: Vec::new(),
        by_age: Vec::new(),
        notes: Vec::new(),
    };
    if present.len() < 2 {
        compared.notes.push(format!(
            "fewer than two of the groups have records of {}: nothing to compare",
            records.name
        ));
        return Ok(compared);
    }
    let found = match request.source {
        Source::Mixed => population(&sample_of, &sample, curve, request, &mut compared)?,
        Source::Pooled => None,
    };
    let found = match found {
        Some(found) => Some(found),
        None => pooled(&sample_of, &sample, groups, curve, request, &mut compared),
    };
    if let Some((joint, refit)) = found {
        (compared.contrasts, compared.not_estimable) = pairs::contrasts(&joint, request);
        if request.replicates > 0 {
            bootstrap::put_intervals(
                &mut compared.contrasts,
                &joint,
                (&sample, &refit),
                (request, request.replicates),
                done,
            )?;
        }
        compared.by_age = by_age::differences(&joint, request);
        compared.joint = Some(joint);
    }
    Ok(compared)
}

/// The groups by one mixed fit; `None`, with a note, where it has no maximum.
fn population(
    sample_of: &dyn Fn(&[usize]) -> Sample,
    sample: &Sample,
    curve: &Arc<dyn Curve>,
    request: &Request,
    compared: &mut Compared,
) -> Result<Option<(Joint, Refit)>> {
    if curve.needs_hatch_weight() {
        compared.notes.push(
            "each group has its own weight at hatch, so that no one mixed fit holds all; pooled fits are compared"
                .to_owned(),
        );
        return Ok(None);
    }
    let fitted = joint::population_fit(&**curve, &sample.subjects()?, request)?;
    match fitted {
        Ok(fit) => {
            compared.notes.extend(fit.reasons.iter().cloned());
            compared.tests =
                whole_curve::population(sample_of, &sample.kept, &fit, &**curve, request)?;
            let joint = joint::of_population(sample, curve, &fit);
            Ok(Some((joint, Refit::Population(Box::new(fit)))))
        }
        Err(reason) => {
            compared.notes.push(format!(
                "the mixed fit failed ({reason}); pooled fits are compared"
            ));
            Ok(None)
        }
    }
}

/// The groups by a pooled fit each; `None`, with notes, where fewer than two have one.
fn pooled(
    sample_of: &dyn Fn(&[usize]) -> Sample,
    sample: &Sample,
    groups: &Groups,
    curve: &Arc<dyn Curve>,
    request: &Request,
    compared: &mut Compared,
) -> Option<(Joint, Refit)> {
    let mut notes = Vec::new();
    let found = joint::pooled(sample, curve, request, &mut notes);
    for (group, reason) in notes {
        compared
            .notes
            .push(format!("{}: {reason}", groups.names[group]));
    }
    let Some((joint, fits)) = found else {
        compared.notes.push(format!(
            "no two of the groups support the curve {}: nothing is compared; try another curve",
            curve.name()
        ));
        return None;
    };
    compared.tests = whole_curve::pooled(sample_of, &joint.groups, &fits, curve, request);
    Some((joint, Refit::Pooled(fits)))
}
