//! Bad input: each fault that the documents name, with the message.

use std::fs;
use std::path::Path;

use pinfeather::study::{Check, Columns, Settings, Study, Values};
use pinfeather::{Error, ErrorKind};
use tempfile::TempDir;

fn columns() -> Columns {
    Columns {
        group: Some("strain".into()),
        ..Columns::default()
    }
}

/// The messages of an error, without the folder that stands before each file.
fn messages_of(error: &Error, folder: &Path) -> Vec<String> {
    let folder = format!("{}/", folder.display());
    let lines = error.messages().iter();
    lines.map(|line| line.replace(&folder, "")).collect()
}

fn faults_of(text: impl AsRef<[u8]>, columns: &Columns) -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("w.csv");
    fs::write(&path, text).unwrap();
    match Study::read_table(&path, columns) {
        Ok(_) => Vec::new(),
        Err(error) => {
            assert_eq!(error.exit_status(), 2);
            messages_of(&error, folder.path())
        }
    }
}

/// Each case: name, table, the whole text of each message.
fn assert_faults(cases: &[(&str, &str, &[&str])], columns: &Columns) {
    for (name, text, messages) in cases {
        assert_eq!(faults_of(text, columns), *messages, "{name}");
    }
}

const GROUPLESS: &str = "bird,age_d,weight_g\n";

#[test]
fn files_that_are_no_table() {
    let cases: [(&str, &[u8], &str); 13] = [
        (
            "empty file",
            b"",
            "w.csv: found an empty file, expected a header row and at least one row of data; check that the right file was saved",
        ),
        (
            "blank lines",
            b"\n \r\n\n",
            "w.csv: found an empty file, expected a header row and at least one row of data; check that the right file was saved",
        ),
        (
            "header only",
            b"bird,age_d,weight_g\n",
            "w.csv: found a header without rows, expected at least one row of data; check that the whole table was saved",
        ),
        (
            "UTF-8 and Latin-1 in one file",
            b"bird,age_d,weight_g\n\xc3\xa4,0,40\nb\xe9,0,41\n",
            "w.csv, row 3: found byte 0xe9, which is no UTF-8, in a file that has UTF-8 letters elsewhere, expected a table as UTF-8 text; save it again as CSV UTF-8",
        ),
        (
            "a byte that is no letter",
            b"bird,age_d,weight_g\na,0,40\nb\xe9,0,41\nb\x81,0,41\n",
            "w.csv, row 4: found byte 0x81, which is neither UTF-8 nor Windows-1252 text, expected a table as UTF-8 text; the file is damaged or is no text: export the table again",
        ),
        (
            "a control byte in what may be Latin-1",
            b"bird,age_d,weight_g\na,0,40\nb\xe9,0,41\x07\n",
            "w.csv, row 3: found byte 0x07, which is neither UTF-8 nor Windows-1252 text, expected a table as UTF-8 text; the file is damaged or is no text: export the table again",
        ),
        (
            "UTF-16 of one line",
            b"\xff\xfeb\0i\0r\0d\0",
            "w.csv: found a header without rows, expected at least one row of data; check that the whole table was saved",
        ),
        (
            "half a letter of UTF-16",
            b"\xff\xfeb\0i\0r\0d",
            "w.csv: found UTF-16 text that is cut short or damaged, expected a table as UTF-8 text; export the whole table again, as CSV UTF-8",
        ),
        (
            "UTF-32",
            b"\xff\xfe\0\0b\0\0\0i\0\0\0",
            "w.csv, row 1: found a zero byte, expected a table as UTF-8 text; the file is damaged or is no text: export the table again",
        ),
        (
            "UTF-16 without a mark",
            b"b\0i\0r\0d\0,\0",
            "w.csv: found UTF-16 text without its mark (every other byte is zero), expected a table as UTF-8 text; save it again as CSV UTF-8",
        ),
        (
            "zero byte",
            b"bird,age_d,weight_g\na,0,40\nb,0,4\x001\n",
            "w.csv, row 3: found a zero byte, expected a table as UTF-8 text; the file is damaged or is no text: export the table again",
        ),
        (
            "workbook",
            b"PK\x03\x04abc",
            "w.csv: found a spreadsheet workbook, expected a table as UTF-8 text; save the sheet as CSV UTF-8 and name that file",
        ),
        (
            "mixed separators",
            b"bird,age_d;weight_g\na,0;40\n",
            "w.csv, row 1: found as many separators of one kind as of another, expected commas, semicolons or tabs between the headers; name it under [format] in study.toml: separator = \"comma\", \"semicolon\" or \"tab\" (--separator)",
        ),
    ];
    for (name, bytes, message) in cases {
        assert_eq!(faults_of(bytes, &Columns::default()), [message], "{name}");
    }
}

