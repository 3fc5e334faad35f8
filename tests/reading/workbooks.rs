//! Workbooks that claim more than they hold, and cells that hold less than they show.

use std::fs;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use rust_xlsxwriter as xlsx;
use zip::write::SimpleFileOptions;

/// Result of `check` on a file within a gigabyte of memory, and in how long.
fn checked(path: &Path) -> (Option<i32>, String) {
    let start = Instant::now();
    let program = env!("CARGO_BIN_EXE_pinfeather");
    let mut command = if cfg!(unix) {
        let mut shell = Command::new("sh");
        shell.args(["-c", "ulimit -v 1048576; exec \"$0\" \"$@\"", program]);
        shell
    } else {
        Command::new(program)
    };
    let output = command
        .args(["check", "--threads", "1"])
        .arg(path)
        .output()
        .unwrap();
    assert!(
        start.elapsed() < Duration::from_secs(10),
        "{}",
        path.display()
    );
    let printed = [output.stdout, output.stderr].concat();
    (output.status.code(), String::from_utf8(printed).unwrap())
}

fn refused(path: &Path, found: &str) {
    let (status, printed) = checked(path);
    assert_eq!(status, Some(2), "{printed}");
    assert!(printed.contains(found), "{printed}");
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

const CELL: &str = "<table:table-cell office:value-type=\"string\"";

fn ods_row(cells: &[&str]) -> String {
    let cells: String = cells
        .iter()
        .map(|cell| match cell.parse::<f64>() {
            Ok(number) => {
                format!("<table:table-cell office:value-type=\"float\" office:value=\"{number}\"/>")
            }
            Err(_) => format!("{CELL}><text:p>{cell}</text:p></table:table-cell>"),
        })
        .collect();
    format!("<table:table-row>{cells}</table:table-row>")
}

#[test]
fn repeats_in_an_ods_are_capped() {
    let folder = tempfile::tempdir().unwrap();
    let table = ods_row(&["bird", "age_d", "weight_g"]) + &ods_row(&["a", "0", "40"]);
    let found = "found cells or spaces repeated to more than";
    let long = "x".repeat(100_000);
    for rows in [
        // Spaces.
        format!("{table}<table:table-row>{CELL}><text:p>b<text:s text:c=\"2000000000\"/></text:p></table:table-cell></table:table-row>"),
        // A long word, or a formula, in many cells, rows, or both.
        format!("{table}<table:table-row>{CELL} table:number-columns-repeated=\"16000\"><text:p>{long}</text:p></table:table-cell></table:table-row>"),
        format!("{table}<table:table-row table:number-rows-repeated=\"16000\">{CELL} office:string-value=\"{long}\"/></table:table-row>"),
        format!("{table}<table:table-row><table:table-cell table:number-columns-repeated=\"16000\" table:formula=\"{long}\"/></table:table-row>"),
        // Values that no type announces.
        format!("{table}<table:table-row table:number-rows-repeated=\"1000000\"><table:table-cell table:number-columns-repeated=\"16384\" office:value=\"1\"/></table:table-row>"),
        // Many sheets, each within bounds.
        vec![format!("<table:table-row table:number-rows-repeated=\"1000000\"><table:table-cell table:number-columns-repeated=\"8\" office:value-type=\"float\" office:value=\"1\"/></table:table-row>"); 40]
            .join("</table:table><table:table table:name=\"More\">"),
    ] {
        refused(&ods(folder.path(), &rows), found);
    }
    // What spreadsheet programs write behind a table claims nothing.
    let rest = "<table:table-cell table:number-columns-repeated=\"16381\"/></table:table-row>\n";
    let rows = table.replace("</table:table-row>", rest)
        + "<table:table-row table:number-rows-repeated=\"1048574\"><table:table-cell table:number-columns-repeated=\"16384\"/></table:table-row>\n";
    let (status, printed) = checked(&ods(folder.path(), &rows));
    assert_eq!(status, Some(0), "{printed}");
}

/// A small workbook, and its parts changed by `change`, which gives name and bytes.
fn book(folder: &Path, change: impl Fn(&str, Vec<u8>) -> (String, Vec<u8>)) -> PathBuf {
    let mut book = xlsx::Workbook::new();
    let sheet = book.add_worksheet();
    let header = ["bird", "age_d", "weight_g"];
    sheet.write_row(0, 0, header).unwrap();
    for row in 1..=4 {
        sheet.write(row, 0, "a").unwrap();
        sheet.write(row, 1, (row - 1) * 7).unwrap();
        sheet.write_formula(row, 2, "=40+B2*5").unwrap();
    }
    let sound = book.save_to_buffer().unwrap();
    let path = folder.join("book.xlsx");
    let mut to = zip::ZipWriter::new(fs::File::create(&path).unwrap());
    let mut from = zip::ZipArchive::new(std::io::Cursor::new(sound)).unwrap();
    for index in 0..from.len() {
        let mut part = from.by_index(index).unwrap();
        let mut bytes = Vec::new();
        part.read_to_end(&mut bytes).unwrap();
        let (name, bytes) = change(&part.name().unwrap(), bytes);
        to.start_file(name, SimpleFileOptions::default()).unwrap();
        to.write_all(&bytes).unwrap();
    }
    to.finish().unwrap();
    path
}

fn replaced(bytes: &[u8], from: &str, to: &str) -> Vec<u8> {
    let text = String::from_utf8(bytes.to_vec()).unwrap();
    text.replace(from, to).into_bytes()
}

#[test]
fn every_part_of_an_archive_counts_whatever_its_name() {
    let folder = tempfile::tempdir().unwrap();
    let spaces = " ".repeat(100 << 20);
    for other in ["sheet1.bin", "sheet1.XML"] {
        let path = book(folder.path(), |name, bytes| {
            if name.ends_with("worksheets/sheet1.xml") {
                let bytes = replaced(&bytes, "<sheetData>", &format!("<sheetData>{spaces}"));
                (name.replace("sheet1.xml", other), bytes)
            } else if name.ends_with(".rels") || name.ends_with("[Content_Types].xml") {
                (name.to_owned(), replaced(&bytes, "sheet1.xml", other))
            } else {
                (name.to_owned(), bytes)
            }
        });
        assert!(fs::metadata(&path).unwrap().len() < 1 << 20);
        refused(
            &path,
            "found an archive that unpacks to far more than a workbook of its size",
        );
    }
}

#[test]
fn a_long_word_in_many_cells_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let long = "x".repeat(1 << 20);
    let cells: String = (0..20_000)
        .map(|row| {
            format!(
                "<row r=\"{0}\"><c r=\"A{0}\" t=\"s\"><v>0</v></c></row>",
                row + 6
            )
        })
        .collect();
    let path = book(folder.path(), |name, bytes| {
        let bytes = match name {
            "xl/sharedStrings.xml" => replaced(&bytes, ">bird<", &format!(">{long}<")),
            "xl/worksheets/sheet1.xml" => {
                replaced(&bytes, "</sheetData>", &format!("{cells}</sheetData>"))
            }
            _ => bytes,
        };
        (name.to_owned(), bytes)
    });
    refused(
        &path,
        "found more than 8388608 cells, or cells that reach to the sheet's edge",
    );
}

