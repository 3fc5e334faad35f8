//! `fit --memory`: birds of a long table in batches, with the results of a table held in memory.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

use serde_json::Value;

use crate::support::{done, pinfeather, root, rows, text};

/// Letters in a column that is not read, so that few birds make several batches of 256 kB.
const LONG: usize = 400;
const AGES_D: [u32; 7] = [0, 14, 28, 56, 84, 112, 140];

/// A number between 0 and 1 that looks random.
fn uniform(seed: u64) -> f64 {
    let mut x = seed.wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (x >> 11) as f64 / (1_u64 << 53) as f64
}

/// The rows of a bird, some of them without a weight, and some birds with two weighings alone.
fn rows_of(bird: u64) -> Vec<String> {
    let name = 1000 + (bird * 7919) % 9973;
    let strain = ["Alder", "Birch", "Cedar"][usize::try_from(bird % 3).unwrap()];
    let few = bird.is_multiple_of(50);
    let ages_d = AGES_D.iter().take(if few { 2 } else { AGES_D.len() });
    let row = |age_d: &u32| {
        let draw = |what: u64| uniform(bird * 1000 + u64::from(*age_d) * 3 + what);
        let age = f64::from(*age_d);
        let grams = 1600.0 * (0.9 + 0.2 * uniform(bird)) * (-(-0.03 * (age - 50.0)).exp()).exp();
        let grams = grams.max(20.0) * (0.97 + 0.06 * draw(1));
        let weight = match draw(2) < 0.02 {
            true => "NA".to_owned(),
            false => format!("{grams:.1}"),
        };
        format!(
            "\"n,{name}\",{strain},{age_d},{weight},{}",
            "x".repeat(LONG)
        )
    };
    ages_d.map(row).collect()
}

fn table(rows: impl IntoIterator<Item = String>) -> String {
    let mut text = "ring,line,age_d,weight_g,remark\n".to_owned();
    for row in rows {
        writeln!(text, "{row}").unwrap();
    }
    text
}

/// The files of the tables, and the run record without what differs between the two ways.
fn results(folder: &Path) -> (BTreeMap<String, Vec<u8>>, Value) {
    let entries = std::fs::read_dir(folder.join("tables")).unwrap();
    let files = entries.map(|entry| {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        (name, std::fs::read(path).unwrap())
    });
    let record = std::fs::read_to_string(folder.join("run.json")).unwrap();
    let mut record: Value = serde_json::from_str(&record).unwrap();
    let kept = record.as_object_mut().unwrap();
    kept.remove("arguments");
    // Weights that are hard to believe are looked for in memory alone.
    kept.remove("warnings");
    (files.collect(), record)
}

#[track_caller]
fn both_ways_agree(folder: &Path, call: &str) {
    let in_memory = done(folder, &format!("{call} --out held"));
    let in_batches = done(folder, &format!("{call} --out batches --memory 64"));
    assert_eq!(in_memory, in_batches);
    let (held, batches) = (
        results(&folder.join("held")),
        results(&folder.join("batches")),
    );
    let names = |files: &BTreeMap<String, Vec<u8>>| files.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&held.0), names(&batches.0));
    for (name, bytes) in &held.0 {
        assert!(bytes == &batches.0[name], "{name} differs");
    }
    assert_eq!(held.1, batches.1);
}

#[test]
fn batches_give_the_results_of_a_table_in_memory_whatever_its_order() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    let birds: Vec<Vec<String>> = (0..800).map(rows_of).collect();
    let grouped: Vec<String> = birds.iter().flatten().cloned().collect();
    let by_age = AGES_D.iter().enumerate().flat_map(|(at, _)| {
        let rows = birds.iter().filter_map(move |bird| bird.get(at));
        rows.cloned().collect::<Vec<_>>()
    });
    let by_age: Vec<String> = by_age.collect();
    let mut shuffled: Vec<(u64, String)> = (0..).zip(grouped.iter().cloned()).collect();
    shuffled.sort_by(|a, b| uniform(a.0 + 77).total_cmp(&uniform(b.0 + 77)));
    let shuffled: Vec<String> = shuffled.into_iter().map(|(_, row)| row).collect();
    // The last row is the first bird's.
    let mut returns = grouped.clone();
    let first = returns.remove(3);
    returns.push(first);
    let call = "--bird ring --group line --level bird --curve gompertz --at-age 70 --at-weight 900";
    for (name, rows) in [
        ("grouped", grouped),
        ("by_age", by_age),
        ("shuffled", shuffled),
        ("returns", returns),
    ] {
        let file = format!("{name}.csv");
        std::fs::write(here.join(&file), table(rows)).unwrap();
        both_ways_agree(here, &format!("fit {file} {call}"));
    }
}

