//! Pairs and equations that cannot be used as they are: each is refused, or the limit named.

use std::path::Path;

use crate::support::validation::equation;
use crate::support::{done, pinfeather, text};

/// Rows of bird, age, reading and chemistry.
const BIRDS: [(&str, u32, f64, f64); 6] = [
    ("b1", 35, 82.0, 85.0),
    ("b2", 49, 105.0, 99.0),
    ("b3", 63, 131.0, 136.0),
    ("b4", 77, 160.0, 155.0),
    ("b5", 91, 184.0, 190.0),
    ("b6", 105, 221.0, 215.0),
];

fn pairs(rows: usize, edit: impl Fn(&str) -> String) -> String {
    let mut text = String::from("bird,age,fat_scan,fat_chem,basis\n");
    for (bird, age, reading, chemistry) in &BIRDS[..rows] {
        text += &format!("{bird},{age},{reading},{chemistry},as-is\n");
    }
    edit(&text)
}

fn refused(folder: &Path, call: &str, expected: &[&str]) {
    let output = pinfeather(folder, call);
    let printed = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{call}: {printed}");
    for part in expected {
        assert!(
            printed.contains(part),
            "{call}: no \"{part}\" in\n{printed}"
        );
    }
    assert!(
        !folder.join("out").exists(),
        "{call}: something was written"
    );
}

#[test]
fn pairs_that_do_not_fit_the_equation_are_refused_with_the_reason() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    std::fs::write(here.join("fat.toml"), equation().to_toml().unwrap()).unwrap();
    let call = "validate pairs.csv --equation fat.toml --out out";
    let same = |text: &str| text.to_owned();
    for (what, pairs, expected) in [
        (
            "dry matter",
            pairs(6, |text| text.replacen("as-is", "dry", 1)),
            vec!["row 2", "column basis", "\"dry\"", "expected as-is"],
        ),
        (
            "a reading in kilograms",
            pairs(6, |text| text.replace(",131,", ",0.131,")),
            vec!["row 4", "column fat_scan", "0.131", "expected grams"],
        ),
        (
            "chemistry in kilograms",
            pairs(6, |text| text.replace(",155,", ",0.155,")),
            vec!["row 5", "column fat_chem", "0.155", "expected grams"],
        ),
        (
            "an unknown reading",
            pairs(6, |text| text.replace("fat_scan", "adipose_scan")),
            vec![
                "no column fat_scan",
                "does not know the readings adipose_scan",
            ],
        ),
        (
            "two birds",
            pairs(2, same),
            vec!["found 2 birds", "at least 3"],
        ),
    ] {
        println!("{what}");
        std::fs::write(here.join("pairs.csv"), pairs).unwrap();
        refused(here, call, &expected);
    }
    // Birds of one age are judged for that age alone.
    let one_age = pairs(6, |text| {
        let ages = ["35", "49", "63", "77", "91", "105"];
        ages.iter().fold(text.to_owned(), |text, age| {
            text.replace(&format!(",{age},"), ",70,")
        })
    });
    std::fs::write(here.join("pairs.csv"), one_age).unwrap();
    let output = pinfeather(here, call);
    let printed = text(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{printed}");
    assert!(
        printed.contains("all birds are 70 d old, so that the validation holds for that age alone"),
        "{printed}"
    );
}

#[test]
fn other_versions_and_broken_seals_are_read_or_refused() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    std::fs::write(here.join("pairs.csv"), pairs(6, str::to_owned)).unwrap();
    let call = "validate pairs.csv --equation fat.toml --out out";
    let saved = equation().to_toml().unwrap();
    let versioned = |version: &str| {
        let old = saved.replace("version 2", &format!("version {version}"));
        // The seal is that of the other text.
        let lines = old.lines().filter(|line| !line.starts_with("digest"));
        let body = lines.collect::<Vec<_>>().join("\n") + "\n";
        let digest = pinfeather::composition::digest(body.as_bytes());
        body.replacen('\n', &format!("\ndigest = \"{digest}\"\n"), 1)
    };
    std::fs::write(here.join("fat.toml"), versioned("9")).unwrap();
    refused(
        here,
        call,
        &[
            "fat.toml",
            "version 9",
            "version 1 or 2",
            "the version of this program that saved it",
        ],
    );
    std::fs::write(
        here.join("fat.toml"),
        saved.replacen("value = 1.0", "value = 1.1", 1),
    )
    .unwrap();
    refused(
        here,
        call,
        &["fat.toml", "does not match its digest", "changed"],
    );
    std::fs::write(here.join("fat.toml"), &saved[..saved.len() / 2]).unwrap();
    refused(here, call, &["fat.toml"]);
    // The older version is read.
    std::fs::write(here.join("fat.toml"), versioned("1")).unwrap();
    done(here, call);
}

