//! Parts of the body by allometry on the weight curves, against invented studies whose
//! truth is known.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use nalgebra::DMatrix;
use pinfeather::composition::calibration::{Settings, Weighting, calibrate};
use pinfeather::composition::correction::{AllowedStrains, correct};
use pinfeather::composition::pairs::{RowSelection, frame};
use pinfeather::composition::quality::keep;
use pinfeather::composition::series::records;
use pinfeather::composition::{Formula, Tissue};
use pinfeather::growth::{Bend, Curve as _};
use pinfeather::study::{EggValue, Records, Study};
use pinfeather::trajectory::PopulationFit;
use pinfeather::trajectory::allometric::{
    AllometricFit, Description, FEWEST_EGG_SCANS, Options, Outcome, closure, of_study,
};

use crate::support::allometry::{Design, Invented, invent, weight_fit};

const RANDOM: [&str; 5] = ["A1", "k1", "ti1", "A2", "ti2"];

fn outcome(invented: &Invented, weight: &PopulationFit, masses: &Records) -> Outcome {
    let options = Options::default();
    let outcome = of_study(&invented.study, masses, weight, None, &options).unwrap();
    println!("{}", outcome.sentence);
    outcome
}

fn fitted(invented: &Invented, weight: &PopulationFit) -> AllometricFit {
    *outcome(invented, weight, &invented.masses).fit.unwrap()
}

/// The exponent rises from 1.1 to 1.8 at 1300 g: the line errs by several percent, what is
/// chosen by less than one at 147 d and, beyond the last scan, at 168 d.
#[test]
fn a_bent_allometry_is_followed_where_a_line_fails() {
    let design = Design {
        exponents: (1.1, 1.8),
        break_g: 1300.0,
        birds: 10,
        once: 0,
        ..Design::demo().noise_free()
    };
    let invented = invent(&design, 7);
    let weight = weight_fit(&invented.study, &RANDOM);
    let fit = fitted(&invented, &weight);
    let line = &fit.choice[0];
    println!("{:?} {:?}", fit.choice.iter().find(|row| row.chosen), line);
    assert_eq!(line.name, "line");
    assert!(line.left_out_rmse.unwrap() > 0.03, "{line:?}");
    assert_ne!(fit.allometry().bend, Bend::None);
    for strain in 0..2 {
        for age_d in [84.0, 112.0, 147.0, 168.0] {
            let found = fit.typical(strain, age_d).unwrap().value;
            let typical = weight.outcome.fit().unwrap().group(strain);
            let truth = design.mass_g(strain, weight.curve.value(age_d, typical), 1.0);
            println!("{strain} {age_d}: {found} {truth}");
            assert!(
                (found / truth - 1.0).abs() < 0.01,
                "{age_d} d: {found} {truth}"
            );
        }
    }
}

/// What is left of the body beside a fat that bends: strains of unlike fatness bend unlike, and
/// birds of a strain differ most when they are heavy.
#[test]
fn groups_and_birds_bend_unlike_where_the_scans_show_it() {
    let design = Design {
        exponents: (1.5, 2.6),
        break_g: 900.0,
        bird: 0.3,
        scan: 0.002,
        own: 0.003,
        equation: (0.0, 0.0),
        followed: 12,
        rest: true,
        ..Design::demo()
    };
    let invented = invent(&design, 5);
    let weight = weight_fit(&invented.study, &RANDOM);
    let fit = fitted(&invented, &weight);
    let chosen = fit.choice.iter().find(|row| row.chosen).unwrap();
    println!("{chosen:?}");
    assert!(chosen.name.contains("bend by bird"), "{}", chosen.name);
    assert!(fit.bird_bend_sd.unwrap().value > 0.0);
    // Groups differ in whatever birds differ in.
    assert!(chosen.name.contains("bend by group"), "{}", chosen.name);
    // Birds that were scanned throughout follow their own bend: fatter ones have less at last.
    let own = |subject: usize| &fit.birds[subject].as_ref().unwrap().terms;
    let bends: Vec<f64> = (0..design.followed)
        .map(|subject| own(subject)[fit.curve.terms().len() - 2])
        .collect();
    assert!(
        bends
            .windows(2)
            .any(|pair| (pair[0] - pair[1]).abs() > 0.01),
        "{bends:?}"
    );
}

