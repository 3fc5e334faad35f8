//! The program as its users call it: exit status, words, messages, files.

use std::path::Path;

use crate::support::{pinfeather_with as pinfeather, root, rows, text};

const CHICKS: &str = "Chick,Time,weight,Diet
6,0,41,1\n6,2,49,1\n6,4,59,1\n6,6,74,1\n6,8,97,1\n6,10,124,1\n6,12,141,1\n6,14,148,1
6,16,155,1\n6,18,160,1\n6,20,160,1\n6,21,157,1\n18,0,39,1\n18,2,35,1
";

/// Chick 6 of Crowder and Hand 1990, whose logistic terms in R are A 168.0072,
/// ti 6.150779, 1/k 4.230045, and chick 18 with two weighings.
#[test]
fn a_bare_table_gives_the_tables_of_the_contract() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("weights.csv"), CHICKS).unwrap();
    let call = "fit weights.csv --bird Chick --age Time --value weight --group Diet --curve logistic,gompertz --out results";
    let output = pinfeather(folder.path(), &call.split(' ').collect::<Vec<_>>());
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let tables = folder.path().join("results/tables");
    let terms = rows(&tables.join("curve_terms.csv"));
    let of = |term: &str| -> f64 {
        let row = terms.iter().find(|row| {
            row["level"] == "bird"
                && row["bird"] == "6"
                && row["curve"] == "logistic"
                && row["term"] == term
        });
        row.unwrap()["estimate"].parse().unwrap()
    };
    // The reference is printed to seven digits.
    assert!((of("A") / 168.0072 - 1.0).abs() < 1e-6);
    assert!((of("ti") / 6.150779 - 1.0).abs() < 1e-6);
    assert!((of("k") * 4.230045 - 1.0).abs() < 1e-6);
    let fits = rows(&tables.join("curve_fits.csv"));
    let chick_18: Vec<_> = fits.iter().filter(|row| row["bird"] == "18").collect();
    assert_eq!(chick_18.len(), 2);
    for row in chick_18 {
        assert_eq!(row["status"], "not fitted");
        assert!(
            row["reason"].contains("2 values for 3 terms"),
            "{}",
            row["reason"]
        );
        assert_eq!(row["rss"], "");
    }
    for name in ["curve_choice", "curves", "residuals"] {
        let table = std::fs::read_to_string(tables.join(format!("{name}.csv"))).unwrap();
        assert!(table.lines().count() > 2, "{name}");
        assert!(!table.contains("NaN") && !table.contains("inf"), "{name}");
    }
    assert!(folder.path().join("results/run.json").is_file());
}

#[test]
fn strict_marks_weak_fits_by_the_status() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("weights.csv"), CHICKS).unwrap();
    let call = "fit weights.csv --bird Chick --age Time --value weight --curve two-phase-gompertz --strict --quiet";
    let output = pinfeather(folder.path(), &call.split(' ').collect::<Vec<_>>());
    assert_eq!(output.status.code(), Some(1));
    assert_eq!(text(&output.stderr), "");
}

