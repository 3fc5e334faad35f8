//! Do strains differ: in what, by how much, from which age?
//!
//! The groups (strains, treatments, pens, or these together) are compared by the model of
//! each trait, which has fixed effects by group, or by pooled fits; what is compared
//! follows from the terms of all groups and their joint covariance.
//!
//! Start reading at [`compare`]. `joint.rs` finds the terms of the groups, `pairs.rs`
//! compares them term by term ([`Against`] selects with what), `whole_curve.rs` tests whole
//! curves, `by_age.rs` reports from which age two curves differ. Relations between traits are
//! in [`allometry`] and [`fat_share`]. It draws and writes nothing.

pub mod allometry;
mod bootstrap;
mod by_age;
pub mod fat_share;
mod grouping;
mod joint;
mod mean_of_all;
mod pairs;
pub mod scanning_effect;
pub mod treatment_start;
mod whole_curve;

use std::sync::Arc;

use crate::error::{Error, Result};
use crate::fit::Settings;
use crate::growth::Curve;
use crate::stats::multiple::Simultaneous;
use crate::study::{FixedEffectOf, Study};
use crate::trajectory::{Cohort, Design, TraitModel, derived_quantities};

pub use by_age::{AgeDifference, PairByAge};
pub use grouping::Groups;
pub use joint::{Difference, Joint, Source};
pub use pairs::{Contrast, NoContrast, of_quantity};
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

/// Draws behind the law of the greatest |t| of several comparisons: its 95 % point is known to
/// 0.01.
const DRAWS: usize = 10_000;

/// How p values are adjusted for the number of comparisons.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Adjust {
    /// By the simulated law of the greatest |t| of all comparisons of all terms and derived
    /// quantities of a trait (what is named by an age or a mass is a family by itself);
    /// intervals stay those of one comparison. Groups compared with the mean of all: by
    /// Holm's method over the same family.
    #[default]
    MaxT,
    /// Holm's, within each term; intervals stay those of one comparison.
    Holm,
    /// Tukey's, within each term; intervals cover all pairs together. Groups compared with
    /// the mean of all: by the simulated law of the greatest |t| among them.
    Tukey,
    /// Not at all.
    None,
}

/// What is to be compared, and how.
#[derive(Debug, Clone)]
pub struct Request {
    /// Curves of pooled fits, each fitted to every group.
    pub curves: Vec<Arc<dyn Curve>>,
    /// What sets the groups apart, together: the fixed effects of the models compared.
    pub by: Vec<FixedEffectOf>,
    /// The models of the traits, or a pooled fit for each group.
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
    /// The law of the greatest |t| among the contrasts, by which their P values are adjusted;
    /// `None` where they are adjusted otherwise.
    pub law: Option<Simultaneous>,
    /// Tests of whole curves.
    pub tests: Vec<CurveTest>,
    /// The difference along age, pair by pair.
    pub by_age: Vec<PairByAge>,
    /// What was done otherwise than requested, in words; may be empty.
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
    /// The request.
    pub request: Request,
}

/// Compares the groups of a study in every trait; `done` is called after each model or curve that
/// is finished, and of each replicate of a bootstrap.
///
/// A trait whose model has no numbers is compared by pooled fits of its curve, with a note;
/// a curve that cannot be fitted to two groups has no numbers, and a note with the reason.
///
/// # Errors
/// Fewer than two groups; a term that no curve has.
pub fn compare(
    study: &Study,
    models: &[TraitModel],
    request: &Request,
    done: &(dyn Fn(usize) + Sync),
) -> Result<Comparison> {
    let groups = Groups::of(study, &request.by);
    groups.at_least_two()?;
    check_terms(models, request)?;
    let mut compared = Vec::new();
    match request.source {
        Source::Mixed => {
            for model in models {
                compared.push(of_model(study, &groups, model, request, done)?);
                done(1);
            }
        }
        Source::Pooled => {
            for trait_index in 0..study.traits.len() {
                for curve in &request.curves {
                    let one = (trait_index, curve);
                    compared.push(by_pooled_fits(study, &groups, one, request, done)?);
                    done(1);
                }
            }
        }
    }
    Ok(Comparison {
        groups,
        compared,
        request: request.clone(),
    })
}

/// Every term requested is one of a curve's, or a derived quantity.
fn check_terms(models: &[TraitModel], request: &Request) -> Result<()> {
    let mut known: Vec<String> = Vec::new();
    let of_models = models.iter().map(TraitModel::curve);
    for curve in request.curves.iter().cloned().chain(of_models) {
        known.extend(curve.terms().iter().map(|term| term.name.to_string()));
    }
    let derived = derived_quantities(&request.ages_d, &request.masses_g);
    known.extend(derived.iter().map(|what| what.name().into_owned()));
    let mut seen = std::collections::HashSet::new();
    known.retain(|name| seen.insert(name.clone()));
    match request.terms.iter().find(|name| !known.contains(name)) {
        None => Ok(()),
        Some(name) => Err(Error::call(format!(
            "--terms {name}: no requested curve has it, expected of {}; correct the name",
            known.join(", ")
        ))),
    }
}

