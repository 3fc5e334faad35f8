//! Tables of a scanner's export, mapped in `study.toml`: a row a region and scan, or a column a
//! region and tissue; names of scans that give the bird; readings beside fat, lean and bone.

use std::fs;

use pinfeather::study::{Check, Scan, Study, WHOLE};

fn folder(settings: &str, scans: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let settings = format!("[tables]\nscans = \"export.csv\"\n{settings}");
    fs::write(folder.path().join("study.toml"), settings).unwrap();
    fs::write(folder.path().join("export.csv"), scans).unwrap();
    folder
}

fn read(settings: &str, scans: &str) -> Study {
    Study::read_folder(folder(settings, scans).path()).unwrap()
}

fn faults(settings: &str, scans: &str) -> String {
    let folder = folder(settings, scans);
    Study::read_folder(folder.path()).unwrap_err().to_string()
}

/// Fat, lean and bone of the scan of a bird and region.
fn masses(study: &Study, bird: &str, region: &str) -> [f64; 3] {
    let is = |scan: &&Scan| study.birds[scan.birds[0]].name == bird && scan.region == region;
    let found = study.scans.rows.iter().find(is).unwrap();
    [found.fat_g, found.lean_g, found.bone_g]
}

#[track_caller]
fn close(found: [f64; 3], expected: [f64; 3]) {
    for (found, expected) in found.iter().zip(expected) {
        let same = (found - expected).abs() < 1e-9 || (found.is_nan() && expected.is_nan());
        assert!(same, "{found} {expected}");
    }
}

const LONG: &str = "Subject,Age at scan (weeks),ROI,Fat Mass (kg),Lean Mass (kg),BMC (g),Operator\n\
    A1,12,Total,0.080,0.900,20.1,x\nA1,12,L Leg,0.020,0.210,6.0,x\nA1,12,Trunk,0.060,0.690,14.1,x\n";
const LONG_COLUMNS: &str = "[columns.scans]\nbird = \"Subject\"\nage = \"Age at scan (weeks)\"\nregion = \"ROI\"\nfat = \"Fat Mass (kg)\"\nlean = \"Lean Mass (kg)\"\nbone = \"BMC (g)\"\n[scans.regions]\n\"l leg\" = \"legs\"\nTrunk = \"rest\"\n";

#[test]
fn a_row_a_region_and_scan() {
    let study = read(LONG_COLUMNS, LONG);
    assert_eq!(study.scans.rows.len(), 3);
    assert!((study.scans.rows[0].age_d - 84.0).abs() < 1e-9);
    close(masses(&study, "A1", WHOLE), [80.0, 900.0, 20.1]);
    close(masses(&study, "A1", "legs"), [20.0, 210.0, 6.0]);
    close(masses(&study, "A1", "rest"), [60.0, 690.0, 14.1]);
    let check = Check::folder(folder(LONG_COLUMNS, LONG).path()).unwrap();
    let lines = check.summary.lines().join("\n");
    for part in [
        "bird = \"Subject\"",
        "fat_g = \"Fat Mass (kg)\"",
        "legs = \"L Leg\"",
        "export.csv: not read: \"Operator\"",
        "[scans.region_columns] in study.toml",
    ] {
        assert!(lines.contains(part), "{part} in\n{lines}");
    }
}

const WIDE: &str = "File,Fat g,Lean g,BMC g,Fat LLeg g,Lean LLeg g,BMC LLeg g,Fat Rest g,Lean Rest g,BMC Rest g\n\
    run_A1_84d_1,80,900,20.1,20,210,6,60,690,14.1\nrun_A1_84d_2,81,898,20.3,,,,,,\nrun_A2+A3_84d_1,170,1900,42,,,,,,\n";
const WIDE_COLUMNS: &str = "[columns.scans]\nscan = \"File\"\nfat = \"Fat g\"\nlean = \"Lean g\"\nbone = \"BMC g\"\n[scans]\nnames = \"run_{bird}_{age_d}d_{repeat}\"\n[scans.region_columns]\n\"Fat LLeg g\" = \"fat legs\"\n\"Lean LLeg g\" = \"lean legs\"\n\"BMC LLeg g\" = \"bone legs\"\n\"Fat Rest g\" = \"fat rest\"\n\"Lean Rest g\" = \"lean rest\"\n\"BMC Rest g\" = \"bone rest\"\n";

#[test]
fn a_column_a_region_and_tissue_and_names_that_say_the_bird() {
    let study = read(WIDE_COLUMNS, WIDE);
    assert_eq!(study.scans.rows.len(), 5);
    close(masses(&study, "A1", WHOLE), [80.0, 900.0, 20.1]);
    close(masses(&study, "A1", "legs"), [20.0, 210.0, 6.0]);
    close(masses(&study, "A1", "rest"), [60.0, 690.0, 14.1]);
    let repeats: Vec<u32> = study.scans.rows.iter().map(|scan| scan.repeat).collect();
    assert_eq!(repeats, [1, 1, 1, 2, 1]);
    // Of several birds the total is shared out.
    let group = study.scans.rows.last().unwrap();
    assert_eq!(group.birds.len(), 2);
    assert!((group.fat_g - 85.0).abs() < 1e-9);
    assert!(
        study
            .scans
            .rows
            .iter()
            .all(|scan| (scan.age_d - 84.0).abs() < 1e-9)
    );
    // The same numbers as a row a region and scan give.
    let long = read(LONG_COLUMNS, LONG);
    for region in [WHOLE, "legs", "rest"] {
        close(masses(&study, "A1", region), masses(&long, "A1", region));
    }
}

