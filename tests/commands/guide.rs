//! The user's guide: every command in it runs, and prints what is printed there.
//!
//! A line `$ ...` of a block marked `console` is a command for the shell, the lines up to the
//! next are its standard output. `GUIDE=write cargo test --test commands guide` writes what is
//! printed now into the guide.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// The folder that the guide's commands are run in.
fn workplace() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (from, to) in [("data-demo", "demo"), ("data-demo/flock", "flock")] {
        let place = folder.path().join(to);
        std::fs::create_dir(&place).unwrap();
        for entry in std::fs::read_dir(root().join(from)).unwrap() {
            let from = entry.unwrap().path();
            if from.is_file() {
                std::fs::copy(&from, place.join(from.file_name().unwrap())).unwrap();
            }
        }
    }
    let put = |from: &str, to: &str, header: &str| {
        let table = std::fs::read_to_string(root().join(from)).unwrap();
        // Of the table of thirteen strains, the first three.
        let rows = table.lines().skip(1).filter(|row| !row.starts_with("G04"));
        let rows = rows.take_while(|row| !row.starts_with("G05"));
        let rows: String = rows.flat_map(|row| [row, "\n"]).collect();
        std::fs::write(folder.path().join(to), format!("{header}\n{rows}")).unwrap();
    };
    put(
        "tests/reference/chickweight/chickweight.csv",
        "chicks.csv",
        "bird,diet,age_d,weight_g",
    );
    put(
        "tests/reference/nlme_examples/orange.csv",
        "trees.csv",
        "Tree,age,circumference",
    );
    for (from, to) in [
        ("data-demo/laboratories/pairs.csv", "laboratories.csv"),
        ("tests/reference/eggs/rising.csv", "eggs.csv"),
    ] {
        std::fs::copy(root().join(from), folder.path().join(to)).unwrap();
    }
    put(
        "tests/reference/mean_of_all/data.csv",
        "pullets.csv",
        "ring,line,days,grams",
    );
    folder
}

/// What stands before the day of an earlier run.
const EARLIER: &str = "SINCE THE RESULTS OF ";

/// A page of the guide with its commands' output as it is now.
fn printed(page: &str, place: &Path) -> String {
    let program = Path::new(env!("CARGO_BIN_EXE_pinfeather"));
    let path = format!(
        "{}:{}",
        program.parent().unwrap().display(),
        std::env::var("PATH").unwrap()
    );
    let mut out = String::new();
    let mut inside = false;
    for line in page.lines() {
        match (inside, line) {
            (false, "```console") => inside = true,
            (true, "```") => inside = false,
            (true, line) => {
                let Some(command) = line.strip_prefix("$ ") else {
                    continue;
                };
                let output = Command::new("sh")
                    .args(["-c", command])
                    .current_dir(place)
                    .env("PATH", &path)
                    .env("NO_COLOR", "1")
                    .env("LC_ALL", "C")
                    .output()
                    .unwrap();
                let messages = String::from_utf8(output.stderr).unwrap();
                assert!(output.status.success(), "{command}: {messages}");
                let text = String::from_utf8(output.stdout).unwrap();
                // The day of an earlier run is that of this test.
                let text = match text.split_once(EARLIER) {
                    Some((before, after)) => format!("{before}{EARLIER}2026-11-30{}", &after[10..]),
                    None => text,
                };
                let _ = write!(out, "{line}\n{text}");
                continue;
            }
            _ => {}
        }
        out.push_str(line);
        out.push('\n');
    }
    out
}

#[test]
fn the_guides_commands_print_its_output() {
    let write = std::env::var("GUIDE").is_ok_and(|word| word == "write");
    let folder = workplace();
    let pages = root().join("guide/src");
    let summary = std::fs::read_to_string(pages.join("SUMMARY.md")).unwrap();
    let named = summary.split('(').skip(1);
    let mut count = 0;
    for name in named.filter_map(|rest| rest.split_once(')')) {
        let path = pages.join(name.0);
        let page = std::fs::read_to_string(&path).unwrap();
        let now = printed(&page, folder.path());
        if write {
            std::fs::write(&path, &now).unwrap();
        } else {
            assert_eq!(page, now, "{}: GUIDE=write writes it anew", path.display());
        }
        count += 1;
    }
    assert!(count >= 10, "only {count} pages");
}
