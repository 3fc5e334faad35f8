//! `plan`: how few birds, scanned at which ages, would answer the question?

mod basis;
mod budget;
mod calibration;
mod options;
mod samples;

use std::path::PathBuf;

use clap::Args;

use basis::Basis;
use budget::BudgetOptions;
use calibration::CalibrationOptions;
use options::{FromOptions, LimitOptions, Named, Share, WantedOptions};
use samples::SampleOptions;

use crate::cli::draw::{PaperOptions, add_pictures};
use crate::cli::options::{Common, TableColumns};
use crate::cli::output::Output;
use crate::error::{Error, Result};
use crate::figure::Frame;
use crate::growth::Derived;
use crate::plan::confirm::Studies;
use crate::plan::design::{self, Question};
use crate::plan::schedule::Limits;
use crate::plan::{Aim, Allocation, Amount, Pens, Requirement, targets};
use crate::report::plan_pictures::plan_picture;
use crate::report::plan_words;
use crate::report::summary;
use crate::report::tables::plan::{self as plan_tables, Planned};
use crate::study::FixedEffectOf;
use crate::trajectory::derived_quantities;

/// Plan a study: how few birds, weighed or scanned at which ages, would estimate the growth
/// curve's terms, a difference of strains or a bird's own cue with the precision required;
/// from a pilot study or a saved population.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather plan data-demo --curve gompertz --detect mature_weight=5% --scans 5
  pinfeather plan --population models/populations/demo.toml --weeks 2,6,10,14,18,24 \\
      --precision age_at_50pct=2 --precision A=4% --birds 12,24,48

--detect mature_weight=5% requires detection of a difference of 5 % between any two strains in 8 of
10 trials (--power 0.8); --precision A=4% requires that the 95 % interval of each strain's A
reach 4 % to either side, --precision age_at_50pct=2 that it reach 2 days. Without a requirement,
the mature weight (or the first term) to within 5 %, or a difference of 5 % where there
are several strains.")]
pub(crate) struct PlanArgs {
    /// The pilot: a study folder (with study.toml), or one table of repeated weighings
    #[arg(value_name = "STUDY|TABLE")]
    path: Option<PathBuf>,
    #[command(flatten)]
    from: FromOptions,
    #[command(flatten)]
    wanted: WantedOptions,
    #[command(flatten)]
    limits: LimitOptions,
    #[command(flatten)]
    calibration: CalibrationOptions,
    #[command(flatten)]
    samples: SampleOptions,
    #[command(flatten)]
    budget: BudgetOptions,
    #[command(flatten)]
    paper: PaperOptions,
    #[command(flatten)]
    columns: TableColumns,
}

/// Strains have separate fixed effects.
const FIXED_BY: &[FixedEffectOf] = &[FixedEffectOf::Strain];

pub(crate) fn run(args: &PlanArgs, common: &Common) -> Result<u8> {
    args.check()?;
    if args.budget.asked() {
        return budget::run(args, common);
    }
    if args.samples.asked() {
        return samples::run(args, common);
    }
    let mut output = Output::new("plan", common);
    output.seed = args.limits.seed;
    output.enter_cards(args.from.cards.as_deref())?;
    let mut basis = args.basis(&mut output)?;
    args.repeat_strain(&mut basis)?;
    let question = args.question(&basis)?;
    output
        .findings
        .warnings
        .extend(args.beyond(&basis, &question));
    let calibrations = args.calibration.requirements(args, &mut output)?;
    let mut plan = design::plan(&basis.population, &question).map_err(Error::call)?;
    output
        .findings
        .warnings
        .extend(plan.not_estimable.iter().cloned());
    let simulated = args.limits.studies > 0;
    if let Some(birds) = plan.chosen().birds.filter(|_| simulated) {
        let studies = Studies {
            count: args.limits.studies,
            seed: args.limits.seed,
            level: question.level,
        };
        // Once as the pilot's strains are, once for each difference that is to be seen.
        let is_difference =
            |requirement: &&Requirement| matches!(requirement.aim, Aim::Detect { .. });
        let rounds = 1 + question.requirements.iter().filter(is_difference).count();
        let bar = output.progress(rounds * studies.count, "simulating");
        let population = &basis.population;
        let units = (question.allocation, birds);
        plan.confirm(population, units, &question.requirements, studies, &|| {
            bar.inc(1)
        })?;
        bar.finish_and_clear();
    } else if plan.chosen().birds.is_none() {
        output.attention = true;
    }
    let planned = Planned {
        population: &basis.population,
        question: &question,
        plan: &plan,
        strains: &basis.strains,
        trait_name: &basis.trait_name,
        calibrations: &calibrations,
    };
    output
        .findings
        .words
        .push("How few birds would answer the question?".to_owned());
    output.findings.words.push(format!("  {}", basis.from));
    output.findings.words.extend(plan_words::plan(&planned));
    output.findings.tables.push(plan_tables::designs(&planned));
    output.answer_with(|place| summary::plan(&planned, place));
    let showing = (question.level, Frame::default(), &[][..]);
    add_pictures(&args.paper, showing, &mut output, |showing, drawn| {
        plan_picture(&planned, showing, drawn);
    })?;
    output.finish()
}

