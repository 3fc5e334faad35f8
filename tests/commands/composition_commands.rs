//! `repeatability`, `calibrate` and `correct` as their users call them: words,
//! tables, saved equations, and messages on faulty input.

use std::path::Path;

use pinfeather::composition::seal;

use crate::support::scans::{SCAN_SD, invented};

use crate::support::{Row, cell, done, pinfeather, reference, text};

/// Rows of a table of results, its header checked to begin as the contract requires.
fn table(folder: &Path, name: &str, header: &str) -> Vec<Row> {
    let path = folder.join(format!("results/tables/{name}.csv"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{name}: {error}"));
    assert!(
        text.lines().next().unwrap().starts_with(header),
        "{name}: {text}"
    );
    assert!(!text.contains("NaN") && !text.contains("inf,"), "{name}");
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

fn find<'a>(rows: &'a [Row], wanted: &[(&str, &str)]) -> &'a Row {
    let fits = |row: &&Row| wanted.iter().all(|(column, cell)| row[*column] == *cell);
    rows.iter()
        .find(fits)
        .unwrap_or_else(|| panic!("no row {wanted:?}"))
}

const TERMS: &str = "equation,term,estimate,std_error,lower,upper,vif";
const ROWS: &str =
    "equation,row,bird,observed,fitted,leverage,cooks_distance,studentised,left_out_error";
const AGREEMENT: &str = "trait,stage,n,bias,sd,lower_limit,upper_limit,concordance,concordance_lower,concordance_upper,deming_slope,deming_intercept";
const REPEATABILITY: &str = "trait,method,subjects,scans,df,rms_sd,rms_cv_pct,lower,upper,lsc";

/// NIST StRD Longley by the bare-table call: certified coefficients and standard
/// errors (https://www.itl.nist.gov/div898/strd/lls/data/Longley.shtml), to the ten
/// digits that a table holds.
#[test]
fn a_bare_table_of_longley_gives_the_certified_terms() {
    let folder = tempfile::tempdir().unwrap();
    let data = std::fs::read_to_string(reference("nist_linear/Longley.csv")).unwrap();
    std::fs::write(folder.path().join("longley.csv"), &data).unwrap();
    let words = done(
        folder.path(),
        "calibrate longley.csv --response y --terms x1,x2,x3,x4,x5,x6 --details",
    );
    assert!(words.contains("local radiation rules"), "{words}");
    let terms = table(folder.path(), "calibration_terms", TERMS);
    let expected: serde_json::Value =
        serde_json::from_slice(&std::fs::read(reference("nist_linear/expected.json")).unwrap())
            .unwrap();
    let certified = &expected["sets"]["Longley"];
    for (place, row) in terms.iter().enumerate() {
        for (column, key) in [("estimate", "certified"), ("std_error", "certified_se")] {
            let value = certified[key][place].as_f64().unwrap();
            let digits = -((cell(row, column) - value) / value)
                .abs()
                .max(1e-16)
                .log10();
            // Tables hold 10 digits: half a unit of the last is 5e-10 at worst.
            assert!(digits > 9.0, "{} {column}: {digits}", row["term"]);
        }
    }
    assert_eq!(terms.len(), 7);
    assert_eq!(terms[0]["vif"], "");
    let choice = table(
        folder.path(),
        "calibration_choice",
        "equation,rank,candidate,n",
    );
    assert_eq!(choice[0]["n"], "16");
    assert_eq!(table(folder.path(), "calibration_rows", ROWS).len(), 16);
    let saved = folder.path().join("results/models/corrections/y.toml");
    assert!(std::fs::read_to_string(saved).unwrap().contains("sha256:"));
}

/// The bare call of the guide, with candidates and a bird of several rows.
#[test]
fn candidates_of_a_bare_table_are_ranked_by_birds_left_out() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("pairs.csv"), pairs()).unwrap();
    let words = done(
        folder.path(),
        "calibrate pairs.csv --response fat_chem --terms fat_scan,lean_scan,age,strain,fat_scan*strain --terms age --bird bird --details",
    );
    assert!(words.contains("48 rows of 24 birds"), "{words}");
    let choice = table(
        folder.path(),
        "calibration_choice",
        "equation,rank,candidate,n,coefficients,rmse,cross_validated_rmse,aicc",
    );
    let errors: Vec<f64> = choice
        .iter()
        .map(|row| cell(row, "cross_validated_rmse"))
        .collect();
    assert!(errors.len() == 2 && errors[0] < errors[1], "{errors:?}");
    assert_eq!(choice[1]["candidate"], "age");
    let terms = table(folder.path(), "calibration_terms", TERMS);
    let slope = find(&terms, &[("equation", "fat"), ("term", "fat_scan")]);
    assert!(
        cell(slope, "lower") < 0.8 && 0.8 < cell(slope, "upper"),
        "{slope:?}"
    );
    let agreement = table(folder.path(), "agreement", AGREEMENT);
    let before = find(&agreement, &[("trait", "fat"), ("stage", "before")]);
    let after = find(&agreement, &[("trait", "fat"), ("stage", "after")]);
    assert!(cell(before, "bias") > 10.0 && cell(after, "bias").abs() < 1.0);
    // A percentage is fitted on request, with a warning that it calibrates badly.
    let output = pinfeather(
        folder.path(),
        "calibrate pairs.csv --response fat_pct --terms fat_scan,age --json --strict",
    );
    assert_eq!(output.status.code(), Some(1));
    let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let warnings = document["warnings"].to_string();
    assert!(
        warnings.contains("percentages calibrate badly"),
        "{warnings}"
    );
    let words = document["words"].to_string();
    assert!(words.contains("X-ray work needs trained"), "{words}");
}

