//! Scans of several laboratories in one study: each is corrected by its own line, one without
//! analysed birds by what laboratories differ in.

use std::path::Path;

use pinfeather::composition::correction::{AllowedStrains, Corrections};
use pinfeather::composition::laboratories::ANOTHER;
use pinfeather::composition::quality::keep;
use pinfeather::composition::study_equations::{Request, StudyEquations, of_study};
use pinfeather::composition::study_masses::{StudyMasses, of_study as masses};
use pinfeather::composition::validation::{ValidationOptions, validate};
use pinfeather::composition::{Equation, Frame};
use pinfeather::study::Study;

use crate::support::study_laboratories::{Design, laboratory_study};

const DESIGN: Design = Design {
    laboratories: 5,
    analysed: 8,
    level_sd_g: 8.0,
    slope_sd: 0.06,
};

fn calibrated(folder: &Path) -> Result<(Study, StudyEquations, StudyMasses), String> {
    let study = Study::read_folder(folder).map_err(|error| error.to_string())?;
    let kept = keep(&study);
    let request = Request::of(&study).map_err(|error| error.to_string())?;
    let found = of_study(&study, &kept, &request).map_err(|error| error.to_string())?;
    let equations: Vec<Equation> = found
        .calibrations()
        .iter()
        .map(|one| one.equation.clone())
        .collect();
    let corrected = masses(&study, &kept, &equations, &AllowedStrains::new());
    let corrected = corrected.map_err(|error| error.to_string())?;
    Ok((study, found, corrected))
}

fn interval_holds(fat: &Corrections, bird: &str, truth: f64) -> bool {
    let row = fat.rows.iter().find(|row| row.bird == bird).unwrap();
    fat.interval(row, 0.95).unwrap().contains(truth)
}

/// 95 % intervals of live birds of the calibrated laboratories, and of one that has no analysed
/// birds, over simulated studies; the long run stands in `tests/coverage/laboratories.rs`.
#[test]
fn birds_of_known_and_unknown_laboratories_are_covered() {
    let (mut own, mut own_n, mut new, mut new_n) = (0, 0, 0, 0);
    for seed in 0..6 {
        let invented = laboratory_study(DESIGN, seed);
        let (_, found, corrected) = calibrated(invented.folder.path()).unwrap();
        assert_eq!(found.laboratories.len(), 1);
        let fat = &corrected.corrections[0];
        assert_eq!(fat.rows.len(), 5 * 13 + 5);
        for (bird, laboratory, truth) in &invented.live {
            let holds = usize::from(interval_holds(fat, bird, *truth));
            if laboratory == "L9" {
                (new, new_n) = (new + holds, new_n + 1);
            } else {
                (own, own_n) = (own + holds, own_n + 1);
            }
        }
    }
    println!("own {own} of {own_n}, new {new} of {new_n}");
    // 150 birds of 30 laboratories; 30 birds of 6, whose laboratory they share.
    assert!(own * 100 >= own_n * 88, "{own} of {own_n}");
    assert!(new * 100 >= new_n * 70, "{new} of {new_n}");
}

