//! The closed table of each section: the numbers behind its sentence.

use super::Page;
use super::first_screen::pill;
use super::html::{Column, escaped, plural};
use crate::report::rounding;
use crate::report::text::{Masses, Topic, capital, error_size, with_interval};
use crate::stats::Interval;

/// A closed table of a section.
pub(super) struct Closed {
    pub name: String,
    pub columns: Vec<Column>,
    pub rows: Vec<Vec<String>>,
}

impl Page<'_> {
    /// The closed tables of a topic.
    pub(super) fn closed_tables(&self, topic: Topic) -> Vec<Closed> {
        let overview = &self.content.overview;
        match topic {
            Topic::Growth => overview
                .weighed()
                .map(|one| self.masses(&[one]))
                .into_iter()
                .collect(),
            Topic::Composition => {
                let parts: Vec<&Masses> =
                    overview.masses.iter().filter(|one| !one.is_main).collect();
                vec![self.masses(&parts)]
            }
            Topic::Differences => self.differences().into_iter().collect(),
            Topic::Target => self.target().into_iter().collect(),
            Topic::Platform => self.platform().into_iter().collect(),
            Topic::Lay => self.lay(),
            Topic::Scanner => self.scanner(),
            Topic::Protocol | Topic::Data => Vec::new(),
        }
    }

    /// The last day of each scale.
    fn platform(&self) -> Option<Closed> {
        let platform = self.content.overview.platform.as_ref()?;
        let cell = |words: &Option<String>| escaped(words.as_deref().unwrap_or_default());
        let rows = platform.rows.iter().map(|row| {
            vec![
                escaped(&row.name),
                escaped(&row.when),
                escaped(&row.mean),
                cell(&row.deviation),
                escaped(&row.uniformity),
            ]
        });
        Some(Closed {
            name: "last day of each scale".to_owned(),
            columns: vec![
                Column::words("Scale"),
                Column::words("Age"),
                Column::number("Mean"),
                Column::number("From target"),
                Column::number("Uniformity"),
            ],
            rows: rows.collect(),
        })
    }

    fn masses(&self, masses: &[&Masses]) -> Closed {
        let overview = &self.content.overview;
        let mut columns = vec![
            Column::words(self.content.group_heading()),
            Column::words("Trait"),
        ];
        let mut ages_d: Vec<(f64, &str)> = Vec::new();
        for one in masses {
            for (age_d, name) in one.ages_d.iter().zip(&one.age_names) {
                if ages_d
                    .iter()
                    .all(|(other, _)| other.total_cmp(age_d).is_ne())
                {
                    ages_d.push((*age_d, name));
                }
            }
        }
        ages_d.sort_by(|a, b| a.0.total_cmp(&b.0));
        columns.extend(ages_d.iter().map(|(age_d, name)| {
            let name = match *name {
                "" => String::new(),
                name => format!(" ({})", escaped(name)),
            };
            Column::number(&format!("{}{name}", overview.ages.show(*age_d)))
        }));
        let rows = masses.iter().flat_map(|one| {
            one.groups.iter().map(|group| {
                let at = |age_d: f64| {
                    let place = one
                        .ages_d
                        .iter()
                        .position(|own| own.total_cmp(&age_d).is_eq())?;
                    group.at[place]
                };
                let mut row = vec![escaped(&group.name), escaped(&one.trait_name)];
                row.extend(ages_d.iter().map(|(age_d, _)| {
                    at(*age_d).map_or(String::new(), |mass| {
                        let weak = if mass.weak { " (weak)" } else { "" };
                        format!("{}{weak}", mass.with_interval(""))
                    })
                }));
                row
            })
        });
        let unit = match overview.unit {
            "" => String::new(),
            unit => format!(", {unit}"),
        };
        Closed {
            name: format!(
                "typical {}{unit}, with {} % intervals",
                if masses.len() == 1 {
                    &*masses[0].trait_name
                } else {
                    "masses"
                },
                overview.percent
            ),
            columns,
            rows: rows.collect(),
        }
    }

    fn differences(&self) -> Option<Closed> {
        let overview = &self.content.overview;
        let rows: Vec<Vec<String>> = overview
            .differences
            .iter()
            .flat_map(|one| {
                one.at_ages.iter().map(|pair| {
                    vec![
                        escaped(&pair.pair),
                        escaped(&one.trait_name),
                        overview.ages.show(pair.age_d),
                        with_interval(pair.difference, "", (pair.std_error, pair.interval)),
                        pair.p_adjusted
                            .map_or(String::new(), |p| escaped(&rounding::chance(p))),
                    ]
                })
            })
            .collect();
        (!rows.is_empty()).then(|| Closed {
            name: format!(
                "differences at named ages, with {} % intervals",
                overview.percent
            ),
            columns: vec![
                Column::words("Pair"),
                Column::words("Trait"),
                Column::number("Age"),
                Column::number(&match overview.unit {
                    "" => "Difference".to_owned(),
                    unit => format!("Difference ({unit})"),
                }),
                Column::number("Adjusted P"),
            ],
            rows,
        })
    }

    fn target(&self) -> Option<Closed> {
        let overview = &self.content.overview;
        let target = overview.target.as_ref()?;
        let unit = overview.unit;
        let rows = target.rows.iter().map(|row| {
            let share = row.uniformity.map_or(String::new(), |(share, limits)| {
                format!("{share:.0} ({:.0} to {:.0})", limits.lower, limits.upper)
            });
            vec![
                escaped(&row.name),
                overview.ages.show(row.age_d),
                row.n.to_string(),
                row.mean_words(unit),
                row.target_words(unit),
                row.deviation_words(unit),
                row.difference_words(),
                row.days_words(),
                share,
                pill(row.verdict),
            ]
        });
        Some(Closed {
            name: format!(
                "last weighing against the target, with {} % intervals",
                overview.percent
            ),
            columns: vec![
                Column::words("Strain"),
                Column::number("Age"),
                Column::number("n"),
                Column::number("Mean"),
                Column::number("Target"),
                Column::number("Difference"),
                Column::number("%"),
                Column::number("Days"),
                Column::number("Uniformity (%)"),
                Column::words("Verdict"),
            ],
            rows: rows.collect(),
        })
    }

    fn lay(&self) -> Vec<Closed> {
        let overview = &self.content.overview;
        let Some(lay) = &overview.lay else {
            return Vec::new();
        };
        let mut all = self.eggs();
        let Some(first) = lay.rows.first() else {
            return all;
        };
        let shares: Vec<f64> = first.ages_d.iter().map(|(share, _)| *share).collect();
        let mut columns = vec![Column::words("Strain"), Column::number("Laid")];
        columns.extend(
            shares
                .iter()
                .map(|share| Column::number(&format!("{share:.0} %"))),
        );
        columns.push(Column::number("50 %, with interval"));
        let rows = lay.rows.iter().map(|row| {
            let mut cells = vec![escaped(&row.name), row.laying_words()];
            cells.extend(row.ages_d.iter().map(|(_, age_d)| {
                age_d.map_or("not yet".to_owned(), |age_d| {
                    overview.ages.show(age_d.round())
                })
            }));
            cells.push(row.half_words());
            cells
        });
        let in_lay = Closed {
            name: "ages at which shares of the birds were in lay".to_owned(),
            columns,
            rows: rows.collect(),
        };
        all.insert(0, in_lay);
        if !lay.waiting.is_empty() {
            let by_lateness = lay.waiting.iter().any(|bird| bird.on_time_d.is_some());
            let shown = |found: Option<(f64, Interval)>, none: &str| {
                found.map_or(none.to_owned(), |(age_d, limits)| {
                    let limits = (limits.lower, limits.upper);
                    overview.ages.show_interval(age_d, limits)
                })
            };
            let rows = lay.waiting.iter().map(|bird| {
                let mut row = vec![
                    escaped(&bird.name),
                    escaped(&bird.strain),
                    shown(bird.first_egg_d, "not predicted"),
                ];
                if by_lateness {
                    row.push(shown(bird.on_time_d, "late"));
                }
                row
            });
            let mut columns = vec![
                Column::words("Bird"),
                Column::words("Strain"),
                Column::number("Predicted first egg"),
            ];
            if by_lateness {
                columns.push(Column::number("If on time"));
            }
            all.push(Closed {
                name: format!(
                    "birds not laying, with {} % prediction intervals",
                    overview.percent
                ),
                columns,
                rows: rows.collect(),
            });
        }
        all
    }

    /// Maturity by the eggs counted in pens.
    fn eggs(&self) -> Vec<Closed> {
        let overview = &self.content.overview;
        let rows = overview.lay.iter().flat_map(|lay| &lay.eggs);
        let rows: Vec<Vec<String>> = rows
            .map(|row| {
                let mean = row.mean_and_sd_d;
                vec![
                    escaped(&row.name),
                    row.pens_words(),
                    mean.map_or(String::new(), |(mean_d, _)| {
                        overview.ages.show(mean_d.round())
                    }),
                    row.sd_words(),
                    row.half_words(),
                    row.production_words(),
                ]
            })
            .collect();
        if rows.is_empty() {
            return Vec::new();
        }
        vec![Closed {
            name: "maturity by the eggs counted in pens".to_owned(),
            columns: vec![
                Column::words("Strain"),
                Column::words("Pens"),
                Column::number("Mean age at maturity"),
                Column::number("SD"),
                Column::number("50 % in lay, with interval"),
                Column::number("50 % hen-day production"),
            ],
            rows,
        }]
    }

    fn scanner(&self) -> Vec<Closed> {
        let Some(scanner) = &self.content.overview.scanner else {
            return Vec::new();
        };
        let mut rows: Vec<Vec<String>> = scanner
            .errors
            .iter()
            .map(|one| {
                vec![
                    escaped(&capital(&one.name)),
                    "error on birds left out".to_owned(),
                    String::new(),
                    format!("{} {}", error_size(one.error), one.unit),
                    plural(one.n, "bird"),
                ]
            })
            .collect();
        rows.extend(scanner.changes.iter().map(|one| {
            vec![
                escaped(&capital(&one.name)),
                "least significant change".to_owned(),
                escaped(&one.way),
                format!("{} {}", error_size(one.change), one.unit),
                plural(one.n, "set"),
            ]
        }));
        if rows.is_empty() {
            return Vec::new();
        }
        vec![Closed {
            name: "errors of the scans".to_owned(),
            columns: vec![
                Column::words("Trait"),
                Column::words("Quantity"),
                Column::words("Way of scanning"),
                Column::number("Value"),
                Column::number("From"),
            ],
            rows,
        }]
    }
}
