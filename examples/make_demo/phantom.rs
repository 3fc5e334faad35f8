//! What the invented scanner reads of its invented phantom: three days a week, in control while
//! birds are scanned; from a day after the last scans on, the bone reading falls.

use std::fmt::Write as _;

use chrono::{Datelike, Days, NaiveDate, Weekday};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const SEED: u64 = 20_250_311;
const FIRST: &str = "2025-03-10";
const LAST: &str = "2025-08-20";
/// From this day on bone is read lower, and lower.
const FALLS_FROM: &str = "2025-07-31";
const FALLS_G_PER_D: f64 = 0.03;

/// Reading, its mean, its SD and its digits.
const READINGS: [(&str, f64, f64, usize); 3] = [
    ("fat", 152.0, 0.9, 1),
    ("lean", 548.0, 1.6, 1),
    ("bone", 24.6, 0.11, 2),
];

fn date(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

pub(crate) fn table(copy: u64) -> String {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED + 1_000_003 * copy);
    let mut text = "date,fat_g,lean_g,bone_g\n".to_owned();
    let mut day = date(FIRST);
    while day <= date(LAST) {
        let measured = [Weekday::Mon, Weekday::Wed, Weekday::Fri].contains(&day.weekday());
        if measured {
            write!(text, "{day}").expect("writing to a string");
            for (name, mean, sd, digits) in READINGS {
                let error: f64 = StandardNormal.sample(&mut rng);
                let since = (day - date(FALLS_FROM)).num_days().max(0) as f64;
                let fallen = if name == "bone" {
                    FALLS_G_PER_D * since
                } else {
                    0.0
                };
                let read = mean + sd * error - fallen;
                write!(text, ",{read:.digits$}").expect("writing to a string");
            }
            text.push('\n');
        }
        day = day + Days::new(1);
    }
    text
}

/// What is true of the phantom, number by number; the day as text.
pub(crate) fn truth_table() -> String {
    let mut text = "reading,term,value\n".to_owned();
    for (name, mean, sd, _) in READINGS {
        writeln!(text, "{name},mean_g,{mean}\n{name},sd_g,{sd}").expect("writing to a string");
    }
    writeln!(
        text,
        "bone,falls_from,{FALLS_FROM}\nbone,falls_g_per_d,{FALLS_G_PER_D}"
    )
    .expect("writing to a string");
    text
}
