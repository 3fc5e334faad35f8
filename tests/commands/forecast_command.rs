//! The forecast through the program: saved populations, ages, and input that has no answer.

use std::path::{Path, PathBuf};
use std::process::Output;

use crate::support::pinfeather_with;

fn errors(output: &Output) -> String {
    format!(
        "{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    )
}

/// Rows of a table as column names and cells.
fn rows(folder: &Path, table: &str) -> Vec<std::collections::HashMap<String, String>> {
    let path = folder.join("tables").join(format!("{table}.csv"));
    let mut reader = csv::Reader::from_path(&path).unwrap();
    let rows = reader.deserialize().map(|row| row.unwrap());
    rows.collect()
}

/// Weighings of two lines of birds, weekly: Gompertz with spread from a small generator.
fn weighings(
    folder: &Path,
    name: &str,
    weeks: std::ops::Range<u32>,
    strains: [&str; 2],
) -> PathBuf {
    let mut text = "bird,strain,age_d,weight_g\n".to_owned();
    let mut state = 12_345_u32;
    let mut unit = || {
        // A linear congruential generator, its upper bits, from -1 to 1.
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state >> 8) / f64::from(1_u32 << 23) - 1.0
    };
    for bird in 0..24 {
        let asymptote = 1700.0 + 150.0 * unit();
        let inflection_d = 50.0 + 4.0 * unit();
        for week in weeks.clone() {
            let age_d = f64::from(7 * week);
            let mean = asymptote * (-(-0.03 * (age_d - inflection_d)).exp()).exp();
            text += &format!(
                "b{bird},{},{age_d},{:.1}\n",
                strains[bird % 2],
                mean * (1.0 + 0.03 * unit())
            );
        }
    }
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path
}

/// A target with a band in one strain, none in the other, to 84 d.
fn targets(folder: &Path) -> PathBuf {
    let mut text = "strain,age_d,target_g,lower_g,upper_g\n".to_owned();
    for week in 1..=12 {
        let age_d = f64::from(7 * week);
        let grams = 1700.0 * (-(-0.03 * (age_d - 50.0)).exp()).exp();
        text += &format!(
            "East,{age_d},{grams:.0},{:.0},{:.0}\n",
            0.95 * grams,
            1.05 * grams
        );
        text += &format!("West,{age_d},{grams:.0},,\n");
    }
    let path = folder.join("targets.csv");
    std::fs::write(&path, text).unwrap();
    path
}

struct Flock {
    folder: tempfile::TempDir,
    table: String,
    targets: String,
    out: PathBuf,
}

impl Flock {
    fn new(weeks: std::ops::Range<u32>) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let table = weighings(folder.path(), "flock.csv", weeks, ["East", "West"]);
        let targets = targets(folder.path());
        Self {
            table: table.display().to_string(),
            targets: targets.display().to_string(),
            out: folder.path().join("out"),
            folder,
        }
    }

    fn target(&self, more: &[&str]) -> Output {
        let out = self.out.display().to_string();
        let mut arguments = vec!["target", &self.table, "--group", "strain", "--targets"];
        arguments.extend([self.targets.as_str(), "--out", &out]);
        arguments.extend(["--curve", "gompertz", "--details"]);
        arguments.extend(more);
        pinfeather_with(Path::new("."), &arguments)
    }

    /// A population of an earlier flock of these lines, saved.
    fn population(&self) -> String {
        let earlier = weighings(self.folder.path(), "earlier.csv", 0..18, ["East", "West"]);
        let (earlier, out) = (
            earlier.display().to_string(),
            self.folder.path().join("fit"),
        );
        let arguments = [
            "fit",
            &earlier,
            "--group",
            "strain",
            "--curve",
            "gompertz",
            "--level",
            "population",
            "--variance",
            "power",
            "--out",
        ];
        let output = pinfeather_with(
            Path::new("."),
            &[&arguments[..], &[&out.display().to_string()]].concat(),
        );
        assert!(output.status.success(), "{}", errors(&output));
        let file = out.join("models/populations/body_weight_gompertz.toml");
        file.display().to_string()
    }
}

