//! What a user may get wrong between the scanner and the laboratory: each has its
//! clear answer with file, row and column, and nothing is computed.

use crate::support::scans::write_files;
use pinfeather::composition::calibration::{Settings, calibrate};
use pinfeather::composition::correction::{AllowedStrains, correct};
use pinfeather::composition::feathers::paired;
use pinfeather::composition::pairs::{RowSelection, frame};
use pinfeather::composition::quality::{keep, regions};
use pinfeather::composition::repeatability::of_study;
use pinfeather::composition::series::{of_birds, of_strains};
use pinfeather::composition::{Equation, Frame, seal};
use pinfeather::study::{Format, Study};

const TOML: &str = "[tables]\nbirds = \"birds.csv\"\nweighings = \"weighings.csv\"\nscans = \"scans.csv\"\nchemistry = \"chemistry.csv\"\n[chemistry]\nbasis = \"as-is\"\n";
const BIRDS: &str = "bird,strain\na1,A\na2,A\na3,A\na4,A\nb1,B\n";
const WEIGHINGS: &str = "bird,age_d,weight_g\na1,56,700\n";
const SCANS_HEADER: &str = "bird,age_d,repeat,region,restraint,birds_in_scan,feathers,fat_g,lean_g,bone_g,scale_weight_g,quality\n";
const SCANS: &str = "a1,56,1,,tube,1,intact,80,600,15,700,ok\na2,56,1,,tube,1,intact,90,640,16,745,ok\na3,56,1,,tube,1,intact,75,580,14,668,ok\na4,56,1,,tube,1,intact,88,600,15,702,ok\n";
const CHEMISTRY_HEADER: &str =
    "bird,part,mass_g,dry_matter_pct,crude_protein_pct,fat_pct,ash_pct\n";
const CHEMISTRY: &str = "a1,body,660,32,20,9,3\na2,body,700,33,20,10,3\na3,body,630,31,20,8,3\na4,body,660,33,19.5,10.5,3\n";

/// A folder with these scans and analyses under the usual headers.
fn folder(scans: &str, chemistry: &str) -> tempfile::TempDir {
    with_toml(
        TOML,
        &format!("{SCANS_HEADER}{scans}"),
        &format!("{CHEMISTRY_HEADER}{chemistry}"),
    )
}

fn with_toml(toml: &str, scans: &str, chemistry: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let files = [
        ("study.toml", toml),
        ("birds.csv", BIRDS),
        ("weighings.csv", WEIGHINGS),
        ("scans.csv", scans),
        ("chemistry.csv", chemistry),
    ];
    write_files(folder.path(), &files);
    folder
}

fn read(folder: &tempfile::TempDir) -> Result<Study, String> {
    Study::read_folder(folder.path()).map_err(|error| error.to_string())
}

fn study(scans: &str, chemistry: &str) -> Study {
    read(&folder(scans, chemistry)).unwrap_or_else(|error| panic!("{error}"))
}

#[test]
fn the_plain_study_is_read_and_calibrated() {
    let study = study(SCANS, CHEMISTRY);
    let pairs = frame(&study, &keep(&study), &RowSelection::default()).unwrap();
    let fit = calibrate(
        &pairs,
        "fat_chem",
        &"fat_scan".parse().unwrap(),
        &Settings::default(),
    );
    assert_eq!(fit.unwrap().equation.provenance.birds, 4);
}

