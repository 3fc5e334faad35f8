//! Forecasts, their backtest and the watch for departures birds on flocks drawn from a known
//! population: intervals have their coverage, and false alarms their rate.

use std::sync::Arc;

use pinfeather::fit::mixed::{
    Correlation, GroupedTerms, MixedOptions, Population, PopulationNumbers, RandomTerm, Subjects,
};
use pinfeather::fit::{Settings, Variance};
use pinfeather::flock::{
    FlockForecasts, FlockLevel, ForecastFrom, ForecastOptions, departures, forecast,
};
use pinfeather::growth::built_in;
use pinfeather::study::{Bird, FixedEffectOf, Records, Study, Target};
use pinfeather::trajectory::{PopulationRequest, RandomTerms, Request};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Gompertz birds: A 1,800 g, k 0.03, ti 50 d in one strain, 5 percent more A in the other;
/// SDs of 7, 5 and 4 percent; residual SD 2 percent of the weight.
fn truth() -> Population {
    let options = MixedOptions {
        grouped: GroupedTerms::All,
        random: ["A", "k", "ti"].map(RandomTerm::natural).to_vec(),
        variance: Variance::Proportional,
        ..MixedOptions::default()
    };
    let spreads = [126.0, 0.0015, 2.0];
    let diagonal = (0..9).map(|at: usize| {
        if at / 3 == at % 3 {
            f64::powi(spreads[at / 3], 2)
        } else {
            0.0
        }
    });
    let numbers = PopulationNumbers {
        groups: 2,
        fixed: vec![1800.0, 1890.0, 0.03, 0.03, 50.0, 50.0],
        fixed_covariance: vec![0.0; 36],
        random_covariance: diagonal.collect(),
        sigma: 0.02,
        power: None,
        ar1: None,
        subjects: 1000,
        observations: 10_000,
    };
    Population::new(built_in("gompertz").unwrap(), &options, &numbers).unwrap()
}

/// A flock with this number of birds a strain, weighed each week.
fn flock(birds: usize, weeks: usize, seed: u64) -> Study {
    let all = 2 * birds;
    let starts: Vec<usize> = (0..=all).map(|bird| bird * weeks).collect();
    let ages_d: Vec<f64> = (0..all * weeks)
        .map(|at| 7.0 * f64::from(u8::try_from(at % weeks + 1).unwrap()))
        .collect();
    let groups: Vec<usize> = (0..all).map(|bird| bird / birds).collect();
    let none = vec![0.0; ages_d.len()];
    let subjects = Subjects::new(&starts, &ages_d, &none, &groups).unwrap();
    let values = truth().simulate(&subjects, &mut ChaCha8Rng::seed_from_u64(seed));
    Study {
        birds: (0..all)
            .map(|bird| Bird {
                name: format!("b{bird}"),
                strain: bird / birds,
                pen: None,
                treatment: None,
                block: None,
                hatch_date: None,
            })
            .collect(),
        strains: vec!["Line 1".to_owned(), "Line 2".to_owned()],
        traits: vec![Records {
            name: "body_weight".to_owned(),
            rows: vec![0; values.len()],
            starts,
            ages_d,
            values,
            ..Records::default()
        }],
        targets: vec![target("body_weight", |age_d| {
            1800.0 * (-(-0.03 * (age_d - 50.0)).exp()).exp()
        })],
        ..Study::default()
    }
}

/// A weekly target of all strains, without a band.
fn target(trait_name: &str, grams: impl Fn(f64) -> f64) -> Target {
    let ages_d: Vec<f64> = (1..=30).map(|week| 7.0 * f64::from(week)).collect();
    Target {
        strain: None,
        trait_name: trait_name.to_owned(),
        target_g: ages_d.iter().map(|age_d| grams(*age_d)).collect(),
        lower_g: vec![f64::NAN; ages_d.len()],
        upper_g: vec![f64::NAN; ages_d.len()],
        ages_d,
    }
}

/// Forecasts from a flock's data, with the flock's models chosen.
fn forecasts(known: &Study, request: &Request, as_of_d: f64, ages_d: &[f64]) -> FlockForecasts {
    let options = ForecastOptions {
        as_of_d,
        ages_d: ages_d.to_vec(),
        named_ages_d: Vec::new(),
        confidence: 0.95,
    };
    let from = ForecastFrom {
        request,
        models: &[],
        saved: None,
    };
    forecast(known, &from, &options, &|| {}).unwrap()
}