#[test]
fn a_new_flock_is_judged_from_its_second_weighing_by_a_saved_population() {
    let flock = Flock::new(1..3);
    let population = flock.population();
    // Two weighings carry no curve: a reason, and no numbers.
    let own = flock.target(&["--forecast", "84"]);
    assert!(own.status.success(), "{}", errors(&own));
    let none = rows(&flock.out, "forecast");
    assert!(
        none.iter().all(|row| row["forecast"].is_empty()),
        "{none:?}"
    );
    assert!(
        errors(&own).contains("no forecast of body weight"),
        "{}",
        errors(&own)
    );

    let output = flock.target(&["--forecast", "84", "--population", &population]);
    assert!(output.status.success(), "{}", errors(&output));
    let rows = rows(&flock.out, "forecast");
    let levels = |level: &str| rows.iter().filter(|row| row["level"] == level).count();
    assert_eq!(
        (levels("flock"), levels("strain"), levels("bird")),
        (1, 2, 24)
    );
    for row in &rows {
        let number = |name: &str| row[name].parse::<f64>().unwrap();
        assert!(number("lower") < number("forecast") && number("forecast") < number("upper"));
        // 84 d is within the saved population's ages; the truth is 1,150 g, a bird's 10 percent.
        assert!((900.0..1400.0).contains(&number("forecast")), "{row:?}");
        match (row["level"].as_str(), row["strain"].as_str()) {
            (_, "East") => assert!((0.0..=1.0).contains(&number("chance_in_band"))),
            (_, "West") => assert!(row["flag"].contains("no band"), "{row:?}"),
            _ => {}
        }
    }
}

#[test]
fn an_unknown_strain_is_named_with_the_known_ones_and_can_be_taken_for_one() {
    let flock = Flock::new(1..6);
    let population = flock.population();
    let other = weighings(flock.folder.path(), "other.csv", 1..6, ["East", "North"]);
    let other = other.display().to_string();
    let out = flock.out.display().to_string();
    let call = |more: &[&str]| {
        let arguments = [
            "target",
            &other,
            "--group",
            "strain",
            "--forecast",
            "84",
            "--population",
            &population,
            "--out",
            &out,
        ];
        pinfeather_with(Path::new("."), &[&arguments[..], more].concat())
    };
    let refused = call(&[]);
    assert_eq!(refused.status.code(), Some(2), "{}", errors(&refused));
    assert!(
        errors(&refused).contains("no strain North") && errors(&refused).contains("East, West")
    );
    let taken = call(&["--map-strain", "North=West"]);
    assert!(taken.status.success(), "{}", errors(&taken));
}

#[test]
fn as_of_an_age_what_came_later_is_not_known() {
    let whole = Flock::new(1..15);
    let cut = Flock::new(1..11);
    let options = ["--forecast", "84,98"];
    assert!(
        whole
            .target(&[&options[..], &["--as-of", "70"]].concat())
            .status
            .success()
    );
    assert!(cut.target(&options).status.success());
    let forecasts = |flock: &Flock| std::fs::read(flock.out.join("tables/forecast.csv")).unwrap();
    // The generator draws week after week, so the shorter table is another flock; the same
    // flock cut by hand must give the same forecasts.
    let text = std::fs::read_to_string(&whole.table).unwrap();
    let kept = text.lines().filter(|line| {
        line.split(',')
            .nth(2)
            .is_some_and(|age| age.parse::<f64>().map_or(true, |age| age <= 70.0))
    });
    let kept: Vec<&str> = kept.collect();
    std::fs::write(&cut.table, kept.join("\n") + "\n").unwrap();
    assert!(cut.target(&options).status.success());
    assert_eq!(forecasts(&whole), forecasts(&cut));
}