#[test]
fn what_a_mapping_gets_wrong_is_reported_with_its_place() {
    let pattern = |names: &str| WIDE_COLUMNS.replace("run_{bird}_{age_d}d_{repeat}", names);
    for (settings, scans, part) in [
        (
            WIDE_COLUMNS.to_owned(),
            WIDE.replace("run_A1_84d_2", "A1 again"),
            "export.csv, row 3, column File: found \"A1 again\", expected a name made as run_{bird}_{age_d}d_{repeat}",
        ),
        (
            WIDE_COLUMNS.to_owned(),
            WIDE.replace("84d_2", "oldd_2"),
            "expected an age in days from 0 (hatch) to 3650 in it",
        ),
        (
            WIDE_COLUMNS.replace("\"Fat LLeg g\" =", "\"Fat Left Leg g\" ="),
            WIDE.to_owned(),
            "a column \"Fat Left Leg g\", which scans.region_columns in study.toml names",
        ),
        (
            WIDE_COLUMNS.replace("\"fat legs\"", "\"water legs\""),
            WIDE.to_owned(),
            "found the reading water by scans.region_columns",
        ),
        (
            WIDE_COLUMNS.replace("\"fat legs\"", "\"fat\""),
            WIDE.to_owned(),
            "expected a reading and its region such as \"fat legs\"",
        ),
        (
            WIDE_COLUMNS.to_owned(),
            WIDE.replace("170,1900,42,,", "170,1900,42,9,"),
            "a reading of region \"legs\" in this row",
        ),
        (
            pattern("{bird}{age_d}"),
            WIDE.to_owned(),
            "two fields have nothing between them",
        ),
        (pattern("{ring}_x"), WIDE.to_owned(), "{ring} is no field"),
        (
            WIDE_COLUMNS.replace("[columns.scans]", "[columns.scans]\nfatt = \"Fat g\""),
            WIDE.to_owned(),
            "the unknown key fatt under [columns.scans]",
        ),
    ] {
        let found = faults(&settings, &scans);
        assert!(found.contains(part), "{part} in\n{found}");
    }
}

const FURTHER: &str = "bird,age_d,repeat,fat_g,lean_g,bone_g,Water [kg],bone_density_g_cm2\n\
    a,84,1,80,900,20,0.66,0.151\na,84,2,81,898,20.4,0.65,0.149\nb+c,84,1,160,1800,40,1.32,0.150\nb,91,1,80,900,20,,NA\n";
const FURTHER_COLUMNS: &str = "[columns.scans]\nwater = \"Water [kg]\"\n[scans.readings]\nwater = \"kg\"\nbone_density = \"g/cm2\"\n";

#[test]
fn readings_beside_fat_lean_and_bone() {
    let study = read(FURTHER_COLUMNS, FURTHER);
    let scans = &study.scans;
    let names: Vec<(&str, &str)> = scans
        .further
        .iter()
        .map(|one| (one.name.as_str(), one.unit.as_str()))
        .collect();
    assert_eq!(names, [("bone_density", "g/cm2"), ("water", "g")]);
    let of = |row: usize, name: &str| scans.reading(&scans.rows[row], name);
    assert!((of(0, "water") - 660.0).abs() < 1e-9);
    assert!((of(0, "bone_density") - 0.151).abs() < 1e-12);
    // Masses of several birds are shared out, densities are not; neither is in the balance.
    assert!((of(2, "water") - 660.0).abs() < 1e-9);
    assert!((of(2, "bone_density") - 0.150).abs() < 1e-12);
    assert!((scans.rows[0].total_g() - 1000.0).abs() < 1e-9);
    assert!(of(3, "water").is_nan() && of(3, "bone_density").is_nan() && of(3, "ash").is_nan());
    for (settings, scans, part) in [
        (
            FURTHER_COLUMNS.replace("\"g/cm2\"", "\"stones\""),
            FURTHER.to_owned(),
            "the unit \"stones\" of a reading",
        ),
        (
            FURTHER_COLUMNS.replace("water = \"kg\"", "water = \"g\""),
            FURTHER.to_owned(),
            "one unit of mass",
        ),
        (
            FURTHER_COLUMNS.to_owned(),
            FURTHER.replace("bone_density_g_cm2", "bmd"),
            "a column bone_density",
        ),
        (
            FURTHER_COLUMNS.to_owned(),
            FURTHER.replace("0.151", "-0.151"),
            "found \"-0.151\", expected a number of 0 or more",
        ),
        (
            FURTHER_COLUMNS.to_owned(),
            FURTHER.replace("0.66", "wet"),
            "found \"wet\"",
        ),
    ] {
        let found = faults(&settings, &scans);
        assert!(found.contains(part), "{part} in\n{found}");
    }
}
