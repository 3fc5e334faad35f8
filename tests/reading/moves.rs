//! Birds moved between pens: the pen at an age, what comparisons take, and each fault.

use crate::support::scans::write_files;
use pinfeather::study::{AgeMatching, Check, FixedEffectOf, Grouping, Study, occasions};
use pinfeather::trajectory::{Cohort, Design};

const TOML: &str = "hatch_date = \"2026-03-02\"\n[tables]\nbirds = \"birds.csv\"\nweighings = \"weighings.csv\"\nmoves = \"moves.csv\"\n";
const BIRDS: &str = "bird,strain,pen,treatment\na1,A,P1,low\na2,A,P1,low\na3,A,P2,low\na4,A,P2,low\nb1,A,P3,high\nb2,A,P3,high\nb3,A,P4,high\nb4,A,P4,high\n";

fn folder(moves: &str) -> tempfile::TempDir {
    let mut weighings = "bird,age_d,weight_g\n".to_owned();
    for bird in ["a1", "a2", "a3", "a4", "b1", "b2", "b3", "b4"] {
        for week in 0..10 {
            weighings += &format!("{bird},{},{}\n", 7 * week, 40 + 90 * week);
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let files = [
        ("study.toml", TOML),
        ("birds.csv", BIRDS),
        ("weighings.csv", &weighings),
        ("moves.csv", moves),
    ];
    write_files(folder.path(), &files);
    folder
}

fn read(moves: &str) -> Result<Study, String> {
    Study::read_folder(folder(moves).path()).map_err(|error| error.to_string())
}

fn pen(study: &Study, bird: &str, age_d: f64) -> String {
    let at = study.birds.iter().position(|known| known.name == bird);
    study.pens[study.pen_at(at.unwrap(), age_d).unwrap()].clone()
}

fn design(study: &Study) -> String {
    let by = [FixedEffectOf::Treatment];
    let cohort = Cohort::of(study, &study.traits[0], 0, &by, |_| true);
    Design::of(study, &cohort).unwrap().words()
}

/// Bird a1 is 20 d in P1, 10 in P2 and the last 33 of 63 in P1 again; a3 most of them in P1.
const MOVES: &str = "bird,age_d,from_pen,to_pen\na1,30,P2,P1\na1,20,P1,P2\na3,21,P2,P1\n";

#[test]
fn the_pen_of_a_weighing_is_the_pen_at_that_age() {
    let study = read(MOVES).unwrap();
    let at = |age_d: f64| pen(&study, "a1", age_d);
    assert_eq!(
        [at(0.0), at(19.9), at(20.0), at(29.0), at(30.0)],
        ["P1", "P1", "P2", "P2", "P1"]
    );
    let model_pen = |study: &Study, at: usize| study.pens[study.birds[at].pen.unwrap()].clone();
    assert_eq!(model_pen(&study, 0), "P1", "53 of 63 days");
    assert_eq!(model_pen(&study, 2), "P1", "42 of 63 days");
    assert_eq!(model_pen(&study, 3), "P2", "never moved");
    // As of 28 d bird a3 had spent most days where it began, and a1's return had not come.
    let known = study.as_of(28.0);
    assert_eq!(model_pen(&known, 2), "P2");
    assert_eq!(known.moves.len(), 2);
    // Means of a pen at an age are of the birds in it then.
    let found = occasions(
        &study,
        &study.traits[0],
        Grouping::Pen,
        AgeMatching::default(),
    );
    let birds_in = |name: &str, age_d: f64| -> Vec<usize> {
        let mut all = found.iter();
        let one = all.find(|one| {
            study.pens[one.pen.unwrap()] == name && (one.members[0].age_d - age_d).abs() < 1e-9
        });
        one.unwrap()
            .members
            .iter()
            .map(|member| member.bird)
            .collect()
    };
    assert_eq!(birds_in("P1", 14.0), [0, 1]);
    assert_eq!(birds_in("P2", 14.0), [2, 3]);
    assert_eq!(birds_in("P1", 21.0), [1, 2]);
    assert_eq!(birds_in("P2", 21.0), [0, 3]);
    assert_eq!(birds_in("P1", 35.0), [0, 1, 2]);
    let words = design(&study);
    assert!(
        words.contains("2 of 8 birds (25 %) were moved between pens"),
        "{words}"
    );
    assert!(!words.contains("mixed"), "{words}");
    let check = Check::folder(folder(MOVES).path()).unwrap();
    let lines = check.summary.lines().join("\n");
    assert!(lines.contains("3 moves of 2 birds between pens"), "{lines}");
    assert!(study.warnings.is_empty(), "{:?}", study.warnings);
    // A table without a row is a fault, as of every table.
    assert!(read("bird,age_d,from_pen,to_pen\n").is_err());
}

#[test]
fn moves_into_pens_of_another_treatment_are_warned_of() {
    let study = read("bird,date,from_pen,to_pen\na1,2026-04-01,P1,P3\n").unwrap();
    assert_eq!(pen(&study, "a1", 29.0), "P1");
    assert_eq!(pen(&study, "a1", 30.0), "P3");
    let warnings = study.warnings.join("\n");
    assert!(
        warnings.contains(
            "1 move into a pen of another treatment (first: bird a1 at 30 d, pen P3, row 2)"
        ),
        "{warnings}"
    );
    // 33 of 63 days in P3: its pen houses birds of both treatments then.
    let words = design(&study);
    assert!(
        words.starts_with(
            "The bird is the unit of comparison (pens house birds of more than one group)"
        ),
        "{words}"
    );
    let short = read("bird,age_d,from_pen,to_pen\na1,50,P1,P3\n").unwrap();
    let words = design(&short);
    assert!(
        words.starts_with("The pen is the unit of comparison"),
        "{words}"
    );
    assert!(
        words.contains("1 of them were for a time in a pen of another group")
            || words.contains("pens of the groups are mixed"),
        "{words}"
    );
    // A pen that no other table names is one, with a word on it.
    let hospital = read("bird,age_d,from_pen,to_pen\na1,50,P1,H\n").unwrap();
    let warnings = hospital.warnings.join("\n");
    assert!(
        warnings.contains("pens that no other table names (H)"),
        "{warnings}"
    );
}

#[test]
fn faulty_moves_are_refused_with_their_place() {
    for (rows, expected) in [
        (
            "z9,20,P1,P2\n",
            "moves.csv, row 2, column bird: found bird \"z9\"",
        ),
        (
            "a1,20,P2,P3\n",
            "moves.csv, row 2, column from_pen: found bird a1 moved out of pen P2 at 20 d, expected pen P1",
        ),
        (
            "a1,20,P1,P2\na1,30,P1,P2\n",
            "moves.csv, row 3, column from_pen: found bird a1 moved out of pen P1 at 30 d, expected pen P2",
        ),
        (
            "a1,20,P1,P2\na1,20,P2,P3\n",
            "moves.csv, row 3, column bird: found a second move of bird a1 at 20 d, as in row 2",
        ),
        (
            "a1,-3,P1,P2\n",
            "moves.csv, row 2, column age_d: found \"-3\"",
        ),
        ("a1,20,P1,P1\n", "found a move from \"P1\" to the same pen"),
        (
            "a1,20,P9,P2\n",
            "moves.csv, row 2, column from_pen: found \"P9\"",
        ),
        ("a1,20,P1,\n", "moves.csv, row 2, column to_pen"),
        ("a1,,P1,P2\n", "moves.csv, row 2, column age_d"),
    ] {
        let error = read(&format!("bird,age_d,from_pen,to_pen\n{rows}")).unwrap_err();
        assert!(error.contains(expected), "{rows}: {error}");
    }
    let before_hatch = read("bird,date,from_pen,to_pen\na1,2026-02-01,P1,P2\n").unwrap_err();
    assert!(
        before_hatch.contains("moves.csv, row 2, column date"),
        "{before_hatch}"
    );
    let without = read("bird,age_d,to_pen\na1,20,P2\n").unwrap_err();
    assert!(without.contains("from_pen"), "{without}");
}