fn request() -> Request {
    Request {
        curves: vec![built_in("gompertz").unwrap() as Arc<_>],
        birds: false,
        strains: false,
        population: Some(PopulationRequest::chosen(vec![FixedEffectOf::Strain])),
        settings: Settings::default(),
        correlation: Correlation::None,
        hatch_weight_g: None,
    }
}

/// Intervals of birds and of strain means, `weeks` weeks after twelve, over flocks: those
/// that held what came, and all.
fn coverage(flocks: u64, weeks: usize) -> [(usize, usize); 2] {
    let mut held = [(0, 0); 2];
    let request = request();
    for seed in 0..flocks {
        let study = flock(24, 12 + weeks, seed);
        let known = study.as_of(84.0);
        let age_d = 84.0 + 7.0 * f64::from(u8::try_from(weeks).unwrap());
        let traits = forecasts(&known, &request, 84.0, &[age_d]).traits;
        let last = |bird: usize| *study.traits[0].of(bird).1.last().unwrap();
        for row in &traits[0].rows {
            let came = match (row.level, row.bird, row.strain) {
                (FlockLevel::Bird, Some(bird), _) => last(bird),
                (FlockLevel::Strain, _, Some(strain)) => {
                    study.birds_of(strain).map(last).sum::<f64>() / 24.0
                }
                _ => continue,
            };
            let (lower, upper) = row.interval_g.unwrap();
            let side = usize::from(row.level == FlockLevel::Strain);
            held[side].0 += usize::from(lower <= came && came <= upper);
            held[side].1 += 1;
        }
    }
    held
}

fn percent((held, all): (usize, usize)) -> f64 {
    100.0 * f64::from(u32::try_from(held).unwrap()) / f64::from(u32::try_from(all).unwrap())
}

#[test]
fn intervals_of_birds_and_of_means_hold_as_often_as_they_say() {
    for weeks in [2, 6] {
        let [birds, means] = coverage(40, weeks);
        let (birds, means) = (percent(birds), percent(means));
        println!("{weeks} weeks ahead: birds {birds:.1} %, means {means:.1} % of 95 %");
        // 1,920 birds in 40 flocks, alike within a flock: a standard error of some 0.8; and 80
        // means: of 2.4. Three of each below; no more is claimed above, since the mixture of
        // predictors holds their differences too: these flocks have one phase and a target
        // that is carried on less precisely than the flocks' curve (birds 99 to 100 %).
        assert!(birds >= 92.5, "birds {weeks}: {birds}");
        assert!(means >= 87.5, "means {weeks}: {means}");
    }
}

#[test]
#[ignore = "minutes: the same over 400 flocks"]
fn intervals_over_many_flocks() {
    for weeks in [1, 2, 4, 8] {
        let [birds, means] = coverage(400, weeks);
        let (birds, means) = (percent(birds), percent(means));
        println!("{weeks} weeks ahead: birds {birds:.1} %, means {means:.1} % of 95 %");
        assert!(birds >= 94.0, "birds {weeks}: {birds}");
        assert!(means >= 92.0, "means {weeks}: {means}");
    }
}

