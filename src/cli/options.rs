//! Options that several commands share, as clap reads them.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

/// Options that every command takes.
#[derive(Debug, Args)]
pub(crate) struct Common {
    /// Folder for the results [default: results]
    #[arg(long, short, global = true, value_name = "DIR", help_heading = "Output")]
    pub(crate) out: Option<PathBuf>,
    /// Print one JSON document on standard output; files are then written only with --out
    #[arg(long, global = true, help_heading = "Output")]
    pub(crate) json: bool,
    /// No progress and no messages on standard error, but errors
    #[arg(long, short, global = true, help_heading = "Output")]
    pub(crate) quiet: bool,
    /// End with status 1 where the data or the fits need attention
    #[arg(long, global = true, help_heading = "Output")]
    pub(crate) strict: bool,
    /// Threads to use [default: all processors]
    #[arg(long, global = true, value_name = "N", help_heading = "Output")]
    pub(crate) threads: Option<std::num::NonZeroUsize>,
}

/// What to read: a study folder, or one bare table and what its columns mean.
#[derive(Debug, Args)]
pub(crate) struct Input {
    /// A study folder (with study.toml), or one table of repeated weighings
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
    /// Column of dates, with --hatch, in place of ages
    #[arg(long, value_name = "COLUMN", conflicts_with = "age")]
    pub(crate) date: Option<String>,
    /// Hatch date of all birds, or the column that holds it
    #[arg(long, value_name = "DATE|COLUMN", requires = "date")]
    pub(crate) hatch: Option<String>,
    /// Column of weights (or of another trait's masses) [default: weight_g, weight_kg, weight_lb or weight]
    #[arg(long, value_name = "COLUMN")]
    pub(crate) value: Option<String>,
    /// Column that serves as strain; without it all birds are one strain
    #[arg(long, value_name = "COLUMN")]
    pub(crate) group: Option<String>,
    /// Column that names the pen
    #[arg(long, value_name = "COLUMN")]
    pub(crate) pen: Option<String>,
    /// What the values are
    #[arg(long, value_name = "NAME", default_value = "body_weight")]
    pub(crate) r#trait: String,
    /// Unit of the ages; week n is the end of week n, day 7n
    #[arg(long, value_enum, default_value = "days")]
    pub(crate) age_unit: AgeUnit,
    /// Unit of the values
    #[arg(long, value_enum, value_name = "UNIT")]
    pub(crate) mass_unit: Option<MassUnit>,
    /// How dates are written, such as dd/mm/yyyy [default: yyyy-mm-dd]
    #[arg(long, value_name = "FORMAT")]
    pub(crate) date_format: Option<String>,
    /// Separator of the columns [default: found from the header]
    #[arg(long, value_enum)]
    pub(crate) separator: Option<Separator>,
    /// Decimal sign of the numbers [default: found from the table]
    #[arg(long, value_enum)]
    pub(crate) decimal: Option<Decimal>,
    /// Words that stand for a missing value
    #[arg(long, value_name = "WORD[,WORD]", value_delimiter = ',')]
    pub(crate) missing: Vec<String>,
    /// Ages and values may be zero or negative: for data that are not weights
    #[arg(long)]
    pub(crate) any_number: bool,
    /// Table of targets (strain, age_d, target_g, lower_g, upper_g)
    #[arg(long, value_name = "FILE")]
    pub(crate) targets: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub(crate) enum AgeUnit {
    Days,
    Weeks,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub(crate) enum MassUnit {
    G,
    Kg,
    Lb,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub(crate) enum Separator {
    Comma,
    Semicolon,
    Tab,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub(crate) enum Decimal {
    Point,
    Comma,
}

/// Which curves to fit to what, and how.
#[derive(Debug, Args)]
#[command(next_help_heading = "Fit")]
pub(crate) struct FitOptions {
    /// Curves to fit, by name; with several, each is fitted and they are ranked by AICc
    #[arg(long, value_name = "NAME[,NAME]", value_delimiter = ',')]
    pub(crate) curve: Vec<String>,
    /// Folder of curve cards to add to the built-in curves
    #[arg(long, value_name = "DIR")]
    pub(crate) cards: Option<PathBuf>,
    /// What to fit: each bird, each strain pooled
    #[arg(long, value_enum, value_delimiter = ',', default_values = ["bird", "strain"])]
    pub(crate) level: Vec<LevelName>,
    /// How the spread of the residuals depends on the fitted value
    #[arg(long, value_enum, default_value = "constant")]
    pub(crate) variance: VarianceName,
    /// Confidence of the intervals
    #[arg(long, value_name = "SHARE", default_value = "0.95")]
    pub(crate) confidence: f64,
    /// Weight at hatch in g for the anchored curves [default: each bird's weighing at age 0]
    #[arg(long, value_name = "GRAMS")]
    pub(crate) hatch_weight: Option<f64>,
    /// Ages at which value, rate and relative rate are wanted
    #[arg(long, value_name = "DAYS[,DAYS]", value_delimiter = ',')]
    pub(crate) at_age: Vec<f64>,
    /// Masses whose age is wanted
    #[arg(long, value_name = "GRAMS[,GRAMS]", value_delimiter = ',')]
    pub(crate) at_weight: Vec<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum LevelName {
    Bird,
    Strain,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub(crate) enum VarianceName {
    Constant,
    Proportional,
    Power,
    Lognormal,
}
