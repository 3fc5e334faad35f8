//! The command `onset` against R, through its tables, and on what it cannot answer.
//!
//! R's values are in `tests/reference/time_to_event/` (`SOURCE.md`: survreg, coxph,
//! survfit, concordance of the survival package).

use std::path::{Path, PathBuf};
use std::process::Output;

use pinfeather::study::sealed;
use serde_json::Value;

use crate::support::{Row, cell, digits, pinfeather, reference, text};

fn rows(folder: &Path, table: &str) -> Vec<Row> {
    let file = folder.join(format!("results/tables/{table}.csv"));
    let mut reader = csv::Reader::from_path(&file).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

fn run_reference(set: &str, time: &str, status: &str, terms: &str) -> (tempfile::TempDir, Value) {
    let folder = tempfile::tempdir().unwrap();
    let table = format!("{set}.csv");
    std::fs::copy(
        reference(&format!("time_to_event/{table}")),
        folder.path().join(&table),
    )
    .unwrap();
    let call = format!("onset {table} --time {time} --event {status} --cues {terms}");
    let output = pinfeather(folder.path(), &call);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let expected = std::fs::read_to_string(reference("time_to_event/expected.json")).unwrap();
    let expected: Value = serde_json::from_str(&expected).unwrap();
    (folder, expected["fits"][set].clone())
}

const SETS: [(&str, &str, &str, &str); 3] = [
    ("veteran", "time", "status", "karno,age,trt"),
    ("lung", "time", "status", "age,sex,ph.ecog"),
    ("ovarian", "futime", "fustat", "age,rx"),
];

/// Estimates, standard errors, log-likelihoods, AIC and concordance of R's survreg and
/// coxph (Efron's ties), to 6 digits.
#[test]
fn the_models_equal_those_of_r() {
    for (set, time, status, cues) in SETS {
        let (folder, expected) = run_reference(set, time, status, cues);
        let terms = rows(folder.path(), "onset_terms");
        let fits = rows(folder.path(), "onset_fits");
        for (model, key) in [
            ("weibull", "weibull"),
            ("lognormal", "lognormal"),
            ("loglogistic", "loglogistic"),
            ("proportional_hazards", "cox_efron"),
        ] {
            let expected = &expected[key];
            let names = expected["coef"].as_object().unwrap();
            let errors = expected["se"].as_array().unwrap();
            let of = |term: &str| {
                let row = terms
                    .iter()
                    .find(|row| row["model"] == model && row["term"] == term);
                row.unwrap_or_else(|| panic!("{set} {model} {term}"))
            };
            let close = |found: f64, expected: f64, what: &str| {
                let digits = digits(found, expected);
                assert!(digits >= 6.0, "{set} {model} {what}: {found} {expected}");
            };
            let mut order: Vec<&str> = cues.split(',').collect();
            if key != "cox_efron" {
                order.insert(0, "(Intercept)");
                let log_scale = of("log_scale");
                let number_of = |key: &str| expected[key].as_f64().unwrap();
                // The set whose ln sigma is 0.0206 loses two digits to nearness to zero.
                close(
                    cell(log_scale, "estimate"),
                    number_of("log_scale"),
                    "log_scale",
                );
                close(
                    cell(log_scale, "std_error"),
                    number_of("se_log_scale"),
                    "its se",
                );
            }
            for (k, name) in order.iter().enumerate() {
                let row = of(if *name == "(Intercept)" {
                    "intercept"
                } else {
                    name
                });
                close(cell(row, "estimate"), names[*name].as_f64().unwrap(), name);
                close(cell(row, "std_error"), errors[k].as_f64().unwrap(), name);
            }
            let fit = fits.iter().find(|row| row["model"] == model).unwrap();
            close(
                cell(fit, "log_lik"),
                expected["logLik"].as_f64().unwrap(),
                "log-likelihood",
            );
            if let Some(aic) = expected["AIC"].as_f64() {
                close(cell(fit, "aic"), aic, "AIC");
            }
            close(
                cell(fit, "concordance"),
                expected["concordance"].as_f64().unwrap(),
                "concordance",
            );
        }
    }
}

/// R's survfit: share without the event with Greenwood's error, and the median with its
/// limits.
#[test]
fn the_lay_curve_equals_that_of_r() {
    for (set, time, status, cues) in SETS {
        let (folder, expected) = run_reference(set, time, status, cues);
        let curve = rows(folder.path(), "lay_curve");
        let km = &expected["km"];
        let values = |key: &str| -> Vec<f64> {
            let values = km[key].as_array().unwrap().iter();
            values.map(|value| value.as_f64().unwrap()).collect()
        };
        let shares = values("surv_first8");
        let errors = values("greenwood_se_first8");
        for (k, time) in values("time_first8").iter().enumerate() {
            // 1e-9: the tables hold ten digits.
            assert!((cell(&curve[k], "age_d") - time).abs() < 1e-9, "{set} {k}");
            let share = 1.0 - cell(&curve[k], "share_in_lay");
            assert!((share - shares[k]).abs() < 1e-9, "{set} {k}");
            assert!(
                (cell(&curve[k], "std_error") - errors[k]).abs() < 1e-9,
                "{set} {k}"
            );
        }
        let ages = rows(folder.path(), "age_in_lay");
        let half = ages.iter().find(|row| row["in_lay_pct"] == "50").unwrap();
        for (column, key) in [
            ("age_d", "median"),
            ("lower", "median_lower"),
            ("upper", "median_upper"),
        ] {
            match km[key].as_f64() {
                Some(expected) => {
                    assert!((cell(half, column) - expected).abs() < 1e-9, "{set} {key}");
                }
                None => assert_eq!(half[column], "", "{set} {key}"),
            }
        }
    }
}

fn demo_copy() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let demo = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("data-demo");
    for entry in std::fs::read_dir(demo).unwrap() {
        let path = entry.unwrap().path();
        if path.is_file() {
            std::fs::copy(&path, folder.path().join(path.file_name().unwrap())).unwrap();
        }
    }
    folder
}

