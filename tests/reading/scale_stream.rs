//! Records of platform scales: what is read, what is left out, and what is refused with its place.

use std::fmt::Write as _;

use pinfeather::study::{Columns, StreamSettings, Study};

const PENS: &str = "pen,strain,hatch_date\nnorth,Elder,2025-09-01\nsouth,Elder,2025-09-04\n";

/// A study folder with these records, and what `study.toml` adds.
fn read(records: &str, settings: &str) -> Result<Study, String> {
    read_with(PENS, records, settings)
}

fn read_with(pens: &str, records: &str, settings: &str) -> Result<Study, String> {
    let folder = tempfile::tempdir().unwrap();
    let toml = format!(
        "name = \"scales\"\n[tables]\npens = \"pens.csv\"\nscale_stream = \"scale.csv\"\n{settings}"
    );
    for (file, text) in [
        ("pens.csv", pens),
        ("scale.csv", records),
        ("study.toml", &toml),
    ] {
        std::fs::write(folder.path().join(file), text).unwrap();
    }
    Study::read_folder(folder.path()).map_err(|error| error.to_string())
}

fn records(rows: &[&str]) -> String {
    format!("time,pen,weight_g\n{}\n", rows.join("\n"))
}

/// Readings of a study's days: scale, age, hours and counts.
fn counts(study: &Study) -> Vec<(usize, Option<f64>, u32)> {
    let days = study.stream.days.iter();
    days.map(|day| {
        let all = day.readings.iter().map(|reading| reading.count);
        (day.scale, day.age_d, all.sum())
    })
    .collect()
}

#[test]
fn records_are_counted_by_scale_and_day() {
    let study = read(
        &records(&[
            "2025-12-01T07:00:01,north,1200",
            "2025-12-01T07:00:09,south,1180.5",
            "2025-12-01 15:30:00,north,-2",
            "2025-12-02T07:00:01,north,2410",
            "2025-12-02T07:30:00,north,NA",
        ]),
        "",
    )
    .unwrap();
    assert_eq!(
        counts(&study),
        [(0, Some(91.0), 2), (0, Some(92.0), 1), (1, Some(88.0), 1)]
    );
    let first = &study.stream.days[0].readings;
    assert_eq!(first.len(), 2);
    assert!((first[0].reading_g + 2.0).abs() < 0.2 && first[0].hour == 15);
    assert!((first[1].reading_g - 1200.0).abs() < 1.6 && first[1].hour == 7);
    assert_eq!(study.stream.missing, 1);
    assert!(
        study
            .notes
            .iter()
            .any(|note| note.contains("without a weight"))
    );
}

#[test]
fn a_record_that_is_written_twice_counts_once() {
    let study = read(
        &records(&[
            "2025-12-01T07:00:01,north,1200",
            "2025-12-01T07:00:01,north,1201",
            "2025-12-01T07:00:01,north,1200",
            "2025-12-02T07:00:01,north,1200",
            "2025-12-01T07:00:01,north,1201",
        ]),
        "",
    )
    .unwrap();
    assert_eq!(study.stream.duplicates, 2);
    assert_eq!(study.stream.records, 3);
    let note = study
        .notes
        .iter()
        .find(|note| note.contains("repeat a record"));
    assert!(
        note.unwrap().contains("4") && note.unwrap().contains("6"),
        "{note:?}"
    );
    assert!(
        study
            .warnings
            .iter()
            .any(|line| line.contains("goes back once, first in row 6"))
    );
}

#[test]
fn times_to_the_minute_are_not_taken_for_the_same_record() {
    let rows = ["2025-12-01 07:00,north,1200", "2025-12-01 07:00,north,1200"];
    let study = read(&records(&rows), "").unwrap();
    assert_eq!((study.stream.records, study.stream.duplicates), (2, 0));
    assert!(
        study
            .notes
            .iter()
            .any(|note| note.contains("without seconds"))
    );
}

#[test]
fn a_clock_that_jumps_is_reported_and_one_that_was_never_set_is_refused() {
    let study = read(
        &records(&[
            "2025-12-01T07:00:00,north,1200",
            "2025-12-01T06:00:00,north,1210",
            "2025-12-01T08:00:00,north,1190",
        ]),
        "",
    )
    .unwrap();
    let warning = study
        .warnings
        .iter()
        .find(|line| line.contains("goes back"));
    assert!(
        warning
            .unwrap()
            .contains("row 3 by 60 min, to 2025-12-01T06:00:00"),
        "{warning:?}"
    );
    let refused = read(
        &records(&[
            "2025-12-01T07:00:00,north,1200",
            "2000-01-01T00:00:10,north,1210",
        ]),
        "",
    )
    .unwrap_err();
    for part in [
        "scale.csv, row 3, column time",
        "2025-09-01",
        "the clock of the scale",
    ] {
        assert!(refused.contains(part), "{refused}");
    }
}

#[test]
fn a_table_from_the_last_record_to_the_first_is_a_note() {
    let study = read(
        &records(&[
            "2025-12-01T09:00:00,north,1200",
            "2025-12-01T08:00:00,north,1210",
            "2025-12-01T07:00:00,north,1190",
        ]),
        "",
    )
    .unwrap();
    assert!(
        study
            .notes
            .iter()
            .any(|note| note.contains("from the last to the first"))
    );
    assert!(study.warnings.is_empty(), "{:?}", study.warnings);
}