/// fat = 0.8 reading - 5, two scans a bird, a little scatter by arithmetic.
fn pairs() -> String {
    let mut table = String::from("bird,strain,age,fat_scan,lean_scan,fat_chem,fat_pct\n");
    for bird in 0..24 {
        let fat = 40.0 + 6.0 * f64::from(bird) + f64::from(bird * 7 % 5);
        for scan in 0..2 {
            let off = f64::from((bird * 5 + scan * 3) % 7) - 3.0;
            table += &format!(
                "b{bird},{},{},{},{},{fat},{}\n",
                ["Alder", "Birch"][bird as usize % 2],
                28 + 7 * (bird % 6),
                (fat + 5.0) / 0.8 + off,
                600 + bird * 13 % 40 + scan,
                fat / 10.0
            );
        }
    }
    table
}

/// Precision of scans/subjects of unequal repeats, from the reference's Python values.
#[test]
fn a_bare_table_of_repeats_gives_the_reference_precision() {
    let folder = tempfile::tempdir().unwrap();
    let expected: serde_json::Value =
        serde_json::from_slice(&std::fs::read(reference("precision/expected.json")).unwrap())
            .unwrap();
    for set in ["equal", "unequal"] {
        let data = reference(&format!("precision/precision_{set}.csv"));
        std::fs::copy(data, folder.path().join("scans.csv")).unwrap();
        let words = done(
            folder.path(),
            "repeatability scans.csv --bird subject --value value",
        );
        assert!(words.contains("least significant change"), "{words}");
        let rows = table(folder.path(), "repeatability", REPEATABILITY);
        for (column, key) in [
            ("rms_sd", "rms_sd_df_weighted"),
            ("rms_cv_pct", "rms_cv_pct_df_weighted"),
            ("lsc", "lsc"),
        ] {
            let value = expected[set][key].as_f64().unwrap();
            // Ten digits in the table.
            assert!(
                (cell(&rows[0], column) / value - 1.0).abs() < 1e-9,
                "{set} {column}"
            );
        }
        assert_eq!(rows[0]["df"], expected[set]["df"].to_string());
    }
    // 12 degrees of freedom are few, which is reported.
    let output = pinfeather(
        folder.path(),
        "repeatability scans.csv --bird subject --value value --strict",
    );
    assert_eq!(output.status.code(), Some(1));
    assert!(text(&output.stderr).contains("degrees of freedom, under 30"));
}

/// Growth between ages is no lack of precision, and methods stand apart.
#[test]
fn repeats_of_a_bare_table_are_scans_at_one_age() {
    let folder = tempfile::tempdir().unwrap();
    let mut scans = String::from("bird,age_d,restraint,fat_g\n");
    for bird in 0..6 {
        for (age, fat) in [(28, 20.0), (56, 80.0), (84, 140.0)] {
            for (restraint, spread) in [("tube", 1.0), ("hood", 4.0)] {
                let fat = fat + f64::from(bird);
                scans += &format!("b{bird},{age},{restraint},{}\n", fat - spread);
                scans += &format!("b{bird},{age},{restraint},{}\n", fat + spread);
            }
        }
    }
    std::fs::write(folder.path().join("scans.csv"), scans).unwrap();
    done(
        folder.path(),
        "repeatability scans.csv --bird bird --value fat_g --method restraint",
    );
    let rows = table(folder.path(), "repeatability", REPEATABILITY);
    // Two readings 2 s apart have an SD of sqrt 2 s.
    for (method, spread) in [("restraint=tube", 1.0), ("restraint=hood", 4.0)] {
        let row = find(&rows, &[("method", method)]);
        assert!(
            (cell(row, "rms_sd") - spread * 2f64.sqrt()).abs() < 1e-8,
            "{row:?}"
        );
        assert_eq!((row["subjects"].as_str(), row["df"].as_str()), ("18", "18"));
    }
    let ratios = table(
        folder.path(),
        "method_ratios",
        "trait,method_a,method_b,variance_ratio",
    );
    assert!((cell(&ratios[0], "variance_ratio") - 16.0).abs() < 1e-8);
}

/// Each call ends with status 2, states what is needed, and writes nothing.
fn refused(folder: &Path, call: &str, expected: &[&str]) {
    let output = pinfeather(folder, call);
    let errors = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{call}: {errors}");
    for part in expected {
        assert!(errors.contains(part), "{call}: {errors}");
    }
    assert!(!errors.contains("panicked"), "{errors}");
    assert!(!folder.join("results").exists(), "{call}");
}

