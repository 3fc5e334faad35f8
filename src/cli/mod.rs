//! The program's commands, one file each; depends on clap and contains no numerics.

mod calibrate;
mod check;
mod choices;
mod completions;
mod contrast;
mod correct;
mod draw;
mod fit;
mod fit_batches;
mod interrupted;
mod lay_table;
mod man;
mod new;
mod onset;
mod options;
mod output;
mod paper;
mod plan;
mod population;
mod repeatability;
mod report;
mod run;
mod target;
mod validate;
mod verify;
mod view;

use std::ffi::OsString;
use std::io::Write;

use clap::{CommandFactory, FromArgMatches, Parser, Subcommand};

use crate::error::Result;
use options::Common;

/// Growth, body composition and sexual maturity of egg-type pullets from repeated
/// weighings and live-bird scans.
#[derive(Debug, Parser)]
#[command(
    name = "pinfeather",
    version,
    max_term_width = 100,
    after_help = "First steps:
  pinfeather new my-study          lay out a study folder with example tables
  pinfeather check my-study        is everything readable, does anything stand out?
  pinfeather run my-study          growth curves, target, cues, figures, into results/
  pinfeather help run              what a command takes, with examples"
)]
struct Cli {
    #[command(subcommand)]
    command: Command,
    #[command(flatten)]
    common: Common,
}

#[derive(Debug, Subcommand)]
enum Command {
    New(new::NewArgs),
    Check(check::CheckArgs),
    Repeatability(repeatability::RepeatabilityArgs),
    Calibrate(calibrate::CalibrateArgs),
    Correct(correct::CorrectArgs),
    Validate(validate::ValidateArgs),
    Fit(fit::FitArgs),
    Contrast(contrast::ContrastArgs),
    Target(target::TargetArgs),
    Onset(onset::OnsetArgs),
    Plan(plan::PlanArgs),
    Draw(draw::DrawArgs),
    Report(report::ReportArgs),
    View(view::ViewArgs),
    Run(run::RunArgs),
    Completions(completions::CompletionsArgs),
    Man(man::ManArgs),
}

/// Options that `-h` shows; `--help` shows all, by topic.
const OFTEN: [&str; 19] = [
    "bird",
    "age",
    "date",
    "value",
    "group",
    "targets",
    "onset",
    "curve",
    "level",
    "by",
    "terms",
    "forecast",
    "population",
    "equation",
    "acceptable",
    "chemistry",
    "out",
    "details",
    "quiet",
];

/// The program for clap, the options that few people need left out of the short help.
fn program() -> clap::Command {
    fn shorten(command: clap::Command) -> clap::Command {
        let command = command.mut_args(|arg| {
            let often = arg.get_long().is_none_or(|name| OFTEN.contains(&name));
            arg.hide_short_help(!often)
        });
        command.mut_subcommands(shorten)
    }
    shorten(Cli::command())
}

/// Runs the program on its arguments and gives the exit status: 0 done, 1 done
/// but the data or the fits need attention and `--strict` was given, 2 the input
/// or the call is wrong, 3 an output could not be written.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> u8 {
    let arguments: Vec<OsString> = arguments.into_iter().collect();
    let parsed = program()
        .try_get_matches_from(&arguments)
        .and_then(|matches| Cli::from_arg_matches(&matches));
    let mut cli = match parsed {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version come this way too, with status 0.
            let _ = error.print();
            return u8::try_from(error.exit_code()).unwrap_or(2);
        }
    };
    let call: Vec<String> = arguments
        .iter()
        .map(|argument| argument.to_string_lossy().into_owned())
        .collect();
    cli.common.arguments = output::without_output(call.iter().cloned());
    let ready = cli.common.check().and_then(|()| cli.common.use_threads());
    let recovered = ready.and_then(|()| interrupted::recover(&call, cli.common.quiet));
    match recovered.and_then(|()| dispatch(&cli)) {
        Ok(status) => status,
        Err(error) => {
            let mut out = std::io::stderr().lock();
            for message in error.messages() {
                // Where standard error is closed there is no reader.
                let _ = writeln!(out, "error: {message}");
            }
            error.exit_status()
        }
    }
}

impl Command {
    /// Whether a run record may name it: it has results, and ends by itself.
    fn has_results(&self) -> bool {
        match self {
            Self::Repeatability(_)
            | Self::Calibrate(_)
            | Self::Correct(_)
            | Self::Validate(_)
            | Self::Fit(_)
            | Self::Contrast(_)
            | Self::Target(_)
            | Self::Onset(_)
            | Self::Plan(_)
            | Self::Draw(_)
            | Self::Report(_) => true,
            Self::Run(args) => !args.verify,
            Self::New(_) | Self::Check(_) | Self::View(_) | Self::Completions(_) | Self::Man(_) => {
                false
            }
        }
    }
}

fn dispatch(cli: &Cli) -> Result<u8> {
    let common = &cli.common;
    match &cli.command {
        Command::New(args) => new::run(args, common),
        Command::Check(args) => check::run(args, common),
        Command::Repeatability(args) => repeatability::run(args, common),
        Command::Calibrate(args) => calibrate::run(args, common),
        Command::Correct(args) => correct::run(args, common),
        Command::Validate(args) => validate::run(args, common),
        Command::Fit(args) => fit::run(args, common),
        Command::Contrast(args) => contrast::run(args, common),
        Command::Target(args) => target::run(args, common),
        Command::Onset(args) => onset::run(args, common),
        Command::Plan(args) => plan::run(args, common),
        Command::Draw(args) => draw::run(args, common),
        Command::Report(args) => report::run(args, common),
        Command::View(args) => view::run(args, common),
        Command::Run(args) => run::run(args, common),
        Command::Completions(args) => completions::run(args),
        Command::Man(args) => man::run(args),
    }
}