/// A pre-lay spurt is foreseen by a curve that has one, and by no other. Birds grow on two
/// phases, the second with its inflection at 120 d; forecast from 126 d to 147 d.
#[test]
fn a_spurt_is_foreseen_by_two_phases_and_by_one_it_is_missed() {
    let options = MixedOptions {
        grouped: GroupedTerms::All,
        random: vec![RandomTerm::natural("A1")],
        variance: Variance::Proportional,
        ..MixedOptions::default()
    };
    let numbers = PopulationNumbers {
        groups: 1,
        // A1, k1, ti1, A2, k2, ti2: fat of an early line, in g.
        fixed: vec![120.0, 0.035, 60.0, 60.0, 0.09, 120.0],
        fixed_covariance: vec![0.0; 36],
        random_covariance: vec![15.0 * 15.0],
        sigma: 0.03,
        power: None,
        ar1: None,
        subjects: 1000,
        observations: 10_000,
    };
    let two = Population::new(built_in("two-phase-gompertz").unwrap(), &options, &numbers);
    let two = two.unwrap();
    let (birds, scans) = (60, 8);
    let ages = [21.0, 42.0, 49.0, 63.0, 84.0, 105.0, 126.0, 147.0];
    let starts = |own: usize| -> Vec<usize> { (0..=birds).map(|bird| bird * own).collect() };
    let groups = vec![0; birds];
    let all_ages = ages.repeat(birds);
    let blank = vec![0.0; all_ages.len()];
    let (all_starts, known_starts) = (starts(scans), starts(scans - 1));
    let drawn = Subjects::new(&all_starts, &all_ages, &blank, &groups).unwrap();
    let values = two.simulate(&drawn, &mut ChaCha8Rng::seed_from_u64(3));
    let known: Vec<f64> = values
        .chunks(scans)
        .flat_map(|own| own[..scans - 1].to_vec())
        .collect();
    let known_ages = ages[..scans - 1].repeat(birds);
    let seen = Subjects::new(&known_starts, &known_ages, &known, &groups).unwrap();
    let curve = built_in("gompertz").unwrap() as Arc<_>;
    let one_phase = MixedOptions {
        random: vec![RandomTerm::natural("A")],
        variance: Variance::Constant,
        ..options
    };
    let model = pinfeather::fit::mixed::MixedModel::new(&*curve, &one_phase).unwrap();
    let outcome = model.fit(&seen);
    let fitted = outcome
        .fit()
        .unwrap_or_else(|| panic!("{:?}", outcome.reasons()));
    let one = fitted.population(&model, &curve);
    let bias = |population: &Population| {
        let forecasts = population.forecast(&seen, |_| &[147.0]).unwrap();
        let errors = (0..birds).map(|bird| {
            let came = values[bird * scans + scans - 1];
            forecasts.of(bird, 0).unwrap().value / came - 1.0
        });
        100.0 * errors.sum::<f64>() / f64::from(u8::try_from(birds).unwrap())
    };
    let (two, one) = (bias(&two), bias(&one));
    println!("bias at 147 d: two phases {two:.1} %, one {one:.1} %");
    // A scan errs by 3 %, a bird's curve by less: the mean of 60 has a standard error of 0.5:
    // three of them for no bias, and as many for one.
    assert!(two.abs() < 1.5, "{two}");
    assert!(one < -1.5, "{one}");
}

#[test]
fn the_backtest_counts_every_hidden_weighing_once_a_week() {
    let study = flock(24, 16, 7);
    let tested = forecasts(&study, &request(), 112.0, &[119.0]).backtests;
    // As of 56, 77 and 98 d: every third week from the middle of 7 to 112 d.
    assert_eq!(tested.weights.len(), (8 + 5 + 2) * 48);
    let rows = tested.rows;
    let n: Vec<(FlockLevel, f64, usize)> = rows
        .iter()
        .map(|row| (row.level, row.horizon_d, row.n))
        .collect();
    let ages = [3, 3, 2, 2, 2, 1, 1, 1];
    let expected = |level, birds: usize| {
        let weeks = (1..=8_u8).zip(ages);
        weeks.map(move |(week, ages)| (level, 7.0 * f64::from(week), ages * birds))
    };
    let all: Vec<_> = expected(FlockLevel::Bird, 48)
        .chain(expected(FlockLevel::Strain, 2))
        .collect();
    assert_eq!(n, all);
    for row in rows.iter().filter(|row| row.level == FlockLevel::Bird) {
        // The weighing alone errs by 2 percent, the forecast by little more at first.
        let most = 4.0 + 0.05 * row.horizon_d;
        assert!((1.5..most).contains(&row.percent.rmse), "{row:?}");
        assert!(row.percent.bias.abs() < 2.0, "{row:?}");
        assert!((85.0..=100.0).contains(&row.coverage_pct), "{row:?}");
    }
}

/// Fat of 48 birds scanned every third week, of a scanner with a stated relative error;
/// from 105 d on, a spurt that no curve of one phase follows.
fn scanned(error: f64) -> Study {
    let mut study = flock(24, 7, 11);
    let mut random = ChaCha8Rng::seed_from_u64(12);
    let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
    let fat = &mut study.traits[0];
    fat.name = "fat".to_owned();
    for bird in 0..48 {
        let own = (0.08 * normal()).exp();
        for at in 7 * bird..7 * (bird + 1) {
            fat.ages_d[at] *= 3.0;
            let spurt = if fat.ages_d[at] > 105.0 { 1.35 } else { 1.0 };
            let typical = 150.0 * (-(-0.03 * (fat.ages_d[at] - 60.0)).exp()).exp();
            fat.values[at] = own * spurt * typical * (error * normal()).exp();
        }
    }
    study.targets = vec![target("fat", |age_d| {
        150.0 * (-(-0.03 * (age_d - 60.0)).exp()).exp()
    })];
    let fat = &mut study.traits[0];
    fat.variances = fat
        .values
        .iter()
        .map(|value| (error * value).powi(2))
        .collect();
    study
}

