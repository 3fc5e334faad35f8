//! NIST's certified linear sets, and R's regression diagnostics.

use pinfeather::stats::left_out::{group_left_out_errors, row_diagnostics};
use pinfeather::stats::linear::{Design, Fit, fit};

use super::{Table, agree, all_agree, digits, expected, number, numbers};

/// Sum of squared left-out errors (Allen 1974).
fn press(fit: &pinfeather::stats::linear::Fit) -> f64 {
    let rows = row_diagnostics(fit).into_iter();
    rows.map(|row| row.left_out_error.unwrap().powi(2)).sum()
}

/// A polynomial of the given degree in `x`, powers made as a caller would.
fn polynomial(x: &[f64], y: &[f64], degree: i32) -> Fit {
    let power = |k: i32| x.iter().map(|x| x.powi(k)).collect();
    let columns = (0..=degree).map(|k| (format!("x^{k}"), power(k)));
    fit(&Design::new(columns.collect()).unwrap(), y).unwrap()
}

fn check_certified(name: &str, fit: &Fit, set: &serde_json::Value, wanted: f64) {
    let coefficients = numbers(&set["certified"]);
    let errors = numbers(&set["certified_se"]);
    let found = fit.standard_errors();
    let least = |a: &[f64], b: &[f64]| {
        let each = a.iter().zip(b).map(|(a, b)| digits(*a, *b));
        each.fold(f64::INFINITY, f64::min)
    };
    println!(
        "{name}: coefficients {:.1}, standard errors {:.1}, residual SD {:.1} digits",
        least(&fit.coefficients, &coefficients),
        least(&found, &errors),
        digits(fit.sigma, number(&set["residual_sd"])),
    );
    all_agree(
        &format!("{name} coefficient"),
        &fit.coefficients,
        &coefficients,
        wanted,
    );
    all_agree(&format!("{name} standard error"), &found, &errors, wanted);
    agree(name, fit.sigma, number(&set["residual_sd"]), wanted);
    agree(name, fit.r_squared.unwrap(), number(&set["r2"]), wanted);
}

/// NIST StRD, certified to 15 digits. Filip's powers lose digits before the fit
/// begins (x^10 is rounded), so 7 are required of it and 9 of the others.
#[test]
fn nist_certified_sets() {
    let sets = &expected("nist_linear/expected.json")["sets"];
    for (name, degree, wanted) in [
        ("Norris", 1, 9.0),
        ("Pontius", 2, 9.0),
        ("Wampler1", 5, 9.0),
        ("Filip", 10, 7.0),
    ] {
        let table = Table::read(&format!("nist_linear/{name}.csv"));
        let fitted = polynomial(&table.column("x"), &table.column("y"), degree);
        check_certified(name, &fitted, &sets[name], wanted);
    }
    let table = Table::read("nist_linear/Longley.csv");
    let columns = (1..=6).map(|k| format!("x{k}")).map(|name| {
        let values = table.column(&name);
        (name, values)
    });
    let design = Design::with_intercept(16, columns.collect()).unwrap();
    let fitted = fit(&design, &table.column("y")).unwrap();
    check_certified("Longley", &fitted, &sets["Longley"], 9.0);
}

/// NIST StRD Wampler2 to Wampler5 by their construction (polynomial of degree 5 plus
/// a fixed disturbance times 1, 100, 10,000), NoInt1 and NoInt2. Data typed from
/// memory; expected values recomputed from them in 60-digit arithmetic.
#[test]
fn wampler_and_no_intercept_sets() {
    let disturbance = [
        759.0, -2048.0, 2048.0, -2048.0, 2523.0, -2048.0, 2048.0, -2048.0, 1838.0, -2048.0, 2048.0,
        -2048.0, 1838.0, -2048.0, 2048.0, -2048.0, 2523.0, -2048.0, 2048.0, -2048.0, 759.0,
    ];
    let x: Vec<f64> = (0..21).map(f64::from).collect();
    let sum = |x: f64, base: f64| (0..6).map(|k| (base * x).powi(k)).sum::<f64>();
    let y: Vec<f64> = x.iter().map(|x| sum(*x, 0.1)).collect();
    let wampler2 = polynomial(&x, &y, 5);
    let certified = [1.0, 0.1, 0.01, 0.001, 0.0001, 0.00001];
    // y itself is rounded here, which costs a digit or two.
    all_agree("Wampler2", &wampler2.coefficients, &certified, 12.0);
    assert!(wampler2.is_exact() && wampler2.sigma == 0.0);

    let errors = [
        2152.326246781697,
        2363.551734696805,
        779.3435243315831,
        101.4755075503496,
        5.645665121707516,
        0.1123248546793119,
    ];
    for factor in [1.0, 100.0, 1e4] {
        let pairs = x.iter().zip(disturbance);
        let y: Vec<f64> = pairs.map(|(x, d)| sum(*x, 1.0) + factor * d).collect();
        let fitted = polynomial(&x, &y, 5);
        all_agree("Wampler", &fitted.coefficients, &[1.0; 6], 9.0);
        let scaled: Vec<f64> = errors.iter().map(|error| error * factor).collect();
        all_agree("Wampler error", &fitted.standard_errors(), &scaled, 9.0);
        agree(
            "Wampler sigma",
            fitted.sigma,
            2360.145023792676 * factor,
            9.0,
        );
    }

    let no_intercept = |x: Vec<f64>, y: &[f64]| {
        let design = Design::new(vec![("x".to_owned(), x)]).unwrap();
        fit(&design, y).unwrap()
    };
    let y: Vec<f64> = (130..141).map(f64::from).collect();
    let first = no_intercept((60..71).map(f64::from).collect(), &y);
    agree("NoInt1", first.coefficients[0], 2.074380165289256, 14.0);
    agree(
        "NoInt1 error",
        first.standard_errors()[0],
        0.0165289256198347,
        13.0,
    );
    agree("NoInt1 sigma", first.sigma, 3.567530340063379, 13.0);
    agree(
        "NoInt1 R2",
        first.r_squared.unwrap(),
        0.999365492298663,
        13.0,
    );
    let second = no_intercept(vec![4.0, 5.0, 6.0], &[3.0, 4.0, 4.0]);
    agree("NoInt2", second.coefficients[0], 0.727272727272727, 14.0);
    agree(
        "NoInt2 error",
        second.standard_errors()[0],
        0.0420827318078432,
        13.0,
    );
    agree("NoInt2 sigma", second.sigma, 0.3692744729379982, 13.0);
}

