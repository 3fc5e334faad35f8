//! What `check` finds: jumps, gaps, duplicates, and a summary in words.

use std::fs;
use std::path::Path;

use pinfeather::study::{Check, Columns, JumpKind, Values};

fn check(text: &str) -> Check {
    let columns = Columns {
        group: Some("strain".into()),
        ..Columns::default()
    };
    check_with(text, &columns)
}

fn check_with(text: &str, columns: &Columns) -> Check {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("w.csv");
    fs::write(&path, text).unwrap();
    let mut check = Check::table(&path, columns).unwrap();
    let folder = format!("{}/", folder.path().display());
    for jump in &mut check.summary.jumps {
        jump.place.file = jump.place.file.replace(&folder, "");
    }
    for gap in &mut check.summary.gaps {
        gap.place.file = gap.place.file.replace(&folder, "");
    }
    check
}

/// Six sound birds of one strain, weighed at 0, 7, .. 42 d, a little apart.
const AGES_D: [usize; 7] = [0, 7, 14, 21, 28, 35, 42];
const WEIGHTS_G: [f64; 7] = [40.0, 70.0, 120.0, 190.0, 270.0, 350.0, 440.0];

/// The table of the sound birds, with some cells of bird `b0` replaced (by the
/// index of the age) and rows that are empty left out.
fn flock(replaced: &[(usize, &str)]) -> String {
    let mut text = "bird,strain,age_d,weight_g\n".to_owned();
    for bird in 0..6 {
        for (at, (age_d, weight_g)) in AGES_D.iter().zip(WEIGHTS_G).enumerate() {
            let own = replaced.iter().find(|(index, _)| bird == 0 && *index == at);
            let sound = (weight_g * (1.0 + 0.01 * f64::from(bird))).to_string();
            let weight = own.map_or(sound.as_str(), |(_, cell)| cell);
            if !weight.is_empty() {
                text += &format!("b{bird},x,{age_d},{weight}\n");
            }
        }
    }
    text
}

#[test]
fn a_sound_flock_has_nothing_that_stands_out() {
    let check = check(&flock(&[]));
    assert!(!check.needs_attention());
    assert_eq!(
        check.summary.lines(),
        [
            "w: 6 birds",
            "42 weighings at 7 ages from 0 to 42 d",
            "nothing stands out: no gaps, no duplicates, no implausible weights",
        ]
    );
}

#[test]
fn jumps_are_reported_with_their_kind_and_what_the_neighbours_suggest() {
    for (at, cell, kind, slip, words) in [
        (
            3,
            "80",
            JumpKind::OffAndBack,
            None,
            "w.csv, row 5: bird b0 at 21 d, 80 g, far below its neighbours; they suggest about 190 g; compare with the record sheet",
        ),
        (
            3,
            "500",
            JumpKind::OffAndBack,
            None,
            "w.csv, row 5: bird b0 at 21 d, 500 g, far above its neighbours; they suggest about 192 g; compare with the record sheet",
        ),
        (
            3,
            "1900",
            JumpKind::OffAndBack,
            Some(10.0),
            "w.csv, row 5: bird b0 at 21 d, 1900 g, far above its neighbours; they suggest about 192 g, 10 times less: a slipped decimal mark or unit; compare with the record sheet",
        ),
        (
            0,
            "0.04",
            JumpKind::AtEnd,
            Some(0.001),
            "w.csv, row 2: bird b0 at 0 d, 0.04 g, far below the weighing beside it; that suggests about 40 g, 1000 times more: a slipped decimal mark or unit; compare with the record sheet",
        ),
        (
            6,
            "200",
            JumpKind::AtEnd,
            None,
            "w.csv, row 8: bird b0 at 42 d, 200 g, far below the weighing beside it; that suggests about 440 g; compare with the record sheet",
        ),
        (
            6,
            "800",
            JumpKind::AtEnd,
            None,
            "w.csv, row 8: bird b0 at 42 d, 800 g, far above the weighing beside it; that suggests about 444 g; compare with the record sheet",
        ),
    ] {
        let check = check(&flock(&[(at, cell)]));
        let [jump] = &check.summary.jumps[..] else {
            panic!("{cell}: {:?}", check.summary.jumps)
        };
        assert_eq!(jump.kind, kind, "{cell}");
        assert_eq!(jump.slip(), slip, "{cell}");
        assert_eq!(jump.to_string(), words);
        assert!(check.needs_attention() && check.faults.is_empty());
    }
}

