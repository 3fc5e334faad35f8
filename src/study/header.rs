//! Which column of a file is which: headers to this program's names, with
//! their units.

use std::collections::BTreeMap;

use super::column_names::{Holds, age_unit, columns_of, contract_name, is_named, mass_unit};
use super::columns::Values;
use super::faults::{Faults, Place, listed, nearest, quoted};
use super::settings::{TableName, Units};
use super::table::Table;
use super::units::{AgeUnit, MassUnit};
use super::wide::age_header;

/// How messages name the places where a user names the columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Voice {
    /// `study.toml`.
    StudyFile,
    /// Options of a command.
    Options,
}

/// A column of ages or masses, with the factor to days or grams.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Measure<U> {
    /// Its place in the row.
    pub(crate) index: usize,
    /// Its unit.
    pub(crate) unit: U,
}

/// A column of a wide table.
#[derive(Debug, Clone, Copy)]
pub(crate) struct WideColumn {
    /// The age in its header.
    pub(crate) age_d: f64,
    /// Where its weights stand, and their unit.
    pub(crate) value: Measure<MassUnit>,
}

/// A table's header, read for columns by this program's names.
#[derive(Debug)]
pub(crate) struct Header<'a> {
    pub(crate) table: &'a Table,
    pub(crate) name: TableName,
    pub(crate) mapping: &'a BTreeMap<String, String>,
    pub(crate) units: &'a Units,
    /// Names of further columns, which settings declare.
    pub(crate) declared: Vec<&'a str>,
    pub(crate) voice: Voice,
}