#[test]
fn json_is_one_document_and_writes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let demo = root("").join("data-demo");
    let output = pinfeather(folder.path(), &["target", demo.to_str().unwrap(), "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let rows = document["tables"]["deviation"].as_array().unwrap();
    assert!(
        rows.iter()
            .any(|row| row["level"] == "strain" && row["strain"] == "Cedar")
    );
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

/// The page agrees with the lines: each number against target, each age in lay and each age
/// from which strains differ.
fn page_agrees(one: &str, page: &Path) {
    let page = std::fs::read_to_string(page).unwrap();
    let cells = |line: &str| {
        let cells = line.trim().split("  ").map(|cell| cell.trim().to_owned());
        let cells = cells.filter(|cell| !cell.is_empty());
        cells.collect::<Vec<String>>()
    };
    for strain in ["Alder", "Birch", "Cedar"] {
        let own = one
            .lines()
            .filter(|line| line.starts_with("  ") && line.trim().starts_with(strain));
        // Against target and in lay; what one needs stands in the same words.
        let own: Vec<&str> = own.filter(|line| !line.contains(['\u{b1}', '>'])).collect();
        assert!(own.len() >= 2, "{one}");
        for cell in own.iter().flat_map(|line| cells(line)) {
            let cell = match cell.as_str() {
                "BELOW TARGET" => "below<span class=\"wide\"> target",
                "upper edge, uncertain" => "upper edge<span class=\"wide\">, uncertain",
                "on target" => "on target<span",
                other => other,
            };
            assert!(page.contains(cell), "{cell} is not on the page");
        }
    }
    for words in one.split(" from ").skip(1) {
        let age: String = words.chars().take_while(char::is_ascii_digit).collect();
        let from = format!("from {age}");
        assert!(page.contains(&from), "{from} is not on the page");
    }
}

#[test]
fn the_demo_runs_to_its_verdict_and_the_same_bytes_on_one_thread() {
    let folder = tempfile::tempdir().unwrap();
    let demo = root("").join("data-demo");
    let run = |out: &str, threads: &str| {
        let arguments = [
            "run",
            demo.to_str().unwrap(),
            "--out",
            out,
            "--threads",
            threads,
            "--format",
            "svg",
        ];
        let output = pinfeather(folder.path(), &arguments);
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        text(&output.stdout)
    };
    let (one, two) = (run("one", "1"), run("two", "2"));
    // The last line names the folder.
    let (answers, last) = one.trim_end().rsplit_once('\n').unwrap();
    assert!(two.starts_with(answers), "{two}");
    assert!(
        last.contains("report.html") && one.lines().count() <= 25,
        "{one}"
    );
    assert!(one.lines().all(|line| line.chars().count() <= 80), "{one}");
    let line = |strain: &str| one.lines().find(|line| line.trim().starts_with(strain));
    assert!(line("Alder").unwrap().ends_with("on target"), "{one}");
    assert!(line("Cedar").unwrap().ends_with("BELOW TARGET"), "{one}");
    page_agrees(&one, &folder.path().join("one/report.html"));
    let details = std::fs::read_to_string(folder.path().join("one/details.txt")).unwrap();
    assert!(details.contains("Cedar: below target"), "{details}");
    let words =
        |name: &str| std::fs::read_to_string(folder.path().join("one/paper").join(name)).unwrap();
    let methods = words("methods.md");
    for step in [
        "132 birds of three strains",
        "The experimental unit was the pen",
        "least significant change",
        "proportional to an estimated power of the prediction",
        "selected among three candidate equations",
        "explicit feather correction",
        "individual variances entered the growth models as known",
        "random effect of pen",
        "a residual standard deviation proportional to the fitted value",
        "standard errors of strains and of their differences are based on the variation between pens",
        "monotone piecewise cubic",
        "In a landmark analysis at 119 d, birds not yet laying were followed from that age",
        "within 10 % of the mean",
        "JCGM 100:2008",
    ] {
        assert!(methods.contains(step), "{step:?} in {methods}");
    }
    let results = words("results.md");
    for found in [
        "## Scanner repeatability",
        "The scanner underestimated bone by ",
        "## Growth and body composition",
        "Alder was heavier than Birch ",
        "## Onset of lay",
    ] {
        assert!(results.contains(found), "{found:?} in {results}");
    }
    for part in ["tables", "figures", "paper"] {
        for entry in std::fs::read_dir(folder.path().join("one").join(part)).unwrap() {
            let path = entry.unwrap().path();
            let other = folder
                .path()
                .join("two")
                .join(part)
                .join(path.file_name().unwrap());
            assert_eq!(
                std::fs::read(&path).unwrap(),
                std::fs::read(other).unwrap(),
                "{}",
                path.display()
            );
        }
    }
}

/// The fault, the table, the expected message.
const BAD_TABLES: &[(&str, &str, &str)] = &[
    ("empty file", "", "empty"),
    (
        "header only",
        "bird,age_d,weight_g\n",
        "a header without rows",
    ),
    ("zero weight", "bird,age_d,weight_g\n1,0,0\n", "row 2"),
    (
        "negative weight",
        "bird,age_d,weight_g\n1,0,40\n1,7,-3\n",
        "row 3, column weight_g: found \"-3\"",
    ),
    (
        "not a number",
        "bird,age_d,weight_g\n1,0,NaN\n",
        "row 2, column weight_g: found \"NaN\"",
    ),
    (
        "huge",
        "bird,age_d,weight_g\n1,0,1e300\n",
        "row 2, column weight_g: found \"1e300\"",
    ),
    (
        "twice at one age",
        "bird,age_d,weight_g\n1,7,40\n1,7,41\n",
        "row 3",
    ),
    ("missing column", "bird,age_d,grams\n1,7,40\n", "weight_g"),
];

#[test]
fn a_faulty_table_is_reported_with_its_place_and_nothing_is_written() {
    for (what, table, expected) in BAD_TABLES {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("weights.csv"), table).unwrap();
        let output = pinfeather(folder.path(), &["fit", "weights.csv"]);
        let errors = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{what}: {errors}");
        assert!(errors.contains("weights.csv"), "{what}: {errors}");
        assert!(errors.contains(expected), "{what}: {errors}");
        assert!(!folder.path().join("results").exists(), "{what}");
    }
}

/// Data that no curve can follow are a failed fit with its reason, not an error.
#[test]
fn data_without_growth_end_as_failed_fits() {
    let cases = [
        ("one weighing", "bird,age_d,weight_g\n1,0,40\n"),
        ("two weighings", "bird,age_d,weight_g\n1,0,40\n1,7,70\n"),
        (
            "constant",
            "bird,age_d,weight_g\n1,0,40\n1,7,40\n1,14,40\n1,21,40\n1,28,40\n",
        ),
        ("out of order", "bird,age_d,weight_g\n1,7,40\n1,0,70\n"),
    ];
    for (what, table) in cases {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("weights.csv"), table).unwrap();
        let output = pinfeather(
            folder.path(),
            &["run", "weights.csv", "--curve", "gompertz"],
        );
        assert_eq!(
            output.status.code(),
            Some(0),
            "{what}: {}",
            text(&output.stderr)
        );
        for row in rows(&folder.path().join("results/tables/curve_fits.csv")) {
            let ended = ["failed", "not fitted"];
            assert!(ended.contains(&&*row["status"]), "{what}");
            assert!(!row["reason"].is_empty(), "{what}");
        }
    }
}

