//! Birds weighed without names, from the command line to the answers; and the weekly routine.

use std::fs;
use std::path::Path;

use crate::support::{Row, pinfeather, rows};

/// Weekly samples of three pens in two houses, growing; the last pen falls behind late.
fn write_study(folder: &Path, weeks: u32) {
    let study = folder.join("study");
    fs::create_dir_all(&study).unwrap();
    let mut samples = String::from("pen,age_w,weight_g\n");
    let mut crates = String::from("pen,age_w,birds,total_g\n");
    for week in 1..=weeks {
        let age = 7.0 * f64::from(week);
        let mean = 1750.0 * (-(-0.024 * (age - 56.0)).exp()).exp();
        for (at, pen) in [(0, "A-1"), (1, "A-2"), (2, "B-1")] {
            let late = if pen == "B-1" && week > 9 { 0.88 } else { 1.0 };
            let own = mean * late * (1.0 + 0.01 * (f64::from(at) - 1.0));
            let occasion = 1.0 + 0.006 * (f64::from((week * 7 + at * 3) % 5) - 2.0) / 2.0;
            if pen == "A-2" && week < 4 {
                let total = 20.0 * own * occasion;
                crates += &format!("{pen},{week},20,{total:.0}\n");
                crates += &format!("{pen},{week},20,{:.0}\n", total * 1.01);
                continue;
            }
            for bird in 0..30_u32 {
                let spread = 1.0 + 0.09 * (f64::from((bird * 17 + week * 5) % 30) - 14.5) / 8.66;
                samples += &format!("{pen},{week},{:.1}\n", own * occasion * spread);
            }
        }
    }
    let mut targets = String::from("week,weight_range_g\n");
    for week in 1..=18 {
        let mean = 1750.0 * (-(-0.024 * (7.0 * f64::from(week) - 56.0)).exp()).exp();
        targets += &format!("{week},{:.0} - {:.0}\n", 0.96 * mean, 1.04 * mean);
    }
    let settings = "name = \"three pens\"\n[tables]\nweighings = [\"samples.csv\", \"crates.csv\"]\n\
         pens = \"pens.csv\"\ntargets = \"targets.csv\"\n[target]\nleast_uniformity_pct = 90\n";
    for (name, text) in [
        ("samples.csv", samples.as_str()),
        ("crates.csv", &crates),
        (
            "pens.csv",
            "pen,house,birds\nA-1,A,1000\nA-2,A,1500\nB-1,B,2500\n",
        ),
        ("targets.csv", &targets),
        ("study.toml", settings),
    ] {
        fs::write(study.join(name), text).unwrap();
    }
}

fn answer<'a>(answers: &'a [Row], quantity: &str, (house, pen): (&str, &str)) -> &'a Row {
    let mut found = answers
        .iter()
        .filter(|row| row["quantity"] == quantity && row["house"] == house && row["pen"] == pen);
    found
        .next()
        .unwrap_or_else(|| panic!("{quantity} of {house} {pen}"))
}

fn number(row: &Row, column: &str) -> f64 {
    row[column].parse().unwrap()
}

#[test]
fn a_flock_without_rings_has_its_verdict_by_pen_house_and_whole() {
    let folder = tempfile::tempdir().unwrap();
    write_study(folder.path(), 12);
    let run = pinfeather(folder.path(), "run study --out out");
    let printed = String::from_utf8(run.stdout).unwrap();
    assert!(run.status.success(), "{printed}");
    assert!(printed.contains("unnamed birds"), "{printed}");
    assert!(printed.contains("pen B-1"), "{printed}");
    // No bird was made of a pen or a row.
    assert!(
        !printed.contains(" 0 birds") && !printed.contains("3 birds"),
        "{printed}"
    );
    let answers = rows(&folder.path().join("out/tables/answers.csv"));
    let mean = |place| number(answer(&answers, "mean", place), "estimate");
    let (a1, a2, b1) = (mean(("A", "A-1")), mean(("A", "A-2")), mean(("B", "B-1")));
    let whole = (1000.0 * a1 + 1500.0 * a2 + 2500.0 * b1) / 5000.0;
    assert!((mean(("", "")) - whole).abs() < 1e-6);
    assert!((mean(("A", "")) - (1000.0 * a1 + 1500.0 * a2) / 2500.0).abs() < 1e-6);
    for row in [("", ""), ("A", ""), ("A", "A-1"), ("B", "B-1")] {
        for quantity in ["mean", "cv", "uniformity", "deviation_pct"] {
            let one = answer(&answers, quantity, row);
            assert!(number(one, "lower") < number(one, "estimate"), "{one:?}");
            assert!(number(one, "estimate") < number(one, "upper"), "{one:?}");
        }
    }
    assert_eq!(answer(&answers, "mean", ("", ""))["n"], "90");
    assert_eq!(answer(&answers, "mean", ("A", "A-1"))["n"], "30");
    let below = answer(&answers, "deviation_pct", ("B", "B-1"));
    assert!(number(below, "upper") < -4.0, "{below:?}");
    let share = answer(&answers, "uniformity", ("", ""));
    assert_eq!(share["caution"], "misses the required 90 % or more");
    let typical = answer(&answers, "typical_mass", ("", ""));
    assert!(number(typical, "estimate") > 900.0);
}