#[test]
fn headers_and_rows() {
    assert_faults(
        &[
            (
                "no value column",
                "bird,age_d,wieght_g\na,0,40\n",
                &[
                    "w.csv, row 1: found the headers bird, age_d, wieght_g, expected a column weight_g; if \"wieght_g\" is meant, name it by --value",
                ],
            ),
            (
                "no age column",
                "bird,when,weight_g\na,0,40\n",
                &[
                    "w.csv, row 1: found the headers bird, when, weight_g, expected a column age_d or date; name the column by --age or --date",
                ],
            ),
            (
                "header twice",
                "bird,age_d,weight_g,Bird\na,0,40,b\n",
                &[
                    "w.csv, column Bird: found the header twice, expected each header once; rename or remove one of the two columns",
                ],
            ),
            (
                "two units of one thing",
                "bird,age_d,weight_g,weight_kg\na,0,40,0.04\n",
                &[
                    "w.csv, row 1: found both columns weight_g and weight_kg, expected one column of weight; name it by --value",
                ],
            ),
            (
                "short row",
                "bird,age_d,weight_g\na,0\nb,0,40\n",
                &[
                    "w.csv, row 2: found 2 cells, expected 3 as in the header; fill in the missing cells; an empty cell still needs its separator",
                ],
            ),
            (
                "long row",
                "bird;age_d;weight_g\na;0;40;1\n",
                &[
                    "w.csv, row 2: found 4 cells, expected 3 as in the header; remove the extra cells or give them a header",
                ],
            ),
            (
                "decimal comma among commas",
                "bird,age_d,weight_g\na,0,40,5\n",
                &[
                    "w.csv, row 2: found 4 cells, expected 3 as in the header; a comma inside a cell splits it: put the cell in quotation marks, or save the table with semicolons if commas stand before decimals",
                ],
            ),
            (
                "open quotation mark",
                "bird,age_d,weight_g\na,0,40\n\"b,0,41\nc,0,42\n",
                &[
                    "w.csv, row 3, column bird: found a quotation mark that is never closed, expected a cell that is closed in its row; remove the quotation mark or close it",
                ],
            ),
            (
                "no value at all",
                "bird,age_d,weight_g\na,0,NA\nb,0,\n",
                &[
                    "w.csv, column weight_g: found no value in any row, expected at least one; check that the right column is named",
                ],
            ),
        ],
        &Columns::default(),
    );
    let named = Columns {
        bird: Some("Chik".into()),
        ..Columns::default()
    };
    assert_faults(
        &[(
            "named column",
            "Chick,age_d,weight_g\na,0,40\n",
            &[
                "w.csv, row 1: found the headers Chick, age_d, weight_g, expected a column \"Chik\", which --bird names; perhaps \"Chick\" is meant",
            ],
        )],
        &named,
    );
}

/// The message on one cell in row 2 under a header.
fn assert_cells(cases: &[(&str, &str)], column: &str, row: impl Fn(&str) -> String) {
    for (cell, wanted) in cases {
        let text = row(cell);
        let expected =
            format!("w.csv, row 2, column {column}: found \"{cell}\", expected {wanted}");
        assert_eq!(faults_of(&text, &columns()), [expected], "{text}");
    }
}

const MASS: &str = "a mass in g such as 1250.5; correct the cell or mark it missing (NA)";
const MARKS: &str = "a mass in g such as 1250.5; write numbers without thousands marks, and name the decimal mark under [format] in study.toml (--decimal point or --decimal comma)";
const ABOVE: &str = "a mass in g above 0; correct the cell or mark it missing (NA); for data that are not weights of birds give --no-plausibility";
const HEAVY: &str = "a mass in g of at most 20000; correct the cell or the unit; for data that are not weights of birds give --no-plausibility";

#[test]
fn values() {
    assert_cells(
        &[
            ("1,25o", MASS),
            ("heavy", MASS),
            ("NaN", MASS),
            ("inf", MASS),
            ("1e999", MASS),
            (
                "#N/A",
                "a mass in g such as 1250.5; correct the formula in the spreadsheet, or empty the cell",
            ),
            ("0x10", MASS),
            ("1,250.5", MARKS),
            ("1.250,5", MARKS),
            ("1 250", MARKS),
            (
                "1250 g",
                "a mass in g such as 1250.5; leave only the number in the cell; its unit goes into the header or under [units]",
            ),
            ("0", ABOVE),
            ("-40", ABOVE),
            ("20000.5", HEAVY),
            ("1e300", HEAVY),
        ],
        "weight_g",
        |cell| format!("bird\tstrain\tage_d\tweight_g\na\tx\t0\t{cell}\nb\tx\t0\t40.5\n"),
    );
    let kilograms = "bird,age_d,weight_kg\na,0,40\n";
    assert_eq!(
        faults_of(kilograms, &Columns::default()),
        [
            "w.csv, row 2, column weight_kg: found \"40\", expected a mass in kg of at most 20; correct the cell or the unit; for data that are not weights of birds give --no-plausibility"
        ]
    );
}

