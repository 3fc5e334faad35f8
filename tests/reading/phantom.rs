//! The log of the scanner's phantom: what is read, and what is said of each fault.

use crate::support::scans::write_files;
use pinfeather::composition::phantom::of_study;
use pinfeather::study::{Check, Study};

const TOML: &str = "hatch_date = \"2026-03-02\"\n[tables]\nweighings = \"weighings.csv\"\nscans = \"scans.csv\"\nphantom = \"phantom.csv\"\n";
const WEIGHINGS: &str = "bird,age_d,weight_g\na1,56,700\n";
const SCANS: &str = "bird,age_d,feathers,fat_g,lean_g,bone_g\na1,10,intact,8,60,1.5\na1,20,intact,16,120,3\na1,60,intact,80,600,15\n";

fn folder(toml: &str, phantom: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let files = [
        ("study.toml", toml),
        ("weighings.csv", WEIGHINGS),
        ("scans.csv", SCANS),
        ("phantom.csv", phantom),
    ];
    write_files(folder.path(), &files);
    folder
}

fn read(toml: &str, phantom: &str) -> Result<Study, String> {
    Study::read_folder(folder(toml, phantom).path()).map_err(|error| error.to_string())
}

/// A log of these values, one a day from the day of hatch on.
fn daily(values: &[f64]) -> String {
    let start: chrono::NaiveDate = "2026-03-02".parse().unwrap();
    let rows = values.iter().enumerate().map(|(day, value)| {
        let date = start + chrono::Days::new(day as u64);
        format!("{date},{value}\n")
    });
    format!("date,bone_g\n{}", rows.collect::<String>())
}

#[test]
fn measurements_are_read_by_day_scanner_and_unit() {
    let toml = format!("{TOML}[scans.readings]\nbone_density = \"g/cm2\"\n");
    // The scans' own further reading has no column there, which is a fault of theirs.
    let error = read(&toml, "date,bone_g\n2026-03-02,24\n").unwrap_err();
    assert!(error.starts_with("scans.csv"), "{error}");
    let text = "date,time,scanner,bone_kg,reading\n2026-03-04,08:10,A,0.0241,\n2026-03-02,08:00,A,0.024,7\n2026-03-02,16:00,A,0.026,NA\n2026-03-02,08:00,B,0.03,8\n";
    let toml = format!("{TOML}[format]\nmissing = [\"NA\"]\n");
    let study = read(&toml, text).unwrap();
    let log = &study.phantom;
    assert_eq!(log.scanners, ["A", "B"]);
    let rows: Vec<u32> = log.rows.iter().map(|row| row.row).collect();
    assert_eq!(rows, [3, 4, 5, 2], "by date");
    assert!((log.rows[0].values[0] - 24.0).abs() < 1e-9, "in grams");
    let found = of_study(&study).unwrap();
    assert_eq!(found.charts.len(), 4);
    let first = &found.charts[0].days[0];
    assert_eq!(first.measurements, 2);
    assert!((first.value - 25.0).abs() < 1e-9, "the mean of the day");
    assert!(found.charts[0].limits.is_err(), "too few days");
    let check = Check::folder(folder(&toml, text).path()).unwrap();
    let lines = check.summary.lines().join("\n");
    assert!(
        lines.contains("4 measurements of the phantom of 2 scanners from 2026-03-02 to 2026-03-04 (bone, reading)"),
        "{lines}"
    );
}

#[test]
fn faults_of_the_log_have_their_place() {
    for (phantom, says) in [
        (
            "day,bone_g\n2026-03-02,24\n",
            "phantom.csv, row 1: found the headers day, bone_g, expected a column date",
        ),
        (
            "date,bone\n2026-03-02,24\n02.03.2026,24\n",
            "phantom.csv, row 3, column date: found \"02.03.2026\", expected a date such as",
        ),
        (
            "date,note\n2026-03-02,fine\n",
            "phantom.csv, row 1: found the headers date, note, expected a column fat_g or lean_g or bone_g or reading",
        ),
        (
            "date,bone_g\n2026-03-02,24\n2026-03-02,25\n",
            "phantom.csv, row 3, column date: found the phantom on 2026-03-02 again, as in row 2, expected one row for a scanner and day, or for each time of the day; remove one of the two rows; where it was measured several times a day, give the time of each in a column time",
        ),
        (
            "date,bone_g\n2026-03-02,-24\n",
            "phantom.csv, row 2, column bone_g: found \"-24\", expected a reading of 0 or more",
        ),
        (
            "date,bone_g\n2026-03-02,24g\n",
            "phantom.csv, row 2, column bone_g: found \"24g\"",
        ),
        (
            "date,bone_g\n2026-03-02,\n",
            "phantom.csv, row 2, column bone_g: found no reading in this row, expected at least one reading of the phantom",
        ),
        (
            "date,scanner,bone_g\n2026-03-02,,24\n",
            "phantom.csv, row 2, column scanner: found an empty cell",
        ),
        (
            "date,time,bone_g\n2026-03-02,noon,24\n",
            "phantom.csv, row 2, column time: found \"noon\", expected a time of the day such as 08:30",
        ),
    ] {
        let error = read(TOML, phantom).unwrap_err();
        assert!(error.contains(says), "{error}");
    }
    let error = read(
        &format!("{TOML}[phantom]\nbaseline_days = 3\n"),
        &daily(&[24.0; 3]),
    )
    .unwrap_err();
    assert!(
        error.contains("phantom.baseline_days: found 3, expected a number of days from 10 to 1000"),
        "{error}"
    );
    let error = read(
        &format!("{TOML}[columns.phantom]\nfatt = \"x\"\n"),
        "date,bone_g\n2026-03-02,24\n",
    )
    .unwrap_err();
    assert!(
        error.contains("the unknown key fatt under [columns.phantom]"),
        "{error}"
    );
}

#[test]
fn scans_on_days_out_of_control_are_counted() {
    // In control but for day 20, on which a scan was made; a lasting fall from day 40 on.
    let mut values: Vec<f64> = (0..50)
        .map(|day| 24.0 + 0.1 * f64::from([0, 2, -1, 1, -2, 0, 1, -1][day % 8]))
        .collect();
    values[20] = 26.0;
    for value in &mut values[40..] {
        *value -= 0.5;
    }
    let found = of_study(&read(TOML, &daily(&values)).unwrap()).unwrap();
    let chart = &found.charts[0];
    assert_eq!(chart.days_outside(), 1);
    let (from, _) = chart.changed_from().unwrap();
    let start: chrono::NaiveDate = "2026-03-02".parse().unwrap();
    let from = (from - start).num_days();
    assert!((38..43).contains(&from), "{from}");
    let change = chart.change_pct().unwrap();
    assert!((-2.5..-1.5).contains(&change), "{change}");
    // The scan at 10 d is in control, that at 20 d was on the wild day, that at 60 d is after
    // the end of the log, while the change lasts.
    assert_eq!((found.scans.dated, found.scans.out_of_control), (3, 2));
    assert_eq!(found.scans.unmeasured, 1);
    let named = daily(&values[..30]).replace("date,bone_g", "date,reading");
    let calm = of_study(&read(TOML, &named).unwrap()).unwrap();
    assert_eq!(calm.charts[0].unit, "");
    assert_eq!(calm.charts[0].change, None);
    // Values that do not vary set no limits.
    let alike = of_study(&read(TOML, &daily(&[24.0; 30])).unwrap()).unwrap();
    assert!(alike.charts[0].limits.is_err());
    assert_eq!(alike.scans.out_of_control, 0);
}