#[test]
fn faults_of_the_scans_table_have_their_place() {
    for (row, expected) in [
        (
            "a1,56,1,,tube,1,intact,-3,600,15,700,ok",
            "row 2, column fat_g: found \"-3\", expected a reading in g of 0 or more",
        ),
        (
            "a1,56,1,,tube,1,intact,0.080,0.600,0.015,700,ok",
            "row 2, column fat_g: found a whole body of fat, lean and bone of 0.695 g",
        ),
        (
            "a1,56,1,,tube,1,intact,0.080,0.600,0.015,0.7,ok",
            "name the columns fat_kg, lean_kg, bone_kg",
        ),
        (
            "a9,56,1,,tube,1,intact,80,600,15,700,ok",
            "row 2, column bird: found bird \"a9\", expected a bird of the study; add the bird",
        ),
        (
            "a1,56,x,,tube,1,intact,80,600,15,700,ok",
            "row 2, column repeat: found \"x\"",
        ),
        (
            "a1,56,1,,tube,1,feathery,80,600,15,700,ok",
            "row 2, column feathers: found \"feathery\", expected intact, plucked or unknown",
        ),
        (
            "a1,56,1,,tube,3,intact,80,600,15,700,ok",
            "row 2, column birds_in_scan: found 3 birds in the scan, of which 1 named",
        ),
        (
            "a1+a2,56,1,leg,tube,2,intact,80,600,15,700,ok",
            "row 2, column region: found region \"leg\" of a scan of 2 birds",
        ),
        (
            "a1,9000,1,,tube,1,intact,80,600,15,700,ok",
            "row 2, column age_d: found \"9000\"",
        ),
        (
            "a1,,1,,tube,1,intact,80,600,15,700,ok",
            "row 2, column age_d: found an empty cell",
        ),
        (
            "a1,56,1,,tube,1,intact,8o,600,15,700,ok",
            "row 2, column fat_g: found \"8o\"",
        ),
    ] {
        let error = read(&folder(&format!("{row}\n"), CHEMISTRY)).unwrap_err();
        assert!(
            error.contains(expected) && error.starts_with("scans.csv"),
            "{error}"
        );
    }
    let twice =
        "a1,56,1,,tube,1,intact,80,600,15,700,ok\na1,56,1,,tube,1,intact,81,600,15,700,ok\n";
    let error = read(&folder(twice, CHEMISTRY)).unwrap_err();
    assert!(
        error.contains("row 3, column bird: found the same scan as in row 2"),
        "{error}"
    );
}

#[test]
fn kilograms_by_their_header_are_read_as_such() {
    let scans = "bird,age_d,feathers,fat_kg,lean_kg,bone_kg,scale_weight_kg\na1,56,intact,0.08,0.6,0.015,0.7\n";
    let study = read(&with_toml(
        TOML,
        scans,
        &format!("{CHEMISTRY_HEADER}{CHEMISTRY}"),
    ))
    .unwrap();
    assert!((study.scans.rows[0].fat_g - 80.0).abs() < 1e-9);
    assert!((study.scans.rows[0].scale_weight_g - 700.0).abs() < 1e-9);
}

#[test]
fn faults_of_the_chemistry_table_have_their_place() {
    for (row, expected) in [
        (
            "a1,body,660,32,60,40,8",
            "row 2, column fat_pct: found water, protein, fat and ash that add to 176.0 percent",
        ),
        (
            "a1,body,660,32,62,28,10",
            "on a dry-matter basis they add to 100.0: check the basis",
        ),
        (
            "a1,body,660,32,20,140,3",
            "row 2, column fat_pct: found \"140\", expected a percentage from 0 to 100",
        ),
        (
            "a1,beak,660,32,20,9,3",
            "row 2, column part: found \"beak\", expected whole, body or feathers",
        ),
        (
            "a1,body,0,32,20,9,3",
            "row 2, column mass_g: found \"0\", expected a mass in g above 0",
        ),
        (
            "a1,body,660,,20,9,3",
            "row 2, column dry_matter_pct: found an empty cell",
        ),
        (
            "a1,body,660,32,20,9,3\na1,body,661,32,20,9,3",
            "row 3, column part: found part body of bird a1 again, as in row 2",
        ),
    ] {
        let error = read(&folder(SCANS, &format!("{row}\n"))).unwrap_err();
        assert!(
            error.contains(expected) && error.starts_with("chemistry.csv"),
            "{error}"
        );
    }
    let silent = TOML.replace("[chemistry]\nbasis = \"as-is\"\n", "");
    let scans = format!("{SCANS_HEADER}{SCANS}");
    let error = read(&with_toml(
        &silent,
        &scans,
        &format!("{CHEMISTRY_HEADER}{CHEMISTRY}"),
    ))
    .unwrap_err();
    assert!(
        error.contains("chemistry.csv, row 1: found no word on what the percentages are of"),
        "{error}"
    );
}

