//! The command `plan`: its table and words, and messages on what cannot be planned.

use std::path::Path;

use crate::support::{Row, cell, pinfeather, text};

fn designs(folder: &Path) -> Vec<Row> {
    let file = folder.join("results/tables/designs.csv");
    let mut reader = csv::Reader::from_path(&file).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

const CALL: &str = "--curve gompertz --random A,ti";

/// A pilot with this number of birds a line, on gompertz curves with errors that no generator
/// draws; the lines differ in A.
fn pilot(folder: &Path, lines: &[(&str, f64)], birds: u32) {
    let mut table = "bird,line,age_d,weight_g\n".to_owned();
    for (line, mature_g) in lines {
        for bird in 0..birds {
            // Quantiles of a uniform, out of step with each other.
            let own = |step: u32| f64::from((bird * step + 3) % birds) / f64::from(birds) - 0.45;
            let (mature_g, turn_d) = (mature_g * (1.0 + 0.3 * own(7)), 55.0 + 9.0 * own(5));
            for week in 0..12_u32 {
                let age_d = f64::from(14 * week + 7);
                let curve = mature_g * (-(-0.03 * (age_d - turn_d)).exp()).exp();
                let error = f64::from((bird * 31 + week * 17 + 11) % 23) - 11.0;
                let weight_g = curve + 3.0 * error;
                table += &format!("{line}{bird},{line},{age_d},{weight_g:.1}\n");
            }
        }
    }
    std::fs::write(folder.join("pilot.csv"), table).unwrap();
}

fn two_lines() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    pilot(folder.path(), &[("Ash", 1900.0), ("Elm", 2100.0)], 13);
    folder
}

#[test]
fn a_plan_gives_the_fewest_birds_and_its_table_agrees() {
    let folder = two_lines();
    let call = format!(
        "plan pilot.csv --group line {CALL} --detect mature_weight=10% --precision ti=2 --scans 4 --gap 2 --birds 12,24 --studies 40 --format svg --details"
    );
    let output = pinfeather(folder.path(), &call);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let words = text(&output.stdout);
    for part in [
        "birds a strain (",
        "detect a difference of 10 %",
        "estimate ti of each strain to within 2.00 d",
        "40 simulated studies",
        "animal-care body",
    ] {
        assert!(words.contains(part), "{part} in\n{words}");
    }
    // No bird is killed to be weighed, so that none is spared.
    assert!(!words.contains("slaughter"), "{words}");
    assert!(
        folder
            .path()
            .join("results/figures/precision_by_birds.svg")
            .is_file()
    );
    let rows = designs(folder.path());
    let of = |design: &str, kind: &str, quantity: &str| -> Vec<&Row> {
        rows.iter()
            .filter(|row| {
                row["design"].starts_with(design)
                    && row["kind"] == kind
                    && row["quantity"] == quantity
            })
            .collect()
    };
    // Twice the birds, the standard error over the root of two.
    let terms = of("optimal 4 scans", "term", "A");
    let error = |birds: &str, strain: &str| {
        let row = terms
            .iter()
            .find(|row| row["birds"] == birds && row["strain"] == strain);
        cell(row.unwrap(), "expected_se")
    };
    assert!((error("12", "Ash") / error("24", "Ash") - 2.0_f64.sqrt()).abs() < 1e-8);
    // A difference's variance is the sum of both.
    let contrasts = of("optimal 4 scans", "contrast", "A");
    let contrast = contrasts.iter().find(|row| row["birds"] == "24").unwrap();
    assert_eq!(contrast["strain"], "Ash - Elm");
    let sum = error("24", "Ash").hypot(error("24", "Elm"));
    assert!((cell(contrast, "expected_se") / sum - 1.0).abs() < 1e-8);
    // Serial slaughter is less informative on each term, and gives no cue of a bird.
    let slaughter = of("serial slaughter", "term", "A");
    let slaughter = slaughter
        .iter()
        .find(|row| row["birds"] == "24" && row["strain"] == "Ash");
    assert!(cell(slaughter.unwrap(), "expected_se") > error("24", "Ash"));
    for row in of("serial slaughter", "cue", "A") {
        assert_eq!(
            (&*row["status"], &*row["expected_se"]),
            ("not estimable", "")
        );
    }
    let cue = of("optimal 4 scans", "cue", "A");
    let reliability = cell(cue[0], "reliability");
    assert!(reliability > 0.5 && reliability < 1.0, "{reliability}");
    // The chosen design is the smallest that reaches: a bird less does not.
    let confirmed: Vec<&Row> = rows
        .iter()
        // A cue's row is of one bird, whatever the number.
        .filter(|row| !row["simulated_se"].is_empty() && row["kind"] != "cue")
        .collect();
    assert!(
        confirmed
            .iter()
            .all(|row| row["birds"] == confirmed[0]["birds"])
    );
    let required = |row: &&Row| !row["reaches"].is_empty() && row["kind"] != "cue";
    let met: Vec<&Row> = confirmed.iter().copied().filter(required).collect();
    // Two strains' ti and one difference.
    assert_eq!(met.len(), 3);
    assert!(met.iter().all(|row| row["reaches"] == "yes"), "{met:?}");
    // The ages keep the gap, within the pilot's.
    for row in &rows {
        let ages: Vec<f64> = row["ages"]
            .split_whitespace()
            .map(|age| age.parse().unwrap())
            .collect();
        assert!(ages.windows(2).all(|pair| pair[1] - pair[0] >= 14.0));
        assert!(
            ages.iter()
                .all(|age| (7.0..=161.0).contains(age) && age % 7.0 == 0.0)
        );
    }
}

