//! Workbooks: their parts changed one by one and put together again, or the file as a whole.

use std::io::Write;

use arbitrary::{Result, Unstructured};
use zip::write::SimpleFileOptions;

use crate::mutate::mutated;
use crate::readers::{read_table, written};

type Part = (&'static str, &'static str);

const XLSX: [Part; 6] = [
    (
        "[Content_Types].xml",
        "<Types xmlns=\"http://schemas.openxmlformats.org/package/2006/content-types\">\n<Default Extension=\"rels\" ContentType=\"application/vnd.openxmlformats-package.relationships+xml\"/>\n<Override PartName=\"/xl/workbook.xml\" ContentType=\"application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml\"/>\n<Override PartName=\"/xl/worksheets/sheet1.xml\" ContentType=\"application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml\"/>\n</Types>",
    ),
    (
        "_rels/.rels",
        "<Relationships xmlns=\"http://schemas.openxmlformats.org/package/2006/relationships\">\n<Relationship Id=\"rId1\" Type=\"http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument\" Target=\"xl/workbook.xml\"/>\n</Relationships>",
    ),
    (
        "xl/workbook.xml",
        "<workbook xmlns=\"http://schemas.openxmlformats.org/spreadsheetml/2006/main\" xmlns:r=\"http://schemas.openxmlformats.org/officeDocument/2006/relationships\">\n<sheets><sheet name=\"Birds\" sheetId=\"1\" r:id=\"rId1\"/></sheets>\n</workbook>",
    ),
    (
        "xl/_rels/workbook.xml.rels",
        "<Relationships xmlns=\"http://schemas.openxmlformats.org/package/2006/relationships\">\n<Relationship Id=\"rId1\" Type=\"http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet\" Target=\"worksheets/sheet1.xml\"/>\n<Relationship Id=\"rId2\" Type=\"http://schemas.openxmlformats.org/officeDocument/2006/relationships/sharedStrings\" Target=\"sharedStrings.xml\"/>\n</Relationships>",
    ),
    (
        "xl/sharedStrings.xml",
        "<sst xmlns=\"http://schemas.openxmlformats.org/spreadsheetml/2006/main\" count=\"5\" uniqueCount=\"5\">\n<si><t>bird</t></si>\n<si><t>age_d</t></si>\n<si><t>weight_g</t></si>\n<si><t>A1</t></si>\n<si><t>A2</t></si>\n</sst>",
    ),
    (
        "xl/worksheets/sheet1.xml",
        "<worksheet xmlns=\"http://schemas.openxmlformats.org/spreadsheetml/2006/main\">\n<dimension ref=\"A1:C5\"/><sheetData>\n<row r=\"1\"><c r=\"A1\" t=\"s\"><v>0</v></c><c r=\"B1\" t=\"s\"><v>1</v></c><c r=\"C1\" t=\"s\"><v>2</v></c></row>\n<row r=\"2\"><c r=\"A2\" t=\"s\"><v>3</v></c><c r=\"B2\"><v>7</v></c><c r=\"C2\"><v>71.5</v></c></row>\n<row r=\"3\"><c r=\"A3\" t=\"s\"><v>3</v></c><c r=\"B3\"><v>14</v></c><c r=\"C3\"><f>C2*2</f><v>143</v></c></row>\n<row r=\"4\"><c r=\"A4\" t=\"s\"><v>4</v></c><c r=\"B4\"><v>7</v></c><c r=\"C4\" t=\"e\"><v>#DIV/0!</v></c></row>\n<row r=\"5\"><c r=\"A5\" t=\"inlineStr\"><is><t>A2</t></is></c><c r=\"B5\" t=\"b\"><v>1</v></c><c r=\"C5\" t=\"str\"><v>150</v></c></row>\n</sheetData></worksheet>",
    ),
];

const ODS: [Part; 3] = [
    ("mimetype", "application/vnd.oasis.opendocument.spreadsheet"),
    (
        "META-INF/manifest.xml",
        "<manifest:manifest xmlns:manifest=\"urn:oasis:names:tc:opendocument:xmlns:manifest:1.0\">\n<manifest:file-entry manifest:full-path=\"/\" manifest:media-type=\"application/vnd.oasis.opendocument.spreadsheet\"/>\n<manifest:file-entry manifest:full-path=\"content.xml\" manifest:media-type=\"text/xml\"/>\n</manifest:manifest>",
    ),
    (
        "content.xml",
        "<office:document-content xmlns:office=\"urn:oasis:names:tc:opendocument:xmlns:office:1.0\" xmlns:table=\"urn:oasis:names:tc:opendocument:xmlns:table:1.0\" xmlns:text=\"urn:oasis:names:tc:opendocument:xmlns:text:1.0\">\n<office:body><office:spreadsheet><table:table table:name=\"Birds\">\n<table:table-row><table:table-cell office:value-type=\"string\"><text:p>bird</text:p></table:table-cell><table:table-cell office:value-type=\"string\"><text:p>age_d</text:p></table:table-cell><table:table-cell office:value-type=\"string\"><text:p>weight_g</text:p></table:table-cell></table:table-row>\n<table:table-row table:number-rows-repeated=\"2\"><table:table-cell office:value-type=\"string\"><text:p>A1<text:s text:c=\"2\"/>x</text:p></table:table-cell><table:table-cell office:value-type=\"float\" office:value=\"7\"><text:p>7</text:p></table:table-cell><table:table-cell office:value-type=\"float\" office:value=\"71.5\" table:number-columns-repeated=\"1\"><text:p>71.5</text:p></table:table-cell></table:table-row>\n<table:table-row><table:table-cell office:value-type=\"date\" office:date-value=\"2025-03-03\"><text:p>x</text:p></table:table-cell><table:table-cell table:formula=\"of:=[.B2]\" office:value-type=\"float\" office:value=\"14\"/></table:table-row>\n</table:table></office:spreadsheet></office:body></office:document-content>",
    ),
];

/// Workbooks.
pub(crate) fn workbooks(data: &[u8]) {
    let _ = try_workbooks(&mut Unstructured::new(data));
}

fn try_workbooks(u: &mut Unstructured) -> Result<()> {
    let (parts, name): (&[Part], _) = if u.arbitrary()? {
        (&XLSX, "book.xlsx")
    } else {
        (&ODS, "book.ods")
    };
    let which = u.choose_index(parts.len())?;
    let mut book = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for (place, (part, text)) in parts.iter().enumerate() {
        // Mostly the sheet, which is the last.
        let changed = place == parts.len() - 1 || place == which;
        let bytes = if changed {
            mutated(u, text.as_bytes(), parts[which].1.as_bytes())?
        } else {
            text.as_bytes().to_vec()
        };
        if u.ratio(1, 60)? {
            continue;
        }
        let method = if u.arbitrary()? {
            zip::CompressionMethod::Stored
        } else {
            zip::CompressionMethod::Deflated
        };
        book.start_file(
            *part,
            SimpleFileOptions::default().compression_method(method),
        )
        .expect("a part");
        book.write_all(&bytes).expect("a part in memory");
    }
    let mut bytes = book.finish().expect("a workbook in memory").into_inner();
    for _ in 0..u.int_in_range(0..=8_u8)?.saturating_sub(5) {
        let at = u.choose_index(bytes.len())?;
        bytes[at] = u.arbitrary()?;
    }
    let path = written(name, &bytes);
    read_table(u, &path)
}
