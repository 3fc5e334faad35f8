//! `completions`: a shell's completions, from the same definitions as the help.

use std::io::Write;

use clap::{Args, CommandFactory};
use clap_complete::Shell;

use super::Cli;
use crate::error::{Error, Result};

/// Print the completions of a shell.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather completions bash > ~/.local/share/bash-completion/completions/pinfeather
  pinfeather completions zsh > ~/.zfunc/_pinfeather
  pinfeather completions fish > ~/.config/fish/completions/pinfeather.fish")]
pub(crate) struct CompletionsArgs {
    /// The shell
    #[arg(value_enum)]
    shell: Shell,
}

pub(crate) fn run(args: &CompletionsArgs) -> Result<u8> {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "pinfeather", &mut text);
    let mut out = std::io::stdout().lock();
    out.write_all(&text).map_err(Error::standard_output)?;
    Ok(0)
}