#[test]
fn wrong_bare_tables_and_calls_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let files = [
        ("pairs.csv", pairs()),
        ("one.csv", "bird,fat_scan,fat_chem\n1,80,60\n".to_owned()),
        (
            "word.csv",
            "bird,fat_scan,fat_chem\n1,80,60\n2,eighty,61\n3,9,9\n".to_owned(),
        ),
        ("header.csv", "bird,fat_scan,fat_chem\n".to_owned()),
        ("single.csv", "bird,fat_g\n1,80\n2,81\n".to_owned()),
    ];
    for (name, table) in &files {
        std::fs::write(at.join(name), table).unwrap();
    }
    let cases: &[(&str, &[&str])] = &[
        ("calibrate pairs.csv", &["pairs.csv", "--response"]),
        (
            "calibrate pairs.csv --response fat_chem --terms colour",
            &["no column colour"],
        ),
        (
            "calibrate pairs.csv --response fat_chem --terms fat_scan,fat_scan",
            &["fat_scan twice"],
        ),
        (
            "calibrate pairs.csv --response fat_chem --terms fat_scan*strain",
            &["without the term fat_scan"],
        ),
        (
            "calibrate pairs.csv --response strain --terms fat_scan",
            &["pairs.csv, row 2, column strain: found \"Alder\", expected a number"],
        ),
        (
            "calibrate one.csv --response fat_chem --terms fat_scan",
            &["one.csv: found 1 bird with all values, expected at least 3"],
        ),
        (
            "calibrate word.csv --response fat_chem --terms fat_scan*bird,bird",
            &["word.csv"],
        ),
        (
            "calibrate header.csv --response fat_chem --terms fat_scan",
            &["header.csv"],
        ),
        (
            "calibrate nowhere.csv --response a --terms b",
            &["nowhere.csv"],
        ),
        (
            "calibrate pairs.csv --response fat_chem --terms fat_scan --confidence 95",
            &["--confidence", "between 0 and 1"],
        ),
        (
            "repeatability single.csv --bird bird",
            &["single.csv", "--value"],
        ),
        (
            "repeatability single.csv --bird bird --value fat_g",
            &["single.csv: found no bird with two scans"],
        ),
        (
            "repeatability single.csv --bird ring --value fat_g",
            &["no column ring"],
        ),
        (
            "repeatability single.csv --value fat_kg",
            &["no column fat_kg"],
        ),
        ("correct single.csv", &["single.csv"]),
        ("correct . --equation none.toml", &["study.toml"]),
    ];
    for (call, expected) in cases {
        refused(at, call, expected);
    }
}

/// A study folder to its equations, to corrected masses; the truth is known.
#[test]
fn a_study_folder_gives_equations_and_masses() {
    let invented = invented(3);
    let study = invented.folder.path();
    let words = done(study, "repeatability . --details");
    assert!(words.contains("0 of 364 scans rejected"), "{words}");
    let rows = table(study, "repeatability", REPEATABILITY);
    for (trait_name, sd) in ["fat", "lean", "bone"].iter().zip(SCAN_SD) {
        let row = find(
            &rows,
            &[("trait", trait_name), ("method", "feathers=intact")],
        );
        assert_eq!(row["df"], "56");
        // Its 95 percent interval; the seed is fixed.
        assert!(
            cell(row, "lower") < sd && sd < cell(row, "upper"),
            "{row:?}"
        );
    }
    let protocol = table(study, "protocol", "trait,method,subjects,df,rms_sd");
    let plucked = find(
        &protocol,
        &[("trait", "total"), ("method", "feathers=plucked")],
    );
    assert_eq!(
        (plucked["reference"].as_str(), plucked["pairs"].as_str()),
        ("scale weight", "112")
    );

    let words = done(study, "calibrate . --save models/corrections --details");
    assert!(words.contains("from 56 carcasses"), "{words}");
    let agreement = table(study, "agreement", AGREEMENT);
    for trait_name in ["fat", "lean", "bone"] {
        let of = |stage| find(&agreement, &[("trait", trait_name), ("stage", stage)]);
        assert!(cell(of("after"), "rmse") < cell(of("before"), "rmse"));
        for (value, lower, upper) in [
            ("bias", "bias_lower", "bias_upper"),
            ("lower_limit", "lower_limit_lower", "lower_limit_upper"),
            ("upper_limit", "upper_limit_lower", "upper_limit_upper"),
        ] {
            let [value, lower, upper] = [value, lower, upper].map(|name| cell(of("after"), name));
            assert!(lower < value && value < upper, "{trait_name}");
        }
    }
    let terms = table(study, "calibration_terms", TERMS);
    let effect = find(
        &terms,
        &[("equation", "fat_effect"), ("term", "feather_mass")],
    );
    assert!(
        cell(effect, "lower") < 0.5 && 0.5 < cell(effect, "upper"),
        "{effect:?}"
    );
    let feathers = table(study, "feathers", "strain,age_d,n,feathers_g,share_pct");
    assert_eq!(feathers.len(), 14);
    assert_eq!(table(study, "feather_routes", "trait,route").len(), 6);
    assert_eq!(table(study, "closure", "bird,part,mass_g").len(), 112);

    // The study's own equations are found where they were saved.
    done(study, "correct . --reconcile");
    let corrected = table(
        study,
        "corrected",
        "scan,bird,strain,age_d,trait,birds_in_scan,reading,corrected,std_error,own_error,shared_error",
    );
    assert_eq!(corrected.len(), 3 * 252);
    let (mut inside, mut n) = (0, 0);
    for (bird, age_d, truth) in &invented.live {
        let age = age_d.to_string();
        let row = find(
            &corrected,
            &[("bird", bird), ("age_d", &age), ("trait", "fat")],
        );
        inside += usize::from(cell(row, "lower") < truth.fat_g && truth.fat_g < cell(row, "upper"));
        n += 1;
    }
    // 140 values of 20 birds, 95 percent expected.
    assert!(inside >= 125 && n == 140, "{inside} of {n}");
    let balance = table(
        study,
        "balance",
        "scan,bird,strain,age_d,scale_weight_g,sum_g,sum_std_error,closure_pct,part",
    );
    for scan in balance.chunks(4) {
        let sum: f64 = scan.iter().map(|row| cell(row, "reconciled_g")).sum();
        // Ten digits of four parts up to 2,000 g.
        assert!(
            (sum - cell(&scan[0], "scale_weight_g")).abs() < 1e-6,
            "{scan:?}"
        );
    }
    let rejected = table(
        study,
        "rejected_scans",
        "scan,bird,age_d,region,restraint,row,equation,reason",
    );
    assert_eq!(rejected.len(), 112);
    assert!(rejected.iter().all(|row| row["reason"].contains("plucked")));
}

