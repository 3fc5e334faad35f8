//! Saved equations as published objects: provenance, versions and seals, exports
//! that are run in R and Python.

use std::path::Path;
use std::process::Command;

use pinfeather::composition::{Equation, Value};

use crate::support::{done, pinfeather, root, text};

/// A scan of the second laboratory: `fat_scan`, age, strain.
const SCANS: [(f64, f64, &str); 3] = [
    (42.6, 35.0, "Alder"),
    (107.4, 70.0, "Dogwood"),
    (251.3, 118.5, "Dogwood"),
];

/// The program's own mass, standard error, own and shared error of each scan.
fn of_program(path: &Path) -> Vec<[f64; 4]> {
    let equation = Equation::read(path).unwrap();
    let one = |scan: &(f64, f64, &'static str)| {
        let (reading, age, strain) = *scan;
        let row = equation
            .row(|name| match name {
                "fat_scan" => Some(Value::Number(reading)),
                "age" => Some(Value::Number(age)),
                _ => Some(Value::Word(strain)),
            })
            .unwrap();
        let value = equation.value(&row);
        let own = equation.own_variance(value).unwrap();
        let shared = equation.shared_covariance(&row, &row).unwrap();
        [value, (own + shared).sqrt(), own.sqrt(), shared.sqrt()]
    };
    SCANS.iter().map(one).collect()
}

/// Runs a script where its language is installed; its numbers, a line a scan.
fn run(program: &str, script: &str, folder: &Path) -> Option<Vec<Vec<f64>>> {
    let file = folder.join(if program == "Rscript" {
        "run.R"
    } else {
        "run.py"
    });
    std::fs::write(&file, script).unwrap();
    let output = match Command::new(program)
        .arg(&file)
        .current_dir(folder)
        .output()
    {
        Ok(output) => output,
        Err(_) => {
            println!("{program} is not installed: its export is not run");
            return None;
        }
    };
    assert!(
        output.status.success(),
        "{program}: {}",
        text(&output.stderr)
    );
    let numbers = |line: &str| {
        line.split_whitespace()
            .map(|word| word.parse().unwrap())
            .collect()
    };
    Some(text(&output.stdout).lines().map(numbers).collect())
}

fn same(what: &str, found: &[Vec<f64>], expected: &[[f64; 4]]) {
    assert_eq!(found.len(), expected.len(), "{what}");
    for (found, expected) in found.iter().zip(expected) {
        for (a, b) in found.iter().zip(expected) {
            assert!((a - b).abs() <= 1e-9 * b.abs(), "{what}: {a}, expected {b}");
        }
    }
}

/// Coefficients from the table of a printed formula: those of the saved file, to the last digit.
fn printed(page: &str, between: &str, equation: &Equation) {
    for (column, value) in equation.columns.iter().zip(&equation.coefficients) {
        let name = column.to_string().replace('_', "\\_");
        let name = if between == " | " {
            name.replace('*', "\\*")
        } else {
            name
        };
        let start = format!("{name}{between}");
        let line = page
            .lines()
            .find_map(|line| line.trim_start_matches("| ").strip_prefix(&start));
        let line = line.unwrap_or_else(|| panic!("no {start} in\n{page}"));
        let found: f64 = line.trim_end_matches([' ', '|', '\\']).parse().unwrap();
        assert!(found.total_cmp(value).is_eq(), "{column}: {found} {value}");
    }
}

#[test]
fn exports_give_the_programs_own_masses_and_errors() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    let pairs = root("data-demo/second_laboratory/pairs.csv");
    let pairs = pairs.display();
    for (name, call) in [
        (
            "power",
            "--response fat_chem --terms fat_scan,age,strain,fat_scan*strain --weighting power",
        ),
        ("plain", "--response fat_chem --terms fat_scan,age,strain"),
        (
            "log",
            "--response log(fat_chem) --terms log(fat_scan),age,strain",
        ),
    ] {
        done(
            here,
            &format!(
                "calibrate {pairs} {call} --save {name} --export markdown,latex,r,python,spreadsheet"
            ),
        );
        let saved = here.join(name);
        let expected = of_program(&saved.join("fat.toml"));
        let calls = |quote: &str| -> Vec<String> {
            let one = |(reading, age, strain): &(f64, f64, &str)| {
                format!(
                    "correct_fat(age = {age}, fat_scan = {reading}, strain = {quote}{strain}{quote})"
                )
            };
            SCANS.iter().map(one).collect()
        };
        let r: Vec<String> = calls("\"")
            .iter()
            .map(|call| format!("cat(sprintf(\"%.17g\", unlist({call})), \"\\n\")"))
            .collect();
        let script = format!("source(\"fat.R\")\n{}\n", r.join("\n"));
        if let Some(found) = run("Rscript", &script, &saved) {
            same("R", &found, &expected);
        }
        let python: Vec<String> = calls("'")
            .iter()
            .map(|call| format!("print(*map(repr, {call}.values()))"))
            .collect();
        let script = format!("from fat import correct_fat\n{}\n", python.join("\n"));
        if let Some(found) = run("python3", &script, &saved) {
            same("Python", &found, &expected);
        }
        // The spreadsheet: its formulas with Python's words for theirs.
        let scans: Vec<String> = SCANS
            .iter()
            .map(|(reading, age, strain)| {
                format!("{{'age': {age}, 'fat_scan': {reading}, 'strain': '{strain}'}}")
            })
            .collect();
        let script = format!("SCANS = [{}]\n{SPREADSHEET}", scans.join(", "));
        if let Some(found) = run("python3", &script, &saved) {
            same("spreadsheet", &found, &expected);
        }
        let equation = Equation::read(&saved.join("fat.toml")).unwrap();
        printed(
            &std::fs::read_to_string(saved.join("fat.md")).unwrap(),
            " | ",
            &equation,
        );
        printed(
            &std::fs::read_to_string(saved.join("fat.tex")).unwrap(),
            " & ",
            &equation,
        );
    }
    // A saved equation is exported by itself, too.
    done(
        here,
        "calibrate power/fat.toml --export python --save again",
    );
    let again = std::fs::read_to_string(here.join("again/fat.py")).unwrap();
    assert_eq!(
        again,
        std::fs::read_to_string(here.join("power/fat.py")).unwrap()
    );
    assert!(!here.join("again/fat.toml").exists());
    for (call, expected) in [
        ("calibrate power/fat.toml", "--export"),
        (
            "calibrate power/fat.toml --export python --response fat_chem",
            "--response",
        ),
    ] {
        let output = pinfeather(here, call);
        assert_eq!(output.status.code(), Some(2), "{call}");
        assert!(
            text(&output.stderr).contains(expected),
            "{}",
            text(&output.stderr)
        );
    }
}

