//! Results are whole whatever happens while they are written: a kill, a full disk, a folder
//! that may not be written to, two runs at once.
#![cfg(unix)]

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use sha2::{Digest as _, Sha256};

fn program() -> Command {
    Command::new(env!("CARGO_BIN_EXE_pinfeather"))
}

fn fit(folder: &Path, curve: &str) -> Command {
    let mut command = program();
    command.current_dir(folder).args([
        "fit", "w.csv", "--level", "strain", "--out", "o", "--curve", curve,
    ]);
    command
}

fn done(output: &Output, status: i32) -> String {
    let errors = String::from_utf8(output.stderr.clone()).unwrap();
    assert_eq!(output.status.code(), Some(status), "{errors}");
    errors
}

fn start() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let mut weights = "bird,strain,age_d,weight_g\n".to_owned();
    for bird in 1..4_u8 {
        for week in 0..9_u8 {
            let age_d = f64::from(week) * 7.0;
            let off = 1.0 + f64::from(bird) * 0.02 + f64::from((week * bird) % 3) * 0.01;
            let weight_g = 1500.0 * (-(-0.05 * (age_d - 30.0)).exp()).exp() * off;
            weights += &format!("b{bird},x,{age_d},{weight_g:.1}\n");
        }
    }
    fs::write(folder.path().join("w.csv"), weights).unwrap();
    folder
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path)
            } else {
                found.push(path)
            }
        }
    }
    found.sort();
    found
}

/// That the folder holds the files of its record, with the bytes of its record, and no
/// other; which curve they are of.
fn whole_set(folder: &Path) -> String {
    let record = fs::read(folder.join("run.json")).unwrap();
    let record: serde_json::Value = serde_json::from_slice(&record).unwrap();
    let mut expected = vec![folder.join("run.json")];
    for file in record["outputs"].as_array().unwrap() {
        let path = folder.join(file["path"].as_str().unwrap());
        let digest = Sha256::digest(fs::read(&path).unwrap());
        let digest: String = digest.iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(file["sha256"], digest.as_str(), "{}", path.display());
        expected.push(path);
    }
    expected.sort();
    assert_eq!(files(folder), expected);
    record["arguments"]
        .as_array()
        .unwrap()
        .last()
        .unwrap()
        .as_str()
        .unwrap()
        .to_owned()
}

/// The unit tests beside the module cut a run off at each step; this kills the program.
#[test]
fn a_kill_while_results_are_written_leaves_one_set_whole() {
    let folder = start();
    let path = folder.path();
    done(&fit(path, "gompertz").output().unwrap(), 0);
    let stage = path.join("o/.pinfeather");
    let mut cut = 0;
    for round in 0..30_u32 {
        let curve = ["logistic", "gompertz"][round as usize % 2];
        let mut child = fit(path, curve)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // From the moment at which it begins to write.
        let since = Instant::now();
        while !stage.exists() && since.elapsed() < Duration::from_secs(60) {
            if child.try_wait().unwrap().is_some() {
                break;
            }
        }
        let until = Instant::now() + Duration::from_micros(u64::from(round) * 60);
        while Instant::now() < until {}
        child.kill().unwrap();
        child.wait().unwrap();
        cut += usize::from(stage.exists());
        // A command that reads the folder: whatever it thinks of the table, the set is whole.
        let mut reads = program();
        reads
            .current_dir(path)
            .args(["check", "o/tables/residuals.csv"]);
        let _ = reads.output().unwrap();
        whole_set(&path.join("o"));
    }
    eprintln!("{cut} of 30 kills left something to be done");
    assert!(cut > 0, "no kill has met a run that was writing");
}

#[test]
fn two_runs_at_once_leave_the_set_of_one() {
    let folder = start();
    let path = folder.path();
    let start = |curve| fit(path, curve).stdout(Stdio::null()).spawn().unwrap();
    let mut runs: Vec<_> = ["gompertz", "logistic", "gompertz", "logistic"]
        .map(start)
        .into();
    for run in &mut runs {
        assert_eq!(run.wait().unwrap().code(), Some(0));
    }
    whole_set(&path.join("o"));
}