#[test]
fn a_long_or_many_lined_cell_is_reported_on_one_short_line() {
    let cell = format!("x\u{7}y{}", "z".repeat(500));
    let faults = faults_of(format!("{GROUPLESS}a,0,{cell}\n"), &Columns::default());
    assert_eq!(faults.len(), 1);
    assert!(
        faults[0].contains("\"x\u{fffd}yzz") && faults[0].len() < 250,
        "{}",
        faults[0]
    );
}

const AGE: &str = "an age in days from 0 (hatch) to 3650; correct the cell or the unit; for data that are not weights of birds give --no-plausibility";

#[test]
fn ages() {
    assert_cells(
        &[
            ("-1", AGE),
            ("45352", AGE),
            ("1e300", AGE),
            (
                "five",
                "an age in days such as 5; correct the cell or mark it missing (NA)",
            ),
            (
                "NA",
                "an age in days such as 5; fill in the cell or remove the row",
            ),
        ],
        "age_d",
        |cell| format!("bird,age_d,weight_g,strain\na,{cell},40,x\n"),
    );
    assert_eq!(
        faults_of("bird,week,weight_g\na,522,40\n", &Columns::default()),
        [
            "w.csv, row 2, column week: found \"522\", expected an age in weeks from 0 (hatch) to 521; correct the cell or the unit; for data that are not weights of birds give --no-plausibility"
        ]
    );
}

#[test]
fn dates() {
    let mut columns = Columns {
        hatched_on: Some("2026-03-02".into()),
        ..Columns::default()
    };
    let row = |date: &str| format!("bird,date,weight_g\na,{date},40\n");
    for (date, expected) in [
        (
            "09/03/2026",
            "found \"09/03/2026\", expected a date such as 2026-03-01; state which is day and which is month: --date-format, as in dd/mm/yyyy or mm/dd/yyyy",
        ),
        (
            "26-03-09",
            "found \"26-03-09\", expected a date such as 2026-03-01; state which is day and which is month: --date-format, as in dd/mm/yyyy or mm/dd/yyyy",
        ),
        (
            "2026-02-30",
            "found \"2026-02-30\", expected a date such as 2026-03-01; correct the cell: there is no such day",
        ),
        (
            "46090",
            "found \"46090\", expected a date such as 2026-03-01; a spreadsheet's serial number: give the column a date format there and save it again",
        ),
        (
            "March",
            "found \"March\", expected a date such as 2026-03-01; correct the cell, or --date-format",
        ),
        (
            "2026-03-01",
            "found \"2026-03-01\", which is -1 days after hatch on 2026-03-02, expected a date from hatch to ten years after it; correct the date or the hatch_date",
        ),
        (
            "",
            "found an empty cell, expected a date; fill in the cell or remove the row",
        ),
    ] {
        let expected = format!("w.csv, row 2, column date: {expected}");
        assert_eq!(faults_of(row(date), &columns), [expected], "{date}");
    }
    columns.hatched_on = Some("02/03/2026".into());
    assert_eq!(
        faults_of(row("2026-03-09"), &columns)[0],
        "the call: found --hatched-on \"02/03/2026\", expected a date such as 2026-03-01; correct it, or name the way that dates are written"
    );
    columns.hatched_on = None;
    assert_eq!(
        faults_of(
            "bird,date,weight_g\na,2026-03-09,40\na,2026-03-10,40\n",
            &columns
        ),
        [
            "w.csv, row 2, column date: found a date of bird a, which has no day of hatch, expected a hatch_date by which the date becomes an age; fill in hatch_date in the birds table, or give one for all (hatch_date in study.toml, --hatched-on)"
        ]
    );
    assert_eq!(
        faults_of(
            "bird,hatch_date,date,weight_g\na,2026-03-02,2026-03-09,40\na,2026-03-03,2026-03-10,40\n",
            &columns
        ),
        [
            "w.csv, row 3, column hatch_date: found bird a hatched on 2026-03-03, before on 2026-03-02, expected one day of hatch a bird; correct the date or the bird's name"
        ]
    );
}