#[test]
fn the_same_seed_gives_the_same_table_whatever_the_threads() {
    let folder = two_lines();
    let bytes = |threads: u32, seed: u32| {
        let call = format!(
            "plan pilot.csv --group line {CALL} --detect A=10% --weeks 2,6,12,20 --studies 24 --seed {seed} --threads {threads} --quiet --format svg"
        );
        let output = pinfeather(folder.path(), &call);
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        assert!(output.stderr.is_empty());
        std::fs::read(folder.path().join("results/tables/designs.csv")).unwrap()
    };
    let one = bytes(1, 5);
    assert_eq!(one, bytes(3, 5));
    assert_ne!(one, bytes(1, 6));
}

#[test]
fn a_saved_population_plans_as_its_pilot_does() {
    let folder = two_lines();
    let fit = format!("fit pilot.csv --group line {CALL} --level population");
    assert_eq!(pinfeather(folder.path(), &fit).status.code(), Some(0));
    let plan = |from: &str| {
        let call = format!("plan {from} --detect A=10% --weeks 2,6,12,20 --studies 0 --out plan");
        let output = pinfeather(folder.path(), &call);
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        std::fs::read_to_string(folder.path().join("plan/tables/designs.csv")).unwrap()
    };
    let saved = "results/models/populations/body_weight_gompertz.toml";
    let own = plan(&format!("pilot.csv --group line {CALL}"));
    assert_eq!(plan(&format!("--population {saved}")), own);
    // One that was changed by hand is reported, and one that is none.
    let text_of = std::fs::read_to_string(folder.path().join(saved)).unwrap();
    std::fs::write(
        folder.path().join("edited.toml"),
        text_of.replace("sigma", "sigma "),
    )
    .unwrap();
    std::fs::write(
        folder.path().join("other.toml"),
        "name = \"from elsewhere\"\n",
    )
    .unwrap();
    for (file, part) in [
        ("edited.toml", "edited.toml"),
        ("other.toml", "other.toml"),
        ("none.toml", "no such file"),
    ] {
        let output = pinfeather(folder.path(), &format!("plan --population {file}"));
        assert_eq!(output.status.code(), Some(2), "{file}");
        assert!(
            text(&output.stderr).contains(part),
            "{}",
            text(&output.stderr)
        );
    }
}