#[test]
fn a_fall_by_just_less_than_the_stated_share_is_none() {
    // One bird, so that no flock is known. After 200 g: 133 g is 33.5 percent below, 134 g
    // is 33 percent below.
    let fall = |cell| {
        let flock = flock(&[(4, "200"), (5, cell), (6, "140")]);
        let alone = flock.lines().filter(|line| {
            !line.starts_with('b') || line.starts_with("b0") || line.starts_with("bird")
        });
        check(&alone.collect::<Vec<_>>().join("\n"))
            .summary
            .jumps
            .len()
    };
    assert_eq!(fall("134"), 0);
    assert_eq!(fall("133"), 1);
}

#[test]
fn a_fall_that_stays_is_reported_once() {
    let check = check(&flock(&[(4, "120"), (5, "125"), (6, "130")]));
    let [jump] = &check.summary.jumps[..] else {
        panic!("{:?}", check.summary.jumps)
    };
    assert_eq!(
        (jump.kind, jump.place.row),
        (JumpKind::OffAndStays, Some(6))
    );
}

#[test]
fn a_bird_missing_on_a_weighing_day_between_its_first_and_last_is_a_gap() {
    let check = check(&flock(&[(3, ""), (4, "NA")]));
    let gaps: Vec<String> = check.summary.gaps.iter().map(ToString::to_string).collect();
    assert_eq!(
        gaps,
        [
            "w.csv, row 4: bird b0 is next due at 21 d and was not weighed then, but later",
            "w.csv, row 4: bird b0 is next due at 28 d and was not weighed then, but later",
        ]
    );
    assert_eq!(check.summary.missing, 1);
}

#[test]
fn a_dead_or_late_bird_and_a_neighbouring_day_are_no_gaps() {
    let dead = check(&flock(&[(4, ""), (5, ""), (6, "")]));
    assert!(dead.summary.gaps.is_empty());
    let lines = dead.summary.lines();
    assert!(
        lines.contains(&"x: 6 birds weighed at 0 d, 5 at 42 d".to_owned()),
        "{lines:?}"
    );
    let late = check(&flock(&[(0, ""), (1, "")]));
    assert!(late.summary.gaps.is_empty());
    let next_day = flock(&[]).replace("b0,x,21", "b0,x,22");
    assert!(check(&next_day).summary.gaps.is_empty());
}

#[test]
fn duplicates_are_faults_and_counted_and_the_rest_is_still_summed_up() {
    let text = flock(&[]) + "b1,x,7,70.7\nb1,x,14,500\n";
    let check = check(&text);
    assert_eq!(check.messages().len(), 2);
    assert_eq!(check.summary.duplicates, 2);
    assert_eq!(check.summary.weighings, 42);
    // The row that stood first is kept, so that no jump follows from the second.
    assert!(check.summary.jumps.is_empty());
    let lines = check.summary.lines();
    assert!(
        lines.contains(&"2 rows repeat a bird and age that stood before".to_owned()),
        "{lines:?}"
    );
}

#[test]
fn birds_without_a_curve_of_their_own_are_named() {
    let text = flock(&[]) + "late,x,42,430\nnever,x,42,NA\n";
    let summary = check(&text).summary;
    assert_eq!(summary.never_weighed, ["never"]);
    assert_eq!(summary.few_weighings, ["late"]);
    let lines = summary.lines();
    assert!(
        lines.contains(&"1 bird without any weighing: never".to_owned()),
        "{lines:?}"
    );
    assert!(
        lines.contains(
            &"1 bird with fewer than 4 weighings, too few for an individual curve: late".to_owned()
        ),
        "{lines:?}"
    );
}

