//! Treatments without any effect, given to pens: how often a comparison finds one.

use std::sync::Arc;

use pinfeather::contrast::{Adjust, Request, Source, compare};
use pinfeather::fit::Settings;
use pinfeather::growth::{Curve, built_in};
use pinfeather::study::{Bird, FixedEffectOf, Records, Study, Unit};
use pinfeather::trajectory::{PopulationRequest, TraitModel};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use rayon::prelude::*;

const TREATMENTS: usize = 2;
const AGES_D: [f64; 4] = [28.0, 56.0, 84.0, 126.0];

/// Pens of a treatment, birds of a pen, and in what pens differ.
#[derive(Debug, Clone, Copy)]
struct Pens {
    pens: usize,
    birds: usize,
    /// SD between pens of ln A and of ln k.
    sds: [f64; 2],
}

/// Birds weighed every fortnight; birds differ by 7 % in A, 5 % in k and 3 % in ti, the
/// residual SD is 2 % of the weight.
fn study(pens: Pens, random: &mut ChaCha8Rng) -> Study {
    let curve = built_in("gompertz").expect("curve");
    let mut normal = |sd: f64| -> f64 { sd * random.sample::<f64, _>(StandardNormal) };
    let mut study = Study {
        strains: vec!["one strain".into()],
        treatments: (1..=TREATMENTS).map(|one| format!("diet {one}")).collect(),
        pens: (1..=TREATMENTS * pens.pens)
            .map(|pen| format!("pen {pen}"))
            .collect(),
        ..Study::default()
    };
    let mut records = Records {
        name: "body_weight".to_owned(),
        starts: vec![0],
        ..Records::default()
    };
    for pen in 0..TREATMENTS * pens.pens {
        let of_pen = pens.sds.map(&mut normal);
        for _ in 0..pens.birds {
            let terms = [
                1500.0 * (of_pen[0] + normal(0.07)).exp(),
                0.033 * (of_pen[1] + normal(0.05)).exp(),
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
                block: None,
                hatch_date: None,
            });
        }
    }
    study.traits.push(records);
    study
}

/// What one study gives: P of each term and age with whether the interval covers no
/// difference, the least adjusted P, and P of the whole curves.
struct Found {
    rows: Vec<(String, f64, bool)>,
    least_adjusted: f64,
    whole: f64,
}

/// By the model of the trait, chosen as ever; `None` where there is none.
fn found(pens: Pens, seed: u64) -> Option<Found> {
    let curve: Arc<dyn Curve> = built_in("gompertz").expect("curve");
    let study = study(pens, &mut ChaCha8Rng::seed_from_u64(seed));
    let by = vec![FixedEffectOf::Treatment];
    let wanted = PopulationRequest::chosen(by.clone());
    let curves = [curve];
    let model = TraitModel::choose(&study, &study.traits[0], 0, (&curves, None), &wanted)?;
    assert_eq!(
        model.design.as_ref().map(|design| design.unit),
        Some(Unit::Pen)
    );
    model.fitted()?;
    let request = Request {
        curves: curves.to_vec(),
        by,
        source: Source::Mixed,
        terms: Vec::new(),
        adjust: Adjust::MaxT,
        confidence: 0.95,
        ages_d: AGES_D.to_vec(),
        masses_g: Vec::new(),
        settings: Settings::default(),
        hatch_weight_g: None,
        replicates: 0,
        seed,
    };
    let comparison = compare(&study, &[model], &request, &|_| {}).ok()?;
    let compared = &comparison.compared[0];
    let rows: Vec<(String, f64, bool)> = compared
        .contrasts
        .iter()
        .filter(|row| !row.term.starts_with("rate_") && !row.term.starts_with("relative_"))
        .filter_map(|row| Some((row.term.clone(), row.p_value?, row.interval?.contains(0.0))))
        .collect();
    let of_terms = compared
        .contrasts
        .iter()
        .filter(|row| !row.term.contains("_at_"));
    let least = of_terms
        .filter_map(|row| row.p_adjusted)
        .fold(1.0, f64::min);
    Some(Found {
        rows,
        least_adjusted: least,
        whole: compared.tests.first().map_or(1.0, |test| test.p_value),
    })
}

/// Shares of studies, %: P below 0.05 of each row, any adjusted P, the whole curves.
fn shares(name: &str, pens: Pens, studies: u64) -> (Vec<(String, f64)>, f64, f64) {
    let all: Vec<Found> = (0..studies)
        .into_par_iter()
        .filter_map(|seed| found(pens, seed))
        .collect();
    let count = all.len() as f64;
    let share = |is: &dyn Fn(&Found) -> bool| {
        100.0 * all.iter().filter(|one| is(one)).count() as f64 / count
    };
    let names: Vec<String> = all[0].rows.iter().map(|row| row.0.clone()).collect();
    let rows: Vec<(String, f64)> = names
        .into_iter()
        .map(|name| {
            let of: Vec<f64> = all
                .iter()
                .filter_map(|one| one.rows.iter().find(|row| row.0 == name))
                .map(|row| row.1)
                .collect();
            let below = of.iter().filter(|p| **p < 0.05).count();
            (name, 100.0 * below as f64 / of.len() as f64)
        })
        .collect();
    let any = share(&|one| one.least_adjusted < 0.05);
    let whole = share(&|one| one.whole < 0.05);
    println!("{name}: {count} of {studies} studies, {pens:?}");
    for (row, share) in &rows {
        println!("  P < 0.05, {row}: {share:.2} %");
    }
    println!("  any term adjusted {any:.2} %, whole curves {whole:.2} %");
    (rows, any, whole)
}

fn studies() -> u64 {
    std::env::var("COVERAGE_STUDIES")
        .ok()
        .and_then(|count| count.parse().ok())
        .unwrap_or(400)
}

/// Shares must be 3 to 7 %, three standard errors allowed; an adjusted row of any
/// term in at most 7 %.
#[test]
#[ignore = "thousands of fits: run with --ignored"]
fn treatments_without_effect_are_found_in_one_of_twenty() {
    let studies = studies();
    let error = 3.0 * 100.0 * (0.05 * 0.95 / studies as f64).sqrt();
    let four = Pens {
        pens: 4,
        birds: 8,
        sds: [0.03, 0.0],
    };
    let (rows, any, whole) = shares("four pens", four, studies);
    for (row, share) in &rows {
        assert!(
            (3.0 - error..=7.0 + error).contains(share),
            "{row}: {share}"
        );
    }
    assert!(any <= 7.0 + error && whole <= 7.0 + error, "{any} {whole}");
    shares(
        "eight pens",
        Pens {
            pens: 8,
            birds: 4,
            sds: [0.03, 0.0],
        },
        studies,
    );
    shares(
        "pens alike",
        Pens {
            pens: 4,
            birds: 8,
            sds: [0.0, 0.0],
        },
        studies,
    );
    shares(
        "pens differ in k too",
        Pens {
            pens: 4,
            birds: 8,
            sds: [0.03, 0.02],
        },
        studies,
    );
}
