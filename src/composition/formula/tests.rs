use super::*;

fn frame() -> Frame {
    let mut frame = Frame {
        file: "pairs.csv".into(),
        rows: vec![2, 3, 4],
        ..Frame::default()
    };
    frame.add_numbers("fat_scan", vec![10.0, 20.0, 30.0]);
    frame.add_numbers("age", vec![7.0, 14.0, 21.0]);
    frame.add_words("strain", ["B", "A", "C*"].map(str::to_owned).to_vec());
    frame.add_words("pen", ["x", "x", "x"].map(str::to_owned).to_vec());
    frame
}

#[test]
fn strain_is_one_column_a_level_but_the_first() {
    let frame = frame();
    let formula: Formula = "fat_scan, log(age), strain, fat_scan*strain, age*fat_scan"
        .parse()
        .unwrap();
    let coding = formula.coding(&frame).unwrap();
    let names: Vec<String> = coding
        .columns
        .iter()
        .map(EquationColumn::to_string)
        .collect();
    assert_eq!(
        names,
        [
            "intercept",
            "fat_scan",
            "log(age)",
            "strain[B]",
            "strain[C*]",
            "fat_scan*strain[B]",
            "fat_scan*strain[C*]",
            "age*fat_scan"
        ]
    );
    let row = |row: usize| -> Vec<f64> {
        let value = |column: &EquationColumn| column.value(|name| frame.value(name, row)).unwrap();
        coding.columns.iter().map(value).collect()
    };
    assert_eq!(row(1), [1.0, 20.0, 14f64.ln(), 0.0, 0.0, 0.0, 0.0, 280.0]);
    assert_eq!(row(2), [1.0, 30.0, 21f64.ln(), 0.0, 1.0, 0.0, 30.0, 630.0]);
    for (name, column) in names.iter().zip(&coding.columns) {
        assert_eq!(&name.parse::<EquationColumn>().unwrap(), column, "{name}");
    }
}

#[test]
fn formulas_that_mean_nothing_are_refused() {
    let frame = frame();
    for (terms, expected) in [
        ("fat_scan*strain", "without the term strain beside it"),
        (
            "strain,fat_scan*strain",
            "without the term fat_scan beside it",
        ),
        ("pen", "pen with x only"),
        ("colour", "no column colour"),
        ("log(strain)", "strain holds words"),
    ] {
        let error = terms
            .parse::<Formula>()
            .unwrap()
            .coding(&frame)
            .unwrap_err();
        // A number times words misses first whichever of the two is looked at first.
        let found = error.to_string();
        assert!(
            found.contains(expected) || (terms == "fat_scan*strain" && found.contains("beside it")),
            "{found}"
        );
    }
    for terms in ["", "a,,b", "a,b,a", "sqrt(a)", "a*b,b*a"] {
        assert!(terms.parse::<Formula>().is_err(), "{terms}");
    }
}

#[test]
fn candidates_keep_what_a_product_needs() {
    let formula: Formula = "fat_scan,strain,fat_scan*strain,age".parse().unwrap();
    let candidates: Vec<String> = formula
        .candidates(1)
        .unwrap()
        .iter()
        .map(Formula::to_string)
        .collect();
    assert_eq!(
        candidates,
        [
            "fat_scan,strain,fat_scan*strain,age",
            "fat_scan,strain,age",
            "fat_scan,age",
            "fat_scan,strain,fat_scan*strain",
            "fat_scan,strain",
            "fat_scan"
        ]
    );
}
