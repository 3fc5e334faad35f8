//! Spreadsheets as people keep them: workbooks read like CSV files, and the usual
//! ways that tables go wrong each end read right or refused in clear words.

use std::fs;
use std::io::{Cursor, Read, Write};
use std::path::{Path, PathBuf};

use pinfeather::study::{Check, Columns, Format, Study, file_and_sheet};
use rust_xlsxwriter as xlsx;
use tempfile::TempDir;
use zip::write::SimpleFileOptions;

fn corpus(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/spreadsheets")
        .join(name)
}

fn columns() -> Columns {
    Columns {
        group: Some("strain".into()),
        ..Columns::default()
    }
}

/// As [`columns`], with a day of hatch.
fn hatched() -> Columns {
    Columns {
        hatched_on: Some("2026-03-02".into()),
        ..columns()
    }
}

fn wide() -> Columns {
    Columns {
        format: Format {
            wide: true,
            ..Format::default()
        },
        ..columns()
    }
}

/// Bird, strain, and each age with its weight.
type Bird = (String, String, Vec<(f64, f64)>);

fn birds(study: &Study) -> Vec<Bird> {
    let records = &study.traits[0];
    let birds = study.birds.iter().enumerate().map(|(index, bird)| {
        let (ages_d, values) = records.of(index);
        let points = ages_d.iter().copied().zip(values.iter().copied()).collect();
        let strain = study.strains[bird.strain].clone();
        (bird.name.clone(), strain, points)
    });
    birds.collect()
}

fn plain() -> Vec<Bird> {
    birds(&Study::read_table(&corpus("plain.csv"), &columns()).unwrap())
}

/// Kilograms times 1000 are grams to a few units in the last place.
const UNIT_ROUNDING: f64 = 1e-14;

fn assert_plain(study: &Study, what: &str) {
    let (one, other) = (plain(), birds(study));
    assert_eq!(one.len(), other.len(), "{what}: {other:?}");
    for (one, other) in one.iter().zip(&other) {
        assert_eq!((&one.0, &one.1), (&other.0, &other.1), "{what}");
        assert_eq!(one.2.len(), other.2.len(), "{what}: {other:?}");
        for (point, same) in one.2.iter().zip(&other.2) {
            let near = |one: f64, other: f64| (one - other).abs() <= UNIT_ROUNDING * one;
            assert!(
                near(point.0, same.0) && near(point.1, same.1),
                "{what}: {point:?} {same:?}"
            );
        }
    }
}

/// The messages of a table that is refused, without the folder.
fn refused(path: &Path, columns: &Columns) -> Vec<String> {
    let error = Study::read_table(path, columns).expect_err(&path.display().to_string());
    let folder = format!("{}/", path.parent().unwrap().display());
    let messages = error.messages().iter();
    messages.map(|line| line.replace(&folder, "")).collect()
}

fn assert_refused(path: &Path, columns: &Columns, expected: &[&str]) {
    let found = refused(path, columns);
    assert_eq!(found, expected, "{}", path.display());
}

#[test]
fn text_tables_that_are_read_right() {
    let first_row = |row| Columns {
        header_row: std::num::NonZeroU32::new(row),
        ..columns()
    };
    let dated = |format: &str| {
        let mut columns = hatched();
        columns.units.date_format = Some(format.parse().unwrap());
        columns.hatched_on = Some("02/03/2026".into());
        columns
    };
    let minus_999 = Columns {
        format: Format {
            missing: vec!["-999".into()],
            ..Format::default()
        },
        ..columns()
    };
    let cases = [
        ("semicolons.csv", columns()),
        ("tabs.txt", columns()),
        ("decimal_comma.csv", columns()),
        ("bom.csv", columns()),
        ("utf16.txt", columns()),
        ("title_rows.csv", first_row(4)),
        ("units_in_headers.csv", columns()),
        ("dates.csv", hatched()),
        ("proven_dates.csv", dated("dd/mm/yyyy")),
        ("missing_codes.csv", columns()),
        ("missing_999.csv", minus_999),
        ("no_break_space.csv", columns()),
        ("wide.csv", wide()),
        ("wide_weeks.csv", wide()),
    ];
    for (file, columns) in cases {
        let study = Study::read_table(&corpus(file), &columns).expect(file);
        assert_plain(&study, file);
        assert!(study.warnings.is_empty(), "{file}: {:?}", study.warnings);
    }
}