#[test]
fn masses_that_know_their_errors_are_weighted_by_these_alone_and_tested_scan_by_scan() {
    let study = scanned(0.03);
    let all = forecasts(&study, &request(), 147.0, &[154.0]);
    let population = all.traits[0].population.as_ref().unwrap();
    assert_eq!(population.population.options().variance, Variance::Constant);
    let birds = all.backtests.rows;
    let birds = birds.iter().filter(|row| row.level == FlockLevel::Bird);
    let n: Vec<(f64, usize)> = birds.map(|row| (row.horizon_d, row.n)).collect();
    // As of 126, 105 and 84 d: scans are three weeks apart, and no week without one is reported.
    assert_eq!(n, [(21.0, 3 * 48), (42.0, 2 * 48), (63.0, 48)]);
}

#[test]
fn fewer_ages_than_terms_give_no_population_of_its_own() {
    let of_weeks = |weeks: usize| {
        let study = flock(12, weeks, 9);
        let all = forecasts(&study, &request(), 14.0, &[21.0]);
        all.traits[0].population.clone().map(|_| ())
    };
    let reason = of_weeks(2).unwrap_err();
    assert!(
        reason.starts_with(
            "gompertz: measured at 2 ages, and the curve has 3 terms; give a population"
        ),
        "{reason}"
    );
}

#[test]
fn a_spread_that_takes_up_what_the_curve_misses_is_reported() {
    let mut study = scanned(0.003);
    study.traits[0].variances.clear();
    let mut request = request();
    if let Some(wanted) = &mut request.population {
        wanted.random = RandomTerms::Named(vec!["A".to_owned()]);
        wanted.variance = Some(Variance::Power);
    }
    let fits = pinfeather::trajectory::Trajectories::fit(&study, &request, &|_| {});
    let fit = fits.models[0].growth().unwrap();
    let reasons = fit.outcome.reasons().join("; ");
    println!(
        "power {:?}",
        fit.outcome.fit().map(|fit| fit.variance_power())
    );
    assert!(
        reasons.contains("the residual spread grows with more than the power 2 of the mean"),
        "{reasons}"
    );
}

#[test]
fn false_alarms_are_as_rare_as_stated_and_a_bird_that_stops_growing_is_found() {
    let watch = |study: &Study, false_alarms: f64| {
        let fits = pinfeather::trajectory::Trajectories::fit(study, &request(), &|_| {});
        let fit = fits.models[0].fitted().unwrap();
        let population = fit.bird_population(study, &[FixedEffectOf::Strain]);
        let population = population.unwrap().unwrap();
        departures(study, 0, Ok(&population), &[], false_alarms).unwrap()
    };
    let (mut alarms, mut birds) = (0, 0);
    for seed in 100..120 {
        let study = flock(24, 14, seed);
        let watch = watch(&study, 0.05);
        alarms += watch.departures.len();
        birds += watch.birds;
    }
    let rate = percent((alarms, birds));
    println!("false alarms {rate:.2} % of 5 %");
    // 960 birds: a standard error of 0.7; that the terms are fitted to the same weighings
    // makes alarms somewhat rarer, so the lower side is wide.
    assert!((1.5..=7.1).contains(&rate), "{rate}");

    let mut study = flock(24, 14, 5);
    // From the tenth weighing on, bird 3 gains nothing.
    let records = &mut study.traits[0];
    let first = records.starts[3];
    let stuck = records.values[first + 9];
    records.values[first + 10..first + 14].fill(stuck);
    let watch = watch(&study, 0.01);
    let found = watch.departures.iter().find(|row| row.bird == 3).unwrap();
    assert!(found.falling && found.lasting, "{found:?}");
    // Stuck from 77 d on: found within three weighings.
    assert!((77.0..=98.0).contains(&found.alarm_d), "{found:?}");
    assert!(watch.departures.len() <= 3, "{:?}", watch.departures);
}
