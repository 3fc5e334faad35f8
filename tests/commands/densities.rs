//! Bone mineral density beside masses: calibrated or as read, in its own unit everywhere.

use std::path::Path;

use crate::support::scans::invented;
use crate::support::{done, pinfeather, text};

/// True density of a bird of this weight, g/cm2.
fn density(bird: &str, weight_g: f64) -> f64 {
    let strain = if bird.starts_with("Birch") { 1.1 } else { 1.0 };
    strain * 0.1 * (weight_g / 1000.0).powf(0.35)
}

/// Two thousandths of a reading that have nothing to do with a bird, the same in each run.
fn noise(row: usize) -> f64 {
    let scrambled = (row as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 40;
    0.002 * (scrambled as f64 / f64::from(1 << 23) - 1.0)
}

/// Adds readings a tenth too low to the scans, and to the chemistry what they should be.
fn with_densities(study: &Path, reference: bool) {
    let mut true_values = std::collections::BTreeMap::new();
    let scans = std::fs::read_to_string(study.join("scans.csv")).unwrap();
    let scans = scans.lines().enumerate().map(|(row, line)| {
        if row == 0 {
            return format!("{line},bone_density_g_cm2\n");
        }
        let cells: Vec<&str> = line.split(',').collect();
        let value = density(cells[1], cells[10].parse().unwrap());
        if cells[6] == "intact" {
            true_values.insert(cells[1].to_owned(), value);
        }
        format!("{line},{:.5}\n", 0.9 * value + noise(row))
    });
    let scans: String = scans.collect();
    std::fs::write(study.join("scans.csv"), scans).unwrap();
    if reference {
        let chemistry = std::fs::read_to_string(study.join("chemistry.csv")).unwrap();
        let chemistry = chemistry.lines().enumerate().map(|(row, line)| {
            let cells: Vec<&str> = line.split(',').collect();
            match (row, cells[1]) {
                (0, _) => format!("{line},bone_density_g_cm2\n"),
                (_, "body") => format!("{line},{:.5}\n", true_values[cells[0]]),
                _ => format!("{line},\n"),
            }
        });
        let chemistry: String = chemistry.collect();
        std::fs::write(study.join("chemistry.csv"), chemistry).unwrap();
    }
    let settings = std::fs::read_to_string(study.join("study.toml")).unwrap();
    let traits = match reference {
        true => "\"fat\", \"lean\", \"bone\", \"water\", \"protein\", \"bone_density\"",
        false => "\"fat\", \"lean\", \"bone\"",
    };
    let settings = format!(
        "{settings}[scans.readings]\nbone_density = \"g/cm2\"\n[calibration]\ntraits = [{traits}]\n[ages]\nearly = 70\ntransfer = 112\n"
    );
    std::fs::write(study.join("study.toml"), settings).unwrap();
}

type Row = std::collections::BTreeMap<String, String>;

fn rows(study: &Path, name: &str) -> Vec<Row> {
    let path = study.join(format!("results/tables/{name}.csv"));
    let mut reader = csv::Reader::from_path(path).unwrap();
    let headers = reader.headers().unwrap().clone();
    let cells = |record: csv::StringRecord| {
        let pairs = headers.iter().zip(record.iter());
        pairs.map(|(a, b)| (a.to_owned(), b.to_owned())).collect()
    };
    reader
        .records()
        .map(|record| cells(record.unwrap()))
        .collect()
}

fn number(row: &Row, column: &str) -> f64 {
    row[column]
        .parse()
        .unwrap_or_else(|_| panic!("{column}: {row:?}"))
}

/// Every number beside the words has the unit of the density.
fn has_no_grams(words: &str) {
    let lines: Vec<&str> = words
        .lines()
        .filter(|line| line.contains("density"))
        .collect();
    assert!(lines.len() > 2, "{words}");
    for line in lines {
        let tokens: Vec<&str> = line.split_whitespace().collect();
        let grams = tokens
            .iter()
            .position(|token| ["g", "g;", "g,", "g."].contains(token));
        assert!(grams.is_none(), "{line}");
    }
}

#[test]
fn protein_water_and_bone_density_are_followed_and_compared() {
    let invented = invented(7);
    let study = invented.folder.path();
    with_densities(study, true);
    let words = done(study, "run . --details --curve gompertz --format svg");
    has_no_grams(&words);
    assert!(words.contains("calibrated on 56 birds"), "{words}");
    let answers = rows(study, "answers");
    let of = |quantity: &str, of_trait: &str| -> Vec<Row> {
        let mine = |row: &&Row| row["quantity"] == quantity && row["trait"] == of_trait;
        answers.iter().filter(mine).cloned().collect()
    };
    // Masses: parts of lean, in grams, with curves and contrasts.
    let at_112 = |quantity: &str, name: &str, strain: &str| -> Row {
        let all = of(quantity, name);
        let found = all
            .iter()
            .find(|row| row["strain"] == strain && (number(row, "age_d") - 112.0).abs() < 1e-9);
        found
            .unwrap_or_else(|| panic!("{quantity} {name}: {all:?}"))
            .clone()
    };
    for (name, share) in [("protein", 0.24), ("water", 0.76)] {
        let (part, lean) = (
            at_112("typical_mass", name, "Alder"),
            at_112("typical_mass", "lean", "Alder"),
        );
        assert_eq!(part["unit"], "g");
        let ratio = number(&part, "estimate") / number(&lean, "estimate");
        assert!((ratio / share - 1.0).abs() < 0.02, "{name} {ratio}");
        let difference = at_112("difference_of_typical_mass", name, "Alder");
        assert_eq!(difference["unit"], "g");
        assert!(number(&difference, "upper") > number(&difference, "lower"));
    }
    let fits = rows(study, "curve_fits");
    for name in ["protein", "water"] {
        let model = |row: &&Row| row["trait"] == name && row["level"] == "population";
        assert!(fits.iter().any(|row| model(&row)), "{name}");
    }
    // The density: in its own unit, near the truth at the typical weight.
    for strain in ["Alder", "Birch"] {
        let typical = at_112("typical_density", "bone_density", strain);
        let weight = at_112("typical_mass", "body_weight", strain);
        assert_eq!(typical["unit"], "g/cm2");
        let truth = density(strain, number(&weight, "estimate"));
        let ratio = number(&typical, "estimate") / truth;
        assert!((ratio - 1.0).abs() < 0.01, "{strain} {ratio}");
    }
    let difference = at_112("difference_of_typical_density", "bone_density", "Alder");
    assert_eq!(difference["unit"], "g/cm2");
    assert!(number(&difference, "upper") < 0.0, "{difference:?}");
    let by_age = rows(study, "density_differences");
    assert!(
        by_age
            .iter()
            .all(|row| row["unit"] == "g/cm2" && row["calibrated"] == "yes")
    );
    let values = rows(study, "densities");
    assert!(values.iter().any(|row| row["level"] == "bird"));
    for (name, column) in [
        ("corrected", "trait"),
        ("agreement", "trait"),
        ("calibration_rows", "equation"),
        ("calibration_choice", "equation"),
    ] {
        let all = rows(study, name);
        let mine = all
            .iter()
            .filter(|row| row[column].contains("bone_density"));
        let mine: Vec<&Row> = mine.collect();
        assert!(!mine.is_empty(), "{name}");
        assert!(
            mine.iter().all(|row| row["unit"] == "g/cm2"),
            "{name} {mine:?}"
        );
    }
    for name in [
        "changes",
        "balance",
        "curve_fits",
        "curves",
        "contrasts",
        "closure",
    ] {
        let all = rows(study, name);
        let inside = all
            .iter()
            .any(|row| row.values().any(|cell| cell == "bone_density"));
        assert!(!inside, "{name}");
    }
    let corrected = rows(study, "corrected");
    let mut mine = corrected
        .iter()
        .filter(|row| row["trait"] == "bone_density");
    assert!(
        mine.all(|row| row["percent"].is_empty()),
        "no share of body weight"
    );
    let figure = std::fs::read_to_string(study.join("results/figures/density_bone_density.svg"));
    assert!(figure.unwrap().contains("Bone density, calibrated (g/cm2)"));
    let paper = std::fs::read_to_string(study.join("results/paper/results.md")).unwrap();
    assert!(paper.contains("bone density"), "{paper}");
}

#[test]
fn a_density_without_chemistry_is_followed_as_read() {
    let invented = invented(8);
    let study = invented.folder.path();
    with_densities(study, false);
    let words = done(study, "run . --details --curve gompertz --format svg");
    has_no_grams(&words);
    assert!(
        words.contains("readings of the scanner, not calibrated"),
        "{words}"
    );
    assert!(
        words.contains("Repeated readings (feathers intact) had a standard deviation of"),
        "{words}"
    );
    let answers = rows(study, "answers");
    let mine: Vec<&Row> = answers
        .iter()
        .filter(|row| row["trait"] == "bone_density")
        .collect();
    let typical = mine
        .iter()
        .filter(|row| row["quantity"] == "typical_density");
    for row in typical {
        assert!(row["caution"].contains("not calibrated"), "{row:?}");
    }
    assert!(mine.iter().all(|row| row["unit"] == "g/cm2"), "{mine:?}");
    assert!(
        rows(study, "densities")
            .iter()
            .all(|row| row["calibrated"] == "no")
    );
    let corrected = rows(study, "corrected");
    assert!(corrected.iter().all(|row| row["trait"] != "bone_density"));
}

#[test]
fn wrong_references_of_a_density_are_refused() {
    for (cell, found) in [
        ("-0.1", "found \"-0.1\", expected a number above 0"),
        ("many", "found \"many\""),
    ] {
        let invented = invented(7);
        let study = invented.folder.path();
        with_densities(study, true);
        let path = study.join("chemistry.csv");
        let chemistry = std::fs::read_to_string(&path).unwrap();
        let mut lines: Vec<String> = chemistry.lines().map(str::to_owned).collect();
        let kept = lines[1].rsplit_once(',').unwrap().0.to_owned();
        lines[1] = format!("{kept},{cell}");
        // Feathers have none.
        lines[2] += "0.2";
        std::fs::write(&path, lines.join("\n")).unwrap();
        let output = pinfeather(study, "calibrate .");
        assert_eq!(output.status.code(), Some(2));
        let errors = text(&output.stderr);
        assert!(errors.contains(found), "{errors}");
        assert!(
            errors.contains("row 3, column bone_density_g_cm2"),
            "{errors}"
        );
        assert!(errors.contains("of feathers"), "{errors}");
    }
}
