//! Scanned against unscanned birds where scanning does nothing, and where it does as much as the
//! margin: coverage of the 95 % intervals, P below 0.05, and how often a difference is found to
//! lie within the margin.
//!
//! `cargo test --release --test coverage scanning -- --ignored --nocapture`;
//! `COVERAGE_STUDIES` sets the studies of each design (100), `COVERAGE_DESIGNS` which.

use pinfeather::analysis::Options;
use pinfeather::contrast::scanning_effect::{Effect, first_scans, weight_effects};
use pinfeather::maturity::scanned_lay;
use pinfeather::stats::distribution::t_two_sided_quantile;
use pinfeather::study::Study;
use pinfeather::trajectory::TraitModel;
use rayon::prelude::*;

use crate::make_demo::{self, DESIGNS, Design};

const AGES_D: [f64; 2] = [112.0, 168.0];
const MARGIN_PCT: f64 = 4.0;

/// Studies, 95 % intervals that cover, P below 0.05, found within the margin, half widths.
#[derive(Debug, Clone, Copy, Default)]
struct Tally([f64; 5]);

impl Tally {
    fn add(&mut self, effect: &Effect, truth: f64) {
        let half = 0.5 * effect.interval.width();
        let yes = |is: bool| f64::from(u8::from(is));
        for (sum, one) in self.0.iter_mut().zip([
            1.0,
            yes(effect.interval.contains(truth)),
            yes(effect.p_value < 0.05),
            yes(effect.equivalence.equivalent),
            half,
        ]) {
            *sum += one;
        }
    }
}

fn study(design: &Design, copy: u64) -> Study {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in make_demo::copy(design, copy) {
        std::fs::write(folder.path().join(name), text).unwrap();
    }
    let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo/study.toml");
    let demo = std::fs::read_to_string(demo).unwrap();
    let settings = make_demo::settings(design, &demo);
    std::fs::write(folder.path().join("study.toml"), settings).unwrap();
    Study::read_folder(folder.path()).unwrap_or_else(|error| panic!("{error}"))
}

/// Effects at the ages, and on the first egg in days with its 95 % interval and P.
fn effects(study: &Study) -> (Vec<Effect>, Option<(f64, f64)>) {
    let options = Options::of(study).unwrap();
    let request = &options.growth.request;
    let wanted = request.population.as_ref().unwrap();
    let model = TraitModel::choose(study, &study.traits[0], 0, (&request.curves, None), wanted);
    let model = model.unwrap();
    let rows = weight_effects(study, &model, &AGES_D, (&|_| MARGIN_PCT, 0.95));
    let all = rows.iter().filter(|row| row.strain.is_none());
    let weights = all.filter_map(|row| row.effect.clone().ok()).collect();
    let lay = scanned_lay(study, &first_scans(study)).and_then(|found| {
        let shift = found.shift.ok()?;
        Some((
            shift.log_ratio / shift.log_error,
            t_two_sided_quantile(0.95, shift.df),
        ))
    });
    (weights, lay)
}

#[test]
#[ignore = "minutes: null coverage of the effect of scanning"]
fn scanning_without_effect() {
    let number = |name: &str, usual: u64| {
        let set = std::env::var(name).ok();
        set.and_then(|text| text.parse().ok()).unwrap_or(usual)
    };
    let studies = number("COVERAGE_STUDIES", 100);
    let designs = std::env::var("COVERAGE_DESIGNS").unwrap_or_else(|_| "0,1".to_owned());
    for design in designs
        .split(',')
        .map(|text| text.parse::<usize>().unwrap())
    {
        let design = &DESIGNS[design];
        println!("{}", design.name);
        for (truth, what) in [(0.0, "no effect"), (-MARGIN_PCT, "at the margin")] {
            let one = |copy: u64| {
                let mut study = study(design, 5_000 + copy);
                let first = first_scans(&study);
                let records = &mut study.traits[0];
                for (bird, first) in first.iter().enumerate() {
                    if first.is_some() {
                        let own = records.starts[bird]..records.starts[bird + 1];
                        for value in &mut records.values[own] {
                            *value *= 1.0 + truth / 100.0;
                        }
                    }
                }
                effects(&study)
            };
            let found: Vec<_> = (0..studies).into_par_iter().map(one).collect();
            for (place, age_d) in AGES_D.iter().enumerate() {
                let mut tally = Tally::default();
                for effect in found.iter().filter_map(|(weights, _)| weights.get(place)) {
                    tally.add(effect, truth);
                }
                let [n, covered, significant, within, half] = tally.0;
                println!(
                    "{what}, {age_d} d: {n} studies, covered {:.1} %, P < 0.05 {:.1} %, within {MARGIN_PCT} % {:.1} %, half width {:.2} %",
                    100.0 * covered / n,
                    100.0 * significant / n,
                    100.0 * within / n,
                    half / n
                );
                assert!(covered / n > 0.85, "{covered} of {n}");
            }
            let eggs: Vec<bool> = found
                .iter()
                .filter_map(|(_, lay)| lay.map(|(t, quantile)| t.abs() > quantile))
                .collect();
            let significant = eggs.iter().filter(|one| **one).count() as f64;
            let n = eggs.len() as f64;
            println!(
                "first egg: {n} studies, P < 0.05 {:.1} %",
                100.0 * significant / n
            );
        }
    }
}
