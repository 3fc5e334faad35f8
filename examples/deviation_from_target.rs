//! A study folder to its deviations from target: how far each strain is off, in days.
//!
//! `cargo run --example deviation_from_target -- data-demo`

use std::path::PathBuf;

use pinfeather::flock::{self, DeviationOptions, FlockLevel};
use pinfeather::study::{AgeMatching, Study};

fn main() -> pinfeather::Result<()> {
    let folder = std::env::args_os().nth(1);
    let folder = folder.map_or_else(|| PathBuf::from("data-demo"), PathBuf::from);
    let study = Study::read_folder(&folder)?;
    let options = DeviationOptions {
        matching: AgeMatching::RoundedTo(1.0),
        back_on_target_by_d: study.settings.target.back_on_target_by_d,
        confidence: 0.95,
    };
    for row in flock::deviations(&study, &options)? {
        if row.level != FlockLevel::Strain {
            continue;
        }
        let strain = &study.strains[row.strain];
        match &row.against {
            Ok(against) => {
                let days = match &against.days {
                    Ok(days) => format!("{days:+.1} d"),
                    Err(reason) => reason.to_string(),
                };
                println!(
                    "{strain} at {} d: {:+.0} g, {days}",
                    row.age_d, against.deviation_g
                );
            }
            Err(reason) => println!("{strain} at {} d: {reason}", row.age_d),
        }
    }
    Ok(())
}