#[test]
fn the_next_run_reports_what_has_changed_and_keeps_the_earlier_results() {
    let folder = tempfile::tempdir().unwrap();
    write_study(folder.path(), 9);
    let first = pinfeather(folder.path(), "run study --out out");
    assert!(!String::from_utf8(first.stdout).unwrap().contains("SINCE"));
    write_study(folder.path(), 12);
    let second = pinfeather(folder.path(), "run study --out out --keep");
    let printed = String::from_utf8(second.stdout).unwrap();
    assert!(printed.contains("SINCE THE RESULTS OF 20"), "{printed}");
    assert!(printed.contains("  pen B-1: below target"), "{printed}");
    let dates: Vec<_> = fs::read_dir(folder.path().join("out/earlier"))
        .unwrap()
        .collect();
    assert_eq!(dates.len(), 1);
    let earlier = dates[0].as_ref().unwrap().path();
    assert!(earlier.join("tables/answers.csv").is_file() && earlier.join("run.json").is_file());
    // Nothing of it is lost by a third run, in which nothing has changed.
    let third = pinfeather(folder.path(), "run study --out out");
    let printed = String::from_utf8(third.stdout).unwrap();
    assert!(
        printed.contains("no verdict, alarm or forecast changed"),
        "{printed}"
    );
    assert!(earlier.join("tables/answers.csv").is_file());
    let verified = pinfeather(folder.path(), "run out/run.json --verify");
    let printed = String::from_utf8(verified.stdout).unwrap();
    assert!(printed.starts_with("nothing has changed"), "{printed}");
}

#[test]
fn a_sample_of_one_bird_has_a_mean_and_nothing_more() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(
        folder.path().join("one.csv"),
        "pen,age_d,weight_g\n1,35,402\n",
    )
    .unwrap();
    let run = pinfeather(folder.path(), "run one.csv --sample --pen pen --out out");
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    let answers = rows(&folder.path().join("out/tables/answers.csv"));
    let mean = answer(&answers, "mean", ("", "1"));
    assert_eq!(
        (mean["estimate"].as_str(), mean["std_error"].as_str()),
        ("402", "")
    );
    let cv = answer(&answers, "cv", ("", "1"));
    assert_eq!(
        (cv["estimate"].as_str(), cv["status"].as_str()),
        ("", "not estimable")
    );
}

#[test]
fn pens_houses_and_the_flock_are_forecast_relative_to_the_target() {
    let folder = tempfile::tempdir().unwrap();
    write_study(folder.path(), 12);
    let run = pinfeather(folder.path(), "target study --forecast 98,126 --out out");
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    let table = rows(&folder.path().join("out/tables/forecast.csv"));
    let of = |level: &str, pen: &str, house: &str, age_d: &str| {
        let mut found = table.iter().filter(|row| {
            (&*row["level"], &*row["pen"], &*row["house"], &*row["age_d"])
                == (level, pen, house, age_d)
        });
        found
            .next()
            .unwrap_or_else(|| panic!("{level} {pen} {house} {age_d}"))
    };
    let mean = |row: &Row| number(row, "forecast");
    for age_d in ["98", "126"] {
        for row in [
            of("strain", "", "", age_d),
            of("house", "", "A", age_d),
            of("pen", "A-1", "A", age_d),
            of("pen", "B-1", "B", age_d),
        ] {
            assert!(number(row, "lower") < mean(row) && mean(row) < number(row, "upper"));
            assert_eq!(row["predictors"], "relative to target 1.00");
        }
        // A house and the flock are means over the birds kept.
        let [a1, a2, b1] = ["A-1", "A-2", "B-1"].map(|pen| mean(of("pen", pen, &pen[..1], age_d)));
        let house = mean(of("house", "", "A", age_d));
        assert!((house - (1000.0 * a1 + 1500.0 * a2) / 2500.0).abs() < 0.002 * house);
        let flock = mean(of("strain", "", "", age_d));
        assert!((flock - (1000.0 * a1 + 1500.0 * a2 + 2500.0 * b1) / 5000.0).abs() < 0.002 * flock);
        // The pen that fell behind is forecast to be behind.
        assert!(b1 < 0.95 * a1, "{b1} {a1}");
    }
    let width = |age_d| {
        let row = of("strain", "", "", age_d);
        (number(row, "upper") - number(row, "lower")) / mean(row)
    };
    assert!(width("98") < width("126"));
    let tested = rows(&folder.path().join("out/tables/backtest.csv"));
    assert!(tested.iter().any(|row| row["level"] == "pen"));
    assert!(tested.iter().any(|row| row["level"] == "strain"));
}

#[test]
fn without_target_or_population_nothing_is_forecast_and_the_reason_stands_there() {
    let folder = tempfile::tempdir().unwrap();
    write_study(folder.path(), 9);
    let settings = folder.path().join("study/study.toml");
    let text = fs::read_to_string(&settings).unwrap();
    fs::write(
        &settings,
        text.replace("targets = \"targets.csv\"\n", "")
            .replace("[target]\nleast_uniformity_pct = 90\n", ""),
    )
    .unwrap();
    let run = pinfeather(folder.path(), "run study --forecast 98 --out out");
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    let table = rows(&folder.path().join("out/tables/forecast.csv"));
    assert!(table.iter().all(|row| row["forecast"].is_empty()));
    assert!(
        table[0]["flag"].contains("weighings to 63 d cannot foresee"),
        "{:?}",
        table[0]
    );
    let answers = rows(&folder.path().join("out/tables/answers.csv"));
    let none = answers
        .iter()
        .find(|row| row["quantity"] == "forecast_mean");
    let none = none.expect("a forecast that is not estimable");
    assert_eq!(
        (&*none["status"], &*none["estimate"]),
        ("not estimable", "")
    );
}