#[test]
fn birds() {
    assert_faults(
        &[
            (
                "in two strains",
                "bird,strain,age_d,weight_g\na,x,0,40\na,y,7,70\na,y,14,90\n",
                &[
                    "w.csv, row 3, column strain: found bird a in \"y\", before in \"x\", expected each bird in one strain; correct the strain, or give the two birds different names",
                ],
            ),
            (
                "without a name",
                "bird,strain,age_d,weight_g\n,x,0,40\n",
                &[
                    "w.csv, row 2, column bird: found an empty cell, expected a bird's name; fill in the cell or remove the row; unnamed birds go into a separate table without a column of birds (weighings = [\"ringed.csv\", \"samples.csv\"])",
                ],
            ),
            (
                "without a strain",
                "bird,strain,age_d,weight_g\na,,0,40\n",
                &[
                    "w.csv, row 2, column strain: found an empty cell, expected a strain's name; fill in the cell or remove the row",
                ],
            ),
            (
                "twice at one age",
                "bird,strain,age_d,weight_g\na,x,0,40\nb,x,0,41\na,x,7,70\na,x,0,40\n",
                &[
                    "w.csv, row 5, column age_d: found bird a again at 0 d, as in row 2, expected each bird once at an age; remove one of the two rows",
                ],
            ),
            (
                "twice with different weights",
                "bird,strain,week,weight_kg\na,x,1,0.07\na,x,1,0.08\n",
                &[
                    "w.csv, row 3, column week: found bird a again at 7 d, as in row 2, but with 80 g in place of 70 g, expected each bird once at an age; keep the right one and remove the other",
                ],
            ),
        ],
        &columns(),
    );
}

#[test]
fn decimal_marks_in_doubt_are_asked_for() {
    let advice = "expected a mark that stands clearly before decimals or after thousands; write thousands without a mark; if it is the decimal mark, name it under [format] in study.toml: decimal = \"point\" or \"comma\" (--decimal)";
    for (cell, found) in [("1,250", "\"1,250\""), ("1.250", "\"1.250\"")] {
        let text = format!("bird;age_d;weight_g\na;0;40\na;70;{cell}\n");
        assert_eq!(
            faults_of(&text, &Columns::default()),
            [format!(
                "w.csv, row 3, column weight_g: found {found}, {advice}"
            )]
        );
    }
    // With the mark named there is no doubt, and the other mark is a fault.
    let mut columns = Columns::default();
    columns.format.decimal = "comma".parse().unwrap();
    let faults = faults_of(
        "bird;age_d;weight_g\na;0;40\na;70;1.250\na;77;1,250\n",
        &columns,
    );
    assert_eq!(faults.len(), 1);
    assert!(faults[0].starts_with("w.csv, row 3"), "{}", faults[0]);
    let both = faults_of(
        "bird;age_d;weight_g\na;0;40.5\na;70;99,5\n",
        &Columns::default(),
    );
    assert_eq!(both.len(), 1);
    assert!(
        both[0].starts_with("w.csv, row 3, column weight_g: found \"99,5\""),
        "{}",
        both[0]
    );
}

#[test]
fn units_that_contradict_each_other() {
    let mut columns = Columns::default();
    columns.units.mass = Some("kg".parse().unwrap());
    columns.units.age = Some("weeks".parse().unwrap());
    assert_eq!(
        faults_of(format!("{GROUPLESS}a,0,40\n"), &columns),
        [
            "w.csv, column age_d: found the unit days by its name and weeks by the settings, expected one unit of age; correct the header or leave out --age-unit, whichever is wrong",
            "w.csv, column weight_g: found the unit g by its name and kg by the settings, expected one unit of mass; correct the header or leave out --mass-unit, whichever is wrong",
        ]
    );
}

#[test]
fn any_number_lifts_the_rules_for_birds_only() {
    let columns = Columns {
        values: Values::AnyNumber,
        ..Columns::default()
    };
    assert!(
        faults_of(
            format!("{GROUPLESS}a,-5,-40\na,-5,0\na,9999,1e9\n"),
            &columns
        )
        .is_empty()
    );
    for (row, found) in [
        ("a,0,1e300", "1e300"),
        ("a,0,NaN", "NaN"),
        ("a,1e300,5", "1e300"),
    ] {
        let faults = faults_of(format!("{GROUPLESS}{row}\n"), &columns);
        assert_eq!(faults.len(), 1, "{row}");
        assert!(
            faults[0].contains(&format!("found \"{found}\", expected a number")),
            "{}",
            faults[0]
        );
    }
}