fn no_bad_number(folder: &Path) {
    for entry in std::fs::read_dir(folder.join("results/tables")).unwrap() {
        let path = entry.unwrap().path();
        let table = std::fs::read_to_string(&path).unwrap();
        assert!(
            !table.contains("NaN") && !table.contains("inf,") && !table.contains("-inf"),
            "{}",
            path.display()
        );
    }
}

/// The generator of the demo adds 15 to 18 days to the middle of each bird's spurt, sooner
/// in heavy birds: a landmark model must know more than the strain alone does.
#[test]
fn the_demo_is_forecast_within_its_intervals() {
    let folder = demo_copy();
    let output = pinfeather(
        folder.path(),
        "onset . --curve gompertz,two-phase-gompertz --details",
    );
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let words = text(&output.stdout);
    for expected in [
        "half in lay at",
        "light programme on record: light from 10 to 12 h at 119 d (Alder, Birch, Cedar)",
        "No single threshold is proven",
        "under the local welfare code",
        "A forecast is an estimate with the interval shown",
        "the landmark",
    ] {
        assert_eq!(
            words.matches(expected).count().min(1),
            1,
            "{expected}\n{words}"
        );
    }
    assert_eq!(words.matches("under the local welfare code").count(), 1);
    no_bad_number(folder.path());
    let fits = rows(folder.path(), "onset_fits");
    let error = |model: &str| {
        let row = fits.iter().find(|row| row["model"] == model).unwrap();
        cell(row, "cv_error_d")
    };
    // A cue is recommended where one predicts better than none, and only there.
    let best = fits
        .iter()
        .filter(|row| !row["cv_error_d"].is_empty() && !row["model"].ends_with(":none"))
        .map(|row| cell(row, "cv_error_d"))
        .fold(f64::INFINITY, f64::min);
    let helps = best < error("lognormal:none");
    assert!(helps || words.contains("no cue helps"), "{best}: {words}");
    let backtest = rows(folder.path(), "onset_backtest");
    let overall = backtest
        .iter()
        .find(|row| row["quantity"] == "first_egg_age" && row["as_of"] == "all")
        .unwrap();
    // 95 percent intervals over some tens of birds; their errors go together within an age,
    // so the band is wide: what it excludes is intervals that mean nothing.
    assert!(cell(overall, "coverage_pct") > 80.0, "{overall:?}");
    assert!(cell(overall, "n") > 20.0);
}