#[test]
fn input_without_an_answer_is_reported() {
    let flock = Flock::new(1..12);
    let fails = |more: &[&str], status: i32, expected: &[&str]| {
        let output = flock.target(more);
        let errors = errors(&output);
        assert_eq!(output.status.code(), Some(status), "{errors}");
        for words in expected {
            assert!(errors.contains(words), "expected \"{words}\" in: {errors}");
        }
    };
    fails(&["--as-of", "3"], 2, &["no weighing by that age", "7 d on"]);
    fails(&["--as-of=-1"], 2, &["--as-of -1"]);
    fails(&["--forecast", "70"], 2, &["after 77 d"]);
    fails(
        &["--forecast", "84", "--false-alarms", "2"],
        2,
        &["--false-alarms 2"],
    );
    fails(&["--precision", "0"], 2, &["--precision 0"]);
    let population = flock.population();
    let fails_by = |text: &str, expected: &[&str]| {
        let path = flock.folder.path().join("damaged.toml");
        std::fs::write(&path, text).unwrap();
        fails(&["--population", &path.display().to_string()], 2, expected);
    };
    let text = std::fs::read_to_string(&population).unwrap();
    let sealed = |from: &str, to: &str| pinfeather::study::sealed(&text.replace(from, to));
    fails_by(&text[..text.len() / 2], &["cut short or changed"]);
    fails_by(
        &sealed("trait = \"body_weight\"", "trait = \"fat\""),
        &["population of fat", "body_weight"],
    );
    fails_by(
        &sealed("curve = \"gompertz\"", "curve = \"logistics\""),
        &["did you mean logistic"],
    );
    fails_by(
        &sealed("unit = \"g\"\nfixed_by", "unit = \"lb\"\nfixed_by"),
        &["\"lb\"", "expected g"],
    );
    fails(&["--population", "none.toml"], 2, &["none.toml"]);
}

#[test]
fn a_target_shorter_than_the_flock_one_weighing_and_a_bird_that_is_gone_are_flagged() {
    // The target ends at 84 d, the flock is weighed to 98 d.
    let flock = Flock::new(1..15);
    // Bird b0 died after 56 d.
    let text = std::fs::read_to_string(&flock.table).unwrap();
    let gone = |line: &&str| {
        let age = line
            .split(',')
            .nth(2)
            .and_then(|age| age.parse::<f64>().ok());
        !(line.starts_with("b0,") && age.is_some_and(|age| age > 56.0))
    };
    let kept: Vec<&str> = text.lines().filter(gone).collect();
    std::fs::write(&flock.table, kept.join("\n") + "\n").unwrap();
    let output = flock.target(&["--as-of", "77", "--forecast", "84,400"]);
    assert!(output.status.success(), "{}", errors(&output));
    let all = rows(&flock.out, "forecast");
    let b0: Vec<_> = all.iter().filter(|row| row["bird"] == "b0").collect();
    assert_eq!(b0.len(), 1);
    assert!(b0[0]["forecast"].is_empty() && b0[0]["flag"].contains("last weighed at 56 d"));
    for row in all.iter().filter(|row| row["age_d"] == "400") {
        assert!(
            row["flag"].contains("past the population's last age (77 d)"),
            "{row:?}"
        );
        assert!(row["flag"].contains("target"), "{row:?}");
        assert!(row["chance_in_band"].is_empty());
    }
    // No age of the target is left: the next four weeks.
    let output = flock.target(&[]);
    assert!(output.status.success(), "{}", errors(&output));
    let ages: std::collections::BTreeSet<String> = rows(&flock.out, "forecast")
        .iter()
        .map(|row| row["age_d"].clone())
        .collect();
    assert!(ages.contains("105") && ages.contains("126"), "{ages:?}");
    let printed = errors(&output);
    assert_eq!(
        printed.matches("flock's veterinarian").count(),
        1,
        "{printed}"
    );
    // One weighing a bird carries no curve, and no spread between birds.
    let one = Flock::new(3..4);
    let output = one.target(&["--forecast", "84"]);
    assert!(output.status.success(), "{}", errors(&output));
    assert!(
        errors(&output).contains("measured at 1 age, and the curve has 3 terms"),
        "{}",
        errors(&output)
    );
    let population = one.population();
    let output = one.target(&["--forecast", "84", "--population", &population]);
    let of_birds = rows(&one.out, "forecast");
    assert!(
        output.status.success()
            && of_birds
                .iter()
                .any(|row| row["flag"].contains("one weighing only"))
    );
}