/// Every way of writing the plain table, its first strain with a letter that is not
/// ASCII, in 8 and in 16 bits.
#[test]
fn encodings_that_leave_no_doubt_are_read() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("w.csv");
    let text = fs::read_to_string(corpus("plain.csv")).unwrap();
    let text = text.replace("amber", "\u{e4}mber");
    let units: Vec<u16> = text.encode_utf16().collect();
    let two_bytes = |mark: [u8; 2], bytes: fn(u16) -> [u8; 2]| {
        let rest = units.iter().flat_map(|unit| bytes(*unit));
        mark.into_iter().chain(rest).collect::<Vec<u8>>()
    };
    for (what, bytes) in [
        ("UTF-8", text.as_bytes().to_vec()),
        (
            "UTF-16, low byte first",
            two_bytes([0xff, 0xfe], u16::to_le_bytes),
        ),
        (
            "UTF-16, high byte first",
            two_bytes([0xfe, 0xff], u16::to_be_bytes),
        ),
    ] {
        fs::write(&path, bytes).unwrap();
        let study = Study::read_table(&path, &columns()).expect(what);
        assert_eq!(study.strains[0], "\u{e4}mber", "{what}");
        assert!(study.warnings.is_empty(), "{what}: {:?}", study.warnings);
        let amber = |(bird, strain, points): Bird| (bird, strain.replace('\u{e4}', "a"), points);
        let read: Vec<Bird> = birds(&study).into_iter().map(amber).collect();
        assert_eq!(read, plain(), "{what}");
    }
}

#[test]
fn bytes_that_are_no_utf8_are_read_as_windows_1252_and_reported() {
    let latin1 = Study::read_table(&corpus("latin1.csv"), &columns()).unwrap();
    assert_eq!(latin1.strains[0], "\u{e4}mber");
    let warning = latin1.warnings[0].replace(&corpus("").display().to_string(), "");
    assert_eq!(
        warning,
        "latin1.csv, row 2: found byte 0xe4, which is no UTF-8, and read the file as Windows-1252, which makes \"\u{e4}mber\" here: check that word, and save the table as CSV UTF-8 if it is wrong"
    );
    assert_eq!(latin1.warnings.len(), 1);
    let check = Check::table(&corpus("latin1.csv"), &columns()).unwrap();
    assert!(check.needs_attention());
    // Where Windows-1252 is more than Latin-1: the euro sign and a curly apostrophe.
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("w.csv");
    fs::write(
        &path,
        b"bird,strain,age_d,weight_g\na,\x80 line,0,40\nO\x92Hara,x,0,41\n",
    )
    .unwrap();
    let study = Study::read_table(&path, &columns()).unwrap();
    assert_eq!(study.strains[0], "\u{20ac} line");
    assert_eq!(study.birds[1].name, "O\u{2019}Hara");
    assert!(
        study.warnings[0].contains("makes \"\u{20ac}\" here"),
        "{:?}",
        study.warnings
    );
}

/// A table that is refused, how it is read, how many messages there are, and the first.
type Refused = (&'static str, fn() -> Columns, usize, &'static str);

