//! What has changed since an earlier run of the same study: verdicts, birds with an alarm, and
//! forecasts that moved out of their intervals. Both runs are read from their tables, so that a
//! run of an earlier version can be compared, too.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::Table;
use super::files::{RECORD, RunRecord};
use super::text::{Verdict, signed};
use crate::age::AgeUnit;
use crate::flock::Band;

/// Whom a row is of: level, strain, house, pen, bird, trait.
type Subject = [String; 6];
/// The columns of a subject, in that order.
const SUBJECT: [&str; 6] = ["level", "strain", "house", "pen", "bird", "trait"];

/// The tables that are compared; both runs pass through the same reader, so that a number is
/// compared as the table has it.
const COMPARED: [&str; 4] = ["deviation", "forecast", "departures", "weekly_gain"];

/// What may change from week to week in the tables of a run.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Findings {
    verdicts: BTreeMap<Subject, Stand>,
    departed: BTreeSet<Subject>,
    /// Gains outside their control limits, with the age as the table writes it.
    gains: BTreeSet<(Subject, String)>,
    /// By subject and age as the table writes it.
    forecasts: BTreeMap<(Subject, String), Forecast>,
}

#[derive(Debug, Clone, PartialEq)]
struct Stand {
    age_d: f64,
    verdict: Verdict,
    deviation_pct: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Forecast {
    value: f64,
    lower: f64,
    upper: f64,
}

impl Findings {
    /// Those of the tables of this run.
    #[must_use]
    pub fn of_tables(tables: &[Table]) -> Self {
        let mut findings = Self::default();
        let compared = tables
            .iter()
            .filter(|table| COMPARED.contains(&table.name()));
        for table in compared {
            let mut text = Vec::new();
            if table.write_csv(&mut text).is_ok() {
                findings.read(table.name(), &text);
            }
        }
        findings
    }

    /// Those of a results folder that holds a run of the study whose first file is `input`;
    /// `None` where it holds none.
    #[must_use]
    pub fn of_folder(folder: &Path, input: &str) -> Option<Self> {
        let record = std::fs::read(folder.join(RECORD)).ok()?;
        let record: RunRecord = serde_json::from_slice(&record).ok()?;
        let same = record
            .inputs
            .first()
            .is_some_and(|first| first.path == input);
        if record.command != "run" || !same {
            return None;
        }
        let mut findings = Self::default();
        for name in COMPARED {
            if let Ok(text) = std::fs::read(folder.join(format!("tables/{name}.csv"))) {
                findings.read(name, &text);
            }
        }
        Some(findings)
    }

