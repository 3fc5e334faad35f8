//! A user's files are never destroyed: what is read is not written over, `run --verify`
//! writes nothing outside a private folder, a results folder belongs to one run.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn call(folder: &Path, line: &str) -> Output {
    Command::new(env!("CARGO_BIN_EXE_pinfeather"))
        .current_dir(folder)
        .env("TMPDIR", folder.join("tmp"))
        .args(line.split_whitespace())
        .output()
        .unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

/// Standard output and messages of a call that must succeed.
fn printed(folder: &Path, line: &str) -> (String, String) {
    let output = call(folder, line);
    let errors = text(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{line}: {errors}");
    (text(&output.stdout), errors)
}

/// Messages of a call that must be refused, with every file as it was.
fn refused(folder: &Path, line: &str, status: i32) -> String {
    let before = contents(folder);
    let output = call(folder, line);
    let errors = text(&output.stderr);
    assert_eq!(output.status.code(), Some(status), "{line}: {errors}");
    assert_eq!(contents(folder), before, "{line}");
    errors
}

/// Every file below a folder with its bytes.
fn contents(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut files = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                files.push((path.clone(), fs::read(&path).unwrap()));
            }
        }
    }
    files.sort();
    files
}

fn names(folder: &Path) -> Vec<String> {
    let files = contents(folder);
    let names = files.iter().map(|(path, _)| {
        let inside = path.strip_prefix(folder).unwrap();
        inside.to_str().unwrap().to_owned()
    });
    names.collect()
}

/// Weighings of one strain, and pairs of a reading and its chemistry.
fn start() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir(folder.path().join("tmp")).unwrap();
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
    let mut pairs = "bird,fat_scan,fat_chem\n".to_owned();
    for bird in 1..13_u16 {
        let scan = f64::from(bird) * 10.0;
        let chem = 5.0 + 0.9 * scan + f64::from((bird * 7) % 5);
        pairs += &format!("b{bird},{scan},{chem}\n");
    }
    fs::write(folder.path().join("pairs.csv"), pairs).unwrap();
    folder
}

const FIT: &str = "fit w.csv --curve gompertz";
const CALIBRATE: &str = "calibrate pairs.csv --response fat_chem --terms fat_scan";

#[test]
fn a_workbook_that_is_read_is_not_replaced_by_results() {
    let folder = start();
    let path = folder.path();
    printed(path, "new st");
    fs::copy(path.join("st/tables.xlsx"), path.join("results.xlsx")).unwrap();
    let errors = refused(
        path,
        "fit results.xlsx#weighings --hatched-on 2026-03-02 --out . --xlsx",
        2,
    );
    assert!(errors.contains("results.xlsx"), "{errors}");
    assert!(
        errors.contains("choose another folder with --out"),
        "{errors}"
    );
    // Without --xlsx nothing of that name is written.
    printed(
        path,
        "fit results.xlsx#weighings --hatched-on 2026-03-02 --out . --level strain --curve gompertz",
    );
}

#[test]
fn a_table_of_results_that_is_read_is_not_replaced() {
    let folder = start();
    let path = folder.path();
    printed(path, &format!("{FIT} --out o"));
    let again = "fit o/tables/residuals.csv --bird bird --age age_d --value observed";
    let errors = refused(path, &format!("{again} --out o"), 2);
    assert!(errors.contains("o/tables/residuals.csv"), "{errors}");
    fs::rename(path.join("o"), path.join("results")).unwrap();
    refused(path, &again.replace("o/", "results/"), 2);
}

#[test]
fn a_study_whose_table_lies_where_results_go_is_refused() {
    let folder = start();
    let path = folder.path();
    fs::create_dir_all(path.join("s/tables")).unwrap();
    fs::copy(path.join("w.csv"), path.join("s/tables/curves.csv")).unwrap();
    fs::write(
        path.join("s/study.toml"),
        "[tables]\nweighings = \"tables/curves.csv\"\n",
    )
    .unwrap();
    for line in ["fit s --out s", "run s --out s", "onset s --out ./s/../s"] {
        let errors = refused(path, line, 2);
        assert!(errors.contains("curves.csv"), "{errors}");
    }
    printed(path, "fit s --out o --curve gompertz");
}