#[test]
fn calls_that_contradict_themselves() {
    let some = |text: &str| Some(text.to_owned());
    let both = Columns {
        age: some("a"),
        date: some("d"),
        ..Columns::default()
    };
    let twice = Columns {
        bird: some("a"),
        value: some("a"),
        ..Columns::default()
    };
    for (columns, message) in [
        (
            both,
            "found both --age a and --date d, expected one of them; leave one out",
        ),
        (
            twice,
            "found column \"a\" by both --bird and --value, expected two columns; correct one of the options",
        ),
    ] {
        let error = Study::read_table(Path::new("w.csv"), &columns).unwrap_err();
        assert_eq!(error.kind(), ErrorKind::Call);
        assert_eq!(error.messages(), [message]);
    }
}

#[test]
fn a_missing_file_is_reported_with_the_nearest_name() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("weighings.csv"), "x").unwrap();
    let read = |name: &str| {
        let path = folder.path().join(name);
        let error = Study::read_table(&path, &Columns::default()).unwrap_err();
        messages_of(&error, folder.path())
    };
    assert_eq!(
        read("weihgings.csv"),
        ["weihgings.csv: found no such file, expected a table; perhaps weighings.csv is meant"]
    );
    assert_eq!(
        read("scale.txt"),
        ["scale.txt: found no such file, expected a table; its folder holds weighings.csv"]
    );
    let error = Study::read_table(folder.path(), &Columns::default()).unwrap_err();
    assert!(error.messages()[0].ends_with("found a folder, expected a table; name the file in it"));
}

#[test]
fn all_faults_are_reported_at_once_by_row_up_to_fifty() {
    let rows = |count: usize| {
        let rows: String = (0..count).map(|row| format!("a,{row},-1\n")).collect();
        faults_of(format!("{GROUPLESS}{rows}"), &Columns::default())
    };
    let few = rows(3);
    assert_eq!(few.len(), 3);
    assert!(few[2].starts_with("w.csv, row 4,"), "{}", few[2]);
    // Of one cause they are one; each row that names another bird is a separate cause.
    let many = rows(1500);
    assert_eq!(many.len(), 1);
    assert!(
        many[0].contains("found \"-1\" in 1500 cells (row 2; row 3; row 4 and 1497 more)"),
        "{}",
        many[0]
    );
    let birds: String = (0..1500).map(|bird| format!("{bird}x,1\n")).collect();
    let onset = format!("bird,first_egg_age_d\n{birds}");
    let names: String = (0..60).map(|bird| format!("bird-{bird},amber\n")).collect();
    let others: String = (0..60).map(|bird| format!("bird {bird},130\n")).collect();
    assert_eq!(study_faults(&[("onset.csv", &onset)]).len(), 1);
    let many = study_faults(&[
        (
            "birds.csv",
            &format!("bird,strain\nan,amber\nbo,birch\n{names}"),
        ),
        ("onset.csv", &format!("bird,first_egg_age_d\n{others}")),
    ]);
    assert_eq!(many.len(), 51, "{many:#?}");
}

#[test]
fn blank_lines_and_quoted_line_ends_leave_row_numbers_as_a_spreadsheet_counts_them() {
    for (name, text, row) in [
        ("plain", "bird,age_d,weight_g\na,0,40\nb,0,x\n", 3),
        (
            "two-byte line ends",
            "bird,age_d,weight_g\r\na,0,40\r\nb,0,x\r\n",
            3,
        ),
        (
            "blank lines",
            "bird,age_d,weight_g\n\na,0,40\n\n\nb,0,x\n",
            6,
        ),
        (
            "blank two-byte lines",
            "bird,age_d,weight_g\r\n\r\na,0,40\r\n\r\nb,0,x\r\n",
            5,
        ),
        ("blank line first", "\nbird,age_d,weight_g\nb,0,x\n", 3),
        (
            "quoted cell",
            "bird,age_d,weight_g\n\"a, c\",0,40\nb,0,x\n",
            3,
        ),
        ("byte order mark", "\u{feff}bird,age_d,weight_g\nb,0,x\n", 2),
        ("row of separators", "bird,age_d,weight_g\n,,\nb,0,x\n", 3),
    ] {
        let faults = faults_of(text, &Columns::default());
        let start = format!("w.csv, row {row}, column weight_g:");
        assert!(
            faults.len() == 1 && faults[0].starts_with(&start),
            "{name}: {faults:?}"
        );
    }
}

const TOML: &str = "[tables]\nbirds = \"birds.csv\"\nweighings = \"w.csv\"\ntargets = \"targets.csv\"\n\
    onset = \"onset.csv\"\nevents = \"events.csv\"\n";