#[test]
fn nitrogen_and_dry_matter_give_the_same_masses() {
    let chemistry = "bird,part,mass_g,dry_matter_pct,nitrogen_pct,fat_pct,ash_pct,basis\na1,body,1000,40,3.2,15,5,as-is\na2,body,1000,40,8,37.5,12.5,dry-matter\n";
    let scans = format!("{SCANS_HEADER}{SCANS}");
    let study = read(&with_toml(TOML, &scans, chemistry)).unwrap();
    for bird in pinfeather::composition::chemistry::masses(&study) {
        let body = bird.body.unwrap();
        // 600 g water, 3.2 percent N x 6.25 = 200 g protein, 150 g fat, 50 g ash.
        for (found, expected) in [
            (body.lean_g(), 800.0),
            (body.fat_g, 150.0),
            (body.ash_g, 50.0),
            (body.closure_pct(), 100.0),
        ] {
            assert!((found - expected).abs() < 1e-9, "{body:?}");
        }
    }
}

#[test]
fn a_strain_with_scans_needs_chemistry_or_a_word() {
    let scans = format!("{SCANS}b1,56,1,,tube,1,intact,80,600,15,700,ok\n");
    let study = study(&scans, CHEMISTRY);
    let kept = keep(&study);
    let error = frame(&study, &kept, &RowSelection::default())
        .unwrap_err()
        .to_string();
    assert!(
        error.contains(
            "scans.csv, row 6, column bird: found a scan of strain B, which has no chemistry"
        ),
        "{error}"
    );
    let allowed = RowSelection {
        allowed_strains: vec!["B".into()],
        ..RowSelection::default()
    };
    let pairs = frame(&study, &kept, &allowed).unwrap();
    let fit = calibrate(
        &pairs,
        "fat_chem",
        &"fat_scan".parse().unwrap(),
        &Settings::default(),
    )
    .unwrap();
    let error = correct(&study, &kept, &fit.equation, &AllowedStrains::new())
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("scans.csv, row 6, column bird: found strain B, expected one of fat (A)"),
        "{error}"
    );
    let allowed = AllowedStrains::from([("B".to_owned(), "A".to_owned())]);
    let corrected = correct(&study, &kept, &fit.equation, &allowed).unwrap();
    assert!(
        corrected.rows[4]
            .flags
            .iter()
            .any(|flag| flag.contains("strain B is not in the equation"))
    );
}

#[test]
fn one_bird_makes_no_equation() {
    let study = study(SCANS, "a1,body,660,32,20,9,3\n");
    let pairs = frame(&study, &keep(&study), &RowSelection::default()).unwrap();
    let error = calibrate(
        &pairs,
        "fat_chem",
        &"fat_scan".parse().unwrap(),
        &Settings::default(),
    )
    .unwrap_err()
    .to_string();
    assert!(
        error.contains("scans.csv: found 1 bird with all values, expected at least 3"),
        "{error}"
    );
}

#[test]
fn terms_that_repeat_each_other_are_named() {
    let study = study(SCANS, CHEMISTRY);
    let mut pairs = frame(&study, &keep(&study), &RowSelection::default()).unwrap();
    let doubled: Vec<f64> = pairs
        .numbers("fat_scan")
        .unwrap()
        .iter()
        .map(|fat| 2.0 * fat)
        .collect();
    pairs.add_numbers("double", doubled);
    let error = calibrate(
        &pairs,
        "fat_chem",
        &"fat_scan,double".parse().unwrap(),
        &Settings::default(),
    )
    .unwrap_err()
    .to_string();
    assert!(
        error.contains("double is already given by fat_scan"),
        "{error}"
    );
    let error = calibrate(
        &pairs,
        "fat_chem",
        &"colour".parse().unwrap(),
        &Settings::default(),
    )
    .unwrap_err()
    .to_string();
    assert!(error.contains("found no column colour"), "{error}");
}

