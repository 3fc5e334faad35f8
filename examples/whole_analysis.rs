//! A whole study to its list of answers: the same list that the terminal, the report page, the
//! paper and `answers.csv` render.
//!
//! `cargo run --release --example whole_analysis -- data-demo`

use std::path::PathBuf;

use pinfeather::analysis::{Analysis, Options};
use pinfeather::study::Study;

fn main() -> pinfeather::Result<()> {
    let folder = std::env::args_os().nth(1);
    let folder = folder.map_or_else(|| PathBuf::from("data-demo"), PathBuf::from);
    let study = Study::read_folder(&folder)?;
    let mut options = Options::of(&study)?;
    options.confidence = 0.9;
    // Steps that are not needed are left out: here the verdict with its forecasts.
    options.flock = None;
    let analysis = Analysis::of_owned(study, &options)?;
    for answer in analysis.answers() {
        let (Some(value), Some(limits)) = (answer.estimate, answer.interval) else {
            continue;
        };
        let age = answer
            .age_d
            .map_or(String::new(), |age_d| format!(" at {age_d} d"));
        println!(
            "{} {} {} {}{age}: {value:.4} {} ({:.4} to {:.4}), {}",
            answer.strain,
            answer.strain_b,
            answer.trait_name,
            answer.quantity,
            answer.unit,
            limits.lower,
            limits.upper,
            answer.status.name()
        );
    }
    Ok(())
}
