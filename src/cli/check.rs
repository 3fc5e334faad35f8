//! `check`: can the study be read, and what in it deserves a second look?

use clap::Args;

use super::interrupted::files_named_by;
use super::options::{Common, Input};
use super::output::Output;
use crate::error::{Error, Result};
use crate::study::file_and_sheet;

/// Look a study or a table through: faults, gaps, duplicates, implausible jumps.
/// Writes nothing.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather check data-demo
  pinfeather check weights.csv --bird ring --age day --value grams --group line")]
pub(crate) struct CheckArgs {
    #[command(flatten)]
    input: Input,
}

pub(crate) fn run(args: &CheckArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("check", common).without_files();
    let check = args.input.check()?;
    output.note_open(&file_and_sheet(&args.input.path).0);
    for table in files_named_by(&args.input.path) {
        output.note_open(&table);
    }
    let faults = check.messages();
    if !faults.is_empty() {
        // What could be read of a table at fault is no answer.
        return Err(Error::faults(faults));
    }
    output.findings.words = check.summary.lines();
    output.attention |= check.needs_attention();
    let path = args.input.path.display();
    output.findings.words.push(if args.input.path.is_dir() {
        format!("nothing stands in the way; next: pinfeather run {path}")
    } else {
        format!("nothing stands in the way; next: pinfeather run {path}, with the same options")
    });
    output.finish()
}
