//! `study.toml`: which tables there are, how they are written, and what the
//! study requires.

use std::collections::BTreeMap;
use std::num::NonZeroU32;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::calibration::CalibrationSettings;
use super::chemistry::{ChemistrySettings, Part};
use super::faults::nearest;
use super::format::Format;
use super::phantom::PhantomSettings;
use super::scan::ScanSettings;
use super::stream::StreamSettings;
use super::units::{AgeUnit, DateFormat, MassUnit};
use crate::error::{Error, Result, read_file};

/// A `study.toml` that holds every key, each with its meaning; it reads as it
/// stands. All keys but `tables.weighings` (or `tables.scans`) may be left out.
pub const EXAMPLE: &str = include_str!("example.toml");

/// The settings of `study.toml`.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    /// The study's name; its folder's name where none is given.
    pub name: Option<String>,
    /// Day of hatch of every bird without a date in the table.
    pub hatch_date: Option<String>,
    /// The files, relative to the folder; `book.xlsx#Sheet` is a sheet of a workbook.
    pub tables: PerTable<Option<Files>>,
    /// The row of a table's header, where it is not the first that is filled.
    pub header_row: PerTable<Option<NonZeroU32>>,
    /// For each table: this program's name of a column = the header in the file.
    pub columns: PerTable<BTreeMap<String, String>>,
    /// Units of columns whose header names none.
    pub units: Units,
    /// How the tables are written.
    pub format: Format,
    /// What `check` finds implausible.
    pub plausible: Plausible,
    /// How scans are read and which are rejected.
    pub scans: ScanSettings,
    /// How records of platform scales are read.
    pub scale_stream: StreamSettings,
    /// How analyses are read.
    pub chemistry: ChemistrySettings,
    /// How `calibrate` finds the correction equations.
    pub calibration: CalibrationSettings,
    /// Ages with a name, in days.
    pub ages: BTreeMap<String, f64>,
    /// What `fit` does in this study.
    pub fit: FitSettings,
    /// What was allocated to the groups that are compared.
    pub design: DesignOptions,
    /// What `target` answers in this study.
    pub target: TargetSettings,
    /// Which cues `onset` looks at in this study.
    pub cues: CueSettings,
    /// How eggs counted by pen are read.
    pub eggs: EggSettings,
    /// How the readings of a phantom are judged.
    pub phantom: PhantomSettings,
}

/// One thing for each table of a study.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PerTable<T: Default> {
    /// `birds`: bird, strain, pen, treatment, block, hatch_date.
    pub birds: T,
    /// `weighings`: bird, date or age_d, weight_g; without birds' names, pen, date or age_d and
    /// weight_g, or birds and mean_g. A list of files mixes them.
    pub weighings: T,
    /// `scans`: readings of live birds.
    pub scans: T,
    /// `chemistry`: analysed birds.
    pub chemistry: T,
    /// `targets`: strain, trait, age_d, target_g, lower_g, upper_g.
    pub targets: T,
    /// `onset`: bird, first_egg_age_d, last_seen_age_d, entered_age_d.
    pub onset: T,
    /// `events`: strain or pen, date or age_d, event.
    pub events: T,
    /// `pens`: pen, house, strain, treatment, block, hatch_date, birds.
    pub pens: T,
    /// `eggs`: pen, date or age_d, eggs, hens.
    pub eggs: T,
    /// `light`: pen or empty for all, date or age_d, hours.
    pub light: T,
    /// `moves`: bird, date or age_d, from_pen, to_pen.
    pub moves: T,
    /// `scale_stream`: time, scale or pen, weight_g.
    pub scale_stream: T,
    /// `phantom`: date, scanner, fat_g, lean_g, bone_g or reading.
    pub phantom: T,
}

impl<T: Default> PerTable<T> {
    /// That of one table.
    #[must_use]
    pub fn of(&self, table: TableName) -> &T {
        match table {
            TableName::Birds => &self.birds,
            TableName::Weighings => &self.weighings,
            TableName::Scans => &self.scans,
            TableName::Chemistry => &self.chemistry,
            TableName::Targets => &self.targets,
            TableName::Onset => &self.onset,
            TableName::Events => &self.events,
            TableName::Pens => &self.pens,
            TableName::Eggs => &self.eggs,
            TableName::Light => &self.light,
            TableName::Moves => &self.moves,
            TableName::ScaleStream => &self.scale_stream,
            TableName::Phantom => &self.phantom,
        }
    }
}

/// The file of a table, or several of one kind.
#[derive(Debug, Clone, PartialEq)]
pub struct Files(Vec<PathBuf>);

impl Files {
    /// The files, in the order in which they are named.
    #[must_use]
    pub fn paths(&self) -> &[PathBuf] {
        &self.0
    }
}