#[test]
fn units_in_doubt_are_reported() {
    let warnings = |text: &str| check(text).summary.warnings;
    let kilograms = warnings("bird,strain,age_d,weight_g\na,x,100,1.2\n");
    assert!(
        kilograms[0].ends_with("1 of 1 weights are too light for pullets of their age, such as 1.2 g at 100 d; they would fit if they were in kg"),
        "{kilograms:?}"
    );
    let weeks = warnings("bird,strain,age_d,weight_g\na,x,17,1400\n");
    assert!(
        weeks[0].ends_with("they would fit if the ages were in weeks"),
        "{weeks:?}"
    );
}

#[test]
fn birds_that_no_column_names_are_reported_and_not_taken_for_jumps() {
    let text = flock(&[(3, "30")]).replace("bird,", "bird_no,");
    let read = |group: Option<&str>, text: &str| {
        let columns = Columns {
            group: group.map(Into::into),
            ..Columns::default()
        };
        check_with(text, &columns).summary
    };
    for (group, words) in [
        (
            Some("none"),
            "all rows were taken as one subject weighed more than once at an age; not read: bird_no, strain; ",
        ),
        (
            Some("strain"),
            "the rows of a group were taken as one subject weighed more than once at an age; not read: bird_no; ",
        ),
    ] {
        let summary = read(group, &text);
        assert!(
            summary.warnings[0].contains(words),
            "{:?}",
            summary.warnings
        );
        assert!(summary.jumps.is_empty(), "{:?}", summary.jumps);
    }
    // Rows of one age without birds may be a sample: the option is named. One weighing an age is
    // as it is meant.
    let asked = read(None, "age_d,weight_g\n7,70\n0,40\n7,72\n").warnings;
    assert!(
        asked[0].ends_with(
            "weighed more than once at an age; if each row is another, unnamed bird, give --sample"
        ),
        "{asked:?}"
    );
    assert!(
        read(None, "line,age_d,weight_g\nx,7,70\nx,0,40\n")
            .warnings
            .is_empty()
    );
}

#[test]
fn any_numbers_are_never_implausible() {
    let columns = Columns {
        values: Values::AnyNumber,
        ..Columns::default()
    };
    let text = "bird,age_d,weight_g\na,0,5\na,1,-7\na,2,0\na,3,1e9\na,4,1\n";
    let check = check_with(text, &columns);
    assert!(!check.needs_attention(), "{:?}", check.summary);
}

#[test]
fn real_weighings_that_nobody_doubts_have_no_jumps() {
    // ChickWeight (Crowder and Hand 1990, via R), diets 1 and 3: weighed by hand
    // every second day, five chicks lost; among them chicks that hardly grow.
    let path =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/chickweight/chickweight.csv");
    let columns = Columns {
        group: Some("diet".into()),
        ..Columns::default()
    };
    let check = Check::table(&path, &columns).unwrap();
    assert!(check.faults.is_empty());
    assert!(check.summary.jumps.is_empty(), "{:?}", check.summary.jumps);
    assert!(check.summary.gaps.is_empty(), "{:?}", check.summary.gaps);
    assert_eq!(check.summary.birds, 30);
    assert_eq!(check.summary.ages_d.len(), 12);
    assert!(
        check.summary.warnings.is_empty(),
        "{:?}",
        check.summary.warnings
    );
}

