//! Tables, settings, saved models and run records, as files on disk.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use arbitrary::{Result, Unstructured};
use pinfeather::Error;
use pinfeather::composition::Equation;
use pinfeather::maturity::{LayColumns, read_lay_table};
use pinfeather::report::RunRecord;
use pinfeather::study::{Check, Columns, Format, Settings, Study, read_columns, sealed};
use pinfeather::trajectory::BirdPopulation;

use crate::mutate::{corpus, mutated, repository};

static FOLDER: OnceLock<tempfile::TempDir> = OnceLock::new();

/// A folder in memory where there is one, for the life of the process.
pub fn folder() -> &'static Path {
    FOLDER
        .get_or_init(|| {
            tempfile::tempdir_in("/dev/shm")
                .or_else(|_| tempfile::tempdir())
                .expect("a temporary folder")
        })
        .path()
}

/// Removes it.
pub fn remove_folder() {
    if let Some(folder) = FOLDER.get() {
        let _ = std::fs::remove_dir_all(folder.path());
    }
}

pub(crate) fn written(name: &str, bytes: &[u8]) -> PathBuf {
    let path = folder().join(name);
    std::fs::write(&path, bytes).expect("a file in a temporary folder");
    path
}

/// A refusal must say something, in words.
pub(crate) fn refused(error: &Error) {
    assert!(!error.messages().is_empty(), "an error without a message");
    for message in error.messages() {
        assert!(!message.trim().is_empty(), "an empty message");
    }
}

/// What was read is finite and indexed within itself.
fn sound(study: &Study) {
    for records in &study.traits {
        assert!(
            records.values.iter().all(|value| value.is_finite()),
            "a value that is no number"
        );
        for bird in 0..study.birds.len() {
            let (ages_d, values) = records.of(bird);
            assert_eq!(ages_d.len(), values.len());
            assert!(
                ages_d.iter().all(|age_d| age_d.is_finite()),
                "an age that is no number"
            );
        }
    }
}

fn two(u: &mut Unstructured, corpus: &'static [Vec<u8>]) -> Result<Vec<u8>> {
    let (text, other) = (u.choose(corpus)?, u.choose(corpus)?);
    mutated(u, text, other)
}

/// Bare tables of every kind.
pub(crate) fn tables(data: &[u8]) {
    let _ = try_tables(&mut Unstructured::new(data));
}

fn try_tables(u: &mut Unstructured) -> Result<()> {
    static TABLES: OnceLock<Vec<Vec<u8>>> = OnceLock::new();
    let folders = ["data-demo", "tests/spreadsheets", "tests/data/demo-faulty"];
    let bytes = two(u, corpus(&TABLES, &folders, &["csv", "txt"]))?;
    let path = written("table.csv", &bytes);
    read_table(u, &path)
}

pub(crate) fn read_table(u: &mut Unstructured, path: &Path) -> Result<()> {
    let named = |u: &mut Unstructured, name: &str| -> Result<Option<String>> {
        Ok(if u.ratio(1, 4)? {
            Some(name.to_owned())
        } else {
            None
        })
    };
    let columns = Columns {
        bird: named(u, "bird")?,
        age: named(u, "age_d")?,
        date: named(u, "date")?,
        value: named(u, "weight_g")?,
        group: named(u, "strain")?,
        hatched_on: named(u, "2025-03-03")?,
        format: Format {
            wide: u.ratio(1, 8)?,
            ..Format::default()
        },
        ..Columns::default()
    };
    match u.int_in_range(0..=5_u8)? {
        0..=2 => match Study::read_table(path, &columns) {
            Ok(study) => sound(&study),
            Err(error) => refused(&error),
        },
        3 => match Check::table(path, &columns) {
            Ok(check) => drop(check.summary.lines()),
            Err(error) => refused(&error),
        },
        4 => match Study::read_scans(path, &columns) {
            Ok(study) => sound(&study),
            Err(error) => refused(&error),
        },
        _ => {
            if u.arbitrary()? {
                if let Err(error) = read_columns(path, &columns.format) {
                    refused(&error);
                }
            } else {
                let columns = LayColumns {
                    bird: Some("bird".to_owned()),
                    time: Some("first_egg_age_d".to_owned()),
                    days_per_unit: 1.0,
                    ..LayColumns::default()
                };
                if let Err(error) = read_lay_table(path, &columns) {
                    refused(&error);
                }
            }
        }
    }
    Ok(())
}

