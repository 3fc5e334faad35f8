//! Options that several commands share, as clap reads them.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::{Args, ValueEnum};

use super::choices::{self, one_of};
use super::output::Output;
use super::population::PopulationOptions;
use crate::analysis::{GrowthOptions, Options, ScanOptions, usual_curves};
use crate::error::{Error, Result};
use crate::fit::{Settings, Variance};
use crate::growth::{self, Curve};
use crate::report::files::Root;
use crate::study::{
    AgeUnit, Check, Columns, DateFormat, Decimal, Files, Format, MassUnit, Separator,
    StreamSettings, Study, TableName, Units, Values, file_and_sheet,
};
use crate::trajectory::{self, Request};

/// Options that every command takes.
#[derive(Debug, Args)]
pub(crate) struct Common {
    /// Folder for the results [default: results]
    #[arg(
        long,
        short,
        global = true,
        value_name = "DIR",
        help_heading = "Output"
    )]
    pub(crate) out: Option<PathBuf>,
    /// Print one JSON document on standard output; files are then written only with --out
    #[arg(long, global = true, help_heading = "Output")]
    pub(crate) json: bool,
    /// Write the result tables as one workbook too, results.xlsx: a sheet a table, and notes
    #[arg(long, global = true, help_heading = "Output")]
    pub(crate) xlsx: bool,
    /// Print only errors
    #[arg(long, short, global = true, help_heading = "Output")]
    pub(crate) quiet: bool,
    /// Print everything in place of the summary (also in OUT/details.txt)
    #[arg(long, global = true, help_heading = "Output")]
    pub(crate) details: bool,
    /// End with status 1 where the data or the fits need attention
    #[arg(long, global = true, help_heading = "Output")]
    pub(crate) strict: bool,
    /// Threads to use [default: all processors]
    #[arg(long, global = true, value_name = "N", help_heading = "Output")]
    pub(crate) threads: Option<std::num::NonZeroUsize>,
    /// The call as given, for the run record.
    #[arg(skip)]
    pub(crate) arguments: Vec<String>,
    /// Whether nothing is printed: a run that is only compared with another.
    #[arg(skip)]
    pub(crate) silent: bool,
    /// Under which folder everything is written.
    #[arg(skip)]
    pub(crate) root: Root,
}

impl Common {
    /// Checks what goes together.
    pub(crate) fn check(&self) -> Result<()> {
        if self.xlsx && self.json && self.out.is_none() {
            return Err(Error::call(
                "found --xlsx with --json, which writes no files, expected --out DIR as well; name the folder",
            ));
        }
        Ok(())
    }

    /// Sets the number of threads, once, before any work.
    pub(crate) fn use_threads(&self) -> Result<()> {
        let Some(threads) = self.threads else {
            return Ok(());
        };
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads.get())
            .build_global()
            .map_err(|error| Error::call(format!("--threads {threads}: {error}")))
    }
}

/// What to read: a study folder, or one bare table and what its columns mean.
#[derive(Debug, Args)]
pub(crate) struct Input {
    /// A study folder (with study.toml), or one table of repeated weighings, or of eggs by pen
    #[arg(value_name = "STUDY|TABLE")]
    pub(crate) path: PathBuf,
    #[command(flatten)]
    pub(crate) columns: TableColumns,
}

