//! The rules of the house: who may use whom, a card for every curve, and
//! no option in the README that the program does not have.

use std::path::{Path, PathBuf};
use std::process::Command;

/// Each room of `src/` and the rooms that it may use (`error` and `age` are free to all).
const MAY_USE: &[(&str, &[&str])] = &[
    ("error", &[]),
    ("age", &[]),
    ("stats", &[]),
    ("growth", &[]),
    ("study", &[]),
    ("composition", &["stats", "study"]),
    ("fit", &["growth", "stats"]),
    ("trajectory", &["fit", "growth", "stats", "study"]),
    (
        "contrast",
        &["fit", "growth", "stats", "study", "trajectory"],
    ),
    ("flock", &["fit", "growth", "stats", "study", "trajectory"]),
    (
        "maturity",
        &["fit", "growth", "stats", "study", "trajectory"],
    ),
    ("plan", &["fit", "growth", "stats"]),
    ("figure", &[]),
    (
        "analysis",
        &[
            "composition",
            "contrast",
            "fit",
            "flock",
            "growth",
            "maturity",
            "plan",
            "stats",
            "study",
            "trajectory",
        ],
    ),
    (
        "report",
        &[
            "analysis",
            "composition",
            "contrast",
            "figure",
            "fit",
            "flock",
            "growth",
            "maturity",
            "plan",
            "stats",
            "study",
            "trajectory",
        ],
    ),
    (
        "cli",
        &[
            "analysis",
            "composition",
            "contrast",
            "figure",
            "fit",
            "flock",
            "growth",
            "maturity",
            "plan",
            "report",
            "stats",
            "study",
            "trajectory",
        ],
    ),
    ("lib", &[]),
    ("main", &["cli"]),
];

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn rust_files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            rust_files(&path, found);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push(path);
        }
    }
}

/// The room that a file of `src/` belongs to.
fn room(file: &Path) -> String {
    let inside = file.strip_prefix(root().join("src")).unwrap();
    let first = inside
        .components()
        .next()
        .unwrap()
        .as_os_str()
        .to_string_lossy();
    first.trim_end_matches(".rs").to_owned()
}

#[test]
fn data_flow_one_way() {
    let mut files = Vec::new();
    rust_files(&root().join("src"), &mut files);
    assert!(
        files.len() > 30,
        "found only {} files under src",
        files.len()
    );
    let mut wrong = Vec::new();
    for file in files {
        let room = room(&file);
        let (_, allowed) = MAY_USE
            .iter()
            .find(|(name, _)| *name == room)
            .unwrap_or_else(|| panic!("{room} is a new room: name in MAY_USE whom it may use"));
        let text = std::fs::read_to_string(&file).unwrap();
        for (number, line) in text.lines().enumerate() {
            let code = line.split("//").next().unwrap_or_default();
            for used in code.split("crate::").skip(1) {
                let used: String = used
                    .chars()
                    .take_while(|c| c.is_alphanumeric() || *c == '_')
                    .collect();
                // Items that lib.rs gives again (`crate::Result`) are the error room's.
                let free = ["error", "age"].contains(&used.as_str());
                let known = free || used == room || used.starts_with(char::is_uppercase);
                if !known && !allowed.contains(&used.as_str()) {
                    wrong.push(format!(
                        "{}:{}: {room} uses {used}",
                        file.display(),
                        number + 1
                    ));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "against the flow:\n{}", wrong.join("\n"));
}

/// Words that no user reads: statistics and the trade have others.
const BANNED: [&str; 8] = [
    "told",
    "untold",
    "foretold",
    "tell",
    "tells",
    "anew",
    "unforeseen",
    "foresees",
];

/// What stands between quotation marks in a line of code that is no comment.
fn literals(line: &str) -> String {
    let code = line.trim_start();
    if code.starts_with("//") {
        return String::new();
    }
    let mut inside = false;
    let mut before = ' ';
    let mut found = String::new();
    for letter in code.chars() {
        if letter == '"' && before != '\\' {
            inside = !inside;
            found.push(' ');
        } else if inside {
            found.push(letter);
        }
        before = letter;
    }
    found
}

/// Messages, help, documents of items and modules, and the guide have the words of `BANNED`
/// nowhere.
#[test]
fn what_users_read_has_no_dialect() {
    let mut files = Vec::new();
    rust_files(&root().join("src"), &mut files);
    let mut faults = Vec::new();
    let mut look = |file: &Path, number: usize, text: &str| {
        let outside_braces = text
            .split('{')
            .map(|part| part.rsplit('}').next().unwrap_or(part));
        let text: String = outside_braces.collect::<Vec<_>>().join(" ");
        let mut words = text.split(|letter: char| !letter.is_alphanumeric() && letter != '_');
        if words.any(|word| BANNED.contains(&word)) {
            faults.push(format!("{}:{}: {text}", file.display(), number + 1));
        }
    };
    for file in &files {
        let text = std::fs::read_to_string(file).unwrap();
        let code = text.split("#[cfg(test)]").next().unwrap();
        for (number, line) in code.lines().enumerate() {
            look(file, number, &literals(line));
            let line = line.trim_start();
            let document = ["/// ", "//! "]
                .iter()
                .find_map(|start| line.strip_prefix(start));
            look(file, number, document.unwrap_or_default());
        }
    }
    for folder in ["guide/src", ""] {
        for entry in std::fs::read_dir(root().join(folder)).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            if folder.is_empty() && name != "README.md" || !name.ends_with(".md") {
                continue;
            }
            let text = std::fs::read_to_string(&path).unwrap();
            for (number, line) in text.lines().enumerate() {
                look(&path, number, line);
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn seeds_become_draws_in_one_place() {
    let mut files = Vec::new();
    rust_files(&root().join("src"), &mut files);
    for file in files {
        if file.ends_with("stats/resample.rs") {
            continue;
        }
        let text = std::fs::read_to_string(&file).unwrap();
        let code = text.split("#[cfg(test)]").next().unwrap_or_default();
        assert!(
            !code.contains("seed_from_u64") && !code.contains("set_stream"),
            "{}: draws from a seed are stats::resample::stream's",
            file.display()
        );
    }
}

#[test]
fn every_built_in_curve_has_its_card() {
    for name in pinfeather::growth::names() {
        let card = root().join(format!("models/curves/{name}.toml"));
        assert!(card.is_file(), "{name}: no card at {}", card.display());
    }
}

#[test]
fn every_option_in_the_readme_exists() {
    let readme = std::fs::read_to_string(root().join("README.md")).unwrap();
    let mut help = String::new();
    for command in [
        "new",
        "check",
        "repeatability",
        "calibrate",
        "correct",
        "validate",
        "fit",
        "contrast",
        "target",
        "onset",
        "plan",
        "draw",
        "report",
        "view",
        "run",
    ] {
        let output = Command::new(env!("CARGO_BIN_EXE_pinfeather"))
            .args([command, "--help"])
            .output()
            .unwrap();
        assert!(output.status.success(), "{command} --help");
        help += &String::from_utf8(output.stdout).unwrap();
    }
    let letter = |c: char| c.is_ascii_lowercase() || c == '-';
    let options = readme
        .split("--")
        .skip(1)
        .map(|rest| rest.chars().take_while(|c| letter(*c)).collect());
    let options: Vec<String> = options.filter(|option: &String| option.len() > 1).collect();
    assert!(options.len() > 8, "found only {options:?}");
    for option in options {
        // An option of cargo's own, in the README's first command.
        if option != "release" {
            assert!(
                help.contains(&format!("--{option}")),
                "--{option} is in the README, in no command's help"
            );
        }
    }
}