const SPREADSHEET: &str = r#"
import csv, math, re
rows = list(csv.reader(open("fat.csv")))
names, cells = rows[0], rows[1]
def letters(i):
    s = ""
    while True:
        s = chr(65 + i % 26) + s
        if i < 26: return s
        i = i // 26 - 1
words = {"IF": lambda a, b, c: b if a else c, "LN": math.log, "EXP": math.exp, "SQRT": math.sqrt, "ABS": abs}
for scan in SCANS:
    known = {}
    for i, (name, cell) in enumerate(zip(names, cells)):
        if name in scan: cell = scan[name]
        elif cell.startswith("="):
            code = re.sub(r'(?<![<>=])=(?!=)', '==', cell[1:]).replace("^", "**")
            cell = eval(code, dict(words), known)
        else: cell = float(cell)
        known[letters(i) + "2"] = cell
    found = dict(zip(names, (known[letters(i) + "2"] for i in range(len(names)))))
    print(repr(found["fat"]), repr(found["std_error"]))
"#;

/// What a study states of its origin stands in the saved equation, and nothing else. A
/// validation is added to the history of a new file, whose digest of the old one is right.
#[test]
fn a_saved_equation_records_where_it_comes_from_and_what_it_was_tested_on() {
    let folder = tempfile::tempdir().unwrap();
    let here = folder.path();
    let demo = root("data-demo");
    let study = here.join("study");
    std::fs::create_dir(&study).unwrap();
    for file in std::fs::read_dir(&demo).unwrap() {
        let file = file.unwrap().path();
        if file.is_file() {
            std::fs::copy(&file, study.join(file.file_name().unwrap())).unwrap();
        }
    }
    let settings = std::fs::read_to_string(study.join("study.toml")).unwrap();
    let settings = settings.replace(
        "[calibration.terms]\n",
        "[calibration.publication]\nauthors = \"A. Writer\"\ndate = \"2031-05\"\nchemistry_method = \"ether extract\"\nlicence = \"CC-BY-4.0\"\n\n[calibration.terms]\n",
    );
    std::fs::write(study.join("study.toml"), settings).unwrap();
    done(here, "calibrate study --out calibrated");
    let fat = here.join("calibrated/models/corrections/fat.toml");
    let saved = Equation::read(&fat).unwrap();
    let of = &saved.provenance;
    assert_eq!(of.publication.authors, "A. Writer");
    assert_eq!((of.part.as_str(), of.basis.as_str()), ("body", "as-is"));
    let text = std::fs::read_to_string(&fat).unwrap();
    assert!(
        text.contains("licence = \"CC-BY-4.0\"")
            && !text.contains("doi")
            && !text.contains("scanner_software"),
        "{text}"
    );
    let pairs = root("data-demo/second_laboratory/pairs.csv");
    let call = format!(
        "validate {} --equation {} --map-strain Dogwood=Birch",
        pairs.display(),
        fat.display()
    );
    done(here, &format!("{call} --save tested"));
    let tested = Equation::read(&here.join("tested/fat.toml")).unwrap();
    let [test] = &tested.provenance.validations[..] else {
        panic!("{:?}", tested.provenance.validations);
    };
    assert_eq!(
        (test.birds, tested.coefficients),
        (18, saved.coefficients.clone())
    );
    assert_eq!(
        test.equation_digest,
        pinfeather::composition::digest(saved.to_toml().unwrap().as_bytes())
    );
    // Recalibrated, the new file has both: the test of the old equation and what was changed.
    done(
        here,
        &format!("{call} --recalibrate intercept --save moved"),
    );
    let moved = Equation::read(&here.join("moved/fat.toml"))
        .unwrap()
        .provenance;
    assert_eq!(
        (moved.validations.len(), moved.recalibrations.len()),
        (1, 1)
    );
    assert_eq!(moved.publication, of.publication);
}