    fn read(&mut self, table: &str, text: &[u8]) {
        let mut reader = csv::Reader::from_reader(text);
        let Ok(header) = reader.headers().cloned() else {
            return;
        };
        let column = |name: &str| header.iter().position(|other| other == name);
        for row in reader.records().flatten() {
            let cell = |name: &str| column(name).and_then(|at| row.get(at)).unwrap_or_default();
            let number = |name: &str| cell(name).parse().unwrap_or(f64::NAN);
            let subject: Subject = SUBJECT.map(|name| cell(name).to_owned());
            match table {
                "deviation" if subject[0] != "bird" => {
                    let stand = Stand {
                        age_d: number("age_d"),
                        verdict: verdict(cell("in_band"), number),
                        deviation_pct: number("deviation_pct"),
                    };
                    // Rows of a subject ascend in age: the last one stays.
                    self.verdicts.insert(subject, stand);
                }
                "weekly_gain" if cell("alarm") == "yes" => {
                    self.gains.insert((subject, cell("age_d").to_owned()));
                }
                "departures" => {
                    self.departed.insert(subject);
                }
                "forecast" => {
                    let forecast = Forecast {
                        value: number("forecast"),
                        lower: number("lower"),
                        upper: number("upper"),
                    };
                    if forecast.value.is_finite() {
                        let key = (subject, cell("age_d").to_owned());
                        self.forecasts.insert(key, forecast);
                    }
                }
                _ => {}
            }
        }
    }
}

/// The verdict of a row of `deviation.csv`.
fn verdict(in_band: &str, number: impl Fn(&str) -> f64) -> Verdict {
    let deviation_g = number("deviation_g");
    if !deviation_g.is_finite() {
        return Verdict::NoTarget;
    }
    let band = match in_band {
        "yes" => Band::Inside,
        "no" => Band::Outside,
        "unsure" => Band::Unsure,
        _ => Band::NotGiven,
    };
    let interval_g = (number("deviation_lower_g"), number("deviation_upper_g"));
    let is_given = interval_g.0.is_finite() && interval_g.1.is_finite();
    Verdict::given(band, deviation_g, is_given.then_some(interval_g))
}

/// `pen A-1`, `house A`, `Alder`; the trait where it is not body weight.
fn name([level, strain, house, pen, bird, trait_name]: &Subject) -> String {
    let whose = match level.as_str() {
        "house" => format!("house {house}"),
        "pen" => format!("pen {pen}"),
        "bird" => format!("bird {bird}"),
        "flock" if strain.is_empty() => "all birds".to_owned(),
        _ if !bird.is_empty() => format!("bird {bird}"),
        _ => strain.clone(),
    };
    match trait_name.as_str() {
        "body_weight" => whose,
        other => format!("{whose} ({})", other.replace('_', " ")),
    }
}

/// What has changed from one run to the next, a line a statement; empty where nothing has.
#[must_use]
pub fn changes(before: &Findings, now: &Findings, ages: AgeUnit) -> Vec<String> {
    let shown = |age_d: &str| {
        age_d
            .parse()
            .map_or_else(|_| age_d.to_owned(), |age_d| ages.show(age_d))
    };
    let mut lines = Vec::new();
    for (subject, stand) in &now.verdicts {
        let percent = format!("{} %", signed(stand.deviation_pct, 1));
        match before.verdicts.get(subject) {
            Some(earlier) if earlier.verdict != stand.verdict => lines.push(format!(
                "{}: {} at {}, {} before (at {})",
                name(subject),
                if stand.deviation_pct.is_finite() {
                    format!("{} ({percent})", stand.verdict.words())
                } else {
                    stand.verdict.words().to_owned()
                },
                ages.show(stand.age_d),
                earlier.verdict.words(),
                ages.show(earlier.age_d)
            )),
            None if stand.verdict.is_off() => lines.push(format!(
                "{}: {} ({percent}) at {}, not judged before",
                name(subject),
                stand.verdict.words(),
                ages.show(stand.age_d)
            )),
            _ => {}
        }
    }
    let alarmed: Vec<String> = now
        .departed
        .difference(&before.departed)
        .map(name)
        .collect();
    if !alarmed.is_empty() {
        lines.push(format!(
            "departed from predicted growth since: {}",
            some_of(&alarmed)
        ));
    }
    for (subject, age_d) in now.gains.difference(&before.gains) {
        lines.push(format!(
            "{}: gain up to {} outside its control limits",
            name(subject),
            shown(age_d)
        ));
    }
    let mut birds = Vec::new();
    for (key, forecast) in &now.forecasts {
        let Some(earlier) = before.forecasts.get(key) else {
            continue;
        };
        // Not a number where there is no interval: then it has not moved out of one.
        if !(forecast.value < earlier.lower || forecast.value > earlier.upper) {
            continue;
        }
        let (subject, age_d) = key;
        if subject[0] == "bird" {
            birds.push(name(subject));
            continue;
        }
        lines.push(format!(
            "{}: forecast for {} now {:.0} g, outside its earlier interval ({:.0} to {:.0} g)",
            name(subject),
            shown(age_d),
            forecast.value,
            earlier.lower,
            earlier.upper
        ));
    }
    birds.dedup();
    if !birds.is_empty() {
        lines.push(format!(
            "forecasts outside their earlier intervals: {}",
            some_of(&birds)
        ));
    }
    lines
}

/// The first few names, and how many more.
fn some_of(names: &[String]) -> String {
    const SHOWN: usize = 5;
    let shown = names[..names.len().min(SHOWN)].join(", ");
    match names.len().saturating_sub(SHOWN) {
        0 => shown,
        more => format!("{shown} and {more} more"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn findings(deviation: &str, forecast: &str, departures: &str) -> Findings {
        let mut findings = Findings::default();
        let header = "level,strain,pen,bird,trait,age_d,deviation_g,deviation_pct,in_band,house\n";
        findings.read("deviation", format!("{header}{deviation}").as_bytes());
        let header = "level,strain,pen,bird,trait,age_d,forecast,lower,upper\n";
        findings.read("forecast", format!("{header}{forecast}").as_bytes());
        let header = "strain,pen,bird,trait\n";
        findings.read("departures", format!("{header}{departures}").as_bytes());
        findings
    }

    #[test]
    fn a_verdict_an_alarm_and_a_forecast_that_moved_are_reported() {
        let before = findings(
            "pen,Alder,1,,body_weight,98,-10,-0.9,yes,A\nstrain,Alder,,,body_weight,98,-5,-0.4,yes,\n",
            "strain,Alder,,,body_weight,126,1400,1380,1420\nbird,Alder,1,b1,body_weight,126,1400,1350,1450\n",
            "Alder,1,b7,body_weight\n",
        );
        assert!(changes(&before, &before, AgeUnit::Days).is_empty());
        let now = findings(
            "pen,Alder,1,,body_weight,98,-10,-0.9,yes,A\npen,Alder,1,,body_weight,105,-70,-5.3,no,A\nstrain,Alder,,,body_weight,105,-5,-0.4,yes,\n",
            "strain,Alder,,,body_weight,126,1370,1350,1390\nbird,Alder,1,b1,body_weight,126,1500,1450,1550\n",
            "Alder,1,b7,body_weight\nAlder,1,b9,body_weight\n",
        );
        assert_eq!(
            changes(&before, &now, AgeUnit::Days),
            [
                "pen 1: below target (\u{2212}5.3 %) at 105 d, on target before (at 98 d)",
                "departed from predicted growth since: bird b9",
                "Alder: forecast for 126 d now 1370 g, outside its earlier interval (1380 to 1420 g)",
                "forecasts outside their earlier intervals: bird b1",
            ]
        );
    }
}
