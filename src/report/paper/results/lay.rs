//! When the birds came into lay, and what predicted it.

use super::super::Paper;
use super::super::words::{capital, count, cue, spaced, was};
use super::{estimate, of};
use crate::analysis::Answer;
use crate::maturity::{CueSet, CueSummary, EggQuantity, OnsetModel};
use crate::report::prose::listed;
use crate::report::rounding;
use crate::report::text::error_size;

impl Paper<'_> {
    pub(super) fn lay(&self, answers: &[Answer]) -> Vec<String> {
        let mut all: Vec<String> = Vec::new();
        all.extend(self.in_lay());
        all.extend(self.eggs_by_pen());
        all.extend(self.at_first_egg(answers));
        all.extend(self.cue_distance());
        all.extend(self.prediction());
        all.extend(self.eggs_ahead());
        all
    }

    fn in_lay(&self) -> Option<String> {
        let lay = self.analysis.lay.as_ref()?;
        let several = lay.records.strains.len() > 1;
        let each: Vec<String> = lay
            .curves
            .iter()
            .filter(|curve| curve.strain.is_some() == several || lay.curves.len() == 1)
            .map(|curve| {
                let name = curve
                    .strain
                    .map_or("all birds", |strain| &lay.records.strains[strain]);
                let half = curve
                    .ages
                    .iter()
                    .find(|age| age.share_pct.total_cmp(&50.0).is_eq());
                let half = half.and_then(|half| Some((half, half.age_d?)));
                let words = half.map_or_else(
                    || "not reached".to_owned(),
                    |(half, age_d)| {
                        let limits = match (half.lower_d, half.upper_d) {
                            (Some(lower), Some(upper)) => {
                                let span = self.ages().show_span(lower, upper);
                                format!(" ({} CI {span})", self.percent())
                            }
                            (Some(lower), None) => {
                                let lower = self.ages().show(lower);
                                format!(" ({} CI from {lower})", self.percent())
                            }
                            _ => String::new(),
                        };
                        format!("{}{limits}", self.ages().show(age_d))
                    },
                );
                format!(
                    "{words} in {name} ({} of {} birds had laid)",
                    curve.laid, curve.n
                )
            })
            .collect();
        (!each.is_empty()).then(|| {
            format!(
                "The age at 50 % in lay was {} {}.",
                listed(&each),
                self.see("table age_in_lay", "lay_curve")
            )
        })
    }

    /// Maturity by the eggs counted in pens.
    fn eggs_by_pen(&self) -> Option<String> {
        let eggs = self.analysis.lay.as_ref()?.eggs.as_ref()?;
        let study = &self.analysis.study;
        let each: Vec<String> = eggs
            .groups
            .iter()
            .map(|group| {
                let name = group
                    .strain
                    .map_or("pens of several strains", |strain| &study.strains[strain]);
                let of = |quantity: EggQuantity| {
                    let one = group
                        .estimates
                        .iter()
                        .find(|one| one.quantity == quantity)?;
                    one.value.as_ref().ok()
                };
                let pens = count(group.pens.len(), "pen");
                let Some((half, limits)) =
                    of(EggQuantity::InLay50).and_then(|one| Some((one.value, one.interval?)))
                else {
                    return format!("not estimable in {name} ({pens})");
                };
                let span = self.ages().show_span(limits.lower, limits.upper);
                let moments = of(EggQuantity::MeanAge).zip(of(EggQuantity::SdAge));
                let moments = moments.map_or_else(String::new, |(mean, sd)| {
                    format!(
                        "; mean {}, SD {} d",
                        self.ages().show(mean.value),
                        rounding::significant(sd.value, 2)
                    )
                });
                format!(
                    "{} ({} CI {span}{moments}) in {name} ({pens})",
                    self.ages().show(half),
                    self.percent()
                )
            })
            .collect();
        (!each.is_empty()).then(|| {
            format!(
                "By the eggs counted in pens, half of the hens had laid their first egg at {} {}.",
                listed(&each),
                self.see("table egg_maturity", "egg_production")
            )
        })
    }

    fn at_first_egg(&self, answers: &[Answer]) -> Option<String> {
        let study = &self.analysis.study;
        let each: Vec<String> = study
            .traits
            .iter()
            .filter_map(|records| {
                let masses = of(answers, "typical_mass_at_first_egg", &records.name);
                let masses: Vec<String> = masses
                    .iter()
                    .map(|one| format!("{} in {}", estimate(one), one.strain))
                    .collect();
                (!masses.is_empty())
                    .then(|| format!("{} was {}", spaced(&records.name), listed(&masses)))
            })
            .collect();
        let (first, rest) = each.split_first()?;
        let mut text =
            format!("At the mean age at first egg of the birds that had laid, typical {first}");
        for more in rest {
            text += &format!("; {more}");
        }
        Some(text + ".")
    }

    /// The cue whose distance to first egg varied least, by strain.
    fn cue_distance(&self) -> Option<String> {
        let study = &self.analysis.study;
        let lay = self.analysis.lay.as_ref()?;
        let each: Vec<String> = (0..study.strains.len())
            .filter_map(|strain| {
                let before = |row: &&CueSummary| {
                    row.strain == strain && row.mean_difference_d.is_some_and(|mean| mean > 0.0)
                };
                let rows = || lay.cue_summary.iter().filter(before);
                // Cues of a few birds are not set against those of most.
                let most = rows().map(|row| row.n).max()?;
                let least = rows()
                    .filter(|row| row.n > 2 && 2 * row.n > most)
                    .filter_map(|row| Some((row.sd_difference_d?, row)))
                    .min_by(|one, next| one.0.total_cmp(&next.0));
                let (sd_d, row) = least?;
                Some(format!(
                    "in {} the {} of {}, {} d before (SD {} d, n = {})",
                    study.strains[strain],
                    cue(&row.cue.name(), self.ages()),
                    spaced(&study.traits[row.trait_index].name),
                    rounding::significant(row.mean_difference_d?, 3),
                    rounding::significant(sd_d, 2),
                    row.n
                ))
            })
            .collect();
        (!each.is_empty()).then(|| {
            format!(
                "The cue with the smallest standard deviation of its distance to first egg was {} (table cues). Because the cue was selected by this standard deviation, it will probably vary more in other birds. [These are associations.]",
                listed(&each)
            )
        })
    }

    /// Which cue predicted the age at first egg.
    fn prediction(&self) -> Option<String> {
        let waiting = self.analysis.lay.as_ref()?.waiting()?;
        let models = &waiting.models;
        let error = |model: &OnsetModel| model.cross_validated?.error_d;
        let least = |with_cues: bool| {
            let all = models.models.iter();
            let all = all.filter(|model| (model.set == CueSet::None) != with_cues);
            let judged = all.filter_map(|model| Some((error(model)?, model)));
            judged.min_by(|one, next| one.0.total_cmp(&next.0))
        };
        let words = |error_d: f64| format!("{} d", error_size(error_d));
        let without = least(false);
        let without_words = without.map_or_else(String::new, |(error_d, _)| {
            format!("; {} without any cue", words(error_d))
        });
        let cues = |model: &OnsetModel| {
            let cues: Vec<String> = model
                .cues
                .iter()
                .map(|name| cue(name, self.ages()))
                .collect();
            listed(&cues)
        };
        if let Some(model) = models.recommended() {
            let error_d = error(model)?;
            return Some(format!(
                "{} predicted age at first egg best in cross-validation (RMSE {}{without_words}; {}, {} laid; table onset_fits). [State what this shows of the cue, and what it cannot show.]",
                capital(&cues(model)),
                words(error_d),
                count(model.n, "bird"),
                model.events
            ));
        }
        match (least(true), without) {
            (Some((error_d, model)), Some((without_d, _))) => Some(format!(
                "No cue improved the prediction of age at first egg in cross-validation: the best, {}, had an RMSE of {}, compared with {} without any cue ({}, {} laid; table onset_fits).",
                cues(model),
                words(error_d),
                words(without_d),
                count(model.n, "bird"),
                model.events
            )),
            (None, Some((error_d, model))) => Some(format!(
                "Without cues, age at first egg was predicted in cross-validation with an RMSE of {} ({}, {} laid; table onset_fits).",
                words(error_d),
                count(model.n, "bird"),
                model.events
            )),
            _ => {
                let mut reasons = models
                    .models
                    .iter()
                    .filter_map(|model| model.result.as_ref().err());
                Some(format!(
                    "No model of age at first egg could be evaluated{} (table onset_fits).",
                    reasons
                        .next()
                        .map_or_else(String::new, |reason| format!(": {reason}"))
                ))
            }
        }
    }

    fn eggs_ahead(&self) -> Option<String> {
        let forecast = self.analysis.lay.as_ref()?.forecast()?;
        let n = forecast.birds.len();
        (n > 0).then(|| {
            format!(
                "{} {} not in lay when last seen; their forecast first eggs are in table onset_forecast.",
                capital(&count(n, "bird")),
                was(n)
            )
        })
    }
}