#[cfg(unix)]
#[test]
fn links_and_hard_links_are_the_same_file() {
    let folder = start();
    let path = folder.path();
    printed(path, &format!("{FIT} --out o"));
    let curves = path.join("o/tables/curves.csv");
    fs::remove_file(&curves).unwrap();
    fs::hard_link(path.join("w.csv"), &curves).unwrap();
    let errors = refused(path, &format!("{FIT} --out o"), 2);
    assert!(
        errors.contains("curves.csv") && errors.contains("w.csv"),
        "{errors}"
    );
    fs::remove_file(&curves).unwrap();
    std::os::unix::fs::symlink(path.join("w.csv"), &curves).unwrap();
    refused(path, &format!("{FIT} --out o"), 2);
    fs::remove_file(&curves).unwrap();
    // The whole folder is a link to where the input lies.
    fs::create_dir(path.join("mine")).unwrap();
    fs::copy(path.join("w.csv"), path.join("mine/curves.csv")).unwrap();
    fs::remove_dir_all(path.join("o/tables")).unwrap();
    std::os::unix::fs::symlink(path.join("mine"), path.join("o/tables")).unwrap();
    refused(path, "fit mine/curves.csv --curve gompertz --out o", 2);
}

#[test]
fn a_saved_model_of_the_study_that_was_edited_is_not_replaced() {
    let folder = start();
    let path = folder.path();
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo");
    fs::create_dir_all(path.join("s/models/corrections")).unwrap();
    for entry in fs::read_dir(demo).unwrap() {
        let from = entry.unwrap().path();
        if from.is_file() {
            fs::copy(&from, path.join("s").join(from.file_name().unwrap())).unwrap();
        }
    }
    fs::write(path.join("s/models/corrections/fat.toml"), "mine").unwrap();
    for line in ["run s --out s", "calibrate s --out s"] {
        let errors = refused(path, line, 2);
        assert!(errors.contains("fat.toml"), "{errors}");
    }
}

#[test]
fn results_may_lie_beside_what_is_read() {
    let folder = start();
    let path = folder.path();
    let weights = fs::read(path.join("w.csv")).unwrap();
    printed(path, &format!("{FIT} --out ."));
    let (_, errors) = printed(path, &format!("{FIT} --out ."));
    assert!(!errors.contains("left alone"), "{errors}");
    assert_eq!(fs::read(path.join("w.csv")).unwrap(), weights);
    assert!(path.join("tables/curves.csv").is_file());
}

#[test]
fn a_results_folder_belongs_to_one_run() {
    let folder = start();
    let path = folder.path();
    printed(path, &format!("{FIT} --out fresh"));
    printed(path, &format!("{CALIBRATE} --out o"));
    fs::write(path.join("o/tables/notes.csv"), "mine").unwrap();
    let (_, errors) = printed(path, &format!("{FIT} --out o"));
    let mut expected = names(&path.join("fresh"));
    expected.push("tables/notes.csv".to_owned());
    expected.sort();
    assert_eq!(names(&path.join("o")), expected);
    assert!(
        errors.contains("has not written: 1 file (tables/notes.csv)"),
        "{errors}"
    );
    assert!(errors.contains("tables/notes.csv"), "{errors}");
    assert!(
        errors.contains("removed what the run before has written"),
        "{errors}"
    );
}

#[test]
fn what_a_run_reads_is_not_removed_with_the_run_before() {
    let folder = start();
    let path = folder.path();
    printed(path, &format!("{CALIBRATE} --out o"));
    let equation = path.join("o/models/corrections/fat.toml");
    let before = fs::read(&equation).unwrap();
    fs::write(
        path.join("scans.csv"),
        "bird,age_d,fat_g\nb1,70,40\nb2,70,60\n",
    )
    .unwrap();
    let line = "correct scans.csv --equation o/models/corrections --out o";
    printed(path, line);
    assert_eq!(fs::read(&equation).unwrap(), before);
    assert!(path.join("o/tables/corrected.csv").is_file());
    assert!(!path.join("o/tables/calibration_terms.csv").exists());
}