/// That a call is refused with these words, and nothing written.
fn refused(folder: &Path, call: &str, parts: &[&str]) {
    let output = pinfeather(folder, call);
    let errors = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{call}: {errors}");
    for part in parts {
        assert!(errors.contains(part), "{call}: {part} in {errors}");
    }
    assert!(
        !errors.contains("NaN") && !errors.contains("panicked"),
        "{errors}"
    );
    assert!(!folder.join("results").exists(), "{call} wrote results");
}

#[test]
fn what_there_is_nothing_to_plan_from_is_reported() {
    let folder = tempfile::tempdir().unwrap();
    let nothing = ["neither a pilot nor a population", "--population FILE"];
    refused(folder.path(), "plan", &nothing);
    // One weighing a bird carries no mixed model.
    let short = "bird,line,age_d,weight_g\na,Ash,7,60\nb,Ash,7,62\nc,Ash,7,65\n";
    std::fs::write(folder.path().join("short.csv"), short).unwrap();
    let call = "plan short.csv --curve gompertz";
    refused(folder.path(), call, &["short.csv", "failed", "--curve"]);
    pilot(folder.path(), &[("Ash", 1900.0)], 13);
    let call = format!("plan pilot.csv {CALL} --detect A=5%");
    refused(folder.path(), &call, &["found one strain", "--strains 2"]);
    let study = "name = \"s\"\n[tables]\nbirds = \"birds.csv\"\nweighings = \"pilot.csv\"\n";
    std::fs::write(folder.path().join("study.toml"), study).unwrap();
    let birds: String = (0..13).map(|bird| format!("Ash{bird},Ash\n")).collect();
    std::fs::write(
        folder.path().join("birds.csv"),
        format!("bird,strain\n{birds}"),
    )
    .unwrap();
    let call = format!("plan . {CALL} --trait fat");
    refused(
        folder.path(),
        &call,
        &["--trait fat", "body_weight", "fit --level population"],
    );
}

#[test]
fn requirements_that_make_no_sense_are_refused() {
    let folder = two_lines();
    let refuses = |requirement: &str, parts: &[&str]| {
        let call = format!("plan pilot.csv --group line {CALL} {requirement}");
        refused(folder.path(), &call, parts);
    };
    let unknown = [
        "--precision asymptote",
        "none of that name",
        "A, k, ti",
        "--at-age",
    ];
    refuses("--precision asymptote=5%", &unknown);
    refuses("--cue k=0.9", &["--cue k", "none of that name"]);
    refuses("--detect A", &["NAME=VALUE"]);
    refuses("--detect A=-5%", &["above 0"]);
    refuses("--power 1.2", &["between 0 and 1"]);
    refuses("--at-age 0", &["--at-age 0", "above 0"]);
    refuses("--strains 3", &["--strains 3", "found 2"]);
    let bare = ["without a residual SD", "--calibration-sd"];
    refuses("--calibration-within 3", &bare);
    let spread = ["no spread of the readings", "--reading-sd"];
    refuses("--calibration-sd 12 --coefficient-within 0.1", &spread);
    refuses("--calibration-sd 0", &["--calibration-sd 0", "above 0"]);
}

#[test]
fn limits_that_leave_no_design_are_refused() {
    let folder = two_lines();
    let refuses = |limits: &str, parts: &[&str]| {
        let call = format!("plan pilot.csv --group line {CALL} {limits}");
        refused(folder.path(), &call, parts);
    };
    refuses("--birds 0", &["--birds 0", "at least 2"]);
    refuses("--most-birds 1", &["--most-birds 1", "at least 2"]);
    refuses("--scans 30", &["--scans 30", "room for 23 a bird"]);
    let few = ["no ages within the limits", "3 terms", "at least 3 scans"];
    refuses("--scans 2", &few);
    refuses("--weeks 2,6", &["cannot separate the 3 terms"]);
    refuses("--weeks 2,6,6", &["each week once"]);
    refuses("--weeks 2,-6", &["weeks from 0 on"]);
    let turned = ["--last-week 10", "before the first week 20"];
    refuses("--first-week 20 --last-week 10", &turned);
}

