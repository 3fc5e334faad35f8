//! What may be wrong with the birds on which an equation is tested: each has its clear answer
//! with file, row and column, or a plain refusal.

use pinfeather::composition::validation::{ValidationOptions, Verdict, validate};
use pinfeather::composition::{Equation, Frame};
use pinfeather::study::{Format, sealed};

use crate::support::validation::equation;

const HEADER: &str = "bird,strain,age,fat_scan,fat_chem,part,basis,feathers,restraint";

fn frame(table: &str) -> (tempfile::TempDir, Frame) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pairs.csv");
    std::fs::write(&path, table).unwrap();
    let frame = Frame::read(&path, &Format::default()).unwrap_or_else(|error| panic!("{error}"));
    (folder, frame)
}

fn options() -> ValidationOptions {
    ValidationOptions {
        confidence: 0.95,
        ..ValidationOptions::default()
    }
}

fn refusal(table: &str) -> String {
    let (_folder, frame) = frame(table);
    match validate(&frame, &equation(), &options()) {
        Ok(found) => panic!("{:?}: {table}", found.verdict),
        Err(error) => error.to_string(),
    }
}

const ROWS: [&str; 5] = [
    "b1,Alder,42,80,84,body,as-is,intact,tube",
    "b2,Alder,56,100,97,body,as-is,intact,tube",
    "b3,Birch,70,130,135,body,as-is,intact,tube",
    "b4,Birch,84,160,158,body,as-is,intact,tube",
    "b5,Birch,98,190,196,body,as-is,intact,tube",
];

fn with(row: &str) -> String {
    format!("{HEADER}\n{}\n{row}\n", ROWS.join("\n"))
}

#[test]
fn another_basis_part_unit_or_way_is_refused_with_its_place() {
    for (row, expected) in [
        (
            "b6,Birch,98,190,196,body,dry-matter,intact,tube",
            ["column basis", "dry-matter", "as-is"],
        ),
        (
            "b6,Birch,98,190,196,whole,as-is,intact,tube",
            ["column part", "whole", "body"],
        ),
        (
            "b6,Birch,98,190,196,empty body,as-is,intact,tube",
            ["column part", "empty body", "body"],
        ),
        (
            "b6,Birch,98,190,196,body,as-is,plucked,tube",
            ["column feathers", "plucked", "intact"],
        ),
        (
            "b6,Birch,98,0.19,196,body,as-is,intact,tube",
            ["column fat_scan", "0.19", "grams"],
        ),
        (
            "b6,Birch,98,190,0.196,body,as-is,intact,tube",
            ["column fat_chem", "0.196", "grams"],
        ),
        (
            "b6,Birch,98,190,196,body,as-is,intact,sling",
            ["column restraint", "sling", "--allow-way"],
        ),
    ] {
        let error = refusal(&with(row));
        assert!(error.contains("pairs.csv, row 7"), "{error}");
        assert!(expected.iter().all(|part| error.contains(part)), "{error}");
    }
}

#[test]
fn a_table_that_lacks_what_the_equation_reads_is_refused() {
    let table = with("b6,Birch,98,190,196,body,as-is,intact,tube");
    let error = refusal(&table.replace("fat_scan", "fat2_scan"));
    assert!(
        error.contains("no column fat_scan")
            && error.contains("does not know the readings fat2_scan"),
        "{error}"
    );
    let error = refusal(&table.replace("fat_chem", "fat_pct"));
    assert!(
        error.contains("no column fat_chem") && error.contains("grams"),
        "{error}"
    );
    let error = refusal(&table.replace("b6,Birch,98,190", "b6,Birch,98,many"));
    assert!(
        error.contains("row 7, column fat_scan") && error.contains("many"),
        "{error}"
    );
}

#[test]
fn fewer_than_three_birds_are_no_test() {
    let error = refusal(&format!("{HEADER}\n{}\n{}\n", ROWS[0], ROWS[1]));
    assert!(
        error.contains("found 2 birds") && error.contains("at least 3"),
        "{error}"
    );
    // Scans of one bird are one bird.
    let again = ROWS.map(|row| format!("b1{}", &row[2..])).join("\n");
    let error = refusal(&format!("{HEADER}\n{again}\n"));
    assert!(error.contains("found 1 bird "), "{error}");
}

#[test]
fn birds_of_one_age_or_mass_give_no_range_and_no_slope() {
    let rows = ROWS.map(|row| {
        let cells: Vec<&str> = row.split(',').collect();
        format!(
            "{},{},42,100,{},body,as-is,intact,tube",
            cells[0],
            cells[1],
            100.0 + cells[4].parse::<f64>().unwrap() / 100.0
        )
    });
    let (_folder, frame) = frame(&format!("{HEADER}\n{}\n", rows.join("\n")));
    let found = validate(&frame, &equation(), &options()).unwrap();
    assert_eq!(found.verdict, Verdict::AsItIs);
    assert!(
        found
            .ranges
            .iter()
            .all(|range| range.shown.is_none() && !range.caution.is_empty())
    );
    assert!(
        found
            .warnings
            .iter()
            .any(|line| line.contains("all birds are 42 d old"))
    );
    let slope = found
        .quantities
        .iter()
        .find(|row| row.quantity == "calibration_slope")
        .unwrap();
    assert!(slope.estimate.is_none() && !slope.caution.is_empty());
}

#[test]
fn missing_cells_and_ages_in_weeks_are_named() {
    let (_folder, pairs) = frame(&with("b6,Birch,98,190,,body,as-is,intact,tube"));
    let found = validate(&pairs, &equation(), &options()).unwrap();
    assert!(
        found
            .warnings
            .iter()
            .any(|line| line.contains("row 7") && line.contains("no value of fat_chem"))
    );
    let weeks = ROWS.map(|row| {
        let mut cells: Vec<String> = row.split(',').map(str::to_owned).collect();
        cells[2] = (cells[2].parse::<f64>().unwrap() / 7.0).to_string();
        cells.join(",")
    });
    let (_folder, pairs) = frame(&format!("{HEADER}\n{}\n", weeks.join("\n")));
    let found = validate(&pairs, &equation(), &options()).unwrap();
    assert!(
        found.warnings.iter().any(|line| line.contains("weeks")),
        "{:?}",
        found.warnings
    );
}

/// An equation of an older version of the file, or whose seal is broken, is not tested at all.
#[test]
fn an_older_or_broken_equation_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("fat.toml");
    let text = equation().to_toml().unwrap();
    std::fs::write(&path, text.replace("rows = 60", "rows = 61")).unwrap();
    let error = Equation::read(&path).unwrap_err().to_string();
    assert!(
        error.contains("fat.toml") && error.contains("cut short or changed"),
        "{error}"
    );
    std::fs::write(&path, sealed(&text.replace("version 2", "version 9"))).unwrap();
    let error = Equation::read(&path).unwrap_err().to_string();
    assert!(
        error.contains("version 9") && error.contains("the version of this program that saved it"),
        "{error}"
    );
}
