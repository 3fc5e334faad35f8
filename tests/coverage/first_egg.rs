//! First eggs forecast from growth: from weighings to 119 d and the population of another
//! simulated flock, and by the flock's own first eggs as of later weeks, against cues and against
//! the strain alone.
//!
//! `cargo test --release --test coverage first_egg -- --ignored --nocapture`; `COVERAGE_STUDIES`
//! sets the pairs of flocks (40).

use std::collections::BTreeMap;

use pinfeather::analysis::population_to_save;
use pinfeather::growth;
use pinfeather::maturity::{
    FirstEggModel, ForecastOptions, LayRecords, OnsetForecast, Spurts, forecast_onset,
};
use pinfeather::stats::time_to_event::EventTime;
use pinfeather::study::{FixedEffectOf, Study};
use pinfeather::trajectory::{PopulationRequest, TraitModel};
use rayon::prelude::*;

use crate::make_demo::{self, DESIGNS};

/// Days beyond spurt and mean lag from which a bird is one of those that were made late (by 20
/// to 50 d; the others scatter by an SD of 3.2 d).
const LATE_D: f64 = 14.0;

struct Flock {
    study: Study,
    records: LayRecords,
    late: BTreeMap<String, bool>,
}

fn flock(copy: u64) -> Flock {
    let files = make_demo::copy(&DESIGNS[0], copy);
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in &files {
        std::fs::write(folder.path().join(name), text).unwrap();
    }
    let settings = "name = \"flock\"\n[tables]\nbirds = \"birds.csv\"\nweighings = \"weighings.csv\"\nonset = \"onset.csv\"\n[units]\ndate_format = \"yyyy-mm-dd\"\n";
    std::fs::write(folder.path().join("study.toml"), settings).unwrap();
    let study = Study::read_folder(folder.path()).unwrap();
    let (_, truth) = files.iter().find(|(name, _)| *name == "truth.csv").unwrap();
    let rows: Vec<Vec<&str>> = truth.lines().map(|row| row.split(',').collect()).collect();
    let mut late = BTreeMap::new();
    for row in &rows {
        let ["bird", strain, bird, "ti2", spurt_d] = row[..] else {
            continue;
        };
        let lag_d = match strain {
            "Alder" => 17.0,
            "Birch" => 15.0,
            _ => 18.0,
        };
        let due_d = spurt_d.parse::<f64>().unwrap() + lag_d;
        // Also of a bird that had not laid when the study ended.
        let egg_d = rows.iter().find_map(|row| match row[..] {
            ["bird", _, other, "first_egg_age_d", egg_d] if other == bird => egg_d.parse().ok(),
            _ => None,
        });
        if let Some(egg_d) = egg_d {
            let egg_d: f64 = egg_d;
            late.insert(bird.to_owned(), egg_d - due_d > LATE_D);
        }
    }
    Flock {
        records: LayRecords::of(&study),
        study,
        late,
    }
}

fn model(study: &Study) -> TraitModel {
    let names = ["gompertz", "logistic", "two-phase-gompertz"];
    let curves = names.map(|name| growth::built_in(name).unwrap());
    let wanted = PopulationRequest::chosen(vec![FixedEffectOf::Strain]);
    TraitModel::choose(study, &study.traits[0], 0, (&curves, None), &wanted).unwrap()
}

/// Errors of birds on time, and whether an interval held a bird, late ones among them, by flock.
#[derive(Debug, Default, Clone)]
struct Tally {
    errors: Vec<f64>,
    held: Vec<(u64, bool)>,
    /// Widths of the intervals, and of those if a bird is on time.
    widths: Vec<f64>,
    on_time_widths: Vec<f64>,
    /// Whether a bird on time lies within its interval for that case.
    on_time_held: Vec<bool>,
    /// Chance of being late, and whether the bird was.
    late: Vec<(f64, bool)>,
}

impl Tally {
    fn add(&mut self, seed: u64, flock: &Flock, forecast: &OnsetForecast) {
        for bird in &forecast.birds {
            let held = match bird.came {
                Some(EventTime::Exact(egg_d)) => bird.interval_d.contains(egg_d),
                // The end of the record: only an interval that ends before it is known to fail.
                Some(EventTime::After(seen_d)) if seen_d >= 167.0 => {
                    bird.interval_d.upper >= seen_d
                }
                _ => continue,
            };
            self.held.push((seed, held));
            self.widths
                .push(bird.interval_d.upper - bird.interval_d.lower);
            let made_late = flock.late.get(&bird.bird).copied();
            if let (Some(on_time), Some(made_late)) = (bird.on_time, made_late) {
                self.late.push((on_time.late, made_late));
                if let Some((_, interval)) = on_time.egg_d {
                    self.on_time_widths.push(interval.upper - interval.lower);
                    if let (Some(EventTime::Exact(egg_d)), false) = (bird.came, made_late) {
                        self.on_time_held.push(interval.contains(egg_d));
                    }
                }
            }
            if let (Some(EventTime::Exact(egg_d)), Some(median_d), Some(false)) =
                (bird.came, bird.median_d, flock.late.get(&bird.bird))
            {
                self.errors.push(median_d - egg_d);
            }
        }
    }

