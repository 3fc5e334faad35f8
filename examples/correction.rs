//! Scans to masses: equations from a study's chemistry, tested on birds left out, and the
//! corrected masses with the error of each scan and the error that all scans share.
//!
//! `cargo run --example correction -- data-demo`

use std::path::PathBuf;

use pinfeather::analysis::{Options, Scans};
use pinfeather::study::Study;

fn main() -> pinfeather::Result<()> {
    let folder = std::env::args_os().nth(1);
    let folder = folder.map_or_else(|| PathBuf::from("data-demo"), PathBuf::from);
    let study = Study::read_folder(&folder)?;
    let scans = Scans::of(&study, &Options::of(&study)?)?;
    for chosen in scans.equations.iter().flat_map(|found| &found.chosen) {
        let calibration = &chosen.calibration;
        println!(
            "{}: error on birds left out {:.2} {}",
            calibration.equation.provenance.response,
            calibration.cross_validation.rmse.unwrap_or(f64::NAN),
            calibration.equation.provenance.unit
        );
    }
    for corrected in scans.masses.iter().flat_map(|masses| &masses.corrections) {
        let Some(first) = corrected.rows.first() else {
            continue;
        };
        println!(
            "{}: {} scans; the first {:.1} g, standard error {:.1} g, of which shared {:.1} g",
            corrected.trait_name,
            corrected.rows.len(),
            first.corrected,
            first.std_error.unwrap_or(f64::NAN),
            first.shared_error.unwrap_or(f64::NAN)
        );
    }
    Ok(())
}
