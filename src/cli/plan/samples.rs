//! How many birds of how many pens to weigh a week.

use std::path::Path;

use clap::Args;

use super::{FIXED_BY, PlanArgs};
use crate::cli::options::Common;
use crate::cli::output::Output;
use crate::error::{Error, Result};
use crate::plan::samples::{SampleAim, SampledFlock};
use crate::report::tables::samples::{self as sample_tables, PlannedSamples};
use crate::report::{sample_plan_words, summary};
use crate::study::Study;
use crate::trajectory::sampled::SampledTrait;

/// Half width of the range that counts as uniform, a share of the mean.
const WITHIN: f64 = 0.1;

/// Weekly samples of unnamed birds.
#[derive(Debug, Args)]
#[command(next_help_heading = "Weekly samples")]
pub(super) struct SampleOptions {
    /// How far the interval of the flock's mean weight may reach to either side
    #[arg(long, value_name = "PERCENT", conflicts_with_all = OTHER_QUESTIONS)]
    pub(super) mean_within: Option<f64>,
    /// How far the interval of the flock's uniformity may reach to either side, in points of
    /// percent
    #[arg(long, value_name = "POINTS", conflicts_with_all = OTHER_QUESTIONS)]
    pub(super) uniformity_within: Option<f64>,
    /// Coefficient of variation between birds of a pen [default: as in the pilot's samples, at
    /// --at-age or the last age weighed]
    #[arg(long, value_name = "PERCENT")]
    pub(super) cv: Option<f64>,
    /// SD between days that all pens share [default: the pilot's, or 0]
    #[arg(long, value_name = "PERCENT")]
    pub(super) day_sd: Option<f64>,
    /// SD between occasions of one pen: how birds were caught, the hour [default: the pilot's, or
    /// 0]
    #[arg(long, value_name = "PERCENT")]
    pub(super) occasion_sd: Option<f64>,
    /// Birds kept in a pen [default: the pilot's, or many]
    #[arg(long, value_name = "N")]
    pub(super) birds_per_pen: Option<usize>,
}

/// Options of the questions that samples do not answer.
const OTHER_QUESTIONS: [&str; 10] = [
    "population",
    "precision",
    "detect",
    "cue",
    "weeks",
    "scans",
    "calibration_sd",
    "curve",
    "budget",
    "carcasses",
];

impl SampleOptions {
    /// Whether the call asks about samples and not about growth curves.
    pub(super) fn asked(&self) -> bool {
        self.mean_within.is_some() || self.uniformity_within.is_some()
    }

    fn check(&self, pen_sd: Option<f64>) -> Result<()> {
        let numbers = [
            ("--mean-within", self.mean_within, 0.0, 100.0),
            ("--uniformity-within", self.uniformity_within, 0.0, 100.0),
            ("--cv", self.cv, 0.0, 100.0),
            ("--day-sd", self.day_sd, -1.0, 100.0),
            ("--occasion-sd", self.occasion_sd, -1.0, 100.0),
            ("--pen-sd", pen_sd, -1.0, 100.0),
        ];
        for (option, value, above, below) in numbers {
            let zero = above < 0.0;
            let right = |value: &f64| *value > above && *value < below && !(zero && *value < 0.0);
            if let Some(value) = value.filter(|value| !right(value)) {
                let least = if zero { "0 or above" } else { "above 0" };
                return Err(Error::call(format!(
                    "{option} {value}: expected a number {least} and below 100"
                )));
            }
        }
        if let Some(few) = self.birds_per_pen.filter(|birds| *birds < 2) {
            return Err(Error::call(format!(
                "--birds-per-pen {few}: expected at least 2"
            )));
        }
        Ok(())
    }
}

pub(super) fn run(args: &PlanArgs, common: &Common) -> Result<u8> {
    let asked = &args.samples;
    asked.check(args.limits.pen_sd)?;
    let mut output = Output::new("plan", common);
    let flocks = match &args.path {
        Some(path) => {
            let study = if path.is_dir() {
                Study::read_folder(path)?
            } else {
                Study::read_table(path, &args.columns.ready())?
            };
            output.take(&study, path)?;
            pilot(args, &study, path)?
        }
        None => vec![by_numbers(args)?],
    };
    let aim = SampleAim {
        mean: asked.mean_within.map(|percent| 0.01 * percent),
        uniformity_points: asked.uniformity_within,
        level: args.wanted.confidence,
        most: args.limits.most_birds,
    };
    let planned = PlannedSamples::of(flocks, aim);
    output.attention |= planned.flocks.iter().any(|one| one.chosen.is_none());
    output
        .findings
        .words
        .extend(sample_plan_words::samples(&planned));
    output
        .findings
        .tables
        .push(sample_tables::designs(&planned));
    output.answer_with(|place| summary::samples(&planned, place));
    output.finish()
}