    /// Bias, root mean square error, share held and its standard error by flocks.
    fn figures(&self) -> [f64; 4] {
        let n = self.errors.len() as f64;
        let bias = self.errors.iter().sum::<f64>() / n;
        let rmse = (self.errors.iter().map(|error| error * error).sum::<f64>() / n).sqrt();
        let all = self.held.len() as f64;
        let share = self.held.iter().filter(|(_, held)| *held).count() as f64 / all;
        let mut flocks: BTreeMap<u64, f64> = BTreeMap::new();
        for (seed, held) in &self.held {
            *flocks.entry(*seed).or_default() += f64::from(u8::from(*held)) - share;
        }
        let squares: f64 = flocks.values().map(|sum| sum * sum).sum();
        [bias, rmse, share, squares.sqrt() / all]
    }
}

fn one(seed: u64) -> BTreeMap<String, Tally> {
    let mut tallies: BTreeMap<String, Tally> = BTreeMap::new();
    let (earlier, flock) = (flock(2 * seed + 1), flock(2 * seed + 2));
    let by = vec![FixedEffectOf::Strain];
    let options = |as_of_d| ForecastOptions {
        as_of_d,
        confidence: 0.95,
        seed: 1,
    };
    let fit = model(&earlier.study);
    let fit = fit.growth().unwrap();
    if let Some(population) = population_to_save(&earlier.study, fit, (&by, 1)).unwrap()
        && let Some(saved) = &population.first_egg
    {
        for as_of_d in [105.0, 119.0, 133.0] {
            let known = flock.study.as_of(as_of_d);
            let spurts = Spurts::of_saved(&known, &population, &[]).unwrap().unwrap();
            let model = FirstEggModel::of_saved(saved, &spurts.groups, (2000, 1));
            let found = model.forecast(&known, &flock.records, &spurts, &options(as_of_d));
            let tally = tallies
                .entry(format!("earlier flock, {as_of_d} d"))
                .or_default();
            tally.add(seed, &flock, &found.unwrap());
        }
    }
    let own = model(&flock.study);
    let own = own.growth().unwrap();
    let at_landmark = flock.records.after(119.0).0;
    for as_of_d in [133.0, 140.0, 147.0] {
        let known = flock.study.as_of(as_of_d);
        let Some(spurts) = Spurts::of_fit(&known, &own.again(&known, &by)) else {
            continue;
        };
        let so_far = flock.records.as_of(as_of_d);
        if let Some(model) = FirstEggModel::of(&known, &so_far, &spurts, (2000, 1)) {
            let found = model.forecast(&known, &flock.records, &spurts, &options(as_of_d));
            let tally = tallies
                .entry(format!("this flock, {as_of_d} d"))
                .or_default();
            tally.add(seed, &flock, &found.unwrap());
            if let Ok(found) = forecast_onset(&flock.records, &at_landmark, &options(as_of_d)) {
                let tally = tallies
                    .entry(format!("strain alone, {as_of_d} d"))
                    .or_default();
                tally.add(seed, &flock, &found);
            }
        }
    }
    tallies
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}

#[test]
#[ignore = "minutes"]
fn first_eggs_of_another_flock() {
    let studies = std::env::var("COVERAGE_STUDIES").ok();
    let studies = studies.and_then(|number| number.parse().ok()).unwrap_or(40);
    let each: Vec<BTreeMap<String, Tally>> = (0..studies).into_par_iter().map(one).collect();
    let mut all: BTreeMap<String, Tally> = BTreeMap::new();
    for (name, tally) in each.into_iter().flatten() {
        let sum = all.entry(name).or_default();
        sum.errors.extend(tally.errors);
        sum.held.extend(tally.held);
        sum.widths.extend(tally.widths);
        sum.on_time_widths.extend(tally.on_time_widths);
        sum.on_time_held.extend(tally.on_time_held);
        sum.late.extend(tally.late);
    }
    println!("forecast: birds on time, bias, RMSE (d); all birds, share held (its SE)");
    for (name, tally) in &all {
        let [bias, rmse, share, error] = tally.figures();
        let (on_time, birds) = (tally.errors.len(), tally.held.len());
        println!("{name}: {on_time}, {bias:.2}, {rmse:.2}; {birds}, {share:.3} ({error:.3})");
        let held = tally.on_time_held.iter().filter(|held| **held).count() as f64
            / tally.on_time_held.len() as f64;
        let chance = tally.late.iter().map(|late| late.0).sum::<f64>() / tally.late.len() as f64;
        let late = tally.late.iter().filter(|late| late.1).count() as f64 / tally.late.len() as f64;
        println!(
            "    median width {:.1} d; if on time {:.1} d, held {held:.3}; chance of being late {chance:.3}, late {late:.3}",
            median(&tally.widths),
            median(&tally.on_time_widths)
        );
    }
    let [bias, rmse, share, error] = all["earlier flock, 119 d"].figures();
    assert!(bias.abs() < 0.5, "bias {bias}");
    assert!(rmse < 3.9, "RMSE {rmse}");
    assert!(
        (0.93 - 2.0 * error..0.97 + 2.0 * error).contains(&share),
        "held {share}"
    );
}
