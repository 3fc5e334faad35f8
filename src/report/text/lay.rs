//! When the birds come into lay.

use super::Sentence;
use super::words::{Naming, capital, count, error_size, some_of};
use crate::age::AgeUnit;
use crate::analysis::{Analysis, Answer};
use crate::maturity::{EggGroup, EggOnset, EggQuantity, OnsetModel};
use crate::stats::Interval;
use crate::study::Study;

/// Birds that a sentence names.
const MOST_NAMED: usize = 8;

/// A strain's age at 50 % in lay.
#[derive(Debug, Clone)]
pub struct LayRow {
    /// The strain's place in the study's order; of a table, among its strains.
    pub place: usize,
    /// The strain.
    pub name: String,
    /// Age at 50 % in lay, d, with its interval (an open side is infinite); `None` where it
    /// was not reached.
    pub half_d: Option<(f64, Interval)>,
    /// Ages at the other shares, percent and d.
    pub ages_d: Vec<(f64, Option<f64>)>,
    /// Birds known to have laid.
    pub laid: usize,
    /// Birds.
    pub n: usize,
    /// The unit in which its ages are shown.
    pub ages: AgeUnit,
}

impl LayRow {
    /// `137 d (135 to 139)`, or that it is not yet reached.
    #[must_use]
    pub fn half_words(&self) -> String {
        self.half_d.map_or("not yet".to_owned(), |(age_d, limits)| {
            self.ages.show_interval(age_d, (limits.lower, limits.upper))
        })
    }

    /// `24 of 24`.
    #[must_use]
    pub fn laying_words(&self) -> String {
        format!("{} of {}", self.laid, self.n)
    }
}

/// A group of pens whose eggs were counted.
#[derive(Debug, Clone)]
pub struct EggRow {
    /// The strain; of pens of no one strain, `mixed pens`.
    pub name: String,
    /// Pens.
    pub pens: usize,
    /// Hens at the first count.
    pub hens: f64,
    /// Age by which half were in lay, d, with its interval; or why there is none.
    pub half_d: Result<(f64, Interval), String>,
    /// Mean and standard deviation of the age at sexual maturity, d.
    pub mean_and_sd_d: Option<(f64, f64)>,
    /// Age at 50 % hen-day production, d.
    pub half_production_d: Option<f64>,
    ages: AgeUnit,
}

impl EggRow {
    /// `137 d (135 to 139)`, or that it is not estimable.
    #[must_use]
    pub fn half_words(&self) -> String {
        match &self.half_d {
            Ok((age_d, limits)) => self
                .ages
                .show_interval(*age_d, (limits.lower, limits.upper)),
            Err(_) => "not estimable".to_owned(),
        }
    }

    /// `8.1 d`; empty where it is not estimable.
    #[must_use]
    pub fn sd_words(&self) -> String {
        self.mean_and_sd_d
            .map_or(String::new(), |(_, sd_d)| format!("{sd_d:.1} d"))
    }

    /// Age at 50 % hen-day production; empty where it is not estimable.
    #[must_use]
    pub fn production_words(&self) -> String {
        self.half_production_d
            .map_or(String::new(), |age_d| self.ages.show(age_d.round()))
    }

    /// `4 pens, 400 hens`.
    #[must_use]
    pub fn pens_words(&self) -> String {
        format!("{}, {:.0} hens", count(self.pens, "pen"), self.hens)
    }
}

/// A bird that is not laying yet.
#[derive(Debug, Clone)]
pub struct WaitingBird {
    /// Its name.
    pub name: String,
    /// Its strain.
    pub strain: String,
    /// Median of its predicted age at first egg, d, with its interval.
    pub first_egg_d: Option<(f64, Interval)>,
    /// The same if it is not one of the late birds, where they are known to be a share.
    pub on_time_d: Option<(f64, Interval)>,
}

/// Whether any measure predicts the age at first egg better than none.
#[derive(Debug, Clone, PartialEq)]
pub enum Cue {
    /// Root mean square error with these cues, and without any, d.
    Predicts(String, f64, f64),
    /// The least error with any, and the error without, d.
    NoHelp(f64, f64),
    /// None could be judged.
    NotJudged,
}

impl Cue {
    /// For the terminal.
    #[must_use]
    pub fn short(&self) -> String {
        match self {
            Self::Predicts(cue, with, without) => format!(
                "Cue: {cue} predicts first egg to {} d ({} d without)",
                error_size(*with),
                error_size(*without)
            ),
            Self::NoHelp(with, without) => format!(
                "Cues: no practical help (error {} d with, {} d without)",
                error_size(*with),
                error_size(*without)
            ),
            Self::NotJudged => "Cues: none could be judged".to_owned(),
        }
    }