#[test]
fn a_plucked_scan_needs_its_intact_one() {
    let scans = format!("{SCANS}b1,56,1,,tube,1,plucked,80,600,15,700,ok\n");
    let study = study(&scans, CHEMISTRY);
    let error = paired(&study, &keep(&study)).unwrap_err().to_string();
    assert!(error.contains("scans.csv, row 6, column feathers: found a plucked scan of bird b1 at 56 d without its intact scan"), "{error}");
}

const PLUCKED: &str = r#"format = "pinfeather correction equation, version 1"

[equation]
response = "fat"
unit = "g"
feathers = "plucked"
method = "ordinary"
rows = 20
birds = 20
strains = ["A", "B"]
residual_variance = 4.0

[[equation.range]]
name = "age"
least = 60.0
greatest = 120.0

[[coefficient]]
column = "intercept"
value = -100.0

[[coefficient]]
column = "fat_scan"
value = 1.0

[covariance]
rows = [[0.0, 0.0], [0.0, 0.0]]
"#;

fn saved(text: &str) -> (tempfile::TempDir, Equation) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("fat.toml");
    std::fs::write(&path, seal(text).unwrap()).unwrap();
    let equation = Equation::read(&path).unwrap_or_else(|error| panic!("{error}"));
    (folder, equation)
}

#[test]
fn a_plucked_equation_refuses_feathered_scans() {
    let study = study(SCANS, CHEMISTRY);
    let (_folder, equation) = saved(PLUCKED);
    let error = correct(&study, &keep(&study), &equation, &AllowedStrains::new())
        .unwrap_err()
        .to_string();
    assert!(error.contains("scans.csv, row 2 (and 3 more rows), column feathers: found a scan with feathers, expected plucked birds"), "{error}");
}

#[test]
fn what_is_unusual_about_a_value_is_flagged_and_not_cut() {
    let scans = format!("{SCANS}b1,56,1,,tube,1,,80,600,15,700,ok\n");
    let study = study(&scans, CHEMISTRY);
    let (_folder, equation) = saved(&PLUCKED.replace("\"plucked\"", "\"intact\""));
    let corrected = correct(&study, &keep(&study), &equation, &AllowedStrains::new()).unwrap();
    let row = &corrected.rows[4];
    assert!((row.corrected - (-20.0)).abs() < 1e-12 && row.std_error == Some(2.0));
    assert!((row.percent.unwrap() - 100.0 * -20.0 / 700.0).abs() < 1e-12);
    for flag in [
        "age 56.0000 is below the calibrated range",
        "negative after correction",
        "feathers not stated",
    ] {
        assert!(
            row.flags.iter().any(|found| found.starts_with(flag)),
            "{flag} {:?}",
            row.flags
        );
    }
}

/// As it stands in most papers: it can be tested, but corrects nothing.
#[test]
fn an_equation_without_covariance_corrects_no_scan() {
    let study = study(SCANS, CHEMISTRY);
    let text = PLUCKED.replace("\"plucked\"", "\"intact\"");
    let end = text.find("[covariance]").unwrap();
    let (_folder, equation) = saved(&text[..end]);
    let error = correct(&study, &keep(&study), &equation, &AllowedStrains::new())
        .unwrap_err()
        .to_string();
    for part in [
        "found no covariance of its coefficients",
        "the error that all birds share is not known without it",
        "(validate)",
    ] {
        assert!(error.contains(part), "{error}");
    }
}

