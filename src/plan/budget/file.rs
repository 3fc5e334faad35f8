//! The budget as a user writes it: a small TOML, every key with its unit in its name.

use std::fmt::Display;
use std::path::Path;

use toml::{Table, Value};

use super::{Budget, Limits, RequiredPrecision, ScanCost};
use crate::error::{Error, Result};

/// A budget with the ages that it is for.
#[derive(Debug, Clone, PartialEq)]
pub struct BudgetFile {
    /// Costs, limits and requirements.
    pub budget: Budget,
    /// Ages at which birds are to be scanned, d, ascending; empty for those that the study
    /// names.
    pub ages_d: Vec<f64>,
}

const TOP: &[&str] = &[
    "currency",
    "ages_d",
    "price_per_bird",
    "price_per_analysis",
    "price_per_hour",
    "minutes_per_analysis",
    "limits",
    "scan",
    "wanted",
];
const LIMITS: &[&str] = &["money", "hours", "birds", "birds_killed"];
const SCAN: &[&str] = &[
    "restraint",
    "birds_per_scan",
    "minutes_per_scan",
    "price_per_scan",
    "handling_minutes_per_bird",
    "most_repeats",
];
const WANTED: &[&str] = &["trait", "mean_pct", "bird_pct", "calibration_pct"];

/// Most scans of a bird on one occasion, where the budget does not set it.
const MOST_REPEATS: usize = 3;

impl BudgetFile {
    /// Reads a budget.
    ///
    /// # Errors
    /// A file that cannot be read or is no TOML; keys that are unknown or missing; text where
    /// a number belongs; numbers below 0, and limits and requirements of 0: all of them together.
    pub fn read(path: &Path, level: f64) -> Result<Self> {
        let text =
            std::fs::read_to_string(path).map_err(|source| Error::unreadable(path, source))?;
        Self::of_text(&path.display().to_string(), &text, level)
    }

    /// Reads the text of a budget; `file` is its name in messages.
    ///
    /// # Errors
    /// As [`BudgetFile::read`].
    pub fn of_text(file: &str, text: &str, level: f64) -> Result<Self> {
        let table: Table = toml::from_str(text).map_err(|error| {
            let line = error.span().map_or(1, |span| {
                text[..span.start.min(text.len())].matches('\n').count() + 1
            });
            Error::input(format!(
                "{file}, row {line}: found text that is no TOML ({}), expected keys and values as in price_per_bird = 8.5; correct the row",
                error.message().replace('\n', ", ")
            ))
        })?;
        let mut faults = Faults {
            file,
            lines: Vec::new(),
        };
        let read = faults.whole(&table, level);
        match read {
            Some(read) if faults.lines.is_empty() => Ok(read),
            _ => Err(Error::faults(faults.lines)),
        }
    }
}

/// How small a number may be.
#[derive(Clone, Copy, PartialEq)]
enum Least {
    /// 0 or more.
    Zero,
    /// Above 0.
    AboveZero,
}

struct Faults<'a> {
    file: &'a str,
    lines: Vec<String>,
}

