//! One question, one number: what `answers.csv` says is what the tables and the JSON
//! document say.

use std::path::Path;

use serde_json::Value;

use crate::support::{Row, close, done, root, rows};

fn number(cell: &str) -> f64 {
    cell.parse()
        .unwrap_or_else(|_| panic!("a number, not {cell:?}"))
}

fn table(folder: &Path, name: &str) -> Vec<Row> {
    rows(&folder.join(format!("results/tables/{name}.csv")))
}

/// The only row with these words in these columns.
fn the<'a>(table: &'a [Row], wanted: &[(&str, &str)]) -> &'a Row {
    let found: Vec<&Row> = table
        .iter()
        .filter(|row| wanted.iter().all(|(column, word)| row[*column] == *word))
        .collect();
    assert_eq!(found.len(), 1, "{wanted:?}");
    found[0]
}

/// Estimate, error and limits alike, to the ten digits of the tables.
fn alike(what: &str, one: &Row, other: &Row, estimate: &str) {
    for (column, of_other) in [
        ("estimate", estimate),
        ("std_error", "std_error"),
        ("lower", "lower"),
        ("upper", "upper"),
    ] {
        // `curves` has limits and no standard errors.
        let Some(other) = other.get(of_other) else {
            continue;
        };
        let (one, other) = (number(&one[column]), number(other));
        close(&format!("{what}, {column}"), one, other, 1e-8);
    }
}

#[test]
fn the_same_quantity_has_the_same_number_wherever_it_stands() {
    let folder = tempfile::tempdir().unwrap();
    let call = format!(
        "run {} --json --format svg --out results",
        root("data-demo").display()
    );
    let printed: Value = serde_json::from_str(&done(folder.path(), &call)).unwrap();
    let answers = table(folder.path(), "answers");
    let terms = table(folder.path(), "curve_terms");
    let curves = table(folder.path(), "curves");
    let contrasts = table(folder.path(), "contrasts");
    let by_age = table(folder.path(), "difference_by_age");

    let of = |quantity: &str| {
        let quantity = quantity.to_owned();
        answers
            .iter()
            .filter(move |row| row["quantity"] == quantity)
    };
    // Four traits, three strains, two named ages and the last.
    assert_eq!(of("typical_mass").count(), 36);
    for answer in of("typical_mass") {
        let (strain, name, age_d) = (&answer["strain"], &answer["trait"], &answer["age_d"]);
        let what = format!("{strain} {name} {age_d}");
        let whose = [
            ("level", "population"),
            ("strain", strain),
            ("bird", ""),
            ("trait", name),
        ];
        let at_age = [&whose[..], &[("age_d", age_d)]].concat();
        alike(&what, answer, the(&curves, &at_age), "fitted");
        if ["112", "119"].contains(&age_d.as_str()) {
            let term = format!("weight_at_{age_d}d");
            let row = the(&terms, &[&whose[..], &[("term", &term)]].concat());
            alike(&what, answer, row, "estimate");
        }
    }
    assert_eq!(of("difference_of_typical_mass").count(), 36);
    for answer in of("difference_of_typical_mass") {
        let (a, b) = (&answer["strain"], &answer["strain_b"]);
        let (name, age_d) = (&answer["trait"], &answer["age_d"]);
        let what = format!("{a} {b} {name} {age_d}");
        let pair = [("trait", &**name), ("strain_a", a), ("strain_b", b)];
        let at_age = [&pair[..], &[("age_d", age_d)]].concat();
        alike(&what, answer, the(&by_age, &at_age), "difference");
        if ["112", "119"].contains(&age_d.as_str()) {
            let term = format!("weight_at_{age_d}d");
            let row = the(&contrasts, &[&pair[..], &[("term", &term)]].concat());
            alike(&what, answer, row, "difference");
            for p in ["p_value", "p_adjusted"] {
                close(&what, number(&answer[p]), number(&row[p]), 1e-8);
            }
        }
    }
    let in_json = printed["tables"]["answers"].as_array().expect("answers");
    assert_eq!(in_json.len(), answers.len());
    for (json, row) in in_json.iter().zip(&answers) {
        assert_eq!(
            json["quantity"].as_str().unwrap_or_default(),
            row["quantity"]
        );
        match json["estimate"].as_f64() {
            Some(value) => close("JSON", value, number(&row["estimate"]), 1e-9),
            None => assert!(row["estimate"].is_empty(), "{row:?}"),
        }
    }
}