#[test]
fn a_wrong_call_ends_with_status_2() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("weights.csv"), CHICKS).unwrap();
    let columns = ["--bird", "Chick", "--age", "Time", "--value", "weight"];
    let cases: [(&[&str], &str); 4] = [
        (
            &["fit", "weights.csv", "--curve", "gompertzz"],
            "did you mean gompertz",
        ),
        (&["fit", "nowhere.csv"], "nowhere.csv"),
        (
            &["fit", "weights.csv", "--confidence", "95"],
            "--confidence 95",
        ),
        (&["target", "weights.csv"], "found no targets"),
    ];
    for (call, expected) in cases {
        let arguments: Vec<&str> = call.iter().chain(&columns).copied().collect();
        let output = pinfeather(folder.path(), &arguments);
        let errors = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{call:?}: {errors}");
        assert!(errors.contains(expected), "{call:?}: {errors}");
    }
}

#[test]
fn an_output_that_cannot_be_written_ends_with_status_3() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("weights.csv"), CHICKS).unwrap();
    std::fs::write(
        folder.path().join("taken"),
        "a file where the folder should be",
    )
    .unwrap();
    let call =
        "fit weights.csv --bird Chick --age Time --value weight --curve logistic --out taken";
    let output = pinfeather(folder.path(), &call.split(' ').collect::<Vec<_>>());
    assert_eq!(output.status.code(), Some(3), "{}", text(&output.stderr));
}

