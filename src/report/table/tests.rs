use super::*;

#[test]
fn parts_join_in_order() {
    let part = |names: &[&str]| {
        let mut table = Table::new("t", &["bird"]);
        for name in names {
            table.row().text(name);
        }
        table
    };
    let joined = Table::joined([part(&[]), part(&["a", "b"]), part(&[]), part(&["c"])]).unwrap();
    assert_eq!(joined.rows(), 3);
    let cells: Vec<Cell<'_>> = (0..3).map(|row| joined.cell(row, 0)).collect();
    assert_eq!(cells, ["a", "b", "c"].map(Cell::Text));
    let mut text = Vec::new();
    joined.write_csv(&mut text).unwrap();
    assert_eq!(text, b"bird\na\nb\nc\n");
}

/// The rows of a long table come back from the shelf as they went, words, counts and gaps too.
#[test]
fn a_shelf_changes_nothing() {
    let shelf = Shelf::default();
    let mut held = Table::new("t", &["level", "bird", "n", "weight_g"]);
    let mut away = held.clone().on(&shelf);
    for row in 0..2 * PART_ROWS + PART_ROWS / 2 {
        for table in [&mut held, &mut away] {
            let bird = format!("b,{}", row / 12);
            let weight = (row % 7 > 0).then_some(row as f64 / 3.0);
            let count = (row % 5 > 0).then_some(row);
            table
                .row()
                .text("bird")
                .text(&bird)
                .whole(count)
                .number(weight);
        }
    }
    let away = away.finished();
    assert!(away.parts.iter().all(|part| part.shelved.is_some()));
    let text = |table: &Table| {
        let mut text = Vec::new();
        table.write_csv(&mut text).unwrap();
        text
    };
    assert_eq!(text(&held), text(&away));
    let last = held.rows() - 1;
    assert_eq!(away.cell(last, 3), held.cell(last, 3));
}

#[test]
fn a_column_of_one_word_may_change_it() {
    let mut table = Table::new("t", &["level"]);
    for name in ["bird", "bird", "", "bird", "strain", ""] {
        table.row().text(name);
    }
    let cells: Vec<Cell<'_>> = (0..6).map(|row| table.cell(row, 0)).collect();
    let (bird, strain) = (Cell::Text("bird"), Cell::Text("strain"));
    assert_eq!(
        cells,
        [bird, bird, Cell::Missing, bird, strain, Cell::Missing]
    );
}

#[test]
fn rows_that_begin_alike_are_written_alike() {
    let mut table = Table::new("t", &["level", "bird", "term", "estimate"]);
    let birds = ["b1", "b1", "b,2", "b,2", "", "b1"];
    for (bird, term) in birds.iter().zip(["A", "k", "k", "A", "A", "A"]) {
        table.row().text("bird").text(bird).text(term).number(1.0);
    }
    let mut text = Vec::new();
    table.write_csv(&mut text).unwrap();
    let expected = "level,bird,term,estimate\nbird,b1,A,1\nbird,b1,k,1\n\
        bird,\"b,2\",k,1\nbird,\"b,2\",A,1\nbird,,A,1\nbird,b1,A,1\n";
    assert_eq!(String::from_utf8(text).unwrap(), expected);
}

#[test]
fn words_are_quoted_and_never_formulas() {
    let mut table = Table::new("t", &["bird", "n", "weight_g"]);
    table.row().text("a,\"b\"").whole(3).number(1.5);
    table.row().text("=1+1").whole(None).number(f64::NAN);
    table.row().text("").whole(0).number(None);
    table.row().text("-12").whole(1).number(-2.5);
    table.row().text("-A1").whole(1).number(1.0);
    let mut text = Vec::new();
    table.write_csv(&mut text).unwrap();
    let text = String::from_utf8(text).unwrap();
    assert_eq!(
        text,
        "bird,n,weight_g\n\"a,\"\"b\"\"\",3,1.5\n'=1+1,,\n,0,\n-12,1,-2.5\n'-A1,1,1\n"
    );
    assert_eq!(
        serde_json::to_string(&table).unwrap(),
        r#"[{"bird":"a,\"b\"","n":3,"weight_g":1.5},{"bird":"=1+1","n":null,"weight_g":null},{"bird":null,"n":0,"weight_g":null},{"bird":"-12","n":1,"weight_g":-2.5},{"bird":"-A1","n":1,"weight_g":1.0}]"#
    );
}
