//! What a study is read from: every way of writing the same weighings gives the
//! same study.

use std::collections::BTreeMap;
use std::fs;

use pinfeather::maturity::{LayColumns, LayRecords, read_lay_table};
use pinfeather::study::{
    AgeUnit, Columns, Decimal, EXAMPLE, MassUnit, Separator, Settings, Study, Values,
};
use proptest::prelude::*;
use tempfile::TempDir;

fn folder(files: &[(&str, &str)]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in files {
        fs::write(folder.path().join(name), text).unwrap();
    }
    folder
}

fn read(text: impl AsRef<[u8]>, columns: &Columns) -> Study {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("weights.csv");
    fs::write(&path, text).unwrap();
    Study::read_table(&path, columns).unwrap()
}

fn grouped() -> Columns {
    Columns {
        group: Some("strain".into()),
        ..Columns::default()
    }
}

/// Bird, strain and each age with its value.
type Bird = (String, String, Vec<(f64, f64)>);

fn birds(study: &Study) -> Vec<Bird> {
    let records = &study.traits[0];
    study
        .birds
        .iter()
        .enumerate()
        .map(|(index, bird)| {
            let (ages_d, values) = records.of(index);
            let points = ages_d.iter().copied().zip(values.iter().copied());
            let strain = study.strains[bird.strain].clone();
            (bird.name.clone(), strain, points.collect())
        })
        .collect()
}

const PLAIN: &str = "bird,strain,age_d,weight_g\n\
    a1,amber,0,38.5\n\
    a1,amber,7,71.25\n\
    a1,amber,14,NA\n\
    a1,amber,21,190\n\
    b1,birch,0,40.5\n\
    b1,birch,7,75.5\n";

/// The plain table with each of these texts replaced by the other.
fn with(replaced: &[(&str, &str)]) -> String {
    replaced
        .iter()
        .fold(PLAIN.to_owned(), |text, (from, to)| text.replace(from, to))
}

const KILOGRAMS: [(&str, &str); 5] = [
    ("38.5", "0.0385"),
    ("71.25", "0.07125"),
    ("190", "0.19"),
    ("40.5", "0.0405"),
    ("75.5", "0.0755"),
];
const WEEKS: [(&str, &str); 3] = [(",7,", ",1,"), (",14,", ",2,"), (",21,", ",3,")];

fn pounds() -> String {
    [38.5, 71.25, 190.0, 40.5, 75.5]
        .iter()
        .fold(PLAIN.replace("weight_g", "Weight (lb)"), |text, grams| {
            text.replace(&grams.to_string(), &(grams / 453.592_37).to_string())
        })
}

/// Rounding of a unit's factor: a few units in the last place.
const UNIT_ROUNDING: f64 = 1e-14;

fn assert_same(text: impl AsRef<[u8]>, columns: &Columns, name: &str) {
    let plain = birds(&read(PLAIN, &grouped()));
    let other = birds(&read(text, columns));
    assert_eq!(plain.len(), other.len(), "{name}");
    for (one, other) in plain.iter().zip(&other) {
        assert_eq!((&one.0, &one.1), (&other.0, &other.1), "{name}");
        assert_eq!(one.2.len(), other.2.len(), "{name}: {}", one.0);
        for (point, same) in one.2.iter().zip(&other.2) {
            let near = |one: f64, other: f64| (one - other).abs() <= UNIT_ROUNDING * one;
            let same = near(point.0, same.0) && near(point.1, same.1);
            assert!(same, "{name}: {one:?} {other:?}");
        }
    }
}

#[test]
fn the_plain_table_is_read_as_it_stands() {
    let study = read(PLAIN, &grouped());
    assert_eq!(
        birds(&study),
        [
            (
                "a1".into(),
                "amber".into(),
                vec![(0.0, 38.5), (7.0, 71.25), (21.0, 190.0)]
            ),
            ("b1".into(), "birch".into(), vec![(0.0, 40.5), (7.0, 75.5)]),
        ]
    );
    let records = &study.traits[0];
    assert_eq!(records.name, "body_weight");
    assert_eq!(records.rows, [2, 3, 5, 6, 7]);
    assert_eq!(records.missing, 1);
    assert_eq!(study.name, "weights");
}