/// A bare table of scans is corrected by saved equations; a study of scans alone reads. An
/// equation as it was published, without covariance, is refused.
#[test]
fn scans_alone_are_corrected_by_saved_equations() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let scans =
        "bird,strain,age_d,fat_g,lean_g,scale_weight_g\nm1,x,70,4.2,17.5,22\nm2,y,70,5.2,18.5,24\n";
    std::fs::write(at.join("scans.csv"), scans).unwrap();
    std::fs::write(at.join("study.toml"), "[tables]\nscans = \"scans.csv\"\n").unwrap();
    let published = Path::new(env!("CARGO_MANIFEST_DIR")).join("models/corrections/published");
    let mut saved = Vec::new();
    for (name, zeros) in [("fat", "[0.0, 0.0, 0.0]"), ("lean", "[0.0, 0.0]")] {
        let file = published.join(format!("mouse_{name}.toml"));
        refused(
            at,
            &format!("correct . --equation {}", file.display()),
            &["found no covariance of its coefficients", "(validate)"],
        );
        // An invented covariance.
        let text = std::fs::read_to_string(&file).unwrap();
        let rows = vec![zeros; zeros.split(',').count()].join(", ");
        let with = format!("{text}\n[covariance]\nrows = [{rows}]\n");
        let file = at.join(format!("{name}.toml"));
        std::fs::write(&file, seal(&with).unwrap()).unwrap();
        saved.push(file.display().to_string());
    }
    let equations = saved.join(",");
    for input in ["scans.csv", "."] {
        done(at, &format!("correct {input} --equation {equations}"));
        let rows = table(at, "corrected", "scan,bird,strain,age_d,trait");
        let row = find(&rows, &[("bird", "m1"), ("trait", "fat")]);
        // Nagy and Clair 2000: worked in tests/reference/composition.rs.
        assert!((cell(row, "corrected") - 2.153).abs() < 1e-9, "{row:?}");
        assert!(cell(row, "shared_error").abs() < 1e-12);
        assert_eq!(find(&rows, &[("bird", "m2")])["strain"], "y");
    }
    done(at, "check .");
}

const CURVE: &str = "--curve gompertz --format svg";

