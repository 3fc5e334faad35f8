//! Which column of a bare table is which, and how the table is written.

use std::collections::BTreeMap;
use std::num::NonZeroU32;
use std::path::{Path, PathBuf};

use super::format::Format;
use super::settings::{Files, PerTable, Settings, Units};
use super::stream::StreamSettings;
use super::units::{AGE_LIMIT_D, AgeUnit, NUMBER_LIMIT, age_in_range};
use super::workbook::{file_and_sheet, is_named_workbook};
use crate::error::{Error, Result};

/// The trait of a table that does not name one.
pub const BODY_WEIGHT: &str = "body_weight";

/// Which column of a bare table is which: what a study folder would give in
/// `study.toml`.
///
/// A column left out is looked for under the name of the `weighings` table
/// (`bird`, `date` or `age_d`, `weight_g`, `strain`). Without a bird column the whole
/// table (or each group) is one subject; without a column of strains all birds are one
/// strain.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Columns {
    /// Header of the column that names the bird.
    pub bird: Option<String>,
    /// Header of the column of ages.
    pub age: Option<String>,
    /// Header of the column of dates, in place of ages.
    pub date: Option<String>,
    /// Header of the column with each bird's day of hatch.
    pub hatch_date: Option<String>,
    /// Day of hatch of all birds without a date in the table.
    pub hatched_on: Option<String>,
    /// Header of the column of values.
    pub value: Option<String>,
    /// Header of the column that serves as strain; a column `strain` where left out, and
    /// no column for `none`.
    pub group: Option<String>,
    /// Header of the column of pens.
    pub pen: Option<String>,
    /// Header of the column of houses.
    pub house: Option<String>,
    /// Whether the rows are unnamed birds: a sample of a pen, a house or a flock.
    pub sample: bool,
    /// Name of the trait that the values are of; `body_weight` where left out.
    pub trait_name: Option<String>,
    /// Units of columns whose header names none.
    pub units: Units,
    /// How the table is written.
    pub format: Format,
    /// What a value may be.
    pub values: Values,
    /// The sheet to read, where the table is a workbook with several.
    pub sheet: Option<String>,
    /// The row of the header, where it is not the first that is filled.
    pub header_row: Option<NonZeroU32>,
    /// Whether the table is one of records of platform scales: `time`, `scale` or `pen`, weight.
    pub stream: bool,
    /// How such records are read.
    pub stream_settings: StreamSettings,
    /// One of what was measured, where values may be any numbers [default: subject].
    pub subject: Option<String>,
    /// A table of targets to judge by, as in a study folder.
    pub targets: Option<PathBuf>,
    /// A table of first eggs, as in a study folder.
    pub onset: Option<PathBuf>,
}

/// What ages and values may be.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Values {
    /// Ages from 0 to ten years, masses above 0 and up to 20 kg, each bird once
    /// at an age.
    #[default]
    BirdMasses,
    /// Any numbers, for data that are not weights of birds; several at one age
    /// are replicates. Values are taken as they stand, without a unit.
    AnyNumber,
}

impl Values {
    /// An age in days, where it can be one; minus zero is zero.
    pub(crate) fn age(self, age_d: f64) -> Option<f64> {
        match self {
            Self::AnyNumber => Some(age_d + 0.0).filter(|age_d| age_d.abs() <= NUMBER_LIMIT),
            Self::BirdMasses => age_in_range(age_d),
        }
    }

    /// What is expected of an age, and what to do where it is another.
    pub(crate) fn expected_age(self, unit: AgeUnit) -> (String, &'static str) {
        match self {
            Self::AnyNumber => (
                "a number between -1e100 and 1e100".to_owned(),
                "correct the cell",
            ),
            Self::BirdMasses => (
                format!(
                    "an age in {unit} from 0 (hatch) to {:.0}",
                    (AGE_LIMIT_D / unit.days()).floor()
                ),
                "correct the cell or the unit; for data that are not weights of birds give --no-plausibility",
            ),
        }
    }
}

/// In place of a group's column: all birds are one strain.
pub const NO_GROUPS: &str = "none";

impl Columns {
    /// Whether a column may serve as strain.
    pub(crate) fn has_groups(&self) -> bool {
        self.group.as_deref() != Some(NO_GROUPS)
    }

    /// The settings of a study that holds nothing but this table of scans.
    ///
    /// # Errors
    /// As [`Columns::settings`].
    pub(crate) fn scan_settings(&self, path: &Path) -> Result<Settings> {
        let mut settings = self.settings(path)?;
        settings.tables.scans = settings.tables.weighings.take();
        settings.columns.scans = std::mem::take(&mut settings.columns.weighings);
        Ok(settings)
    }