    /// A sentence.
    #[must_use]
    pub fn sentence(&self) -> String {
        match self {
            Self::Predicts(cue, with, without) => format!(
                "{} predicted age at first egg best in cross-validation (root mean square error {} d; {} d without any cue).",
                capital(cue),
                error_size(*with),
                error_size(*without)
            ),
            Self::NoHelp(with, without) => format!(
                "No cue improved the prediction of age at first egg in cross-validation (root mean square error {} d with the best cue, {} d without any).",
                error_size(*with),
                error_size(*without)
            ),
            Self::NotJudged => {
                "No cue could be evaluated as a predictor of age at first egg.".to_owned()
            }
        }
    }
}

/// When the birds come into lay.
#[derive(Debug, Clone)]
pub struct Lay {
    /// A row a strain.
    pub rows: Vec<LayRow>,
    /// A row a group of pens whose eggs were counted.
    pub eggs: Vec<EggRow>,
    /// Birds not laying yet.
    pub waiting: Vec<WaitingBird>,
    /// Age as of which they are forecast, d.
    pub as_of_d: Option<f64>,
    /// Whether a measure predicts the first egg.
    pub cue: Option<Cue>,
    ages: AgeUnit,
}

impl Lay {
    pub(super) fn of(
        (analysis, naming): (&Analysis, Naming<'_>),
        answers: &[Answer],
    ) -> Option<Self> {
        let lay = analysis.lay.as_ref()?;
        let records = &lay.records;
        let rows = lay.curves.iter().filter_map(|curve| {
            let strain = curve.strain?;
            let name = &records.strains[strain];
            let half = answers
                .iter()
                .find(|answer| answer.quantity == "age_in_lay_50pct" && answer.strain == *name);
            let known = analysis.study.strains.iter();
            Some(LayRow {
                place: known.clone().position(|one| one == name).unwrap_or(strain),
                name: naming.name(name),
                half_d: half.and_then(|answer| answer.estimate.zip(answer.interval)),
                ages_d: curve
                    .ages
                    .iter()
                    .map(|age| (age.share_pct, age.age_d))
                    .collect(),
                laid: curve.laid,
                n: curve.n,
                ages: naming.ages,
            })
        });
        let rows: Vec<LayRow> = rows.collect();
        let eggs: Vec<EggRow> = lay
            .eggs
            .iter()
            .flat_map(|eggs| egg_rows(eggs, naming, &analysis.study))
            .collect();
        if rows.is_empty() && eggs.is_empty() {
            return None;
        }
        let forecast = lay.forecast();
        let waiting = answers
            .iter()
            .filter(|answer| answer.quantity == "first_egg_age");
        let waiting = waiting.map(|answer| {
            let on_time = answers.iter().find(|other| {
                other.quantity == "first_egg_age_if_on_time" && other.bird == answer.bird
            });
            WaitingBird {
                name: answer.bird.clone(),
                strain: naming.name(&answer.strain),
                first_egg_d: answer.estimate.zip(answer.interval),
                on_time_d: on_time.and_then(|answer| answer.estimate.zip(answer.interval)),
            }
        });
        Some(Self {
            rows,
            eggs,
            ages: naming.ages,
            waiting: waiting.collect(),
            as_of_d: forecast.map(|forecast| forecast.as_of_d),
            cue: lay.waiting().and_then(|waiting| cue(&waiting.models)),
        })
    }

    /// At which ages half of the birds were in lay, and how many laid.
    #[must_use]
    pub fn sentence(&self) -> Sentence {
        if self.rows.is_empty() {
            return Sentence::plain(self.egg_sentence().unwrap_or_default());
        }
        let mut half: Vec<(&LayRow, f64)> = self
            .rows
            .iter()
            .filter_map(|row| Some((row, row.half_d?.0)))
            .collect();
        half.sort_by(|a, b| a.1.total_cmp(&b.1));
        let age = |age_d: f64| self.ages.show(age_d.round());
        let lead = match half.as_slice() {
            [] => "No strain has half of its birds in lay.".to_owned(),
            [(row, _)] if self.rows.len() == 1 => {
                format!("Half of the birds were in lay at {}.", row.half_words())
            }
            few if few.len() <= 3 => {
                let each: Vec<String> = few
                    .iter()
                    .map(|(row, age_d)| format!("{} ({})", age(*age_d), row.name))
                    .collect();
                format!("Half of the birds were in lay at {}.", some_of(&each, 3))
            }
            [(first, first_d), .., (last, last_d)] => format!(
                "Half of the birds were in lay at {} ({}) to {} ({}).",
                age(*first_d),
                first.name,
                age(*last_d),
                last.name
            ),
            [(row, age_d)] => format!(
                "Half of the birds of {} were in lay at {}.",
                row.name,
                age(*age_d)
            ),
        };
        let unreached: Vec<String> = self
            .rows
            .iter()
            .filter(|row| row.half_d.is_none() && !half.is_empty())
            .map(|row| row.name.clone())
            .collect();
        let rest = if unreached.is_empty() {
            String::new()
        } else {
            format!(" Not yet reached by {}.", some_of(&unreached, 4))
        };
        Sentence::plain(format!("{lead}{rest}"))
    }

    /// At which ages half of the hens were in lay, by eggs counted in pens.
    #[must_use]
    pub fn egg_sentence(&self) -> Option<String> {
        let first = self.eggs.first()?;
        let known: Vec<String> = self
            .eggs
            .iter()
            .filter(|row| row.half_d.is_ok())
            .map(|row| match self.eggs.len() {
                1 => row.half_words(),
                _ => format!("{} ({})", row.half_words(), row.name),
            })
            .collect();
        let missing: Vec<String> = self
            .eggs
            .iter()
            .filter_map(|row| Some(format!("{}: {}", row.name, row.half_d.as_ref().err()?)))
            .collect();
        if known.is_empty() {
            let reason = first.half_d.as_ref().err().map_or("", String::as_str);
            return Some(format!(
                "By the eggs counted in pens, the age at 50 % in lay is not estimable: {reason}."
            ));
        }
        let mut text = format!(
            "By the eggs counted in pens, half of the hens were in lay at {}.",
            some_of(&known, 4)
        );
        if let Some(production) = self.eggs.iter().find_map(|row| row.half_production_d)
            && self.eggs.len() == 1
        {
            text += &format!(
                " Hen-day production reached 50 % at {}.",
                self.ages.show(production.round())
            );
        }
        if !missing.is_empty() {
            text += &format!(" Not estimable for {}.", some_of(&missing, 2));
        }
        Some(text)
    }

    /// How many birds are not laying yet, who they are, and when they are expected to.
    #[must_use]
    pub fn waiting_sentence(&self) -> Option<String> {
        let all: usize = self.rows.iter().map(|row| row.n).sum();
        if all == 0 {
            return None;
        }
        let laid: usize = self.rows.iter().map(|row| row.laid).sum();
        if laid == all {
            return Some(format!("All {} had laid.", count(all, "bird")));
        }
        if self.waiting.is_empty() {
            return Some(format!("{laid} of {} had laid.", count(all, "bird")));
        }
        let names: Vec<String> = self.waiting.iter().map(|bird| bird.name.clone()).collect();
        let medians = self.waiting.iter().filter_map(|bird| bird.first_egg_d);
        let (first, last) = medians.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), one| {
            (one.0.min(low), one.0.max(high))
        });
        let expected = if !first.is_finite() {
            "no age at first egg could be predicted".to_owned()
        } else if last - first < 0.5 {
            format!("predicted to lay at {}", self.ages.show(first.round()))
        } else {
            let span = self.ages.show_span(first.round(), last.round());
            format!("predicted to lay at {span}")
        };
        let when = self.as_of_d.map_or(String::new(), |age_d| {
            format!(" at {}", self.ages.show(age_d))
        });
        let verb = if names.len() == 1 { "was" } else { "were" };
        Some(format!(
            "{} of {} {verb} not laying{when}: {}; {expected}.",
            names.len(),
            count(all, "bird"),
            some_of(&names, MOST_NAMED),
        ))
    }
}