/// R 4.2.2 `lm`, `hatvalues`, `cooks.distance`, `rstudent` on Davis's weights.
#[test]
fn davis_diagnostics() {
    for set in ["weight", "weight_women"] {
        let table = Table::read(&format!("agreement/davis_{set}.csv"));
        let all = expected(&format!("agreement/expected_{set}.json"));
        let x = table.column("reported");
        let y = table.column("measured");
        let line = polynomial(&x, &y, 1);
        let ols = &all["ols_measured_on_reported"];
        // 11 digits: R prints 15 and loses some in its own sums.
        all_agree("coef", &line.coefficients, &numbers(&ols["coef"]), 11.0);
        all_agree("se", &line.standard_errors(), &numbers(&ols["se"]), 11.0);
        agree("sigma", line.sigma, number(&ols["sigma"]), 11.0);
        agree("R2", line.r_squared.unwrap(), number(&ols["r2"]), 11.0);
        agree("PRESS", press(&line), number(&ols["press"]), 11.0);
        let rows = row_diagnostics(&line);
        let column = |pick: &dyn Fn(&pinfeather::stats::left_out::RowDiagnostic) -> f64| {
            rows.iter().map(pick).collect::<Vec<f64>>()
        };
        let hat = column(&|row| row.leverage);
        all_agree("hat", &hat[..10], &numbers(&ols["hat_first10"]), 10.0);
        let cook = column(&|row| row.cooks_distance.unwrap());
        all_agree("Cook", &cook[..10], &numbers(&ols["cook_first10"]), 10.0);
        let student = column(&|row| row.studentised_externally.unwrap());
        all_agree(
            "student",
            &student[..10],
            &numbers(&ols["rstudent_first10"]),
            10.0,
        );
        let worst = cook.iter().copied().fold(0.0, f64::max);
        agree("worst Cook", worst, number(&ols["max_cook"]), 10.0);
        let errors = column(&|row| row.left_out_error.unwrap());
        let squares: f64 = errors.iter().map(|error| error * error).sum();
        let rmsep = (squares / errors.len() as f64).sqrt();
        agree("RMSEP", rmsep, number(&ols["rmsep_loo"]), 11.0);
        // Groups of one are rows.
        let singles: Vec<usize> = (0..y.len()).collect();
        let by_group = group_left_out_errors(&line, &singles).unwrap();
        let by_group: Vec<f64> = by_group.into_iter().flatten().collect();
        all_agree("by group", &by_group, &errors, 9.0);
        let square = polynomial(&x, &y, 2);
        let quadratic = &all["quadratic"];
        all_agree(
            "quadratic",
            &square.coefficients,
            &numbers(&quadratic["coef"]),
            9.0,
        );
        agree("PRESS 2", press(&square), number(&quadratic["press"]), 10.0);
    }
}

/// R 4.2.2 `lm` and car's `vif` on Longley's data.
#[test]
fn longley_diagnostics() {
    let table = Table::read("agreement/longley.csv");
    let all = expected("agreement/expected_weight.json");
    let regression = &all["multiple_regression"];
    let names = [
        "GNP.deflator",
        "GNP",
        "Unemployed",
        "Armed.Forces",
        "Population",
        "Year",
    ];
    let columns = names
        .iter()
        .map(|name| ((*name).to_owned(), table.column(name)));
    let design = Design::with_intercept(16, columns.collect()).unwrap();
    let fitted = fit(&design, &table.column("Employed")).unwrap();
    assert!(fitted.variance_inflation()[0].is_none());
    for (j, name) in names.iter().enumerate() {
        let found = fitted.variance_inflation()[j + 1].unwrap();
        // 10 digits: R's own two routes agree to 11.
        agree(name, found, number(&regression["vif"][name]), 10.0);
    }
    let rows = row_diagnostics(&fitted);
    let hat: Vec<f64> = rows.iter().map(|row| row.leverage).collect();
    all_agree("hat", &hat, &numbers(&regression["hat"]), 10.0);
    let cook: Vec<f64> = rows.iter().map(|row| row.cooks_distance.unwrap()).collect();
    all_agree("Cook", &cook, &numbers(&regression["cook"]), 9.0);
    agree("PRESS", press(&fitted), number(&regression["press"]), 10.0);
}