/// A flock: its name, what it is like, where that comes from.
type Flock = (String, SampledFlock, String);

/// The flock that the call gives by numbers.
fn by_numbers(args: &PlanArgs) -> Result<Flock> {
    let asked = &args.samples;
    let Some(cv) = asked.cv else {
        return Err(Error::call(
            "--mean-within or --uniformity-within: found neither a pilot nor --cv, expected a study folder with samples of unnamed birds, or --cv PERCENT; name one of them",
        ));
    };
    if let (Some(pens), None) = (args.limits.pens, args.limits.pen_sd) {
        return Err(Error::call(format!(
            "--pens {pens}: found no pilot from which the SD between pens can be estimated, expected --pen-sd PERCENT as well; name the SD between pens that you reckon with"
        )));
    }
    let share = |percent: Option<f64>| 0.01 * percent.unwrap_or(0.0);
    let flock = SampledFlock {
        cv: 0.01 * cv,
        pens_sd: share(args.limits.pen_sd),
        days_sd: share(asked.day_sd),
        occasions_sd: share(asked.occasion_sd),
        pens: args.limits.pens.map_or(1, |pens| pens as usize),
        birds_per_pen: asked.birds_per_pen,
        within: WITHIN,
    };
    Ok((String::new(), flock, String::new()))
}

/// The flocks of a pilot, by the model of its unnamed birds; what the call names comes first.
fn pilot(args: &PlanArgs, study: &Study, path: &Path) -> Result<Vec<Flock>> {
    let place = path.display();
    let curves = args.curves(study)?;
    let Some(of) = SampledTrait::of(study, &curves, FIXED_BY) else {
        return Err(Error::input(format!(
            "{place}: found no weighings of unnamed birds, expected samples by pen (a table of weighings without a column bird; a bare one with --sample); leave the pilot out and give --cv PERCENT instead"
        )));
    };
    let model = of.model.as_ref().map_err(|why| {
        Error::input(format!(
            "{place}: how pens, days and occasions vary could not be estimated ({why}), expected samples of more ages; leave the pilot out and give --cv, --pens and --pen-sd instead"
        ))
    })?;
    let asked = &args.samples;
    let mut flocks = Vec::new();
    for (group, named) in of.sampled.groups.iter().enumerate() {
        let last_d = of.age_span(group).1;
        let age_d = args.wanted.at_age.first().copied().unwrap_or(last_d);
        let own = model.sd(group, age_d).map(|sd| (sd * sd).exp_m1().sqrt());
        let cv = asked.cv.map(|percent| 0.01 * percent).or(own);
        let Some(cv) = cv else {
            return Err(Error::input(format!(
                "{place}: found no spread between the birds of {}, expected birds weighed one by one, or bulk weighings with their SD; give --cv PERCENT",
                named.name
            )));
        };
        let units = of.sampled.units.iter().filter(|unit| unit.group == group);
        let kept = units
            .clone()
            .filter_map(|unit| study.samples.units[unit.sampled?].birds);
        let kept: Vec<f64> = kept.collect();
        let mean = kept.iter().sum::<f64>() / kept.len().max(1) as f64;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "birds of a pen"
        )]
        let birds = (mean >= 2.0).then(|| mean.round() as usize);
        let share = |percent: Option<f64>, variance: f64| {
            percent.map_or(variance.sqrt(), |percent| 0.01 * percent)
        };
        let components = &model.components;
        let flock = SampledFlock {
            cv,
            pens_sd: share(args.limits.pen_sd, components.units),
            days_sd: share(asked.day_sd, components.days),
            occasions_sd: share(asked.occasion_sd, components.occasions),
            pens: args.limits.pens.map_or(units.count(), |pens| pens as usize),
            birds_per_pen: asked.birds_per_pen.or(birds),
            within: WITHIN,
        };
        let from = format!("samples to {}: ", study.age_unit().show(last_d));
        flocks.push((named.name.clone(), flock, from));
    }
    Ok(flocks)
}
