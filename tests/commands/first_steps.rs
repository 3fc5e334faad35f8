//! First steps and what makes results trustworthy to live with: a new study that
//! runs as it stands, help and completions, results that are whole or untouched,
//! one workbook of results, and a run that can be verified.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use calamine::{Data, Reader, Xlsx, open_workbook};

use crate::support::{pinfeather_with as call, text};

/// Standard output of a call that must succeed.
fn printed(folder: &Path, arguments: &[&str]) -> String {
    let output = call(folder, arguments);
    let errors = text(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {errors}");
    text(&output.stdout)
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

/// Every file below a folder with its bytes.
fn contents(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut files = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                files.push((path.clone(), fs::read(&path).unwrap()));
            }
        }
    }
    files.sort();
    files
}

const WEIGHTS: &str = "bird,strain,age_d,weight_g
=A1+1,x,0,39\n=A1+1,x,7,72\n=A1+1,x,14,130\n=A1+1,x,21,215\n=A1+1,x,28,310\n=A1+1,x,35,420
-7,x,0,41\n-7,x,7,70\n-7,x,14,125\n-7,x,21,205\n-7,x,28,300\n-7,x,35,405\n";

const FIT: &str = "fit w.csv --group strain --curve gompertz";

/// A folder with a table of two birds, one with a name like a formula.
fn weights() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("w.csv"), WEIGHTS).unwrap();
    folder
}