/// Corrected masses are traits beside body weight, weighted, with the equations'
/// part of the error beside the fit's own.
#[test]
fn corrected_masses_run_into_the_curves() {
    let invented = invented(5);
    let study = invented.folder.path();
    done(study, "calibrate . --save models/corrections");
    let words = done(
        study,
        "fit . --curve gompertz --calibration-draws 40 --seed 7",
    );
    assert!(
        words.contains("the equation's share of the variance"),
        "{words}"
    );
    let fits = table(
        study,
        "curve_fits",
        "level,strain,bird,trait,curve,n,status",
    );
    // 56 birds of the laboratory and 20 throughout, in one strain each of two.
    for trait_name in ["body_weight", "fat", "lean", "bone"] {
        let strain = find(
            &fits,
            &[
                ("level", "strain"),
                ("strain", "Birch"),
                ("trait", trait_name),
            ],
        );
        assert_eq!(strain["n"], (28 + 70).to_string(), "{trait_name}");
    }
    let shares = table(
        study,
        "calibration_share",
        "level,strain,bird,trait,curve,term,estimate,std_error,lower,upper,redraw_sd,std_error_redraw,lower_redraw,upper_redraw",
    );
    assert!(shares.iter().all(|row| row["trait"] != "body_weight"));
    let wider = |row: &Row| {
        (!row["std_error"].is_empty()).then(|| {
            let (own, sd) = (cell(row, "std_error"), cell(row, "redraw_sd"));
            // Ten digits in the table.
            assert!((cell(row, "std_error_redraw") / own.hypot(sd) - 1.0).abs() < 1e-8);
            assert!(cell(row, "lower_redraw") <= cell(row, "lower"), "{row:?}");
            assert!(cell(row, "upper_redraw") >= cell(row, "upper"), "{row:?}");
            assert!(sd > 0.0, "{row:?}");
        })
    };
    assert!(shares.iter().filter_map(wider).count() > 100);
    // The equation moves all birds together: the curve of many birds is moved as far as
    // that of one, where independent errors would shrink by sqrt 38, more than sixfold.
    let moved = |level: &str| {
        let of = shares.iter().filter(|row| {
            row["level"] == level && row["trait"] == "fat" && row["term"] == "inflection_rate"
        });
        let mut moved: Vec<f64> = of.map(|row| cell(row, "redraw_sd")).collect();
        moved.sort_by(f64::total_cmp);
        moved[moved.len() / 2]
    };
    let ratio = moved("strain") / moved("bird");
    assert!((0.5..2.0).contains(&ratio), "{ratio}");
    // The same seed gives the same bytes, another does not.
    let read = || std::fs::read(study.join("results/tables/calibration_share.csv")).unwrap();
    let first = read();
    done(
        study,
        "fit . --curve gompertz --calibration-draws 40 --seed 7 --threads 1",
    );
    assert_eq!(first, read());
    done(
        study,
        "fit . --curve gompertz --calibration-draws 40 --seed 8",
    );
    assert_ne!(first, read());
}

/// `run` goes from scans to equations, masses and curves in order.
#[test]
fn a_run_does_all_in_order() {
    let invented = invented(5);
    let study = invented.folder.path();
    let words = done(study, &format!("run . --details {CURVE}"));
    let places: Vec<usize> = [
        "How well does the scanner repeat itself?",
        "How well do readings predict the chemical masses?",
        "What do feathers add to a reading?",
        "What are the true masses?",
        "How do they grow?",
    ]
    .iter()
    .map(|heading| {
        words
            .find(heading)
            .unwrap_or_else(|| panic!("{heading}: {words}"))
    })
    .collect();
    assert!(places.is_sorted(), "{places:?}");
    assert_eq!(
        words.matches("X-ray work needs trained").count(),
        1,
        "{words}"
    );
    for name in [
        "repeatability",
        "protocol",
        "calibration_terms",
        "calibration_rows",
        "calibration_choice",
        "agreement",
        "feathers",
        "corrected",
        "balance",
        "rejected_scans",
    ] {
        assert!(
            study.join(format!("results/tables/{name}.csv")).is_file(),
            "{name}"
        );
    }
    assert!(study.join("results/models/corrections/fat.toml").is_file());
    for name in [
        "growth_fat",
        "calibration_fat",
        "bland_altman_lean",
        "precision_by_method",
        "body_parts",
    ] {
        assert!(
            study.join(format!("results/figures/{name}.svg")).is_file(),
            "{name}"
        );
    }
    // Fat and lean of one bird err against each other: together they are better known
    // than if they were independent.
    let balance = table(
        study,
        "balance",
        "scan,bird,strain,age_d,scale_weight_g,sum_g,sum_std_error",
    );
    let scan = &balance[..4];
    let independent: f64 = scan.iter().map(|row| cell(row, "std_error").powi(2)).sum();
    assert!(
        cell(&scan[0], "sum_std_error") < 0.7 * independent.sqrt(),
        "{scan:?}"
    );
}