#[test]
fn a_result_that_was_edited_is_kept_beside_the_new_one() {
    let folder = start();
    let path = folder.path();
    printed(path, &format!("{FIT} --out o"));
    let curves = path.join("o/tables/curves.csv");
    let whole = fs::read_to_string(&curves).unwrap();
    // The same length: the digest shows it.
    fs::write(&curves, whole.replacen("strain", "strane", 1)).unwrap();
    let (_, errors) = printed(path, &format!("{FIT} --out o"));
    assert!(errors.contains("curves.csv.kept"), "{errors}");
    assert_eq!(fs::read_to_string(&curves).unwrap(), whole);
    let kept = fs::read_to_string(path.join("o/tables/curves.csv.kept")).unwrap();
    assert_eq!(kept, whole.replacen("strain", "strane", 1));
}

#[test]
fn saved_models_go_into_place_with_the_results_or_not_at_all() {
    let folder = start();
    let path = folder.path();
    printed(path, &format!("{CALIBRATE} --save eqs --out o"));
    let pairs = fs::read_to_string(path.join("pairs.csv")).unwrap();
    fs::write(path.join("pairs.csv"), pairs.replace("b3,30,", "b3,31,")).unwrap();
    refused(path, &format!("{CALIBRATE} --save eqs --out w.csv"), 3);
    printed(path, &format!("{CALIBRATE} --save eqs --out o"));
    // One that the program has saved and nobody edited is no file to keep.
    assert_eq!(names(&path.join("eqs")), ["fat.toml"]);
    let edited = fs::read_to_string(path.join("eqs/fat.toml")).unwrap() + "# mine\n";
    fs::write(path.join("eqs/fat.toml"), edited).unwrap();
    printed(path, &format!("{CALIBRATE} --save eqs --out o"));
    assert_eq!(names(&path.join("eqs")), ["fat.toml", "fat.toml.kept"]);
}

#[test]
fn verifying_writes_nothing_whatever_the_record() {
    let folder = start();
    let path = folder.path();
    printed(path, &format!("{CALIBRATE} --save eqs --out o"));
    let pairs = fs::read_to_string(path.join("pairs.csv")).unwrap();
    fs::write(path.join("pairs.csv"), pairs.replace("b3,30,", "b3,31,")).unwrap();
    let before = contents(path);
    let (words, _) = printed(path, "run --verify o/run.json");
    assert_eq!(contents(path), before);
    assert!(words.contains("input pairs.csv"), "{words}");
    assert!(words.contains("eqs/fat.toml: other bytes"), "{words}");
    assert!(
        words.contains("files that the run has written: 7 of 7 are unchanged"),
        "{words}"
    );
    printed(path, &format!("{CALIBRATE} --save p/own --out p"));
    let (words, _) = printed(path, "run --verify p");
    assert!(words.starts_with("nothing has changed since p"), "{words}");
    // A record that somebody has edited.
    let record = fs::read_to_string(path.join("o/run.json")).unwrap();
    let evil = path.join("evil");
    let places = [
        format!(
            "\"--save\", \"{}\", \"--out\", \"{0}\", \"-o{0}\"",
            evil.display()
        ),
        "\"--save=../evil\", \"--out=evil\"".to_owned(),
        "\"--save=.\", \"--xlsx\"".to_owned(),
        "\"--save=o/tables\"".to_owned(),
    ];
    for place in places {
        let edited = record.replace("\"--save\",\n    \"eqs\"", &place);
        assert_ne!(edited, record);
        fs::write(path.join("o/run.json"), edited).unwrap();
        let before = contents(path);
        call(path, "run --verify o/run.json");
        assert_eq!(contents(path), before, "{place}");
        assert!(!evil.exists() && !path.parent().unwrap().join("evil").exists());
    }
    for command in [
        "\"view\", \"w.csv\"",
        "\"run\", \"--verify\", \"o/run.json\"",
        "\"new\", \"n\"",
    ] {
        let start = record.find("\"arguments\": [").unwrap() + "\"arguments\": [".len();
        let end = start + record[start..].find(']').unwrap();
        let edited = format!("{}{command}{}", &record[..start], &record[end..]);
        fs::write(path.join("o/run.json"), edited).unwrap();
        refused(path, "run --verify o/run.json", 2);
    }
}

