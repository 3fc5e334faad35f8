//! What the birds will weigh.

use super::words::Naming;
use crate::age::AgeUnit;
use crate::analysis::Analysis;
use crate::flock::FlockLevel;
use crate::study::Study;

/// A group's mean body weight at an age to come.
#[derive(Debug, Clone)]
pub struct ForecastRow {
    /// The strain, or `all birds`.
    pub name: String,
    /// Age, d.
    pub age_d: f64,
    /// Mean, and its prediction interval.
    pub mean: f64,
    /// Lower and upper limit.
    pub limits: (f64, f64),
    /// Target at that age.
    pub target: Option<f64>,
    /// Chance that the mean lies within the target's band.
    pub chance: Option<f64>,
    ages: AgeUnit,
}

/// The forecast of body weight at one age, or why there is none.
#[derive(Debug, Clone)]
pub enum Forecast {
    /// A row a strain, the whole flock behind them where there are several.
    Rows(Vec<ForecastRow>),
    /// The reason.
    None(String),
}

impl Forecast {
    /// At the last age that a reader is shown first; `None` where nothing was requested.
    pub(super) fn of(analysis: &Analysis, naming: Naming<'_>) -> Option<Self> {
        let study = &analysis.study;
        let ahead = analysis.verdict.as_ref()?.ahead.as_ref()?;
        let main = study.main_trait();
        let of_weight = ahead
            .traits
            .iter()
            .filter(|one| Some(one.trait_index) == main);
        let reason = of_weight.clone().next()?.reason.clone();
        if let (Some(reason), true) = (reason, of_weight.clone().all(|one| one.reason.is_some())) {
            return Some(Self::None(reason));
        }
        let groups = of_weight
            .flat_map(|one| &one.rows)
            .filter(|row| matches!(row.level, FlockLevel::Flock | FlockLevel::Strain));
        let shown = |age_d: f64| {
            let wanted = ahead.shown_ages_d.iter();
            wanted.clone().any(|wanted| (wanted - age_d).abs() < 1e-9)
        };
        let ages = groups.clone().filter_map(|row| row.age_d);
        let named = ages.clone().filter(|age_d| shown(*age_d));
        let greatest = |ages: &mut dyn Iterator<Item = f64>| ages.reduce(f64::max);
        let last_d =
            greatest(&mut named.into_iter()).or_else(|| greatest(&mut ages.into_iter()))?;
        let mut rows: Vec<ForecastRow> = groups
            .filter(|row| row.age_d.is_some_and(|age_d| (age_d - last_d).abs() < 1e-9))
            .filter_map(|row| {
                Some(ForecastRow {
                    name: name(study, row.strain, naming),
                    age_d: last_d,
                    mean: row.forecast?.value,
                    limits: row.interval_g?,
                    target: row.target.as_ref().ok().map(|point| point.target_g),
                    chance: row.chance,
                    ages: naming.ages,
                })
            })
            .collect();
        // The whole flock last; one strain is the flock.
        rows.sort_by_key(|row| row.name == ALL);
        if rows.len() == 2 && rows[1].name == ALL {
            rows.pop();
        }
        (!rows.is_empty()).then_some(Self::Rows(rows))
    }
}

const ALL: &str = "all birds";

fn name(study: &Study, strain: Option<usize>, naming: Naming<'_>) -> String {
    strain.map_or(ALL.to_owned(), |strain| naming.name(&study.strains[strain]))
}

impl ForecastRow {
    /// `1741 g (1720 to 1763)`.
    #[must_use]
    pub fn mean_words(&self, unit: &str) -> String {
        let (lower, upper) = self.limits;
        format!("{:.0} {unit} ({lower:.0} to {upper:.0})", self.mean)
    }

    /// `48 %`, never quite none or all; empty without a band.
    #[must_use]
    pub fn chance_words(&self) -> String {
        self.chance.map_or(String::new(), |chance| {
            if chance < 0.01 {
                "below 1 %".to_owned()
            } else if chance > 0.99 {
                "above 99 %".to_owned()
            } else {
                format!("{:.0} %", 100.0 * chance)
            }
        })
    }

    /// `182 d`.
    #[must_use]
    pub fn age_words(&self) -> String {
        self.ages.show(self.age_d)
    }
}