impl Header<'_> {
    /// Keys of `[columns.TABLE]` that name no column of this program: each a fault.
    pub(crate) fn check_mapping(&self, faults: &mut Faults) {
        let known = columns_of(self.name);
        for key in self.mapping.keys() {
            let is_known = known
                .iter()
                .any(|(stem, holds)| is_named(key, stem, *holds));
            let is_declared = || {
                let mut declared = self.declared.iter();
                declared.any(|name| is_named(key, name, Holds::Masses))
            };
            if is_known || is_declared() {
                continue;
            }
            let names: Vec<String> = known
                .iter()
                .map(|(stem, holds)| contract_name(stem, *holds))
                .collect();
            let advice = match nearest(key, names.iter().map(String::as_str)) {
                Some(near) => format!("perhaps {near} is meant"),
                None => "remove the key".to_owned(),
            };
            faults.add(
                Place::file("study.toml"),
                format!("the unknown key {key} under [columns.{}]", self.name.key()),
                format!("one of {}", listed(&names)),
                advice,
            );
        }
    }

    /// The column of words or dates, where there is one.
    pub(crate) fn optional(&self, stem: &str, faults: &mut Faults) -> Option<usize> {
        self.find(stem, faults).map(|(index, _)| index)
    }

    /// The column of words or dates; a fault where there is none.
    pub(crate) fn required(&self, stem: &str, faults: &mut Faults) -> Option<usize> {
        let before = faults.count();
        let found = self.optional(stem, faults);
        if found.is_none() && faults.count() == before {
            self.missing(&[stem], faults);
        }
        found
    }

    /// The column of ages, where there is one.
    pub(crate) fn ages(&self, stem: &str, faults: &mut Faults) -> Option<Measure<AgeUnit>> {
        let (index, key) = self.find(stem, faults)?;
        let header = &self.table.headers[index];
        let units = [key.and_then(age_unit), age_unit(header)];
        let unit = self.unit(index, units, self.units.age, "age", faults)?;
        Some(Measure {
            index,
            unit: unit.unwrap_or(AgeUnit::Days),
        })
    }

    /// The column of masses, where there is one.
    pub(crate) fn masses(&self, stem: &str, faults: &mut Faults) -> Option<Measure<MassUnit>> {
        let (index, key) = self.find(stem, faults)?;
        self.mass_at(index, key, faults)
    }

    /// A column as one of masses, which the user named by `key`.
    pub(crate) fn mass_at(
        &self,
        index: usize,
        key: Option<&str>,
        faults: &mut Faults,
    ) -> Option<Measure<MassUnit>> {
        let header = &self.table.headers[index];
        let units = [key.and_then(mass_unit), mass_unit(header)];
        let unit = self.unit(index, units, self.units.mass, "mass", faults)?;
        Some(Measure {
            index,
            unit: unit.unwrap_or(MassUnit::Gram),
        })
    }

    /// The column of masses of a name that settings declare with this unit.
    pub(crate) fn mass_of(
        &self,
        name: &str,
        unit: MassUnit,
        faults: &mut Faults,
    ) -> Option<Measure<MassUnit>> {
        let (index, key) = self.locate(name, Holds::Masses, faults)?;
        self.table.report_spoilt(index, false, faults);
        let units = [
            key.and_then(mass_unit),
            mass_unit(&self.table.headers[index]),
        ];
        self.unit(index, units, Some(unit), "mass", faults)?;
        Some(Measure { index, unit })
    }

    /// The column of other numbers of a name that settings declare: under that name, or with
    /// the unit behind it (`density_g_cm2`).
    pub(crate) fn value_of(&self, name: &str, unit: &str, faults: &mut Faults) -> Option<usize> {
        let with_unit = format!("{name} {unit}");
        let letters = |text: &str| -> String {
            let kept = text.chars().filter(|letter| letter.is_alphanumeric());
            kept.flat_map(char::to_lowercase).collect()
        };
        let before = faults.count();
        let found = self
            .locate(name, Holds::Words, faults)
            .map(|(index, _)| index);
        if faults.count() > before {
            return None;
        }
        let headers = self.table.headers.iter();
        let same = |header: &String| letters(header) == letters(&with_unit);
        let found = found.or_else(|| headers.map(same).position(|same| same));
        if let Some(index) = found {
            self.table.report_spoilt(index, false, faults);
        }
        found
    }

    /// The column of this header, which settings name; a fault where there is none.
    pub(crate) fn named_by(&self, key: &str, wanted: &str, faults: &mut Faults) -> Option<usize> {
        let headers = &self.table.headers;
        let found = position(headers, wanted);
        if found.is_none() {
            let advice = match nearest(wanted, headers.iter().map(String::as_str)) {
                Some(near) => format!("perhaps \"{near}\" is meant"),
                None => format!("correct {key} in study.toml"),
            };
            faults.add(
                self.table.header_place(),
                format!("the headers {}", listed(headers)),
                format!("a column \"{wanted}\", which {key} in study.toml names"),
                advice,
            );
        }
        found
    }

    /// The fault that settings name a reading of a column that is none.
    pub(crate) fn no_reading(&self, header: &str, reading: &str, faults: &mut Faults) {
        faults.add(
            Place::column(&self.table.file, header),
            format!("the reading {reading} by scans.region_columns in study.toml"),
            "fat, lean, bone or a reading that [scans.readings] declares and the table has",
            "correct the name, or declare the reading with its unit",
        );
    }

    /// The column of masses; a fault where there is none.
    pub(crate) fn required_masses(
        &self,
        stem: &str,
        faults: &mut Faults,
    ) -> Option<Measure<MassUnit>> {
        let before = faults.count();
        let found = self.masses(stem, faults);
        if found.is_none() && faults.count() == before {
            self.missing(&[stem], faults);
        }
        found
    }

    /// The fault that none of the columns `stems` is there.
    pub(crate) fn missing(&self, stems: &[&str], faults: &mut Faults) {
        let names: Vec<String> = stems
            .iter()
            .map(|stem| contract_name(stem, self.holds(stem)))
            .collect();
        let headers = &self.table.headers;
        let near = names
            .iter()
            .find_map(|name| nearest(name, headers.iter().map(String::as_str)));
        let how = match self.voice {
            Voice::StudyFile => format!("under [columns.{}] in study.toml", self.name.key()),
            Voice::Options => {
                let options: Vec<String> = stems
                    .iter()
                    .map(|stem| format!("--{}", self.option(stem)))
                    .collect();
                format!("by {}", options.join(" or "))
            }
        };
        let advice = match near {
            Some(near) => format!("if \"{near}\" is meant, name it {how}"),
            None => format!("name the column {how}"),
        };
        faults.add(
            self.table.header_place(),
            format!("the headers {}", listed(headers)),
            format!("a column {}", names.join(" or ")),
            advice,
        );
    }

    /// The option that names a column of a bare table.
    fn option<'s>(&self, stem: &'s str) -> &'s str {
        match (self.name, stem) {
            (TableName::Weighings, "weight") => "value",
            (TableName::Weighings, "strain") => "group",
            (_, "hatch_date") => "hatch-date",
            _ => stem,
        }
    }

    /// Whether a column has the name of one of words or dates.
    pub(crate) fn is_words(&self, column: usize) -> bool {
        let header = &self.table.headers[column];
        columns_of(self.name).iter().any(|(stem, holds)| {
            matches!(holds, Holds::Words | Holds::Dates) && is_named(header, stem, *holds)
        })
    }

    /// The unit of mass that a column's header names.
    pub(crate) fn mass_unit_of(&self, column: usize) -> Option<MassUnit> {
        mass_unit(&self.table.headers[column])
    }

    fn holds(&self, stem: &str) -> Holds {
        columns_of(self.name)
            .iter()
            .find(|(name, _)| *name == stem)
            .map_or(Holds::Words, |(_, holds)| *holds)
    }

    /// The column that the user named, or the one under this program's name;
    /// with the key by which the user named it. What a spreadsheet has spoilt in
    /// it is reported: in columns that nobody requires it does no harm.
    fn find(&self, stem: &str, faults: &mut Faults) -> Option<(usize, Option<&str>)> {
        let found = self.locate(stem, self.holds(stem), faults)?;
        let holds_words = self.holds(stem) == Holds::Words;
        self.table.report_spoilt(found.0, holds_words, faults);
        Some(found)
    }

    /// Whether a header is the name of another column of this table, as `days` of eggs, which
    /// elsewhere is an age in days.
    fn is_another(&self, header: &str, stem: &str) -> bool {
        let own = columns_of(self.name).iter();
        own.map(|(name, _)| name)
            .any(|name| *name != stem && name.eq_ignore_ascii_case(header))
    }

    fn locate(
        &self,
        stem: &str,
        holds: Holds,
        faults: &mut Faults,
    ) -> Option<(usize, Option<&str>)> {
        let headers = &self.table.headers;
        if let Some((key, wanted)) = self
            .mapping
            .iter()
            .find(|(key, _)| is_named(key, stem, holds))
        {
            let found = position(headers, wanted);
            if found.is_none() {
                let by = match self.voice {
                    Voice::StudyFile => format!("columns.{}.{key} in study.toml", self.name.key()),
                    Voice::Options => format!("--{}", self.option(stem)),
                };
                let advice = match nearest(wanted, headers.iter().map(String::as_str)) {
                    Some(near) => format!("perhaps \"{near}\" is meant"),
                    None => format!("correct {by}"),
                };
                faults.add(
                    self.table.header_place(),
                    format!("the headers {}", listed(headers)),
                    format!("a column \"{wanted}\", which {by} names"),
                    advice,
                );
            }
            return found.map(|index| (index, Some(key.as_str())));
        }
        let mut named = headers
            .iter()
            .enumerate()
            .filter(|(_, header)| is_named(header, stem, holds) && !self.is_another(header, stem))
            .map(|(index, _)| index);
        let (first, second) = (named.next()?, named.next());
        // The same header twice has been reported as such.
        let other = second.filter(|second| !headers[*second].eq_ignore_ascii_case(&headers[first]));
        if let Some(second) = other {
            faults.add(
                self.table.header_place(),
                format!("both columns {} and {}", headers[first], headers[second]),
                format!("one column of {}", stem.replace('_', " ")),
                match self.voice {
                    Voice::StudyFile => {
                        format!("name it under [columns.{}] in study.toml", self.name.key())
                    }
                    Voice::Options => format!("name it by --{}", self.option(stem)),
                },
            );
            return None;
        }
        Some((first, None))
    }

    /// The columns of a wide table, each with its age in days and its unit of mass.
    pub(crate) fn wide_columns(&self, values: Values, faults: &mut Faults) -> Vec<WideColumn> {
        let mut columns = Vec::new();
        for (index, header) in self.table.headers.iter().enumerate() {
            let Some(found) = age_header(header) else {
                continue;
            };
            let age = self.unit(index, [None, found.age], self.units.age, "age", faults);
            let mass = self.unit(index, [None, found.mass], self.units.mass, "mass", faults);
            if let (Some(age), Some(mass)) = (age, mass) {
                let age = age.unwrap_or(AgeUnit::Days);
                let Some(age_d) = values.age(found.number * age.days()) else {
                    let (expected, _) = values.expected_age(age);
                    faults.add(
                        self.table.header_place(),
                        quoted(header),
                        expected,
                        "correct the header, or remove the column",
                    );
                    continue;
                };
                columns.push(WideColumn {
                    age_d,
                    value: Measure {
                        index,
                        unit: mass.unwrap_or(MassUnit::Gram),
                    },
                });
                self.table.report_spoilt(index, true, faults);
            }
        }
        columns
    }

    /// The fault that the table is wide and not declared so; false where it is not.
    pub(crate) fn offer_wide(&self, faults: &mut Faults) -> bool {
        let headers = &self.table.headers;
        let ages: Vec<&String> = headers
            .iter()
            .filter(|header| age_header(header).is_some())
            .collect();
        if ages.len() < 3 {
            return false;
        }
        let how = match self.voice {
            Voice::StudyFile => "wide = true under [format] in study.toml",
            Voice::Options => "--wide",
        };
        faults.add(
            self.table.header_place(),
            format!("a column for each age ({})", listed(ages)),
            "one row a weighing: bird, age_d, weight_g",
            format!("to read each such column as the weights at that age, give {how}"),
        );
        true
    }

    /// The one unit that key, header and settings agree on; `None` is a fault.
    fn unit<U: Copy + PartialEq + std::fmt::Display>(
        &self,
        index: usize,
        units: [Option<U>; 2],
        set: Option<U>,
        what: &str,
        faults: &mut Faults,
    ) -> Option<Option<U>> {
        let mut units = units.into_iter().chain([set]).flatten();
        let first = units.next();
        let Some((one, other)) =
            first.and_then(|one| Some((one, units.find(|unit| *unit != one)?)))
        else {
            return Some(first);
        };
        let advice = match self.voice {
            Voice::StudyFile => format!(
                "correct the header, columns.{} or units.{what} in study.toml, whichever is wrong",
                self.name.key()
            ),
            Voice::Options => {
                format!("correct the header or leave out --{what}-unit, whichever is wrong")
            }
        };
        faults.add(
            Place::column(&self.table.file, &self.table.headers[index]),
            format!("the unit {one} by its name and {other} by the settings"),
            format!("one unit of {what}"),
            advice,
        );
        None
    }
}

/// Place of a header; letter case matters only where it distinguishes two headers.
fn position(headers: &[String], wanted: &str) -> Option<usize> {
    let exact = headers.iter().position(|header| header == wanted.trim());
    exact.or_else(|| {
        let alike = |header: &String| header.eq_ignore_ascii_case(wanted.trim());
        headers.iter().position(alike)
    })
}
