//! Tables of eggs by pen and of light, and ages at which birds entered: what is read, and what
//! is reported of each fault.

use std::fs;
use std::path::Path;

use pinfeather::study::Study;
use tempfile::TempDir;

const BIRDS: &str = "bird,strain,pen\nb1,Alder,1\nb2,Alder,1\nb3,Birch,2\n";
const WEIGHTS: &str = "bird,age_d,weight_g\nb1,7,70\nb2,7,71\nb3,7,72\n";

fn folder(tables: &[(&str, &str)]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let mut settings = String::from("hatch_date = \"2026-03-02\"\n[tables]\n");
    for (name, text) in tables {
        fs::write(folder.path().join(format!("{name}.csv")), text).unwrap();
        settings += &format!("{name} = \"{name}.csv\"\n");
    }
    fs::write(folder.path().join("study.toml"), settings).unwrap();
    folder
}

fn messages(tables: &[(&str, &str)]) -> Vec<String> {
    let folder = folder(tables);
    let error = Study::read_folder(folder.path()).expect_err("a fault");
    assert_eq!(error.exit_status(), 2);
    error.messages().to_vec()
}

fn of_eggs(rows: &str) -> Vec<String> {
    messages(&[("eggs", &format!("pen,age_d,eggs,hens\n{rows}"))])
}

#[test]
fn counts_are_read_by_pen_and_age() {
    let eggs = "pen,date,eggs,hens,strain\n\
                2,2026-07-02,3,50,Birch\n\
                1,2026-07-02,,40,Alder\n\
                1,2026-07-03,5,40,Alder\n\
                1,2026-07-04,5,40,Alder\n\
                1,2026-07-07,9,39,Alder\n";
    let folder = folder(&[("eggs", eggs)]);
    let study = Study::read_folder(folder.path()).unwrap();
    assert_eq!(study.pens, ["2", "1"]);
    let pen = &study.eggs[1];
    assert_eq!(study.strains[pen.strain.unwrap()], "Alder");
    let ages: Vec<u32> = pen.counts.iter().map(|count| count.age_d).collect();
    assert_eq!(ages, [123, 124, 127]);
    let notes = study.notes.join("\n");
    assert!(notes.contains("1 rows of eggs without a count"), "{notes}");
    assert!(notes.contains("not counted on 2 days"), "{notes}");
}

#[test]
fn counts_of_several_days_say_so() {
    let rows = (0..8).map(|week| format!("1,{},{},{}\n", 126 + 7 * week, 20 * week, 40));
    let text: String = rows.collect();
    let found = of_eggs(&text);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(
        found[0].contains("60 eggs of 40 hens in a day (row 5)"),
        "{}",
        found[0]
    );
    assert!(found[0].contains("add a column days"), "{}", found[0]);
    let few = (0..8).map(|week| format!("1,{},{},{}\n", 126 + 7 * week, 2 * week, 40));
    let found = of_eggs(&few.collect::<String>());
    assert_eq!(
        found,
        [
            "eggs.csv, column eggs: found a count every 7 days, without the number of days that it \
          covers, expected a column days: 1 where the eggs are of that day, 7 where they are of all \
          days since the last count; add the column days"
        ]
    );
    let rows = (0..8).map(|week| format!("1,{},{},{},7\n", 126 + 7 * week, 20 * week, 40));
    let eggs = format!("pen,age_d,eggs,hens,days\n{}", rows.collect::<String>());
    let folder = folder(&[("eggs", &eggs)]);
    let study = Study::read_folder(folder.path()).unwrap();
    assert_eq!(study.eggs[0].counts[1].days, 7);
}

#[test]
fn faults_of_counts_have_their_place() {
    let cases = [
        (
            "1,120,45,40\n",
            "eggs.csv, row 2, column eggs: found 45 eggs of 40 hens in a day, expected at most 1.1 \
             eggs a hen and day; correct the eggs or the hens; if the eggs are of several days (a week), \
             add a column days with their number",
        ),
        (
            "1,120,4,40\n1,121,4,41\n",
            "eggs.csv, row 3, column hens: found 41 hens in pen 1 at 121 d, after 40 at 120 d (row 2), \
             expected hens that do not become more within a pen; correct the number; where hens were \
             moved in, give the pen a new name from that day",
        ),
        (
            "1,120,4,40\n1,120,5,40\n",
            "eggs.csv, row 3, column age_d: found pen 1 at 120 d again, as in row 2, expected each day \
             of a pen in one row; remove one of the two rows, or correct the age or the days",
        ),
        (
            "1,120,-4,40\n",
            "eggs.csv, row 2, column eggs: found \"-4\", expected a number of eggs from 0; correct the cell",
        ),
        (
            "1,120,0,0\n",
            "eggs.csv, row 2, column hens: found \"0\", expected a number of hens above 0; give the hens \
             alive on that day, or remove the rows of an empty pen",
        ),
        (
            "1,120.5,0,40\n",
            "eggs.csv, row 2, column age_d: found \"120.5\", expected an age of whole days from 0 (hatch) \
             to 3650 d; correct the cell or the unit",
        ),
    ];
    for (rows, expected) in cases {
        assert_eq!(of_eggs(rows), [expected], "{rows}");
    }
}

