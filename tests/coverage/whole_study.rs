//! Do the intervals of a whole study cover the truth, whatever they are printed in?
//!
//! Simulated studies go through `Analysis` as `run` takes them, and every kind of interval is
//! read from the tables that a user reads: typical masses, differences and shares of P below
//! 0.05, curves with their bands, birds' curves and terms, corrected masses, forecasts. Each
//! design prints a table with the coverage, its standard error (clustered by study), the mean
//! half width, and for body weight that width over the width of an oracle: generalised least
//! squares with every variance component known.
//!
//! `cargo test --release --test coverage whole_study -- --ignored --nocapture`
//!
//! `COVERAGE_STUDIES` sets the studies of each design (200), `COVERAGE_DESIGNS` which
//! (numbers, commas between), and `COVERAGE_FORECASTS=no` leaves out the forecasts, which take
//! most of the time.

use std::collections::BTreeMap;
use std::path::Path;

use nalgebra::{DMatrix, DVector};
use pinfeather::analysis::{Analysis, Forecasting, Options};
use pinfeather::report::tables::flock::Weigh;
use pinfeather::report::{Findings, Table};
use pinfeather::study::Study;
use rayon::prelude::*;

use crate::make_demo::{self, DESIGNS, Design};

/// Ages at which typical masses are compared, d.
const AGES_D: [u32; 4] = [42, 84, 112, 147];
/// Ages as of which weights are forecast, d.
const AS_OF_D: [f64; 3] = [84.0, 105.0, 126.0];

/// Hits, intervals, sum of half widths, sum of an oracle's.
type Counts = BTreeMap<String, [f64; 4]>;

/// Rows of one table, each a map from column to cell.
fn rows(tables: &[Table], name: &str) -> Vec<BTreeMap<String, String>> {
    let Some(table) = tables.iter().find(|table| table.name() == name) else {
        return Vec::new();
    };
    let mut bytes = Vec::new();
    table.write_csv(&mut bytes).unwrap();
    let mut reader = csv::Reader::from_reader(&bytes[..]);
    let header = reader.headers().unwrap().clone();
    let records = reader.records().map(|record| {
        let record = record.unwrap();
        let cells = header.iter().zip(&record);
        cells
            .map(|(column, cell)| (column.to_owned(), cell.to_owned()))
            .collect()
    });
    records.collect()
}

fn number(row: &BTreeMap<String, String>, column: &str) -> Option<f64> {
    row.get(column)?.parse().ok()
}

fn age(row: &BTreeMap<String, String>) -> Option<u32> {
    let age_d = number(row, "age_d")?;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "an age in days"
    )]
    (age_d.fract() == 0.0).then_some(age_d as u32)
}

struct Truth<'a> {
    design: &'a Design,
    /// In the order of the generator's.
    lines: Vec<String>,
    /// Terms of lines and birds by (level name, term).
    terms: BTreeMap<(String, String), f64>,
    /// Fat, lean and bone of a bird at an age.
    masses: BTreeMap<(String, String), [f64; 3]>,
    /// Weighings as written down, by bird and age.
    weighings: BTreeMap<(String, u32), f64>,
}

impl Truth<'_> {
    fn trait_place(name: &str) -> Option<usize> {
        ["body_weight", "fat", "lean", "bone"]
            .iter()
            .position(|other| *other == name)
    }

    fn typical(&self, strain: &str, trait_name: &str, age_d: u32) -> Option<f64> {
        let line = self.lines.iter().position(|line| *line == strain)?;
        let place = Self::trait_place(trait_name)?;
        Some(make_demo::typical(self.design, line, age_d)[place])
    }

    fn term(&self, whose: &str, term: &str) -> Option<f64> {
        let get = |term: &str| {
            self.terms
                .get(&(whose.to_owned(), term.to_owned()))
                .copied()
        };
        match term {
            "mature" => Some(get("A1")? + get("A2")?),
            _ => get(term),
        }
    }

    fn weight(&self, bird: &str, age_d: f64) -> Option<f64> {
        let get = |term: &str| self.term(bird, term);
        let phase = |a: f64, k: f64, ti: f64| a * (-(-k * (age_d - ti)).exp()).exp();
        Some(
            phase(get("A1")?, get("k1")?, get("ti1")?) + phase(get("A2")?, get("k2")?, get("ti2")?),
        )
    }
}