const REFUSED: &[Refused] = &[
    (
        "thousands.csv",
        columns,
        1,
        "thousands.csv, row 7, column weight_g: found \"1,205\", expected a mass in g such as 1250.5; write numbers without thousands marks, and name the decimal mark under [format] in study.toml (--decimal point or --decimal comma)",
    ),
    (
        "title_rows.csv",
        columns,
        1,
        "title_rows.csv, row 1: found \"Weights of flock 3\", expected the header row; the header seems to stand in row 4: remove the rows above it, or name its row: --header-row 4, in study.toml under [header_row]",
    ),
    (
        "two_row_header.csv",
        columns,
        1,
        "two_row_header.csv, row 2: found a second header row ((d), (g)), expected data under one header row; write each unit into its header, as in weight_kg or \"age (days)\", and remove this row",
    ),
    (
        "units_in_cells.csv",
        columns,
        1,
        "units_in_cells.csv, column weight_g: found \"38.5 g\" (row 2), \"71.25 g\" (row 3), \"190 g\" (row 4) and 3 more, 6 cells in all, expected a mass in g such as 1250.5; leave only the number in the cell; its unit goes into the header or under [units]",
    ),
    (
        "ambiguous_dates.csv",
        hatched,
        1,
        "ambiguous_dates.csv, column date: found \"02/03/2026\" (row 2), \"09/03/2026\" (row 3), \"02/03/2026\" (row 4) and 1 more, 4 cells in all, expected a date such as 2026-03-01; state which is day and which is month: --date-format, as in dd/mm/yyyy or mm/dd/yyyy",
    ),
    (
        "date_serials.csv",
        hatched,
        1,
        "date_serials.csv, column date: found \"46083\" (row 2), \"46090\" (row 3), \"46104\" (row 4) and 3 more, 6 cells in all, expected a date such as 2026-03-01; a spreadsheet's serial number: give the column a date format there and save it again",
    ),
    (
        "ids_as_numbers.csv",
        columns,
        3,
        "ids_as_numbers.csv, row 2, column bird: found \"1.2026E+08\", which a spreadsheet has made of a long number, expected a bird's name; take the names from where they came, in a column that is formatted as text",
    ),
    (
        "missing_999.csv",
        columns,
        1,
        "missing_999.csv, row 8, column weight_g: found \"-999\", expected a mass in g above 0; correct the cell or mark it missing (NA); for data that are not weights of birds give --no-plausibility",
    ),
    (
        "formula_errors.csv",
        columns,
        2,
        "formula_errors.csv, row 6, column weight_g: found \"#DIV/0!\", expected a mass in g such as 1250.5; correct the formula in the spreadsheet, or empty the cell",
    ),
    (
        "total_rows.csv",
        columns,
        1,
        "total_rows.csv, row 8, column bird: found \"Total\", the label of a row of totals, expected a bird's name; remove the row: sums and means are worked out here",
    ),
    (
        "duplicate_headers.csv",
        columns,
        2,
        "duplicate_headers.csv, column Weight_g: found the header twice, expected each header once; rename or remove one of the two columns",
    ),
    (
        "ragged.csv",
        columns,
        1,
        "ragged.csv, row 4: found 3 cells, expected 4 as in the header; fill in the missing cells; an empty cell still needs its separator",
    ),
    (
        "wide.csv",
        columns,
        1,
        "wide.csv, row 1: found a column for each age (d0, d7, d14, d21), expected one row a weighing: bird, age_d, weight_g; to read each such column as the weights at that age, give --wide",
    ),
    (
        "proven_dates.csv",
        hatched,
        3,
        "proven_dates.csv, column date: found \"02/03/2026\" (row 2), \"09/03/2026\" (row 3), \"02/03/2026\" (row 5) and 1 more, 4 cells in all, expected a date such as 2026-03-01; state which is day and which is month: --date-format, as in dd/mm/yyyy or mm/dd/yyyy",
    ),
    (
        "plain.csv",
        wide,
        1,
        "plain.csv, row 1: found no header with an age, expected a column for each age, such as d7 or week 3; correct the headers, or leave out wide = true (--wide)",
    ),
];

#[test]
fn text_tables_that_are_refused_in_clear_words() {
    for (file, columns, count, first) in REFUSED {
        let found = refused(&corpus(file), &columns());
        assert_eq!(found[0], *first, "{file}");
        assert_eq!(found.len(), *count, "{file}: {found:?}");
    }
    let proven = refused(&corpus("proven_dates.csv"), &hatched());
    assert!(
        proven[1]
            .ends_with("state how dates are written: --date-format; only dd/mm/yyyy fits this one"),
        "{proven:?}"
    );
}

#[test]
fn names_that_differ_in_letter_case_or_spaces_are_reported() {
    for (file, pair) in [
        ("letter_case.csv", "birds \"a1\" and \"A1\""),
        ("no_break_space_inside.csv", "birds \"a1\" and \"a\u{a0}1\""),
    ] {
        let check = Check::table(&corpus(file), &columns()).unwrap();
        assert!(check.needs_attention(), "{file}");
        let lines = check.summary.lines().join("\n");
        assert!(lines.contains(pair), "{file}: {lines}");
        assert!(lines.contains("write the name alike"), "{file}: {lines}");
    }
}

