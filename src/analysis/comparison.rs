//! Do groups differ: the models of the traits compared, and how traits grow with each other.

use super::growth::Growth;
use super::options::{ComparisonOptions, Options};
use crate::contrast::allometry::{self, Allometry};
use crate::contrast::fat_share::{self, FatShare};
use crate::contrast::{self, Comparison, Source};
use crate::error::{Error, Result};
use crate::study::{BODY_WEIGHT, Study};

/// The groups of a study compared.
#[derive(Debug)]
pub struct Differences {
    /// Terms, derived quantities and whole curves, pair by pair.
    pub comparison: Comparison,
    /// Static allometry of the traits, where requested.
    pub allometries: Vec<Allometry>,
    /// Fat as a share of body weight, where requested.
    pub fat_shares: Vec<FatShare>,
}

impl Differences {
    /// The groups compared by the models of the traits; of a study without models by pooled
    /// fits of the strains' best curve. `None` where there is one group
    /// and that is no error.
    ///
    /// # Errors
    /// As [`contrast::compare`].
    pub(super) fn of(
        study: &Study,
        growth: &Growth,
        (options, wanted): (&Options, &ComparisonOptions),
    ) -> Result<Option<Self>> {
        if !wanted.needs_groups && !wanted.has_groups(study) {
            return Ok(None);
        }
        let models = &growth.trajectories.models;
        let unmodelled = wanted.source == Source::Mixed && models.is_empty();
        let wanted = &ComparisonOptions {
            source: if unmodelled {
                Source::Pooled
            } else {
                wanted.source
            },
            ..wanted.clone()
        };
        let request = options.contrast(wanted);
        let curves = match wanted.source {
            Source::Mixed => 1,
            Source::Pooled => request.curves.len(),
        };
        let progress = &options.progress;
        progress.begin(
            "comparing",
            study.traits.len() * (1 + curves * (1 + request.replicates)),
        );
        let done = |done| progress.advance(done);
        let mut comparison = contrast::compare(study, models, &request, &done)?;
        progress.end();
        if unmodelled {
            comparison.compared.retain(|one| {
                let best = growth.trajectories.best_of_strains(one.trait_index);
                best.is_some_and(|best| best.name() == one.curve)
            });
        }
        let groups = &comparison.groups;
        let (mut allometries, mut fat_shares) = (Vec::new(), Vec::new());
        if wanted.proportions {
            if let Some(on) = trait_of(study, wanted.allometry_on.as_deref())? {
                allometries = allometry::allometries(study, groups, on, options.confidence)?;
            }
            fat_shares = fat_share::fat_shares(study, groups, &request);
        }
        Ok(Some(Self {
            comparison,
            allometries,
            fat_shares,
        }))
    }
}

/// The trait that the others are set against; `None` where the study has one trait.
fn trait_of(study: &Study, name: Option<&str>) -> Result<Option<usize>> {
    let find = |name: &str| study.traits.iter().position(|records| records.name == name);
    let Some(name) = name else {
        return Ok((study.traits.len() > 1).then(|| find(BODY_WEIGHT).unwrap_or(0)));
    };
    match find(name) {
        Some(index) => Ok(Some(index)),
        None => {
            let known: Vec<&str> = study.traits.iter().map(|records| &*records.name).collect();
            Err(Error::call(format!(
                "--reference-trait {name}: no such trait, expected one of {}; correct the name",
                known.join(", ")
            )))
        }
    }
}
