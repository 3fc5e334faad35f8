//! Eggs counted by pen from table to answers: `onset` on a bare table, `run` on a folder that has
//! no birds.

use std::fs;
use std::path::Path;

use crate::support::{Row, cell, done, pinfeather, reference, rows, text};

/// The first two pens of the flock whose hens' rates rise, in two strains.
fn eggs() -> String {
    let table = fs::read_to_string(reference("eggs/rising.csv")).unwrap();
    let mut out = String::from("pen,age_d,eggs,hens,strain\n");
    for row in table.lines().skip(1) {
        let strain = match row.split(',').next() {
            Some("1") => "Alder",
            Some("2") => "Birch",
            _ => continue,
        };
        out += &format!("{row},{strain}\n");
    }
    out
}

fn answers<'a>(all: &'a [Row], strain: &str, pen: &str, quantity: &str) -> &'a Row {
    let mut own = all
        .iter()
        .filter(|row| row["strain"] == strain && row["pen"] == pen && row["quantity"] == quantity);
    own.next()
        .unwrap_or_else(|| panic!("{quantity} of {strain} {pen}"))
}

#[test]
fn a_bare_table_of_eggs_has_answers_by_strain_and_pen() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("eggs.csv"), eggs()).unwrap();
    let printed = done(folder.path(), "onset eggs.csv --out out");
    assert!(printed.contains("LAY"), "{printed}");
    assert!(printed.contains("50 % hen-day  pens"), "{printed}");
    let all = rows(&folder.path().join("out/tables/answers.csv"));
    for (strain, pen) in [("Alder", ""), ("Alder", "1"), ("Birch", "2")] {
        let at = |quantity: &str| {
            let row = answers(&all, strain, pen, quantity);
            assert_eq!(row["status"], "supported", "{row:?}");
            assert_eq!(row["unit"], "d");
            assert!(cell(row, "lower") < cell(row, "estimate"), "{row:?}");
            assert!(cell(row, "estimate") < cell(row, "upper"), "{row:?}");
            cell(row, "estimate")
        };
        let half = at("age_in_lay_50pct");
        assert!(at("age_in_lay_5pct") < half && half < at("age_in_lay_95pct"));
        assert!(half < at("age_at_50pct_hen_day_production"));
        assert!((at("mean_age_at_maturity") - half).abs() < 1.0);
        assert!((6.0..10.0).contains(&at("sd_age_at_maturity")));
    }
    let caution = &answers(&all, "Alder", "", "age_in_lay_50pct")["caution"];
    assert!(caution.contains("one pen"), "{caution}");
    let counts = rows(&folder.path().join("out/tables/egg_counts.csv"));
    let last = counts.last().unwrap();
    let hen_day = 100.0 * cell(last, "eggs") / cell(last, "hens");
    assert!((cell(last, "hen_day_pct") - hen_day).abs() < 1e-6);
    assert!(cell(last, "hen_housed_pct") < hen_day);
}

#[test]
fn counts_that_end_too_early_have_a_reason_and_no_number() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("eggs.csv"), eggs()).unwrap();
    let printed = done(folder.path(), "onset eggs.csv --as-of 130 --out out");
    assert!(printed.contains("not estimable"), "{printed}");
    assert!(printed.contains("the counts end"), "{printed}");
    let all = rows(&folder.path().join("out/tables/answers.csv"));
    let half = answers(&all, "Alder", "1", "age_in_lay_50pct");
    assert_eq!(half["status"], "not estimable");
    assert!(
        half["estimate"].is_empty() && half["std_error"].is_empty() && half["lower"].is_empty()
    );
    assert!(
        half["caution"].starts_with("the counts end (at 130 d) before 50 %"),
        "{half:?}"
    );
}

fn study(folder: &Path) {
    fs::write(folder.join("eggs.csv"), eggs()).unwrap();
    let light = "pen,age_d,hours\n,0,16\n,21,9\n1,119,14\n2,126,14\n";
    fs::write(folder.join("light.csv"), light).unwrap();
    let settings = "name = \"pens\"\n[tables]\neggs = \"eggs.csv\"\nlight = \"light.csv\"\n";
    fs::write(folder.join("study.toml"), settings).unwrap();
}

#[test]
fn a_folder_without_birds_runs_to_page_figure_and_paper() {
    let folder = tempfile::tempdir().unwrap();
    study(folder.path());
    let output = pinfeather(folder.path(), "run . --out out");
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let read = |file: &str| fs::read_to_string(folder.path().join("out").join(file)).unwrap();
    assert!(
        folder
            .path()
            .join("out/figures/egg_production.svg")
            .is_file()
    );
    let page = read("report.html");
    assert!(page.contains("By the eggs counted in pens, half of the hens were in lay at"));
    assert!(page.contains("id=\"figure-egg_production\""));
    assert!(read("paper/methods.md").contains("modified compartmental model"));
    assert!(read("paper/results.md").contains("half of the hens had laid their first egg at"));
    let light = rows(&folder.path().join("out/tables/light_programme.csv"));
    assert_eq!(light.len(), 6);
    let effects = rows(&folder.path().join("out/tables/light_effects.csv"));
    assert!(
        effects.iter().all(|row| row["status"] == "not estimable"),
        "{effects:?}"
    );
    assert!(
        effects[0]["reason"].contains("light and strain cannot be"),
        "{effects:?}"
    );
    assert_eq!(effects[1]["reason"], "all pens had the same");
}
