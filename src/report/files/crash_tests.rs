//! A run that is killed, or fails, at each step that changes a file: the earlier files or
//! the new ones, never a mixture.

use std::collections::BTreeMap;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::disk::failing::Failing;
use super::disk::{Disk, System};
use super::identity::Inputs;
use super::journal::STAGE;
use super::record::RECORD;
use super::recover::{recover_near, recover_with};
use super::staged::Staged;
use crate::error::Result;

type Contents = BTreeMap<PathBuf, String>;

/// Every file below a folder.
fn contents(folder: &Path) -> Contents {
    let mut found = Contents::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                assert!(!path.ends_with(STAGE), "{} is left", path.display());
                folders.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().to_owned();
                found.insert(name, fs::read_to_string(&path).unwrap());
            }
        }
    }
    found
}

fn record(files: &[(&str, &str)]) -> String {
    let outputs: Vec<_> = files
        .iter()
        .map(|(path, text)| {
            let sha256 = crate::study::digest(text.as_bytes());
            let sha256 = sha256.trim_start_matches("sha256:");
            serde_json::json!({ "path": path, "bytes": text.len(), "sha256": sha256 })
        })
        .collect();
    let record = serde_json::json!({
        "program": "pinfeather", "version": "0", "command": "run", "arguments": [], "seed": 1,
        "inputs": [], "counts": {}, "warnings": [], "outputs": outputs,
    });
    record.to_string()
}

/// What an earlier run, and the user, have left.
fn earlier(base: &Path) {
    let out = base.join("out");
    let files = [
        ("tables/a.csv", "old a"),
        ("tables/gone.csv", "old gone"),
        ("figures/gone.svg", "old gone"),
        ("report.html", "old page"),
    ];
    for (name, text) in files {
        fs::create_dir_all(out.join(name).parent().unwrap()).unwrap();
        fs::write(out.join(name), text).unwrap();
    }
    fs::write(out.join(RECORD), record(&files)).unwrap();
    fs::write(out.join("report.html"), "edited page").unwrap();
    fs::write(out.join("tables/mine.csv"), "mine").unwrap();
    fs::create_dir_all(base.join("equations")).unwrap();
    fs::write(base.join("equations/fat.toml"), "old fat").unwrap();
}

fn new_run(disk: Arc<dyn Disk>, base: &Path) -> Result<()> {
    let mut staged = Staged::begin_with(disk, &[base.join("out"), base.join("equations")])?;
    let new = [
        ("tables/a.csv", "new a"),
        ("more/b.csv", "new b"),
        ("report.html", "new page"),
    ];
    for (name, text) in new {
        staged.write(0, name, |out| out.write_all(text.as_bytes()))?;
    }
    let text = record(&new);
    staged.write(0, RECORD, |out| out.write_all(text.as_bytes()))?;
    for name in ["fat.toml", "lean.toml"] {
        staged.write(1, name, |out| out.write_all(b"new"))?;
    }
    staged.exchange(&Inputs::default()).map(|_| ())
}

/// The contents before, and after a run that nothing disturbs.
fn before_and_after(lay_out: fn(&Path)) -> (Contents, Contents) {
    let folder = tempfile::tempdir().unwrap();
    lay_out(folder.path());
    let before = contents(folder.path());
    new_run(Arc::new(System), folder.path()).unwrap();
    (before, contents(folder.path()))
}

#[test]
fn a_results_folder_belongs_to_one_run() {
    let (_, after) = before_and_after(earlier);
    let names: Vec<&str> = after.keys().map(|name| name.to_str().unwrap()).collect();
    assert_eq!(
        names,
        [
            "equations/fat.toml",
            "equations/fat.toml.kept",
            "equations/lean.toml",
            "out/more/b.csv",
            "out/report.html",
            "out/report.html.kept",
            "out/run.json",
            "out/tables/a.csv",
            "out/tables/mine.csv",
        ]
    );
    assert_eq!(after[Path::new("out/report.html.kept")], "edited page");
    assert_eq!(after[Path::new("equations/fat.toml.kept")], "old fat");
}