/// The largest file that a process may write stands in for a full disk: the write fails.
#[test]
fn a_full_disk_leaves_the_earlier_results() {
    let folder = start();
    let path = folder.path();
    done(&fit(path, "gompertz").output().unwrap(), 0);
    // A block is 512 or 1024 bytes; curves.csv is larger than both.
    let limited = Command::new("sh")
        .current_dir(path)
        .args([
            "-c",
            "trap '' XFSZ; ulimit -f 2; exec \"$0\" \"$@\"",
            env!("CARGO_BIN_EXE_pinfeather"),
            "fit",
            "w.csv",
            "--level",
            "strain",
            "--out",
            "o",
            "--curve",
            "logistic",
        ])
        .output()
        .unwrap();
    let errors = done(&limited, 3);
    assert!(errors.contains("could not be written"), "{errors}");
    assert_eq!(whole_set(&path.join("o")), "gompertz");
}

/// A disk that is full, where one may be mounted.
#[test]
fn a_small_disk_that_fills_up_leaves_the_earlier_results() {
    let folder = start();
    let path = folder.path();
    let disk = path.join("o");
    fs::create_dir(&disk).unwrap();
    let mounted = Command::new("mount")
        .args(["-t", "tmpfs", "-o", "size=80k", "tmpfs"])
        .arg(&disk)
        .status();
    if !mounted.is_ok_and(|status| status.success()) {
        eprintln!("skipped: no disk may be mounted here");
        return;
    }
    let first = fit(path, "gompertz").output().unwrap();
    fs::write(disk.join("tables/ballast.csv"), vec![b'x'; 4096]).unwrap();
    let mut ballast = 1;
    while fs::write(disk.join(format!("ballast{ballast}")), vec![b'x'; 4096]).is_ok() {
        ballast += 1;
    }
    let second = fit(path, "logistic").output().unwrap();
    fs::remove_file(disk.join("tables/ballast.csv")).unwrap();
    for number in 1..=ballast {
        let _ = fs::remove_file(disk.join(format!("ballast{number}")));
    }
    let set = std::panic::catch_unwind(|| whole_set(&disk));
    Command::new("umount").arg(&disk).status().unwrap();
    done(&first, 0);
    done(&second, 3);
    assert_eq!(set.unwrap(), "gompertz");
}

#[test]
fn a_folder_that_cannot_be_made_is_named_and_nothing_is_written() {
    let folder = start();
    let path = folder.path();
    let before = files(path);
    for out in ["w.csv", "w.csv/deeper/o", "/proc/o", "/dev/null"] {
        let mut command = program();
        command.current_dir(path);
        command.args(["fit", "w.csv", "--level", "strain", "--out", out]);
        let output = command.output().unwrap();
        let errors = done(&output, 3);
        assert!(errors.contains(out), "{errors}");
        assert_eq!(files(path), before);
    }
}

/// Permissions do not stop the superuser, who runs the program as nobody.
#[test]
fn a_read_only_folder_leaves_the_earlier_results() {
    let folder = start();
    let path = folder.path();
    fs::set_permissions(path, fs::Permissions::from_mode(0o755)).unwrap();
    done(&fit(path, "gompertz").output().unwrap(), 0);
    let superuser = Command::new("id").arg("-u").output().unwrap().stdout == b"0\n";
    let out = path.join("o");
    for inner in [out.join("tables"), out.clone(), path.to_owned()] {
        fs::set_permissions(inner, fs::Permissions::from_mode(0o555)).unwrap();
    }
    let output = if superuser {
        // Nobody may not see the folder in which the program was built.
        let home = tempfile::tempdir().unwrap();
        fs::set_permissions(home.path(), fs::Permissions::from_mode(0o755)).unwrap();
        let copy = home.path().join("pinfeather");
        fs::copy(env!("CARGO_BIN_EXE_pinfeather"), &copy).unwrap();
        let output = Command::new("setpriv")
            .current_dir(path)
            .args(["--reuid=65534", "--regid=65534", "--clear-groups"])
            .arg(&copy)
            .args([
                "fit", "w.csv", "--level", "strain", "--out", "o", "--curve", "logistic",
            ])
            .output();
        let Ok(output) = output else {
            eprintln!("skipped: the superuser has no setpriv here");
            return;
        };
        output
    } else {
        fit(path, "logistic").output().unwrap()
    };
    for inner in [path.to_owned(), out.clone(), out.join("tables")] {
        fs::set_permissions(inner, fs::Permissions::from_mode(0o755)).unwrap();
    }
    let errors = done(&output, 3);
    assert!(
        errors.contains("check the folder's permissions"),
        "{errors}"
    );
    assert_eq!(whole_set(&out), "gompertz");
}
