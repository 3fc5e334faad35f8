//! Targets, uniformity and forecasts.

use super::super::Paper;
use super::super::sources::{References, Source};
use super::super::words::spaced;
use crate::flock::Predictor;
use crate::report::prose::listed;

impl Paper<'_> {
    pub(super) fn targets(&self, cited: &mut References) -> Vec<String> {
        let Some(verdict) = &self.analysis.verdict else {
            return Vec::new();
        };
        let mut all = Vec::new();
        if !verdict.deviations.is_empty() {
            all.push(format!(
                "Targets were interpolated between the tabulated ages by a monotone piecewise cubic {}. The deviation in days was defined as the age at which the target equals the observed mass minus the age at weighing. [State the source of the targets.]",
                cited.cite(Source::FritschCarlson)
            ));
        }
        let judged = |one: &crate::flock::FlockUniformity| one.uniformity.near_mean.is_some();
        if verdict.uniformities.iter().any(judged) {
            all.push(format!(
                "Uniformity was defined as the percentage of birds within {} % of the mean of their group at that age, with Wilson confidence limits {}; coefficients of variation have Vangel's limits {}.",
                verdict.within_pct,
                cited.cite(Source::Wilson),
                cited.cite(Source::Vangel)
            ));
        }
        all
    }

    pub(super) fn forecasts(&self, cited: &mut References) -> Vec<String> {
        let verdict = self.analysis.verdict.as_ref();
        let Some(ahead) = verdict.and_then(|verdict| verdict.ahead.as_ref()) else {
            return Vec::new();
        };
        let rows = || ahead.traits.iter().flat_map(|one| &one.rows);
        if !rows().any(|row| row.forecast.is_some()) {
            return Vec::new();
        }
        let uses = |wanted: Predictor| {
            rows().any(|row| {
                row.predictors
                    .iter()
                    .any(|(predictor, _)| *predictor == wanted)
            })
        };
        let mut text =
            "Later body weights were forecast from each bird's weighings so far.".to_owned();
        if uses(Predictor::RelativeToTarget) {
            text += &format!(
                " The logarithm of weight relative to target was extrapolated by a linear Gaussian state-space model with levels, random walks and damped slopes of strains and birds {}, fitted by restricted maximum likelihood, in which the timing of the target's second phase is an unknown of strain and bird.",
                cited.cite(Source::Harvey)
            );
        }
        if uses(Predictor::OwnModel) || uses(Predictor::SavedPopulation) {
            let whose = if uses(Predictor::SavedPopulation) {
                "a mixed model estimated from an earlier flock"
            } else {
                "the mixed model of this flock"
            };
            text += &format!(
                " Each bird's curve was also predicted from its weighings by {whose} {}.",
                cited.cite(Source::Henderson)
            );
        }
        if rows().any(|row| row.predictors.len() > 1) {
            text += &format!(
                " Predictors were weighted by the accuracy of their forecasts as of earlier ages {}, and the intervals include the difference between predictors.",
                cited.cite(Source::Yao)
            );
        }
        if uses(Predictor::Allometry) {
            let masses: Vec<String> = ahead
                .traits
                .iter()
                .filter(|one| {
                    let mut rows = one.rows.iter();
                    rows.any(|row| {
                        row.predictors
                            .iter()
                            .any(|part| part.0 == Predictor::Allometry)
                    })
                })
                .map(|one| spaced(&self.analysis.study.traits[one.trait_index].name))
                .collect();
            text += &format!(
                " Masses of {} were forecast by allometry at the forecast body weight.",
                listed(&masses)
            );
        }
        text += &format!(
            " Prediction intervals ({}) are of a single weighing of a bird, or of the mean of such weighings of a group.",
            self.percent()
        );
        if !ahead.backtest.is_empty() {
            text += " The forecasts were evaluated by repeating them as of every third week from the middle of the study and as of the named ages, using only what was then known (backtest.csv).";
        }
        if !ahead.departures.is_empty() {
            text += &format!(
                " Departures from predicted growth were detected with CUSUM charts of the forecast errors {}, after removal of what the birds of a strain had in common at an age.",
                cited.cite(Source::Page)
            );
        }
        vec![text]
    }
}