struct Tally<'a> {
    counts: Counts,
    oracle: &'a Oracle,
}

impl Tally<'_> {
    fn interval(
        &mut self,
        kind: String,
        row: &BTreeMap<String, String>,
        columns: [&str; 2],
        truth: f64,
    ) {
        self.against(kind, row, columns, truth, 0.0);
    }

    fn against(
        &mut self,
        kind: String,
        row: &BTreeMap<String, String>,
        [lower, upper]: [&str; 2],
        truth: f64,
        oracle: f64,
    ) {
        let (Some(lower), Some(upper)) = (number(row, lower), number(row, upper)) else {
            return;
        };
        let count = self.counts.entry(kind).or_default();
        count[0] += f64::from(lower <= truth && truth <= upper);
        count[1] += 1.0;
        count[2] += (upper - lower) / 2.0;
        count[3] += oracle;
    }

    fn event(&mut self, kind: &str, happened: bool) {
        let count = self.counts.entry(kind.to_owned()).or_default();
        count[0] += f64::from(happened);
        count[1] += 1.0;
    }
}

/// The standard error of a line's typical weight with known variances.
struct Oracle(BTreeMap<(usize, u32), f64>);

impl Oracle {
    /// Generalised least squares of a line's birds, linearised at the truth: y = J b + J u + e,
    /// with u of the birds' known variances and e of 2 % of the weight.
    fn of(design: &Design) -> Self {
        // hatch weight, A1, k1, A2, k2 on the log scale, ti2 in days: `make_demo`.
        let between: [f64; 6] = [0.06, 0.06, 0.04, 0.1, 0.08, 4.0];
        let mut found = BTreeMap::new();
        for line in 0..design.lines {
            let ages: Vec<u32> = (0..=168).step_by(7).collect();
            let base = terms_of(design, line);
            let value = |terms: &[f64; 6], age_d: u32| weight_of(terms, f64::from(age_d));
            let gradient = |age_d: u32| -> DVector<f64> {
                DVector::from_fn(6, |place, _| {
                    let step = 1e-5;
                    let mut moved = [base, base];
                    for (side, moved) in moved.iter_mut().enumerate() {
                        let by = if side == 0 { -step } else { step };
                        // Factors but for the age of the spurt.
                        moved[place] += if place == 5 { by } else { base[place] * by };
                    }
                    (value(&moved[1], age_d) - value(&moved[0], age_d)) / (2.0 * step)
                })
            };
            let rows: Vec<DVector<f64>> = ages.iter().map(|age_d| gradient(*age_d)).collect();
            let jacobian = DMatrix::from_fn(ages.len(), 6, |row, column| rows[row][column]);
            let spread =
                DMatrix::from_diagonal(&DVector::from_fn(6, |place, _| between[place].powi(2)));
            let mut variance = &jacobian * spread * jacobian.transpose();
            for (place, age_d) in ages.iter().enumerate() {
                variance[(place, place)] += (0.02 * value(&base, *age_d)).powi(2);
            }
            let inverse = variance.try_inverse().unwrap();
            let information =
                jacobian.transpose() * inverse * &jacobian * design.birds_per_line as f64;
            let covariance = information.try_inverse().unwrap();
            for age_d in AGES_D.into_iter().chain([168]) {
                let slope = gradient(age_d);
                let variance = (slope.transpose() * &covariance * &slope)[0];
                found.insert((line, age_d), 1.96 * variance.sqrt());
            }
        }
        Self(found)
    }
}