/// Corrected masses are traits of `onset` where the study has equations, and cues at the
/// landmark where enough birds were scanned: here those that were followed.
#[test]
fn corrected_masses_are_cues_of_onset() {
    let folder = demo_copy();
    let at = folder.path();
    let followed = |row: &&str| {
        let number = row.get(1..3).and_then(|number| number.parse::<u32>().ok());
        number.is_none_or(|number| number <= 6)
    };
    let onset = std::fs::read_to_string(at.join("onset.csv")).unwrap();
    let onset: Vec<&str> = onset.lines().filter(followed).collect();
    std::fs::write(at.join("onset.csv"), onset.join("\n")).unwrap();
    let done = |call: &str| {
        let output = pinfeather(at, call);
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        text(&output.stdout)
    };
    let of_fat = || -> Vec<Row> {
        let mut fat = rows(at, "cues");
        fat.retain(|row| row["trait"] == "fat");
        fat
    };
    let call = "onset . --curve gompertz --landmark 130 --details";
    let words = done(call);
    assert!(
        words.contains("are corrected by equations fitted to the study's chemistry"),
        "{words}"
    );
    assert!(!of_fat().is_empty());
    let cues = rows(at, "onset_cues");
    assert!(
        cues.iter().any(|row| row["cue"].starts_with("fat_")),
        "{cues:?} {words}"
    );
    no_bad_number(at);
    let output = pinfeather(
        at,
        "onset onset.csv --time first_egg_age_d --equation fat.toml",
    );
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("--equation: found with a table with one row a bird"));
}

#[test]
fn as_of_an_age_nothing_later_is_known() {
    let folder = demo_copy();
    let run = || {
        let call = "onset . --curve gompertz --as-of 136";
        let output = pinfeather(folder.path(), call);
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        let forecast = rows(folder.path(), "onset_forecast");
        let of = |row: &Row| {
            [
                row["bird"].clone(),
                row["estimate"].clone(),
                row["upper"].clone(),
            ]
        };
        forecast.iter().map(of).collect::<Vec<_>>()
    };
    let before = run();
    // Later eggs move by ten days, later weighings double: the forecast must not see it.
    let onset = std::fs::read_to_string(folder.path().join("onset.csv")).unwrap();
    let moved = onset.lines().map(|line| {
        let cells: Vec<&str> = line.split(',').collect();
        match cells[1].parse::<f64>() {
            Ok(egg) if egg > 136.0 => format!("{},{},178", cells[0], egg + 10.0),
            _ => line.to_owned(),
        }
    });
    let moved: Vec<String> = moved.collect();
    std::fs::write(folder.path().join("onset.csv"), moved.join("\n")).unwrap();
    assert_eq!(before, run());
    assert!(before.iter().filter(|row| !row[0].is_empty()).count() > 10);
}

/// The demo's weighings and first eggs alone.
fn weighed_birds() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let demo = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("data-demo");
    for table in ["birds.csv", "weighings.csv", "onset.csv"] {
        std::fs::copy(demo.join(table), folder.path().join(table)).unwrap();
    }
    let settings = "name = \"weighed birds\"\n[tables]\nbirds = \"birds.csv\"\nweighings = \"weighings.csv\"\nonset = \"onset.csv\"\n[units]\ndate_format = \"yyyy-mm-dd\"\n";
    std::fs::write(folder.path().join("study.toml"), settings).unwrap();
    folder
}

