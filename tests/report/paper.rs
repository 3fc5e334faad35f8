//! What a paper is written from: tables with sensible digits in LaTeX, methods and results in
//! which a sentence stands only where its step was done.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::Command;

use tempfile::TempDir;

/// Runs the program in a folder; its standard error where it does not succeed.
fn run(folder: &Path, arguments: &str) {
    let output = Command::new(env!("CARGO_BIN_EXE_pinfeather"))
        .current_dir(folder)
        .args(arguments.split(' '))
        .output()
        .unwrap();
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{arguments}: {errors}");
}

/// What a run leaves for a paper.
struct Paper {
    methods: String,
    results: String,
    terms_tex: String,
    contrasts_tex: Option<String>,
    page: String,
}

fn paper(folder: &Path, arguments: &str) -> Paper {
    run(folder, arguments);
    let out = folder.join("results");
    let read = |name: &str| fs::read_to_string(out.join(name)).unwrap();
    Paper {
        methods: read("paper/methods.md"),
        results: read("paper/results.md"),
        terms_tex: fs::read_to_string(out.join("paper/terms.tex")).unwrap_or_default(),
        contrasts_tex: fs::read_to_string(out.join("paper/contrasts.tex")).ok(),
        page: read("report.html"),
    }
}

/// Six birds a strain, weighed each week to twenty weeks: a gompertz curve, each bird
/// with an individual mass, and a small wave for an error that does not repeat between birds.
pub(crate) fn weighings(strains: &[(&str, f64)]) -> String {
    let mut text = "bird,strain,age_d,weight_g\n".to_owned();
    for (strain, (name, mature_g)) in strains.iter().enumerate() {
        for bird in 0..6_u32 {
            // Birds differ in mass, rate and age, not all in the same order.
            let step = |by: u32| f64::from(bird * by % 7) - 2.5;
            let own = mature_g * (1.0 + 0.02 * step(1));
            let (rate, fastest_d) = (0.03 + 0.001 * step(3), 55.0 + 1.5 * step(5));
            for week in 0..=20_u32 {
                let age_d = f64::from(7 * week);
                let mean = own * (-(-rate * (age_d - fastest_d)).exp()).exp();
                let wave = (f64::from(week * (bird + 3)) * 1.7 + strain as f64).sin();
                let weight = mean + 6.0 * wave;
                let _ = writeln!(text, "\"{name} {bird}\",\"{name}\",{age_d},{weight:.1}");
            }
        }
    }
    text
}

pub(crate) fn folder_with(files: &[(&str, &str)]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in files {
        fs::write(folder.path().join(name), text).unwrap();
    }
    folder
}

pub(crate) const TARGETS: &str = "age_d,target_g\n0,40\n70,700\n140,1500\n";

pub(crate) fn first_eggs(strains: &[&str]) -> String {
    let mut text = "bird,first_egg_age_d,last_seen_age_d\n".to_owned();
    for (strain, name) in strains.iter().enumerate() {
        for bird in 0..6 {
            let egg_d = if bird == 5 {
                String::new()
            } else {
                format!("{}", 122 + 3 * bird + 2 * strain)
            };
            let _ = writeln!(text, "{name} {bird},{egg_d},140");
        }
    }
    text
}

/// Phrases, each with the runs that must have it: bare (one strain, nothing else), two
/// (two strains with targets and first eggs, all levels), strains (two strains, pooled
/// fits alone, one curve).
const SENTENCES: [(&str, [bool; 3]); 20] = [
    (
        "The study comprised six birds (Alder)",
        [true, false, false],
    ),
    (
        "of two strains (Alder, n = 6; Birch, n = 6)",
        [false, true, true],
    ),
    (
        "Body weight (g) was recorded 126 times on six birds from hatch",
        [true, false, false],
    ),
    ("The experimental unit was the bird", [true, true, false]),
    (
        "the curves were also fitted to each bird and the pooled records of each strain",
        [true, true, false],
    ),
    (
        "The curves were fitted to the pooled records of each strain",
        [false, false, true],
    ),
    ("one nonlinear mixed model", [true, true, false]),
    ("Lindstrom MJ, Bates DM", [true, true, false]),
    (
        "selected by maximum likelihood and AICc",
        [true, true, false],
    ),
    ("tube formula", [true, true, true]),
    ("Strains were compared", [false, true, true]),
    ("Hothorn T, Bretz F", [false, true, true]),
    ("monotone piecewise cubic", [false, true, false]),
    ("Kaplan-Meier", [false, true, false]),
    ("In a landmark analysis at ", [false, true, false]),
    ("Later body weights were forecast", [false, true, false]),
    ("## Body scans", [false, false, false]),
    ("## Scanner calibration", [false, false, false]),
    ("## Corrected masses", [false, false, false]),
    ("Pinfeather version ", [true, true, true]),
];