#[test]
fn verifying_reports_what_lies_beside_the_record() {
    let folder = start();
    let path = folder.path();
    printed(path, &format!("{FIT} --out o"));
    let terms = path.join("o/tables/curve_terms.csv");
    let edited = fs::read_to_string(&terms).unwrap() + "edited\n";
    fs::write(&terms, edited).unwrap();
    fs::remove_file(path.join("o/tables/residuals.csv")).unwrap();
    fs::write(path.join("o/tables/notes.csv"), "mine").unwrap();
    let (words, _) = printed(path, "run --verify o/run.json");
    for found in [
        "inputs: 1 of 1 are unchanged",
        "files that the run has written: 5 of 7 are unchanged",
        "tables/curve_terms.csv: changed since the run has written it",
        "tables/residuals.csv: missing",
        "tables/notes.csv: extra",
        "run again: 7 of 7 files are reproduced byte for byte",
    ] {
        assert!(words.contains(found), "{found:?} in {words}");
    }
    let output = call(path, "run --verify o/run.json --strict");
    assert_eq!(output.status.code(), Some(1));
}

#[test]
fn a_file_that_is_open_in_a_spreadsheet_program_is_named() {
    let folder = start();
    let path = folder.path();
    printed(path, "new st");
    fs::copy(path.join("st/tables.xlsx"), path.join("book.xlsx")).unwrap();
    fs::write(path.join(".~lock.book.xlsx#"), "").unwrap();
    let (_, errors) = printed(path, "check book.xlsx#weighings --hatched-on 2026-03-02");
    assert!(
        errors.contains("book.xlsx: it is open in a spreadsheet program"),
        "{errors}"
    );
    let (_, errors) = printed(
        path,
        "fit book.xlsx#weighings --hatched-on 2026-03-02 --level strain --curve gompertz --out o --xlsx",
    );
    assert!(errors.contains("what was saved last"), "{errors}");
    for (owner, file) in [
        ("~$results.xlsx", "results.xlsx"),
        ("tables/.~lock.curves.csv#", "curves.csv"),
    ] {
        fs::write(path.join("o").join(owner), "").unwrap();
        let errors = refused(path, &format!("{FIT} --out o --xlsx"), 3);
        assert!(
            errors.contains(file) && errors.contains("close it there"),
            "{errors}"
        );
        fs::remove_file(path.join("o").join(owner)).unwrap();
    }
}

/// Files are changed in one module only, whose rules would otherwise be in vain.
#[test]
fn nobody_else_changes_files() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let ways = [
        "fs::write",
        "File::create",
        "fs::rename",
        "fs::remove",
        "fs::create_dir",
        "fs::copy",
        "OpenOptions",
        "File::options",
        "fs::hard_link",
        "set_permissions",
        "set_len",
    ];
    for (file, bytes) in contents(&root) {
        if file.extension().is_none_or(|ending| ending != "rs")
            || file.starts_with(root.join("report/files"))
        {
            continue;
        }
        let text = text(&bytes);
        let code = text.split("#[cfg(test)]").next().unwrap();
        for line in code
            .lines()
            .filter(|line| !line.trim_start().starts_with("//"))
        {
            assert!(
                !ways.iter().any(|way| line.contains(way)),
                "{}: {line}",
                file.display()
            );
        }
    }
}