    /// The settings of a study that holds nothing but this table of eggs.
    ///
    /// # Errors
    /// As [`Columns::settings`].
    pub(crate) fn egg_settings(&self, path: &Path) -> Result<Settings> {
        let mut settings = self.settings(path)?;
        settings.tables.eggs = settings.tables.weighings.take();
        settings.header_row.eggs = settings.header_row.weighings.take();
        let mut columns = std::mem::take(&mut settings.columns.weighings);
        // Neither a bird nor a weight is in such a table.
        columns.retain(|key, _| ["age", "date", "strain", "pen"].contains(&key.as_str()));
        settings.columns.eggs = columns;
        Ok(settings)
    }

    /// The settings of a study that holds nothing but this table.
    ///
    /// # Errors
    /// A call that contradicts itself: ages and dates both, one column twice.
    pub(crate) fn settings(&self, path: &Path) -> Result<Settings> {
        if let (Some(age), Some(date)) = (&self.age, &self.date) {
            return Err(Error::call(format!(
                "found both --age {age} and --date {date}, expected one of them; leave one out"
            )));
        }
        if self.values == Values::AnyNumber && self.units.mass.is_some() {
            return Err(Error::call(
                "found both --no-plausibility and --mass-unit, expected one of them; any numbers are taken as they stand",
            ));
        }
        let group = self.group.clone().filter(|_| self.has_groups());
        let named = [
            ("bird", &self.bird, "--bird"),
            ("age", &self.age, "--age"),
            ("date", &self.date, "--date"),
            ("hatch_date", &self.hatch_date, "--hatch-date"),
            ("weight", &self.value, "--value"),
            ("strain", &group, "--group"),
            ("pen", &self.pen, "--pen"),
            ("house", &self.house, "--house"),
        ];
        let mut mapping: BTreeMap<String, String> = BTreeMap::new();
        for (index, (key, header, option)) in named.iter().enumerate() {
            let Some(header) = header else { continue };
            let twice = named[..index]
                .iter()
                .find(|(_, other, _)| other.as_ref() == Some(header));
            // Pen, house and strain may well be the same column; nothing else may.
            if let Some((_, _, other)) = twice.filter(|_| !["pen", "house"].contains(key)) {
                return Err(Error::call(format!(
                    "found column \"{header}\" by both {other} and {option}, expected two columns; correct one of the options"
                )));
            }
            mapping.insert((*key).to_owned(), header.clone());
        }
        let (file, in_path) = file_and_sheet(path);
        let table = match (&self.sheet, in_path) {
            (None, _) => path.to_owned(),
            (Some(sheet), Some(other)) if *sheet != other => {
                return Err(Error::call(format!(
                    "found both --sheet {sheet} and the sheet {other} in the table's name, expected one of them; leave one out"
                )));
            }
            (Some(_), _) if !is_named_workbook(&file) => {
                return Err(Error::call(format!(
                    "found --sheet with {}, expected a workbook (.xlsx or .ods); leave the option out",
                    file.display()
                )));
            }
            (Some(sheet), _) => PathBuf::from(format!("{}#{sheet}", file.display())),
        };
        let name = file.file_stem().unwrap_or_default().to_string_lossy();
        if self.stream {
            let unfit = named
                .iter()
                .filter(|(key, ..)| ["bird", "age", "hatch_date", "strain"].contains(key))
                .find(|(_, header, _)| header.is_some());
            return match unfit {
                Some((_, _, option)) => Err(Error::call(format!(
                    "found both --stream and {option}, expected one of them; a record of a platform scale has a time, a scale or pen, and a weight"
                ))),
                None => self.of_stream(name.into_owned(), table, mapping),
            };
        }
        Ok(Settings {
            name: Some(name.into_owned()),
            hatch_date: self.hatched_on.clone(),
            tables: PerTable {
                weighings: Some(table.into()),
                targets: self.targets.clone().map(Into::into),
                onset: self.onset.clone().map(Into::into),
                ..PerTable::default()
            },
            columns: PerTable {
                weighings: mapping,
                ..PerTable::default()
            },
            header_row: PerTable {
                weighings: self.header_row,
                ..PerTable::default()
            },
            units: self.units.clone(),
            format: self.format.clone(),
            ..Settings::default()
        })
    }

    /// The settings of a study that holds nothing but a table of records of platform scales.
    fn of_stream(
        &self,
        name: String,
        table: PathBuf,
        mapping: BTreeMap<String, String>,
    ) -> Result<Settings> {
        Settings {
            name: Some(name),
            hatch_date: self.hatched_on.clone(),
            tables: PerTable {
                scale_stream: Some(table.into()),
                targets: self.targets.clone().map(Files::from),
                ..PerTable::default()
            },
            columns: PerTable {
                scale_stream: mapping,
                ..PerTable::default()
            },
            header_row: PerTable {
                scale_stream: self.header_row,
                ..PerTable::default()
            },
            units: self.units.clone(),
            format: self.format.clone(),
            scale_stream: self.stream_settings.clone(),
            ..Settings::default()
        }
        .checked()
    }
}