fn with<'a>(call: &'a str, more: &[&'a str]) -> Vec<&'a str> {
    call.split(' ').chain(more.iter().copied()).collect()
}

#[test]
fn a_new_study_is_checked_and_run_as_it_stands() {
    let folder = tempfile::tempdir().unwrap();
    let words = printed(folder.path(), &["new", "first study"]);
    assert!(words.contains("pinfeather check first study"), "{words}");
    let study = folder.path().join("first study");
    assert_eq!(
        names(&study),
        [
            "birds.csv",
            "events.csv",
            "onset.csv",
            "study.toml",
            "tables.xlsx",
            "targets.csv",
            "weighings.csv",
        ]
    );
    let looked = printed(folder.path(), &["check", "first study"]);
    assert!(
        looked.contains("first study: 12 birds of 2 strains"),
        "{looked}"
    );
    let from_csv = printed(
        folder.path(),
        &["run", "first study", "--out", "csv", "--format", "svg"],
    );
    assert!(from_csv.contains("ON TARGET?"), "{from_csv}");
    // The sheets of the workbook hold the same tables.
    let toml = fs::read_to_string(study.join("study.toml")).unwrap();
    let mut by_sheet = toml.clone();
    for table in ["birds", "weighings", "targets", "onset", "events"] {
        by_sheet = by_sheet.replace(
            &format!("= \"{table}.csv\""),
            &format!("= \"tables.xlsx#{table}\""),
        );
    }
    assert_ne!(by_sheet, toml);
    fs::write(study.join("study.toml"), by_sheet).unwrap();
    let from_sheets = printed(
        folder.path(),
        &["run", "first study", "--out", "xlsx", "--format", "svg"],
    );
    // The answers name the folder of their results, and are the same otherwise.
    assert_eq!(from_csv.replace("csv/report", "xlsx/report"), from_sheets);
    for part in ["tables", "figures"] {
        let other = contents(&folder.path().join("xlsx").join(part));
        for ((path, bytes), (_, same)) in contents(&folder.path().join("csv").join(part))
            .iter()
            .zip(&other)
        {
            assert_eq!(bytes, same, "{}", path.display());
        }
    }
    let record: serde_json::Value =
        serde_json::from_slice(&fs::read(folder.path().join("xlsx/run.json")).unwrap()).unwrap();
    // The settings and one workbook, which is read five times.
    assert_eq!(record["inputs"].as_array().unwrap().len(), 2);
}

#[test]
fn new_leaves_a_folder_with_files_alone() {
    let folder = weights();
    let output = call(folder.path(), &["new", "."]);
    assert_eq!(output.status.code(), Some(2));
    let errors = text(&output.stderr);
    assert!(
        errors.contains("found a folder with files in it"),
        "{errors}"
    );
    assert_eq!(names(folder.path()), ["w.csv"]);
    let output = call(folder.path(), &["new", "w.csv"]);
    assert_eq!(output.status.code(), Some(2));
    fs::create_dir(folder.path().join("empty")).unwrap();
    printed(folder.path(), &["new", "empty"]);
}

/// The commands, as the help lists them.
fn commands(folder: &Path) -> Vec<String> {
    let help = printed(folder, &["--help"]);
    let listed = help.split("Commands:").nth(1).unwrap();
    listed
        .lines()
        .skip(1)
        .take_while(|line| line.starts_with("  "))
        .filter(|line| !line.starts_with("   "))
        .map(|line| line.split_whitespace().next().unwrap().to_owned())
        .filter(|name| name != "help")
        .collect()
}

#[test]
fn every_command_has_help_with_examples() {
    let folder = tempfile::tempdir().unwrap();
    let commands = commands(folder.path());
    assert!(commands.len() >= 9, "{commands:?}");
    for command in &commands {
        let help = printed(folder.path(), &[command, "--help"]);
        let examples = help.split("Examples:").nth(1);
        let examples = examples.unwrap_or_else(|| panic!("{command}: no examples"));
        assert!(
            examples.contains(&format!("pinfeather {command}")),
            "{command}"
        );
    }
}

#[test]
fn completions_and_manual_know_every_command() {
    let folder = tempfile::tempdir().unwrap();
    let page = printed(folder.path(), &["man"]);
    for command in commands(folder.path()) {
        assert!(
            page.contains(&format!("pinfeather\\-{command}(1)")),
            "{command}"
        );
        let own = printed(folder.path(), &["man", &command]);
        assert!(own.starts_with(".ie"), "{command}: {own}");
        assert!(
            own.contains(&format!(".TH pinfeather-{command}")),
            "{command}: {own}"
        );
        for shell in ["bash", "zsh", "fish"] {
            let script = printed(folder.path(), &["completions", shell]);
            assert!(script.contains(&command), "{shell}: {command}");
        }
    }
    assert!(printed(folder.path(), &["man", "fit"]).contains("curve"));
    let output = call(folder.path(), &["man", "fitt"]);
    assert_eq!(output.status.code(), Some(2));
    // The scripts are read by their shells, where they are installed.
    let script = folder.path().join("script");
    for shell in ["bash", "zsh", "fish"] {
        fs::write(&script, printed(folder.path(), &["completions", shell])).unwrap();
        if let Ok(read) = Command::new(shell).arg("-n").arg(&script).status() {
            assert!(read.success(), "{shell}");
        }
    }
}

#[test]
fn results_as_one_workbook() {
    let folder = weights();
    printed(folder.path(), &with(FIT, &["--xlsx", "--out", "one"]));
    printed(folder.path(), &with(FIT, &["--xlsx", "--out", "two"]));
    let bytes = |out: &str| fs::read(folder.path().join(out).join("results.xlsx")).unwrap();
    assert_eq!(bytes("one"), bytes("two"));
    let mut book: Xlsx<_> = open_workbook(folder.path().join("one/results.xlsx")).unwrap();
    let tables = names(&folder.path().join("one/tables"));
    let mut sheets = book.sheet_names();
    assert_eq!(sheets.remove(0), "notes");
    sheets.sort();
    let stems: Vec<&str> = tables
        .iter()
        .map(|name| name.trim_end_matches(".csv"))
        // What the columns mean stands on the first sheet.
        .filter(|name| *name != "dictionary")
        .collect();
    assert_eq!(sheets, stems);
    let tables = tables.iter().filter(|name| *name != "dictionary.csv");
    for (sheet, table) in sheets.iter().zip(tables) {
        let range = book.worksheet_range(sheet).unwrap();
        let csv = fs::read_to_string(folder.path().join("one/tables").join(table)).unwrap();
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .from_reader(csv.as_bytes());
        for (row, record) in reader.records().enumerate() {
            for (column, cell) in record.unwrap().iter().enumerate() {
                let place = (u32::try_from(row).unwrap(), u32::try_from(column).unwrap());
                let same = match range.get_value(place).unwrap_or(&Data::Empty) {
                    Data::Empty => cell.is_empty(),
                    Data::Float(value) => {
                        // The CSV holds ten digits.
                        let written: f64 = cell.parse().unwrap();
                        (written - value).abs() <= 1e-9 * value.abs()
                    }
                    Data::String(words) => words == cell || format!("'{words}") == cell,
                    other => panic!("{sheet} {place:?}: {other:?}"),
                };
                assert!(same, "{sheet} {place:?}: {cell}");
            }
        }
        // A bird named like a formula is words in a workbook.
        assert!(book.worksheet_formula(sheet).unwrap().is_empty(), "{sheet}");
    }
    let terms = book.worksheet_range("curve_terms").unwrap();
    assert!(
        terms
            .used_cells()
            .any(|(_, _, cell)| *cell == Data::String("=A1+1".into()))
    );
}

#[test]
fn the_notes_say_what_every_column_of_the_demo_means() {
    let folder = tempfile::tempdir().unwrap();
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo");
    let demo = demo.to_str().unwrap();
    printed(
        folder.path(),
        &[
            "run", demo, "--xlsx", "--format", "svg", "--curve", "gompertz",
        ],
    );
    let mut book: Xlsx<_> = open_workbook(folder.path().join("results/results.xlsx")).unwrap();
    let notes = book.worksheet_range("notes").unwrap();
    let of =
        |row: &[Data], column: usize| row.get(column).map(ToString::to_string).unwrap_or_default();
    let rows: Vec<[String; 3]> = notes
        .rows()
        .map(|row| [0, 1, 2].map(|column| of(row, column)))
        .collect();
    let from = rows
        .iter()
        .position(|row| row[0] == "What the columns mean")
        .unwrap();
    let undescribed: Vec<String> = rows[from + 1..]
        .iter()
        .filter(|row| row[2].is_empty())
        .map(|row| format!("{}.{}", row[0], row[1]))
        .collect();
    assert!(rows.len() > from + 60);
    assert!(
        undescribed.is_empty(),
        "columns without a meaning: {undescribed:?}"
    );
    for name in ["arguments", "input", "command", "program"] {
        assert!(rows.iter().any(|row| row[0] == name), "{name}");
    }
}

/// Names that begin like formulas: guarded where a spreadsheet would work them
/// out, left alone where they are numbers, and read back as they were.
#[test]
fn names_like_formulas_are_guarded_and_read_back() {
    let folder = weights();
    printed(folder.path(), &with(FIT, &[]));
    let residuals = folder.path().join("results/tables/residuals.csv");
    let table = fs::read_to_string(&residuals).unwrap();
    assert!(table.contains(",'=A1+1,"), "{table}");
    assert!(table.contains(",-7,"), "{table}");
    let columns = pinfeather::study::Columns {
        bird: Some("bird".into()),
        value: Some("observed".into()),
        values: pinfeather::study::Values::AnyNumber,
        ..pinfeather::study::Columns::default()
    };
    let study = pinfeather::study::Study::read_table(&residuals, &columns).unwrap();
    let names: Vec<&str> = study.birds.iter().map(|bird| bird.name.as_str()).collect();
    assert_eq!(names, ["=A1+1", "-7"]);
}

#[test]
fn one_table_that_cannot_be_written_leaves_the_earlier_results_whole() {
    let folder = weights();
    printed(folder.path(), &with(FIT, &[]));
    let results = folder.path().join("results");
    // A folder stands where the last table should go.
    fs::remove_file(results.join("tables/residuals.csv")).unwrap();
    fs::create_dir(results.join("tables/residuals.csv")).unwrap();
    let before = contents(&results);
    let output = call(folder.path(), &with(FIT, &["--at-age", "30"]));
    let errors = text(&output.stderr);
    assert_eq!(output.status.code(), Some(3), "{errors}");
    assert!(
        errors.contains("residuals.csv: could not be written"),
        "{errors}"
    );
    assert_eq!(contents(&results), before);
    assert_eq!(text(&output.stdout), "", "no answer without its files");
}

/// A disk that fills up, as far as a test can bring it about: files may not grow
/// beyond one block.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_leaves_the_earlier_results_whole() {
    let folder = weights();
    printed(folder.path(), &with(FIT, &[]));
    let results = folder.path().join("results");
    let before = contents(&results);
    let full = |limit: &str, out: &str| {
        let call = format!(
            "trap '' XFSZ; ulimit -f {limit}; exec '{}' {FIT} --at-age 30 --out {out}",
            env!("CARGO_BIN_EXE_pinfeather")
        );
        Command::new("bash")
            .current_dir(folder.path())
            .args(["-c", &call])
            .output()
            .unwrap()
    };
    let output = full("1", "results");
    let errors = text(&output.stderr);
    assert_eq!(output.status.code(), Some(3), "{errors}");
    assert!(errors.contains("could not be written"), "{errors}");
    assert_eq!(contents(&results), before);
    // Where there was nothing before, nothing is left.
    let output = full("1", "other");
    assert_eq!(output.status.code(), Some(3));
    assert!(!folder.path().join("other").exists());
    assert_eq!(full("1000", "other").status.code(), Some(0));
}

