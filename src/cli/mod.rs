//! The program's commands, one file each; knows clap and no numerics.

mod check;
mod draw;
mod fit;
mod lay_table;
mod onset;
mod options;
mod output;
mod run;
mod study_lay;
mod target;

use std::ffi::OsString;
use std::io::Write;

use clap::{Parser, Subcommand};

use crate::error::Result;
use options::Common;

/// Growth, body composition and sexual maturity of egg-type pullets from repeated
/// weighings and live-bird scans.
#[derive(Debug, Parser)]
#[command(name = "pinfeather", version, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    command: Command,
    #[command(flatten)]
    common: Common,
}

#[derive(Debug, Subcommand)]
enum Command {
    Check(check::CheckArgs),
    Fit(fit::FitArgs),
    Target(target::TargetArgs),
    Onset(onset::OnsetArgs),
    Draw(draw::DrawArgs),
    Run(run::RunArgs),
}

/// Runs the program on its arguments and gives the exit status: 0 done, 1 done
/// but the data or the fits need attention and `--strict` was given, 2 the input
/// or the call is wrong, 3 an output could not be written.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> u8 {
    let cli = match Cli::try_parse_from(arguments) {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version come this way too, with status 0.
            let _ = error.print();
            return u8::try_from(error.exit_code()).unwrap_or(2);
        }
    };
    match dispatch(&cli) {
        Ok(status) => status,
        Err(error) => {
            let mut out = std::io::stderr().lock();
            for message in error.messages() {
                // Where standard error is closed there is nobody to tell.
                let _ = writeln!(out, "error: {message}");
            }
            error.exit_status()
        }
    }
}

fn dispatch(cli: &Cli) -> Result<u8> {
    let common = &cli.common;
    common.use_threads()?;
    match &cli.command {
        Command::Check(args) => check::run(args, common),
        Command::Fit(args) => fit::run(args, common),
        Command::Target(args) => target::run(args, common),
        Command::Onset(args) => onset::run(args, common),
        Command::Draw(args) => draw::run(args, common),
        Command::Run(args) => run::run(args, common),
    }
}