/// The saved equation is read back, corrects the same way, and has the unknown laboratory's
/// greater error; a bare table of pairs without laboratories is of another one.
#[test]
fn the_saved_equation_holds_all_laboratories() {
    let invented = laboratory_study(DESIGN, 1);
    let (study, found, corrected) = calibrated(invented.folder.path()).unwrap();
    let equation = &found.chosen[0].calibration.equation;
    assert_eq!(equation.provenance.laboratories.len(), 5);
    assert_eq!(
        found.chosen[0].calibration.terms.len(),
        equation.columns.len()
    );
    let path = invented.folder.path().join("fat.toml");
    std::fs::write(&path, equation.to_toml().unwrap()).unwrap();
    let read = Equation::read(&path).unwrap();
    let kept = keep(&study);
    let again = masses(
        &study,
        &kept,
        std::slice::from_ref(&read),
        &AllowedStrains::new(),
    )
    .unwrap();
    let (one, other) = (&corrected.corrections[0], &again.corrections[0]);
    assert_eq!(one.rows, other.rows);
    let error = |laboratory: &str| {
        let rows = one
            .rows
            .iter()
            .filter(|row| row.bird.starts_with(laboratory));
        let all: Vec<f64> = rows.map(|row| row.std_error.unwrap()).collect();
        all.iter().sum::<f64>() / all.len() as f64
    };
    assert!(
        error("L9") > 1.2 * error("L0"),
        "{} {}",
        error("L9"),
        error("L0")
    );
    // What birds of one laboratory share is more than what birds of two do.
    let place = |bird: &str| one.rows.iter().position(|row| row.bird == bird).unwrap();
    let shared = |a: &str, b: &str| one.shared_covariance(place(a), place(b)).unwrap();
    assert!(shared("L9-0", "L9-1").abs() > shared("L9-0", "L0-0").abs());
    let said = corrected.warnings.join("\n");
    assert!(
        said.contains("5 scans of a laboratory that the equations do not have (L9)"),
        "{said}"
    );
    // Each laboratory's line lies between its own by least squares and that of all: the term of
    // the laboratory has the sign of its departure.
    let term = |name: &str| {
        let at = equation
            .columns
            .iter()
            .position(|own| own.to_string() == name);
        equation.coefficients[at.unwrap_or_else(|| panic!("{name}"))]
    };
    assert!(term(&format!("laboratory[{ANOTHER}]")).abs() < 1e-12);
    let middle = found.laboratories[0].reading.clone().unwrap().1;
    let all = term("intercept") + term("fat_scan") * middle;
    for row in &found.laboratories[0].laboratories {
        let name = &row.laboratory;
        let own = all
            + term(&format!("laboratory[{name}]"))
            + term(&format!("fat_scan*laboratory[{name}]")) * middle;
        let (from, to) = (all.min(row.level[0]) - 1.5, all.max(row.level[0]) + 1.5);
        assert!(own > from && own < to, "{name}: {own}, {from} to {to}");
    }
    // Without a column of laboratories the pairs are of another one.
    let mut frame = Frame {
        file: "pairs.csv".to_owned(),
        rows: (2..6).collect(),
        ..Frame::default()
    };
    frame.add_numbers("fat_scan", vec![80.0, 110.0, 140.0, 190.0]);
    frame.add_numbers("fat_chem", vec![60.0, 80.0, 110.0, 150.0]);
    let options = ValidationOptions {
        confidence: 0.95,
        ..ValidationOptions::default()
    };
    let tested = validate(&frame, &read, &options).unwrap();
    let flags = &tested.pairs[0].flags;
    assert!(
        flags
            .iter()
            .any(|flag| flag.contains("laboratory not stated")),
        "{flags:?}"
    );
}

/// What is changed in a table.
type Edit = fn(&str) -> String;

/// One table of a study changed.
fn edited(folder: &Path, name: &str, edit: impl Fn(&str) -> String) {
    let path = folder.join(name);
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(path, edit(&text)).unwrap();
}

fn lines(text: &str, keep: impl Fn(&str) -> bool) -> String {
    let rows = text.lines().enumerate();
    let rows = rows.filter(|(place, row)| *place == 0 || keep(row));
    rows.fold(String::new(), |all, (_, row)| all + row + "\n")
}

/// Birds analysed in these laboratories alone.
fn analysed(laboratories: &[&str]) -> tempfile::TempDir {
    let invented = laboratory_study(DESIGN, 2);
    edited(invented.folder.path(), "chemistry.csv", |text| {
        lines(text, |row| {
            laboratories.iter().any(|name| row.starts_with(name))
        })
    });
    invented.folder
}