#[test]
fn what_no_number_reaches_has_the_best_and_the_reason() {
    let folder = two_lines();
    let call = format!(
        "plan pilot.csv --group line {CALL} --precision A=0.5% --cue ti=0.9999 --most-birds 60 --strict --details"
    );
    let output = pinfeather(folder.path(), &call);
    assert_eq!(output.status.code(), Some(1), "{}", text(&output.stderr));
    let words = text(&output.stdout);
    for part in [
        "Up to 60 birds a strain",
        "would not estimate A of each strain to within 0.5 %",
        "60 reach",
        "It would take about",
        "birds differ so much",
        "No number of birds would estimate a bird's own ti",
        "more birds do not help",
    ] {
        assert!(words.contains(part), "{part} in\n{words}");
    }
    let rows = designs(folder.path());
    assert!(rows.iter().all(|row| row["reaches"] != "yes"));
    assert!(rows.iter().all(|row| row["simulated_se"].is_empty()));
}

#[test]
fn ages_past_the_data_are_flagged_and_a_second_strain_may_be_assumed() {
    let folder = tempfile::tempdir().unwrap();
    pilot(folder.path(), &[("Ash", 1900.0)], 13);
    let call = format!(
        "plan pilot.csv {CALL} --strains 2 --detect A=10% --weeks 2,8,16,40 --studies 10 --calibration-sd 10 --reading-sd 50 --calibration-within 4 --details"
    );
    let output = pinfeather(folder.path(), &call);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let errors = text(&output.stderr);
    assert!(
        errors.contains("ages of 280 days lie outside the data"),
        "{errors}"
    );
    assert!(errors.contains("extrapolated"), "{errors}");
    let words = text(&output.stdout);
    // Fewest birds with t(n - 2) 10 / sqrt(n) <= 4: R gives 27 (see the unit test).
    assert!(words.contains("27 birds analysed chemically"), "{words}");
    // No more than the whole: the requested week is within the limits.
    let rows = designs(folder.path());
    let asked: Vec<&Row> = rows.iter().filter(|row| row["design"] == "asked").collect();
    assert!(cell(asked[0], "d_efficiency") <= 1.0 + 1e-9);
    let pair = asked.iter().find(|row| row["kind"] == "contrast").unwrap();
    assert!(pair["strain"].contains(" - "), "{}", pair["strain"]);
}

/// A plan of a corrected mass: from the population that a fit saves, with the equation that
/// the next calibration will have.
#[test]
fn a_corrected_mass_is_planned_from_its_saved_population_and_equation() {
    let folder = tempfile::tempdir().unwrap();
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo");
    let demo = demo.to_str().unwrap();
    let done = |call: &str| {
        let output = pinfeather(folder.path(), call);
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        text(&output.stdout)
    };
    done(&format!("calibrate {demo} --out equations"));
    let equation = "equations/models/corrections/fat.toml";
    done(&format!(
        "fit {demo} --equation {equation} --level population --growth-curves --curve gompertz --variance proportional --covariance full --out fitted"
    ));
    let words = done(&format!(
        "plan --population fitted/models/populations/fat_gompertz.toml --equation {equation} --detect A=20% --weeks 3,6,9,12,15,21 --birds 12,24 --studies 20 --format svg --details"
    ));
    assert!(words.contains("of fat of"), "{words}");
    let rows = designs(folder.path());
    let of = |kind: &str, quantity: &str, birds: &str| {
        let mut rows = rows.iter().filter(|row| {
            row["kind"] == kind && row["quantity"].contains(quantity) && row["birds"] == birds
        });
        rows.next()
            .unwrap_or_else(|| panic!("{kind} {quantity} {birds}"))
    };
    // The mean prediction's standard error is the residual SD over the root of the birds
    // (any textbook of regression), the SD being the equation's own of birds left out.
    let file = std::fs::read_to_string(folder.path().join(equation)).unwrap();
    let rmse = file
        .lines()
        .find_map(|line| line.strip_prefix("cross_validated_rmse = "));
    let rmse: f64 = rmse.unwrap().trim().parse().unwrap();
    let mean = of("calibration", "mean prediction", "24");
    assert!((cell(mean, "expected_se") / (rmse / 24.0_f64.sqrt()) - 1.0).abs() < 1e-8);
    // Twice the birds, the standard error over the root of two, as of weights.
    let (few, many) = (of("term", "A", "12"), of("term", "A", "24"));
    let ratio = cell(few, "expected_se") / cell(many, "expected_se");
    assert!((ratio - 2.0_f64.sqrt()).abs() < 1e-8);
    // What was simulated stands beside it, of strains that differ as requested too.
    let differing = rows.iter().filter(|row| !row["differing_power"].is_empty());
    for row in differing.clone() {
        assert_eq!(row["kind"], "contrast");
        assert!((0.0..=1.0).contains(&cell(row, "differing_power")));
    }
    assert_eq!(differing.count(), 1);
    let cues = rows.iter().filter(|row| row["kind"] == "cue");
    assert!(cues.clone().any(|row| cell(row, "simulated_se") > 0.0));
}