#[test]
fn a_bird_that_the_birds_table_writes_otherwise_is_reported_with_its_name() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
    write(
        "study.toml",
        "[tables]\nbirds = \"birds.csv\"\nweighings = \"w.csv\"\n",
    );
    write("birds.csv", "bird,strain\n007,amber\n");
    write("w.csv", "bird,age_d,weight_g\n7,0,40\n");
    let error = Study::read_folder(folder.path()).unwrap_err();
    assert_eq!(
        error.messages(),
        [
            "w.csv, row 2, column bird: found bird \"7\", expected a bird of the study; perhaps \"007\" is meant, which differs only in letter case, spaces, or zeros in front or after a decimal point: write it alike in both tables"
        ]
    );
}

/// A workbook in a separate folder, its sheets filled by the test.
fn book(fill: impl FnOnce(&mut xlsx::Workbook)) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.xlsx");
    let mut book = xlsx::Workbook::new();
    fill(&mut book);
    book.save(&path).unwrap();
    (folder, path)
}

const HEADER: [&str; 4] = ["bird", "strain", "age_d", "weight_g"];

/// The plain table, numbers as numbers, its header in `top` (from 0).
fn fill_plain(sheet: &mut xlsx::Worksheet, top: u32) {
    for (column, header) in (0_u16..).zip(HEADER) {
        sheet.write(top, column, header).unwrap();
    }
    let mut row = top;
    for (bird, strain, points) in plain() {
        for (age_d, weight_g) in points {
            row += 1;
            sheet.write(row, 0, &bird).unwrap();
            sheet.write(row, 1, &strain).unwrap();
            sheet.write(row, 2, age_d).unwrap();
            sheet.write(row, 3, weight_g).unwrap();
        }
    }
}

#[test]
fn a_sheet_is_read_like_a_csv_file() {
    let (_folder, path) = book(|book| fill_plain(book.add_worksheet(), 0));
    let study = Study::read_table(&path, &columns()).unwrap();
    assert_plain(&study, "one sheet");
    assert_eq!(study.name, "book");
    assert_eq!(study.traits[0].rows, [2, 3, 4, 5, 6, 7]);
    assert!(study.traits[0].file.ends_with("book.xlsx#Sheet1"));
    // A decimal comma of other tables does not apply to numbers.
    let mut comma = columns();
    comma.format.decimal = "comma".parse().unwrap();
    assert_plain(&Study::read_table(&path, &comma).unwrap(), "decimal comma");
}

#[test]
fn of_several_sheets_one_is_named() {
    let (_folder, path) = book(|book| {
        let notes = book.add_worksheet();
        notes.set_name("Notes").unwrap();
        notes.write(0, 0, "by hand").unwrap();
        let sheet = book.add_worksheet();
        sheet.set_name("Weights 2026").unwrap();
        fill_plain(sheet, 0);
        // An empty sheet requires no choice.
        book.add_worksheet();
    });
    assert_refused(
        &path,
        &columns(),
        &[
            "book.xlsx: found the sheets Notes, Weights 2026, expected one sheet with the table; name it: \"book.xlsx#Notes\", or --sheet for a bare table",
        ],
    );
    let named = |sheet: &str| Columns {
        sheet: Some(sheet.into()),
        ..columns()
    };
    assert_plain(
        &Study::read_table(&path, &named("weights 2026")).unwrap(),
        "--sheet",
    );
    let by_path = PathBuf::from(format!("{}#Weights 2026", path.display()));
    assert_plain(&Study::read_table(&by_path, &columns()).unwrap(), "#sheet");
    assert_refused(
        &path,
        &named("Weight 2026"),
        &[
            "book.xlsx: found the sheets Notes, Weights 2026, Sheet3, expected a sheet \"Weight 2026\"; perhaps \"Weights 2026\" is meant",
        ],
    );
    let both = Study::read_table(&by_path, &named("Notes")).unwrap_err();
    assert!(both.messages()[0].starts_with("found both --sheet Notes and the sheet Weights 2026"));
    let csv = Study::read_table(&corpus("plain.csv"), &named("x")).unwrap_err();
    assert!(csv.messages()[0].contains("expected a workbook"), "{csv}");
}