/// `study.toml`.
pub(crate) fn settings(data: &[u8]) {
    let _ = try_settings(&mut Unstructured::new(data));
}

fn try_settings(u: &mut Unstructured) -> Result<()> {
    static SETTINGS: OnceLock<Vec<Vec<u8>>> = OnceLock::new();
    let folders = ["data-demo", "src/study", "tests/data/demo-faulty"];
    let bytes = two(u, corpus(&SETTINGS, &folders, &["toml"]))?;
    if let Err(error) = String::from_utf8_lossy(&bytes).parse::<Settings>() {
        refused(&error);
    }
    Ok(())
}

/// Sealed again after the change, so that more than the seal is tested; now and then not.
fn sealed_again(u: &mut Unstructured, bytes: Vec<u8>) -> Result<Vec<u8>> {
    if u.ratio(1, 20)? {
        return Ok(bytes);
    }
    Ok(sealed(&String::from_utf8_lossy(&bytes)).into_bytes())
}

/// Saved equations.
pub(crate) fn saved_equations(data: &[u8]) {
    let _ = try_saved_equations(&mut Unstructured::new(data));
}

fn try_saved_equations(u: &mut Unstructured) -> Result<()> {
    static EQUATIONS: OnceLock<Vec<Vec<u8>>> = OnceLock::new();
    let bytes = two(
        u,
        corpus(&EQUATIONS, &["models/corrections/published"], &["toml"]),
    )?;
    let path = written("equation.toml", &sealed_again(u, bytes)?);
    if let Err(error) = Equation::read(&path) {
        refused(&error);
    }
    Ok(())
}

/// Saved populations.
pub(crate) fn saved_populations(data: &[u8]) {
    let _ = try_saved_populations(&mut Unstructured::new(data));
}

fn try_saved_populations(u: &mut Unstructured) -> Result<()> {
    static POPULATIONS: OnceLock<Vec<Vec<u8>>> = OnceLock::new();
    let bytes = two(u, corpus(&POPULATIONS, &["models/populations"], &["toml"]))?;
    let path = written("population.toml", &sealed_again(u, bytes)?);
    if let Err(error) = BirdPopulation::read(&path, &[]) {
        refused(&error);
    }
    Ok(())
}

/// Run records.
pub(crate) fn records(data: &[u8]) {
    let _ = try_records(&mut Unstructured::new(data));
}

fn try_records(u: &mut Unstructured) -> Result<()> {
    static RECORDS: OnceLock<Vec<Vec<u8>>> = OnceLock::new();
    let corpus = RECORDS.get_or_init(|| {
        let record = RunRecord {
            program: "pinfeather".to_owned(),
            version: "0.1.0".to_owned(),
            command: "fit".to_owned(),
            arguments: vec!["fit".to_owned(), "data-demo".to_owned()],
            seed: 1,
            methods: [("intervals".to_owned(), "Wald".to_owned())].into(),
            inputs: vec![
                pinfeather::report::InputFile::digest(&repository("data-demo/birds.csv"))
                    .expect("a file"),
            ],
            counts: [("birds".to_owned(), 72)].into(),
            warnings: vec!["look".to_owned()],
            outputs: Vec::new(),
            saved: Vec::new(),
        };
        vec![serde_json::to_vec_pretty(&record).expect("a record")]
    });
    let bytes = two(u, corpus)?;
    if let Ok(record) = serde_json::from_slice::<RunRecord>(&bytes) {
        let again = serde_json::to_vec(&record).expect("a record that was read can be written");
        serde_json::from_slice::<RunRecord>(&again).expect("and read again");
    }
    Ok(())
}