/// The demo beside a budget of these lines.
fn with_budget(budget: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("budget.toml"), budget).unwrap();
    folder
}

fn demo() -> String {
    format!("{}/data-demo", env!("CARGO_MANIFEST_DIR"))
}

const PRICES: &str = "price_per_bird = 9.5\nprice_per_analysis = 85\nprice_per_hour = 28\nminutes_per_analysis = 50\n";

fn scan(restraint: &str, birds: usize) -> String {
    format!(
        "[[scan]]\nrestraint = \"{restraint}\"\nbirds_per_scan = {birds}\nminutes_per_scan = 4\nprice_per_scan = 3\nhandling_minutes_per_bird = 2\nmost_repeats = 2\n"
    )
}

#[test]
fn a_budget_weighs_ways_of_scanning_by_the_pilots_errors() {
    let budget = format!(
        "currency = \"EUR\"\nages_d = [42, 84]\n{PRICES}[limits]\nmoney = 20000\nbirds_killed = 60\n{}{}{}[[wanted]]\ntrait = \"fat\"\nmean_pct = 9\nbird_pct = 14\ncalibration_pct = 3.5\n",
        scan("tube", 1),
        scan("crate", 3),
        scan("sling", 1)
    );
    let folder = with_budget(&budget);
    let call = format!(
        "plan {} --budget budget.toml --carcasses 20 --format svg --details",
        demo()
    );
    let output = pinfeather(folder.path(), &call);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let words = text(&output.stdout);
    for part in [
        "Cheapest: tube",
        "no curve of a single bird",
        "no body regions",
        // The pilot used the sling at 63 d alone.
        "Not offered: sling",
        "scanned so at 63 d, not at 42 d",
        "animal-care body",
    ] {
        assert!(words.contains(part), "{part} in\n{words}");
    }
    let results = folder.path().join("results");
    assert!(results.join("figures/precision_by_cost.svg").is_file());
    let read = |name: &str| crate::support::rows(&results.join(format!("tables/{name}.csv")));
    let designs = read("scan_designs");
    let chosen: Vec<&Row> = designs
        .iter()
        .filter(|row| row["chosen"] == "yes")
        .collect();
    let [chosen] = chosen.as_slice() else {
        panic!("{designs:?}");
    };
    assert_eq!(chosen["way"], "tube");
    let number = |row: &Row, column: &str| -> f64 { row[column].parse().unwrap() };
    // What it costs, from the plan's counts: 3 strains, 2 ages.
    let (birds, carcasses) = (number(chosen, "birds_in_all"), number(chosen, "carcasses"));
    let scans = number(chosen, "scans_in_all");
    let handled = 2.0 * (birds - carcasses) + carcasses;
    let hours = (4.0 * scans + 2.0 * handled + 50.0 * carcasses) / 60.0;
    assert!((number(chosen, "hours") - hours).abs() < 1e-6);
    let money = 9.5 * birds + 3.0 * scans + 85.0 * carcasses + 28.0 * hours;
    assert!((number(chosen, "cost") - money).abs() < 1e-6);
    // Its requirements are met, and more carcasses than none were needed for one.
    assert!(carcasses > 0.0);
    let precision = read("scan_precision");
    let own = precision.iter().filter(|row| {
        ["way", "repeats", "carcasses"]
            .iter()
            .all(|column| row[*column] == chosen[*column])
    });
    let own: Vec<&Row> = own.filter(|row| !row["wanted_pct"].is_empty()).collect();
    assert_eq!(own.len(), 3 * 3 * 2);
    assert!(own.iter().all(|row| row["reaches"] == "yes"));
    // Offsets are of the crate alone.
    let group = precision
        .iter()
        .find(|row| row["way"] == "crate of 3 birds")
        .unwrap();
    assert!(number(group, "offset_share_pct") > 0.0);
    assert!(
        own.iter()
            .all(|row| number(row, "offset_share_pct").abs() < 1e-9)
    );
    let split = read("carcass_split");
    let new = split.iter().filter(|row| row["basis"] == "new birds alone");
    let best: f64 = new.map(|row| number(row, "best")).sum();
    assert!((best - 20.0).abs() < 1e-9);
    let errors = read("carcass_precision");
    let mean = |split: &str| {
        let rows = errors.iter().filter(|row| {
            row["split"] == split && row["trait"] == "fat" && row["basis"] == "new birds alone"
        });
        rows.map(|row| number(row, "std_error_pct").powi(2))
            .sum::<f64>()
    };
    assert!(mean("best") < mean("as in the pilot"));
}