#[cfg(target_os = "linux")]
#[test]
fn places_where_nothing_can_be_written() {
    let folder = weights();
    // Nobody, not even the superuser, makes a folder there.
    let output = call(folder.path(), &with(FIT, &["--out", "/proc/pinfeather"]));
    let errors = text(&output.stderr);
    assert_eq!(output.status.code(), Some(3), "{errors}");
    assert!(
        errors.contains("check the folder's permissions"),
        "{errors}"
    );
    let output = call(folder.path(), &["new", "/proc/pinfeather"]);
    assert_eq!(output.status.code(), Some(3));
    let full = fs::OpenOptions::new()
        .write(true)
        .open("/dev/full")
        .unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_pinfeather"))
        .current_dir(folder.path())
        .args(with(FIT, &["--json"]))
        .stdout(full)
        .output()
        .unwrap();
    let errors = text(&output.stderr);
    assert_eq!(output.status.code(), Some(3), "{errors}");
    assert!(errors.contains("standard output"), "{errors}");
}

#[test]
fn a_run_verifies_against_its_record() {
    let folder = weights();
    let path = folder.path();
    printed(path, &with(FIT, &["--threads", "2", "--xlsx"]));
    let before = contents(path);
    for threads in ["1", "2"] {
        let words = printed(
            path,
            &["run", "--verify", "results/run.json", "--threads", threads],
        );
        assert!(
            words.starts_with("nothing has changed since results/run.json"),
            "{words}"
        );
        let same = "8 of 8 files are reproduced byte for byte";
        assert!(words.contains(same), "{words}");
    }
    assert_eq!(contents(path), before, "verifying writes nothing");
    // One weight is corrected.
    fs::write(path.join("w.csv"), WEIGHTS.replace("35,405", "35,406")).unwrap();
    let words = printed(path, &["run", "--verify", "results/run.json"]);
    assert!(words.contains("input w.csv:"), "{words}");
    assert!(words.contains("tables/curve_terms.csv:"), "{words}");
    assert!(words.contains("rows differ"), "{words}");
    assert!(words.contains("\" then, \""), "{words}");
    let output = call(path, &["run", "--verify", "results/run.json", "--strict"]);
    assert_eq!(output.status.code(), Some(1));
    // Rows gone: the bird -7 leaves the tables.
    fs::write(path.join("w.csv"), WEIGHTS.split("-7,").next().unwrap()).unwrap();
    let words = printed(path, &["run", "--verify", "results/run.json"]);
    assert!(
        words.contains("the counts of the run have changed"),
        "{words}"
    );
    fs::remove_file(path.join("w.csv")).unwrap();
    let output = call(path, &["run", "--verify", "results/run.json"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("run from the folder"));
}

#[test]
fn what_is_no_run_record_is_reported() {
    let folder = weights();
    let output = call(folder.path(), &["run", "--verify", "w.csv"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("found no run record"));
    printed(folder.path(), &with(FIT, &[]));
    let record = folder.path().join("results/run.json");
    let old = fs::read_to_string(&record).unwrap();
    fs::write(&record, old.replace("\"--curve\"", "\"--kurve\"")).unwrap();
    let output = call(folder.path(), &["run", "--verify", "results/run.json"]);
    assert_eq!(output.status.code(), Some(2));
    let errors = text(&output.stderr);
    assert!(errors.contains("--kurve"), "{errors}");
    assert!(errors.contains("run it with that version"), "{errors}");
}
