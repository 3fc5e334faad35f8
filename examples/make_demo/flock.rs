//! An invented flock as layers are kept: two houses of three pens, no bird has a ring. A sample
//! of each pen is weighed weekly, eggs are counted by pen, lamps are lit by house, and two
//! platform scales write down what stands on them for some days.
//!
//! Every bird still has an individual curve and first egg; the tables of truth keep
//! what the unnamed samples, counts and visits come from.

use std::fmt::Write as _;

use chrono::{Days, NaiveDate, NaiveTime};
use rand::seq::index;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::Terms;

const SEED: u64 = 20_250_901;
const STRAIN: &str = "Elder";
/// Birds placed in each pen.
const PLACED: usize = 420;
/// Unnamed birds of each pen weighed each week.
const SAMPLE: usize = 26;
const LAST_SAMPLE_W: u32 = 24;
const EGGS_FROM_D: u32 = 112;
const EGGS_TO_D: u32 = 196;
const LAST_TARGET_W: u32 = 26;
const HATCH_G: f64 = 38.0;
/// Median A1 (g), k1 (per day), A2 (g), k2 (per day) and ti2 (d) of the birds, and of the bird
/// that the target has in mind.
const MEAN: [f64; 5] = [1290.0, 0.0305, 370.0, 0.087, 119.0];
const TARGET: [f64; 5] = [1310.0, 0.0305, 375.0, 0.087, 118.0];
/// SD of what the birds of a pen share in their asymptotes, on the log scale.
const PEN_SD: f64 = 0.015;
/// Days from the middle of the spurt to the first egg.
const LAG_D: f64 = 17.0;
/// Days that a first egg comes sooner for each day that the light comes sooner.
const LIGHT_SHARE: f64 = 0.35;

/// A house, the day of hatch of its birds, and its lighting: age in days, hours from then on.
struct House {
    name: &'static str,
    hatched: &'static str,
    light: &'static [(u32, f64)],
    /// A factor of the asymptotes of all its birds.
    level: f64,
}

/// Birds are brought into lay a week later in the second house, and grow a little less there.
const HOUSES: [House; 2] = [
    House {
        name: "north",
        hatched: "2025-09-01",
        light: &[
            (0, 22.0),
            (7, 18.0),
            (14, 15.0),
            (21, 13.0),
            (28, 11.0),
            (35, 10.0),
            (119, 12.0),
            (126, 13.0),
            (133, 14.0),
            (140, 15.0),
        ],
        level: 1.0,
    },
    House {
        name: "south",
        hatched: "2025-09-04",
        light: &[
            (0, 22.0),
            (7, 18.0),
            (14, 15.0),
            (21, 13.0),
            (28, 11.0),
            (35, 10.0),
            (126, 12.0),
            (133, 13.0),
            (140, 14.0),
            (147, 15.0),
        ],
        level: 0.975,
    },
];
const PENS_A_HOUSE: usize = 3;
/// Age at the first increase of light that the median lag has in mind, d.
const LIGHT_AT_D: f64 = 119.0;

/// The platform stands in the first pen of each house, on these ages of its birds.
const STREAM_FROM_D: u32 = 104;
const STREAM_DAYS: u32 = 9;
const VISITS_A_DAY: usize = 140;
/// What the platforms do wrong; `truth_scale.csv` has the same numbers.
mod scale {
    /// Both platforms read this share too much.
    pub(super) const GAIN: f64 = 1.008;
    /// A bird of twice the weight comes 2^this times as often.
    pub(super) const VISITS_BY_WEIGHT: f64 = -1.2;
    /// SD on the log scale of how often birds come.
    pub(super) const VISITS_SD: f64 = 0.6;
    /// Share of records with two birds, and with a bird not wholly on the platform.
    pub(super) const DOUBLE: f64 = 0.05;
    pub(super) const PART: f64 = 0.04;
    /// Share of records of the empty platform.
    pub(super) const EMPTY: f64 = 0.05;
    /// SD of a reading, g, and share of the weight.
    pub(super) const READING_SD_G: f64 = 3.0;
    pub(super) const BIRD_SD: f64 = 0.01;
    /// Full crops make birds heavier by this share of their weight in the evening than at dawn.
    pub(super) const DAY_RISE: f64 = 0.025;
    /// SD of what all birds share on a day.
    pub(super) const DAY_SD: f64 = 0.004;
    /// Litter on the platform of the second house from this day of the stream on, g.
    pub(super) const LITTER_FROM: u32 = 6;
    pub(super) const LITTER_G: f64 = 22.0;
}

