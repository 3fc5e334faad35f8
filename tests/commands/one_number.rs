//! One question, one number: `answers.csv`, the tables and the JSON
//! document agree.

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
    in_words(&printed, folder.path(), &answers);
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

/// What `answers.csv` has as a number reads the same on the terminal, on the page and in the
/// paper's results.
fn in_words(printed: &Value, folder: &Path, answers: &[Row]) {
    let lines = printed["summary"].as_array().expect("lines");
    let lines: Vec<&str> = lines.iter().filter_map(Value::as_str).collect();
    let read = |name: &str| std::fs::read_to_string(folder.join("results").join(name)).unwrap();
    let (page, paper) = (read("report.html"), read("paper/results.md"));
    let all = [
        ("terminal", lines.join("\n")),
        ("page", page),
        ("paper", paper),
    ];
    let answer = |quantity: &str, name: &str| {
        let of = |row: &&Row| {
            row["quantity"] == quantity
                && row["pen"].is_empty()
                && (row["strain"] == name || row["trait"] == name)
        };
        // Of several ages the last.
        answers.iter().rfind(of).unwrap()
    };
    let value = |quantity: &str, name: &str| number(&answer(quantity, name)["estimate"]);
    let stated = |what: &str, texts: [String; 3]| {
        for ((place, whole), text) in all.iter().zip(texts) {
            assert!(whole.contains(&text), "{what} on the {place}: {text:?}");
        }
    };
    for strain in ["Alder", "Birch", "Cedar"] {
        let mean = format!("{:.0} g", value("mean", strain));
        stated("mean", [mean.clone(), mean.clone(), format!("was {mean}")]);
        let share = value("deviation_pct", strain);
        let sign = if share < 0.0 { "\u{2212}" } else { "+" };
        let size = format!("{:.1} %", share.abs());
        let signed = format!("{sign}{size}");
        stated("deviation", [signed.clone(), signed.clone(), size]);
        let half = answer("age_in_lay_50pct", strain);
        let [age, lower, upper] =
            ["estimate", "lower", "upper"].map(|column| format!("{:.0}", number(&half[column])));
        let short = format!("{age} d ({lower} to {upper})");
        let long = format!("{age} d (95 % CI {lower} to {upper} d)");
        stated("half in lay", [short.clone(), short, long]);
    }
    for (name, n) in [("fat", 1), ("lean", 1), ("bone", 2)] {
        let error = format!("{:.n$} g", value("left_out_error", name));
        stated(
            "left-out error",
            [
                format!("{name} {error}"),
                format!("{error} of {name}"),
                format!("RMSE of {error}"),
            ],
        );
    }
}
