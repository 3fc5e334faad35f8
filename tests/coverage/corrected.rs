//! Do 95 percent intervals of corrected masses cover the truth, in each way of scanning?
//!
//! Copies of the demo study with other seeds: calibrated in a tube, scanned in the tube,
//! a sling, and three birds at a time in a crate; with a shelled egg in the body, which
//! the allometry on body weight takes off; and once more with birds scanned before and
//! after they laid that egg. Prints a table:
//!
//! `cargo test --release --test coverage corrected -- --ignored --nocapture`
//!
//! `COVERAGE_STUDIES` sets the number of studies (200).

use std::collections::BTreeMap;
use std::path::Path;

use pinfeather::analysis::{Analysis, Options};
use pinfeather::composition::correction::{AllowedStrains, Corrections, correct};
use pinfeather::composition::pairs::frame;
use pinfeather::composition::quality::keep;
use pinfeather::composition::study_equations::{Request, calibrate_best};
use pinfeather::study::{Feathers, Study};
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};
use rayon::prelude::*;

use crate::make_demo;

/// What the demo's scanner makes of a shelled egg, its SD of a positioning in the tube
/// as a share of the weight, and what the egg weighs.
const EGG_READS_G: [f64; 3] = [4.0, 43.0, 3.0];
const TUBE_SD: [f64; 3] = [0.003, 0.005, 0.000_3];
const EGG_G: f64 = 56.0;

/// Hits, intervals, and mean half width over the value, by way and trait.
type Counts = BTreeMap<(String, String), [f64; 3]>;

fn text<'a>(tables: &'a [(&str, String)], name: &str) -> &'a str {
    &tables.iter().find(|(file, _)| *file == name).unwrap().1
}

/// A scan of each bird with an egg after she has laid it: what sets the two apart are
/// the egg and two positionings.
fn after_laying(scans: &str, seed: u64) -> String {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut more = String::new();
    for line in scans.lines().filter(|line| line.ends_with(",egg")) {
        let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
        if cells[4] != "whole" {
            continue;
        }
        let weight_g: f64 = cells[11].parse().unwrap();
        for tissue in 0..3 {
            let normal: f64 = StandardNormal.sample(&mut random);
            let apart = 2.0_f64.sqrt() * TUBE_SD[tissue] * weight_g * normal;
            let with: f64 = cells[8 + tissue].parse().unwrap();
            cells[8 + tissue] = format!("{:.2}", with - EGG_READS_G[tissue] + apart);
        }
        cells[3] = "2".to_owned();
        cells[11] = format!("{:.0}", weight_g - EGG_G);
        cells[12] = "ok".to_owned();
        more += &(cells.join(",") + "\n");
    }
    format!("{scans}{more}")
}

fn one(copy: u64, laid: bool) -> Counts {
    let tables = make_demo::copy(&make_demo::Design::DEMO, copy);
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in &tables {
        let text = match *name {
            "scans.csv" if laid => after_laying(text, copy),
            _ => text.clone(),
        };
        std::fs::write(folder.path().join(name), text).unwrap();
    }
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo");
    for name in ["study.toml", "events.csv"] {
        std::fs::copy(demo.join(name), folder.path().join(name)).unwrap();
    }
    let study = Study::read_folder(folder.path()).unwrap();
    let mut truth: BTreeMap<(&str, &str), Vec<f64>> = BTreeMap::new();
    for line in text(&tables, "truth_composition.csv").lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let masses = cells[4..7].iter().map(|cell| cell.parse().unwrap());
        truth.insert((cells[1], cells[2]), masses.collect());
    }
    let kept = keep(&study);
    let request = Request::of(&study).unwrap();
    let rows = frame(&study, &kept, &request.wanted).unwrap();
    let mut counts = Counts::new();
    for (place, (response, candidates)) in ["fat_chem", "lean_chem", "bone_chem"]
        .iter()
        .map(|name| {
            (
                *name,
                &request
                    .responses
                    .iter()
                    .find(|(other, _)| other == name)
                    .unwrap()
                    .1,
            )
        })
        .enumerate()
    {
        let chosen = calibrate_best(&rows, response, candidates, &request.settings).unwrap();
        let equation = chosen.calibration.equation;
        let corrections = correct(&study, &kept, &equation, &AllowedStrains::new()).unwrap();
        for row in &corrections.rows {
            let scan = &study.scans.rows[row.index];
            // The analysed birds made the equation.
            if scan.feathers != Feathers::Intact || study.birds[scan.birds[0]].name[1..] > *"24" {
                continue;
            }
            let age = format!("{:.0}", row.age_d);
            let of_bird =
                |bird: &usize| truth[&(study.birds[*bird].name.as_str(), age.as_str())][place];
            let mean = scan.birds.iter().map(of_bird).sum::<f64>() / scan.birds.len() as f64;
            let interval = corrections.interval(row, 0.95).unwrap();
            let count = counts
                .entry((row.way.label(), corrections.trait_name.clone()))
                .or_default();
            count[0] += f64::from(interval.lower <= mean && mean <= interval.upper);
            count[1] += 1.0;
            count[2] += (interval.upper - interval.lower) / 2.0;
        }
    }
    if !laid {
        eggs(&study, &truth, &mut counts);
    }
    counts
}

