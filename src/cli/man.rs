//! `man`: the manual page, from the same definitions as the help.

use std::io::Write;

use clap::{Args, CommandFactory};

use super::Cli;
use crate::error::{Error, Result};

/// Print the manual page of the program, or of one command.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather man | man -l -
  pinfeather man run > pinfeather-run.1")]
pub(crate) struct ManArgs {
    /// The command; the whole program where left out
    #[arg(value_name = "COMMAND")]
    command: Option<String>,
}

pub(crate) fn run(args: &ManArgs) -> Result<u8> {
    let mut program = Cli::command();
    program.build();
    let page = match &args.command {
        None => program,
        Some(name) => {
            let found = program.find_subcommand(name).cloned();
            let names: Vec<&str> = program
                .get_subcommands()
                .map(clap::Command::get_name)
                .collect();
            found.ok_or_else(|| {
                Error::call(format!(
                    "found the command {name}, expected one of {}; correct the name",
                    names.join(", ")
                ))
            })?
        }
    };
    let mut text = Vec::new();
    let mut out = std::io::stdout().lock();
    clap_mangen::Man::new(page)
        .render(&mut text)
        .and_then(|()| out.write_all(&text))
        .map_err(Error::standard_output)?;
    Ok(0)
}
