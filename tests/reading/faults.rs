//! No row disappears, no number is guessed, and whatever is wrong is reported in one go.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};
use std::time::Instant;

use pinfeather::study::{Check, Columns, Study};

const HEADER: &str = "bird,age_d,weight_g,note\n";

fn columns() -> Columns {
    Columns::default()
}

fn decimal(mark: &str) -> Columns {
    let mut columns = columns();
    columns.format.decimal = mark.parse().unwrap();
    columns
}

fn read(text: &str, columns: &Columns) -> Result<Study, Vec<String>> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("w.csv");
    fs::write(&path, text).unwrap();
    let shown = format!("{}{}", folder.path().display(), std::path::MAIN_SEPARATOR);
    Study::read_table(&path, columns).map_err(|error| {
        let messages = error.messages().iter();
        messages.map(|line| line.replace(&shown, "")).collect()
    })
}

fn faults(text: &str, columns: &Columns) -> Vec<String> {
    read(text, columns).unwrap_err()
}

fn call(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_pinfeather"))
        .current_dir(folder)
        .args(arguments)
        .output()
        .unwrap()
}

/// Rows of birds a, b and c at 15 ages, from row 2 on; those in `notes` have a note.
fn flock(notes: &[(usize, &str)]) -> String {
    let mut text = HEADER.to_owned();
    for row in 2..=46 {
        let bird = ["a", "b", "c"][(row - 2) / 15];
        let age_d = (row - 2) % 15 * 7;
        let note = notes.iter().find(|(at, _)| *at == row);
        let note = note.map_or("", |(_, note)| note);
        writeln!(text, "{bird},{age_d},{},{note}", 40 + 11 * age_d).unwrap();
    }
    text
}

#[test]
fn an_unclosed_quote_is_a_fault_with_its_row() {
    let expected = "w.csv, row 7, column note: found a quotation mark that is never closed, expected a cell that is closed in its row; remove the quotation mark or close it";
    assert_eq!(faults(&flock(&[(7, "\"limps")]), &columns()), [expected]);
    // The rows behind it are read all the same: their faults are reported too.
    let both = flock(&[(7, "\"limps")]).replace("c,98,1118,", "c,98,x,");
    let both = faults(&both, &columns());
    assert_eq!(both.len(), 2, "{both:?}");
    assert!(
        both[1].starts_with("w.csv, row 46, column weight_g: found \"x\""),
        "{both:?}"
    );
}

#[test]
fn two_stray_quotes_swallow_no_rows() {
    for second in ["\"pale", "pale\"", "\""] {
        let found = faults(&flock(&[(7, "\"limps"), (22, second)]), &columns());
        assert!(found[0].starts_with("w.csv, row 7, column note: found a quotation mark that is not closed in its row (the next one stands in row 22)"), "{found:?}");
    }
    // Marks that are no quotation, and such as are closed in their row, stay as they are.
    let notes = [
        (7, "5\" cage"),
        (8, "\"a, b\""),
        (9, "\"a \"\"b\"\"\""),
        (22, "6\""),
    ];
    assert_eq!(
        read(&flock(&notes), &columns()).unwrap().traits[0]
            .values
            .len(),
        45
    );
}

#[test]
fn a_line_break_inside_a_cell_is_a_fault_with_row_and_column() {
    for end in ["\n", "\r\n"] {
        let text = flock(&[(7, "\"limps\nbadly\"")]).replace("c,98,1118,", "c,98,x,");
        let found = faults(&text.replace('\n', end), &columns());
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(
            found[0].starts_with(
                "w.csv, row 7, column note: found a line break inside a cell in quotation marks"
            ),
            "{found:?}"
        );
        // A spreadsheet counts the cell of two lines as one row.
        assert!(
            found[1].starts_with("w.csv, row 46, column weight_g"),
            "{found:?}"
        );
    }
}

#[test]
fn quotes_in_a_long_table_are_found_across_its_pieces() {
    let long = |stray: usize| {
        let mut text = "bird,age_d,weight_g,note\r\n".to_owned();
        for row in 2..60_000 {
            let note = if row == stray {
                "\"stray"
            } else {
                "\"a, \"\"b\"\"\""
            };
            write!(
                text,
                "b{},{},{},{note}\r\n",
                row / 10,
                row % 10,
                40 + row % 10
            )
            .unwrap();
        }
        text
    };
    assert!(long(0).len() > 1 << 20, "long enough to be cut");
    let study = read(&long(0), &columns()).unwrap();
    assert_eq!(study.traits[0].values.len(), 59_998);
    assert_eq!(study.traits[0].rows[59_997], 59_999);
    let found = faults(&long(50_000), &columns());
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].starts_with("w.csv, row 50000, column note: found a quotation mark that is not closed in its row (the next one stands in row 50001)"), "{found:?}");
}

