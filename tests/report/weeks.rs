//! Ages in weeks: text, page, paper and figures where a study requests them, tables never.

use std::fs;
use std::process::Command;

use crate::paper::{TARGETS, first_eggs, folder_with, weighings};

/// The output of a run: terminal, page, results in words, a figure, the tables.
struct Read {
    terminal: String,
    page: String,
    results: String,
    growth: String,
    tables: Vec<(String, String)>,
}

fn run(age_unit: &str) -> Read {
    let weighed = weighings(&[("Alder", 1500.0), ("Birch", 1700.0)]);
    let mut birds = "bird,strain\n".to_owned();
    let mut w = "bird,age_d,weight_g\n".to_owned();
    for line in weighed.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let bird = format!("{},{}\n", cells[0], cells[1]);
        if !birds.contains(&bird) {
            birds += &bird;
        }
        w += &format!("{},{},{}\n", cells[0], cells[2], cells[3]);
    }
    let study = format!(
        "name = \"Two strains\"\n[tables]\nbirds = \"birds.csv\"\nweighings = \"w.csv\"\n\
         targets = \"targets.csv\"\nonset = \"eggs.csv\"\n[units]\nage_unit = \"{age_unit}\"\n"
    );
    let folder = folder_with(&[
        ("study.toml", &study),
        ("birds.csv", &birds),
        ("w.csv", &w),
        ("targets.csv", TARGETS),
        ("eggs.csv", &first_eggs(&["Alder", "Birch"])),
    ]);
    let output = Command::new(env!("CARGO_BIN_EXE_pinfeather"))
        .current_dir(folder.path())
        .args(["run", ".", "--format", "svg", "--out", "results"])
        .output()
        .unwrap();
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{errors}");
    let read = |name: &str| fs::read_to_string(folder.path().join("results").join(name)).unwrap();
    let tables = fs::read_dir(folder.path().join("results/tables")).unwrap();
    let mut tables: Vec<(String, String)> = tables
        .map(|entry| entry.unwrap().path())
        .map(|path| {
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            (name, fs::read_to_string(path).unwrap())
        })
        .collect();
    tables.sort();
    Read {
        terminal: String::from_utf8_lossy(&output.stdout).into_owned(),
        page: read("report.html"),
        results: read("paper/results.md"),
        growth: read("figures/growth_body_weight.svg"),
        tables,
    }
}

#[test]
fn a_study_that_asks_for_weeks_reads_in_weeks_and_keeps_its_tables() {
    let (days, weeks) = (run("days"), run("weeks"));
    assert!(
        days.terminal.contains("0 to 140 d (20 weeks)"),
        "{}",
        days.terminal
    );
    assert!(weeks.terminal.contains("0 to 20 wk"), "{}", weeks.terminal);
    for (name, text) in [
        ("terminal", &weeks.terminal),
        ("page", &weeks.page),
        ("results", &weeks.results),
    ] {
        assert!(text.contains("20 wk"), "{name}: {text}");
        assert!(!text.contains("140 d "), "{name}: {text}");
    }
    // Weeks and days within.
    assert!(weeks.terminal.contains("18 wk 4 d"), "{}", weeks.terminal);
    assert!(weeks.page.contains(">Age (weeks)<"));
    assert!(weeks.growth.contains(">Age (weeks)<"));
    assert!(days.growth.contains(">Age (days, beneath in weeks)<"));
    assert_eq!(days.tables, weeks.tables);
}