/// A population saved with its first eggs forecasts a flock of which none has laid; with ten
/// first eggs and more the flock's own do; a population without first eggs is refused.
#[test]
fn first_eggs_follow_growth() {
    let folder = weighed_birds();
    let at = folder.path();
    let model =
        "--curve two-phase-gompertz --random A1,A2,ti2 --variance lognormal --correlation none";
    let done = |call: &str| {
        let output = pinfeather(at, call);
        assert_eq!(
            output.status.code(),
            Some(0),
            "{call}: {}",
            text(&output.stderr)
        );
        text(&output.stdout)
    };
    done(&format!(
        "fit . --level population {model} --save-population flocks --out fits"
    ));
    let saved = at.join("flocks/body_weight_two-phase-gompertz.toml");
    let file = std::fs::read_to_string(&saved).unwrap();
    assert!(file.contains("[first_egg]"), "{file}");
    let call = format!("onset . {model} --population {} --details", saved.display());
    let words = done(&format!("{call} --as-of 119"));
    assert!(
        words.contains("by the joint model of growth and first egg")
            && words.contains("an earlier flock"),
        "{words}"
    );
    let forecast = rows(at, "onset_forecast");
    let mut eggs = forecast
        .iter()
        .filter(|row| row["quantity"] == "first_egg_age");
    assert!(eggs.clone().count() > 40);
    assert!(eggs.all(|row| row["model"] == "joint_model:earlier_flock"
        && cell(row, "estimate") > 119.0
        && cell(row, "lower") >= 119.0));
    let terms = rows(at, "first_egg_terms");
    let lags: Vec<f64> = terms
        .iter()
        .filter(|row| row["quantity"] == "lag")
        .map(|row| cell(row, "estimate"))
        .collect();
    // The demo was drawn with 15 to 18 d.
    assert!(
        lags.len() == 3 && lags.iter().all(|lag| (12.0..21.0).contains(lag)),
        "{lags:?}"
    );
    no_bad_number(at);
    let words = done(&format!("onset . {model} --as-of 147 --details"));
    assert!(
        words.contains("birds of this flock") && words.contains("if on time; chance of being late"),
        "{words}"
    );
    assert!(
        rows(at, "onset_forecast")
            .iter()
            .all(|row| row["model"] == "joint_model")
    );
    // An interval if on time begins with the day and lies within that of all.
    let forecast = rows(at, "onset_forecast");
    let birds = forecast.iter().filter(|row| row["level"] == "bird");
    let on_time = birds.filter(|row| !row["on_time_upper"].is_empty());
    assert!(on_time.clone().count() > 0);
    assert!(on_time.clone().all(|row| {
        let late = cell(row, "late_pct");
        (0.0..100.0).contains(&late)
            && cell(row, "on_time_lower") >= 147.0
            && cell(row, "on_time_lower") <= cell(row, "on_time_estimate")
            && cell(row, "on_time_estimate") <= cell(row, "on_time_upper")
    }));
    // Damaged, and without first eggs.
    let cut = file.replace(
        "[first_egg]\nterms = [\"ti2\"",
        "[first_egg]\nterms = [\"k2\", \"ti2\"",
    );
    assert_ne!(cut, file);
    std::fs::write(at.join("cut.toml"), sealed(&cut)).unwrap();
    let without = &file[..file.find("[first_egg]").unwrap()];
    std::fs::write(at.join("without.toml"), sealed(without)).unwrap();
    for (name, expected) in [
        ("cut.toml", "first_egg: spreads"),
        ("without.toml", "found a population without first eggs"),
    ] {
        let output = pinfeather(at, &format!("onset . {model} --population {name}"));
        assert_eq!(output.status.code(), Some(2));
        let errors = text(&output.stderr);
        assert!(errors.contains(expected), "{errors}");
    }
}

fn bare(table: &str, call: &str) -> (tempfile::TempDir, Output) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("birds.csv"), table).unwrap();
    let output = pinfeather(folder.path(), &format!("onset birds.csv {call}"));
    (folder, output)
}

/// A strain of which no bird has laid has no mean; the others are forecast all the same.
#[test]
fn a_strain_without_first_eggs_leaves_the_others_their_forecast() {
    let mut table = "bird,strain,age,laid\n".to_owned();
    for bird in 0..12 {
        let (age, laid) = if bird < 8 { (130 + bird, 1) } else { (140, 0) };
        table += &format!("A{bird},Alder,{age},{laid}\nB{bird},Birch,140,0\n");
    }
    let (folder, output) = bare(&table, "--time age --event laid --details");
    assert_eq!(output.status.code(), Some(0));
    let words = text(&output.stdout);
    assert!(words.contains("Birch: no forecast of 12 birds"), "{words}");
    no_bad_number(folder.path());
    let forecast = rows(folder.path(), "onset_forecast");
    let birds = forecast.iter().filter(|row| row["level"] == "bird");
    let birds: Vec<_> = birds.collect();
    assert_eq!(birds.len(), 4, "{birds:?}");
    assert!(
        birds
            .iter()
            .all(|row| row["strain"] == "Alder" && cell(row, "estimate") >= 140.0)
    );
}

#[test]
fn no_bird_has_laid() {
    let table = "bird,age,laid,weight\nA,140,0,1200\nB,140,0,1300\nC,140,0,1250\n";
    let (folder, output) = bare(table, "--time age --event laid --cues weight");
    assert_eq!(output.status.code(), Some(0));
    let warnings = text(&output.stderr);
    assert!(warnings.contains("no bird of 3 has laid"), "{warnings}");
    no_bad_number(folder.path());
    let fits = rows(folder.path(), "onset_fits");
    assert!(
        fits.iter()
            .all(|row| row["status"] == "failed" && row["reason"].contains("events"))
    );
    let curve = rows(folder.path(), "lay_curve");
    assert!(
        curve.iter().all(|row| row["share_in_lay"] == "0"),
        "{curve:?}"
    );
    let (_, output) = bare(table, "--time age --event laid --cues weight --strict");
    assert_eq!(output.status.code(), Some(1));
}