#[test]
fn backtest_and_departures_are_written() {
    let flock = Flock::new(1..15);
    assert!(flock.target(&[]).status.success());
    let tested = rows(&flock.out, "backtest");
    let of = |level: &str, unit: &str| {
        tested
            .iter()
            .filter(|row| row["level"] == level && row["unit"] == unit)
            .count()
    };
    assert_eq!(
        (of("bird", "g"), of("bird", "%"), of("strain", "g")),
        // As of 49, 70 and 91 d: one to six weeks ahead, since the target goes no further.
        (6, 6, 6)
    );
    let path = flock.out.join("tables/departures.csv");
    let header = std::fs::read_to_string(path).unwrap();
    assert!(
        header.starts_with("strain,pen,bird,trait,direction,since_d,age_d"),
        "{header}"
    );
}

#[test]
fn one_weighing_a_bird_at_several_ages_carries_no_spread_between_birds() {
    let flock = Flock::new(1..6);
    let text = std::fs::read_to_string(&flock.table).unwrap();
    let mut rows = text.lines();
    let mut once = vec![rows.next().unwrap().to_owned()];
    // Five weeks a bird, of which each bird keeps one, the next bird the next.
    once.extend(
        rows.enumerate()
            .filter(|(at, _)| at % 5 == (at / 5) % 5)
            .map(|(_, row)| row.to_owned()),
    );
    std::fs::write(&flock.table, once.join("\n")).unwrap();
    let output = flock.target(&["--forecast", "84"]);
    assert!(output.status.success(), "{}", errors(&output));
    assert!(
        errors(&output).contains("one observation"),
        "{}",
        errors(&output)
    );
}

#[test]
fn a_small_flock_needs_fewer_birds_whether_the_call_or_the_study_gives_the_size() {
    let flock = Flock::new(1..6);
    let birds_for_mean = |output: Output| -> Vec<u32> {
        assert!(output.status.success(), "{}", errors(&output));
        let rows = rows(&flock.out, "uniformity");
        let birds = rows
            .iter()
            .map(|row| row["birds_for_mean"].parse().unwrap());
        birds.collect()
    };
    let large = birds_for_mean(flock.target(&[]));
    let called = birds_for_mean(flock.target(&["--flock-size", "60"]));
    assert!(
        large
            .iter()
            .zip(&called)
            .all(|(large, small)| small < large)
    );
    let study = flock.folder.path().join("study");
    std::fs::create_dir(&study).unwrap();
    std::fs::copy(&flock.table, study.join("weighings.csv")).unwrap();
    std::fs::copy(&flock.targets, study.join("targets.csv")).unwrap();
    let settings = |size: u32| {
        let text = format!(
            "[tables]\nweighings = \"weighings.csv\"\ntargets = \"targets.csv\"\n[target]\nflock_size = {size}\n"
        );
        std::fs::write(study.join("study.toml"), text).unwrap();
    };
    let (path, out) = (study.display().to_string(), flock.out.display().to_string());
    let of_study = || {
        pinfeather_with(
            Path::new("."),
            &["target", &path, "--curve", "gompertz", "--out", &out],
        )
    };
    settings(60);
    assert_eq!(birds_for_mean(of_study()), called);
    settings(0);
    let output = of_study();
    assert_eq!(output.status.code(), Some(2));
    assert!(
        errors(&output).contains("target.flock_size: found 0, expected a number of birds from 1")
    );
}