impl Faults<'_> {
    fn add(&mut self, key: &str, found: impl Display, expected: &str) {
        self.lines.push(format!(
            "{}, {key}: found {found}, expected {expected}",
            self.file
        ));
    }

    fn whole(&mut self, table: &Table, level: f64) -> Option<BudgetFile> {
        self.known(table, "", TOP);
        let price = |faults: &mut Self, key| faults.required(table, "", key, "an amount of money");
        let per_bird = price(self, "price_per_bird");
        let per_analysis = price(self, "price_per_analysis");
        let per_hour = price(self, "price_per_hour");
        let minutes = "a number of minutes";
        let analysis_minutes = self.required(table, "", "minutes_per_analysis", minutes);
        let limits = self.limits(table);
        let scans = self.each(table, "scan", SCAN, Self::scan);
        let requirements = self.each(table, "wanted", WANTED, Self::requirement);
        self.no_doubles(&scans, &requirements);
        let ages_d = self.ages(table);
        Some(BudgetFile {
            budget: Budget {
                currency: self
                    .word(table, "", "currency")
                    .unwrap_or_else(|| "money".to_owned()),
                per_bird: per_bird?,
                per_analysis: per_analysis?,
                per_hour: per_hour?,
                analysis_minutes: analysis_minutes?,
                scans,
                limits,
                requirements,
                level,
            },
            ages_d,
        })
    }

    /// Reports unknown keys.
    fn known(&mut self, table: &Table, inside: &str, keys: &[&str]) {
        for key in table.keys().filter(|key| !keys.contains(&key.as_str())) {
            self.add(
                &format!("{inside}{key}"),
                "a key that a budget does not have",
                &format!("one of {}", keys.join(", ")),
            );
        }
    }

    fn word(&mut self, table: &Table, inside: &str, key: &str) -> Option<String> {
        match table.get(key)? {
            Value::String(word) if !word.trim().is_empty() => Some(word.trim().to_owned()),
            other => {
                let key = format!("{inside}{key}");
                self.add(&key, in_words(other), "a word in quotes");
                None
            }
        }
    }

    fn number(
        &mut self,
        table: &Table,
        (inside, key): (&str, &str),
        (least, what): (Least, &str),
    ) -> Option<f64> {
        let value = table.get(key)?;
        let number = match value {
            Value::Integer(whole) => Some(*whole as f64),
            Value::Float(number) => Some(*number),
            _ => None,
        };
        let right = |number: &f64| {
            number.is_finite() && (*number > 0.0 || (least == Least::Zero && *number == 0.0))
        };
        let read = number.filter(right);
        if read.is_none() {
            let range = match least {
                Least::Zero => "0 or more",
                Least::AboveZero => "above 0",
            };
            let bare = match value {
                Value::String(_) => ", without quotes and unit: the unit is in the key's name",
                _ => "",
            };
            let expected = format!("{what}, {range}{bare}");
            self.add(&format!("{inside}{key}"), in_words(value), &expected);
        }
        read
    }

    fn required(&mut self, table: &Table, inside: &str, key: &str, what: &str) -> Option<f64> {
        if !table.contains_key(key) {
            let key = format!("{inside}{key}");
            self.add(&key, "no such key", &format!("{what}, 0 or more"));
        }
        self.number(table, (inside, key), (Least::Zero, what))
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "checked to be a whole number from 0 to a million"
    )]
    fn count(&mut self, table: &Table, (inside, key): (&str, &str), least: Least) -> Option<usize> {
        let number = self.number(table, (inside, key), (least, "a whole number"))?;
        if number.fract() == 0.0 && number <= 1e6 {
            return Some(number as usize);
        }
        let key = format!("{inside}{key}");
        self.add(&key, number, "a whole number up to 1000000");
        None
    }

    fn limits(&mut self, table: &Table) -> Limits {
        let Some(value) = table.get("limits") else {
            return Limits::default();
        };
        let Value::Table(limits) = value else {
            self.add("limits", in_words(value), "a section [limits]");
            return Limits::default();
        };
        self.known(limits, "limits.", LIMITS);
        let spend = (Least::AboveZero, "what may be spent");
        Limits {
            money: self.number(limits, ("limits.", "money"), spend),
            hours: self.number(limits, ("limits.", "hours"), spend),
            birds: self.count(limits, ("limits.", "birds"), Least::AboveZero),
            killed: self.count(limits, ("limits.", "birds_killed"), Least::Zero),
        }
    }

    /// The sections `[[name]]`, at least one.
    fn each<T>(
        &mut self,
        table: &Table,
        name: &str,
        keys: &[&str],
        read: impl Fn(&mut Self, &Table, &str) -> Option<T>,
    ) -> Vec<T> {
        let sections = match table.get(name) {
            Some(Value::Array(sections)) if !sections.is_empty() => sections.as_slice(),
            Some(other) => {
                self.add(name, in_words(other), &format!("sections [[{name}]]"));
                return Vec::new();
            }
            None => {
                let keys = keys.join(", ");
                let expected = format!("at least one section [[{name}]] with {keys}");
                self.add(name, "none", &expected);
                return Vec::new();
            }
        };
        let mut found = Vec::new();
        for (at, section) in sections.iter().enumerate() {
            let inside = format!("{name}[{}].", at + 1);
            let Value::Table(section) = section else {
                self.add(&inside, in_words(section), "a section with keys");
                continue;
            };
            self.known(section, &inside, keys);
            found.extend(read(self, section, &inside));
        }
        found
    }

    fn scan(&mut self, section: &Table, inside: &str) -> Option<ScanCost> {
        let restraint = self.word(section, inside, "restraint");
        if restraint.is_none() && !section.contains_key("restraint") {
            let key = format!("{inside}restraint");
            self.add(
                &key,
                "no such key",
                "a restraint of the pilot's scans in quotes",
            );
        }
        let birds = self.count(section, (inside, "birds_per_scan"), Least::AboveZero);
        let repeats = self.count(section, (inside, "most_repeats"), Least::AboveZero);
        if let Some(repeats) = repeats.filter(|repeats| *repeats > 20) {
            let key = format!("{inside}most_repeats");
            self.add(&key, repeats, "a whole number from 1 to 20");
        }
        let minutes = "a number of minutes";
        let of_scan = self.required(section, inside, "minutes_per_scan", minutes);
        let price = self.required(section, inside, "price_per_scan", "an amount of money");
        let handling = self.required(section, inside, "handling_minutes_per_bird", minutes);
        Some(ScanCost {
            restraint: restraint?,
            birds: birds.unwrap_or(1),
            minutes: of_scan?,
            price: price?,
            handling_minutes: handling?,
            most_repeats: repeats.unwrap_or(MOST_REPEATS),
        })
    }

    fn requirement(&mut self, section: &Table, inside: &str) -> Option<RequiredPrecision> {
        let trait_name = self.word(section, inside, "trait");
        if !section.contains_key("trait") {
            let key = format!("{inside}trait");
            self.add(
                &key,
                "no such key",
                "a trait with an equation, such as \"fat\"",
            );
        }
        let percent = (Least::AboveZero, "a percentage of the mean mass");
        let mut of = |key| self.number(section, (inside, key), percent);
        let requirement = RequiredPrecision {
            mean_pct: of("mean_pct"),
            bird_pct: of("bird_pct"),
            calibration_pct: of("calibration_pct"),
            trait_name: trait_name?,
        };
        if WANTED[1..].iter().all(|key| !section.contains_key(*key)) {
            let expected = format!("at least one of {}", WANTED[1..].join(", "));
            self.add(inside.trim_end_matches('.'), "no requirement", &expected);
        }
        Some(requirement)
    }

    /// A way or a trait that stands twice.
    fn no_doubles(&mut self, scans: &[ScanCost], requirements: &[RequiredPrecision]) {
        for (at, scan) in scans.iter().enumerate() {
            if scans[..at].iter().any(|other| other.way() == scan.way()) {
                let key = format!("scan[{}]", at + 1);
                self.add(&key, format!("{} again", scan.way()), "each way once");
            }
        }
        for (at, requirement) in requirements.iter().enumerate() {
            let name = &requirement.trait_name;
            if requirements[..at]
                .iter()
                .any(|other| other.trait_name == *name)
            {
                let key = format!("wanted[{}].trait", at + 1);
                self.add(&key, format!("{name} again"), "each trait once");
            }
        }
    }

    fn ages(&mut self, table: &Table) -> Vec<f64> {
        let ages = match table.get("ages_d") {
            None => return Vec::new(),
            Some(Value::Array(ages)) => ages,
            Some(other) => {
                self.add(
                    "ages_d",
                    in_words(other),
                    "ages in days as in [42, 84, 126]",
                );
                return Vec::new();
            }
        };
        let mut found = Vec::new();
        for age in ages {
            let age_d = age
                .as_float()
                .or(age.as_integer().map(|whole| whole as f64));
            match age_d.filter(|age_d| (0.0..=3650.0).contains(age_d)) {
                Some(age_d) => found.push(age_d),
                None => self.add("ages_d", in_words(age), "an age in days from 0 to 3650"),
            }
        }
        found.sort_by(f64::total_cmp);
        if found.windows(2).any(|pair| pair[1] - pair[0] < 1.0) {
            self.add("ages_d", "an age twice", "ages at least a day apart");
        }
        found
    }
}

/// A value as a user would name it.
fn in_words(value: &Value) -> String {
    match value {
        Value::String(word) => format!("the text \"{word}\""),
        Value::Table(_) => "a section".to_owned(),
        Value::Array(_) => "a list".to_owned(),
        other => other.to_string(),
    }
}
