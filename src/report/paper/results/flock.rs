//! Where the flock stood against its target, and where it goes.

use super::super::Paper;
use super::super::words::{capital, count, digits_of, interval, number, spaced, with_unit};
use super::{estimate_with_interval, of};
use crate::analysis::Answer;
use crate::flock::FlockLevel;
use crate::report::pictures::file_name;
use crate::report::prose::listed;
use crate::stats::Interval;

impl Paper<'_> {
    pub(super) fn target(&self, answers: &[Answer]) -> Vec<String> {
        let study = &self.analysis.study;
        if self.analysis.verdict.is_none() {
            return Vec::new();
        }
        let mut all = Vec::new();
        let mut sentences: Vec<String> = Vec::new();
        let target = self.overview.target.as_ref();
        for row in target.iter().flat_map(|target| &target.rows) {
            let name = target.map_or("", |target| &target.trait_name);
            let percent = self.overview.percent;
            sentences.extend(row.full_sentence(name, self.overview.unit, percent));
        }
        let first = target.map(|target| target.trait_index);
        if let Some(first) = first.filter(|_| !sentences.is_empty()) {
            let sampled = self.analysis.growth.sampled.as_ref();
            let kind = match sampled.is_some_and(|of| of.trait_index == first) {
                true => "deviation_samples",
                false => "deviation",
            };
            let figure = format!("{kind}_{}", file_name(&study.traits[first].name));
            let see = self.see("table deviation", &figure);
            let text = super::scans::ended(&format!("{} {see}", sentences.join(" ")));
            all.push(format!(
                "{text} [State feed, light and health over that time.]"
            ));
        }
        if let Some(records) = study.main_trait().map(|main| &study.traits[main]) {
            let uniform = of(answers, "uniformity", &records.name);
            let whole = uniform
                .iter()
                .filter(|one| one.pen.is_empty() && one.house.is_empty());
            let each: Vec<String> = whole
                .map(|one| {
                    format!(
                        "{} in {}",
                        estimate_with_interval(one, &self.percent()),
                        one.strain
                    )
                })
                .collect();
            if !each.is_empty() {
                all.push(format!(
                    "Uniformity of {} at the last weighing was {} (table uniformity).",
                    spaced(&records.name),
                    listed(&each)
                ));
            }
        }
        all
    }

    pub(super) fn forecast_results(&self) -> Vec<String> {
        let study = &self.analysis.study;
        let verdict = self.analysis.verdict.as_ref();
        let Some(ahead) = verdict.and_then(|verdict| verdict.ahead.as_ref()) else {
            return Vec::new();
        };
        let mut all = Vec::new();
        let mut sentences = Vec::new();
        for one in &ahead.traits {
            let last_d = one
                .rows
                .iter()
                .filter_map(|row| row.age_d)
                .fold(f64::MIN, f64::max);
            let each: Vec<String> = one
                .rows
                .iter()
                .filter(|row| row.level == FlockLevel::Strain && row.age_d == Some(last_d))
                .filter_map(|row| {
                    let (value, (lower, upper)) = (row.forecast?.value, row.interval_g?);
                    let limits = Interval { lower, upper };
                    let digits = digits_of(limits);
                    Some(format!(
                        "{} ({}) for {}",
                        with_unit(&digits.write(value), "g"),
                        interval(limits, digits, "g"),
                        study.strains[row.strain?]
                    ))
                })
                .collect();
            if each.is_empty() {
                continue;
            }
            let name = spaced(&study.traits[one.trait_index].name);
            sentences.push(if sentences.is_empty() {
                format!(
                    "The mean {name} forecast for {}, from records up to {}, was {} ({} prediction intervals).",
                    self.ages().show(last_d),
                    self.ages().show(ahead.as_of_d),
                    listed(&each),
                    self.percent()
                )
            } else {
                let age = self.ages().show(last_d);
                format!("Mean {name} forecast for {age} was {}.", listed(&each))
            });
        }
        if !sentences.is_empty() {
            all.push(super::scans::ended(&format!(
                "{} (table forecast)",
                sentences.join(" ")
            )));
        }
        all.extend(self.backtested());
        let watched = &ahead.departures;
        if !watched.is_empty() {
            let departed = watched.iter().flat_map(|watch| &watch.departures);
            let departed: Vec<&str> = departed.map(|row| &*study.birds[row.bird].name).collect();
            all.push(match departed.len() {
                0 => "No bird departed from its predicted growth (CUSUM).".to_owned(),
                n if n <= 10 => format!(
                    "{} departed from predicted growth (CUSUM; {}; table departures).",
                    capital(&count(n, "bird")),
                    listed(&departed)
                ),
                n => format!("{n} birds departed from predicted growth (CUSUM; table departures)."),
            });
        }
        all
    }

    /// How the forecasts of birds' weights would have come true.
    fn backtested(&self) -> Vec<String> {
        let kinds = [
            (FlockLevel::Bird, "single birds"),
            (FlockLevel::Pen, "means of pens"),
        ];
        let sentences = kinds.map(|(level, whose)| self.backtested_of(level, whose));
        sentences.into_iter().flatten().collect()
    }

    fn backtested_of(&self, level: FlockLevel, whose: &str) -> Option<String> {
        let study = &self.analysis.study;
        let verdict = self.analysis.verdict.as_ref()?;
        let ahead = verdict.ahead.as_ref()?;
        let main = study.main_trait()?;
        let rows: Vec<_> = ahead
            .backtest
            .iter()
            .filter(|row| row.trait_index == main && row.level == level)
            .filter(|row| {
                [14.0, 28.0]
                    .iter()
                    .any(|days| row.horizon_d.total_cmp(days).is_eq())
            })
            .collect();
        let each: Vec<String> = rows
            .iter()
            .map(|row| {
                format!(
                    "{:.1} % {} weeks ahead (n = {}; {:.0} % of the intervals covered the weighing)",
                    row.percent.rmse,
                    number_of_weeks(row.horizon_d),
                    row.n,
                    row.coverage_pct
                )
            })
            .collect();
        (!each.is_empty()).then(|| {
            format!(
                "Forecasts of {whose} repeated as of earlier ages had an RMSE of {} (table backtest).",
                listed(&each)
            )
        })
    }
}

fn number_of_weeks(horizon_d: f64) -> String {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a few weeks"
    )]
    number((horizon_d / 7.0).round() as usize)
}