/// What everything else reads: derived quantities, joint covariance, birds.
#[test]
fn the_curve_and_its_covariances_agree_with_each_other() {
    let design = Design {
        birds: 10,
        once: 6,
        egg: Some((0.3, 56.0)),
        ..Design::demo()
    };
    let invented = invent(&design, 3);
    let weight = weight_fit(&invented.study, &RANDOM);
    let outcome = of_study(
        &invented.study,
        &invented.masses,
        &weight,
        Some(&invented.shared),
        &Options::default(),
    )
    .unwrap();
    println!("{}", outcome.sentence);
    assert_eq!(outcome.description, Description::Allometric);
    let fit = outcome.fit.unwrap();
    let without = fitted(&invented, &weight);
    assert_eq!(fit.birds_scanned, 24);
    assert_eq!(fit.choice.iter().filter(|row| row.chosen).count(), 1);
    for strain in 0..2 {
        let at = fit.typical(strain, 112.0).unwrap();
        let estimates = fit.group_estimates(strain).unwrap();
        let what = pinfeather::growth::Derived::ValueAt(112.0);
        let same = pinfeather::fit::interval::SamplingDistribution::of(&estimates)
            .derived(&*fit.curve, what, 0.95)
            .unwrap();
        assert!((same.value / at.value - 1.0).abs() < 1e-12);
        assert!((same.standard_error.unwrap() / at.standard_error.unwrap() - 1.0).abs() < 1e-9);
        // The equation's error of 2 percent is added, none of it averaged away.
        let own = without.typical(strain, 112.0).unwrap();
        let added = at.standard_error.unwrap().powi(2) - own.standard_error.unwrap().powi(2);
        let relative = added.max(0.0).sqrt() / at.value;
        assert!((0.02..0.05).contains(&relative), "{relative}");
        let share = fit.share(strain, 112.0).unwrap();
        let weight_g = weight.outcome.fit().unwrap().group(strain).to_vec();
        let weight_g = weight.curve.value(112.0, &weight_g);
        assert!((share.value - at.value / weight_g).abs() < 1e-12);
        // Mass and weight share the weight curve's error: a share is surer for its size.
        assert!(
            share.standard_error.unwrap() / share.value < at.standard_error.unwrap() / at.value
        );
    }
    // The egg adds 0.3 to log mass and 56 g to the scale.
    let egg = fit.egg_effect.unwrap();
    assert!(
        (egg.value - 0.3).abs() < 4.0 * egg.standard_error.unwrap(),
        "{egg:?}"
    );
    let egg = fit.egg_weight.unwrap();
    assert!(
        (egg.value_g - 56.0).abs() < 4.0 * egg.standard_error_g,
        "{egg:?}"
    );
    // A scanned bird is surer than one without scans, which stands at its strain.
    let bird = |subject: usize| fit.birds[subject].as_ref().unwrap();
    let own = fit.curve.weight_terms();
    let p = fit.curve.terms().len();
    let relative =
        |subject: usize| bird(subject).covariance[own * p + own].sqrt() / bird(subject).terms[own];
    assert_eq!((bird(0).scans, bird(9).scans), (7, 0));
    assert!(relative(0) < 0.6 * relative(9));
    assert_eq!(
        bird(9).terms[own..],
        fit.group_terms[0].as_ref().unwrap()[own..]
    );
}