/// Words that no reader of a journal should meet: our code's names, and a dialect.
const NOT_ON_PAPER: [&str; 14] = [
    " told",
    " tells",
    " less chemistry",
    "paper_",
    "_at_",
    "two-phase-",
    "strain[",
    "NaN",
    "inf ",
    "  ",
    " ,",
    " .",
    "()",
    "..",
];

#[test]
fn a_sentence_stands_only_where_its_step_was_done() {
    let one = folder_with(&[("w.csv", &weighings(&[("Alder", 1500.0)]))]);
    let two_strains = weighings(&[("Alder", 1500.0), ("Birch", 1700.0)]);
    let two = folder_with(&[
        ("w.csv", &two_strains),
        ("targets.csv", TARGETS),
        ("eggs.csv", &first_eggs(&["Alder", "Birch"])),
    ]);
    let other = folder_with(&[("w.csv", &two_strains)]);
    let options = "run w.csv --group strain --format svg --dpi 72";
    let papers = [
        paper(one.path(), options),
        paper(
            two.path(),
            &format!("{options} --targets targets.csv --onset eggs.csv"),
        ),
        paper(
            other.path(),
            &format!("{options} --level strain --curve gompertz"),
        ),
    ];
    for (phrase, expected) in SENTENCES {
        for (paper, expected) in papers.iter().zip(expected) {
            let found = paper.methods.contains(phrase);
            assert_eq!(found, expected, "{phrase:?} in:\n{}", paper.methods);
        }
    }
    for Paper {
        methods,
        results,
        page,
        ..
    } in &papers
    {
        // Every number that is cited is in the list, and each of the list is cited.
        let (text, list) = methods.split_once("## References\n\n").unwrap();
        let count = list.trim().lines().count();
        for number in 1..=count {
            let cited = [
                format!("[{number}]"),
                format!("[{number},"),
                format!(", {number}]"),
                format!(", {number},"),
            ];
            assert!(
                cited.iter().any(|mark| text.contains(mark)),
                "{number}: {methods}"
            );
            assert!(list.contains(&format!("{number}. ")), "{number}: {methods}");
        }
        assert!(!text.contains(&format!("[{}]", count + 1)), "{methods}");
        for wrong in NOT_ON_PAPER {
            assert!(!methods.contains(wrong), "{wrong:?} in {methods}");
            assert!(!results.contains(wrong), "{wrong:?} in {results}");
        }
        // What only the author can supply: ARRIVE items.
        for prompt in [
            "ethical approval",
            "randomisation",
            "unaware of the allocation",
        ] {
            assert!(methods.contains(prompt), "{prompt:?} in {methods}");
        }
        assert!(methods.contains("run.json") && methods.contains("run --verify"));
        assert!(
            page.contains("<h3>Study design and animals</h3>"),
            "methods are on the page"
        );
        assert!(page.contains("Results in words"));
    }
    let [bare, full, strains] = &papers;
    assert!(bare.contrasts_tex.is_none());
    assert!(!bare.results.contains("## Comparison"), "{}", bare.results);
    assert!(!bare.results.contains(" target ("), "{}", bare.results);
    assert!(!bare.results.contains("## Onset"), "{}", bare.results);
    assert!(full.contrasts_tex.is_some() && strains.contrasts_tex.is_some());
    for sentence in [
        "Body weight curves differed between strains (F = ",
        "Alder was lighter than Birch ",
        "(simultaneous 95 % band)",
        "(5 of 6 birds had laid)",
    ] {
        let found = full.results.contains(sentence);
        assert!(found, "{sentence:?} in {}", full.results);
    }
    assert!(full.results.contains("## Target"), "{}", full.results);
    // The figures that the words point to are there.
    let mut pointers = 0;
    for pointer in full.results.split("figure ").skip(1) {
        let name = pointer.split(')').next().unwrap();
        let file = two.path().join(format!("results/figures/{name}.svg"));
        assert!(file.is_file(), "{name}");
        pointers += 1;
    }
    assert!(pointers >= 4, "{}", full.results);
}

