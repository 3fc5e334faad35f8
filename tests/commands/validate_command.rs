//! `validate` as its users call it: the demo's equations on the second invented laboratory,
//! whose scanner's bias is known (`data-demo/second_laboratory/truth_scanner.csv`).

use std::path::Path;

use crate::support::{Row, done, pinfeather, root, text};

fn table(folder: &Path, results: &str, name: &str) -> Vec<Row> {
    let path = folder.join(format!("{results}/tables/{name}.csv"));
    let mut reader = csv::Reader::from_path(&path).unwrap_or_else(|error| panic!("{error}"));
    reader.deserialize().map(Result::unwrap).collect()
}

/// Status of the row `verdict` of a tissue.
fn verdict(rows: &[Row], tissue: &str) -> String {
    let is = |row: &&Row| row["tissue"] == tissue && row["quantity"] == "verdict";
    rows.iter().find(is).unwrap()["status"].clone()
}

#[test]
fn the_second_laboratory_needs_recalibration_and_gets_it() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    let demo = root("data-demo");
    let pairs = root("data-demo/second_laboratory/pairs.csv");
    done(here, &format!("calibrate {} --out saved", demo.display()));
    let call = format!(
        "validate {} --equation saved/models/corrections/fat.toml,saved/models/corrections/lean.toml,saved/models/corrections/bone.toml --map-strain Dogwood=Birch",
        pairs.display()
    );
    let words = done(
        here,
        &format!("{call} --out first --recalibrate intercept --save moved"),
    );
    assert!(words.contains("usable after recalibration"), "{words}");
    assert!(words.lines().count() <= 10, "{words}");
    let before = table(here, "first", "validation");
    // True: fat reads 6 g more and lean 9 g less; the equations' slopes are near 1.
    for (tissue, sign) in [("fat", 1.0), ("lean", -1.0)] {
        assert!(
            verdict(&before, tissue).starts_with("usable after recalibration"),
            "{tissue}: {}\n{words}",
            verdict(&before, tissue)
        );
        let bias = before
            .iter()
            .find(|row| row["tissue"] == tissue && row["quantity"] == "bias");
        let bias: f64 = bias.unwrap()["estimate"].parse().unwrap();
        assert!(bias * sign > 2.0 && bias * sign < 12.0, "{tissue}: {bias}");
    }
    for name in [
        "validation_groups",
        "validation_pairs",
        "answers",
        "recalibration",
    ] {
        assert!(!table(here, "first", name).is_empty(), "{name}");
    }
    assert!(here.join("first/figures/validation_fat.svg").is_file());
    let moved = call.replace("saved/models/corrections/", "moved/");
    done(here, &format!("{moved} --out second"));
    let after = table(here, "second", "validation");
    for tissue in ["fat", "lean"] {
        assert_eq!(verdict(&after, tissue), "usable as it is", "{tissue}");
    }
    let saved = std::fs::read_to_string(here.join("moved/fat.toml")).unwrap();
    assert!(
        saved.contains("[[equation.recalibration]]") && saved.contains("birds = 18"),
        "{saved}"
    );
    // A strain that the equation has no term for is mapped by name only.
    let fat = format!(
        "validate {} --equation saved/models/corrections/fat.toml",
        pairs.display()
    );
    let output = pinfeather(here, &fat);
    assert_eq!(output.status.code(), Some(2));
    let printed = text(&output.stderr);
    assert!(
        printed.contains("column strain: found \"Dogwood\"") && printed.contains("--map-strain"),
        "{printed}"
    );
    for (more, expected) in [
        ("--acceptable=-3", "above 0"),
        ("--acceptable milk=3", "milk"),
    ] {
        let output = pinfeather(here, &format!("{fat} {more}"));
        assert_eq!(output.status.code(), Some(2), "{more}");
        assert!(
            text(&output.stderr).contains(expected),
            "{}",
            text(&output.stderr)
        );
    }
}