/// Each gets its documented result and one plain sentence.
#[test]
fn studies_that_lack_something_get_what_they_support() {
    let design = Design {
        birds: 8,
        followed: 5,
        once: 0,
        ..Design::demo()
    };
    let mut invented = invent(&design, 5);
    let weight = weight_fit(&invented.study, &RANDOM);
    assert!(
        weight.outcome.fit().is_some(),
        "{:?}",
        weight.outcome.reasons()
    );
    let only = |invented: &Invented, kept: &dyn Fn(usize, usize) -> bool| {
        let mut some = Records {
            name: "fat".to_owned(),
            starts: vec![0],
            ..Records::default()
        };
        for bird in 0..invented.study.birds.len() {
            let (ages_d, values) = invented.masses.of(bird);
            let variances = invented.masses.variances_of(bird);
            for at in (0..values.len()).filter(|at| kept(bird, *at)) {
                some.ages_d.push(ages_d[at]);
                some.values.push(values[at]);
                some.variances.push(variances[at]);
                some.rows.push(0);
            }
            some.starts.push(some.values.len());
        }
        some
    };
    // A strain without scans is not estimable; the other is.
    let first = only(&invented, &|bird, _| bird < 8);
    let fit = outcome(&invented, &weight, &first).fit.unwrap();
    assert!(fit.typical(0, 112.0).is_some());
    assert!(fit.typical(1, 112.0).is_none() && fit.group_estimates(1).is_none());
    assert!(fit.birds[8].is_none());
    // One scan a bird: no bird effect, and a curve all the same.
    let single = only(&invented, &|bird, at| at == bird % 8 % 5);
    let fit = outcome(&invented, &weight, &single).fit.unwrap();
    assert_eq!((fit.n, fit.bird_sd), (10, None));
    assert!(fit.typical(1, 84.0).unwrap().standard_error.unwrap() > 0.0);
    // One bird of a strain.
    let one = only(&invented, &|bird, _| bird <= 8);
    let fit = outcome(&invented, &weight, &one).fit.unwrap();
    assert!(fit.typical(1, 112.0).is_some());
    // Too few scans.
    let few = only(&invented, &|bird, at| bird == 0 && at < 2);
    let answer = outcome(&invented, &weight, &few);
    assert_eq!(answer.description, Description::GrowthCurve);
    println!("{}", answer.sentence);
    assert!(
        answer
            .sentence
            .starts_with("Fat is described by growth curves in age, since")
    );
    // A mass that is not positive, and one that is hardly known.
    let mut odd = invented.masses.clone();
    odd.values[3] = -1.0;
    odd.variances[10] = odd.values[10].powi(2);
    let fit = outcome(&invented, &weight, &odd).fit.unwrap();
    assert_eq!(
        fit.left_out.values().sum::<usize>(),
        2,
        "{:?}",
        fit.left_out
    );
    // Scans of a bird without weighings: its weight on the scale at the scan serves; with
    // none it is left out.
    let lone = invented.study.birds[0].clone();
    invented.study.birds.push(lone);
    let bird = invented.study.birds.len() - 1;
    let mut scan = invented.study.scans.rows[2].clone();
    scan.birds = vec![bird];
    invented.masses.ages_d.push(scan.age_d);
    invented.masses.values.push(60.0);
    invented.masses.variances.push(9.0);
    invented.masses.starts.push(invented.masses.values.len());
    let fit = fitted(&invented, &weight);
    assert_eq!((fit.n, fit.left_out.len()), (70, 1));
    invented.study.scans.rows.push(scan);
    let fit = fitted(&invented, &weight);
    assert_eq!((fit.n, fit.left_out.len()), (71, 0));
    // Shared errors of another number of records are refused.
    let wrong = nalgebra::DMatrix::zeros(3, 1);
    let refused = of_study(
        &invented.study,
        &invented.masses,
        &weight,
        Some(&wrong),
        &Options::default(),
    );
    assert!(refused.unwrap_err().to_string().contains("found 3 rows"));
}

fn demo_file(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("data-demo")
        .join(file)
}