impl From<PathBuf> for Files {
    fn from(path: PathBuf) -> Self {
        Self(vec![path])
    }
}

impl<'de> Deserialize<'de> for Files {
    fn deserialize<D: serde::Deserializer<'de>>(
        deserializer: D,
    ) -> std::result::Result<Self, D::Error> {
        struct OneOrSeveral;
        impl<'de> serde::de::Visitor<'de> for OneOrSeveral {
            type Value = Files;

            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("the name of a file, or a list of names")
            }

            fn visit_str<E>(self, name: &str) -> std::result::Result<Files, E> {
                Ok(Files(vec![PathBuf::from(name)]))
            }

            fn visit_seq<A: serde::de::SeqAccess<'de>>(
                self,
                mut names: A,
            ) -> std::result::Result<Files, A::Error> {
                let mut files = Vec::new();
                while let Some(name) = names.next_element::<String>()? {
                    files.push(PathBuf::from(name));
                }
                Ok(Files(files))
            }
        }
        deserializer.deserialize_any(OneOrSeveral)
    }
}

/// A table that a study may name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TableName {
    /// One row a bird.
    Birds,
    /// One row a weighing.
    Weighings,
    /// One row a reading.
    Scans,
    /// One row an analysed part.
    Chemistry,
    /// One row an age of a target.
    Targets,
    /// One row a bird.
    Onset,
    /// One row an event.
    Events,
    /// One row a pen.
    Pens,
    /// One row a pen and day.
    Eggs,
    /// One row a change of day length.
    Light,
    /// Birds moved between pens.
    Moves,
    /// One row a record of a platform scale.
    ScaleStream,
    /// One row a measurement of the phantom.
    Phantom,
}

impl TableName {
    /// All tables, in the order in which they are read.
    pub const ALL: [Self; 13] = [
        Self::Birds,
        Self::Pens,
        Self::Weighings,
        Self::Scans,
        Self::Chemistry,
        Self::Targets,
        Self::Onset,
        Self::Events,
        Self::Eggs,
        Self::Light,
        Self::Moves,
        Self::ScaleStream,
        Self::Phantom,
    ];

    /// Its key in `study.toml`.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Birds => "birds",
            Self::Weighings => "weighings",
            Self::Scans => "scans",
            Self::Chemistry => "chemistry",
            Self::Targets => "targets",
            Self::Onset => "onset",
            Self::Events => "events",
            Self::Pens => "pens",
            Self::Eggs => "eggs",
            Self::Light => "light",
            Self::Moves => "moves",
            Self::ScaleStream => "scale_stream",
            Self::Phantom => "phantom",
        }
    }
}

/// Units of columns whose header names none; a header that names another unit
/// is a contradiction, and a fault.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Units {
    /// Unit of ages; days by default.
    pub age: Option<AgeUnit>,
    /// Unit of masses; grams by default.
    pub mass: Option<MassUnit>,
    /// How dates are written; year-month-day by default.
    pub date_format: Option<DateFormat>,
    /// How ages are shown in text, page, paper and figures; tables are in days.
    pub age_unit: AgeUnit,
}

/// What `check` finds implausible.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Plausible {
    /// Where fewer than five birds of a strain are weighed on a day, a fall by this share of
    /// the weight is reported (common practice, no source).
    pub fall_share: f64,
    /// A day counts as a weighing day of a strain where at least this share of
    /// its birds was weighed.
    pub weighing_day_share: f64,
    /// Birds with fewer weighings than this are reported: a curve of three terms
    /// leaves no degree of freedom below.
    pub few_weighings: usize,
}

impl Default for Plausible {
    fn default() -> Self {
        Self {
            fall_share: 1.0 / 3.0,
            weighing_day_share: 0.5,
            few_weighings: 4,
        }
    }
}

/// What `fit` does in this study.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct FitSettings {
    /// Names of the curves to fit and to choose among; empty leaves it to `fit`.
    pub curves: Vec<String>,
    /// What sets the groups of birds that get separate fixed effects where all
    /// birds are fitted at once; strains where it is left out.
    pub fixed_effects_by: Option<Vec<FixedEffectOf>>,
}

/// What birds may be grouped by for separate fixed effects.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FixedEffectOf {
    /// Their strain.
    Strain,
    /// Their treatment.
    Treatment,
    /// Their pen.
    Pen,
}

impl FixedEffectOf {
    /// `strain`, `treatment` or `pen`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Strain => "strain",
            Self::Treatment => "treatment",
            Self::Pen => "pen",
        }
    }
}

/// How birds were allocated to what is compared.
#[derive(Debug, Clone, Copy, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DesignOptions {
    /// The unit of a comparison; found from the tables where it is left out.
    pub unit: Option<Unit>,
    /// Age at which the treatments start, d, where that is later than hatch.
    pub treatments_from_d: Option<f64>,
    /// Age at which units were allocated to the treatments, d: their weight then is a covariate
    /// of what the treatments do from their start on.
    pub allocated_at_d: Option<f64>,
}