#[test]
fn every_way_of_writing_gives_the_same_study() {
    let semicolons = with(&[(",", ";"), (".", ",")]);
    let note = [
        ("weight_g\n", "weight_g,note\n"),
        (".5\n", ".5,x\n"),
        ("25\n", "25,\"a, b\"\n"),
        ("NA\n", "NA,\n"),
        ("190\n", "190,\n"),
    ];
    let quoted_commas = [
        ("38.5", "\"38,5\""),
        ("71.25", "\"71,25\""),
        ("40.5", "\"40,5\""),
        ("75.5", "\"75,5\""),
    ];
    for (name, text) in [
        ("semicolons and decimal commas", semicolons.clone()),
        ("tabs", with(&[(",", "\t")])),
        ("tabs and decimal commas", semicolons.replace(';', "\t")),
        ("semicolons and decimal points", with(&[(",", ";")])),
        ("byte order mark", format!("\u{feff}{PLAIN}")),
        ("line ends of two bytes", with(&[("\n", "\r\n")])),
        ("carriage returns alone", with(&[("\n", "\r")])),
        ("no line end at the end", PLAIN.trim_end().to_owned()),
        ("blank lines", with(&[("b1,birch,0", "\n\nb1,birch,0")])),
        ("rows of separators", format!("{PLAIN},,,\n , ,,\n")),
        ("padded rows", with(&[("38.5", "38.5,,")])),
        ("quoted fields", with(&[("a1", "\"a1\"")])),
        ("quoted decimal commas", with(&quoted_commas)),
        ("spaces round cells", with(&[(",", " , ")])),
        ("no-break spaces", with(&[(",", "\u{a0},\u{202f}")])),
        (
            "letter case of headers",
            with(&[("bird,strain", "Bird,Strain")]),
        ),
        ("empty cell for missing", with(&[("NA", "")])),
        ("another column", with(&note)),
        (
            "kilograms",
            with(&KILOGRAMS).replace("weight_g", "weight_kg"),
        ),
        ("pounds", pounds()),
        ("weeks", with(&WEEKS).replace("age_d", "week")),
        ("weeks by suffix", with(&WEEKS).replace("age_d", "age_w")),
    ] {
        assert_same(text, &grouped(), name);
    }
}

#[test]
fn options_name_columns_units_and_format() {
    let header = ("bird,strain,age_d,weight_g", "Chick,Diet,Time,BW");
    let named = Columns {
        bird: Some("Chick".into()),
        group: Some("Diet".into()),
        age: Some("Time".into()),
        value: Some("BW".into()),
        ..Columns::default()
    };
    assert_same(with(&[header]), &named, "named columns");

    let mut weeks = named.clone();
    weeks.units.age = Some(AgeUnit::Weeks);
    let text = with(&WEEKS).replace(header.0, header.1);
    assert_same(text, &weeks, "ages in weeks by option");

    let mut kilograms = named.clone();
    kilograms.units.mass = Some(MassUnit::Kilogram);
    let text = with(&KILOGRAMS).replace(header.0, header.1);
    assert_same(text, &kilograms, "kilograms by option");

    let mut format = named.clone();
    format.format.decimal = Decimal::Comma;
    format.format.separator = Separator::Semicolon;
    format.format.missing = vec!["-99".into()];
    let text = with(&[header, (",", ";"), (".", ","), ("NA", "-99")]);
    assert_same(text, &format, "format by option");
}

#[test]
fn dates_become_ages() {
    let iso = [
        ("age_d", "date"),
        (",0,", ",2026-03-02,"),
        (",7,", ",2026-03-09,"),
        (",14,", ",2026-03-16,"),
        (",21,", ",2026-03-23,"),
    ];
    let mut columns = grouped();
    columns.hatched_on = Some("2026-03-02".into());
    assert_same(with(&iso), &columns, "dates");

    let german = [
        ("age_d", "date"),
        (",0,", ",02.03.2026,"),
        (",7,", ",09.03.2026,"),
        (",14,", ",16.03.2026,"),
        (",21,", ",23.03.2026,"),
    ];
    columns.units.date_format = Some("dd.mm.yyyy".parse().unwrap());
    columns.hatched_on = Some("02.03.2026".into());
    assert_same(with(&german), &columns, "dates in another format");

    let text = "bird,hatch_date,date,weight_g\n\
        a,2026-03-02,2026-03-09,70\nb,2026-03-03,2026-03-09,60\n";
    let study = read(text, &Columns::default());
    assert_eq!(study.traits[0].ages_d, [7.0, 6.0]);
}