#[test]
fn the_demo_in_batches() {
    let folder = tempfile::tempdir().unwrap();
    let table = root("data-demo/weighings.csv");
    let call = format!(
        "fit {} --hatched-on 2025-03-03 --level bird --curve gompertz,logistic --tables curve_terms,curve_choice,terms_wide",
        table.display()
    );
    both_ways_agree(folder.path(), &call);
    // The wide table has the numbers of the tidy one.
    let tables = folder.path().join("batches/tables");
    let wide = rows(&tables.join("terms_wide.csv"));
    let mut compared = 0;
    for row in rows(&tables.join("curve_terms.csv")) {
        let same =
            |one: &&crate::support::Row| ["bird", "curve"].iter().all(|key| one[*key] == row[*key]);
        let of = wide.iter().find(same).unwrap();
        assert_eq!(of[&row["term"]], row["estimate"]);
        if let Some(error) = of.get(&format!("{}_se", row["term"])) {
            assert_eq!(error, &row["std_error"]);
            compared += 1;
        }
    }
    assert!(compared > 100);
}

#[test]
fn faults_are_those_of_a_table_in_memory_and_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    let birds: Vec<Vec<String>> = (0..500).map(rows_of).collect();
    let grouped: Vec<String> = birds.iter().flatten().cloned().collect();
    let spoilt = |rows: &[String]| {
        let mut rows = rows.to_vec();
        let last = rows.len() - 1;
        rows[5] = rows[5]
            .replacen("Cedar", "Birch", 1)
            .replacen("Alder", "Birch", 1);
        rows[40] = "\"n,1\",Alder,x,12,".to_owned();
        rows[900] = "\"n,2\",Alder,7,-12,".to_owned();
        rows[1400] = "\"n,3\",Alder,7".to_owned();
        rows[1500] = ",Alder,7,800,".to_owned();
        rows[1600] = "Total,Alder,7,800,".to_owned();
        rows[last] = rows[last - 1].clone();
        rows
    };
    let mut by_age: Vec<(usize, String)> = grouped.iter().cloned().enumerate().collect();
    by_age.sort_by_key(|(at, _)| (at % 7, *at));
    let by_age: Vec<String> = by_age.into_iter().map(|(_, row)| row).collect();
    for (name, rows) in [("grouped", spoilt(&grouped)), ("by_age", spoilt(&by_age))] {
        std::fs::write(here.join("faulty.csv"), table(rows)).unwrap();
        let call = "fit faulty.csv --bird ring --group line --level bird --curve gompertz";
        let held = pinfeather(here, &format!("{call} --out held"));
        let batches = pinfeather(here, &format!("{call} --out batches --memory 64"));
        assert_eq!(batches.status.code(), Some(2), "{name}");
        assert!(
            text(&held.stderr).lines().count() >= 5,
            "{}",
            text(&held.stderr)
        );
        assert_eq!(text(&batches.stderr), text(&held.stderr), "{name}");
        assert!(!here.join("batches").exists());
    }
}

#[test]
fn what_batches_cannot_do_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    let long = table(
        AGES_D
            .iter()
            .enumerate()
            .flat_map(|(at, _)| (1..120).filter_map(move |bird| rows_of(bird).get(at).cloned())),
    );
    std::fs::write(here.join("long.csv"), long).unwrap();
    std::fs::write(here.join("one.csv"), "age_d,weight_g\n0,40\n7,70\n14,120\n").unwrap();
    for (call, status, message) in [
        (
            "fit long.csv --bird ring --memory 64",
            2,
            "found other fits than --level bird",
        ),
        (
            "fit long.csv --bird ring --memory 64 --level bird --json",
            2,
            "found --json",
        ),
        (
            "fit one.csv --memory 64 --level bird",
            2,
            "a table without a column of birds",
        ),
        (
            "fit none.csv --memory 64 --level bird",
            2,
            "found no such file",
        ),
        (
            "fit long.csv --bird ring --memory 64 --level bird --temporary-folder gone",
            3,
            "gone/(temporary file): could not be written",
        ),
    ] {
        let output = pinfeather(here, call);
        let errors = text(&output.stderr);
        assert_eq!(output.status.code(), Some(status), "{call}: {errors}");
        assert!(errors.contains(message), "{call}: {errors}");
        assert!(!here.join("results").exists(), "{call}");
    }
}