/// Each cell of a table in LaTeX, row by row.
fn cells(tex: &str) -> Vec<Vec<String>> {
    let body = tex.split("\\endlastfoot\n").nth(1).unwrap();
    let body = body.split("\\end{longtable}").next().unwrap();
    let row = |line: &str| {
        let line = line.trim_end_matches("\\\\");
        line.split(" & ").map(str::to_owned).collect()
    };
    body.lines().map(row).collect()
}

/// Terms and standard errors to the decimals of the error, from the same numbers as
/// curve_terms.csv, a parameter a row and a strain a column.
#[test]
fn the_paper_has_the_numbers_of_the_full_table_rounded() {
    let folder = folder_with(&[("w.csv", &weighings(&[("Alder", 1500.0), ("Birch", 1700.0)]))]);
    let paper = paper(
        folder.path(),
        "run w.csv --group strain --curve gompertz --level strain,population --format svg",
    );
    let tables = folder.path().join("results/tables");
    let mut reader = csv::Reader::from_path(tables.join("curve_terms.csv")).unwrap();
    let full: Vec<std::collections::HashMap<String, String>> =
        reader.deserialize().map(Result::unwrap).collect();
    let rows = cells(&paper.terms_tex);
    let mut checked = 0;
    for row in &rows {
        let term = row[0].split(',').next().unwrap();
        for (strain, cell) in ["Alder", "Birch"].iter().zip(&row[1..]) {
            let of = full.iter().find(|other| {
                other["level"] == "population"
                    && other["strain"] == **strain
                    && other["bird"].is_empty()
                    && other["term"] == *term
            });
            let Some(of) = of else { continue };
            let cell = cell.split("\\textsuperscript").next().unwrap();
            let (estimate, error) = cell.split_once(" $\\pm$ ").unwrap();
            let parse = |text: &str| text.replace("$-$", "-").parse::<f64>().unwrap();
            let unit_of = |text: &str| match text.split_once('.') {
                Some((_, decimals)) => 10_f64.powi(-i32::try_from(decimals.len()).unwrap()),
                None => 10_f64
                    .powi(i32::try_from(text.len() - text.trim_end_matches('0').len()).unwrap()),
            };
            let near = |written: &str, value: &str| {
                let value: f64 = value.parse().unwrap();
                (parse(written) - value).abs() <= 0.5001 * unit_of(written)
            };
            assert!(near(estimate, &of["estimate"]), "{row:?} {of:?}");
            assert!(near(error, &of["std_error"]), "{row:?} {of:?}");
            // Two significant digits of the error.
            let digits = error.replace('.', "");
            let digits = digits.trim_start_matches('0');
            assert!(digits.len() == 2 || error.ends_with('0'), "{error}");
            checked += 1;
        }
    }
    // Two strains, three terms.
    assert_eq!(checked, 2 * 3, "{}", paper.terms_tex);
    let last = rows.last().unwrap();
    assert_eq!(last[1..], ["6 (126)", "6 (126)"], "{last:?}");
    assert!(!paper.terms_tex.contains("mature weight"), "A is the same");
    // Strains that differ in A have different letters.
    let letters = |cell: &str| {
        let mark = cell.split("\\textsuperscript{").nth(1);
        mark.map(|mark| mark.trim_end_matches('}').to_owned())
    };
    let asymptote = rows.iter().find(|row| row[0].starts_with("A,")).unwrap();
    let marks = (letters(&asymptote[1]), letters(&asymptote[2]));
    assert_eq!(
        marks,
        (Some("b".to_owned()), Some("a".to_owned())),
        "{asymptote:?}"
    );
    let contrasts = paper.contrasts_tex.unwrap();
    assert!(contrasts.contains("Alder $-$ Birch & $-$"), "{contrasts}");
}

