//! Birds weighed without names: what their tables are read as, and what is refused with its place.

use std::fs;

use pinfeather::study::{Check, Columns, Study};
use tempfile::TempDir;

fn folder(files: &[(&str, &str)]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in files {
        fs::write(folder.path().join(name), text).unwrap();
    }
    folder
}

fn study(files: &[(&str, &str)]) -> Study {
    Study::read_folder(folder(files).path()).unwrap()
}

/// The messages of a study that cannot be read.
fn faults(files: &[(&str, &str)]) -> Vec<String> {
    let error = Study::read_folder(folder(files).path()).unwrap_err();
    error.messages().to_vec()
}

const SAMPLES: &str = "[tables]\nweighings = \"samples.csv\"\n";

#[test]
fn a_table_without_birds_is_one_of_samples() {
    let study = study(&[
        ("study.toml", SAMPLES),
        (
            "samples.csv",
            "pen,age_w,weight_g\nN1,5,401\nN1,5,380\nN2,5,395\nN1,6,470\n",
        ),
    ]);
    assert_eq!(
        (study.birds.len(), study.strains.as_slice()),
        (0, &["all".to_owned()][..])
    );
    assert_eq!(study.samples.units.len(), 2);
    let weights: Vec<(usize, f64, f64)> = study
        .samples
        .rows
        .iter()
        .map(|row| (row.unit, row.age_d, row.weight_g))
        .collect();
    assert_eq!(
        weights,
        [
            (0, 35.0, 401.0),
            (0, 35.0, 380.0),
            (0, 42.0, 470.0),
            (1, 35.0, 395.0)
        ]
    );
    // No bird was made of them.
    assert_eq!(study.traits[0].name, "body_weight");
    assert!(study.traits[0].values.is_empty());
}

#[test]
fn birds_weighed_together_keep_their_number() {
    let study = study(&[
        (
            "study.toml",
            "hatch_date = \"2026-03-02\"\n[tables]\nweighings = \"crates.csv\"\n",
        ),
        (
            "crates.csv",
            "date,house,birds,mean_g,total_kg,cv_pct\n2026-03-16,A,10,150,,8\n2026-03-16,B,12,,1.86,\n",
        ),
    ]);
    let rows = &study.samples.rows;
    assert_eq!(
        (rows[0].age_d, rows[0].birds(), rows[0].weight_g),
        (14.0, 10, 150.0)
    );
    assert_eq!(rows[0].together.unwrap().sd_g, Some(12.0));
    assert_eq!((rows[1].birds(), rows[1].weight_g.round()), (12, 155.0));
    assert_eq!(rows[1].together.unwrap().sd_g, None);
    assert_eq!(study.houses, ["A", "B"]);
}

#[test]
fn kinds_are_mixed_and_pens_are_known_from_their_table() {
    let study = study(&[
        (
            "study.toml",
            "[tables]\nbirds = \"birds.csv\"\npens = \"pens.csv\"\n\
             weighings = [\"ringed.csv\", \"samples.csv\", \"crates.csv\"]\n",
        ),
        ("birds.csv", "bird,strain,pen\nr1,Alder,1\nr2,Alder,1\n"),
        (
            "pens.csv",
            "pen,house,strain,birds\n1,A,Alder,1200\n2,A,Birch,900\n3,B,Birch,850\n",
        ),
        ("ringed.csv", "bird,age_d,weight_g\nr1,35,400\nr2,35,410\n"),
        ("samples.csv", "pen,age_d,weight_g\n1,35,402\n2,35,388\n"),
        ("crates.csv", "pen,age_d,birds,mean_g\n3,35,20,391\n"),
    ]);
    assert_eq!(study.birds.len(), 2);
    assert_eq!(study.traits[0].values.len(), 2);
    let units: Vec<(&str, Option<usize>, Option<f64>)> = study
        .samples
        .units
        .iter()
        .map(|unit| (study.strains[unit.strain].as_str(), unit.house, unit.birds))
        .collect();
    assert_eq!(
        units,
        [
            ("Alder", Some(0), Some(1200.0)),
            ("Birch", Some(0), Some(900.0)),
            ("Birch", Some(1), Some(850.0))
        ]
    );
}

