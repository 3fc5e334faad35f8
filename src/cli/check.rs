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
    // Of a table of which nothing could be read there is nothing to say but its faults.
    if faults.is_empty() || check.summary.weighings > 0 {
        output.words = check.summary.lines();
    }
    output.attention |= check.needs_attention();
    if faults.is_empty() {
        let path = args.input.path.display();
        output.words.push(if args.input.path.is_dir() {
            format!("nothing stands in the way; next: pinfeather run {path}")
        } else {
            format!("nothing stands in the way; next: pinfeather run {path}, with the same options")
        });
        return output.finish();
    }
    if !output.words.is_empty() {
        let faults = match check.faults.len() + check.more_faults {
            1 => "1 fault".to_owned(),
            faults => format!("{faults} faults"),
        };
        output.words.push(format!(
            "{faults} to be corrected first, listed with their places; the lines above are of what could be read"
        ));
    }
    output.finish()?;
    Err(Error::faults(faults))
}
