//! `new`: a study folder to begin with.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;

use super::options::Common;
use super::output::Output;
use crate::error::{Error, Result};
use crate::report::files::Places;
use crate::report::tables_workbook;
use crate::study::{STARTER_TABLES, starter_settings};

/// Lay out a new study folder: study.toml with every key explained, and small invented
/// example tables, as CSV files and as the sheets of one workbook.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather new my-study
  pinfeather check my-study
  pinfeather run my-study --out my-study/results")]
pub(crate) struct NewArgs {
    /// The folder; it must not be there yet, or be empty
    #[arg(value_name = "DIR")]
    folder: PathBuf,
}

/// The workbook with all example tables.
const WORKBOOK: &str = "tables.xlsx";

pub(crate) fn run(args: &NewArgs, common: &Common) -> Result<u8> {
    let folder = &args.folder;
    let shown = folder.display();
    let found = match std::fs::read_dir(folder) {
        Ok(mut entries) => entries.next().map(|_| "a folder with files in it"),
        Err(_) if folder.exists() => Some("a file"),
        Err(_) => None,
    };
    if let Some(found) = found {
        return Err(Error::call(format!(
            "{shown}: found {found}, expected a name that is free or an empty folder; choose another name"
        )));
    }
    let name = folder.file_name().map_or_else(
        || "my study".into(),
        |name| name.to_string_lossy().into_owned(),
    );
    let places = Places::new(&common.root, Some(folder));
    let mut writing = places.begin()?;
    let Some(here) = places.beside("") else {
        return Ok(0);
    };
    let settings = starter_settings(&name);
    writing.write(&here, "study.toml", |out| {
        out.write_all(settings.as_bytes())
    })?;
    for table in STARTER_TABLES {
        let file = format!("{}.csv", table.name.key());
        writing.write(&here, &file, |out| out.write_all(table.csv.as_bytes()))?;
    }
    let sheets: Vec<(&str, &str)> = STARTER_TABLES
        .iter()
        .map(|table| (table.name.key(), table.csv))
        .collect();
    let book = tables_workbook(&sheets)?;
    writing.write(&here, WORKBOOK, |out| out.write_all(&book))?;
    let names: Vec<String> = writing
        .results()
        .iter()
        .map(|file| file.path.clone())
        .collect();
    places.exchange(writing)?;
    let mut output = Output::new("new", common).without_files();
    output.findings.words = vec![
        format!("{shown}: {}", names.join(", ")),
        "  the birds are invented; each table stands in its CSV file and as a sheet of the workbook"
            .to_owned(),
        format!(
            "  to read the workbook, name its sheets in study.toml: weighings = \"{WORKBOOK}#weighings\""
        ),
        "next:".to_owned(),
        format!("  pinfeather check {shown}"),
        format!("  pinfeather run {shown} --out {shown}/results"),
        format!("  then put your own tables in place of the examples, and look through {shown}/study.toml"),
    ];
    output.finish()
}