/// A study folder of four scanned birds, two of them analysed, with these scans and
/// analyses after sound ones.
fn scanned(scans: &str, chemistry: &str) -> Check {
    let folder = tempfile::tempdir().unwrap();
    let files = [
        (
            "study.toml",
            "[tables]\nbirds = \"birds.csv\"\nweighings = \"weighings.csv\"\nscans = \"scans.csv\"\nchemistry = \"chemistry.csv\"\nonset = \"onset.csv\"\n[chemistry]\nbasis = \"as-is\"\n".to_owned(),
        ),
        (
            "birds.csv",
            "bird,strain\na,x\nb,x\nc,x\nd,y\n".to_owned(),
        ),
        (
            "weighings.csv",
            "bird,age_d,weight_g\na,21,200\na,28,290\na,35,380\na,42,480\n".to_owned(),
        ),
        (
            "onset.csv",
            "bird,first_egg_age_d,last_seen_age_d\na,,42\n".to_owned(),
        ),
        (
            "scans.csv",
            format!(
                "bird,age_d,repeat,feathers,fat_g,lean_g,bone_g,scale_weight_g,quality\na,42,1,intact,50,410,12,482,ok\na,42,2,intact,51,409,12,482,movement\nb,42,1,intact,60,420,12,500,ok\nb,42,1,plucked,48,412,12,475,ok\n{scans}"
            ),
        ),
        (
            "chemistry.csv",
            format!(
                "bird,part,mass_g,dry_matter_pct,crude_protein_pct,fat_pct,ash_pct\nb,body,474,32,21,8,3\nb,feathers,25,90,87,1.6,1.1\n{chemistry}"
            ),
        ),
    ];
    for (name, text) in files {
        fs::write(folder.path().join(name), text).unwrap();
    }
    Check::folder(folder.path()).unwrap()
}

#[test]
fn scans_and_chemistry_are_summed_up() {
    let check = scanned("", "");
    assert!(check.faults.is_empty(), "{:?}", check.messages());
    assert!(
        check.summary.doubts.is_empty(),
        "{:?}",
        check.summary.doubts
    );
    let lines = check.summary.lines();
    for line in [
        "4 scans of 2 birds at 1 age, 42 d, of which 1 of plucked birds, 1 repeated after repositioning",
        "1 scan rejected by the study's rules for scans:",
        "  scans.csv, row 3: scan 3, marked movement",
        "chemistry of 1 bird (1 body, 1 feathers): water, protein, fat and ash add to 99.7 to 100.0 percent",
        "1 bird scanned or analysed and not among the weighings",
        "2 birds without any weighing: c, d",
    ] {
        assert!(lines.contains(&line.to_owned()), "{line}: {lines:#?}");
    }
}

#[test]
fn doubtful_scans_and_analyses_are_reported_with_their_row() {
    for (scans, chemistry, start) in [
        (
            "a,42,3,intact,50,610,12,682,ok\n",
            "",
            "scans.csv, row 6: bird a at 42 d, 682 g beside the scanner and 480 g among the weighings",
        ),
        (
            "a,49,1,intact,50,480,14,560,ok\n",
            "",
            "scans.csv, row 6: bird a scanned at 49 d, and last seen at 42 d",
        ),
        (
            "c,42,1,plucked,48,412,12,475,ok\n",
            "",
            "scans.csv, row 6: a plucked scan of bird c at 42 d without its intact scan",
        ),
        (
            "d,42,1,intact,60,420,12,500,ok\n",
            "",
            "scans.csv, row 6: a scan of strain y, of which no bird was analysed",
        ),
        (
            "c,42,1,intact,60,420,12,500,ok\n",
            "c,body,474,32,21,14,3\n",
            "chemistry.csv, row 4: body of bird c: water, protein, fat and ash add to 106.0 percent",
        ),
        (
            "",
            "c,body,474,32,21,8,3\n",
            "chemistry.csv, row 4: bird c was analysed and has no intact scan",
        ),
        (
            "c,42,1,intact,60,420,12,500,ok\n",
            "c,body,574,32,21,8,3\nc,feathers,25,90,87,1.6,1.1\n",
            "chemistry.csv, row 5: bird c weighs 599.0 g in the laboratory and 500 g at its last intact scan (+19.8 percent)",
        ),
    ] {
        let check = scanned(scans, chemistry);
        assert!(check.faults.is_empty(), "{start}: {:?}", check.messages());
        let [doubt] = &check.summary.doubts[..] else {
            panic!("{start}: {:?}", check.summary.doubts)
        };
        assert!(doubt.to_string().starts_with(start), "{doubt}");
        assert!(check.needs_attention());
    }
}