/// Masses of scans with an egg that the analysis of the study takes off.
fn eggs(study: &Study, truth: &BTreeMap<(&str, &str), Vec<f64>>, counts: &mut Counts) {
    let mut options = Options::of(study).unwrap();
    options.growth.request.birds = false;
    options.growth.request.strains = false;
    (options.comparison, options.flock, options.lay) = (None, None, None);
    let analysis = Analysis::of(study, &options).unwrap();
    let masses = analysis.scans.masses.as_ref().unwrap();
    for (place, trait_name) in ["fat", "lean", "bone"].iter().enumerate() {
        let of = |corrections: &&Corrections| corrections.trait_name == *trait_name;
        let corrections = masses.corrections.iter().find(of).unwrap();
        for row in &corrections.egg_taken_off {
            let scan = &study.scans.rows[row.index];
            let age = format!("{:.0}", row.age_d);
            let bird = study.birds[scan.birds[0]].name.as_str();
            let mass = truth[&(bird, age.as_str())][place];
            let interval = corrections.interval(row, 0.95).unwrap();
            let name = format!("{}: by allometry", row.way.label());
            let count = counts.entry((name, (*trait_name).to_owned())).or_default();
            count[0] += f64::from(interval.lower <= mass && mass <= interval.upper);
            count[1] += 1.0;
            count[2] += (interval.upper - interval.lower) / 2.0;
        }
        for (row, _) in &corrections.with_egg {
            let refused = (format!("{}: refused", row.way.label()), String::new());
            counts.entry(refused).or_default()[1] += 1.0;
        }
    }
}

#[test]
#[ignore = "simulates many studies"]
fn corrected_masses_cover_in_each_way() {
    let studies = std::env::var("COVERAGE_STUDIES").map_or(200, |text| text.parse().unwrap());
    for laid in [false, true] {
        let all: Vec<Counts> = (1..=studies)
            .into_par_iter()
            .map(|copy| one(copy, laid))
            .collect();
        println!(
            "\n{}",
            if laid {
                "with scans after laying"
            } else {
                "as the demo"
            }
        );
        println!(
            "{:<36} {:<6} {:>8} {:>7} {:>6} {:>10}",
            "way", "trait", "scans", "covered", "se", "half width"
        );
        let keys: std::collections::BTreeSet<_> = all.iter().flat_map(BTreeMap::keys).collect();
        for (way, of_trait) in keys {
            let rows: Vec<[f64; 3]> = all
                .iter()
                .filter_map(|counts| counts.get(&(way.clone(), of_trait.clone())).copied())
                .collect();
            let [hits, n, width] = rows
                .iter()
                .fold([0.0; 3], |sum, row| [0, 1, 2].map(|i| sum[i] + row[i]));
            if of_trait.is_empty() {
                println!("{way:<36} {n:>15}");
                continue;
            }
            let share = hits / n;
            // Clustered by study.
            let squares: f64 = rows
                .iter()
                .map(|row| (row[0] - share * row[1]).powi(2))
                .sum();
            let error = squares.sqrt() / n;
            println!(
                "{way:<36} {of_trait:<6} {n:>8} {:>7.1} {:>6.2} {:>10.2}",
                100.0 * share,
                100.0 * error,
                width / n
            );
            assert!(share + 3.0 * error >= 0.93, "{way}, {of_trait}: {share}");
        }
    }
}