#[test]
fn many_empty_shared_words_or_formats_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    for (part, before, many) in [
        ("xl/sharedStrings.xml", "</sst>", "<si/>".repeat(9 << 20)),
        ("xl/styles.xml", "</cellXfs>", "<xf/>".repeat(1 << 20)),
    ] {
        let path = book(folder.path(), |name, bytes| {
            let bytes = if name == part {
                replaced(&bytes, before, &format!("{many}{before}"))
            } else {
                bytes
            };
            (name.to_owned(), bytes)
        });
        refused(&path, "found an archive that unpacks to far more");
    }
}

#[test]
fn a_formula_without_a_stored_value_is_a_fault() {
    let folder = tempfile::tempdir().unwrap();
    let path = book(folder.path(), |name, bytes| {
        let bytes = if name == "xl/worksheets/sheet1.xml" {
            replaced(&bytes, "</f><v>0</v>", "</f>")
        } else {
            bytes
        };
        (name.to_owned(), bytes)
    });
    refused(
        &path,
        "book.xlsx#Sheet1, column weight_g: found a formula without a stored value in cell C2 (row 2), a formula without a stored value in cell C3 (row 3), a formula without a stored value in cell C4 (row 4) and 1 more, 4 cells in all, expected the value of the formula; open the workbook in a spreadsheet program and save it there, which stores the values",
    );
    let rows = ods_row(&["bird", "age_d", "weight_g"])
        + &ods_row(&["a", "0", "40"]).replace(
            "office:value-type=\"float\" office:value=\"40\"",
            "table:formula=\"of:=[.B2]*5\"",
        );
    refused(
        &ods(folder.path(), &rows),
        "row 2, column weight_g: found a formula without a stored value in cell C2",
    );
}