#[test]
fn a_pen_that_no_bird_has_is_asked_for_once() {
    let eggs = "pen,age_d,eggs,hens\n3,120,1,40\n3,121,1,40\n1,120,1,2\n";
    let found = messages(&[("birds", BIRDS), ("weighings", WEIGHTS), ("eggs", eggs)]);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(
        found[0].starts_with(
            "eggs.csv, row 2, column pen: found \"3\", expected a pen of the study (1, 2)"
        ),
        "{}",
        found[0]
    );
}

#[test]
fn the_strain_of_a_pen_is_that_of_its_birds() {
    let eggs = "pen,age_d,eggs,hens\n1,120,1,2\n2,120,1,2\n";
    let folder = folder(&[("birds", BIRDS), ("weighings", WEIGHTS), ("eggs", eggs)]);
    let study = Study::read_folder(folder.path()).unwrap();
    let strains: Vec<&str> = study
        .eggs
        .iter()
        .map(|pen| &*study.strains[pen.strain.unwrap()])
        .collect();
    assert_eq!(strains, ["Alder", "Birch"]);
}

#[test]
fn light_holds_from_its_age_and_contradictions_are_refused() {
    let eggs = "pen,age_d,eggs,hens\n1,120,1,2\n2,120,1,2\n";
    let light = "pen,date,hours,lux\n,2026-03-02,16,40\n1,2026-06-29,14,\n2,2026-07-13,13.5,20\n";
    let read = folder(&[("eggs", eggs), ("light", light)]);
    let study = Study::read_folder(read.path()).unwrap();
    let ages: Vec<f64> = study.light.iter().map(|one| one.age_d).collect();
    assert_eq!(ages, [0.0, 119.0, 133.0]);
    assert_eq!(study.light[2].lux, Some(20.0));
    for (rows, expected) in [
        (
            "1,119,14\n1,119,15\n",
            "light.csv, row 3, column hours: found 15 h for pen 1 at 119 d, and 14 h for pen 1 in row 2, \
             expected one day length for a pen at an age; remove one of the two rows, or give the pen in both",
        ),
        (
            ",119,14\n1,119,15\n",
            "light.csv, row 3, column hours: found 15 h for pen 1 at 119 d, and 14 h for all pens in row 2, \
             expected one day length for a pen at an age; remove one of the two rows, or give the pen in both",
        ),
        (
            "1,119,25\n",
            "light.csv, row 2, column hours: found \"25\", expected hours of light from 0 to 24; correct the cell",
        ),
    ] {
        let light = format!("pen,age_d,hours\n{rows}");
        assert_eq!(messages(&[("eggs", eggs), ("light", &light)]), [expected]);
    }
    let light = "pen,age_d,hours\n7,119,14\n";
    let found = messages(&[("eggs", eggs), ("light", light)]);
    assert!(found[0].contains("a pen of the study (1, 2)"), "{found:?}");
}

#[test]
fn birds_enter_before_they_lay() {
    let tables = |rows: &str| -> Vec<String> {
        let onset = format!(
            "bird,first_egg_age_d,last_without_d,first_with_d,last_seen_age_d,entered_age_d\n{rows}"
        );
        messages(&[("birds", BIRDS), ("weighings", WEIGHTS), ("onset", &onset)])
    };
    let found = tables("b1,140,,,,141\n");
    assert!(
        found[0].contains("entered at 141 d, with a first egg at 140 d"),
        "{found:?}"
    );
    let found = tables("b1,,130,137,,131\n");
    assert!(
        found[0].contains("entered at 131 d, after a check without an egg at 130 d"),
        "{found:?}"
    );
    let onset = "bird,first_with_d,last_seen_age_d,entered_age_d\nb1,137,140,130\nb2,,150,\n";
    let folder = folder(&[("birds", BIRDS), ("weighings", WEIGHTS), ("onset", onset)]);
    let study = Study::read_folder(folder.path()).unwrap();
    assert_eq!(study.onset[0].entered_d, Some(130.0));
    let bird = &pinfeather::maturity::LayRecords::of(&study).birds[0];
    assert_eq!(bird.first_egg.range(), (130.0, 137.0));
}

/// A bare table of eggs needs no option.
#[test]
fn a_bare_table_of_eggs_is_known_by_its_columns() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| {
        fs::write(folder.path().join(name), text).unwrap();
        folder.path().join(name)
    };
    let known = |path: &Path| Study::is_egg_table(path);
    assert!(known(&write("e.csv", "Pen,Age_d,Eggs,Hens\n1,120,1,40\n")));
    assert!(known(&write(
        "s.csv",
        "pen;date;hens;eggs\n1;2026-07-01;40;1\n"
    )));
    assert!(!known(&write("w.csv", "bird,age_d,weight_g\n1,7,70\n")));
    assert!(!known(&folder.path().join("none.csv")));
}