/// Hatch weight, A1, k1, A2, k2 and ti2 of a line's typical bird.
fn terms_of(design: &Design, line: usize) -> [f64; 6] {
    let files = make_demo::copy(design, 0);
    let (_, text) = files.iter().find(|(name, _)| *name == "truth.csv").unwrap();
    let rows = text.lines().filter(|row| row.starts_with("strain,"));
    let values: Vec<f64> = rows
        .map(|row| row.rsplit(',').next().unwrap().parse().unwrap())
        .collect();
    let [a1, k1, ti1, a2, k2, ti2]: [f64; 6] = values[6 * line..][..6].try_into().unwrap();
    let hatch_g: f64 = a1 * (-(k1 * ti1).exp()).exp();
    [hatch_g, a1, k1, a2, k2, ti2]
}

fn weight_of([hatch_g, a1, k1, a2, k2, ti2]: &[f64; 6], age_d: f64) -> f64 {
    let ti1 = (a1 / hatch_g).ln().ln() / k1;
    let phase = |a: &f64, k: &f64, ti: f64| a * (-(-k * (age_d - ti)).exp()).exp();
    phase(a1, k1, ti1) + phase(a2, k2, *ti2)
}

fn findings(analysis: &Analysis, options: &Options) -> Vec<Table> {
    let mut findings = Findings::default();
    let weigh = Weigh {
        mean_within_pct: 2.0,
        share_within_points: 8.0,
        confidence: 0.95,
        flock: None,
    };
    findings.whole((analysis, options), (&weigh, "")).unwrap();
    findings.tables
}

fn one(design: &Design, oracle: &Oracle, copy: u64) -> Counts {
    let files = make_demo::copy(design, copy);
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in &files {
        std::fs::write(folder.path().join(name), text).unwrap();
    }
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo/study.toml");
    let demo = std::fs::read_to_string(demo).unwrap();
    let settings = make_demo::settings(design, &demo);
    std::fs::write(folder.path().join("study.toml"), settings).unwrap();
    let study = Study::read_folder(folder.path()).unwrap_or_else(|error| panic!("{error}"));
    let truth = truth(design, &files, &study);
    let mut options = Options::of(&study).unwrap();
    options.ages_d = AGES_D.map(f64::from).to_vec();
    options.growth.request.birds = false;
    options.growth.request.strains = false;
    options.growth.profiles = false;
    options.lay = None;
    if let Some(flock) = &mut options.flock {
        flock.forecast = Forecasting::Nothing;
    }
    let analysis = Analysis::of(&study, &options).unwrap_or_else(|error| panic!("{error}"));
    let tables = findings(&analysis, &options);
    let mut tally = Tally {
        counts: Counts::new(),
        oracle,
    };
    if design.treatments > 0 {
        null_tests(&tables, &mut tally);
    } else {
        of_groups(&tables, &truth, &mut tally);
        of_birds(&tables, &truth, &mut tally);
        of_masses(&tables, &truth, &mut tally);
        forecasts(&study, &options, &truth, &mut tally);
    }
    tally.counts
}

fn truth<'a>(design: &'a Design, files: &[(&'static str, String)], study: &Study) -> Truth<'a> {
    let text = |name: &str| &files.iter().find(|(file, _)| *file == name).unwrap().1;
    let cells = |line: &str| line.split(',').map(str::to_owned).collect::<Vec<_>>();
    let mut truth = Truth {
        design,
        lines: study.strains.clone(),
        terms: BTreeMap::new(),
        masses: BTreeMap::new(),
        weighings: BTreeMap::new(),
    };
    for line in text("truth.csv").lines().skip(1) {
        let cells = cells(line);
        let whose = if cells[0] == "bird" { 2 } else { 1 };
        let key = (cells[whose].clone(), cells[3].clone());
        truth.terms.insert(key, cells[4].parse().unwrap());
    }
    for line in text("truth_composition.csv").lines().skip(1) {
        let cells = cells(line);
        let masses = [4, 5, 6].map(|place: usize| cells[place].parse().unwrap());
        truth
            .masses
            .insert((cells[1].clone(), cells[2].clone()), masses);
    }
    let records = &study.traits[0];
    for (bird, named) in study.birds.iter().enumerate() {
        let (ages_d, values) = records.of(bird);
        for (age_d, value) in ages_d.iter().zip(values) {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "an age in days"
            )]
            let key = (named.name.clone(), *age_d as u32);
            truth.weighings.insert(key, *value);
        }
    }
    truth
}