/// Five laboratories of 4 birds; `edit` changes the table.
fn laboratories(edit: impl Fn(Vec<String>) -> Vec<String>) -> String {
    let mut rows = Vec::new();
    for laboratory in 0..5 {
        for (bird, age, reading, chemistry) in &BIRDS[..4] {
            let level = [0.0, 9.0, -6.0, 3.0, -8.0][laboratory];
            // Errors that are no function of the reading.
            let error = ((laboratory * 7 + *age as usize) % 5) as f64 - 2.0;
            rows.push(format!(
                "L{laboratory},{bird},{age},{reading},{}",
                chemistry + level + error
            ));
        }
    }
    format!(
        "laboratory,bird,age,fat_scan,fat_chem\n{}\n",
        edit(rows).join("\n")
    )
}

#[test]
fn laboratories_with_one_bird_or_too_few_are_left_out_or_refused() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    let call = "calibrate pairs.csv --response fat_chem --terms fat_scan --out out";
    let write = |text: String| std::fs::write(here.join("pairs.csv"), text).unwrap();
    // One bird each.
    write(laboratories(|rows| rows.into_iter().step_by(4).collect()));
    refused(
        here,
        call,
        &[
            "column laboratory",
            "found 0 laboratories with at least 3 birds",
            "--laboratory none",
        ],
    );
    // One of five laboratories has one bird: it is left out by name.
    write(laboratories(|rows| rows[..17].to_vec()));
    let output = pinfeather(here, call);
    let printed = text(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{printed}");
    assert!(
        printed.contains("L4 is left out, since it has 1 bird"),
        "{printed}"
    );
    assert!(
        text(&output.stdout).contains("4 laboratories, 16 birds"),
        "{}",
        text(&output.stdout)
    );
    assert!(here.join("out/models/corrections/fat.toml").is_file());
    std::fs::remove_dir_all(here.join("out")).unwrap();
    // Two laboratories do not show how a third would differ: no equation.
    write(laboratories(|rows| rows[..8].to_vec()));
    let output = pinfeather(here, call);
    let printed = text(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{printed}");
    assert!(
        printed.contains("two laboratories show how these two differ, and nothing of another one"),
        "{printed}"
    );
    assert!(!here.join("out/models/corrections/fat.toml").exists());
    std::fs::remove_dir_all(here.join("out")).unwrap();
    // All of one age, or one age in each: named.
    let aged = |by_laboratory: bool| {
        laboratories(|rows| {
            let age = |row: &String| {
                if by_laboratory {
                    format!("{}", 40 + row.as_bytes()[1])
                } else {
                    "70".to_owned()
                }
            };
            let one = |row: String| {
                let cells: Vec<&str> = row.split(',').collect();
                format!(
                    "{},{},{},{},{}",
                    cells[0],
                    cells[1],
                    age(&row),
                    cells[3],
                    cells[4]
                )
            };
            rows.into_iter().map(one).collect()
        })
    };
    for (by_laboratory, expected) in [
        (false, "all birds are 70 d old"),
        (true, "each laboratory has birds of one age"),
    ] {
        write(aged(by_laboratory));
        let output = pinfeather(here, call);
        assert!(
            text(&output.stderr).contains(expected),
            "{}",
            text(&output.stderr)
        );
        std::fs::remove_dir_all(here.join("out")).unwrap();
    }
    // With age as a term, one age in each laboratory and the laboratory are one.
    refused(
        here,
        &call.replace("fat_scan --out", "fat_scan,age --out"),
        &["age"],
    );
    for (more, expected) in [
        ("--laboratory scanner", "found no column scanner"),
        (
            "--laboratory laboratory --weighting huber",
            "ordinary or power",
        ),
    ] {
        refused(here, &format!("{call} {more}"), &[expected]);
    }
    done(here, &format!("{call} --laboratory none"));
}

#[test]
fn the_logarithm_of_chemistry_is_refused_with_laboratories() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    std::fs::write(here.join("pairs.csv"), laboratories(|rows| rows)).unwrap();
    refused(
        here,
        "calibrate pairs.csv --response log(fat_chem) --terms fat_scan --out out",
        &[
            "whose exponential has no mean), expected chemistry as it stands, with the weighting \"power\"",
        ],
    );
}
