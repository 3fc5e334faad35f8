//! Limits cover their estimate, and a log-likelihood belongs to the test beside it.

use pinfeather::maturity::{LayBird, LayRecords, lay_curves};
use pinfeather::stats::time_to_event::EventTime;
use rand::{Rng, SeedableRng};

#[test]
fn the_limits_of_a_share_in_lay_cover_it() {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(8);
    for birds in [3_u32, 8, 30] {
        for _ in 0..5 {
            let bird = |at: u32| {
                let egg_d = random.random_range(120..150_u32);
                let looked_d = f64::from(egg_d / 7 * 7);
                LayBird {
                    name: format!("b{at}"),
                    strain: 0,
                    first_egg: if at % 5 == 4 {
                        EventTime::After(looked_d)
                    } else {
                        EventTime::Between(looked_d, looked_d + 7.0)
                    },
                    entered: 0.0,
                }
            };
            let records = LayRecords {
                birds: (0..birds).map(bird).collect(),
                strains: vec!["all".to_owned()],
                cues: Vec::new(),
                counted_from_d: 0.0,
            };
            for curve in lay_curves(&records, 0.95, 1).unwrap() {
                for point in &curve.points {
                    let covers = point
                        .interval
                        .is_none_or(|limits| limits.contains(point.share));
                    assert!(covers, "{point:?}");
                }
                for age in &curve.ages {
                    if let Some(age_d) = age.age_d {
                        let low = age.lower_d.is_none_or(|lower_d| lower_d <= age_d);
                        let high = age.upper_d.is_none_or(|upper_d| upper_d >= age_d);
                        assert!(low && high, "{age:?}");
                    }
                }
            }
        }
    }
}