/// A study folder without faults, but for the files given.
fn study(changed: &[(&str, &str)]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let sound = [
        ("study.toml", TOML),
        (
            "birds.csv",
            "bird,strain,pen,hatch_date\nan,amber,1,2026-03-02\nbo,birch,2,2026-03-03\n",
        ),
        (
            "w.csv",
            "bird,age_d,weight_g\nan,0,40\nan,7,70\nbo,0,41\nbo,7,71\n",
        ),
        (
            "targets.csv",
            "strain,age_d,target_g,lower_g,upper_g\namber,0,40,38,42\namber,7,72,70,74\nbirch,0,41,,\n",
        ),
        (
            "onset.csv",
            "bird,first_egg_age_d,last_seen_age_d\nan,130,140\nbo,,140\n",
        ),
        ("events.csv", "strain,pen,age_d,event\namber,1,20,moved\n"),
    ];
    for (name, text) in sound.iter().chain(changed) {
        fs::write(folder.path().join(name), text).unwrap();
    }
    folder
}

fn study_faults(changed: &[(&str, &str)]) -> Vec<String> {
    let folder = study(changed);
    match Study::read_folder(folder.path()) {
        Ok(_) => Vec::new(),
        Err(error) => messages_of(&error, folder.path()),
    }
}

#[test]
fn the_study_that_the_next_tests_spoil_is_sound() {
    assert_eq!(study_faults(&[]), [""; 0]);
}

/// File, its text, and the message.
type Spoilt = (&'static str, &'static str, &'static [&'static str]);

fn assert_spoilt(cases: &[Spoilt]) {
    for (file, text, messages) in cases {
        assert_eq!(study_faults(&[(file, text)]), *messages, "{file}: {text}");
    }
}

#[test]
fn birds_and_weighings_of_a_study() {
    assert_spoilt(&[
        (
            "birds.csv",
            "bird,strain,pen\nan,amber,1\nbo,birch,2\nan,amber,1\nbo,amber,2\n",
            &[
                "birds.csv, row 4, column bird: found bird an again, expected each bird in one row; remove one of the two rows",
                "birds.csv, row 5, column bird: found bird bo again, now in strain amber and before in birch, expected each bird in one row; correct the strain or the bird's name",
            ],
        ),
        (
            "birds.csv",
            "bird,strain,pen\nan,amber,1\nbo,,2\n",
            &[
                "birds.csv, row 3, column strain: found an empty cell, expected a strain's name; fill in the cell or remove the row",
            ],
        ),
        (
            "w.csv",
            "bird,age_d,weight_g\nann,0,40\nann,7,70\nzebra,0,41\nbo,0,41\n",
            &[
                "w.csv, row 2, column bird: found bird \"ann\", expected a bird of the study; perhaps an is meant; otherwise add the bird to the birds table",
                "w.csv, row 4, column bird: found bird \"zebra\", expected a bird of the study; add the bird to the birds table or correct its name",
            ],
        ),
        (
            "w.csv",
            "bird,strain,age_d,weight_g\nan,birch,0,40\n",
            &[
                "w.csv, row 2, column strain: found bird an in \"birch\", before in \"amber\", expected each bird in one strain; correct the strain, or give the two birds different names",
            ],
        ),
        (
            "w.csv",
            "name,age_d,weight_g\nan,0,40\n",
            &[
                "w.csv, row 1: found the headers name, age_d, weight_g, expected a column bird; name the column under [columns.weighings] in study.toml",
            ],
        ),
        (
            "w.csv",
            "bird,date,weight_g\nan,02/03/2026,40\n",
            &[
                "w.csv, row 2, column date: found \"02/03/2026\", expected a date such as 2026-03-01; state which is day and which is month: date_format under [units] in study.toml, as in dd/mm/yyyy or mm/dd/yyyy",
            ],
        ),
    ]);
}