struct Bird {
    terms: Terms,
    first_egg_d: f64,
    died_d: Option<u32>,
    visits: f64,
}

struct Pen {
    name: String,
    house: &'static House,
    birds: Vec<Bird>,
}

impl Pen {
    fn date(&self, age_d: u32) -> NaiveDate {
        let hatched: NaiveDate = self.house.hatched.parse().expect("a date");
        hatched + Days::new(u64::from(age_d))
    }

    fn alive(&self, age_d: u32) -> Vec<&Bird> {
        let alive = |bird: &&Bird| bird.died_d.is_none_or(|died_d| age_d < died_d);
        self.birds.iter().filter(alive).collect()
    }
}

/// All tables of the flock; its settings and README are written by hand.
pub(crate) fn tables() -> Vec<(&'static str, String)> {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let pens = pens(&mut rng);
    vec![
        ("pens.csv", pens_table(&pens)),
        ("samples.csv", samples(&mut rng, &pens)),
        ("scale.csv", stream(&mut rng, &pens)),
        ("eggs.csv", eggs(&mut rng, &pens)),
        ("light.csv", light(&pens)),
        ("targets.csv", targets()),
        ("truth.csv", truth(&pens)),
        ("truth_scale.csv", truth_scale()),
    ]
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

fn pens(rng: &mut ChaCha8Rng) -> Vec<Pen> {
    let mut pens = Vec::new();
    for house in &HOUSES {
        for place in 1..=PENS_A_HOUSE {
            let level = house.level * (PEN_SD * normal(rng)).exp();
            let light_d = house
                .light
                .windows(2)
                .find(|steps| steps[1].1 > steps[0].1)
                .map_or(LIGHT_AT_D, |steps| f64::from(steps[1].0));
            let later_d = LIGHT_SHARE * (light_d - LIGHT_AT_D);
            let birds = (0..PLACED).map(|_| bird(rng, level, later_d)).collect();
            pens.push(Pen {
                name: format!("{} {place}", house.name),
                house,
                birds,
            });
        }
    }
    pens
}

fn bird(rng: &mut ChaCha8Rng, level: f64, later_d: f64) -> Bird {
    // What a bird has in all of its life, and its condition, which brings the egg sooner.
    let size = (0.06 * normal(rng)).exp() * level;
    let condition = normal(rng);
    let terms = Terms::new(
        HATCH_G * (0.07 * normal(rng)).exp(),
        [
            MEAN[0] * size,
            MEAN[1] * (0.04 * normal(rng)).exp(),
            MEAN[2] * size * (0.05 * condition + 0.08 * normal(rng)).exp(),
            MEAN[3] * (0.08 * normal(rng)).exp(),
            MEAN[4] + 4.0 * normal(rng),
        ],
    );
    let first_egg_d = terms.ti2_d + LAG_D + later_d - 2.5 * condition + 2.5 * normal(rng);
    let died_d = rng
        .random_bool(0.035)
        .then(|| rng.random_range(1..EGGS_TO_D));
    Bird {
        terms,
        first_egg_d: first_egg_d.round(),
        died_d,
        visits: (scale::VISITS_SD * normal(rng)).exp(),
    }
}

fn pens_table(pens: &[Pen]) -> String {
    let mut text = "pen,house,strain,hatch_date,birds\n".to_owned();
    for pen in pens {
        let House { name, hatched, .. } = pen.house;
        writeln!(text, "{},{name},{STRAIN},{hatched},{PLACED}", pen.name)
            .expect("writing to a string");
    }
    text
}

/// Different birds each week, drawn without regard to anything, to the gram.
fn samples(rng: &mut ChaCha8Rng, pens: &[Pen]) -> String {
    let mut text = "pen,date,weight_g\n".to_owned();
    for week in 1..=LAST_SAMPLE_W {
        for pen in pens {
            let age_d = 7 * week;
            let alive = pen.alive(age_d);
            // What all birds weighed on a day have in common, such as full crops.
            let day = 0.004 * normal(rng);
            for place in index::sample(rng, alive.len(), SAMPLE) {
                let weight_g = alive[place].terms.weight_g(f64::from(age_d))
                    * (day + scale::BIRD_SD * normal(rng)).exp();
                writeln!(text, "{},{},{weight_g:.0}", pen.name, pen.date(age_d))
                    .expect("writing to a string");
            }
        }
    }
    text
}

/// Visits between dawn and dusk, by time.
fn stream(rng: &mut ChaCha8Rng, pens: &[Pen]) -> String {
    let mut text = "time,pen,weight_g\n".to_owned();
    let mut rows = Vec::new();
    for (place, pen) in pens.iter().step_by(PENS_A_HOUSE).enumerate() {
        for day in 0..STREAM_DAYS {
            let age_d = STREAM_FROM_D + day;
            let alive = pen.alive(age_d);
            let weights: Vec<f64> = alive
                .iter()
                .map(|bird| bird.terms.weight_g(f64::from(age_d)))
                .collect();
            let mean_g = weights.iter().sum::<f64>() / weights.len() as f64;
            let often: Vec<f64> = alive
                .iter()
                .zip(&weights)
                .map(|(bird, weight_g)| {
                    bird.visits * (weight_g / mean_g).powf(scale::VISITS_BY_WEIGHT)
                })
                .collect();
            let total: f64 = often.iter().sum();
            let visitor = |rng: &mut ChaCha8Rng| {
                let mut left = rng.random_range(0.0..total);
                let at = often.iter().position(|often| {
                    left -= often;
                    left < 0.0
                });
                weights[at.unwrap_or(0)]
            };
            let day_share = (scale::DAY_SD * normal(rng)).exp();
            let litter = place == 1 && day >= scale::LITTER_FROM;
            let tare_g = if litter { scale::LITTER_G } else { 0.0 };
            for _ in 0..VISITS_A_DAY {
                // Lamps are lit from 7 to 17 o'clock.
                let second = rng.random_range(7 * 3600..17 * 3600);
                let hour = f64::from(second) / 3600.0;
                let crop = 1.0 + scale::DAY_RISE * ((hour - 7.0) / 10.0 - 0.5);
                let kind = rng.random_range(0.0..1.0);
                let one = |rng: &mut ChaCha8Rng| {
                    visitor(rng) * crop * day_share * (scale::BIRD_SD * normal(rng)).exp()
                };
                let on_it = if kind < scale::EMPTY {
                    0.0
                } else if kind < scale::EMPTY + scale::DOUBLE {
                    one(rng) + one(rng)
                } else if kind < scale::EMPTY + scale::DOUBLE + scale::PART {
                    one(rng) * rng.random_range(0.15..0.8)
                } else {
                    one(rng)
                };
                let weight_g = scale::GAIN * on_it + tare_g + scale::READING_SD_G * normal(rng);
                let time = NaiveTime::from_num_seconds_from_midnight_opt(second, 0)
                    .expect("a time of the day");
                rows.push((pen.date(age_d).and_time(time), &pen.name, weight_g.round()));
            }
        }
    }
    rows.sort_by_key(|(time, pen, _)| (*time, *pen));
    for (time, pen, weight_g) in rows {
        // Rounded to zero from below, nothing stands on it.
        let weight_g = weight_g + 0.0;
        writeln!(
            text,
            "{},{pen},{weight_g}",
            time.format("%Y-%m-%dT%H:%M:%S")
        )
        .expect("writing to a string");
    }
    text
}

/// Chance that a hen lays on a day so long after her first egg.
fn rate(since_d: f64) -> f64 {
    (0.97 - 0.00025 * since_d) * (1.0 - 0.45 * (-since_d / 6.0).exp())
}

fn eggs(rng: &mut ChaCha8Rng, pens: &[Pen]) -> String {
    let mut text = "pen,date,eggs,hens\n".to_owned();
    for age_d in EGGS_FROM_D..=EGGS_TO_D {
        for pen in pens {
            let hens = pen.alive(age_d);
            let laid = hens
                .iter()
                .map(|hen| f64::from(age_d) - hen.first_egg_d)
                .filter(|since_d| *since_d >= 0.0)
                .filter(|since_d| *since_d == 0.0 || rng.random_bool(rate(*since_d)))
                .count();
            writeln!(
                text,
                "{},{},{laid},{}",
                pen.name,
                pen.date(age_d),
                hens.len()
            )
            .expect("writing to a string");
        }
    }
    text
}

/// A row for each pen and change.
fn light(pens: &[Pen]) -> String {
    let mut text = "pen,date,hours\n".to_owned();
    for pen in pens {
        for (age_d, hours) in pen.house.light {
            writeln!(text, "{},{},{hours}", pen.name, pen.date(*age_d))
                .expect("writing to a string");
        }
    }
    text
}

/// As a breeder prints it: a range of weights at the end of each week.
fn targets() -> String {
    let mut text = "strain,week,target_g\n".to_owned();
    let terms = Terms::new(HATCH_G, TARGET);
    for week in 0..=LAST_TARGET_W {
        let target_g = terms.weight_g(7.0 * f64::from(week));
        let (lower_g, upper_g) = (0.97 * target_g, 1.03 * target_g);
        writeln!(text, "{STRAIN},{week},{lower_g:.0} - {upper_g:.0}").expect("writing to a string");
    }
    text
}

/// Weekly mean, SD and uniformity of all birds alive in each pen, and their first eggs.
fn truth(pens: &[Pen]) -> String {
    let mut text = "pen,quantity,age_d,value\n".to_owned();
    let spread = |values: &[f64]| {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
        (mean, (squares / (n - 1.0)).sqrt())
    };
    for pen in pens {
        let mut row = |quantity: &str, age: &str, value: f64| {
            writeln!(text, "{},{quantity},{age},{value:.4}", pen.name)
                .expect("writing to a string");
        };
        let mut ages: Vec<u32> = (1..=LAST_SAMPLE_W).map(|week| 7 * week).collect();
        ages.extend(STREAM_FROM_D..STREAM_FROM_D + STREAM_DAYS);
        ages.sort_unstable();
        ages.dedup();
        for age_d in ages {
            let alive = pen.alive(age_d);
            let weights: Vec<f64> = alive
                .iter()
                .map(|bird| bird.terms.weight_g(f64::from(age_d)))
                .collect();
            let (mean_g, sd_g) = spread(&weights);
            let within = weights
                .iter()
                .filter(|weight_g| (*weight_g - mean_g).abs() <= 0.1 * mean_g);
            let uniformity = 100.0 * within.count() as f64 / weights.len() as f64;
            let age = age_d.to_string();
            row("mean_g", &age, mean_g);
            row("sd_g", &age, sd_g);
            row("uniformity_pct", &age, uniformity);
        }
        let mut eggs: Vec<f64> = pen.birds.iter().map(|bird| bird.first_egg_d).collect();
        eggs.sort_by(f64::total_cmp);
        let (mean_d, sd_d) = spread(&eggs);
        row("mean_age_at_maturity_d", "", mean_d);
        row("sd_age_at_maturity_d", "", sd_d);
        for share in [5, 50, 95] {
            let at = eggs[eggs.len() * share / 100];
            row(&format!("age_in_lay_{share}pct_d"), "", at);
        }
    }
    text
}

fn truth_scale() -> String {
    let mut text = "term,value\n".to_owned();
    for (term, value) in [
        ("gain", scale::GAIN),
        ("visits_power_of_weight", scale::VISITS_BY_WEIGHT),
        ("visits_sd_log", scale::VISITS_SD),
        ("double_share", scale::DOUBLE),
        ("part_share", scale::PART),
        ("empty_share", scale::EMPTY),
        ("reading_sd_g", scale::READING_SD_G),
        ("bird_sd_share", scale::BIRD_SD),
        ("rise_over_the_day_share", scale::DAY_RISE),
        ("day_sd_share", scale::DAY_SD),
        (
            "litter_south_from_age_d",
            f64::from(STREAM_FROM_D + scale::LITTER_FROM),
        ),
        ("litter_g", scale::LITTER_G),
    ] {
        writeln!(text, "{term},{value}").expect("writing to a string");
    }
    text
}