impl PlanArgs {
    /// Numbers that no plan can have.
    fn check(&self) -> Result<()> {
        let wrong = |option: &str, found: String, expected: &str| {
            Err(Error::call(format!(
                "{option} {found}: expected {expected}"
            )))
        };
        let limits = &self.limits;
        if let Some(birds) = limits.birds.iter().find(|birds| **birds < 2) {
            return wrong(
                "--birds",
                birds.to_string(),
                "at least 2 birds a strain, since how birds differ takes two",
            );
        }
        if limits.most_birds < 2 {
            return wrong("--most-birds", limits.most_birds.to_string(), "at least 2");
        }
        if let Some(week) = limits
            .weeks
            .iter()
            .find(|week| !(week.is_finite() && **week >= 0.0))
        {
            return wrong("--weeks", week.to_string(), "weeks from 0 on");
        }
        if let Some(week) = self.repeated_week() {
            return wrong("--weeks", week.to_string(), "each week once");
        }
        for (option, values) in [
            ("--at-age", &self.wanted.at_age),
            ("--at-weight", &self.wanted.at_weight),
        ] {
            if let Some(value) = values
                .iter()
                .find(|value| !(value.is_finite() && **value > 0.0))
            {
                return wrong(option, value.to_string(), "a number above 0");
            }
        }
        self.calibration.check()
    }

    fn repeated_week(&self) -> Option<f64> {
        let mut weeks = self.limits.weeks.clone();
        weeks.sort_by(f64::total_cmp);
        let pair = weeks.windows(2).find(|pair| pair[1] - pair[0] < 1e-9)?;
        Some(pair[0])
    }

    fn question(&self, basis: &Basis) -> Result<Question> {
        let limits = self.practical(basis)?;
        let mut asked_d: Vec<f64> = self.limits.weeks.iter().map(|week| 7.0 * week).collect();
        asked_d.sort_by(f64::total_cmp);
        let most_scans = self.limits.scans.unwrap_or(match asked_d.len() {
            0 => 6.min(limits.most_scans()),
            asked => asked,
        });
        if self.limits.scans.is_some() && most_scans > limits.most_scans() {
            return Err(Error::call(format!(
                "--scans {most_scans}: found room for {} a bird with gaps of {} weeks from {} to {} days, expected no more; allow more weeks, a smaller --gap, or fewer scans",
                limits.most_scans(),
                limits.gap,
                limits.first_d,
                limits.first_d + 7.0 * crate::plan::as_number(limits.ages - 1)
            )));
        }
        let derived = self.derived();
        let question = Question {
            requirements: self.requirements(basis, &derived)?,
            derived,
            asked_d: (!asked_d.is_empty()).then_some(asked_d),
            limits,
            most_scans,
            birds: {
                let mut birds = self.limits.birds.clone();
                birds.sort_unstable();
                birds
            },
            most_birds: self.limits.most_birds,
            allocation: self.allocation(basis)?,
            level: self.wanted.confidence,
            seed: self.limits.seed,
        };
        Ok(question)
    }

    /// Birds, or the pens that the call names.
    fn allocation(&self, basis: &Basis) -> Result<Allocation> {
        let birds = Allocation::of_birds(basis.population.groups());
        let Some(per_group) = self.limits.pens else {
            return Ok(birds);
        };
        let sd = match (self.limits.pen_sd, basis.pen_sd) {
            (Some(percent), _) if (0.0..100.0).contains(&percent) => 0.01 * percent,
            (Some(percent), _) => {
                return Err(Error::call(format!(
                    "--pen-sd {percent}: expected a percentage from 0 to 100, such as 3"
                )));
            }
            (None, Some(sd)) => sd,
            (None, None) => {
                return Err(Error::call(format!(
                    "--pens {per_group}: found no pens in the pilot from which the SD between pens can be estimated, expected --pen-sd PERCENT as well; name the SD between pens that you reckon with"
                )));
            }
        };
        let pens = Some(Pens {
            per_group: per_group as usize,
            sd,
        });
        Ok(Allocation { pens, ..birds })
    }

    fn derived(&self) -> Vec<Derived> {
        let wanted = &self.wanted;
        derived_quantities(&wanted.at_age, &wanted.at_weight)
    }

