//! `report`: the page alone.

use clap::Args;

use super::options::Common;
use super::output::{Only, Output};
use super::run::WholeStudy;
use crate::error::{Error, Result};

/// Write the report page: one HTML file with the answers, the curves of every bird,
/// figures and tables, that opens from disk without a network.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather report data-demo --out results
  pinfeather report weights.csv --bird ring --age days --value grams --group line")]
pub(crate) struct ReportArgs {
    #[command(flatten)]
    whole: WholeStudy,
}

pub(crate) fn run(args: &ReportArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("report", common).only(Only::Page);
    if !output.keeps_files() {
        return Err(Error::call(
            "--json: report prints no page, expected --out DIR as well",
        ));
    }
    args.whole.page(&mut output)?;
    output.finish()
}