#[test]
fn summer_time_in_offsets_keeps_local_days_and_hours() {
    // The end of summer time in central Europe: 02:30 comes twice.
    let study = read(
        &records(&[
            "2025-10-26T02:30:00+02:00,north,900",
            "2025-10-26T02:30:00+01:00,north,905",
            "2025-10-26T23:30:00+01:00,north,910",
        ]),
        "",
    )
    .unwrap();
    assert_eq!(counts(&study), [(0, Some(55.0), 3)]);
}

#[test]
fn universal_times_are_refused_without_the_offset_of_the_house() {
    let rows = records(&["2025-12-01T23:30:00Z,north,1200"]);
    let refused = read(&rows, "").unwrap_err();
    for part in ["row 2, column time", "utc_offset", "[scale_stream]"] {
        assert!(refused.contains(part), "{refused}");
    }
    let study = read(&rows, "[scale_stream]\nutc_offset = \"+01:00\"\n").unwrap();
    assert_eq!(counts(&study), [(0, Some(92.0), 1)]);
    let wrong = read(&rows, "[scale_stream]\nutc_offset = \"CET\"\n").unwrap_err();
    assert!(wrong.contains("scale_stream.utc_offset"), "{wrong}");
}

#[test]
fn what_cannot_be_read_is_refused_with_its_place() {
    for (row, expected) in [
        (
            "01/12/2025 07:00:00,north,1200",
            ["row 3, column time", "date_format"],
        ),
        (
            "2025-12-01,north,1200",
            ["row 3, column time", "hours and minutes"],
        ),
        (
            "2025-12-01T07:00:00 CET,north,1200",
            ["row 3, column time", "offset"],
        ),
        (
            "2025-12-01T07:00:00+01:00,north,1200",
            ["row 3, column time", "of one kind"],
        ),
        (
            "2025-12-01T07:00:00,nort,1200",
            ["row 3, column pen", "perhaps north"],
        ),
        (
            "2025-12-01T07:00:00,,1200",
            ["row 3, column pen", "a pen's name"],
        ),
        (
            "2025-12-01T07:00:00,north,1200 g",
            ["row 3, column weight_g", "only the number"],
        ),
        (
            "2025-12-01T07:00:00,north,\"1,200\"",
            ["row 3, column weight_g", "mark"],
        ),
        (
            "2025-12-01T07:00:00,north,1.200",
            ["row 3, column weight_g", "decimal"],
        ),
        ("2025-12-01T07:00:00,north", ["row 3", "3 as in the header"]),
    ] {
        let table = records(&["2025-12-01T06:00:00,north,1200", row]);
        let refused = read(&table, "").expect_err(row);
        for part in expected {
            assert!(refused.contains(part), "{row}: {refused}");
        }
    }
}

#[test]
fn decimal_commas_units_and_other_dates() {
    let study = read_with(
        "pen,strain,hatch_date\nnorth,Elder,01.09.2025\n",
        "time;pen;weight_kg\n01.12.2025 07:00:00;north;1,2005\n",
        "[units]\ndate_format = \"dd.mm.yyyy\"\n",
    )
    .unwrap();
    let reading = study.stream.days[0].readings[0];
    assert!((reading.reading_g - 1200.5).abs() < 1.6);
}

#[test]
fn scales_stand_in_pens_by_settings_and_hours_can_be_chosen() {
    let study = read(
        "time,scale,weight_g\n2025-12-01T07:00:00,S1,1200\n2025-12-01T11:00:00,S1,1210\n2025-12-01T11:00:00,S2,1190\n",
        "[scale_stream]\nfrom = \"10:00\"\nto = \"16:00\"\n[scale_stream.pens]\nS1 = \"north\"\nS2 = \"south\"\n",
    )
    .unwrap();
    assert_eq!(counts(&study), [(0, Some(91.0), 1), (1, Some(88.0), 1)]);
    assert_eq!(study.stream.outside_window, 1);
    assert_eq!(study.stream.scales[1].pen, Some(1));
}

#[test]
fn a_bare_table_is_read_with_the_option() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("scale.csv");
    std::fs::write(&path, "time,weight_g\n2025-12-01T07:00:00Z,1200\n").unwrap();
    let columns = Columns {
        stream: true,
        stream_settings: StreamSettings {
            utc_offset: Some("+00:00".into()),
            ..StreamSettings::default()
        },
        hatched_on: Some("2025-09-01".into()),
        ..Columns::default()
    };
    let study = Study::read_table(&path, &columns).unwrap();
    assert_eq!(counts(&study), [(0, Some(91.0), 1)]);
    assert_eq!(study.strains, ["all"]);
    let both = Columns {
        bird: Some("ring".into()),
        ..columns
    };
    let refused = Study::read_table(&path, &both).unwrap_err().to_string();
    assert!(refused.contains("both --stream and --bird"), "{refused}");
}

/// Rows are the same whether the file is longer than a piece or not, to the row of a fault.
#[test]
fn a_long_table_is_read_in_pieces_with_its_rows_counted() {
    let mut long = "time,pen,weight_g\n".to_owned();
    for second in 0..80_000 {
        let (hour, minute) = (second / 3600, second / 60 % 60);
        writeln!(
            long,
            "2025-12-01T{hour:02}:{minute:02}:{:02},north,{}",
            second % 60,
            1150 + second % 100
        )
        .unwrap();
    }
    assert!(long.len() > 2 << 20);
    let study = read(&long, "").unwrap();
    assert_eq!(counts(&study), [(0, Some(91.0), 80_000)]);
    long += "2025-12-01T23:00:00,north,x\n";
    let refused = read(&long, "").unwrap_err();
    assert!(refused.contains("row 80002, column weight_g"), "{refused}");
}
