//! Do 95 percent intervals of masses by allometry cover the truth 95 times in a hundred?
//!
//! Invented studies as the demo (`support/allometry.rs`), with a straight and with a broken
//! allometry, and of what a broken one leaves of the body. Ignored in the usual run; prints a table:
//!
//! `cargo test --release --test coverage allometric -- --ignored --nocapture`
//!
//! `COVERAGE_STUDIES` sets the number of studies (200).

use std::collections::BTreeMap;

use pinfeather::stats::distribution::t_two_sided_quantile;
use pinfeather::trajectory::allometric::{Options, of_study};
use rayon::prelude::*;

use crate::support::allometry::{Design, invent, weight_fit};

/// Estimate minus truth, and its standard error, over the truth.
type Errors = BTreeMap<String, (f64, f64, f64)>;

/// The errors of a study, and the form that was chosen.
type Estimated = (Errors, String);

fn study(design: &Design, seed: u64) -> Option<Estimated> {
    let invented = invent(design, seed);
    let weight = weight_fit(&invented.study, &["A1", "k1", "ti1", "A2", "k2", "ti2"]);
    let outcome = of_study(
        &invented.study,
        &invented.masses,
        &weight,
        Some(&invented.shared),
        &Options::default(),
    );
    let fit = outcome.ok()?.fit?;
    let mut errors = Errors::new();
    for age_d in [42.0, 84.0, 112.0, 147.0, 168.0] {
        let truth = [0, 1].map(|strain| design.typical_g(strain, age_d));
        let quantile = t_two_sided_quantile(0.95, fit.df as f64);
        for (strain, truth) in truth.iter().enumerate() {
            let at = fit.typical(strain, age_d)?;
            let error = (at.value - truth) / truth;
            let key = format!("typical mass at {age_d:3} d, strain {strain}");
            errors.insert(key, (error, at.standard_error? / truth, quantile));
        }
        let at = fit.difference(0, 1, age_d)?;
        let error = (at.value - (truth[0] - truth[1])) / truth[1];
        let key = format!("difference at {age_d:3} d");
        errors.insert(key, (error, at.standard_error? / truth[1], quantile));
    }
    let form = fit.choice.iter().find(|row| row.chosen)?.name.clone();
    Some((errors, form))
}

#[test]
#[ignore = "a simulation of minutes"]
fn intervals_of_masses_by_allometry_cover_the_truth() {
    let studies = std::env::var("COVERAGE_STUDIES").map_or(200, |n| n.parse().unwrap());
    let broken = Design {
        exponents: (1.2, 1.7),
        break_g: 1100.0,
        ..Design::demo()
    };
    // Lean beside a fat that bends: strains and birds bend unlike.
    let rest = Design {
        exponents: (1.5, 2.3),
        break_g: 900.0,
        scan: 0.005,
        own: 0.01,
        equation: (0.5, 0.005),
        rest: true,
        ..Design::demo()
    };
    let designs = [
        ("straight", Design::demo()),
        ("broken", broken),
        ("what a broken one leaves", rest),
    ];
    for (name, design) in designs {
        let (all, forms): (Vec<Errors>, Vec<String>) = (0..studies)
            .into_par_iter()
            .filter_map(|seed| study(&design, 1000 + seed))
            .unzip();
        println!("{name}: {} of {studies} studies", all.len());
        let mut chosen: BTreeMap<String, usize> = BTreeMap::new();
        for form in forms {
            *chosen.entry(form).or_default() += 1;
        }
        println!("chosen: {chosen:?}");
        println!("covered %, bias %, SD %, mean standard error %");
        for key in all[0].keys() {
            let n = all.len() as f64;
            let of = |what: &dyn Fn(&(f64, f64, f64)) -> f64| {
                all.iter().map(|study| what(&study[key])).sum::<f64>() / n
            };
            let covered = of(&|(e, s, q)| f64::from(u8::from(e.abs() <= q * s)));
            let bias = of(&|(e, ..)| *e);
            let sd = of(&|(e, ..)| (e - bias).powi(2)).sqrt();
            let error = of(&|(_, s, _)| *s);
            println!(
                "{key}: {:5.1} {:6.2} {:5.2} {:5.2}",
                100.0 * covered,
                100.0 * bias,
                100.0 * sd,
                100.0 * error
            );
            // Three standard errors of a share of this number of studies.
            let slack = 3.0 * (0.95 * 0.05 / n).sqrt();
            assert!(
                (0.95 - covered).abs() < 0.02 + slack,
                "{name}, {key}: {covered}"
            );
        }
    }
}