    /// Whole weeks within the call's limits, else within the data and the weeks requested.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "weeks of a bird's life"
    )]
    fn practical(&self, basis: &Basis) -> Result<Limits> {
        let asked = self.limits.weeks.iter().map(|week| 7.0 * week);
        let (first_d, last_d) = asked.fold(basis.span_d, |span, asked_d| {
            (span.0.min(asked_d), span.1.max(asked_d))
        });
        let first = self
            .limits
            .first_week
            .unwrap_or((first_d / 7.0 - 1e-9).ceil().clamp(0.0, 1e4) as usize);
        let last = self
            .limits
            .last_week
            .unwrap_or((last_d / 7.0 + 1e-9).floor().clamp(0.0, 1e4) as usize);
        if last < first {
            return Err(Error::call(format!(
                "--last-week {last}: found it before the first week {first}, expected the last week after the first"
            )));
        }
        Ok(Limits {
            first_d: 7.0 * crate::plan::as_number(first),
            step_d: 7.0,
            ages: last - first + 1,
            // Ages of one bird differ.
            gap: self.limits.gap.max(1),
        })
    }

    fn requirements(&self, basis: &Basis, derived: &[Derived]) -> Result<Vec<Requirement>> {
        let wanted = &self.wanted;
        let requirement = |name: &str, aim| Requirement {
            name: name.to_owned(),
            aim,
        };
        let detect = |size: Amount| Aim::Detect {
            size,
            power: wanted.power,
        };
        let within = |one: &Named<Amount>| requirement(&one.name, Aim::Within(one.value));
        let differs = |one: &Named<Amount>| requirement(&one.name, detect(one.value));
        let cue = |one: &Named<Share>| requirement(&one.name, Aim::Reliable(one.value.0));
        let mut requirements: Vec<Requirement> = wanted.precision.iter().map(within).collect();
        requirements.extend(wanted.detect.iter().map(differs));
        requirements.extend(wanted.cue.iter().map(cue));
        let several = basis.strains.len() > 1;
        if let (Some(one), false) = (wanted.detect.first(), several) {
            return Err(Error::call(format!(
                "--detect {}: found one strain ({}), expected at least two to compare; add --strains 2 to assume a second that grows like it",
                one.name, basis.strains[0]
            )));
        }
        let targets = targets(&basis.population, derived);
        if requirements.is_empty() {
            let size = Amount::Percent(5.0);
            let aim = if several {
                detect(size)
            } else {
                Aim::Within(size)
            };
            let mature = requirement("mature_weight", aim);
            let first = basis.population.curve().terms()[0].name.to_string();
            let has = targets.iter().any(|target| mature.is_about(target));
            requirements.push(if has {
                mature
            } else {
                requirement(&first, aim)
            });
        }
        for requirement in &requirements {
            if !targets.iter().any(|target| requirement.is_about(target)) {
                let (option, kind) = match requirement.aim {
                    Aim::Within(_) => ("--precision", "term"),
                    Aim::Detect { .. } => ("--detect", "term"),
                    Aim::Reliable(_) => ("--cue", "cue"),
                };
                let mut known: Vec<&str> = targets
                    .iter()
                    .filter(|target| match kind {
                        "cue" => target.what.kind() == "cue",
                        _ => matches!(target.what.kind(), "term" | "derived"),
                    })
                    .map(|target| target.name.as_str())
                    .collect();
                known.dedup();
                return Err(Error::call(format!(
                    "{option} {}: the curve {} has none of that name, expected one of {}; others come by --at-age and --at-weight",
                    requirement.name,
                    basis.population.curve().name(),
                    known.join(", ")
                )));
            }
        }
        Ok(requirements)
    }

    /// Ages that no data of the population support.
    fn beyond(&self, basis: &Basis, question: &Question) -> Vec<String> {
        let (first_d, last_d) = basis.span_d;
        let last_allowed = question.limits.first_d
            + question.limits.step_d * crate::plan::as_number(question.limits.ages - 1);
        let mut ages_d = question.asked_d.clone().unwrap_or_default();
        ages_d.extend([question.limits.first_d, last_allowed]);
        let outside = |age_d: &&f64| **age_d < first_d - 1e-6 || **age_d > last_d + 1e-6;
        let mut outside: Vec<f64> = ages_d.iter().filter(outside).copied().collect();
        outside.sort_by(f64::total_cmp);
        outside.dedup();
        let words: Vec<String> = outside.iter().map(|age_d| format!("{age_d}")).collect();
        if words.is_empty() {
            return Vec::new();
        }
        vec![format!(
            "ages of {} days lie outside the data that the curve was fitted to ({first_d} to {last_d} days): its values there are extrapolated, and so is the plan",
            words.join(", ")
        )]
    }
}