#[test]
fn sheets_of_one_workbook_make_a_study() {
    let (folder, _) = book(|book| {
        let birds = book.add_worksheet();
        birds.set_name("birds").unwrap();
        for (row, cells) in (0..).zip([["bird", "strain"], ["a1", "amber"], ["b1", "birch"]]) {
            birds.write_row(row, 0, cells).unwrap();
        }
        let weighings = book.add_worksheet();
        weighings.set_name("weighings").unwrap();
        fill_plain(weighings, 2);
        weighings.write(0, 0, "Flock 3").unwrap();
    });
    let toml = "[tables]\nbirds = \"book.xlsx#birds\"\nweighings = \"book.xlsx#weighings\"\n[header_row]\nweighings = 3\n";
    fs::write(folder.path().join("study.toml"), toml).unwrap();
    let study = Study::read_folder(folder.path()).unwrap();
    assert_plain(&study, "study");
    assert_eq!(study.traits[0].rows[0], 4);
    fs::write(
        folder.path().join("study.toml"),
        toml.replace("[header_row]\nweighings = 3\n", ""),
    )
    .unwrap();
    let error = Study::read_folder(folder.path()).unwrap_err();
    assert_eq!(
        error.messages()[0].split("; ").next().unwrap(),
        "book.xlsx#weighings, row 1: found \"Flock 3\", expected the header row"
    );
    assert!(error.messages()[0].contains("--header-row 3"), "{error}");
}

#[test]
fn numbers_as_names_have_no_decimals_and_dates_are_dates() {
    let day = xlsx::Format::new().set_num_format("dd/mm/yyyy");
    let (_folder, path) = book(|book| {
        let sheet = book.add_worksheet();
        sheet.write_row(0, 0, ["bird", "date", "weight_g"]).unwrap();
        for (row, (bird, date)) in (1..).zip([(12.0, 2), (12.0, 9), (7.5, 2)]) {
            sheet.write(row, 0, bird).unwrap();
            let date = xlsx::ExcelDateTime::from_ymd(2026, 3, date).unwrap();
            sheet.write_with_format(row, 1, date, &day).unwrap();
            sheet.write(row, 2, 40.5).unwrap();
        }
    });
    for format in ["yyyy-mm-dd", "mm/dd/yyyy", "dd.mm.yyyy"] {
        let mut columns = Columns::default();
        columns.units.date_format = Some(format.parse().unwrap());
        let hatched = match format {
            "yyyy-mm-dd" => "2026-03-02",
            "mm/dd/yyyy" => "03/02/2026",
            _ => "02.03.2026",
        };
        columns.hatched_on = Some(hatched.into());
        let study = Study::read_table(&path, &columns).unwrap();
        let read: Vec<_> = birds(&study)
            .into_iter()
            .map(|bird| (bird.0, bird.2))
            .collect();
        assert_eq!(
            read,
            [
                ("12".to_owned(), vec![(0.0, 40.5), (7.0, 40.5)]),
                ("7.5".to_owned(), vec![(0.0, 40.5)])
            ],
            "{format}"
        );
    }
}