/// What the columns of a bare table mean.
#[derive(Debug, Args)]
#[command(next_help_heading = "Columns of a bare table")]
pub(crate) struct TableColumns {
    /// Column that names the bird [default: bird, if there is one]
    #[arg(long, value_name = "COLUMN")]
    pub(crate) bird: Option<String>,
    /// Column of ages [default: age_d, age_w or age]
    #[arg(long, value_name = "COLUMN")]
    pub(crate) age: Option<String>,
    /// Column of dates, in place of ages; needs a day of hatch
    #[arg(long, value_name = "COLUMN", conflicts_with = "age")]
    pub(crate) date: Option<String>,
    /// Column with each bird's day of hatch
    #[arg(long, value_name = "COLUMN")]
    pub(crate) hatch_date: Option<String>,
    /// Day of hatch of all birds
    #[arg(long, value_name = "DATE", conflicts_with = "hatch_date")]
    pub(crate) hatched_on: Option<String>,
    /// Column of weights, or of another trait's masses [default: weight_g or as named with its unit]
    #[arg(long, value_name = "COLUMN")]
    pub(crate) value: Option<String>,
    /// Column that serves as strain; none makes all birds one strain [default: strain, if there is one]
    #[arg(long, value_name = "COLUMN")]
    pub(crate) group: Option<String>,
    /// Column that names the pen
    #[arg(long, value_name = "COLUMN")]
    pub(crate) pen: Option<String>,
    /// Column that names the house
    #[arg(long, value_name = "COLUMN")]
    pub(crate) house: Option<String>,
    /// The rows are unnamed birds, a sample of each pen, house or flock
    #[arg(long, conflicts_with = "bird")]
    pub(crate) sample: bool,
    /// What the values are [default: body_weight]
    #[arg(long, value_name = "NAME")]
    pub(crate) r#trait: Option<String>,
    /// Unit of the ages, days or weeks; week n is the end of week n, day 7n
    #[arg(long, value_name = "UNIT")]
    pub(crate) age_unit: Option<AgeUnit>,
    /// Unit of the values: g, kg or lb
    #[arg(long, value_name = "UNIT")]
    pub(crate) mass_unit: Option<MassUnit>,
    /// How dates are written, such as dd/mm/yyyy [default: yyyy-mm-dd]
    #[arg(long, value_name = "FORMAT")]
    pub(crate) date_format: Option<DateFormat>,
    #[command(flatten)]
    pub(crate) format: FormatOptions,
    /// Ages and values may be any numbers: for data that are not weights of birds
    #[arg(long, alias = "any-number")]
    pub(crate) no_plausibility: bool,
    /// What was measured, one of them, such as tree [default: subject]
    #[arg(long, value_name = "WORD", requires = "no_plausibility")]
    pub(crate) subject: Option<String>,
    /// Sheet to read, where the table is a workbook (.xlsx, .ods) with several
    #[arg(long, value_name = "NAME")]
    pub(crate) sheet: Option<String>,
    /// Row of the header, where titles stand above it [default: the first that is filled]
    #[arg(long, value_name = "ROW")]
    pub(crate) header_row: Option<std::num::NonZeroU32>,
    /// The table has a row a bird and a column for each age, the age in its header (d7, week 3)
    #[arg(long)]
    pub(crate) wide: bool,
    /// The table holds records of platform scales: time, scale or pen, weight_g; thousands a day
    #[arg(long)]
    pub(crate) stream: bool,
    /// Offset of the house from universal time, such as +01:00, for records in UTC
    #[arg(
        long,
        value_name = "OFFSET",
        requires = "stream",
        allow_hyphen_values = true
    )]
    pub(crate) utc_offset: Option<String>,
    /// First time of the day at which records count, such as 08:00
    #[arg(long, value_name = "TIME", requires = "stream")]
    pub(crate) day_from: Option<String>,
    /// Time of the day from which on records no longer count
    #[arg(long, value_name = "TIME", requires = "stream")]
    pub(crate) day_to: Option<String>,
    /// Table of targets: strain, age_d, target_g, lower_g, upper_g
    #[arg(long, value_name = "FILE")]
    pub(crate) targets: Option<PathBuf>,
    /// Table of first eggs: bird, first_egg_age_d (or last_without_d and first_with_d, the
    /// checks around it), last_seen_age_d
    #[arg(long, value_name = "FILE")]
    pub(crate) onset: Option<PathBuf>,
}

/// How a bare table is written.
#[derive(Debug, Args)]
pub(crate) struct FormatOptions {
    /// Separator of the columns: comma, semicolon, tab, or auto
    #[arg(long, value_name = "NAME", default_value = "auto")]
    separator: Separator,
    /// Decimal mark of the numbers: point, comma, or auto
    #[arg(long, value_name = "NAME", default_value = "auto")]
    decimal: Decimal,
    /// Cells that mean a missing value [default: NA, N/A, . and -]
    #[arg(long, value_name = "WORD[,WORD]", value_delimiter = ',')]
    missing: Vec<String>,
}

impl FormatOptions {
    /// As the study reader wants them.
    pub(crate) fn ready(&self) -> Format {
        let mut format = Format {
            separator: self.separator,
            decimal: self.decimal,
            ..Format::default()
        };
        if !self.missing.is_empty() {
            format.missing.clone_from(&self.missing);
        }
        format
    }
}

/// Replicates of a bootstrap, from the command line: enough to read an interval from their
/// percentiles.
pub(crate) fn replicates(text: &str) -> std::result::Result<usize, String> {
    match text.parse() {
        Ok(count) if count >= 100 => Ok(count),
        _ => Err(
            "expected a number of at least 100, since an interval is read from their percentiles"
                .to_owned(),
        ),
    }
}

/// A confidence, from the command line.
pub(crate) fn confidence(text: &str) -> std::result::Result<f64, String> {
    let share: f64 = text.parse().unwrap_or(f64::NAN);
    if share > 0.0 && share < 1.0 {
        Ok(share)
    } else {
        Err("expected a share between 0 and 1, such as 0.95".to_owned())
    }
}

impl TableColumns {
    /// How the table is written.
    pub(crate) fn format(&self) -> Format {
        Format {
            wide: self.wide,
            ..self.format.ready()
        }
    }

