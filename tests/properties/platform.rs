//! Platform scales of one simulated flock, read as a user would: what is recovered, and what
//! is reported where nothing calibrates the scale. `tests/coverage/platform.rs` has 200 flocks of
//! each kind.

use pinfeather::flock::platform::{Load, Platform, PlatformOptions};
use pinfeather::study::Study;

use crate::support::platform::{World, write};

const OPTIONS: PlatformOptions = PlatformOptions {
    within_pct: 10.0,
    confidence: 0.95,
};

fn platform(world: &World) -> (Vec<(f64, f64)>, Platform) {
    let folder = tempfile::tempdir().unwrap();
    let truth = write(folder.path(), world, 11);
    let study = Study::read_folder(folder.path()).unwrap_or_else(|error| panic!("{error}"));
    let platform = Platform::of(&study, &OPTIONS).unwrap().unwrap();
    let pairs = truth.iter().map(|true_day| {
        let same = |day: &&pinfeather::flock::platform::PlatformDay| {
            day.scale == true_day.scale && day.age_d == Some(true_day.age_d)
        };
        let day = platform.days.iter().find(same).unwrap();
        (true_day.mean_g, day.weights.unwrap().mean_g.value)
    });
    (pairs.collect(), platform)
}

fn bias(pairs: &[(f64, f64)]) -> f64 {
    let logs = pairs.iter().map(|(truth, found)| (found / truth).ln());
    logs.sum::<f64>() / pairs.len() as f64
}

#[test]
fn a_calibrated_stream_recovers_the_mean_and_its_loads() {
    let world = World {
        days: 21,
        records_a_day: 300,
        ..World::USUAL
    };
    let (pairs, platform) = platform(&world);
    assert!(bias(&pairs).abs() < 0.01, "{}", bias(&pairs));
    let shares = platform.shares();
    for (load, truth) in [
        (Load::Two, world.double),
        (Load::Empty, world.empty),
        (Load::Part, world.part),
    ] {
        let found = shares[load as usize];
        assert!((found - truth).abs() < 0.01, "{load:?}: {found}");
    }
    let rise = platform.rise.unwrap();
    // 2.5 % over ten hours.
    assert!((rise.pct_per_h - 0.25).abs() < 4.0 * rise.standard_error);
    assert!(
        platform
            .days
            .iter()
            .all(|day| day.weights.unwrap().calibrated)
    );
}

#[test]
fn litter_on_the_platform_is_taken_off_and_reported() {
    let world = World {
        days: 14,
        records_a_day: 300,
        litter_g: 30.0,
        ..World::USUAL
    };
    let (pairs, platform) = platform(&world);
    assert!(bias(&pairs).abs() < 0.01, "{}", bias(&pairs));
    let last = platform.last_of(0).unwrap();
    assert!((last.tare_g.unwrap() - 30.0).abs() < 2.0);
    assert!(
        platform
            .warnings
            .iter()
            .any(|line| line.contains("the empty platform reads"))
    );
}

#[test]
fn without_hand_weighed_birds_the_stream_is_marked_as_biased() {
    let world = World {
        hand: 0,
        days: 10,
        records_a_day: 300,
        visits_by_weight: -3.0,
        ..World::USUAL
    };
    let (_, platform) = platform(&world);
    assert!(platform.calibration.is_none());
    assert!(
        platform
            .days
            .iter()
            .all(|day| !day.weights.unwrap().calibrated)
    );
}