#[test]
fn what_a_workbook_hides_is_reported_with_the_cell() {
    let day = xlsx::Format::new().set_num_format("yyyy-mm-dd");
    let error = |formula: &str| xlsx::Formula::new("=1/0").set_result(formula);
    type Fill<'a> = &'a dyn Fn(&mut xlsx::Worksheet);
    let cases: [(&str, Fill<'_>, &[&str]); 9] = [
        (
            "an error in a column that is used",
            &|sheet| {
                sheet.write(3, 3, error("#DIV/0!")).unwrap();
            },
            &[
                "book.xlsx#Sheet1, row 4, column weight_g: found #DIV/0! in cell D4, expected a value; correct the formula, or empty the cell",
            ],
        ),
        (
            "an error in a name",
            &|sheet| {
                sheet.write(3, 0, error("#N/A")).unwrap();
            },
            &[
                "book.xlsx#Sheet1, row 4, column bird: found #N/A in cell A4, expected a value; correct the formula, or empty the cell",
            ],
        ),
        (
            "a name made a date",
            &|sheet| {
                let date = xlsx::ExcelDateTime::from_ymd(2026, 1, 3).unwrap();
                sheet.write_with_format(2, 0, date, &day).unwrap();
            },
            &[
                "book.xlsx#Sheet1, row 3, column bird: found a date in cell A3, expected words or a number; the spreadsheet has made a date of what was typed: format the column as text and type it again",
            ],
        ),
        (
            "merged cells in the data",
            &|sheet| {
                let format = xlsx::Format::new();
                sheet.merge_range(1, 0, 3, 0, "a1", &format).unwrap();
            },
            &[
                "book.xlsx#Sheet1, row 2: found the merged cells A2:A4, expected a value in each cell; unmerge the cells and fill in each of them",
            ],
        ),
        (
            "merged cells in the header",
            &|sheet| {
                let format = xlsx::Format::new();
                sheet
                    .merge_range(0, 2, 0, 3, "day and weight", &format)
                    .unwrap();
            },
            &[
                "book.xlsx#Sheet1, row 1: found the merged cells C1:D1, expected one header row with a name over each column; a title or a header of two rows: remove it, or if the header stands lower, give its row: header_row in study.toml (--header-row)",
            ],
        ),
        (
            "a note beside the table",
            &|sheet| {
                sheet.write(2, 5, "weighed twice").unwrap();
            },
            &[
                "book.xlsx#Sheet1, row 3: found 6 cells, expected 4 as in the header; remove the extra cells or give them a header",
            ],
        ),
        (
            "a unit typed into a cell",
            &|sheet| {
                sheet.write(2, 3, "71.25 g").unwrap();
            },
            &[
                "book.xlsx#Sheet1, row 3, column weight_g: found \"71.25 g\", expected a mass in g such as 1250.5; leave only the number in the cell; its unit goes into the header or under [units]",
            ],
        ),
        (
            "a header twice",
            &|sheet| {
                sheet.write(0, 4, "Weight_g").unwrap();
            },
            &[
                "book.xlsx#Sheet1, column Weight_g: found the header twice, expected each header once; rename or remove one of the two columns",
            ],
        ),
        (
            "a cell at the sheet's edge",
            &|sheet| {
                sheet.write(1_048_575, 16_383, "x").unwrap();
            },
            &[
                "book.xlsx#Sheet1, row 1048576: found 16384 cells, expected 4 as in the header; remove the extra cells or give them a header",
            ],
        ),
    ];
    for (what, spoil, expected) in cases {
        let (_folder, path) = book(|book| {
            let sheet = book.add_worksheet();
            fill_plain(sheet, 0);
            spoil(sheet);
        });
        let found = refused(&path, &columns());
        assert_eq!(found, expected, "{what}");
    }
}

#[test]
fn an_error_in_a_column_that_nobody_needs_does_no_harm() {
    let (_folder, path) = book(|book| {
        let sheet = book.add_worksheet();
        fill_plain(sheet, 0);
        sheet.write(0, 4, "gain").unwrap();
        let error = xlsx::Formula::new("=1/0").set_result("#DIV/0!");
        sheet.write(1, 4, error).unwrap();
    });
    assert_plain(&Study::read_table(&path, &columns()).unwrap(), "gain");
}

#[test]
fn a_date_serial_without_a_format_is_asked_for() {
    let (_folder, path) = book(|book| {
        let sheet = book.add_worksheet();
        sheet.write_row(0, 0, ["bird", "date", "weight_g"]).unwrap();
        sheet.write(1, 0, "a1").unwrap();
        sheet.write(1, 1, 46083.0).unwrap();
        sheet.write(1, 2, 40.5).unwrap();
    });
    let columns = Columns {
        hatched_on: Some("2026-03-02".into()),
        ..Columns::default()
    };
    assert_refused(
        &path,
        &columns,
        &[
            "book.xlsx#Sheet1, row 2, column date: found \"46083\", expected a date such as 2026-03-01; a spreadsheet's serial number: give the column a date format there and save it again",
        ],
    );
}

/// An .ods of one sheet with these rows.
fn ods(folder: &Path, rows: &str) -> PathBuf {
    let path = folder.join("book.ods");
    let mut archive = zip::ZipWriter::new(fs::File::create(&path).unwrap());
    let plain = SimpleFileOptions::default();
    let mut part = |name: &str, text: &str| {
        archive.start_file(name, plain).unwrap();
        archive.write_all(text.as_bytes()).unwrap();
    };
    part("mimetype", "application/vnd.oasis.opendocument.spreadsheet");
    part(
        "META-INF/manifest.xml",
        "<?xml version=\"1.0\"?><manifest:manifest xmlns:manifest=\"urn:oasis:names:tc:opendocument:xmlns:manifest:1.0\"/>",
    );
    part(
        "content.xml",
        &format!(
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?><office:document-content \
             xmlns:office=\"urn:oasis:names:tc:opendocument:xmlns:office:1.0\" \
             xmlns:table=\"urn:oasis:names:tc:opendocument:xmlns:table:1.0\" \
             xmlns:text=\"urn:oasis:names:tc:opendocument:xmlns:text:1.0\">\
             <office:body><office:spreadsheet><table:table table:name=\"Weights\">{rows}\
             </table:table></office:spreadsheet></office:body></office:document-content>"
        ),
    );
    archive.finish().unwrap();
    path
}

fn ods_row(cells: &[&str]) -> String {
    let mut row = "<table:table-row>".to_owned();
    for cell in cells {
        row += &match cell.parse::<f64>() {
            Ok(number) => format!(
                "<table:table-cell office:value-type=\"float\" office:value=\"{number}\"><text:p>{number}</text:p></table:table-cell>"
            ),
            Err(_) if cell.len() == 10 && cell.starts_with("2026-") => format!(
                "<table:table-cell office:value-type=\"date\" office:date-value=\"{cell}T00:00:00\"/>"
            ),
            Err(_) => format!(
                "<table:table-cell office:value-type=\"string\"><text:p>{cell}</text:p></table:table-cell>"
            ),
        };
    }
    row + "</table:table-row>"
}

#[test]
fn an_ods_is_read_like_a_csv_file() {
    let folder = tempfile::tempdir().unwrap();
    let mut rows =
        "<table:table-row table:number-rows-repeated=\"2\"><table:table-cell/></table:table-row>"
            .to_owned();
    rows += &ods_row(&["bird", "strain", "date", "weight_g"]);
    for (bird, strain, points) in plain() {
        for (age_d, weight_g) in points {
            let date = format!("2026-03-{:02}", age_d + 2.0);
            rows += &ods_row(&[&bird, &strain, &date, &weight_g.to_string()]);
        }
    }
    let path = ods(folder.path(), &rows);
    let study = Study::read_table(&path, &hatched()).unwrap();
    assert_plain(&study, "ods");
    assert_eq!(study.traits[0].rows[0], 4);
    let spoilt = rows.replace(
        "office:value=\"38.5\"><text:p>38.5<",
        "office:value=\"38.5\" table:number-rows-spanned=\"2\"><text:p>38.5<",
    );
    assert_ne!(spoilt, rows);
    let path = ods(folder.path(), &spoilt);
    assert_refused(
        &path,
        &hatched(),
        &[
            "book.ods#Weights, row 4: found the merged cells D4:D5, expected a value in each cell; unmerge the cells and fill in each of them",
        ],
    );
    let path = ods(
        folder.path(),
        &rows.replace(
            &ods_row(&["a1", "amber", "2026-03-02", "38.5"]),
            &ods_row(&["a1", "amber", "2026-03-02", "#DIV/0!"]),
        ),
    );
    assert_refused(
        &path,
        &hatched(),
        &[
            "book.ods#Weights, row 4, column weight_g: found #DIV/0! in cell D4, expected a value; correct the formula, or empty the cell",
        ],
    );
}

#[test]
fn files_that_are_not_what_they_are_called() {
    let (folder, path) = book(|book| fill_plain(book.add_worksheet(), 0));
    let whole = fs::read(&path).unwrap();
    let not_one = |what: &str, bytes: &[u8], beginning: &str, advice: &str| {
        let path = folder.path().join("w.xlsx");
        fs::write(&path, bytes).unwrap();
        let found = refused(&path, &columns());
        assert_eq!(found.len(), 1, "{what}: {found:?}");
        let start = format!("w.xlsx: found {beginning}");
        assert!(found[0].starts_with(&start), "{what}: {found:?}");
        assert!(found[0].ends_with(advice), "{what}: {found:?}");
    };
    not_one(
        "empty",
        b"",
        "an empty file",
        "check that the right file was saved",
    );
    let text = fs::read(corpus("plain.csv")).unwrap();
    not_one(
        "text",
        &text,
        "text under the name of a workbook",
        "give it the ending .csv",
    );
    not_one(
        "old",
        &[0xd0, 0xcf, 0x11, 0xe0, 0xa1, 0xb1],
        "an old .xls workbook, or one with a password",
        "save it as .xlsx without a password",
    );
    not_one(
        "picture",
        b"\x89PNG\r\n\x1a\n\0\0",
        "no workbook, despite its name",
        "save it as .xlsx, .ods or CSV UTF-8",
    );
    for length in [30, whole.len() / 4, whole.len() / 2, whole.len() - 10] {
        not_one(
            "cut short",
            &whole[..length],
            "a workbook that is cut short or damaged",
            "copy or export the whole file again",
        );
    }
    let mut flipped = whole.clone();
    let middle = flipped.len() / 3;
    flipped[middle] ^= 0x55;
    not_one("one byte changed", &flipped, "a workbook that is", "");
    let mut archive = zip::ZipWriter::new(Cursor::new(Vec::new()));
    archive
        .start_file("word/document.xml", SimpleFileOptions::default())
        .unwrap();
    let other = archive.finish().unwrap().into_inner();
    not_one(
        "a text document",
        &other,
        "a zip archive that holds no sheets of an .xlsx or .ods",
        "save it as .xlsx, .ods or CSV UTF-8",
    );
    // A workbook called a CSV file.
    let path = folder.path().join("w.csv");
    fs::write(&path, &whole).unwrap();
    let found = refused(&path, &columns());
    assert!(
        found[0].starts_with("w.csv: found a spreadsheet workbook"),
        "{found:?}"
    );
}

#[test]
fn archives_that_unpack_to_far_more_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let (_book_folder, sound) = book(|book| fill_plain(book.add_worksheet(), 0));
    // The sound workbook with 200 MB of spaces at the end of its sheet.
    let mut from = zip::ZipArchive::new(fs::File::open(sound).unwrap()).unwrap();
    let path = folder.path().join("bomb.xlsx");
    let mut to = zip::ZipWriter::new(fs::File::create(&path).unwrap());
    for index in 0..from.len() {
        let mut part = from.by_index(index).unwrap();
        let name = part.name().unwrap().to_string();
        to.start_file(&name, SimpleFileOptions::default()).unwrap();
        let mut bytes = Vec::new();
        part.read_to_end(&mut bytes).unwrap();
        to.write_all(&bytes).unwrap();
        if name.contains("worksheets/sheet1") {
            let spaces = vec![b' '; 1 << 20];
            for _ in 0..200 {
                to.write_all(&spaces).unwrap();
            }
        }
    }
    to.finish().unwrap();
    assert!(fs::metadata(&path).unwrap().len() < 1 << 20);
    let bomb = "found an archive that unpacks to far more than a workbook of its size, expected a workbook (.xlsx or .ods); do not trust it; save the sheet as CSV UTF-8 if it is your own";
    assert_refused(&path, &columns(), &[&format!("bomb.xlsx: {bomb}")]);
    // A few bytes that claim sixteen thousand million cells.
    let claim = "<table:table-row table:number-rows-repeated=\"1048576\"><table:table-cell table:number-columns-repeated=\"16384\" office:value-type=\"float\" office:value=\"1\"/></table:table-row>";
    let path = ods(folder.path(), claim);
    let repeats = "found cells or spaces repeated to more than 8388608 cells or 134217728 letters, expected a workbook (.xlsx or .ods); clear what stands outside the tables, or save the sheet as CSV UTF-8";
    assert_refused(&path, &columns(), &[&format!("book.ods: {repeats}")]);
    // The million empty rows at the end of every sheet are none.
    let mut rows = ods_row(&HEADER) + &ods_row(&["a1", "amber", "0", "40"]);
    rows += "<table:table-row table:number-rows-repeated=\"1048574\"><table:table-cell table:number-columns-repeated=\"16384\"/></table:table-row>";
    let path = ods(folder.path(), &rows);
    assert_eq!(Study::read_table(&path, &columns()).unwrap().birds.len(), 1);
}

#[test]
fn only_a_workbooks_name_is_taken_apart() {
    let apart = |path: &str| {
        let (file, sheet) = file_and_sheet(Path::new(path));
        (file.display().to_string(), sheet)
    };
    assert_eq!(
        apart("a/b.xlsx#S 1"),
        ("a/b.xlsx".into(), Some("S 1".into()))
    );
    assert_eq!(apart("B.ODS#x#y"), ("B.ODS".into(), Some("x#y".into())));
    assert_eq!(apart("a#b.csv"), ("a#b.csv".into(), None));
    assert_eq!(apart("a.xlsx"), ("a.xlsx".into(), None));
}