#[test]
fn other_tables_of_a_study() {
    assert_spoilt(&[
        (
            "targets.csv",
            "strain,age_d,target_g\namber,7,72\namber,0,40\namber,14,150\namber,14,151\n",
            &[
                "targets.csv, row 3, column age_d: found 0 d after 7 d, expected ages that ascend within a strain and trait; sort the table by age, or correct the age",
                "targets.csv, row 5, column age_d: found 14 d again, expected ages that ascend within a strain and trait; remove one of the two rows, or correct the strain or age",
            ],
        ),
        (
            "targets.csv",
            "strain,age_d,target_g,lower_g,upper_g\namber,0,40,41,42\namber,7,72,70,71\namber,14,-1,,\n",
            &[
                "targets.csv, row 2, column lower_g: found 41 g at a target of 40 g, expected an edge of the band below its target; correct one of the two cells",
                "targets.csv, row 3, column upper_g: found 71 g at a target of 72 g, expected an edge of the band above its target; correct one of the two cells",
                "targets.csv, row 4, column target_g: found \"-1\", expected a mass in g above 0 and up to 20000; correct the cell or the unit",
            ],
        ),
        (
            "targets.csv",
            "strain,trait,age_d,target_g\namber,weight,0,40\n",
            &[
                "targets.csv, row 2, column trait: found \"weight\", expected one of body_weight, fat, lean, bone; perhaps body_weight is meant",
            ],
        ),
        (
            "targets.csv",
            "strain,age_d,target\namber,-7,40\n",
            &[
                "targets.csv, row 2, column age_d: found -7 d, expected an age from 0 to 3650 d; correct the cell or the unit",
            ],
        ),
        (
            "onset.csv",
            "bird,first_egg_age_d,last_seen_age_d\nan,150,140\nbo,-3,140\n",
            &[
                "onset.csv, row 2, column first_egg_age_d: found a first egg at 150 d, after the bird was last seen at 140 d, expected a first egg before or when the bird was last seen; correct one of the two ages",
                "onset.csv, row 3, column first_egg_age_d: found \"-3\", expected an age in days from 0 (hatch) to 3650; correct the cell or the unit",
            ],
        ),
        (
            "onset.csv",
            "bird,first_egg_age_d,last_seen_age_d\nan,NA,NA\nbob,130,\nbo,130,\nbo,131,\n",
            &[
                "onset.csv, row 2, column first_egg_age_d: found neither a first egg nor a last sight of bird an, expected at least one of the two ages; give the age at which the bird was last seen, or remove the row",
                "onset.csv, row 3, column bird: found bird \"bob\", expected a bird of the study; perhaps bo is meant; otherwise add the bird to the birds table",
                "onset.csv, row 5, column bird: found bird bo again, as in row 4, expected each bird in one row; remove one of the two rows",
            ],
        ),
        (
            "onset.csv",
            "bird,last_without_d,first_with_d,last_seen_age_d\nan,133,126,140\nbo,133,147,140\n",
            &[
                "onset.csv, row 2, column last_without_d: found a last check without an egg at 133 d, the first with one at 126 d, expected the last check without an egg before the first with one; correct one of the two ages",
                "onset.csv, row 3, column first_with_d: found an egg at the check at 147 d, after the bird was last seen at 140 d, expected a check before or when the bird was last seen; correct one of the two ages",
            ],
        ),
        (
            "onset.csv",
            "bird,first_egg_age_d,last_without_d,first_with_d\nan,126,126,133\nbo,134,126,133\n",
            &[
                "onset.csv, row 2, column first_egg_age_d: found a first egg at 126 d, and no egg yet at the check at 126 d, expected a first egg after the last check without one; correct one of the two ages",
                "onset.csv, row 3, column first_egg_age_d: found a first egg at 134 d, and an egg already at the check at 133 d, expected a first egg at or before the first check with one; correct one of the two ages",
            ],
        ),
        (
            "events.csv",
            "strain,pen,age_d,event\nambr,1,20,moved\namber,9,20,moved\namber,1,,moved\namber,1,20,\n",
            &[
                "events.csv, row 2, column strain: found \"ambr\", expected a strain of the study (amber, birch); perhaps amber is meant",
                "events.csv, row 3, column pen: found \"9\", expected a pen of the study (1, 2); correct the pen or remove the row",
                "events.csv, row 4, column age_d: found an empty cell, expected an age; fill in the cell or remove the row",
                "events.csv, row 5, column event: found an empty cell, expected what happened; fill in the cell or remove the row",
            ],
        ),
        (
            "events.csv",
            "pen,date,event\n,2026-03-09,fed\n",
            &[
                "events.csv, row 2, column date: found a date for birds without one common day of hatch, expected an age, or birds that hatched on one day; give the event's age in age_d, or a row for each strain or pen",
            ],
        ),
    ]);
}

#[test]
fn faults_of_several_tables_are_reported_together() {
    let faults = study_faults(&[
        ("w.csv", "bird,age_d,weight_g\nan,0,zero\nbo,0,41\n"),
        (
            "birds.csv",
            "bird,strain,pen\nan,amber,1\nan,amber,1\nbo,birch,2\n",
        ),
        ("onset.csv", ""),
    ]);
    let starts: Vec<&str> = faults
        .iter()
        .filter_map(|line| line.split(':').next())
        .collect();
    assert_eq!(
        starts,
        [
            "birds.csv, row 3, column bird",
            "onset.csv",
            "w.csv, row 2, column weight_g"
        ]
    );
}

