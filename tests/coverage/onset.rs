//! Forecasts of first eggs of known truth: the intervals hold what they promise.

use pinfeather::maturity::{
    CueColumn, ForecastOptions, LayBird, LayRecords, Reading, forecast_onset,
};
use pinfeather::stats::time_to_event::EventTime;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};

/// Law of the scatter of ln days about the cue's prediction, all with an SD near 0.3.
#[derive(Debug, Clone, Copy)]
enum Scatter {
    Normal,
    Logistic,
    LeastExtreme,
}

impl Scatter {
    fn draw(self, random: &mut rand_chacha::ChaCha8Rng) -> f64 {
        let normal: f64 = StandardNormal.sample(random);
        let share: f64 = random.random_range(1e-12..1.0);
        match self {
            Self::Normal => 0.3 * normal,
            Self::Logistic => 0.17 * (share / (1.0 - share)).ln(),
            Self::LeastExtreme => 0.25 * (-(-share).ln_1p()).ln(),
        }
    }
}

/// ln days since the landmark = 3 - 0.2 x + scatter.
fn birds(seed: u64, n: usize, scatter: Scatter) -> LayRecords {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let mut records = LayRecords {
        strains: vec!["one".to_owned()],
        counted_from_d: 119.0,
        ..LayRecords::default()
    };
    let mut readings = Vec::new();
    for bird in 0..n {
        let x: f64 = StandardNormal.sample(&mut random);
        readings.push(Some(Reading {
            value: x,
            std_error: None,
        }));
        let days = (3.0 - 0.2 * x + scatter.draw(&mut random)).exp();
        records.birds.push(LayBird {
            name: bird.to_string(),
            strain: 0,
            first_egg: EventTime::Exact(days),
            entered: 0.0,
        });
    }
    records.cues.push(CueColumn {
        name: "x".to_owned(),
        readings,
    });
    records
}

fn as_ages(records: &LayRecords) -> LayRecords {
    let mut all = records.clone();
    all.counted_from_d = 0.0;
    for bird in &mut all.birds {
        bird.first_egg = EventTime::Exact(bird.first_egg.range().0 + records.counted_from_d);
    }
    all
}

/// Of many birds, the share with a property, and its standard error with flocks as what
/// varies independently: the birds of a flock share its estimated terms.
#[derive(Debug)]
struct Share {
    share: f64,
    error: f64,
}

impl Share {
    fn of(flocks: &[(f64, f64)]) -> Self {
        let birds: f64 = flocks.iter().map(|(n, _)| n).sum();
        let share = flocks.iter().map(|(_, with)| with).sum::<f64>() / birds;
        let squares = flocks.iter().map(|(n, with)| (with - share * n).powi(2));
        Self {
            share,
            error: squares.sum::<f64>().sqrt() / birds,
        }
    }

    fn is_within(&self, expected: f64, errors: f64) -> bool {
        (self.share - expected).abs() < errors * self.error
    }
}

/// Birds held by their 95 % interval, and birds that came before their median, in flocks
/// of `n` forecast when `laid` of them have laid.
fn simulated(
    scatter: Scatter,
    (n, laid): (usize, usize),
    seeds: std::ops::Range<u64>,
) -> (Share, Share) {
    let (mut held, mut early) = (Vec::new(), Vec::new());
    for seed in seeds {
        let records = birds(seed, n, scatter);
        let mut days: Vec<f64> = records
            .birds
            .iter()
            .map(|bird| bird.first_egg.range().0)
            .collect();
        days.sort_by(f64::total_cmp);
        let options = ForecastOptions {
            // On the day of an egg: an age that looks at the next one would not be fair.
            as_of_d: 119.0 + days[laid - 1] + 1e-9,
            confidence: 0.95,
            seed: 1,
        };
        let found = forecast_onset(&as_ages(&records), &records, &options).unwrap();
        let (mut within, mut before) = (0.0, 0.0);
        for bird in &found.birds {
            let Some(EventTime::Exact(egg_d)) = bird.came else {
                panic!("{bird:?}");
            };
            within += f64::from(u8::from(bird.interval_d.contains(egg_d)));
            before += f64::from(u8::from(
                bird.median_d.is_none_or(|median_d| egg_d < median_d),
            ));
        }
        assert_eq!(found.birds.len(), n - laid);
        held.push(((n - laid) as f64, within));
        early.push(((n - laid) as f64, before));
    }
    (Share::of(&held), Share::of(&early))
}

/// 95 of 100 birds come within their interval and half before their median, of log-normal
/// first eggs, within three standard errors (chance 1 in 370 each).
///
/// Sixty flocks see a lean of 5 or more in a hundred. Of 400 flocks 46.8 (se 0.6) came before
/// their median: medians lean early by three in a hundred, as the Weibull law, which the
/// data seldom rule out, has the shorter tail. By a Weibull truth they lean late, by eight.
///
/// With the terms' normal law about the single model of least AIC the share is 93 % here and
/// 88 % where one bird in seven has laid.
#[test]
fn intervals_hold_what_they_say_and_medians_lean_little() {
    let (held, before) = simulated(Scatter::Normal, (60, 33), 0..60);
    assert!(held.is_within(0.95, 3.0), "{held:?}");
    assert!(before.is_within(0.5, 3.0), "{before:?}");
}

/// Many flocks, by each law, half laid and early. Where the few first eggs do not determine the
/// law, no forecast can be right for all: the bounds are the shares to which that leads,
/// as found by the same averaging written again in Python (numpy, SciPy; terms by
/// importance resampling in place of a chain) with 150 to 200 flocks of each, to what the
/// theory promises, give or take three standard errors of both.
#[test]
#[ignore = "minutes"]
fn intervals_of_many_flocks() {
    for (scatter, flock, held_in, before_in) in [
        (Scatter::Normal, (60, 33), (0.947, 0.95), (0.499, 0.50)),
        (Scatter::Logistic, (60, 33), (0.93, 0.93), (0.50, 0.502)),
        (
            Scatter::LeastExtreme,
            (60, 33),
            (0.966, 0.966),
            (0.547, 0.547),
        ),
        (Scatter::Normal, (135, 20), (0.943, 0.95), (0.476, 0.50)),
    ] {
        let (held, before) = simulated(scatter, flock, 1000..1400);
        println!("{scatter:?}, {flock:?}: held {held:.4?}, before their median {before:.4?}");
        // Python's shares have errors too, of half as many flocks.
        let room = |share: &Share| 3.0 * share.error * 3.0_f64.sqrt();
        let inside = |share: &Share, (least, most): (f64, f64)| {
            share.share > least - room(share) && share.share < most + room(share)
        };
        assert!(inside(&held, held_in), "{held:?}");
        assert!(inside(&before, before_in), "{before:?}");
    }
}

#[test]
fn no_forecast_without_a_bird_that_laid_or_one_that_waits() {
    let records = birds(1, 30, Scatter::Normal);
    let at = |as_of_d: f64| {
        let options = ForecastOptions {
            as_of_d,
            confidence: 0.95,
            seed: 1,
        };
        forecast_onset(&as_ages(&records), &records, &options).map(|_| ())
    };
    assert!(
        at(120.0)
            .unwrap_err()
            .contains("no bird had laid between the landmark")
    );
    assert!(
        at(400.0)
            .unwrap_err()
            .contains("no bird was seen and not laying")
    );
}