/// A row for each group of pens.
fn egg_rows(eggs: &EggOnset, naming: Naming<'_>, study: &Study) -> Vec<EggRow> {
    let row = |group: &EggGroup| {
        let of = |quantity: EggQuantity| {
            let one = group.estimates.iter().find(|one| one.quantity == quantity);
            one.map_or_else(|| Err(String::new()), |one| one.value.clone())
        };
        let value = |quantity: EggQuantity| of(quantity).ok().map(|one| one.value);
        EggRow {
            name: group.strain.map_or_else(
                || "mixed pens".to_owned(),
                |strain| naming.name(&study.strains[strain]),
            ),
            pens: group.pens.len(),
            hens: group.pens.iter().map(|pen| eggs.pens[*pen].hens).sum(),
            half_d: of(EggQuantity::InLay50).and_then(|one| {
                one.interval
                    .map(|limits| (one.value, limits))
                    .ok_or_else(String::new)
            }),
            mean_and_sd_d: value(EggQuantity::MeanAge).zip(value(EggQuantity::SdAge)),
            half_production_d: value(EggQuantity::HalfProduction),
            ages: naming.ages,
        }
    };
    eggs.groups.iter().map(row).collect()
}

/// Results on cues by the models of first eggs.
fn cue(models: &crate::maturity::OnsetModels) -> Option<Cue> {
    let error = |model: &OnsetModel| model.cross_validated?.error_d;
    let without = models.without_cues().and_then(error)?;
    match models.recommended() {
        Some(model) => Some(Cue::Predicts(
            model.cues.join(" + ").replace('_', " "),
            error(model)?,
            without,
        )),
        None => {
            let known = models.candidates().filter_map(error);
            let least = known.fold(f64::INFINITY, f64::min);
            Some(if least.is_finite() {
                Cue::NoHelp(least, without)
            } else {
                Cue::NotJudged
            })
        }
    }
}
