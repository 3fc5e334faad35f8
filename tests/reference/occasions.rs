//! Birds hatched on two days and weighed together are one occasion, each judged at the bird's age.

use std::fmt::Write as _;
use std::path::Path;

use pinfeather::flock::{
    Band, Deviation, DeviationOptions, FlockLevel, FlockUniformity, UniformityOptions, deviations,
    uniformities,
};
use pinfeather::study::{Check, Study};

const BIRDS: usize = 20;

/// Weights of a target line: 40 g at hatch, 12 g a day.
fn target_g(age_d: f64) -> f64 {
    40.0 + 12.0 * age_d
}

/// A study of twenty birds weighed each week on one date to 126 d after the first hatch, every
/// second bird hatched `apart` days before the others. Each bird is a fixed share of the target
/// at the age of the bird.
fn study(folder: &Path, apart: u32) -> Study {
    let mut birds = "bird,strain,hatch_date\n".to_owned();
    let mut weighings = "date,bird,weight_g\n".to_owned();
    let hatch = chrono::NaiveDate::from_ymd_opt(2025, 3, 3).unwrap();
    for bird in 0..BIRDS {
        let before = if bird % 2 == 0 { apart } else { 0 };
        let own = hatch - chrono::Days::new(u64::from(before));
        writeln!(birds, "b{bird},Alder,{own}").unwrap();
        let share = 0.9 + 0.01 * bird as f64;
        for week in 1..=18_u32 {
            let date = hatch + chrono::Days::new(u64::from(7 * week));
            let weight_g = share * target_g(f64::from(7 * week + before));
            writeln!(weighings, "{date},b{bird},{weight_g:.3}").unwrap();
        }
    }
    let mut targets = "strain,age_d,target_g,lower_g,upper_g\n".to_owned();
    for week in 0..=18_u32 {
        let target = target_g(f64::from(7 * week));
        let (lower, upper) = (0.955 * target, 1.045 * target);
        writeln!(targets, "Alder,{},{target},{lower},{upper}", 7 * week).unwrap();
    }
    let settings = "name = \"occasions\"\n[tables]\nbirds = \"birds.csv\"\nweighings = \"weighings.csv\"\ntargets = \"targets.csv\"\n[units]\ndate_format = \"yyyy-mm-dd\"\n";
    for (file, text) in [
        ("birds.csv", birds.as_str()),
        ("weighings.csv", &weighings),
        ("targets.csv", &targets),
        ("study.toml", settings),
    ] {
        std::fs::write(folder.join(file), text).unwrap();
    }
    Study::read_folder(folder).unwrap()
}

fn strain_rows(study: &Study) -> (Vec<Deviation>, Vec<FlockUniformity>) {
    let mut rows = deviations(study, &DeviationOptions::default()).unwrap();
    rows.retain(|row| row.level == FlockLevel::Strain);
    let alike = uniformities(study, &UniformityOptions::default()).unwrap();
    (rows, alike)
}

#[test]
fn birds_hatched_two_days_apart_and_weighed_together_are_one_occasion() {
    let folder = tempfile::tempdir().unwrap();
    let (one_hatch, alike) = strain_rows(&study(folder.path(), 0));
    let apart = study(folder.path(), 2);
    let (two_hatches, alike_apart) = strain_rows(&apart);
    assert_eq!(one_hatch.len(), 18);
    assert_eq!((two_hatches.len(), alike_apart.len()), (18, alike.len()));
    for (one, two) in one_hatch.iter().zip(&two_hatches) {
        assert_eq!((one.n, two.n), (BIRDS, BIRDS));
        // The mean age of ten birds a day older and ten a day younger than the mean.
        assert!((two.age_d - one.age_d - 1.0).abs() < 1e-12);
        let (one, two) = (one.against.unwrap(), two.against.unwrap());
        // Each bird is the same share of the target at the age of the bird, so the mean deviation in
        // percent differs only by the weight that older birds have: the shares differ by 1 % on
        // average between the two hatches, their targets by 24 g of 124 to 1552.
        assert!(
            (one.deviation_pct - two.deviation_pct).abs() < 0.1,
            "{one:?} {two:?}"
        );
        assert_eq!((one.band, two.band), (Band::Inside, Band::Inside));
        assert_eq!(one.birds_in_band, two.birds_in_band);
    }
    for (one, two) in alike.iter().zip(&alike_apart) {
        let share = |row: &FlockUniformity| row.uniformity.near_mean.unwrap().within;
        assert_eq!(
            (share(one), one.uniformity.n),
            (share(two), two.uniformity.n)
        );
        let cv = |row: &FlockUniformity| row.uniformity.cv.unwrap().cv_pct;
        assert!((cv(one) - cv(two)).abs() < 0.05, "{one:?} {two:?}");
    }
    let check = Check::folder(folder.path()).unwrap();
    let gaps: usize = check.summary.gaps.len();
    assert_eq!(gaps, 0);
}