#[test]
fn without_a_bird_column_the_table_is_one_subject_and_keeps_replicates() {
    let study = read("age_d,weight_g\n7,70\n0,40\n7,72\n", &Columns::default());
    let points = vec![(0.0, 40.0), (7.0, 70.0), (7.0, 72.0)];
    assert_eq!(birds(&study), [("one bird".into(), "all".into(), points)]);

    let groups = Columns {
        group: Some("line".into()),
        ..Columns::default()
    };
    let study = read("line,age_d,weight_g\nx,0,40\ny,0,41\n", &groups);
    assert_eq!(
        birds(&study),
        [
            ("x".into(), "x".into(), vec![(0.0, 40.0)]),
            ("y".into(), "y".into(), vec![(0.0, 41.0)])
        ]
    );
}

#[test]
fn without_a_group_all_birds_are_one_strain() {
    let columns = Columns {
        group: Some("none".into()),
        ..Columns::default()
    };
    let study = read(PLAIN, &columns);
    assert_eq!(study.strains, ["all"]);
}

#[test]
fn any_numbers_are_taken_as_they_stand() {
    let columns = Columns {
        age: Some("x".into()),
        value: Some("y_kg".into()),
        values: Values::AnyNumber,
        ..Columns::default()
    };
    let study = read("x,y_kg\n-3,-1e6\n-3,0\n4,1e90\n", &columns);
    assert_eq!(birds(&study)[0].2, [(-3.0, -1e6), (-3.0, 0.0), (4.0, 1e90)]);
}

const STUDY: &str = r#"
name = "demo"
[tables]
birds = "birds.csv"
weighings = "weighings.csv"
targets = "targets.csv"
onset = "onset.csv"
events = "events.csv"
scans = "scans.csv"
[columns.weighings]
bird = "Wing band"
weight_kg = "BW"
[units]
date_format = "dd/mm/yyyy"
[ages]
transfer = 112
[fit]
curves = ["gompertz"]
"#;

const FILES: [(&str, &str); 7] = [
    ("study.toml", STUDY),
    (
        "birds.csv",
        "bird,strain,pen,treatment,hatch_date\na,amber,1,control,02/03/2026\n\
         b,birch,2,,03/03/2026\nc,amber,1,control,02/03/2026\n",
    ),
    (
        "weighings.csv",
        "Wing band;date;BW\nb;10/03/2026;0,075\na;02/03/2026;0,0385\na;09/03/2026;0,0705\n",
    ),
    (
        "targets.csv",
        "strain,age_w,target_g,lower_g,upper_g\namber,1,70,67,73\namber,2,120,,\n\
         ,1,72,,\ncedar,1,60,,\n",
    ),
    (
        "onset.csv",
        "bird,first_egg_age_d,last_seen_age_d\na,130,140\nb,NA,140\n",
    ),
    (
        "events.csv",
        "strain,pen,date,event\namber,,16/03/2026,vaccinated\n,2,17/03/2026,moved\n",
    ),
    ("scans.csv", "scan,bird,age_d,fat_g\n1,a,35,20\n"),
];

#[test]
fn a_study_folder_is_read_whole() {
    let folder = folder(&FILES);
    let study = Study::read_folder(folder.path()).unwrap();
    assert_eq!(study.name, "demo");
    assert_eq!(
        birds(&study),
        [
            ("a".into(), "amber".into(), vec![(0.0, 38.5), (7.0, 70.5)]),
            ("b".into(), "birch".into(), vec![(7.0, 75.0)]),
            ("c".into(), "amber".into(), vec![]),
        ]
    );
    assert_eq!(study.pens, ["1", "2"]);
    let bird = &study.birds[1];
    assert_eq!((bird.pen, bird.treatment), (Some(1), None));
    let [amber, all] = &study.targets[..] else {
        panic!("{:?}", study.targets)
    };
    assert_eq!((amber.strain, all.strain), (Some(0), None));
    assert_eq!(amber.trait_name, "body_weight");
    assert_eq!(amber.ages_d, [7.0, 14.0]);
    assert_eq!(amber.lower_g[..1], [67.0]);
    assert!(amber.upper_g[1].is_nan());
    let eggs: Vec<_> = study
        .onset
        .iter()
        .map(|onset| (onset.bird, onset.first_egg_age_d, onset.last_seen_age_d))
        .collect();
    assert_eq!(
        eggs,
        [(0, Some(130.0), Some(140.0)), (1, None, Some(140.0))]
    );
    let events: Vec<_> = study
        .events
        .iter()
        .map(|event| (event.strain, event.pen, event.age_d, event.event.as_str()))
        .collect();
    assert_eq!(
        events,
        [
            (Some(0), None, 14.0, "vaccinated"),
            (None, Some(1), 14.0, "moved")
        ]
    );
    assert_eq!(study.settings.fit.curves, ["gompertz"]);
    assert_eq!(
        study.settings.ages,
        BTreeMap::from([("transfer".to_owned(), 112.0)])
    );
    let [warning] = &study.warnings[..] else {
        panic!("{:?}", study.warnings)
    };
    assert!(
        warning.contains("strain \"cedar\" is not used"),
        "{warning}"
    );
}