/// What was allocated to a strain or a treatment, independently.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Unit {
    /// Each bird.
    Bird,
    /// Each pen, with all its birds.
    Pen,
}

/// What `target` answers in this study.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TargetSettings {
    /// The age by which birds off target are to be back on it, in days.
    pub back_on_target_by_d: Option<f64>,
    /// Birds in each strain's flock, of which those weighed are a sample.
    pub flock_size: Option<u32>,
    /// Uniformity that is required for, percent of the birds near the mean.
    pub least_uniformity_pct: Option<f64>,
    /// Coefficient of variation that is not to be exceeded, percent.
    pub greatest_cv_pct: Option<f64>,
}

/// Which cues `onset` looks at in this study.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CueSettings {
    /// Body weights whose ages are cues, in grams.
    pub thresholds_g: Vec<f64>,
}

/// How eggs counted by pen are read.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct EggSettings {
    /// Days in which a hen's rate of lay after her first egg comes from half of its plateau
    /// to 82 % of it (the time constant of the rise); the stated default where left out.
    pub rise_d: Option<f64>,
}

impl Settings {
    /// Reads the `study.toml` of a folder.
    ///
    /// # Errors
    /// No such folder or file, no TOML, an unknown key (with the nearest known
    /// one), a value out of its range.
    pub fn read(folder: &Path) -> Result<Self> {
        let path = folder.join("study.toml");
        if !path.is_file() {
            let found = if folder.is_dir() {
                "a folder without study.toml"
            } else if folder.is_file() {
                "a file"
            } else {
                "no such folder"
            };
            return Err(Error::input(format!(
                "{}: found {found}, expected a study folder with a study.toml; check the path, \
                 or name a table and its columns",
                folder.display()
            )));
        }
        let bytes = read_file(&path)?;
        let text = String::from_utf8(bytes).map_err(|_| {
            Error::input("study.toml: found bytes that are no UTF-8, expected UTF-8 text; save it again as UTF-8")
        })?;
        text.trim_start_matches('\u{feff}').parse()
    }