/// A way that the equation does not cover and that was never compared has no corrected
/// mass, and a shelled egg that cannot be taken off is kept apart; each with a reason.
#[test]
fn a_way_of_scanning_without_an_offset_is_refused_by_name() {
    let scans =
        format!("{SCANS}b1,56,1,,sling,1,,80,600,15,700,ok\nb1,63,1,,tube,1,,80,600,15,700,egg\n");
    let mut study = study(&scans, CHEMISTRY);
    let text = PLUCKED
        .replace("\"plucked\"", "\"intact\"")
        .replace("residual_variance", "ways = [\"tube\"]\nresidual_variance");
    let (_folder, equation) = saved(&text);
    let corrected = correct(&study, &keep(&study), &equation, &AllowedStrains::new()).unwrap();
    assert_eq!(corrected.rows.len(), 4);
    let check = |reason: &str, way: &str| {
        assert!(
            reason.starts_with(way) && reason.contains("scan at least 3 birds"),
            "{reason}"
        );
    };
    check(&corrected.rejected[0].reason, "sling: ");
    check(&corrected.with_egg[0].1, "tube, with a shelled egg: ");
    study.settings.calibration.allowed_ways = vec!["sling".into()];
    let corrected = correct(&study, &keep(&study), &equation, &AllowedStrains::new()).unwrap();
    assert_eq!(corrected.rows.len(), 5);
    assert!(corrected.rows[4].flags[0].starts_with("sling is not in the equation"));
}

#[test]
fn an_equation_whose_terms_the_study_lacks_names_them() {
    let study = study(SCANS, CHEMISTRY);
    for (column, expected) in [
        (
            "feather_mass",
            "column feather_mass: found no such value in the study",
        ),
        (
            "fat_leg_scan",
            "no value of fat_leg_scan, which the equation needs",
        ),
    ] {
        let (_folder, equation) = saved(
            &PLUCKED
                .replace("\"plucked\"", "\"intact\"")
                .replace("fat_scan", column),
        );
        let error = correct(&study, &keep(&study), &equation, &AllowedStrains::new())
            .unwrap_err()
            .to_string();
        assert!(
            error.contains(expected) && error.contains("scans.csv, row 2"),
            "{error}"
        );
    }
}

#[test]
fn percentages_are_warned_to_calibrate_badly() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pairs.csv");
    std::fs::write(
        &path,
        "bird,fat_pct,scan_pct\n1,9,8\n2,10,9.5\n3,8,7\n4,12,9\n",
    )
    .unwrap();
    let frame = Frame::read(&path, &Format::default()).unwrap();
    let fit = calibrate(
        &frame,
        "fat_pct",
        &"scan_pct".parse().unwrap(),
        &Settings::default(),
    )
    .unwrap();
    assert!(
        fit.warnings[0].contains("percentages calibrate badly"),
        "{:?}",
        fit.warnings
    );
}

#[test]
fn a_bare_table_with_a_wrong_cell_names_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pairs.csv");
    std::fs::write(
        &path,
        "bird,fat_chem,fat_scan\n1,9,8\n2,1o,9.5\n3,8,7\n4,12,9\n",
    )
    .unwrap();
    let frame = Frame::read(&path, &Format::default()).unwrap();
    let error = calibrate(
        &frame,
        "fat_chem",
        &"fat_scan".parse().unwrap(),
        &Settings::default(),
    )
    .unwrap_err()
    .to_string();
    assert!(
        error.contains("pairs.csv, row 3, column fat_chem: found \"1o\", expected a number"),
        "{error}"
    );
}