/// A scan of three birds weighs as three in its strain's curve, and is in no bird's.
#[test]
fn group_scans_serve_strains_alone() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let mut scans =
        String::from("bird,strain,age_d,birds_in_scan,fat_g,lean_g,bone_g,scale_weight_g\n");
    for (place, age) in [20, 40, 60, 80, 100, 120].into_iter().enumerate() {
        let fat = [10.0, 30.0, 62.0, 90.0, 108.0, 120.0][place];
        for (bird, more) in [("a", 0.0), ("b", 3.0), ("c", -2.0)] {
            scans += &format!("{bird},A,{age},1,{},600,20,{}\n", fat + more, 620.0 + fat);
        }
        scans += &format!(
            "a+b+c,A,{age},3,{},1800,60,{}\n",
            3.0 * fat + 6.0,
            1860.0 + 3.0 * fat
        );
    }
    std::fs::write(at.join("scans.csv"), scans).unwrap();
    std::fs::write(at.join("study.toml"), "[tables]\nscans = \"scans.csv\"\n").unwrap();
    let equation = pinfeather::composition::seal(
        "format = \"pinfeather correction equation, version 1\"\n[equation]\nresponse = \"fat\"\nunit = \"g\"\nfeathers = \"unknown\"\nmethod = \"published\"\nrows = 9\nbirds = 9\nstrains = []\nresidual_variance = 9.0\n[[coefficient]]\ncolumn = \"fat_scan\"\nvalue = 1.0\n[covariance]\nrows = [[0.0]]\n",
    )
    .unwrap();
    std::fs::write(at.join("fat.toml"), equation).unwrap();
    done(at, "fit . --equation fat.toml --curve logistic");
    let fits = table(at, "curve_fits", "level,strain,bird,trait,curve,n,status");
    let n = |level: &str, bird: &str| find(&fits, &[("level", level), ("bird", bird)])["n"].clone();
    assert_eq!(
        (n("strain", ""), n("bird", "a")),
        ("24".to_owned(), "6".to_owned())
    );
    // Standardised, a residual of three birds is sqrt 3 times that of one.
    let residuals = table(
        at,
        "residuals",
        "level,strain,bird,trait,curve,age_d,observed,fitted,residual,standardised",
    );
    let strain: Vec<f64> = residuals
        .iter()
        .filter(|row| row["level"] == "strain" && row["age_d"] == "20")
        .map(|row| cell(row, "standardised") / cell(row, "residual"))
        .collect();
    assert_eq!(strain.len(), 4);
    // Ten digits in the table.
    assert!(
        (strain[3] / strain[0] - 3f64.sqrt()).abs() < 1e-7,
        "{strain:?}"
    );
    assert!((strain[1] / strain[0] - 1.0).abs() < 1e-7, "{strain:?}");
}

const STUDY: &str = "[tables]\nbirds = \"birds.csv\"\nweighings = \"weighings.csv\"\nscans = \"scans.csv\"\nchemistry = \"chemistry.csv\"\n[chemistry]\nbasis = \"as-is\"\n[calibration.terms]\nfat_chem = [\"fat_scan\"]\n";
const SCANS_HEADER: &str = "bird,age_d,repeat,feathers,fat_g,lean_g,bone_g,scale_weight_g\n";
const SCANS: &str = "a1,56,1,intact,80,600,15,700\na2,56,1,intact,90,640,16,745\na3,56,1,intact,75,580,14,668\na4,56,1,intact,88,600,15,702\n";
const CHEMISTRY: &str = "a1,body,660,32,20,9,3\na2,body,700,33,20,10,3\na3,body,630,31,20,8,3\na4,body,660,33,19.5,10.5,3\n";

/// A small study folder with these scans and analyses under the usual headers.
fn small(scans: &str, chemistry: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let scans = format!("{SCANS_HEADER}{scans}");
    let chemistry =
        format!("bird,part,mass_g,dry_matter_pct,crude_protein_pct,fat_pct,ash_pct\n{chemistry}");
    let birds = "bird,strain\na1,A\na2,A\na3,A\na4,A\nb1,B\n";
    let files = [
        ("study.toml", STUDY),
        ("birds.csv", birds),
        ("weighings.csv", "bird,age_d,weight_g\na1,56,700\n"),
        ("scans.csv", scans.as_str()),
        ("chemistry.csv", chemistry.as_str()),
    ];
    crate::support::scans::write_files(folder.path(), &files);
    folder
}

#[test]
fn a_faulty_study_is_reported_with_its_place_and_nothing_is_written() {
    let more = |row: &str| format!("{SCANS}{row}\n");
    let cases: &[(&str, String, &str, &str)] = &[
        (
            "no chemistry for a scanned strain",
            more("b1,56,1,intact,80,600,15,700"),
            CHEMISTRY,
            "scans.csv, row 6, column bird: found a scan of strain B, which has no chemistry",
        ),
        (
            "one bird only",
            SCANS.to_owned(),
            "a1,body,660,32,20,9,3\n",
            "scans.csv: found 1 bird with all values, expected at least 3",
        ),
        (
            "percentages that add to 140",
            SCANS.to_owned(),
            "a1,body,660,32,50,15,7\n",
            "chemistry.csv, row 2, column fat_pct: found water, protein, fat and ash that add to 140.0 percent",
        ),
        (
            "a plucked scan without its pair",
            more("b1,56,1,plucked,80,600,15,700"),
            "a1,body,660,32,20,9,3\na2,body,700,33,20,10,3\na3,body,630,31,20,8,3\na4,body,660,33,19.5,10.5,3\nb1,body,660,32,20,9,3\n",
            "scans.csv, row 6, column feathers: found a plucked scan of bird b1",
        ),
        (
            "two chemistry rows for a bird and part",
            SCANS.to_owned(),
            "a1,body,660,32,20,9,3\na1,body,661,32,20,9,3\n",
            "chemistry.csv, row 3, column part: found part body of bird a1 again",
        ),
        (
            "readings in kg",
            more("b1,56,1,intact,0.080,0.600,0.015,0.7"),
            CHEMISTRY,
            "scans.csv, row 6, column fat_g: found a whole body",
        ),
        (
            "negative fat",
            more("b1,56,1,intact,-3,600,15,700"),
            CHEMISTRY,
            "scans.csv, row 6, column fat_g: found \"-3\"",
        ),
    ];
    for (what, scans, chemistry, expected) in cases {
        let folder = small(scans, chemistry);
        for command in ["calibrate .", "run ."] {
            let output = pinfeather(folder.path(), command);
            let errors = text(&output.stderr);
            assert_eq!(output.status.code(), Some(2), "{what}, {command}: {errors}");
            assert!(errors.contains(expected), "{what}, {command}: {errors}");
            assert!(!folder.path().join("results").exists(), "{what}");
        }
    }
}