#[test]
fn one_or_two_laboratories_correct_their_own_scans_alone() {
    for (laboratories, refused) in [(&["L0"][..], 4 * 13 + 5), (&["L0", "L1"], 3 * 13 + 5)] {
        let folder = analysed(laboratories);
        let (_, found, corrected) = calibrated(folder.path()).unwrap();
        let equation = &found.chosen[0].calibration.equation;
        assert_eq!(equation.provenance.laboratories, laboratories);
        let fat = &corrected.corrections[0];
        assert_eq!(fat.rejected.len(), refused);
        assert!(
            fat.rejected[0].reason.starts_with("laboratory L"),
            "{}",
            fat.rejected[0].reason
        );
        assert!(fat.rejected[0].reason.contains("or of 3 laboratories"));
        let said = corrected.warnings.join("\n");
        assert!(
            said.contains("laboratory L9: the equation was calibrated on scans of others"),
            "{said}"
        );
    }
    // A laboratory with one analysed bird is left out by name, and its scans are of another one.
    let folder = analysed(&["L0", "L1", "L2", "L3-0"]);
    let (_, found, corrected) = calibrated(folder.path()).unwrap();
    let said = found.laboratories[0].warnings.join("\n");
    assert!(
        said.contains("L3 is left out, since it has 1 bird"),
        "{said}"
    );
    assert_eq!(
        found.chosen[0]
            .calibration
            .equation
            .provenance
            .laboratories
            .len(),
        3
    );
    let said = corrected.warnings.join("\n");
    assert!(
        said.contains("do not have (L3)") && said.contains("do not have (L4)"),
        "{said}"
    );
    // One bird in each: refused.
    let folder = analysed(&["L0-0", "L1-0", "L2-0"]);
    let error = calibrated(folder.path()).err().unwrap();
    assert!(
        error.contains("found 0 laboratories with at least 3 birds"),
        "{error}"
    );
}

#[test]
fn laboratories_that_are_badly_written_are_refused() {
    let cases: [(&str, &str, Edit, &str); 6] = [
        (
            "some cells",
            "scans.csv",
            |text| text.replacen(",L1,", ",,", 3),
            "column laboratory",
        ),
        (
            "chemistry alone",
            "chemistry.csv",
            all_analysed_in_l0,
            "expected \"L0\", where bird L1-0 was analysed",
        ),
        (
            "the logarithm",
            "study.toml",
            |text| text.replace("fat_chem = ", "\"log(fat_chem)\" = "),
            "whose exponential has no mean",
        ),
        (
            "robust",
            "study.toml",
            |text| text.replace("part =", "weighting = \"huber\"\npart ="),
            "ordinary or power",
        ),
        (
            "named as a term",
            "study.toml",
            |text| text.replace("[\"fat_scan\"]", "[\"fat_scan,laboratory\"]"),
            "enters by itself",
        ),
        (
            "through 0",
            "study.toml",
            |text| text.replace("[\"fat_scan\"]", "[\"0,fat_scan\"]"),
            "an equation through 0",
        ),
    ];
    for (what, file, edit, says) in cases {
        let invented = laboratory_study(DESIGN, 3);
        edited(invented.folder.path(), file, edit);
        let error = calibrated(invented.folder.path()).err();
        let error = error.unwrap_or_else(|| panic!("{what}: no error"));
        assert!(error.contains(says), "{what}: {error}");
    }
    // Chemistry names laboratories, scans do not.
    let invented = laboratory_study(DESIGN, 3);
    let folder = invented.folder.path();
    edited(folder, "scans.csv", |text| {
        text.replace("laboratory", "place")
    });
    edited(folder, "chemistry.csv", all_analysed_in_l0);
    let error = calibrated(folder).err().unwrap();
    assert!(
        error.contains("found a column laboratory, expected one in scans.csv"),
        "{error}"
    );
    // A column scanner says the same as a column laboratory.
    let invented = laboratory_study(DESIGN, 3);
    edited(invented.folder.path(), "scans.csv", |text| {
        text.replace("laboratory", "scanner")
    });
    let (_, found, _) = calibrated(invented.folder.path()).unwrap();
    assert_eq!(found.laboratories[0].laboratories.len(), 5);
}

fn all_analysed_in_l0(text: &str) -> String {
    text.replace(",ash_pct\n", ",ash_pct,laboratory\n")
        .replace(",3\n", ",3,L0\n")
}