#[test]
fn group_scans_serve_strains_and_not_birds() {
    // The scanner prints the total of the birds in a scan.
    let scans = format!(
        "{SCANS}a1+a2+a3,56,1,,box,3,intact,246,1820,45,2113,ok\na2+a3+a4,56,1,,box,3,intact,252,1820,45,2115,ok\n"
    );
    let study = study(&scans, CHEMISTRY);
    assert!((study.scans.rows[4].fat_g - 82.0).abs() < 1e-12);
    let kept = keep(&study);
    let (_folder, equation) = saved(&PLUCKED.replace("\"plucked\"", "\"intact\""));
    let corrected = correct(&study, &kept, &equation, &AllowedStrains::new()).unwrap();
    // A mean of three birds has a third of their variance.
    assert!((corrected.rows[4].own_error.unwrap() - (4.0f64 / 3.0).sqrt()).abs() < 1e-12);
    let (birds, groups) = of_birds(&study, &corrected).unwrap();
    assert_eq!((birds.len(), groups.len()), (4, 2));
    let strains = of_strains(&study, &corrected);
    // Four single birds and two groups of three; sums of small whole numbers are exact.
    assert!((strains[0].weights.iter().sum::<f64>() - 10.0).abs() < 1e-12);
    let only = correct(
        &study,
        &pinfeather::composition::quality::Kept {
            scans: vec![4, 5],
            rejected: vec![],
        },
        &equation,
        &AllowedStrains::new(),
    )
    .unwrap();
    let error = of_birds(&study, &only).unwrap_err().to_string();
    assert!(
        error.contains("found scans of several birds only"),
        "{error}"
    );
    // Group minus mean of its birds, of which a1 reads 80 and 82.
    let repeats = format!("{scans}a1,56,2,,tube,1,intact,82,600,15,700,ok\n");
    let study = read(&folder(&repeats, CHEMISTRY)).unwrap();
    let answer = of_study(&study, &keep(&study), 0.95).unwrap();
    let fat = &answer.groups[0];
    let expected = ((82.0 - 246.0 / 3.0) + (84.0 - 253.0 / 3.0)) / 2.0;
    assert!((fat.bias - expected).abs() < 1e-9 && fat.n == 2, "{fat:?}");
    assert!(
        answer
            .warnings
            .iter()
            .any(|line| line.contains("1 degrees of freedom, under 30"))
    );
}

#[test]
fn scans_are_rejected_with_a_reason_and_regions_with_their_whole() {
    let scans = "a1,56,1,,tube,1,intact,80,600,15,700,movement\na1,56,1,leg,tube,1,intact,20,150,5,,ok\n\
                 a2,56,1,,tube,1,intact,90,640,16,1000,ok\na3,56,1,,tube,1,intact,75,580,14,668,ok\n\
                 a3,56,1,leg,tube,1,intact,25,200,6,,ok\na3,56,1,trunk,tube,1,intact,50,380,6,,ok\n";
    let study = study(scans, CHEMISTRY);
    let kept = keep(&study);
    let reasons: Vec<&str> = kept
        .rejected
        .iter()
        .map(|scan| scan.reason.as_str())
        .collect();
    assert_eq!(reasons[0], "marked movement");
    assert_eq!(reasons[1], "its whole body was rejected: marked movement");
    assert!(
        reasons[2].contains("746.0 g is -25.4 percent off the scale weight of 1000.0 g"),
        "{}",
        reasons[2]
    );
    assert_eq!(kept.scans, [3, 4, 5]);
    let rows = regions(&study);
    let bone = rows
        .iter()
        .find(|row| row.bird == "a3" && row.tissue.name() == "bone")
        .unwrap();
    assert!((bone.sum_g - 12.0).abs() < 1e-12 && !bone.within);
    let fat = rows
        .iter()
        .find(|row| row.bird == "a3" && row.tissue.name() == "fat")
        .unwrap();
    assert!(fat.within && (fat.sum_pct - 100.0).abs() < 1e-12);
    let none = read(&folder(SCANS, CHEMISTRY)).unwrap();
    let error = of_study(&none, &keep(&none), 0.95).unwrap_err().to_string();
    assert!(
        error.contains("scans.csv: found no bird with two scans at one age by one method"),
        "{error}"
    );
}