const LIMITS: [&str; 2] = ["lower", "upper"];
const TOGETHER: [&str; 2] = ["simultaneous_lower", "simultaneous_upper"];

/// Typical masses, differences, contrasts of terms, curves and differences along age.
fn of_groups(tables: &[Table], truth: &Truth<'_>, tally: &mut Tally<'_>) {
    let oracle = tally.oracle;
    for row in rows(tables, "answers") {
        let (strain, of_trait) = (&row["strain"], &row["trait"]);
        let Some(age_d) = age(&row) else { continue };
        let line = |name: &str| truth.lines.iter().position(|line| line == name);
        let known = |name: &str| Some(*oracle.0.get(&(line(name)?, age_d))?);
        let of_weight = of_trait == "body_weight";
        let Some(own) = truth.typical(strain, of_trait, age_d) else {
            continue;
        };
        match &*row["quantity"] {
            "typical_mass" => {
                let best = known(strain).filter(|_| of_weight).unwrap_or(0.0);
                let kind = format!("1 typical {of_trait} at {age_d:>3} d");
                tally.against(kind, &row, LIMITS, own, best);
            }
            "difference_of_typical_mass" => {
                let other = &row["strain_b"];
                let Some(against) = truth.typical(other, of_trait, age_d) else {
                    continue;
                };
                let best = known(strain).zip(known(other)).filter(|_| of_weight);
                let best = best.map_or(0.0, |(a, b)| a.hypot(b));
                let kind = format!("2 difference of {of_trait} at {age_d:>3} d");
                tally.against(kind, &row, LIMITS, own - against, best);
            }
            _ => {}
        }
    }
    for row in rows(tables, "contrasts") {
        let (a, b) = (&row["strain_a"], &row["strain_b"]);
        let of_terms = truth.term(a, &row["term"]).zip(truth.term(b, &row["term"]));
        if let (Some((a, b)), "body_weight") = (of_terms, &*row["trait"]) {
            tally.interval(
                format!("3 contrast of {}", row["term"]),
                &row,
                LIMITS,
                a - b,
            );
        }
    }
    let mut bands: BTreeMap<String, (bool, bool)> = BTreeMap::new();
    let within = |row: &BTreeMap<String, String>, [lower, upper]: [&str; 2], value: f64| {
        let limits = number(row, lower).zip(number(row, upper));
        limits.map(|(lower, upper)| lower <= value && value <= upper)
    };
    for row in rows(tables, "curves") {
        let of_group = row["level"] == "population" && row["bird"].is_empty();
        let Some(age_d) = age(&row).filter(|_| of_group) else {
            continue;
        };
        let of_trait = &row["trait"];
        let Some(value) = truth.typical(&row["strain"], of_trait, age_d) else {
            continue;
        };
        tally.interval(
            format!("4 curve of {of_trait}, pointwise"),
            &row,
            LIMITS,
            value,
        );
        if let Some(inside) = within(&row, TOGETHER, value) {
            let key = format!("5 curve of {of_trait}, whole band|{}", row["strain"]);
            bands.entry(key).or_insert((true, true)).0 &= inside;
        }
    }
    for row in rows(tables, "difference_by_age") {
        let Some(age_d) = age(&row) else { continue };
        let of_trait = &row["trait"];
        let of = |name: &str| truth.typical(name, of_trait, age_d);
        let Some((a, b)) = of(&row["strain_a"]).zip(of(&row["strain_b"])) else {
            continue;
        };
        tally.interval(
            format!("6 difference of {of_trait}, pointwise"),
            &row,
            LIMITS,
            a - b,
        );
        if let Some(inside) = within(&row, TOGETHER, a - b) {
            let pair = format!("{} {}", row["strain_a"], row["strain_b"]);
            let key = format!("7 difference of {of_trait}, whole band|{pair}");
            bands.entry(key).or_insert((true, true)).0 &= inside;
        }
    }
    for (key, (inside, _)) in bands {
        let kind = key.split('|').next().unwrap_or_default();
        tally.event(kind, inside);
    }
}