#[test]
fn a_point_that_may_stand_after_thousands_of_grams_is_asked_for() {
    let text = "bird\tage_d\tweight_g\na\t0\t40\na\t70\t980\na\t84\t1.129\na\t91\t1.204\n";
    for (text, mark) in [
        (text.to_owned(), "."),
        (text.replace('\t', ","), "."),
        // The mirror: decimal commas are proven by the ages.
        (
            text.replace('\t', ";")
                .replace("84", "84,5")
                .replace("1.", "1,"),
            ",",
        ),
    ] {
        let found = faults(&text, &columns());
        assert_eq!(found.len(), 2, "{found:?}");
        assert_eq!(
            found[0],
            format!(
                "w.csv, row 4, column weight_g: found \"1{mark}129\", expected a mark that stands clearly before decimals or after thousands; write thousands without a mark; if it is the decimal mark, name it under [format] in study.toml: decimal = \"point\" or \"comma\" (--decimal)"
            )
        );
    }
    // Kilograms have three decimals, other decimals prove the mark, and a mark that was
    // set is not requested again.
    for (text, columns, value) in [
        (
            text.replace("_g", "_kg")
                .replace("980", "0.980")
                .replace("40\n", "0.04\n"),
            columns(),
            1129.0,
        ),
        (text.replace("980", "980.5"), columns(), 1.129),
        (text.to_owned(), decimal("point"), 1.129),
    ] {
        let study = read(&text, &columns).unwrap();
        assert!((study.traits[0].values[2] - value).abs() < 1e-9);
    }
    let set = faults(text, &decimal("comma"));
    assert!(
        set[0].ends_with(
            "; write numbers without thousands marks and with the decimal comma that is set"
        ),
        "{set:?}"
    );
}

#[test]
fn rows_without_a_value_and_columns_not_read_are_noted_by_every_command() {
    let folder = tempfile::tempdir().unwrap();
    let mut text = "bird,Pen,treatment,age_d,weight_g\n".to_owned();
    for (bird, pen) in [("a", "1"), ("b", "2")] {
        for (age_d, weight_g) in [0, 7, 14, 21, 28, 35, 42]
            .iter()
            .zip(["40", "72", "NA", "", "310", "420", "530"])
        {
            writeln!(
                text,
                "{bird},{pen},{},{age_d},{weight_g}",
                if bird == "a" { "x" } else { "y" }
            )
            .unwrap();
        }
    }
    fs::write(folder.path().join("w.csv"), text).unwrap();
    for arguments in [["check", "w.csv"], ["fit", "w.csv"]] {
        let output = call(folder.path(), &[arguments[0], "--strict", arguments[1]]);
        let printed = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
        for line in [
            "w.csv: 4 rows (4, 5, 11 and 1 more) without a value of weight_g left out",
            "w.csv: the column Pen (2 names) was not read; to use it, name it by --pen",
            "w.csv: the column treatment (2 names) was not read; to compare by it, name it by --group",
        ] {
            assert!(printed.contains(line), "{arguments:?}: {printed}");
        }
    }
}

#[test]
fn a_column_strain_is_the_group_unless_the_call_requests_none() {
    let text = "bird,strain,line,age_d,weight_g\na,x,u,0,40\nb,y,u,0,41\n";
    let strains = |group: Option<&str>| {
        let columns = Columns {
            group: group.map(str::to_owned),
            ..columns()
        };
        let study = read(text, &columns).unwrap();
        (study.strains.clone(), study.notes)
    };
    assert_eq!(strains(None), (vec!["x".to_owned(), "y".into()], vec![]));
    assert_eq!(strains(Some("none")), (vec!["all".to_owned()], vec![]));
    let (named, notes) = strains(Some("line"));
    assert_eq!(named, ["u"]);
    assert!(
        notes[0].ends_with(
            "the column strain (2 names) was not read; the groups are those that --group names"
        ),
        "{notes:?}"
    );
}

#[test]
fn title_headers_decimals_and_cells_are_reported_together() {
    let text = "Flock 3\n\nRing;age_d;weight_g;weight_g\na;0;38;1\na;7;1,129;1\nb;0;4o;1\nb;7;980 g;1\nc;0;1;2;3;4\n";
    let found = faults(text, &columns());
    for start in [
        "w.csv, row 1: found \"Flock 3\", expected the header row",
        "w.csv, column weight_g: found the header twice",
        "w.csv, row 5, column weight_g: found \"1,129\", expected a mark that stands clearly",
        "w.csv, row 6, column weight_g: found \"4o\"",
        "w.csv, row 7, column weight_g: found \"980 g\"",
        "w.csv, row 8: found 6 cells, expected 4 as in the header",
    ] {
        assert!(
            found.iter().any(|line| line.starts_with(start)),
            "{start}: {found:#?}"
        );
    }
}