#[test]
fn a_bare_table_is_a_sample_where_the_call_declares_it() {
    let folder = folder(&[(
        "w.csv",
        "pen,age_d,weight_g\n1,35,402\n1,35,388\n1,35,410\n",
    )]);
    let path = folder.path().join("w.csv");
    let asked = Study::read_table(&path, &Columns::default()).unwrap();
    let warning = asked.warnings.join("\n");
    assert!(warning.contains("give --sample"), "{warning}");
    let columns = Columns {
        sample: true,
        ..Columns::default()
    };
    let study = Study::read_table(&path, &columns).unwrap();
    assert_eq!((study.birds.len(), study.samples.rows.len()), (0, 3));
    assert!(study.warnings.is_empty(), "{:?}", study.warnings);
}

#[test]
fn the_check_counts_birds_and_occasions() {
    let folder = folder(&[
        (
            "study.toml",
            "name = \"F\"\n[tables]\nweighings = \"samples.csv\"\n",
        ),
        (
            "samples.csv",
            "pen,age_d,weight_g\n1,35,402\n1,35,388\n2,42,470\n",
        ),
    ]);
    let check = Check::folder(folder.path()).unwrap();
    assert_eq!(
        check.summary.lines()[0],
        "F: samples of unnamed birds on 2 occasions of 2 pens, at 2 ages from 35 to 42 d: 3 birds weighed"
    );
}

#[test]
fn ids_in_some_rows_only_are_refused_with_their_place() {
    assert_eq!(
        faults(&[
            ("study.toml", "[tables]\nweighings = \"w.csv\"\n"),
            ("w.csv", "bird,age_d,weight_g\na,35,400\n,35,410\n"),
        ]),
        [
            "w.csv, row 3, column bird: found an empty cell, expected a bird's name; fill in the cell or remove the row; unnamed birds go into a separate table without a column of birds (weighings = [\"ringed.csv\", \"samples.csv\"])"
        ]
    );
}

#[test]
fn a_pen_that_no_table_names_is_refused() {
    let with = |pens: &str, key: &str| {
        faults(&[
            (
                "study.toml",
                &format!("[tables]\n{key}\nweighings = \"samples.csv\"\n"),
            ),
            ("pens.csv", pens),
            (
                "samples.csv",
                "pen,age_d,weight_g\nP1,35,400\nP9,35,410\nP9,35,400\n",
            ),
        ])
    };
    assert_eq!(
        with("pen,strain\nP1,Alder\nP2,Birch\n", "pens = \"pens.csv\""),
        [
            "samples.csv, row 3, column pen: found pen \"P9\", expected a pen of the pens table (P1, P2); add the pen to the pens table"
        ]
    );
    assert_eq!(
        with("bird,strain,pen\nb1,Alder,P1\n", "birds = \"pens.csv\""),
        [
            "samples.csv, row 3, column pen: found pen \"P9\", expected a pen of the birds table (P1); write a table pens (pen, strain, house, birds) with all pens"
        ]
    );
}

#[test]
fn wrong_numbers_of_birds_are_refused() {
    let with = |row: &str| {
        faults(&[
            ("study.toml", "[tables]\nweighings = \"c.csv\"\n"),
            (
                "c.csv",
                &format!("pen,age_d,birds,mean_g,total_g\n1,28,10,300,3000\n{row}\n"),
            ),
        ])
    };
    for (row, message) in [
        (
            "1,35,0,400,",
            "c.csv, row 3, column birds: found \"0\", expected the number of birds weighed together, a whole number from 1; correct the cell, or remove the row where no bird was weighed",
        ),
        (
            "1,35,2.5,400,",
            "c.csv, row 3, column birds: found \"2.5\", expected the number of birds weighed together, a whole number from 1; correct the cell, or remove the row where no bird was weighed",
        ),
        (
            "1,35,10,400,5000",
            "c.csv, row 3, column mean_g: found a mean of 400.0 g, where the total over the birds is 500.0 g, expected a mean and a total that agree; correct one of the cells: mean, total or number of birds",
        ),
    ] {
        assert_eq!(with(row), [message]);
    }
}

#[test]
fn pens_of_several_strains_need_one_each() {
    let messages = faults(&[
        (
            "study.toml",
            "[tables]\nbirds = \"birds.csv\"\nweighings = [\"ringed.csv\", \"samples.csv\"]\n",
        ),
        ("birds.csv", "bird,strain\nr1,Alder\nr2,Birch\n"),
        ("ringed.csv", "bird,age_d,weight_g\nr1,35,400\nr2,35,410\n"),
        ("samples.csv", "pen,age_d,weight_g\n1,35,402\n"),
    ]);
    assert_eq!(
        messages,
        [
            "samples.csv: found pen \"1\" without a strain, in a study of Alder, Birch, expected a strain for every pen; give the strain in a table pens (pen, strain), or in a column strain"
        ]
    );
}