/// A rule rejects the intact scan of one of five plucked carcasses: its pair drops
/// out, the others go on. Where it rejects all, only the feathers are left out.
#[test]
fn a_pair_without_its_intact_scan_drops_out() {
    let plucked = "a1,56,1,plucked,70,590,15,676\na2,56,1,plucked,80,630,16,727\na3,56,1,plucked,66,571,14,652\na4,56,1,plucked,77,591,15,684\n";
    // Its tissues add up to half of the bird.
    let rejected = "a5,56,1,intact,40,300,8,702\na5,56,1,plucked,77,591,15,684\n";
    let analyses = format!("{CHEMISTRY}a5,body,655,33,20,10,3\n");
    let folder = small(&format!("{SCANS}{plucked}{rejected}"), &analyses);
    let at = folder.path();
    let birds = "bird,strain\na1,A\na2,A\na3,A\na4,A\na5,A\n";
    std::fs::write(at.join("birds.csv"), birds).unwrap();
    let message = "scans.csv, row 11: the plucked scan of bird a5 at 56 d has no pair and carries no information on feathers: its intact scan, row 10, was rejected: ";
    for command in ["calibrate . --details", "run . --details"] {
        let output = pinfeather(at, command);
        let errors = text(&output.stderr);
        assert_eq!(output.status.code(), Some(0), "{command}: {errors}");
        assert!(errors.contains(message), "{command}: {errors}");
        let words = text(&output.stdout);
        assert!(words.contains("from 4 carcasses"), "{command}: {words}");
    }
    done(at, "calibrate .");
    let rows = table(at, "rejected_scans", "scan,bird,age_d");
    let of_bird: Vec<&Row> = rows.iter().filter(|row| row["bird"] == "a5").collect();
    assert_eq!(of_bird.len(), 2, "{rows:?}");
    let plucked_row = find(&rows, &[("row", "11"), ("equation", "feather effects")]);
    assert!(plucked_row["reason"].starts_with("its intact scan, row 10, was rejected: "));

    let alone = small(&format!("{SCANS}{rejected}"), &analyses);
    std::fs::write(alone.path().join("birds.csv"), birds).unwrap();
    let output = pinfeather(alone.path(), "calibrate .");
    let errors = text(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{errors}");
    assert!(errors.contains("feathers: no equations, since"), "{errors}");
}

/// Regions that do not add up to their whole, or of which one is missing, are reported by
/// `check` with the row of the whole; those within the study's tolerance are not.
#[test]
fn regions_are_held_against_their_whole() {
    let header = "bird,age_d,repeat,region,feathers,fat_g,lean_g,bone_g,scale_weight_g\n";
    let regions = |rest_fat_g: &str| {
        format!(
            "{header}a1,56,1,whole,intact,80,600,15,700\na1,56,1,legs,intact,30,200,6,\na1,56,1,rest,intact,{rest_fat_g},400,9,\n"
        )
    };
    let one_missing = format!(
        "{}a2,56,1,whole,intact,90,640,16,745\na2,56,1,legs,intact,90,640,16,\n",
        regions("50")
    );
    // (scans, tolerance in study.toml, what is reported)
    let cases = [
        (regions("51.5"), "", None),
        (
            regions("53"),
            "",
            Some(
                "scans.csv, row 2: fat of bird a1 at 56 d: legs + rest add to 83.0 g, the whole body is 80.0 g, +3.8 percent off where at most 2 are expected",
            ),
        ),
        (regions("53"), "[scans]\nregion_tolerance_pct = 4.0\n", None),
        (
            one_missing,
            "",
            Some(
                "scans.csv, row 5: bird a2 at 56 d has readings of legs and none of rest, which other scans have",
            ),
        ),
    ];
    for (scans, requirements, message) in cases {
        let folder = small("", CHEMISTRY);
        std::fs::write(folder.path().join("scans.csv"), &scans).unwrap();
        let settings = format!("{STUDY}{requirements}");
        std::fs::write(folder.path().join("study.toml"), settings).unwrap();
        let words = done(folder.path(), "check .");
        match message {
            Some(message) => assert_eq!(words.matches(message).count(), 1, "{words}"),
            None => assert!(!words.contains("legs"), "{words}"),
        }
    }
}

#[test]
fn faulty_equations_are_refused() {
    let folder = small(SCANS, CHEMISTRY);
    let at = folder.path();
    done(at, "calibrate . --save saved");
    std::fs::remove_dir_all(at.join("results")).unwrap();
    let good = std::fs::read_to_string(at.join("saved/fat.toml")).unwrap();
    let unsealed: Vec<&str> = good
        .lines()
        .filter(|line| !line.starts_with("digest"))
        .collect();
    let sealed = |from: &str, to: &str| {
        pinfeather::composition::seal(&unsealed.join("\n").replace(from, to)).unwrap()
    };
    let files = [
        (
            "changed.toml",
            good.replacen("value = ", "value = 1", 1),
            "does not match its digest",
        ),
        (
            "short.toml",
            good[..good.len() / 2].to_owned(),
            "cut short or changed",
        ),
        (
            "lacks.toml",
            sealed("\"fat_scan\"", "\"feather_mass\""),
            "scans.csv, row 2 (and 3 more rows), column feather_mass: found no such value",
        ),
        (
            "plucked.toml",
            sealed("feathers = \"intact\"", "feathers = \"plucked\""),
            "column feathers: found a scan with feathers",
        ),
        (
            "strain.toml",
            sealed("strains = [\"A\"]", "strains = [\"Z\"]"),
            "column bird: found strain A, expected one of",
        ),
        ("none.toml", String::new(), "none.toml: found no digest"),
    ];
    for (name, text, expected) in &files {
        std::fs::write(at.join(name), text).unwrap();
        for command in ["correct .", "fit .", "run ."] {
            refused(at, &format!("{command} --equation {name}"), &[expected]);
        }
    }
    refused(at, "correct .", &["found no saved equation"]);
    refused(
        at,
        "correct . --equation saved/fat.toml,saved",
        &["a second equation for fat"],
    );
    let toml = std::fs::read_to_string(at.join("study.toml")).unwrap();
    let without = toml.replace("chemistry = \"chemistry.csv\"", "");
    std::fs::write(at.join("study.toml"), without).unwrap();
    refused(
        at,
        "fit . --calibration-draws 20",
        &["--calibration-draws: found without corrected scans"],
    );
    std::fs::write(at.join("study.toml"), toml).unwrap();
    refused(at, "fit . --calibration-draws 1", &["--calibration-draws"]);
    // Allowed by name, the strain is corrected and flagged.
    done(at, "correct . --equation strain.toml --map-strain A=Z");
    let rows = table(at, "corrected", "scan,bird,strain,age_d,trait");
    assert!(
        rows.iter()
            .all(|row| row["caution"].contains("strain A is not in the equation"))
    );
}

/// Lean is protein and water, 24 to 76 in the invented birds: each is corrected within its
/// error, and the balance stays that of fat, lean and bone.
#[test]
fn water_and_protein_are_calibrated_like_fat_lean_and_bone() {
    let invented = invented(7);
    let study = invented.folder.path();
    let settings = std::fs::read_to_string(study.join("study.toml")).unwrap();
    let with = |traits: &str| {
        let settings = format!("{settings}[calibration]\ntraits = [{traits}]\n");
        std::fs::write(study.join("study.toml"), settings).unwrap();
    };
    with("\"fat\", \"lean\", \"bone\", \"water\", \"protein\"");
    done(study, "calibrate . --save models/corrections");
    done(study, "correct .");
    let corrected = table(study, "corrected", "scan,bird,strain,age_d,trait");
    let (mut inside, mut n) = (0, 0);
    for (bird, age_d, truth) in &invented.live {
        let age = age_d.to_string();
        let of = |name: &str| {
            let wanted = [("bird", bird.as_str()), ("age_d", &age), ("trait", name)];
            find(&corrected, &wanted)
        };
        for (name, share) in [("protein", 0.24), ("water", 0.76)] {
            let (row, true_g) = (of(name), share * truth.lean_g);
            inside += usize::from(cell(row, "lower") < true_g && true_g < cell(row, "upper"));
            n += 1;
        }
        let sum = cell(of("protein"), "corrected") + cell(of("water"), "corrected");
        assert!((sum / cell(of("lean"), "corrected") - 1.0).abs() < 0.02);
    }
    // 280 values of 20 birds, two of a scan nearly one, 95 percent expected.
    assert!(inside >= 245 && n == 280, "{inside} of {n}");
    let balance = table(
        study,
        "balance",
        "scan,bird,strain,age_d,scale_weight_g,sum_g",
    );
    let mut parts: Vec<&str> = balance.iter().map(|row| row["part"].as_str()).collect();
    parts.sort_unstable();
    parts.dedup();
    assert!(
        !parts.contains(&"water") && !parts.contains(&"protein"),
        "{parts:?}"
    );
    with("\"fat\", \"marrow\"");
    let output = pinfeather(study, "calibrate .");
    assert_eq!(output.status.code(), Some(2));
    let errors = text(&output.stderr);
    assert!(
        errors.contains("calibration.traits: found marrow"),
        "{errors}"
    );
}
