//! Targets, uniformity and forecasts.

use super::super::Paper;
use super::super::curve_words;
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
        let mut against = verdict.deviations.iter();
        if against.any(|row| row.against.is_ok()) {
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

    /// How birds weighed without names were described.
    pub(super) fn samples(&self, cited: &mut References) -> Option<String> {
        let of = self.analysis.growth.sampled.as_ref()?;
        let mut text = "Birds that were not identified were taken as random samples of their pen (or house) at each occasion.".to_owned();
        match &of.model {
            Ok(model) => {
                text += &format!(
                    " The logarithm of body weight was described by a {} curve for each group with random effects of pens, of days common to all pens and of occasions of one pen, and an SD between birds that depends on age, estimated by restricted maximum likelihood from the number, mean and variance of the birds of each occasion {}",
                    curve_words(model.curve.name()),
                    cited.cite(Source::LindstromBates)
                );
                let together = self.analysis.study.samples.rows.iter();
                if together.clone().any(|row| row.together.is_some()) {
                    text += "; birds weighed together entered by their mean and number";
                }
                if model.within_birds().is_some() {
                    text += "; ringed birds entered with the correlation of a bird's weighings";
                }
                text += &format!(
                    ". Standard errors of means include the birds drawn and the variation between occasions; degrees of freedom are Satterthwaite's {}.",
                    cited.cite(Source::Satterthwaite)
                );
            }
            Err(why) => {
                text += &format!(
                    " No growth curve was fitted ({why}): standard errors of means are those of drawing birds alone."
                );
            }
        }
        text += " Means of houses and of the flock are weighted by the birds kept where these numbers are known, otherwise by the birds weighed.";
        Some(text)
    }

    pub(super) fn forecasts(&self, cited: &mut References) -> Vec<String> {
        let verdict = self.analysis.verdict.as_ref();
        let Some(ahead) = verdict.and_then(|verdict| verdict.ahead.as_ref()) else {
            return Vec::new();
        };
        let mut all = Vec::new();
        if ahead
            .traits
            .iter()
            .any(|one| one.unnamed && one.reason.is_none())
        {
            all.push(self.unnamed_forecasts(cited));
        }
        let named = || ahead.traits.iter().filter(|one| !one.unnamed);
        let rows = || named().flat_map(|one| &one.rows);
        if !rows().any(|row| row.forecast.is_some()) {
            return all;
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
            let masses: Vec<String> = named()
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
        all.push(text);
        all
    }

    /// How means of pens of unnamed birds were forecast.
    fn unnamed_forecasts(&self, cited: &mut References) -> String {
        format!(
            "Later means of pens, houses and the flock of unnamed birds were forecast from the last eight weeks: the logarithm of a pen's mean over its course (the target, or the typical curve of an earlier flock) was described by a level, a random walk and a damped slope of the flock {}, a shift of the course's pre-lay growth spurt in time, effects and random walks of pens, and effects of days and occasions; variances were averaged over their posterior. Prediction intervals ({}) are of the mean of all birds as weighed on one day.",
            cited.cite(Source::Harvey),
            self.percent()
        )
    }
}
