//! The options of `plan`, as clap reads them.

use std::path::PathBuf;
use std::str::FromStr;

use clap::Args;

use crate::cli::choices::{self, one_of};
use crate::cli::options::confidence;
use crate::fit::Variance;
use crate::fit::mixed::{Correlation, Covariance, RandomScale};
use crate::plan::Amount;

/// What strains, birds and scans are taken to be like.
#[derive(Debug, Args)]
#[command(next_help_heading = "Population")]
pub(super) struct FromOptions {
    /// A saved population in place of a pilot
    #[arg(long, value_name = "FILE", conflicts_with = "path")]
    pub(super) population: Option<PathBuf>,
    /// Number of strains that grow as the one strain of the pilot or population
    #[arg(long, value_name = "N")]
    pub(super) strains: Option<usize>,
    /// Curve of the pilot's fit [default: the one of the study's curves, or of gompertz, logistic
    /// and richards, that its birds support best]
    #[arg(long, value_name = "NAME")]
    pub(super) curve: Option<String>,
    /// Folder of curve cards to add to the built-in curves
    #[arg(long, value_name = "DIR")]
    pub(super) cards: Option<PathBuf>,
    /// Terms that differ between birds [default: chosen by likelihood]
    #[arg(long, value_name = "TERM[,TERM]", value_delimiter = ',')]
    pub(super) random: Vec<String>,
    /// Scale on which they differ: by an amount, or by a factor [default: by a factor where a term
    /// cannot be negative]
    #[arg(long, value_parser = one_of(choices::SCALES))]
    pub(super) random_scale: Option<RandomScale>,
    /// Whether these differences are independent or correlated [default: chosen by likelihood]
    #[arg(long, value_parser = one_of(choices::COVARIANCES))]
    pub(super) covariance: Option<Covariance>,
    /// How the spread of the residuals depends on the fitted value [default: chosen by likelihood]
    #[arg(long, value_parser = one_of(choices::VARIANCES))]
    pub(super) variance: Option<Variance>,
    /// Correlation of a bird's residuals: none, or fading with the days apart [default: chosen by
    /// likelihood]
    #[arg(long, value_parser = one_of(choices::CORRELATIONS))]
    pub(super) correlation: Option<Correlation>,
}

/// What the study is to answer.
#[derive(Debug, Args)]
#[command(next_help_heading = "What is wanted")]
pub(super) struct WantedOptions {
    /// How far the interval of each strain's quantity may reach to either side, in its unit
    /// or percent
    #[arg(long, value_name = "NAME=VALUE[%]")]
    pub(super) precision: Vec<Named<Amount>>,
    /// Difference between any two strains to be detected, in its unit or percent
    #[arg(long, value_name = "NAME=VALUE[%]")]
    pub(super) detect: Vec<Named<Amount>>,
    /// Power: probability that it is detected
    #[arg(long, value_name = "SHARE", default_value = "0.8", value_parser = confidence)]
    pub(super) power: f64,
    /// Reliability required of a bird's own value as a cue: the share of the variance between
    /// birds that its scans explain
    #[arg(long, value_name = "NAME=SHARE")]
    pub(super) cue: Vec<Named<Share>>,
    /// Ages at which value and rate are estimated
    #[arg(long, value_name = "DAYS[,DAYS]", value_delimiter = ',')]
    pub(super) at_age: Vec<f64>,
    /// Masses whose age is estimated
    #[arg(long, value_name = "GRAMS[,GRAMS]", value_delimiter = ',')]
    pub(super) at_weight: Vec<f64>,
    /// Confidence of the intervals
    #[arg(long, value_name = "SHARE", default_value = "0.95", value_parser = confidence)]
    pub(super) confidence: f64,
}

/// What is practical.
#[derive(Debug, Args)]
#[command(next_help_heading = "Birds and ages")]
pub(super) struct LimitOptions {
    /// Pens of each strain, where pens and not birds are what is allotted to it: a difference is
    /// then no better known than its pens let it be
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(2..=1000))]
    pub(super) pens: Option<u32>,
    /// SD between pens in percent of the mature mass [default: what the pilot's pens differ by]
    #[arg(long, value_name = "PERCENT", requires = "pens")]
    pub(super) pen_sd: Option<f64>,
    /// Numbers of birds a strain in the table of designs
    #[arg(long, value_name = "N[,N]", value_delimiter = ',', default_values_t = [6, 8, 12, 16, 24, 32, 48, 64, 96])]
    pub(super) birds: Vec<usize>,
    /// Most birds a strain
    #[arg(long, value_name = "N", default_value_t = 500)]
    pub(super) most_birds: usize,
    /// Weeks at which birds are to be scanned [default: the best ones]
    #[arg(long, value_name = "WEEK[,WEEK]", value_delimiter = ',')]
    pub(super) weeks: Vec<f64>,
    /// Most scans a bird [default: as many as --weeks, or 6]
    #[arg(long, value_name = "N")]
    pub(super) scans: Option<usize>,
    /// Least gap between the scans of a bird, weeks
    #[arg(long, value_name = "WEEKS", default_value_t = 1)]
    pub(super) gap: usize,
    /// First week allowed [default: the pilot's first, or the first of --weeks]
    #[arg(long, value_name = "WEEK")]
    pub(super) first_week: Option<usize>,
    /// Last week allowed [default: the pilot's last, or the last of --weeks]
    #[arg(long, value_name = "WEEK")]
    pub(super) last_week: Option<usize>,
    /// Simulated studies that confirm the chosen design; 0 for none
    #[arg(long, value_name = "N", default_value_t = 500)]
    pub(super) studies: usize,
    /// Seed of everything drawn at random
    #[arg(long, value_name = "SEED", default_value_t = 1)]
    pub(super) seed: u64,
}

/// `NAME=VALUE`.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Named<T> {
    pub(super) name: String,
    pub(super) value: T,
}

/// A share between 0 and 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Share(pub(super) f64);

impl<T: FromStr<Err = String>> FromStr for Named<T> {
    type Err = String;

    fn from_str(text: &str) -> std::result::Result<Self, String> {
        match text.split_once('=') {
            Some((name, value)) if !name.trim().is_empty() => Ok(Self {
                name: name.trim().to_owned(),
                value: value.trim().parse()?,
            }),
            _ => Err("expected NAME=VALUE, such as mature_weight=5%".to_owned()),
        }
    }
}

impl FromStr for Amount {
    type Err = String;

    fn from_str(text: &str) -> std::result::Result<Self, String> {
        let (number, percent) = match text.strip_suffix('%') {
            Some(number) => (number.trim(), true),
            None => (text, false),
        };
        match number.parse::<f64>() {
            Ok(value) if value > 0.0 && value.is_finite() && percent => Ok(Self::Percent(value)),
            Ok(value) if value > 0.0 && value.is_finite() => Ok(Self::Units(value)),
            _ => Err(
                "expected a number above 0 in the quantity's unit, or a percentage such as 5%"
                    .to_owned(),
            ),
        }
    }
}

impl FromStr for Share {
    type Err = String;

    fn from_str(text: &str) -> std::result::Result<Self, String> {
        confidence(text).map(Self)
    }
}