#[test]
fn what_no_budget_can_contain_is_reported_with_its_key() {
    let tube = scan("tube", 1);
    let wanted = "[[wanted]]\ntrait = \"fat\"\nmean_pct = 9\n";
    for (budget, part) in [
        (
            format!("{PRICES}prices = 3\n{tube}{wanted}"),
            "budget.toml, prices: found a key that a budget does not have",
        ),
        (
            format!(
                "{}{tube}{wanted}",
                PRICES.replace("price_per_bird = 9.5\n", "")
            ),
            "budget.toml, price_per_bird: found no such key",
        ),
        (
            format!("{}{tube}{wanted}", PRICES.replace("9.5", "-1")),
            "budget.toml, price_per_bird: found -1, expected an amount of money, 0 or more",
        ),
        (
            format!("{PRICES}[limits]\nmoney = 0\n{tube}{wanted}"),
            "budget.toml, limits.money: found 0, expected what may be spent, above 0",
        ),
        (
            format!(
                "{PRICES}{}{wanted}",
                tube.replace("minutes_per_scan = 4", "minutes_per_scan = \"4 min\"")
            ),
            "scan[1].minutes_per_scan: found the text \"4 min\", expected a number of minutes, 0 or more, without quotes and unit",
        ),
        (format!("{PRICES}{wanted}"), "budget.toml, scan: found none"),
        (
            format!("{PRICES}{tube}{tube}{wanted}"),
            "scan[2]: found tube again",
        ),
        (
            format!("{PRICES}{tube}[[wanted]]\ntrait = \"fat\"\n"),
            "wanted[1]: found no requirement, expected at least one of mean_pct",
        ),
        (
            format!("{PRICES}{tube}{}", wanted.replace("fat", "feathers")),
            "wanted.trait: found feathers, for which the pilot has no equation",
        ),
        (
            format!("ages_d = [300]\n{PRICES}{tube}{wanted}"),
            "Alder was scanned at 21, 42, 49, 63, 77, 84, 105, 126, 147 d, not at 300 d",
        ),
        (
            "price_per_bird = ".to_owned(),
            "budget.toml, row 1: found text that is no TOML",
        ),
    ] {
        let folder = with_budget(&budget);
        let output = pinfeather(
            folder.path(),
            &format!("plan {} --budget budget.toml", demo()),
        );
        let errors = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{budget}\n{errors}");
        assert!(errors.contains(part), "{part} in\n{errors}");
        assert!(!folder.path().join("results").exists());
    }
    let folder = with_budget("");
    for (call, part) in [
        (
            "plan weights.csv --budget budget.toml",
            "found no study folder",
        ),
        (
            "plan DEMO --carcasses 0",
            "--carcasses 0: expected numbers of birds from 1",
        ),
        ("plan DEMO --budget none.toml", "none.toml"),
        (
            "plan DEMO --carcasses 20 --detect A=5%",
            "cannot be used with",
        ),
    ] {
        let output = pinfeather(folder.path(), &call.replace("DEMO", &demo()));
        assert_eq!(output.status.code(), Some(2), "{call}");
        let errors = text(&output.stderr);
        assert!(errors.contains(part), "{part} in\n{errors}");
    }
}