/// The demo's typical masses, and their sum over body weight, lie within three standard
/// errors of what its generator makes of the strain's mean bird.
#[test]
fn the_demos_parts_add_up_to_what_is_true() {
    let study = Study::read_folder(&demo_file("")).unwrap();
    let kept = keep(&study);
    let pairs = frame(&study, &kept, &RowSelection::default()).unwrap();
    let settings = Settings {
        bird: Some("bird".into()),
        weighting: Weighting::Ordinary,
        ..Settings::default()
    };
    let corrections = Tissue::ALL.map(|tissue| {
        let terms: Formula = format!("{0}_scan,age,strain", tissue.name())
            .parse()
            .unwrap();
        let response = format!("{}_chem", tissue.name());
        let equation = calibrate(&pairs, &response, &terms, &settings)
            .unwrap()
            .equation;
        correct(&study, &kept, &equation, &AllowedStrains::new()).unwrap()
    });
    // The equations' errors, each trait's in separate columns: taken as independent.
    let own = corrections.each_ref().map(|corrections| {
        let values: Vec<f64> = corrections.rows.iter().map(|row| row.corrected).collect();
        records(&study, corrections, &values).shared
    });
    let widths = own.each_ref().map(|rows| rows[0].len());
    let shared: Vec<DMatrix<f64>> = (0..own.len())
        .map(|at| {
            let first: usize = widths[..at].iter().sum();
            DMatrix::from_fn(own[at].len(), widths.iter().sum(), |row, column| {
                let place = column.checked_sub(first);
                place.map_or(0.0, |place| own[at][row].get(place).copied().unwrap_or(0.0))
            })
        })
        .collect();
    let weight = weight_fit(&study, &RANDOM);
    let fits: Vec<AllometricFit> = corrections
        .iter()
        .zip(&shared)
        .map(|(corrections, shared)| {
            // Only the routine way of holding, which the equations are for, without eggs.
            let values: Vec<f64> = corrections.rows.iter().map(|row| row.corrected).collect();
            let masses = records(&study, corrections, &values);
            assert_eq!(masses.values.len(), shared.nrows());
            let outcome =
                of_study(&study, &masses, &weight, Some(shared), &Options::default()).unwrap();
            println!("{}", outcome.sentence);
            *outcome.fit.unwrap()
        })
        .collect();
    let truth = line_truth();
    let all: Vec<&AllometricFit> = fits.iter().collect();
    let rows = closure(&all, weight.outcome.fit().unwrap(), &[63.0, 112.0, 147.0]);
    assert_eq!(rows.len(), 9);
    for row in rows {
        let name = &weight.cohort.groups[row.group].name;
        let (masses, weight_g) = typical_masses(truth[name], name, row.age_d);
        let share = masses.iter().sum::<f64>() / weight_g;
        let error = row.share.standard_error.unwrap();
        println!(
            "{name} {} d: {:?} {share} {error}",
            row.age_d, row.share.value
        );
        assert!((row.share.value - share).abs() < 3.0 * error + 0.002);
        assert!((0.001..0.03).contains(&error), "{error}");
        for ((fit, truth), found) in fits.iter().zip(masses).zip(&row.parts_g) {
            let at = fit.typical(row.group, row.age_d).unwrap();
            println!(
                "  {}: {found} {truth} {:?}",
                fit.trait_name, at.standard_error
            );
            assert!((at.value - found).abs() < 1e-9);
            assert!((found - truth).abs() < 3.5 * at.standard_error.unwrap());
        }
    }
}

/// Terms of the strains' mean birds.
fn line_truth() -> HashMap<String, [f64; 6]> {
    let mut reader = csv::Reader::from_path(demo_file("truth.csv")).unwrap();
    let mut truth: HashMap<String, [f64; 6]> = HashMap::new();
    for row in reader.records().map(Result::unwrap) {
        let order = ["A1", "k1", "ti1", "A2", "k2", "ti2"];
        let at = order.iter().position(|term| *term == &row[3]);
        if let (true, Some(at)) = (&row[0] == "strain", at) {
            truth.entry(row[1].to_owned()).or_default()[at] = row[4].parse().unwrap();
        }
    }
    truth
}

