//! Timing cues and the onset of lay.

use super::super::Paper;
use super::super::sources::{References, Source};
use crate::maturity::{CueError, LayMethod, MaturityFamily, OnsetFamily, RiseOrigin};
use crate::report::prose::listed;
use crate::report::rounding;

impl Paper<'_> {
    pub(super) fn onset(&self, cited: &mut References) -> Vec<String> {
        let Some(lay) = &self.analysis.lay else {
            return Vec::new();
        };
        let mut all = Vec::new();
        if lay.cues.iter().any(|cue| cue.age.is_ok()) && !lay.cue_summary.is_empty() {
            all.push("Ages at characteristic points of the growth curves (inflection or peaks of gain, fractions of mature weight, given weights) were estimated for each bird and compared with its age at first egg. These associations apply to the strains and the light programme of this study.".to_owned());
        }
        if !lay.curves.is_empty() {
            let mut methods: Vec<LayMethod> = Vec::new();
            for curve in &lay.curves {
                if !methods.contains(&curve.method) {
                    methods.push(curve.method);
                }
            }
            let methods: Vec<String> = methods
                .into_iter()
                .map(|method| match method {
                    LayMethod::Turnbull => format!(
                        "Turnbull's method, for first eggs known to lie between two inspections {}",
                        cited.cite(Source::Turnbull)
                    ),
                    LayMethod::KaplanMeier => {
                        format!(
                            "the Kaplan-Meier method {}",
                            cited.cite(Source::KaplanMeier)
                        )
                    }
                })
                .collect();
            all.push(format!(
                "The proportion of birds in lay by age was estimated by {}; birds without an egg when last seen were censored at that age.",
                listed(&methods)
            ));
        }
        all.extend(self.maturity_by_eggs(cited));
        all.extend(self.onset_models(cited));
        if !lay.at_first_egg.values.is_empty() {
            all.push("Body weight and composition at first egg were read from each bird's curve. Each measure was evaluated as a threshold by predicting that a bird lays when it reaches the mean of the other birds.".to_owned());
        }
        if let Some(forecast) = lay.forecast() {
            let waiting = lay.waiting();
            let tested = waiting.is_some_and(|waiting| !waiting.backtest.rows.is_empty());
            let by = match &forecast.first_egg {
                Some(found) => format!(
                    "a joint model of growth and first egg {}: age at first egg is the age of the bird's pre-lay growth spurt plus a lag by group, effects of its other growth terms and a normal error, given the mode and covariance of its random effects; birds that are late are a mixture component; lag and effects were estimated from {}",
                    cited.cite(Source::WulfsohnTsiatis),
                    if found.earlier_flock {
                        "an earlier flock"
                    } else {
                        "the birds of this flock, with birds that had not laid as censored"
                    }
                ),
                None => format!(
                    "accelerated failure time models averaged by their Akaike weights {}",
                    cited.cite(Source::BurnhamAnderson)
                ),
            };
            all.push(format!(
                "First eggs of birds not in lay when last seen were forecast by {by}, with {} prediction intervals{}.",
                self.percent(),
                if tested {
                    "; the forecasts were evaluated by repeating them as of earlier ages (onset_backtest.csv)"
                } else {
                    ""
                }
            ));
        }
        all
    }

    /// How the onset was estimated from eggs counted in pens.
    fn maturity_by_eggs(&self, cited: &mut References) -> Option<String> {
        let eggs = self.analysis.lay.as_ref()?.eggs.as_ref()?;
        let families: Vec<&str> = eggs
            .families
            .iter()
            .map(|(family, _)| match family {
                MaturityFamily::Normal => "normal",
                MaturityFamily::Weibull => "Weibull",
                MaturityFamily::LogNormal => "log-normal",
                MaturityFamily::LogLogistic => "log-logistic",
            })
            .collect();
        if families.is_empty() {
            return None;
        }
        let rise = match eggs.rise.origin {
            RiseOrigin::Assumed => "was assumed",
            RiseOrigin::Given => "was given",
            RiseOrigin::Ringed(_) => "was estimated from ringed birds with known first eggs",
        };
        let begins_at_sd = match 100.0 * eggs.rise.begins_at_sd {
            sd if sd > 0.0 => format!(", standard error {sd:.0} percentage points"),
            _ => String::new(),
        };
        Some(format!(
            "Age at sexual maturity (first egg) of hens whose eggs were counted by pen was estimated from hen-day production, eggs divided by hens alive. Extending the modified compartmental model {}, the number of hens in lay was a latent count given by a distribution of ages at first egg ({}; averaged by likelihood), and a hen's rate of lay rose after her first egg to a plateau and declined slowly. The rise (from {:.0} % of the plateau{begins_at_sd}, time constant {} d, standard error {} d) {rise}, because counts by pen cannot separate it from the spread of ages; its error is included. Generalised estimating equations {} with the covariance of counts of the same hens on successive days and of day effects were solved pen by pen, with random effects of pens within strains. A hen was in lay from her first egg; age at 50 % hen-day production is later.",
            cited.cite(Source::Yang),
            listed(&families),
            100.0 * eggs.rise.begins_at,
            rounding::significant(eggs.rise.days, 2),
            rounding::significant(eggs.rise.days_sd, 2),
            cited.cite(Source::LiangZeger)
        ))
    }

    fn onset_models(&self, cited: &mut References) -> Option<String> {
        let waiting = self.analysis.lay.as_ref()?.waiting()?;
        let models = &waiting.models.models;
        let answered: Vec<OnsetFamily> = models
            .iter()
            .filter(|model| model.result.is_ok())
            .map(|model| model.law)
            .collect();
        if models.is_empty() {
            return None;
        }
        if answered.is_empty() {
            return Some(
                "No model of the age at first egg could be estimated (reasons in onset_fits.csv)."
                    .to_owned(),
            );
        }
        let accelerated: Vec<&str> = [
            (OnsetFamily::Weibull, "Weibull"),
            (OnsetFamily::LogNormal, "log-normal"),
            (OnsetFamily::LogLogistic, "log-logistic"),
        ]
        .into_iter()
        .filter(|(law, _)| answered.contains(law))
        .map(|(_, words)| words)
        .collect();
        let mut families = Vec::new();
        if !accelerated.is_empty() {
            families.push(format!(
                "accelerated failure time models ({}) {}",
                listed(&accelerated),
                cited.cite(Source::KalbfleischPrentice)
            ));
        }
        if answered.contains(&OnsetFamily::ProportionalHazards) {
            families.push(format!(
                "proportional hazards models {}",
                cited.cite(Source::Cox)
            ));
        }
        let mut text = format!("Age at first egg was modelled by {}", listed(&families));
        let cues = models.iter().any(|model| !model.cues.is_empty());
        if cues {
            text += ", with all cues together, with each cue alone and without cues";
        }
        if self.analysis.study.strains.len() > 1 {
            text += ", and with an effect of strain";
        }
        text.push('.');
        if let Some(landmark_d) = waiting.landmark_d {
            text += &format!(
                " In a landmark analysis at {}, birds not yet laying were followed from that age {}",
                self.ages().show(landmark_d),
                cited.cite(Source::Anderson)
            );
            text += if cues {
                "; cues were estimated from weighings up to that age only."
            } else {
                "."
            };
        }
        let error = self.options.lay.as_ref().map(|wanted| wanted.cue_error);
        text += &match error.filter(|_| cues) {
            Some(CueError::Calibrated) => format!(
                " The estimation error of the cues was accounted for by regression calibration {} with bootstrap standard errors {}.",
                cited.cite(Source::CarrollError),
                cited.cite(Source::Efron)
            ),
            Some(CueError::AsMeasured) => {
                " The estimation error of the cues was not corrected for and attenuates their effects."
                    .to_owned()
            }
            None => String::new(),
        };
        let checked = models.iter().filter_map(|model| model.cross_validated);
        if checked.filter_map(|found| found.error_d).count() > 0 {
            text += &format!(
                " Models were evaluated by cross-validation, with the root mean square error (RMSE) of the predicted median age and the concordance of predicted and observed order {}.",
                cited.cite(Source::Harrell)
            );
            if cues {
                text += " A cue is recommended only if it reduces the mean squared error by more than one standard error of that reduction.";
            }
        }
        Some(text)
    }
}