#[test]
fn the_documented_settings_read_as_they_stand() {
    let settings: Settings = EXAMPLE.parse().unwrap();
    assert_eq!(settings.cues.thresholds_g, [1200.0, 1400.0]);
    assert_eq!(settings.ages.get("light_stimulation"), Some(&126.0));
    assert_eq!(settings.columns.weighings["weight_kg"], "BW");
}

#[test]
fn targets_and_first_eggs_beside_a_bare_table() {
    let folder = folder(&[
        ("weights.csv", "bird,age_d,weight_g\na,0,40\na,7,70\n"),
        (
            "targets.csv",
            "strain,age_d,target_g\namber,0,41\namber,7,72\n",
        ),
        ("onset.csv", "bird,first_egg_age_d\na,131\n"),
    ]);
    let columns = Columns {
        targets: Some(folder.path().join("targets.csv")),
        onset: Some(folder.path().join("onset.csv")),
        ..Columns::default()
    };
    let study = Study::read_table(&folder.path().join("weights.csv"), &columns).unwrap();
    assert_eq!(study.targets[0].strain, None);
    assert_eq!(study.targets[0].target_g, [41.0, 72.0]);
    assert_eq!(study.onset[0].first_egg_age_d, Some(131.0));
}

/// Rows that may be shuffled: birds with unequal ages, one without values.
fn rows() -> Vec<String> {
    let mut rows = vec!["z,amber,3,NA".to_owned()];
    for bird in 0..5 {
        for week in 0..4 + bird {
            let strain = ["amber", "birch"][bird % 2];
            let weight_g = 40 + 31 * week + bird;
            rows.push(format!("b{bird},{strain},{},{weight_g}", week * 7));
        }
    }
    rows
}

proptest! {
    #[test]
    fn the_order_of_rows_is_irrelevant(rows in Just(rows()).prop_shuffle()) {
        let mut sorted = rows.clone();
        sorted.sort();
        let by_name = |rows: &[String]| {
            let text = format!("bird,strain,age_d,weight_g\n{}\n", rows.join("\n"));
            let mut birds = birds(&read(text, &grouped()));
            birds.sort_by(|one, other| one.0.cmp(&other.0));
            birds
        };
        prop_assert_eq!(by_name(&rows), by_name(&sorted));
    }
}

/// Checks a week apart in a study are the limits that a table with a row a bird has, whose models
/// agree with R's survival.
#[test]
fn first_eggs_between_checks_are_read_as_from_a_table_of_limits() {
    let onset =
        "bird,last_without_d,first_with_d,last_seen_age_d\na,126,133,140\nb,133,,140\nc,,119,140\n";
    let mut files = FILES.to_vec();
    for (name, text) in &mut files {
        if *name == "onset.csv" {
            *text = onset;
        }
    }
    let folder = folder(&files);
    let study = Study::read_folder(folder.path()).unwrap();
    let of_table = read_lay_table(
        &folder.path().join("onset.csv"),
        &LayColumns {
            lower: Some("last_without_d".into()),
            upper: Some("first_with_d".into()),
            days_per_unit: 1.0,
            ..LayColumns::default()
        },
    )
    .unwrap();
    let of_study = LayRecords::of(&study);
    assert_eq!(of_study.times(), of_table.records.times());
    let middles: Vec<_> = study
        .onset
        .iter()
        .map(|onset| onset.first_egg_d())
        .collect();
    assert_eq!(middles, [Some(129.5), None, None]);
    // As of 130 d the first bird is only known to have had no egg at 126 d, though it was there.
    let known = study.as_of(130.0).onset[0];
    assert_eq!(
        (
            known.last_without_d,
            known.first_with_d,
            known.last_seen_age_d
        ),
        (Some(126.0), None, Some(130.0))
    );
}