impl Compared {
    fn nothing(trait_index: usize, curve: &str) -> Self {
        Self {
            trait_index,
            curve: curve.to_owned(),
            joint: None,
            contrasts: Vec::new(),
            not_estimable: Vec::new(),
            law: None,
            tests: Vec::new(),
            by_age: Vec::new(),
            notes: Vec::new(),
        }
    }

    /// Everything that is compared of these groups.
    fn fill(
        &mut self,
        joint: Joint,
        groups: &Groups,
        (refit, request): (&Refit<'_>, &Request),
        done: &(dyn Fn(usize) + Sync),
    ) -> Result<()> {
        self.tests = whole_curve::tests(&joint, groups, request.adjust);
        ((self.contrasts, self.not_estimable), self.law) = pairs::contrasts(&joint, request);
        if request.replicates > 0 {
            bootstrap::put_intervals(
                &mut self.contrasts,
                &joint,
                refit,
                (request, request.replicates),
                done,
            )?;
        }
        self.by_age = by_age::differences(&joint, request);
        self.joint = Some(joint);
        Ok(())
    }
}

/// The groups by the model of a trait; by pooled fits of its curve where that has no
/// numbers.
fn of_model(
    study: &Study,
    groups: &Groups,
    model: &TraitModel,
    request: &Request,
    done: &(dyn Fn(usize) + Sync),
) -> Result<Compared> {
    let curve = model.curve();
    let Some(joint) = joint::of_model(model, &groups.names) else {
        let one = (model.trait_index, &curve);
        let mut compared = by_pooled_fits(study, groups, one, request, done)?;
        let reason = model.reasons().join("; ");
        compared.notes.insert(
            0,
            format!("no model of all birds ({reason}); pooled fits are compared"),
        );
        return Ok(compared);
    };
    let mut compared = Compared::nothing(model.trait_index, curve.name());
    let design = model.design.as_ref();
    compared
        .notes
        .extend(design.map(Design::untestable).unwrap_or_default());
    if joint.groups.len() < 2 {
        if compared.notes.is_empty() {
            let name = &study.traits[model.trait_index].name;
            compared.notes.push(too_few(name));
        }
        return Ok(compared);
    }
    if model.allometry().is_none() && !model.note.is_empty() {
        compared.notes.push(model.note.clone());
    }
    compared
        .notes
        .extend(model.reasons().into_iter().map(str::to_owned));
    compared.fill(joint, groups, (&Refit::Model(model), request), done)?;
    Ok(compared)
}

fn too_few(trait_name: &str) -> String {
    format!("fewer than two of the groups have records of {trait_name}: nothing to compare")
}

/// The groups by a pooled fit each; those that have one pen only, where pens are the unit, are
/// compared with none.
fn by_pooled_fits(
    study: &Study,
    groups: &Groups,
    (trait_index, curve): (usize, &Arc<dyn Curve>),
    request: &Request,
    done: &(dyn Fn(usize) + Sync),
) -> Result<Compared> {
    let records = &study.traits[trait_index];
    let cohort = Cohort::of(study, records, trait_index, &request.by, |_| true);
    let design = Design::of(study, &cohort).ok();
    let design = design.as_ref();
    let testable = |group: &usize| {
        let mut named = cohort.groups.iter();
        let at = named.position(|own| own.name == groups.names[*group]);
        at.zip(design)
            .is_none_or(|(at, design)| design.testable(at).is_ok())
    };
    let all: Vec<usize> = (0..groups.names.len()).collect();
    let whole = Sample::of(records, groups, &all);
    let present: Vec<usize> = all
        .into_iter()
        .filter(|group| whole.birds_in(*group) > 0 && testable(group))
        .collect();
    let mut compared = Compared::nothing(trait_index, curve.name());
    compared
        .notes
        .extend(design.map(Design::untestable).unwrap_or_default());
    if present.len() < 2 {
        if compared.notes.is_empty() {
            compared.notes.push(too_few(&records.name));
        }
        return Ok(compared);
    }
    let sample = Sample::of(records, groups, &present);
    let sample = if design.is_some_and(Design::has_pen_effects) {
        sample.in_pens(study)
    } else {
        sample
    };
    let mut notes = Vec::new();
    let found = joint::pooled(&sample, curve, request, &mut notes);
    let new_notes = notes
        .into_iter()
        .map(|(group, reason)| format!("{}: {reason}", groups.names[group]));
    compared.notes.extend(new_notes);
    match found {
        Some((joint, fits)) => {
            let refit = Refit::Pooled {
                sample: &sample,
                fits: &fits,
            };
            compared.fill(joint, groups, (&refit, request), done)?;
        }
        None => compared.notes.push(format!(
            "no two of the groups support the curve {}: nothing is compared; try another curve",
            curve.name()
        )),
    }
    Ok(compared)
}