/// One column of a journal, the narrowest width of a figure.
#[test]
fn every_figure_of_the_demo_fits_one_column() {
    let folder = tempfile::tempdir().unwrap();
    let demo = root("").join("data-demo");
    let arguments = [
        "draw",
        demo.to_str().unwrap(),
        "--width",
        "89",
        "--format",
        "svg",
    ];
    let output = pinfeather(folder.path(), &arguments);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let figures = folder.path().join("results/figures");
    for name in ["growth", "rate", "supplement_residuals", "deviation"] {
        let svg = std::fs::read_to_string(figures.join(format!("{name}_body_weight.svg"))).unwrap();
        assert!(svg.contains("width=\"89mm\""), "{name}");
    }
}

/// Birds of one gompertz each, 12 weighings a bird, in two strains: long enough to be
/// read in pieces. The errors are a plain sequence, not random.
fn many_birds() -> String {
    let mut table = "bird,age_d,weight_g,line\n".to_owned();
    for bird in 0..5000_u32 {
        let mature = 1800.0 + f64::from(bird % 97) * 4.0;
        for weighing in 0..12_u32 {
            let age_d = 1 + 13 * weighing;
            let error = f64::from((bird * 31 + weighing * 17) % 41) / 20.0 - 1.0;
            let share = (-(-0.03 * (f64::from(age_d) - 55.0)).exp()).exp();
            let weight_g = mature * share * (1.0 + 0.03 * error) + 1.0;
            let line = if bird % 2 == 0 { "north" } else { "south" };
            table += &format!("bird {bird:05},{age_d},{weight_g:.2},line {line}\n");
        }
    }
    table
}

/// Reading, fitting and writing are shared among threads; no byte may depend on it.
#[test]
fn the_tables_are_the_same_bytes_whatever_the_threads() {
    let folder = tempfile::tempdir().unwrap();
    let table = many_birds();
    assert!(table.len() > 1 << 20, "too short to be read in pieces");
    std::fs::write(folder.path().join("plain.csv"), &table).unwrap();
    // With a quotation mark in it the same table is read in one go.
    let quoted = table.replacen("bird", "\"bird\"", 1);
    std::fs::write(folder.path().join("quoted.csv"), quoted).unwrap();
    for (name, threads, out) in [
        ("plain.csv", "1", "one"),
        ("plain.csv", "2", "two"),
        ("quoted.csv", "3", "quoted"),
    ] {
        let call = format!(
            "fit {name} --group line --curve gompertz,logistic --threads {threads} --out {out}"
        );
        let output = pinfeather(folder.path(), &call.split(' ').collect::<Vec<_>>());
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    }
    let mut names = Vec::new();
    for file in std::fs::read_dir(folder.path().join("one/tables")).unwrap() {
        let name = file.unwrap().file_name();
        let bytes = |out: &str| std::fs::read(folder.path().join(out).join("tables").join(&name));
        let one = bytes("one").unwrap();
        assert!(one == bytes("two").unwrap(), "{name:?} on two threads");
        assert!(one == bytes("quoted").unwrap(), "{name:?} read in one go");
        names.push(name);
    }
    assert_eq!(names.len(), 7, "{names:?}");
}

/// A fault deep in a table that is read in pieces has the row that a spreadsheet counts,
/// and all faults stand in the table's order.
#[test]
fn faults_of_a_long_table_keep_their_rows() {
    let folder = tempfile::tempdir().unwrap();
    let mut lines: Vec<String> = many_birds().lines().map(str::to_owned).collect();
    let last = lines.len();
    lines[last - 1] = "bird 04999,144,heavy,line south".to_owned();
    lines[30_000] = "bird 02499,144,-5,line south".to_owned();
    lines.insert(100, String::new());
    std::fs::write(folder.path().join("faulty.csv"), lines.join("\r\n")).unwrap();
    let output = pinfeather(folder.path(), &["fit", "faulty.csv", "--group", "line"]);
    assert_eq!(output.status.code(), Some(2));
    let message = text(&output.stderr);
    let (negative, word) = (
        message.find("faulty.csv, row 30002, column weight_g"),
        message.find(&format!("faulty.csv, row {}, column weight_g", last + 1)),
    );
    assert!(negative.is_some() && negative < word, "{message}");
}