    #[expect(clippy::too_many_lines, reason = "one key after the other")]
    pub(crate) fn checked(self) -> Result<Self> {
        let mut faults = Vec::new();
        let mut fault = |key: &str, found: String, expected: &str| {
            faults.push(format!(
                "study.toml, {key}: found {found}, expected {expected}; correct the value or leave the key out"
            ));
        };
        for (key, share) in [
            ("plausible.fall_share", self.plausible.fall_share),
            (
                "plausible.weighing_day_share",
                self.plausible.weighing_day_share,
            ),
        ] {
            if !(share > 0.0 && share < 1.0) {
                fault(
                    key,
                    share.to_string(),
                    "a share between 0 and 1, both excluded",
                );
            }
        }
        let back = self.target.back_on_target_by_d;
        let ages = self
            .ages
            .iter()
            .map(|(name, age)| (format!("ages.{name}"), *age));
        let design = [
            ("design.treatments_from_d", self.design.treatments_from_d),
            ("design.allocated_at_d", self.design.allocated_at_d),
        ];
        let design = design
            .into_iter()
            .filter_map(|(key, age)| Some((key.to_owned(), age?)));
        let back = back.map(|age| ("target.back_on_target_by_d".to_owned(), age));
        for (key, age_d) in ages.chain(back).chain(design) {
            if super::units::age_in_range(age_d).is_none() {
                fault(&key, age_d.to_string(), "an age in days from 0 to 3650");
            }
        }
        for (key, percent) in [
            ("scans.mass_tolerance_pct", self.scans.mass_tolerance_pct),
            (
                "scans.region_tolerance_pct",
                self.scans.region_tolerance_pct,
            ),
            (
                "chemistry.closure_tolerance_pct",
                self.chemistry.closure_tolerance_pct,
            ),
        ] {
            if !(percent > 0.0 && percent <= 100.0) {
                fault(
                    key,
                    percent.to_string(),
                    "a percentage above 0 and up to 100",
                );
            }
        }
        for (key, percent) in [
            (
                "target.least_uniformity_pct",
                self.target.least_uniformity_pct,
            ),
            ("target.greatest_cv_pct", self.target.greatest_cv_pct),
        ] {
            if let Some(percent) = percent.filter(|percent| !(*percent > 0.0 && *percent <= 100.0))
            {
                fault(
                    key,
                    percent.to_string(),
                    "a percentage above 0 and up to 100",
                );
            }
        }
        if self.target.flock_size == Some(0) {
            fault("target.flock_size", "0".into(), "a number of birds from 1");
        }
        for weight_g in &self.cues.thresholds_g {
            if !(*weight_g > 0.0 && *weight_g <= super::units::MASS_LIMIT_G) {
                fault(
                    "cues.thresholds_g",
                    weight_g.to_string(),
                    "weights in g above 0 and up to 20000",
                );
            }
        }
        if self.calibration.part == Some(Part::Feathers) {
            fault(
                "calibration.part",
                "feathers".into(),
                "body or whole: a scan measures a whole bird",
            );
        }
        for table in TableName::ALL {
            let Some(files) = self.tables.of(table) else {
                continue;
            };
            if files.paths().is_empty() {
                fault(
                    &format!("tables.{}", table.key()),
                    "an empty list".into(),
                    "the name of a file",
                );
            }
            let may_be_several = matches!(table, TableName::Weighings | TableName::Targets);
            if files.paths().len() > 1 && !may_be_several {
                fault(
                    &format!("tables.{}", table.key()),
                    format!("{} files", files.paths().len()),
                    "one file; only weighings and targets may be a list",
                );
            }
        }
        let stream = &self.scale_stream;
        for (key, text, expected) in [
            (
                stream.window_ms().err().unwrap_or_default(),
                [&stream.from, &stream.to],
                "times of the day such as \"08:00\", from before to",
            ),
            (
                stream.offset_minutes().err().unwrap_or_default(),
                [&stream.utc_offset, &None],
                "an offset from universal time such as \"+01:00\"",
            ),
        ] {
            if !key.is_empty() {
                let found: Vec<&str> = text.iter().filter_map(|text| text.as_deref()).collect();
                fault(&format!("scale_stream.{key}"), found.join(" to "), expected);
            }
        }
        let tables = &self.tables;
        let any = [
            &tables.weighings,
            &tables.scans,
            &tables.eggs,
            &tables.scale_stream,
        ];
        if any.iter().all(|files| files.is_none()) {
            fault(
                "tables",
                "no weighings, no scans, no eggs and no records of scales".into(),
                "weighings, scans, eggs or scale_stream = \"FILE\" under [tables]",
            );
        }
        if let Some(rise_d) = self.eggs.rise_d
            && !(0.5..=60.0).contains(&rise_d)
        {
            fault(
                "eggs.rise_d",
                rise_d.to_string(),
                "a number of days from 0.5 to 60",
            );
        }
        for (key, margin) in [
            ("scans.weight_margin_pct", self.scans.weight_margin_pct),
            ("scans.first_egg_margin_d", self.scans.first_egg_margin_d),
        ] {
            if let Some(margin) = margin.filter(|margin| !(*margin > 0.0 && *margin <= 50.0)) {
                fault(key, margin.to_string(), "a margin above 0 and up to 50");
            }
        }
        let days = self.phantom.baseline_days;
        if !PhantomSettings::BASELINES.contains(&days) {
            fault(
                "phantom.baseline_days",
                days.to_string(),
                "a number of days from 10 to 1000",
            );
        }
        if faults.is_empty() {
            Ok(self)
        } else {
            Err(Error::faults(faults))
        }
    }
}

impl std::str::FromStr for Settings {
    type Err = Error;

    /// Reads the text of a `study.toml`.
    fn from_str(text: &str) -> Result<Self> {
        let settings: Self = toml::from_str(text).map_err(|error| unreadable(text, &error))?;
        settings.checked()
    }
}

/// What the TOML reader complains of, with the line, the nearest key and what to do.
fn unreadable(text: &str, error: &toml::de::Error) -> Error {
    let line = error.span().map_or(1, |span| {
        text[..span.start.min(text.len())].matches('\n').count() + 1
    });
    let message = error.message().replace('\n', ", ");
    // serde writes: unknown field `x`, expected one of `a`, `b`
    let words: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    if let (true, Some((found, known))) =
        (message.starts_with("unknown field"), words.split_first())
    {
        let advice = match nearest(found, known.iter().copied()) {
            Some(near) => format!("perhaps {near} is meant"),
            None => "remove the key or correct its name".to_owned(),
        };
        return Error::input(format!(
            "study.toml, row {line}: found the unknown key {found}, expected one of {}; {advice}",
            known.join(", ")
        ));
    }
    if let (true, Some((found, known))) =
        (message.starts_with("unknown variant"), words.split_first())
    {
        return Error::input(format!(
            "study.toml, row {line}: found {found}, expected {}; correct the value",
            known.join(" or ")
        ));
    }
    if message.starts_with("found ") {
        return Error::input(format!(
            "study.toml, row {line}: {message}; correct the value"
        ));
    }
    Error::input(format!(
        "study.toml, row {line}: found text that cannot be read ({message}), expected keys and \
         values as in name = \"my study\"; correct the row"
    ))
}