    /// As the study reader wants them.
    pub(crate) fn ready(&self) -> Columns {
        Columns {
            bird: self.bird.clone(),
            age: self.age.clone(),
            date: self.date.clone(),
            hatch_date: self.hatch_date.clone(),
            hatched_on: self.hatched_on.clone(),
            value: self.value.clone(),
            group: self.group.clone(),
            pen: self.pen.clone(),
            house: self.house.clone(),
            sample: self.sample,
            trait_name: self.r#trait.clone(),
            units: Units {
                age: self.age_unit,
                mass: self.mass_unit,
                date_format: self.date_format.clone(),
                ..Units::default()
            },
            format: self.format(),
            values: if self.no_plausibility {
                Values::AnyNumber
            } else {
                Values::BirdMasses
            },
            subject: self.subject.clone(),
            sheet: self.sheet.clone(),
            header_row: self.header_row,
            stream: self.stream,
            stream_settings: StreamSettings {
                from: self.day_from.clone(),
                to: self.day_to.clone(),
                utc_offset: self.utc_offset.clone(),
                ..StreamSettings::default()
            },
            targets: self.targets.clone(),
            onset: self.onset.clone(),
        }
    }
}

impl Input {
    /// The column of the groups, where a table groups its birds by something else than strain.
    pub(crate) fn group_column(&self) -> Option<&str> {
        let column = self.columns.group.as_deref();
        column.filter(|name| !name.eq_ignore_ascii_case("strain"))
    }

    /// Reads the study folder or the bare table.
    pub(crate) fn read(&self) -> Result<Study> {
        if self.path.is_dir() {
            Study::read_folder(&self.path)
        } else if Study::is_egg_table(&self.path) {
            Study::read_eggs(&self.path, &self.columns.ready())
        } else {
            Study::read_table(&self.path, &self.columns.ready())
        }
    }

    /// Reads a bare table again with another of its columns as the values.
    pub(crate) fn read_column(&self, column: &str) -> Result<Study> {
        let columns = Columns {
            value: Some(column.to_owned()),
            trait_name: Some(column.to_owned()),
            ..self.columns.ready()
        };
        Study::read_table(&self.path, &columns)
    }

    /// Looks the study folder or the bare table through.
    pub(crate) fn check(&self) -> Result<Check> {
        if self.path.is_dir() {
            Check::folder(&self.path)
        } else {
            Check::table(&self.path, &self.columns.ready())
        }
    }
}

/// The files that a study was read from, for the run record; `path` is its folder
/// or its table.
pub(crate) fn study_files(path: &Path, study: &Study) -> Vec<PathBuf> {
    let mut files = Vec::new();
    let mut folder = PathBuf::new();
    if path.is_dir() {
        folder = path.to_owned();
        files.push(folder.join("study.toml"));
    }
    let tables = TableName::ALL.iter().flat_map(|table| {
        study
            .settings
            .tables
            .of(*table)
            .iter()
            .flat_map(Files::paths)
    });
    // Several sheets of one workbook are one file.
    for file in tables.map(|table| file_and_sheet(&folder.join(table)).0) {
        if !files.contains(&file) {
            files.push(file);
        }
    }
    files
}

/// Which curves to fit to what, and how.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Fit")]
pub(crate) struct FitOptions {
    /// Curves to fit, by name; with several, each is fitted and they are ranked by AICc
    #[arg(long, value_name = "NAME[,NAME]", value_delimiter = ',')]
    pub(crate) curve: Vec<String>,
    /// Folder of curve cards to add to the built-in curves
    #[arg(long, value_name = "DIR")]
    pub(crate) cards: Option<PathBuf>,
    /// What to fit: each bird, each strain pooled, all birds at once by a mixed model
    /// [default: bird,strain; all three where the whole study is run]
    #[arg(long, value_enum, value_delimiter = ',')]
    pub(crate) level: Vec<LevelName>,
    /// How the spread of the residuals depends on the fitted value [default: chosen by likelihood
    /// for all birds at once, constant at the other levels]
    #[arg(long, value_parser = one_of(choices::VARIANCES))]
    pub(crate) variance: Option<Variance>,
    /// Seed of everything drawn at random
    #[arg(long, value_name = "SEED", default_value_t = 1)]
    pub(crate) seed: u64,
    /// Confidence of the intervals
    #[arg(long, value_name = "SHARE", default_value = "0.95")]
    pub(crate) confidence: f64,
    /// Weight at hatch in g for the anchored curves [default: each bird's weighing at age 0]
    #[arg(long, value_name = "GRAMS")]
    pub(crate) hatch_weight: Option<f64>,
    /// Ages at which value, rate and relative rate are requested
    #[arg(long, value_name = "DAYS[,DAYS]", value_delimiter = ',')]
    pub(crate) at_age: Vec<f64>,
    /// Masses whose age is requested
    #[arg(long, value_name = "GRAMS[,GRAMS]", value_delimiter = ',')]
    pub(crate) at_weight: Vec<f64>,
    #[command(flatten)]
    pub(crate) population: PopulationOptions,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum LevelName {
    Bird,
    Strain,
    Population,
}

impl FitOptions {
    /// The same, at every level where the call names none.
    pub(crate) fn at_every_level(&self) -> Self {
        let mut options = self.clone();
        if options.level.is_empty() {
            options.level = vec![LevelName::Bird, LevelName::Strain, LevelName::Population];
        }
        options
    }