#[test]
fn study_files() {
    for (toml, message) in [
        (
            "[tables]\nweihgings = \"w.csv\"\n",
            "study.toml, row 2: found the unknown key weihgings, expected one of birds, weighings, scans, chemistry, targets, onset, events, pens, eggs, light, moves, scale_stream, phantom; perhaps weighings is meant",
        ),
        (
            "colour = 1\n[tables]\nweighings = \"w.csv\"\n",
            "study.toml, row 1: found the unknown key colour, expected one of name, hatch_date, tables, header_row, columns, units, format, plausible, scans, scale_stream, chemistry, calibration, ages, fit, design, target, cues, eggs, phantom; remove the key or correct its name",
        ),
        (
            "name = \"x\"\n",
            "study.toml, tables: found no weighings, no scans, no eggs and no records of scales, expected weighings, scans, eggs or scale_stream = \"FILE\" under [tables]; correct the value or leave the key out",
        ),
        (
            "[tables]\nweighings = \"w.csv\"\n[units]\nmass = \"stone\"\n",
            "study.toml, row 4: found mass unit \"stone\", expected g, kg or lb; correct the value",
        ),
        (
            "[tables]\nweighings = \"w.csv\"\n[units]\ndate_format = \"mm/yyyy\"\n",
            "study.toml, row 4: found date format \"mm/yyyy\", expected day, month and year such as dd/mm/yyyy, mm/dd/yyyy or %d.%m.%Y; correct the value",
        ),
        (
            "[tables]\nweighings = \"w.csv\"\n[plausible]\nfall_share = 33\n",
            "study.toml, plausible.fall_share: found 33, expected a share between 0 and 1, both excluded; correct the value or leave the key out",
        ),
        (
            "[tables]\nweighings = \"w.csv\"\n[ages]\nlight = -1\n",
            "study.toml, ages.light: found -1, expected an age in days from 0 to 3650; correct the value or leave the key out",
        ),
        (
            "[tables]\nweighings = \"w.csv\"\n[cues]\nthresholds_g = [nan]\n",
            "study.toml, cues.thresholds_g: found NaN, expected weights in g above 0 and up to 20000; correct the value or leave the key out",
        ),
    ] {
        let error = toml.parse::<Settings>().unwrap_err();
        assert_eq!(error.messages(), [message]);
    }
    let broken = "[tables\n".parse::<Settings>().unwrap_err();
    assert!(
        broken.messages()[0].starts_with("study.toml, row 1: found text that cannot be read (")
    );
    assert!(!broken.messages()[0].contains('\n'));

    let mapped = format!("{TOML}[columns.weighings]\nwieght_g = \"BW\"\n");
    assert_eq!(
        study_faults(&[("study.toml", &mapped)]),
        [
            "study.toml: found the unknown key wieght_g under [columns.weighings], expected one of bird, date, age_d, weight_g, strain, pen, treatment, hatch_date, house, birds, mean_g, total_g and 2 more; perhaps weight_g is meant"
        ]
    );
    let elsewhere = format!("{TOML}[columns.weighings]\nweight_g = \"BW\"\n");
    assert_eq!(
        study_faults(&[("study.toml", &elsewhere)]),
        [
            "w.csv, row 1: found the headers bird, age_d, weight_g, expected a column \"BW\", which columns.weighings.weight_g in study.toml names; correct columns.weighings.weight_g in study.toml"
        ]
    );
    let lost = TOML.replace("birds.csv", "brids.csv");
    assert_eq!(
        study_faults(&[("study.toml", &lost)]),
        ["brids.csv: found no such file, expected a table; perhaps birds.csv is meant"]
    );
}

#[test]
fn a_folder_without_a_study() {
    let folder = tempfile::tempdir().unwrap();
    let error = Study::read_folder(folder.path()).unwrap_err();
    assert!(
        error.messages()[0].contains("found a folder without study.toml, expected a study folder")
    );
    let error = Study::read_folder(&folder.path().join("no")).unwrap_err();
    assert!(error.messages()[0].contains("found no such folder"));
    let file = folder.path().join("w.csv");
    fs::write(&file, "x").unwrap();
    assert!(Study::read_folder(&file).unwrap_err().messages()[0].contains("found a file"));
}

#[test]
fn a_strain_without_a_target_is_a_warning() {
    let folder = study(&[("targets.csv", "strain,age_d,target_g\namber,0,40\n")]);
    let check = Check::folder(folder.path()).unwrap();
    assert!(check.faults.is_empty());
    assert_eq!(check.summary.without_target(), ["birch"]);
    assert!(check.needs_attention());
    let lines = check.summary.lines();
    assert!(
        lines.contains(&"no target for birch: no deviation can be computed for it".to_owned()),
        "{lines:?}"
    );
}