/// Fat, lean and bone of a strain's mean bird as the generator makes them, and its weight.
fn typical_masses(terms: [f64; 6], strain: &str, age_d: f64) -> ([f64; 3], f64) {
    let curve = pinfeather::growth::built_in("two-phase-gompertz").unwrap();
    let weight_g = curve.value(age_d, &terms);
    let (fat, bone, feathers) = match strain {
        "Alder" => (92.0, 33.0, 0.036),
        "Birch" => (82.0, 34.5, 0.040),
        _ => (104.0, 32.0, 0.038),
    };
    let body_g = weight_g * (1.0 - feathers - 0.0003 * age_d);
    let kg: f64 = body_g / 1000.0;
    let (fat_g, bone_g) = (fat * kg.powf(1.5), bone * kg.powf(1.03));
    ([fat_g, body_g - fat_g - bone_g, bone_g], weight_g)
}

/// Of the masses from 120 d on of every second bird this number hold an egg that adds `adds_g`.
fn with_eggs(masses: &Records, adds_g: f64, most: usize) -> Records {
    let mut kept = Records {
        name: masses.name.clone(),
        file: masses.file.clone(),
        starts: vec![0],
        ..Records::default()
    };
    for bird in 0..masses.starts.len() - 1 {
        for at in masses.starts[bird]..masses.starts[bird + 1] {
            let (age_d, value, variance) =
                (masses.ages_d[at], masses.values[at], masses.variances[at]);
            if age_d > 120.0 && (bird + at) % 2 == 0 && kept.with_egg.len() < most {
                kept.with_egg.push(EggValue {
                    bird,
                    age_d,
                    value: value + adds_g,
                    scale_weight_g: f64::NAN,
                    variance,
                    shared: Vec::new(),
                });
            } else {
                kept.ages_d.push(age_d);
                kept.values.push(value);
                kept.variances.push(variance);
                kept.rows.push(0);
            }
        }
        kept.starts.push(kept.values.len());
    }
    kept
}

/// An egg of 12 g is found within its error, whatever its size beside the mass; it leaves
/// the model of the trait alone; with too few scans there is a reason in its place.
#[test]
fn an_egg_is_estimated_from_weights_and_other_scans() {
    let design = Design {
        birds: 10,
        once: 6,
        own: 0.03,
        ..Design::demo()
    };
    let mut off = Vec::new();
    for seed in 1..=4 {
        let invented = invent(&design, seed);
        let weight = weight_fit(&invented.study, &RANDOM);
        for adds_g in [12.0, 120.0] {
            let masses = with_eggs(&invented.masses, adds_g, usize::MAX);
            let fit = *outcome(&invented, &weight, &masses).fit.unwrap();
            let egg = fit.egg_offset.clone().unwrap();
            println!("{egg:?}");
            // A bird without weighings or a scale weight gives no evidence on its egg.
            assert!(
                egg.scans >= 8 && egg.scans <= masses.with_egg.len(),
                "{egg:?}"
            );
            assert_eq!(egg.df, egg.scans - 1);
            let error = egg.variance_g2.sqrt();
            assert!((egg.value_g - adds_g).abs() < 4.0 * error, "{egg:?}");
            assert!(error < 6.0, "{egg:?}");
            off.push((egg.value_g - adds_g) / error);
            let few = with_eggs(&invented.masses, adds_g, FEWEST_EGG_SCANS - 1);
            let few = *outcome(&invented, &weight, &few).fit.unwrap();
            assert!(few.egg_offset.unwrap_err().contains("at least 3"));
            let mut without = masses.clone();
            without.with_egg.clear();
            let without = *outcome(&invented, &weight, &without).fit.unwrap();
            assert_eq!(without.group_terms, fit.group_terms);
        }
    }
    // Not all to one side.
    let mean = off.iter().sum::<f64>() / off.len() as f64;
    assert!(mean.abs() < 2.0, "{off:?}");
}