/// Runs `again` after a run that was cut off at each of its steps; true once it was not.
fn at_each_step(dies: bool, lay_out: fn(&Path), mut again: impl FnMut(&Path, usize, bool)) {
    for steps in 0.. {
        let folder = tempfile::tempdir().unwrap();
        lay_out(folder.path());
        let disk = Arc::new(Failing::after(steps, dies));
        let done = new_run(disk.clone(), folder.path()).is_ok();
        let is_whole = disk.left.lock().unwrap().is_some_and(|left| left > 0);
        again(folder.path(), steps, done);
        if is_whole {
            assert!(steps > 20, "only {steps} steps");
            return;
        }
    }
}

#[test]
fn a_run_killed_at_any_step_leaves_the_old_set_or_the_new() {
    for lay_out in [earlier as fn(&Path), |_| ()] {
        let (before, after) = before_and_after(lay_out);
        for entry in ["out/tables/a.csv", "equations"] {
            let mut seen = [false, false];
            at_each_step(true, lay_out, |base, steps, _| {
                recover_near(&base.join(entry)).unwrap();
                // Before the journal of the first folder, the other's files wait alone.
                recover_near(&base.join("out")).unwrap();
                recover_near(&base.join("equations")).unwrap();
                let now = contents(base);
                assert!(
                    now == before || now == after,
                    "killed after {steps}: {now:?}"
                );
                seen[usize::from(now == after)] = true;
            });
            assert_eq!(seen, [true, true]);
        }
    }
}

#[test]
fn a_recovery_killed_at_any_step_is_begun_again() {
    let (before, after) = before_and_after(earlier);
    at_each_step(true, earlier, |base, steps, _| {
        for more in 0..6 {
            let disk = Failing::after(more, true);
            let _ = recover_with(&disk, &base.join("out"));
        }
        for name in ["out", "equations"] {
            recover_near(&base.join(name)).unwrap();
        }
        let now = contents(base);
        assert!(
            now == before || now == after,
            "killed after {steps}: {now:?}"
        );
    });
}

#[test]
fn a_step_that_fails_is_taken_back() {
    for lay_out in [earlier as fn(&Path), |_| ()] {
        let (before, after) = before_and_after(lay_out);
        at_each_step(false, lay_out, |base, steps, done| {
            for name in ["out", "equations"] {
                recover_near(&base.join(name)).unwrap();
            }
            let now = contents(base);
            let expected = if done { &after } else { &before };
            assert_eq!(&now, expected, "step {steps} failed, done: {done}");
        });
    }
}

#[test]
fn a_journal_that_names_a_place_outside_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let stage = folder.path().join("out").join(STAGE);
    fs::create_dir_all(&stage).unwrap();
    fs::write(folder.path().join("mine"), "mine").unwrap();
    let journal = serde_json::json!({
        "part_of": null, "with": [], "made": [],
        "moves": [{ "place": "../mine", "new": false, "kept": null }],
    });
    fs::write(stage.join("journal.json"), journal.to_string()).unwrap();
    assert!(recover_near(&folder.path().join("out")).is_err());
    assert!(folder.path().join("mine").is_file());
}

#[test]
fn a_second_run_waits_for_the_first() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    let first = Staged::begin(std::slice::from_ref(&out)).unwrap();
    let other = {
        let base = folder.path().to_owned();
        std::thread::spawn(move || new_run(Arc::new(System), &base))
    };
    std::thread::sleep(std::time::Duration::from_millis(100));
    assert!(!other.is_finished());
    // Who only reads need not wait while nothing is being moved.
    assert!(recover_near(&out).unwrap().is_empty());
    drop(first);
    other.join().unwrap().unwrap();
    assert!(out.join("more/b.csv").is_file());
}