#[test]
fn all_laid_at_one_age() {
    let table = "bird,age,laid,weight\nA,140,1,1200\nB,140,1,1300\nC,140,1,1250\nD,140,1,1290\n";
    let (folder, output) = bare(table, "--time age --event laid --cues weight");
    assert_eq!(output.status.code(), Some(0));
    assert!(text(&output.stderr).contains("onset models have no answer"));
    no_bad_number(folder.path());
    let ages = rows(folder.path(), "age_in_lay");
    assert!(ages.iter().all(|row| row["age_d"] == "140"));
    let fits = rows(folder.path(), "onset_fits");
    let reason = "all values are the same";
    assert!(
        fits.iter()
            .all(|row| row["status"] == "failed" && row["reason"].contains(reason))
    );
}

#[test]
fn a_first_egg_before_the_first_weighing_is_reported() {
    let folder = demo_copy();
    let weighings = std::fs::read_to_string(folder.path().join("weighings.csv")).unwrap();
    // A01 laid at 137 d, 18 July 2025: leave it its weighings after that.
    let kept: Vec<&str> = weighings
        .lines()
        .filter(|line| !line.contains(",A01,") || *line > "2025-07-19")
        .collect();
    std::fs::write(folder.path().join("weighings.csv"), kept.join("\n")).unwrap();
    // Its scans would have measured it before.
    let scans = std::fs::read_to_string(folder.path().join("scans.csv")).unwrap();
    let kept: Vec<&str> = scans.lines().filter(|line| !line.contains("A01")).collect();
    std::fs::write(folder.path().join("scans.csv"), kept.join("\n")).unwrap();
    let output = pinfeather(folder.path(), "onset . --curve gompertz");
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let warnings = text(&output.stderr);
    assert!(
        warnings.contains("first egg before the first weighing")
            && warnings.contains("A01 (egg at 137 d"),
        "{warnings}"
    );
    let values = rows(folder.path(), "thresholds");
    let a01 = values
        .iter()
        .find(|row| row["bird"] == "A01" && row["measure"] == "body_weight" && row["unit"] == "g")
        .unwrap();
    assert_eq!(
        (a01["estimate"].as_str(), a01["note"].is_empty()),
        ("", false),
        "{a01:?}"
    );
    no_bad_number(folder.path());
}

#[test]
fn an_onset_after_death_is_refused() {
    let folder = demo_copy();
    let onset = std::fs::read_to_string(folder.path().join("onset.csv")).unwrap();
    let wrong = onset.replace("A01,137,168", "A01,137,120");
    std::fs::write(folder.path().join("onset.csv"), wrong).unwrap();
    let output = pinfeather(folder.path(), "onset .");
    assert_eq!(output.status.code(), Some(2));
    let errors = text(&output.stderr);
    assert!(
        errors.contains("a first egg at 137 d, after the bird was last seen at 120 d"),
        "{errors}"
    );
    assert!(!folder.path().join("results").exists());
}

#[test]
fn wrong_cells_and_columns_are_reported_with_their_place() {
    let good = "bird,age,laid,weight,lower,upper\nA,140,1,1200,133,140\n";
    let cases = [
        (
            "A,-3,1,1200,,",
            "--time age",
            "row 2, column age: found -3, expected an age above 0",
        ),
        (
            "A,140,maybe,1200,,",
            "--time age --event laid",
            "found \"maybe\"",
        ),
        ("A,140,7,1200,,", "--time age --event laid", "found \"7\""),
        (
            "A,140,1,1200,150,140",
            "--lower lower --upper upper",
            "before the lower limit 150 d",
        ),
        (
            "A,140,1,heavy,,",
            "--time age --cues weight",
            "column weight: found \"heavy\"",
        ),
        (
            "A,140,1,1200,,",
            "--time day",
            "no column day, expected one of bird, age, laid",
        ),
        ("A,,1,1200,,", "--time age", "found no row with a time"),
    ];
    for (line, call, expected) in cases {
        let header = good.lines().next().unwrap();
        let (folder, output) = bare(&format!("{header}\n{line}\n"), call);
        let errors = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{line}: {errors}");
        assert!(errors.contains(expected), "{line}: {errors}");
        assert!(!folder.path().join("results").exists());
    }
    let (_, output) = bare(good, "--time age --landmark 150");
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("found no bird seen and not laying at that age"));
}

