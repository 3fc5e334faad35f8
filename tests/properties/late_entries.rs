//! Weekly checks of birds of which some come under observation late: Turnbull's estimate with
//! entries is that of all birds, seen or not.

use pinfeather::stats::survival_curve::turnbull_entered;
use pinfeather::stats::time_to_event::EventTime;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, Normal};

/// Share with an event by an age, from the masses of stretches.
fn share_by(times: &[EventTime], entries: &[f64], age_d: f64) -> f64 {
    let masses = turnbull_entered(times, entries).unwrap();
    let by = masses.iter().filter(|mass| mass.stretch.upper <= age_d);
    by.map(|mass| mass.share).sum()
}

#[test]
fn shares_in_lay_are_those_of_all_birds_whoever_entered_late() {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(76);
    let law = Normal::new(140.0, 8.0).unwrap();
    let (mut times, mut entries) = (Vec::new(), Vec::new());
    while times.len() < 3_000 {
        let egg_d: f64 = law.sample(&mut random);
        // Three in four enter between 112 and 154 d, at a check; those laying by then are not
        // enrolled. Checks are a week apart, and stop at 154 d.
        let entry = match random.random_range(0..4_u32) {
            0 => 0.0,
            _ => 112.0 + 7.0 * f64::from(random.random_range(0..6_u32)),
        };
        let without = (egg_d / 7.0).floor() * 7.0;
        if without < entry {
            continue;
        }
        times.push(match without {
            seen if seen >= 154.0 => EventTime::After(154.0),
            seen => EventTime::Between(seen, seen + 7.0),
        });
        entries.push(if entry >= 154.0 { 0.0 } else { entry });
    }
    let none = vec![0.0; times.len()];
    for (age_d, share) in [
        (126.0, 0.0401),
        (133.0, 0.1908),
        (140.0, 0.5),
        (147.0, 0.8092),
    ] {
        // Normal distribution. 0.04: four standard errors of the few birds at risk early.
        let found = share_by(&times, &entries, age_d);
        assert!((found - share).abs() < 0.04, "{age_d} d: {found}, {share}");
    }
    // As if all had been watched from the start early birds are missing.
    let naive = share_by(&times, &none, 140.0);
    assert!(naive < 0.46, "{naive}");
}