#[test]
fn fits_that_failed_or_are_weak_have_no_parameters_on_paper() {
    // Ever faster growth: no asymptote is in sight. And two weighings alone.
    let mut text = "bird,strain,age_d,weight_g\n".to_owned();
    for bird in 0..4 {
        for week in 0..6 {
            let _ = writeln!(
                text,
                "l{bird},line,{},{}",
                7 * week,
                40 + 10 * week + bird + 9 * week * week
            );
        }
    }
    let folder = folder_with(&[
        ("weak.csv", &text),
        (
            "few.csv",
            "bird,strain,age_d,weight_g\na,few,0,40\na,few,7,70\n",
        ),
    ]);
    let weak = paper(
        folder.path(),
        "run weak.csv --group strain --curve gompertz --level strain --format svg",
    );
    assert!(
        weak.results
            .contains("The curve of line was not supported by the data"),
        "{}",
        weak.results
    );
    assert!(!weak.results.contains("Mature weight"), "{}", weak.results);
    assert!(!weak.terms_tex.contains("A, g"), "{}", weak.terms_tex);
    let few = paper(
        folder.path(),
        "run few.csv --group strain --curve gompertz --level strain --format svg",
    );
    assert_eq!(few.terms_tex, "");
    assert!(
        few.results.contains("No curve could be fitted"),
        "{}",
        few.results
    );
    assert!(
        few.methods
            .contains("Of no fits to more records than parameters"),
        "{}",
        few.methods
    );
}

#[test]
fn a_strain_of_any_name_is_set_by_tex_as_it_is_written() {
    let folder = folder_with(&[(
        "w.csv",
        &weighings(&[("50%_&#$\\{x}", 1500.0), ("*[y](z)*", 1700.0)]),
    )]);
    let paper = paper(
        folder.path(),
        "run w.csv --group strain --curve gompertz --level strain --format svg",
    );
    let set = "50\\%\\_\\&\\#\\$\\textbackslash{}\\{x\\}";
    assert!(paper.terms_tex.contains(set), "{}", paper.terms_tex);
    let contrasts = paper.contrasts_tex.unwrap();
    assert!(
        contrasts.contains(&format!("{set} $-$ {{*}}{{[}}y{{]}}(z){{*}}")),
        "{contrasts}"
    );
    assert!(
        paper.methods.contains("\\*[y]\\(z)\\*"),
        "{}",
        paper.methods
    );
}

/// TeX itself, where it is installed; elsewhere the unit tests of `report/latex.rs` stand
/// alone, which balance braces and count cells.
#[test]
fn tex_sets_both_tables_where_it_is_installed() {
    let strains = [
        ("50%_&#$\\{x}^~|", 1500.0),
        ("*[y](z)* <\"--`>", 1700.0),
        ("Älder", 1400.0),
    ];
    let folder = folder_with(&[("w.csv", &weighings(&strains).replace("<\"", "<\"\""))]);
    run(
        folder.path(),
        "run w.csv --group strain --curve gompertz,logistic --format svg",
    );
    let paper = folder.path().join("results/paper");
    let document = "\\documentclass{article}\n\\usepackage[utf8]{inputenc}\n\\usepackage[T1]{fontenc}\n\
        \\usepackage{booktabs,longtable}\n\\begin{document}\n\\input{terms}\n\\input{contrasts}\n\
        \\end{document}\n";
    fs::write(paper.join("all.tex"), document).unwrap();
    let set = Command::new("pdflatex")
        .current_dir(&paper)
        .args(["-interaction=nonstopmode", "-halt-on-error", "all.tex"])
        .output();
    let Ok(set) = set else {
        println!("there is no pdflatex on the path: nothing was set");
        return;
    };
    let log = String::from_utf8_lossy(&set.stdout);
    assert!(set.status.success(), "{log}");
    assert!(paper.join("all.pdf").is_file(), "{log}");
}

/// `run` writes the paper; `report` writes its page alone, `fit` its tables.
#[test]
fn who_writes_the_paper() {
    let folder = folder_with(&[("w.csv", &weighings(&[("Alder", 1500.0)]))]);
    run(
        folder.path(),
        "report w.csv --group strain --curve gompertz --level strain",
    );
    assert!(folder.path().join("results/report.html").is_file());
    assert!(!folder.path().join("results/paper").exists());
    assert!(!folder.path().join("results/tables").exists());
    fs::remove_dir_all(folder.path().join("results")).unwrap();
    run(folder.path(), "fit w.csv --group strain --curve gompertz");
    assert!(!folder.path().join("results/paper").exists());
}
