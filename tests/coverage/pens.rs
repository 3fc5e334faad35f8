//! Treatments without any effect, given to pens: how often a comparison finds one.

use pinfeather::fit::Variance;
use pinfeather::fit::mixed::{
    Criterion, GroupedTerms, MixedFit, MixedModel, MixedOptions, RandomTerm,
};
use pinfeather::growth::{Curve, built_in};
use pinfeather::stats::distribution::t_two_sided;
use pinfeather::study::{Bird, FixedEffectOf, Records, Study, Unit};
use pinfeather::trajectory::{Cohort, Design, pen_terms};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

const TREATMENTS: usize = 2;
const PENS: usize = 4;
const BIRDS: usize = 8;
const STUDIES: u64 = 400;
const PEN_SD: f64 = 0.03;
const AGES_D: [f64; 4] = [28.0, 56.0, 84.0, 126.0];

/// Birds of pens that differ by 3 % in weight, weighed every fortnight; birds differ by
/// 7 % in A, 5 % in k and 3 % in ti, the residual SD is 2 % of the weight.
fn study(random: &mut ChaCha8Rng) -> (Study, Records) {
    let curve = built_in("gompertz").expect("curve");
    let mut normal = |sd: f64| -> f64 { sd * random.sample::<f64, _>(StandardNormal) };
    let mut study = Study {
        strains: vec!["one strain".into()],
        treatments: (1..=TREATMENTS).map(|one| format!("diet {one}")).collect(),
        pens: (1..=TREATMENTS * PENS)
            .map(|pen| format!("pen {pen}"))
            .collect(),
        ..Study::default()
    };
    let mut records = Records {
        starts: vec![0],
        ..Records::default()
    };
    for pen in 0..TREATMENTS * PENS {
        let of_pen = normal(PEN_SD);
        for _ in 0..BIRDS {
            let terms = [
                1500.0 * (of_pen + normal(0.07)).exp(),
                0.033 * normal(0.05).exp(),
                52.0 * normal(0.03).exp(),
            ];
            for week in (0..=22).step_by(2) {
                let age_d = 7.0 * f64::from(week);
                records.ages_d.push(age_d);
                let value = curve.value(age_d, &terms) * (1.0 + normal(0.02));
                records.values.push(value);
            }
            records.starts.push(records.values.len());
            study.birds.push(Bird {
                name: study.birds.len().to_string(),
                strain: 0,
                pen: Some(pen),
                treatment: Some(pen % TREATMENTS),
                hatch_date: None,
            });
        }
    }
    (study, records)
}

/// P of the difference between the treatments in each term, and in the weight at each age.
fn p_values(curve: &dyn Curve, fit: &MixedFit, df: f64) -> Vec<f64> {
    let p = curve.terms().len();
    let count = fit.fixed.len();
    let (one, other) = (fit.group(0), fit.group(1));
    // Gradients in the terms of both, then P by the covariance of the fixed effects.
    let p_of = |difference: f64, a: &[f64], b: &[f64]| {
        let mut slope = vec![0.0; count];
        for (at, effect) in fit.fixed.iter().enumerate() {
            slope[at] = match effect.group {
                Some(0) => a[effect.term],
                _ => -b[effect.term],
            };
        }
        let mut variance = 0.0;
        for row in 0..count {
            for column in 0..count {
                variance += slope[row] * fit.fixed_covariance[row * count + column] * slope[column];
            }
        }
        t_two_sided(difference / variance.sqrt(), df)
    };
    let of_term = |term: usize| {
        let mut slope = vec![0.0; p];
        slope[term] = 1.0;
        p_of(one[term] - other[term], &slope, &slope)
    };
    let of_age = |age_d: &f64| {
        let (mut a, mut b) = (vec![0.0; p], vec![0.0; p]);
        let difference = curve.value_and_gradient(*age_d, one, &mut a)
            - curve.value_and_gradient(*age_d, other, &mut b);
        p_of(difference, &a, &b)
    };
    (0..p)
        .map(of_term)
        .chain(AGES_D.iter().map(of_age))
        .collect()
}

/// Of 400 studies (Monte Carlo error of one share 1.1 %): mean share of A and of the weights
/// 3 to 7 %. Pens differ in A alone here, but every quantity is tested with the pens' degrees
/// of freedom: k, ti and the weight at 28 d, which rest on birds, are found too seldom (1 to
/// 3 %), which costs power and no error.
#[test]
#[ignore = "400 fits: run with --ignored"]
fn treatments_without_effect_are_found_in_one_of_twenty() {
    let curve = built_in("gompertz").expect("curve");
    let log = |terms: &[String]| terms.iter().map(|term| RandomTerm::log(term)).collect();
    let with_pens = MixedOptions {
        grouped: GroupedTerms::All,
        random: log(&["A", "k", "ti"].map(str::to_owned)),
        cluster: log(&pen_terms(&*curve)),
        variance: Variance::Proportional,
        criterion: Criterion::RestrictedLikelihood,
        ..MixedOptions::default()
    };
    let birds_only = MixedOptions {
        cluster: Vec::new(),
        ..with_pens.clone()
    };
    let mut found = [vec![0.0; 3 + AGES_D.len()], vec![0.0; 3 + AGES_D.len()]];
    let mut fits = [0.0, 0.0];
    let mut sds = Vec::new();
    for seed in 0..STUDIES {
        let (study, records) = study(&mut ChaCha8Rng::seed_from_u64(seed));
        let cohort = Cohort::of(&study, &records, 0, &[FixedEffectOf::Treatment], |_| true);
        let design = Design::of(&study, &cohort).expect("pens within treatments");
        assert_eq!(
            (design.unit, design.df()),
            (Unit::Pen, TREATMENTS * (PENS - 1))
        );
        let subjects = cohort.subjects().expect("subjects");
        for (which, options) in [&with_pens, &birds_only].into_iter().enumerate() {
            let model = MixedModel::new(&*curve, options).expect("options");
            let Some(fit) = model.fit(&subjects).into_fit() else {
                continue;
            };
            sds.extend(fit.cluster.first().map(|pens| pens.standard_deviation));
            let df = fit.group_estimates(0).df as f64;
            for (found, p) in found[which].iter_mut().zip(p_values(&*curve, &fit, df)) {
                *found += f64::from(u8::from(p < 0.05));
            }
            fits[which] += 1.0;
        }
    }
    let shares = |which: usize| -> Vec<f64> {
        let each = found[which].iter();
        each.map(|found| 100.0 * found / fits[which]).collect()
    };
    println!("P < 0.05, % of {fits:?} studies: A, k, ti, weight at {AGES_D:?} d");
    println!("  pens as units  {:?}", shares(0));
    println!("  birds as units {:?}", shares(1));
    let mean = |of: &[f64]| of.iter().sum::<f64>() / of.len() as f64;
    println!(
        "  mean estimate of the pens' SD {:.4} ({PEN_SD})",
        mean(&sds)
    );
    assert!(fits[0] > 0.98 * STUDIES as f64);
    let by_pens = shares(0);
    let of_weight = mean(&[&by_pens[..1], &by_pens[3..]].concat());
    assert!((3.0..=7.0).contains(&of_weight), "{of_weight}");
    assert!(by_pens.iter().all(|share| *share <= 8.0), "{by_pens:?}");
    assert!(mean(&shares(1)[3..]) > 8.0, "birds as units would do");
}