/// Birds' own terms, and their weights at the ages weighed.
fn of_birds(tables: &[Table], truth: &Truth<'_>, tally: &mut Tally<'_>) {
    for row in rows(tables, "curve_terms") {
        let of_bird = row["level"] == "population" && !row["bird"].is_empty();
        if of_bird
            && row["trait"] == "body_weight"
            && row["status"] == "supported"
            && let Some(value) = truth.term(&row["bird"], &row["term"])
        {
            tally.interval(format!("8 a bird's {}", row["term"]), &row, LIMITS, value);
        }
    }
    for row in rows(tables, "curves") {
        let of_bird = row["level"] == "population" && !row["bird"].is_empty();
        let Some(age_d) = age(&row).filter(|_| of_bird) else {
            continue;
        };
        let bird = row["bird"].clone();
        if row["trait"] == "body_weight"
            && truth.weighings.contains_key(&(bird.clone(), age_d))
            && let Some(value) = truth.weight(&bird, f64::from(age_d))
        {
            tally.interval(
                "9 a bird's weight at ages weighed".to_owned(),
                &row,
                LIMITS,
                value,
            );
        }
    }
}

/// Corrected masses of live birds, by way of scanning.
fn of_masses(tables: &[Table], truth: &Truth<'_>, tally: &mut Tally<'_>) {
    for row in rows(tables, "corrected") {
        let place = match Truth::trait_place(&row["trait"]) {
            Some(place @ 1..) => place - 1,
            _ => continue,
        };
        let birds: Vec<&str> = row["bird"].split('+').collect();
        let followed = |bird: &&str| {
            let bird: usize = bird[1..].parse().unwrap();
            bird <= truth.design.followed
        };
        if !birds.iter().all(followed) {
            continue;
        }
        let of = |bird: &&str| {
            truth
                .masses
                .get(&((*bird).to_owned(), row["age_d"].clone()))
        };
        let masses: Option<Vec<f64>> = birds.iter().map(|bird| Some(of(bird)?[place])).collect();
        let Some(masses) = masses else { continue };
        let mean = masses.iter().sum::<f64>() / masses.len() as f64;
        let egg = if row["egg"].is_empty() || row["egg"] == "no" {
            ""
        } else {
            ", egg"
        };
        let kind = format!("A corrected {}, {}{egg}", row["trait"], row["way"]);
        tally.interval(kind, &row, LIMITS, mean);
    }
}

/// Weights two to four weeks ahead, masses three weeks ahead.
fn forecasts(study: &Study, options: &Options, truth: &Truth<'_>, tally: &mut Tally<'_>) {
    if std::env::var("COVERAGE_FORECASTS").is_ok_and(|text| text == "no") {
        return;
    }
    for as_of_d in AS_OF_D {
        let mut options = options.clone();
        options.as_of_d = Some(as_of_d);
        options.comparison = None;
        if let Some(flock) = &mut options.flock {
            flock.forecast = Forecasting::All;
            flock.ages_d = [14.0, 21.0, 28.0].map(|ahead| as_of_d + ahead).to_vec();
        }
        let analysis = Analysis::of(study, &options).unwrap_or_else(|error| panic!("{error}"));
        for row in rows(&findings(&analysis, &options), "forecast") {
            let Some(age_d) = age(&row).filter(|_| row["level"] == "bird") else {
                continue;
            };
            let ahead = f64::from(age_d) - as_of_d;
            let kind = format!("B {} {ahead} d ahead as of {as_of_d:>3} d", row["trait"]);
            let limits = LIMITS;
            if row["trait"] == "body_weight" {
                if let Some(value) = truth.weighings.get(&(row["bird"].clone(), age_d)) {
                    tally.interval(kind, &row, limits, *value);
                    if let Some(forecast) = number(&row, "forecast") {
                        let bias =
                            format!("C bias in percent, {ahead} d ahead as of {as_of_d:>3} d");
                        let count = tally.counts.entry(bias).or_default();
                        count[0] += (forecast / value).ln();
                        count[1] += 1.0;
                    }
                }
            } else if let Some(place) = Truth::trait_place(&row["trait"])
                && let Some(masses) = truth.masses.get(&(row["bird"].clone(), age_d.to_string()))
            {
                tally.interval(kind, &row, limits, masses[place - 1]);
            }
        }
    }
}