#[test]
fn a_date_without_a_day_of_hatch_is_refused_once() {
    let messages = faults(&[
        ("study.toml", SAMPLES),
        (
            "samples.csv",
            "pen,date,weight_g\n1,2026-04-06,402\n1,2026-04-06,410\n",
        ),
    ]);
    assert_eq!(messages.len(), 1);
    assert!(
        messages[0].starts_with(
            "samples.csv, row 2, column date: found a date of unnamed birds without a day of hatch"
        ),
        "{messages:?}"
    );
}

#[test]
fn two_tables_of_ringed_birds_are_refused() {
    let messages = faults(&[
        (
            "study.toml",
            "[tables]\nweighings = [\"a.csv\", \"b.csv\"]\n",
        ),
        ("a.csv", "bird,age_d,weight_g\nr1,35,400\n"),
        ("b.csv", "bird,age_d,weight_g\nr1,42,450\n"),
    ]);
    assert_eq!(
        messages,
        [
            "b.csv, row 1: found a second table of ringed birds beside a.csv, expected one table of weighings with birds' names, the others of unnamed birds; put the rows of the two tables into one"
        ]
    );
}

#[test]
fn only_weighings_and_targets_may_be_a_list() {
    let messages = faults(&[(
        "study.toml",
        "[tables]\nweighings = \"a.csv\"\nscans = [\"a.csv\", \"b.csv\"]\n",
    )]);
    assert_eq!(
        messages,
        [
            "study.toml, tables.scans: found 2 files, expected one file; only weighings and targets may be a list; correct the value or leave the key out"
        ]
    );
}

const TARGETS: &str = "[tables]\nweighings = \"w.csv\"\ntargets = \"targets.csv\"\n";
const WEIGHINGS: &str = "bird,strain,age_d,weight_g\na,Alder,35,400\na,Alder,42,470\n";

fn target(table: &str) -> Result<Study, Vec<String>> {
    let folder = folder(&[
        ("study.toml", TARGETS),
        ("w.csv", WEIGHINGS),
        ("targets.csv", table),
    ]);
    Study::read_folder(folder.path()).map_err(|error| error.messages().to_vec())
}

#[test]
fn targets_are_read_as_breeders_print_them() {
    for cell in [
        "1200 - 1260",
        "1200-1260 g",
        "1200/1260",
        "1200 \u{2013} 1260",
        "1200 g to 1260 g",
    ] {
        let study = target(&format!("age_w,target_g\n16,{cell}\n")).unwrap();
        let target = &study.targets[0];
        assert_eq!(
            (
                target.ages_d[0],
                target.target_g[0],
                target.lower_g[0],
                target.upper_g[0]
            ),
            (112.0, 1230.0, 1200.0, 1260.0),
            "{cell}"
        );
        assert!(
            study
                .notes
                .join("\n")
                .contains("1 targets written as ranges"),
            "{:?}",
            study.notes
        );
    }
    let study = target("Week,target_kg\n16,1.200 - 1.260\n").unwrap();
    assert!((study.targets[0].target_g[0] - 1230.0).abs() < 1e-9);
    let study = target("age_w,target_g,lower_g,upper_g\n16,1230,1200,1260\n").unwrap();
    assert_eq!(study.targets[0].upper_g, [1260.0]);
}

#[test]
fn a_range_that_may_be_read_two_ways_is_refused_with_its_place() {
    for (cell, found, rest) in [
        (
            "1.200 - 1.260",
            "1.200 - 1.260",
            "a range such as 1200 - 1260; write thousands without a mark; if it is the decimal mark, name it under [format] in study.toml: decimal = \"point\" or \"comma\"",
        ),
        (
            "1260 - 1200",
            "1260 - 1200",
            "a range from its lower to its upper end, in the unit of the header; correct the cell or the unit",
        ),
        (
            "1200 - 12x0",
            "1200 - 12x0",
            "a range of two masses such as 1200 - 1260; correct the cell: two numbers in the unit of the header",
        ),
    ] {
        let messages = target(&format!("age_w,target_g\n15,1150\n16,{cell}\n")).unwrap_err();
        assert_eq!(
            messages,
            [format!(
                "targets.csv, row 3, column target_g: found \"{found}\", expected {rest}"
            )]
        );
    }
    let both = target("age_w,target_g,lower_g\n16,1200-1260,1190\n").unwrap_err();
    assert!(
        both[0].contains("beside an edge of the band in a separate column"),
        "{both:?}"
    );
}