/// Looks a week apart: the same interval-censored log-normal fit as survreg's
/// (`interval2`), and a lay curve by Turnbull.
#[test]
fn first_eggs_between_two_looks() {
    let mut table = "bird,lower,upper,weight\n".to_owned();
    for (k, (lower, upper)) in [
        ("", "119"),
        ("119", "126"),
        ("126", "133"),
        ("126", "133"),
        ("133", "140"),
        ("133", "140"),
        ("140", "147"),
        ("147", ""),
    ]
    .iter()
    .enumerate()
    {
        table += &format!(
            "B{k},{lower},{upper},{}\n",
            1300 - 12 * k + 17 * ((3 * k) % 5)
        );
    }
    let (folder, output) = bare(&table, "--lower lower --upper upper --cues weight");
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let expected: Value = serde_json::from_str(
        &std::fs::read_to_string(reference("time_to_event/interval.json")).unwrap(),
    )
    .unwrap();
    let terms = rows(folder.path(), "onset_terms");
    for (model, values) in expected["fits"].as_object().unwrap() {
        for (k, term) in ["intercept", "weight", "log_scale"].iter().enumerate() {
            let row = terms
                .iter()
                .find(|row| row["model"] == *model && row["term"] == *term)
                .unwrap();
            for (column, key) in [("estimate", "estimates"), ("std_error", "std_errors")] {
                let value = values[key][k].as_f64().unwrap();
                assert!(
                    digits(cell(row, column), value) >= 6.0,
                    "{model} {term} {column}"
                );
            }
        }
        let fits = rows(folder.path(), "onset_fits");
        let fit = fits.iter().find(|row| row["model"] == *model).unwrap();
        let log_lik = values["log_lik"].as_f64().unwrap();
        assert!(digits(cell(fit, "log_lik"), log_lik) >= 6.0);
    }
    let curve = rows(folder.path(), "lay_curve");
    assert!(curve.iter().all(|row| row["method"] == "turnbull"));
    // By hand: no looks overlap, so each stretch holds the birds that were looked at in it.
    let shares: Vec<f64> = curve.iter().map(|row| cell(row, "share_in_lay")).collect();
    for (found, expected) in shares.iter().zip([1.0, 2.0, 4.0, 6.0, 7.0]) {
        // 1e-6: what the criterion of the estimate leaves of the shares.
        assert!((found - expected / 8.0).abs() < 1e-6, "{shares:?}");
    }
}

/// Invented birds of known truth: ln age = ln 140 - 0.05 x + 0.03 z with x of variance 1,
/// the cue x + 0.7 u. Theory (Carroll et al. 2006, 3.2): the slope on the cue as measured
/// is 1 / (1 + 0.49) = 0.671 times the true one; calibration gives the true one back.
#[test]
fn calibration_undoes_the_attenuation_of_a_known_truth() {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
    let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
    let mut table = "bird,age,laid,cue,cue_std_error\n".to_owned();
    for bird in 0..600 {
        let x = normal();
        let age_d = 140.0 * (-0.05 * x + 0.03 * normal()).exp();
        let (seen_d, laid) = if age_d > 150.0 {
            (150.0, 0)
        } else {
            (age_d, 1)
        };
        table += &format!("B{bird},{seen_d},{laid},{},0.7\n", x + 0.7 * normal());
    }
    let slope = |call: &str| {
        let (folder, output) = bare(&table, call);
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        let terms = rows(folder.path(), "onset_terms");
        let row = terms
            .iter()
            .find(|row| row["model"] == "lognormal" && row["term"] == "cue")
            .unwrap();
        let cues = rows(folder.path(), "onset_cues");
        (
            cell(row, "estimate"),
            cell(row, "std_error"),
            cell(&cues[0], "reliability"),
        )
    };
    let (naive, naive_error, reliability) = slope("--time age --event laid --cues cue");
    // Three standard errors: a right program passes 997 of 1000 seeds.
    assert!(
        (naive + 0.05 * 0.671).abs() < 3.0 * naive_error,
        "{naive} {naive_error}"
    );
    // The variance of 600 normal values is known to 1 / sqrt(300) = 5.8 %, reliability to 2 %.
    assert!((reliability - 0.671).abs() < 0.06, "{reliability}");
    let (corrected, error, _) = slope("--time age --event laid --cues cue --calibrate-cues");
    assert!(
        (corrected + 0.05).abs() < 3.0 * error,
        "{corrected} {error}"
    );
    assert!(
        (naive + 0.05).abs() > 3.0 * naive_error,
        "the test would not see a missing calibration"
    );
    assert!(error > naive_error, "{error} {naive_error}");
}
