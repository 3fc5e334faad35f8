//! A saved population is not backtested on the weighings that it was estimated from.

use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

use pinfeather::study::{Columns, Fingerprint, Study};

/// Twelve birds after Gompertz, weighed weekly for `weeks`; `kind` names another flock of
/// birds of the same names.
fn weights(weeks: u32, kind: u32) -> Vec<(u32, u32, f64)> {
    let mut rows = Vec::new();
    for bird in 0..12_u32 {
        for week in 0..=weeks {
            let seed = f64::from(bird * 131 + week * 17 + kind * 7919);
            let noise = 1.0 + 0.02 * (12.9898 * seed).sin();
            let mature = 1600.0 + 25.0 * f64::from(bird) + 40.0 * f64::from(kind);
            let age_d = 7.0 * f64::from(week);
            rows.push((
                bird,
                7 * week,
                mature * (-3.6 * (-0.026 * age_d).exp()).exp() * noise,
            ));
        }
    }
    rows
}

fn table(weeks: u32, kind: u32) -> String {
    let mut text = "bird,age_d,weight_g\n".to_owned();
    for (bird, age_d, weight_g) in weights(weeks, kind) {
        writeln!(text, "b{bird},{age_d},{weight_g:.2}").unwrap();
    }
    text
}

/// The same, columns in another order, in kilograms, sorted by age.
fn rearranged(weeks: u32) -> String {
    let mut rows = weights(weeks, 0);
    rows.sort_by_key(|(_, age_d, _)| *age_d);
    let mut text = "weight_kg,age_d,bird\n".to_owned();
    for (bird, age_d, weight_g) in rows {
        let rounded = format!("{weight_g:.2}").parse::<f64>().unwrap();
        writeln!(text, "{:.5},{age_d},b{bird}", rounded / 1000.0).unwrap();
    }
    text
}

fn read(folder: &Path, name: &str, text: &str) -> Study {
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    Study::read_table(&path, &Columns::default()).unwrap()
}

#[test]
fn records_are_recognised_in_another_table_with_more_of_them() {
    let folder = tempfile::tempdir().unwrap();
    let first = read(folder.path(), "a.csv", &table(10, 0));
    let seen = Fingerprint::of(&first, &first.traits[0]);
    for (text, share) in [
        (table(10, 0), 1.0),
        (table(18, 0), 1.0),
        (rearranged(18), 1.0),
    ] {
        let other = read(folder.path(), "b.csv", &text);
        assert!((seen.share_in(&other, &other.traits[0]) - share).abs() < 1e-12);
    }
    let other = read(folder.path(), "b.csv", &table(10, 1));
    assert!(seen.share_in(&other, &other.traits[0]) < 0.05);
    assert!(Fingerprint::default().is_empty());
    assert!(Fingerprint::default().share_in(&other, &other.traits[0]) < 1e-12);
}

#[test]
fn the_backtest_of_a_population_on_its_own_birds_is_refused_with_the_reason() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let run = |arguments: &[&str]| {
        let out = Command::new(env!("CARGO_BIN_EXE_pinfeather"))
            .args(arguments)
            .output()
            .unwrap();
        assert!(
            out.status.success(),
            "{}",
            String::from_utf8_lossy(&out.stderr)
        );
        String::from_utf8_lossy(&out.stdout).into_owned()
    };
    std::fs::write(path("a.csv"), table(12, 0)).unwrap();
    std::fs::write(
        path("t.csv"),
        "strain,age_d,target_g\nall,0,40\nall,140,1600\n",
    )
    .unwrap();
    run(&[
        "fit",
        &path("a.csv"),
        "--curve",
        "gompertz",
        "--level",
        "population",
        "--save-population",
        &path("saved"),
        "--out",
        &path("o1"),
    ]);
    let saved = path("saved/body_weight_gompertz.toml");
    for (text, refused) in [(rearranged(14), true), (table(14, 1), false)] {
        std::fs::write(path("b.csv"), text).unwrap();
        let out = path("o2");
        let words = run(&[
            "target",
            &path("b.csv"),
            "--targets",
            &path("t.csv"),
            "--population",
            &saved,
            "--details",
            "--out",
            &out,
        ]);
        assert_eq!(
            words.contains("no backtest: 100 percent of the records"),
            refused,
            "{words}"
        );
        let written = std::path::Path::new(&out).join("tables/backtest.csv");
        assert_eq!(written.is_file(), !refused);
        std::fs::remove_dir_all(out).unwrap();
    }
}