#[test]
fn messages_name_the_header_row_that_was_set() {
    let columns = Columns {
        header_row: std::num::NonZeroU32::new(3),
        bird: Some("ring".into()),
        ..columns()
    };
    let text = "Flock 3\nhouse 2\nbird,age_d,weight_g\na,0,40\n";
    let found = faults(text, &columns);
    assert!(
        found[0].starts_with(
            "w.csv, row 3: found the headers bird, age_d, weight_g, expected a column \"ring\""
        ),
        "{found:?}"
    );
}

#[test]
fn cells_with_one_cause_are_one_message() {
    let mut text = "bird,d0,d7,d14\n".to_owned();
    for bird in 1..=24 {
        writeln!(text, "b{bird},40 g,70 g,130 g").unwrap();
    }
    let mut columns = columns();
    columns.format.wide = true;
    assert_eq!(
        faults(&text, &columns),
        [
            "w.csv: found \"40 g\" (row 2, column d0), \"130 g\" (row 2, column d14), \"70 g\" (row 2, column d7) and 69 more, 72 cells in all, expected a mass in g such as 1250.5; leave only the number in the cell; its unit goes into the header or under [units]"
        ]
    );
}

#[test]
fn an_age_in_a_header_that_can_be_none_is_a_fault() {
    let mut columns = columns();
    columns.format.wide = true;
    let long = format!("{}…", "9".repeat(39));
    for (age, shown) in [
        ("9007199254740993", "9007199254740993"),
        ("3651", "3651"),
        (&"9".repeat(400), &long),
    ] {
        assert_eq!(
            faults(&format!("bird,d{age}\na,40\n"), &columns),
            [format!(
                "w.csv, row 1: found \"d{shown}\", expected an age in days from 0 (hatch) to 3650; correct the header, or remove the column"
            )]
        );
    }
    // Among any numbers it is one; they are no days of a flock, in which a gap could be.
    let folder = tempfile::tempdir().unwrap();
    let table = "bird,age_d,weight_g\na,-1e99,40\na,9007199254740993,50\na,1e99,50\n";
    fs::write(folder.path().join("w.csv"), table).unwrap();
    let output = call(folder.path(), &["check", "w.csv", "--no-plausibility"]);
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    let printed = String::from_utf8(output.stdout).unwrap();
    assert!(!printed.contains("next due"), "{printed}");
}

#[test]
fn nothing_is_printed_before_faults() {
    let folder = tempfile::tempdir().unwrap();
    for text in [
        "ring,age_d,mass\na,0,40\n",
        "bird,age_d,weight_g\na,0,40\na,7,x\n",
    ] {
        fs::write(folder.path().join("w.csv"), text).unwrap();
        let output = call(folder.path(), &["check", "w.csv"]);
        assert_eq!(output.status.code(), Some(2));
        assert_eq!(String::from_utf8(output.stdout).unwrap(), "");
    }
}

#[test]
fn faults_of_tables_that_need_birds_are_reported_beside_those_of_the_birds() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
    write(
        "study.toml",
        "[tables]\nbirds = \"birds.csv\"\nweighings = \"w.csv\"\nonset = \"onset.csv\"\nevents = \"events.csv\"\n",
    );
    write("birds.csv", "name,strain\na,x\n");
    write("w.csv", "bird,age_d,weight\na,0,4o\n");
    write("onset.csv", "bird,first_egg_age_d\na,13o\n");
    write("events.csv", "strain,age_d,event\nx,l4,moved\n");
    let check = Check::folder(folder.path()).unwrap();
    let files: Vec<&str> = check
        .faults
        .iter()
        .map(|fault| fault.place.file.as_str())
        .collect();
    assert_eq!(files, ["birds.csv", "events.csv", "onset.csv", "w.csv"]);
}

#[test]
fn the_time_to_read_a_header_grows_with_its_columns_and_not_with_their_square() {
    let table = |columns: usize| {
        let headers: String = (0..columns).map(|column| format!(",c{column}")).collect();
        let empty = ",".repeat(columns);
        format!("bird,strain,age_d,weight_g{headers}\na,x,0,40{empty}\n")
    };
    let time = |columns: usize| {
        let text = table(columns);
        let times = (0..3).map(|_| {
            let start = Instant::now();
            assert_eq!(read(&text, &self::columns()).unwrap().birds.len(), 1);
            start.elapsed()
        });
        times.min().unwrap()
    };
    // Twenty times the columns: 20 times as long, or 400 times where each pair is compared.
    let (few, many) = (time(5_000), time(100_000));
    assert!(many < 100 * few, "{few:?} and {many:?}");
    let twice = table(100_000).replace(",c99999\n", ",C0\n");
    let twice = faults(&twice, &columns());
    assert!(twice[0].contains("found the header twice"), "{twice:?}");
}