    /// Whether fits of one level are requested.
    fn wants(&self, level: LevelName) -> bool {
        if self.level.is_empty() {
            level != LevelName::Population
        } else {
            self.level.contains(&level)
        }
    }

    /// The fits that are requested, each name found and each number in its range.
    pub(crate) fn request(&self, study: &Study) -> Result<Request> {
        self.check_numbers()?;
        let curves = self.curves(study)?;
        let population = if self.wants(LevelName::Population) {
            Some(self.population.request(study, self.variance)?)
        } else {
            self.population.check_unused()?;
            None
        };
        let request = Request {
            curves,
            birds: self.wants(LevelName::Bird),
            strains: self.wants(LevelName::Strain),
            settings: Settings {
                variance: self.variance.unwrap_or_default(),
                ..Settings::default()
            },
            hatch_weight_g: self.hatch_weight,
            population,
            correlation: self.population.correlation(),
        };
        trajectory::check(&request)?;
        Ok(request)
    }

    /// An analysis of these fits alone, to be added to.
    ///
    /// # Errors
    /// As [`FitOptions::request`].
    pub(crate) fn analysis(&self, study: &Study, output: &Output) -> Result<Options> {
        Ok(Options {
            as_of_d: None,
            confidence: self.checked_confidence()?,
            seed: self.seed,
            ages_d: self.ages_d(study),
            masses_g: self.weights_g(study),
            scans: ScanOptions::default(),
            growth: GrowthOptions::of(self.request(study)?),
            comparison: None,
            flock: None,
            lay: None,
            progress: output.bars(),
        })
    }

    /// The curves that the call names, or the study, or else the usual ones.
    pub(crate) fn curves(&self, study: &Study) -> Result<Vec<Arc<dyn Curve>>> {
        let cards = match &self.cards {
            Some(folder) => growth::read_cards(folder)?,
            None => Vec::new(),
        };
        let names: Vec<&str> = if !self.curve.is_empty() {
            self.curve.iter().map(String::as_str).collect()
        } else if !study.settings.fit.curves.is_empty() {
            study
                .settings
                .fit
                .curves
                .iter()
                .map(String::as_str)
                .collect()
        } else {
            usual_curves(study)
        };
        let mut curves: Vec<Arc<dyn Curve>> = Vec::new();
        for name in names {
            if curves.iter().any(|curve| curve.name() == name) {
                return Err(Error::call(format!(
                    "curve {name}: found twice, expected each curve once; leave one out"
                )));
            }
            curves.push(growth::find(name, &cards)?);
        }
        Ok(curves)
    }

    /// Masses whose age is requested: the call's, or the study's thresholds.
    pub(crate) fn weights_g(&self, study: &Study) -> Vec<f64> {
        if self.at_weight.is_empty() {
            study.settings.cues.thresholds_g.clone()
        } else {
            self.at_weight.clone()
        }
    }

    /// Ages at which value and rate are requested: the call's, or the study's named ages.
    pub(crate) fn ages_d(&self, study: &Study) -> Vec<f64> {
        if self.at_age.is_empty() {
            let mut ages_d: Vec<f64> = study.settings.ages.values().copied().collect();
            ages_d.sort_by(f64::total_cmp);
            ages_d
        } else {
            self.at_age.clone()
        }
    }

    /// The confidence of the intervals, in its range.
    pub(crate) fn checked_confidence(&self) -> Result<f64> {
        self.check_numbers().map(|()| self.confidence)
    }

    fn check_numbers(&self) -> Result<()> {
        let range = |option: &str, value: f64, inside: bool, expected: &str| {
            if inside {
                return Ok(());
            }
            Err(Error::call(format!(
                "{option} {value}: expected {expected}"
            )))
        };
        let share = self.confidence;
        range(
            "--confidence",
            share,
            share > 0.0 && share < 1.0,
            "a share between 0 and 1, such as 0.95",
        )?;
        for mass_g in self.at_weight.iter().chain(&self.hatch_weight) {
            let inside = mass_g.is_finite() && *mass_g > 0.0;
            range(
                "--at-weight or --hatch-weight",
                *mass_g,
                inside,
                "a mass in g above 0",
            )?;
        }
        for age_d in &self.at_age {
            range("--at-age", *age_d, age_d.is_finite(), "an age in days")?;
        }
        Ok(())
    }
}