#[test]
fn a_line_break_in_a_sheets_cell_is_a_space() {
    let folder = tempfile::tempdir().unwrap();
    let path = book(folder.path(), |name, bytes| {
        let bytes = match name {
            "xl/sharedStrings.xml" => replaced(&bytes, ">weight_g<", ">weight&#10;(g)<"),
            "xl/worksheets/sheet1.xml" => replaced(&bytes, "</f><v>0</v>", "</f><v>40</v>"),
            _ => bytes,
        };
        (name.to_owned(), bytes)
    });
    let (_, printed) = checked(&path);
    assert!(!printed.contains("found"), "{printed}");
}

#[test]
fn a_cell_that_no_sheet_has_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    for (sound, damaged) in [
        ("r=\"C2\"", "r=\"CCCCCCCCC2\""),
        ("r=\"C2\"", "r=\"C99999999999\""),
        ("ref=\"A1:C5\"", "ref=\"A1:CCCCCCCCC5\""),
    ] {
        let path = book(folder.path(), |name, bytes| {
            let bytes = match name {
                "xl/worksheets/sheet1.xml" => replaced(&bytes, sound, damaged),
                _ => bytes,
            };
            (name.to_owned(), bytes)
        });
        refused(&path, "which no sheet has");
    }
}

/// Cuts a part of an archive before the last of these words.
fn cut(sound: &Path, name: &str, before: &str) {
    let mut from = zip::ZipArchive::new(std::io::Cursor::new(fs::read(sound).unwrap())).unwrap();
    let mut to = zip::ZipWriter::new(fs::File::create(sound).unwrap());
    for index in 0..from.len() {
        let mut part = from.by_index(index).unwrap();
        let mut bytes = Vec::new();
        part.read_to_end(&mut bytes).unwrap();
        let own = part.name().unwrap();
        if own == name {
            let text = String::from_utf8(bytes).unwrap();
            bytes = text.as_bytes()[..text.rfind(before).unwrap()].to_vec();
        }
        to.start_file(own, SimpleFileOptions::default()).unwrap();
        to.write_all(&bytes).unwrap();
    }
    to.finish().unwrap();
}

#[test]
fn a_part_that_ends_inside_an_element_is_refused_and_not_read_for_ever() {
    let folder = tempfile::tempdir().unwrap();
    let rows = ods_row(&["bird", "age_d", "weight_g"]) + &ods_row(&["a", "0", "40"]);
    for before in [
        "</table:table>",
        "</table:table-row>",
        "</table:table-cell>",
        "</office:",
    ] {
        let path = ods(folder.path(), &rows);
        cut(&path, "content.xml", before);
        refused(&path, "damaged (content.xml: it ends inside an element)");
    }
    for (part, before) in [
        ("xl/worksheets/sheet1.xml", "<row"),
        ("xl/sharedStrings.xml", "<si>"),
        ("xl/workbook.xml", "</sheets>"),
    ] {
        let path = book(folder.path(), |name, bytes| (name.to_owned(), bytes));
        cut(&path, part, before);
        refused(
            &path,
            &format!("damaged ({part}: it ends inside an element)"),
        );
    }
}