/// P below 0.05 where no treatment has an effect.
fn null_tests(tables: &[Table], tally: &mut Tally<'_>) {
    let (mut traits, mut any) = (BTreeMap::new(), false);
    for row in rows(tables, "contrasts") {
        if let Some(p) = number(&row, "p_value") {
            tally.event(
                &format!("P < 0.05: {} {}", row["trait"], row["term"]),
                p < 0.05,
            );
        }
        if let Some(p) = number(&row, "p_adjusted") {
            *traits.entry(row["trait"].clone()).or_insert(false) |= p < 0.05;
            any |= p < 0.05;
        }
    }
    for row in rows(tables, "answers") {
        if row["quantity"] == "difference_of_typical_mass"
            && let Some(p) = number(&row, "p_value")
        {
            let kind = format!("P < 0.05: {} at {} d", row["trait"], row["age_d"]);
            tally.event(&kind, p < 0.05);
        }
    }
    for (name, one) in traits {
        tally.event(&format!("any adjusted P < 0.05: {name}"), one);
    }
    tally.event("any adjusted P < 0.05 at all", any);
}

#[test]
#[ignore = "simulates many studies"]
fn whole_study_coverage() {
    let studies: u64 = std::env::var("COVERAGE_STUDIES").map_or(200, |text| text.parse().unwrap());
    let wanted = std::env::var("COVERAGE_DESIGNS").unwrap_or_else(|_| "0,1,2,3,4,5".to_owned());
    for design in wanted
        .split(',')
        .map(|number| number.trim().parse::<usize>().unwrap())
    {
        let design = &DESIGNS[design];
        let oracle = Oracle::of(design);
        let all: Vec<Counts> = (1..=studies)
            .into_par_iter()
            .map(|copy| one(design, &oracle, copy))
            .collect();
        println!("\n{} ({studies} studies)", design.name);
        println!(
            "{:<48} {:>8} {:>7} {:>6} {:>10} {:>10}",
            "kind", "n", "percent", "se", "half width", "/ oracle"
        );
        let kinds: std::collections::BTreeSet<_> = all.iter().flat_map(BTreeMap::keys).collect();
        for kind in kinds {
            let rows: Vec<[f64; 4]> = all
                .iter()
                .filter_map(|counts| counts.get(kind).copied())
                .collect();
            let [hits, n, width, best] = rows
                .iter()
                .fold([0.0; 4], |sum, row| [0, 1, 2, 3].map(|i| sum[i] + row[i]));
            let share = hits / n;
            // Clustered by study.
            let squares: f64 = rows
                .iter()
                .map(|row| (row[0] - share * row[1]).powi(2))
                .sum();
            let over = if best > 0.0 {
                format!("{:.2}", width / best)
            } else {
                String::new()
            };
            println!(
                "{kind:<48} {n:>8} {:>7.1} {:>6.2} {:>10.3} {over:>10}",
                100.0 * share,
                100.0 * squares.sqrt() / n,
                width / n
            );
        }
    }
}
