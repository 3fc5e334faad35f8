//! Options of the fit of all birds at once, as clap reads them.

use clap::Args;

use super::choices::{self, one_of};
use crate::error::{Error, Result};
use crate::fit::Variance;
use crate::fit::mixed::{Correlation, Covariance, Criterion, Estimator, Nodes, RandomScale};
use crate::study::{FixedEffectOf, Study, Unit};
use crate::trajectory::{PopulationRequest, RandomTerms};

/// How all birds are fitted at once (--level population), and how a bird's residuals
/// go together at every level.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Fit of all birds at once")]
pub(crate) struct PopulationOptions {
    /// Correlation of a bird's residuals: none, or fading with the days apart [default: chosen
    /// by likelihood for all birds at once, none at the other levels]
    #[arg(long, value_parser = one_of(choices::CORRELATIONS))]
    correlation: Option<Correlation>,
    /// Terms that differ between birds, or none [default: chosen by likelihood]
    #[arg(long, value_name = "TERM[,TERM]", value_delimiter = ',')]
    random: Vec<String>,
    /// Scale on which they differ: by an amount, or by a factor [default: by a factor where a term
    /// cannot be negative]
    #[arg(long, value_parser = one_of(choices::SCALES))]
    random_scale: Option<RandomScale>,
    /// Whether these differences are independent or correlated [default: chosen by likelihood]
    #[arg(long, value_parser = one_of(choices::COVARIANCES))]
    covariance: Option<Covariance>,
    /// How the likelihood is approximated [default: alternating]
    #[arg(long, value_parser = one_of(choices::ESTIMATORS))]
    estimator: Option<Estimator>,
    /// Nodes a random term of the quadrature, 1 to 64 [default: as many as it takes until more change nothing that matters]
    #[arg(long, value_name = "N")]
    nodes: Option<usize>,
    /// What is maximised: the likelihood, or the restricted one [default: reml of the alternating estimator, else ml]
    #[arg(long, value_parser = one_of(choices::CRITERIA))]
    criterion: Option<Criterion>,
    /// The same as --criterion reml
    #[arg(long, conflicts_with = "criterion")]
    restricted: bool,
    /// Which birds share their fixed effects [default: strain, or as set in study.toml]
    #[arg(long, value_parser = one_of(choices::GROUPINGS), value_delimiter = ',', value_name = "NAME[,NAME]")]
    fixed_by: Vec<FixedEffectOf>,
    /// Fit growth curves in age to fat, lean and bone too, in place of allometry on body weight
    #[arg(long)]
    growth_curves: bool,
    /// Test whether two-phase curves have a second phase at all, by N simulated studies
    #[arg(long, value_name = "N")]
    second_phase_test: Option<std::num::NonZeroUsize>,
}

impl PopulationOptions {
    /// Correlation of the residuals.
    pub(crate) fn correlation(&self) -> Correlation {
        self.correlation.unwrap_or_default()
    }

    /// Studies to simulate in the test of a second phase, where that is requested.
    pub(crate) fn second_phase_studies(&self) -> Option<usize> {
        self.second_phase_test.map(std::num::NonZeroUsize::get)
    }

    /// That the options of the population level are not given without it.
    pub(crate) fn check_unused(&self) -> Result<()> {
        let given = [
            ("--random", !self.random.is_empty()),
            ("--random-scale", self.random_scale.is_some()),
            ("--covariance", self.covariance.is_some()),
            ("--estimator", self.estimator.is_some()),
            ("--nodes", self.nodes.is_some()),
            ("--criterion", self.criterion.is_some()),
            ("--restricted", self.restricted),
            ("--fixed-by", !self.fixed_by.is_empty()),
            ("--growth-curves", self.growth_curves),
            ("--second-phase-test", self.second_phase_test.is_some()),
        ];
        match given.iter().find(|(_, given)| *given) {
            Some((option, _)) => Err(Error::call(format!(
                "{option}: found without the level that it is for, expected --level population among the levels; add it or leave {option} out"
            ))),
            None => Ok(()),
        }
    }

    /// The fit of all birds at once that is requested.
    pub(crate) fn request(
        &self,
        study: &Study,
        variance: Option<Variance>,
    ) -> Result<PopulationRequest> {
        let estimator = match (self.estimator, self.nodes) {
            (Some(Estimator::Quadrature { .. }), nodes) => Estimator::Quadrature {
                nodes: nodes.map_or(Nodes::Converged, Nodes::Fixed),
            },
            (_, Some(nodes)) => {
                return Err(Error::call(format!(
                    "--nodes {nodes}: found without a quadrature, expected --estimator quadrature beside it"
                )));
            }
            (named, None) => named.unwrap_or_default(),
        };
        Ok(PopulationRequest {
            random: self.random_terms(),
            scale: self.random_scale,
            covariance: self.covariance,
            variance,
            allometry: !self.growth_curves,
            correlation: self.correlation,
            estimator,
            criterion: if self.restricted {
                Some(Criterion::RestrictedLikelihood)
            } else {
                self.criterion
            },
            groups: self.groups(study)?,
            pens: self.pens(study, estimator)?,
        })
    }

    /// Whether pens have effects where they are the unit of comparison: with the estimator
    /// that has them.
    fn pens(&self, study: &Study, estimator: Estimator) -> Result<bool> {
        let alternating = estimator == Estimator::Alternating;
        if study.settings.design.unit == Some(Unit::Pen) && !alternating {
            return Err(Error::call(
                "--estimator: found one without effects of pens, and unit = \"pen\" in study.toml, expected --estimator alternating; take it, or write unit = \"bird\"",
            ));
        }
        Ok(alternating)
    }

    fn random_terms(&self) -> RandomTerms {
        match self.random.as_slice() {
            [] => RandomTerms::Chosen,
            [none] if none == "none" => RandomTerms::Named(Vec::new()),
            names => RandomTerms::Named(names.to_vec()),
        }
    }

    /// What sets the groups of birds that share their fixed effects.
    pub(crate) fn groups(&self, study: &Study) -> Result<Vec<FixedEffectOf>> {
        let groups: Vec<FixedEffectOf> = if !self.fixed_by.is_empty() {
            self.fixed_by.clone()
        } else if let Some(groups) = &study.settings.fit.fixed_effects_by {
            groups.clone()
        } else {
            vec![FixedEffectOf::Strain]
        };
        for (by, known, name) in [
            (FixedEffectOf::Treatment, &study.treatments, "treatment"),
            (FixedEffectOf::Pen, &study.pens, "pen"),
        ] {
            if groups.contains(&by) && known.is_empty() {
                return Err(Error::call(format!(
                    "fixed effects by {name}: found no {name} in the tables, expected a column {name}; leave it out of --fixed-by or fit.fixed_effects_by"
                )));
            }
        }
        Ok(groups)
    }
}
