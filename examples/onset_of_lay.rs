//! First eggs to the age at 50 % in lay by strain, birds without an egg censored.
//!
//! `cargo run --example onset_of_lay -- data-demo`

use std::path::PathBuf;

use pinfeather::maturity::{LayRecords, lay_curves};
use pinfeather::study::Study;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args_os().nth(1);
    let folder = folder.map_or_else(|| PathBuf::from("data-demo"), PathBuf::from);
    let study = Study::read_folder(&folder)?;
    let records = LayRecords::of(&study);
    for curve in lay_curves(&records, 0.95, 1)? {
        let name = curve
            .strain
            .map_or("all birds", |strain| &records.strains[strain]);
        let half = curve
            .ages
            .iter()
            .find(|age| age.share_pct.total_cmp(&50.0).is_eq());
        let age = half.and_then(|half| Some((half.age_d?, half.lower_d?, half.upper_d?)));
        match age {
            Some((age_d, lower_d, upper_d)) => println!(
                "{name}: 50 % in lay at {age_d:.0} d ({lower_d:.0} to {upper_d:.0}), {} of {} laid",
                curve.laid, curve.n
            ),
            None => println!("{name}: {} of {} laid", curve.laid, curve.n),
        }
    }
    Ok(())
}