#[test]
fn weekly_samples_are_planned_from_numbers_and_from_a_pilot() {
    let folder = tempfile::tempdir().unwrap();
    let call = "plan --mean-within 2 --uniformity-within 7 --cv 8 --pens 12 --pen-sd 2 --day-sd 0.4 --occasion-sd 0.6 --birds-per-pen 400 --out results";
    let output = pinfeather(folder.path(), call);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let words = text(&output.stdout);
    assert!(words.lines().count() <= 10, "{words}");
    assert!(
        words.contains("PLAN") && words.contains("in all) a week"),
        "{words}"
    );
    let table = crate::support::rows(&folder.path().join("results/tables/sample_designs.csv"));
    assert_eq!(table.len(), 12);
    // One pen of several shows nothing of the others.
    assert_eq!(
        (&*table[0]["mean_half_width_pct"], &*table[0]["reaches"]),
        ("", "no")
    );
    let chosen: Vec<_> = table.iter().filter(|row| row["chosen"] == "yes").collect();
    assert_eq!(chosen.len(), 1);
    let number = |row: &Row, column: &str| -> f64 { row[column].parse().unwrap() };
    assert!(number(chosen[0], "mean_half_width_pct") <= 2.0);
    assert!(number(chosen[0], "uniformity_half_width") <= 7.0);
    let reached = table.iter().filter(|row| row["reaches"] == "yes");
    let fewest = reached
        .map(|row| number(row, "birds_in_all"))
        .fold(f64::INFINITY, f64::min);
    assert!((number(chosen[0], "birds_in_all") - fewest).abs() < 0.5);
}

#[test]
fn a_plan_of_samples_refuses_what_cannot_be() {
    let folder = two_lines();
    for (call, said) in [
        ("plan --mean-within 2", "neither a pilot nor --cv"),
        (
            "plan --mean-within 0 --cv 8",
            "--mean-within 0: expected a number above 0",
        ),
        ("plan --mean-within 2 --cv 120", "--cv 120"),
        (
            "plan --mean-within 2 --cv 8 --pens 6",
            "--pen-sd PERCENT as well",
        ),
        ("plan --mean-within 2 --cv 8 --day-sd=-1", "--day-sd -1"),
        (
            "plan --mean-within 2 --cv 8 --birds-per-pen 1",
            "--birds-per-pen 1",
        ),
        (
            "plan pilot.csv --group line --mean-within 2",
            "no weighings of unnamed birds",
        ),
    ] {
        let output = pinfeather(folder.path(), call);
        assert_eq!(output.status.code(), Some(2), "{call}");
        let words = text(&output.stderr);
        assert!(words.contains(said), "{call}: {words}");
    }
    // Days alone reach further than this: no number of birds will do.
    let output = pinfeather(
        folder.path(),
        "plan --mean-within 0.5 --cv 8 --day-sd 0.4 --out results",
    );
    let words = text(&output.stdout);
    assert!(
        words.contains("NO PLAN") && words.contains("days and occasions"),
        "{words}"
    );
}
