//! The fit of a mass by its allometry: the form is chosen, its variances are estimated, and
//! the curves of groups and birds follow with the errors of the weight model.

use std::collections::BTreeMap;
use std::sync::Arc;

use nalgebra::{DMatrix, DVector};

use super::candidate::{FittedForm, influences, prepare, rmse, shared_effect};
use super::choice::choose;
use super::egg::egg_offset;
use super::scans::Scans;
use super::{AllometricFit, BirdCurve, Columns, MOST_GROUPS, Options};
use crate::fit::estimable::Reach;
use crate::fit::mixed::{CovarianceError, Estimated, MixedFit};
use crate::growth::{AllometricCurve, Curve};
use crate::stats::linear_mixed::{Likelihood, LinearMixedFit};
use crate::study::{Records, Study};
use crate::trajectory::cohort::Cohort;
use crate::trajectory::population::PopulationFit;

/// The geometric mean weight at the scans to one digit, and their mean age to the day.
fn reference(scans: &Scans) -> (f64, f64) {
    let n = scans.rows.len() as f64;
    let log = scans.rows.iter().map(|row| row.weight_g.ln()).sum::<f64>() / n;
    let digit = 10f64.powf((log / std::f64::consts::LN_10).floor());
    let age_d = scans.rows.iter().map(|row| row.age_d).sum::<f64>() / n;
    ((log.exp() / digit).round() * digit, age_d.round())
}

pub(super) fn fit(
    study: &Study,
    records: &Records,
    (weight, weights): (&PopulationFit, &MixedFit),
    mut scans: Scans,
    shared: Option<&DMatrix<f64>>,
    options: &Options,
) -> std::result::Result<AllometricFit, String> {
    if scans.rows.is_empty() {
        return Err(match scans.left_out.keys().next() {
            Some(reason) => format!("no scan can be used: {reason}"),
            None => "there is no scan of a single bird".to_owned(),
        });
    }
    let reference = reference(&scans);
    let working = prepare(&mut scans, reference.0)?;
    let (form, choice) = choose(&scans, &working, reference)?;
    let full = form.fit(&scans, &working, Likelihood::Full)?;
    let fitted = form.fit(&scans, &working, Likelihood::Restricted)?;
    let of_eggs = shared.and_then(|shared| Some((shared, eggs_shared(records, shared.ncols())?)));
    let of_eggs = of_eggs.as_ref().map(|(shared, eggs)| (*shared, eggs));
    let egg_offset = egg_offset(&fitted, &scans, &working, of_eggs);
    let fitted = fitted.with_break(&scans);
    let factor = shared.map_or_else(
        || DMatrix::zeros(scans.rows.len(), 0),
        |shared| scans.log_factor(shared, &working.fitted_g),
    );
    let moved = shared_effect(&fitted, &factor);
    let covariance = &fitted.fit.covariance + &moved * moved.transpose();
    let curve = Arc::new(AllometricCurve::new(
        weight.curve.clone(),
        form.allometry.clone(),
    ));
    let layout = &fitted.layout;
    let groups = weight.cohort.groups.len();
    let columns_of = |group: usize| {
        let place = layout.groups.iter().position(|own| *own == group)?;
        let (_, slopes) = form.coefficients(layout, place, &fitted.fit.fixed);
        Some(layout.of_group(place).into_iter().zip(slopes).collect())
    };
    let columns: Vec<Option<Columns>> = (0..groups).map(columns_of).collect();
    let terms_of = |group: usize| {
        let place = layout.groups.iter().position(|own| *own == group)?;
        let (own, _) = form.coefficients(layout, place, &fitted.fit.fixed);
        Some([weights.group(group), &own].concat())
    };
    let group_terms: Vec<Option<Vec<f64>>> = (0..groups).map(terms_of).collect();
    let joint_covariance = joint_covariance(weights, &columns, &covariance, curve.terms().len());
    let random = fitted.fit.random_variances.iter().copied().enumerate();
    let mut random = random.map(|(k, v)| (v > 0.0).then(|| sd(&fitted.fit, k + 1, v)));
    let birds = birds(
        weights,
        weight,
        &fitted,
        &scans,
        (&factor, &moved),
        &group_terms,
    );
    let of_birds = scans.starts.iter().zip(influences(&fitted));
    let influences = of_birds.map(|(first, effect)| (scans.rows[*first].bird, effect));
    let known = study.traits.iter().position(|own| own.name == records.name);
    let df = scans.birds().saturating_sub(layout.groups.len()).max(1);
    Ok(AllometricFit {
        covariance_error: covariance_error(weights, &joint_covariance, df),
        trait_name: records.name.clone(),
        curve,
        cohort: Arc::new(Cohort::of(
            study,
            records,
            known.unwrap_or(study.traits.len()),
            &options.groups,
            |_| true,
        )),
        weight_cohort: weight.cohort.clone(),
        group_terms,
        joint_covariance,
        birds,
        reaches: reaches(&scans, groups),
        log_lik: full.mass_log_lik(&scans),
        n: scans.rows.len(),
        birds_scanned: scans.birds(),
        parameters: choice
            .iter()
            .find(|row| row.chosen)
            .map_or(full.fit.parameters, |row| row.parameters),
        df,
        bird_sd: random.next().flatten(),
        bird_slope_sd: random.next().flatten(),
        bird_bend_sd: random.next().flatten(),
        residual_sd: sd(&fitted.fit, 0, fitted.fit.residual_variance),
        egg_effect: egg_effect(&fitted, &covariance),
        egg_weight: scans.egg_weight,
        egg_offset,
        left_out_rmse: rmse(&full.last_scans()),
        influences: influences.collect(),
        left_out: std::mem::take(&mut scans.left_out),
        scans: scans.rows,
        choice,
        shared: moved,
        columns,
    })
}

/// The SD of a variance, by its place among [`LinearMixedFit::variance_errors`].
fn sd(fit: &LinearMixedFit, at: usize, variance: f64) -> Estimated {
    let value = variance.sqrt();
    let error = fit.variance_errors[at].filter(|_| value > 0.0);
    Estimated {
        value,
        standard_error: error.map(|error| error / (2.0 * value)),
    }
}

/// How well the covariance of the groups' terms is known: what comes from the weight curves as
/// well as their variance terms, the rest as well as this number of birds allows. `None` of very many
/// groups, whose blocks of all pairs would not fit into memory.
fn covariance_error(
    weights: &MixedFit,
    joint: &DMatrix<f64>,
    df: usize,
) -> Option<Arc<CovarianceError>> {
    let error = weights.covariance_error.as_ref()?;
    let groups = weights.reaches.len();
    if groups > MOST_GROUPS {
        return None;
    }
    let p = joint.nrows() / groups.max(1);
    let block = |a: usize, b: usize| -> Vec<f64> {
        let entry = |at: usize| joint[(a * p + at / p, b * p + at % p)];
        (0..p * p).map(entry).collect()
    };
    Some(Arc::new(error.extended(p, block, df as f64)))
}

/// How the equations' errors move the masses of scans with an egg, in the columns of the
/// other masses; none where that is not known.
fn eggs_shared(records: &Records, k: usize) -> Option<DMatrix<f64>> {
    let eggs = &records.with_egg;
    let known = eggs.iter().all(|egg| egg.shared.len() == k);
    known.then(|| DMatrix::from_fn(eggs.len(), k, |row, column| eggs[row].shared[column]))
}

fn egg_effect(fitted: &FittedForm, covariance: &DMatrix<f64>) -> Option<Estimated> {
    fitted.layout.egg.then(|| {
        let column = fitted.layout.egg_column();
        Estimated {
            value: fitted.fit.fixed[column],
            standard_error: Some(covariance[(column, column)].max(0.0).sqrt()),
        }
    })
}

/// Covariance of the weight terms of all groups beside that of the coefficients.
fn joint_covariance(
    weights: &MixedFit,
    columns: &[Option<Columns>],
    covariance: &DMatrix<f64>,
    p: usize,
) -> DMatrix<f64> {
    let groups = columns.len();
    let mut joint = DMatrix::zeros(groups * p, groups * p);
    let own = p - columns.iter().flatten().next().map_or(0, Vec::len);
    let count = weights.fixed.len();
    let place = |term: usize, group: usize| {
        weights.fixed.iter().position(|effect| {
            effect.term == term && effect.group.is_none_or(|known| known == group)
        })
    };
    for a in (0..groups).filter(|group| columns[*group].is_some()) {
        for b in (0..groups).filter(|group| columns[*group].is_some()) {
            for i in 0..own {
                for j in 0..own {
                    if let (Some(row), Some(column)) = (place(i, a), place(j, b)) {
                        joint[(a * p + i, b * p + j)] =
                            weights.fixed_covariance[row * count + column];
                    }
                }
            }
            let (one, other) = (columns[a].iter().flatten(), columns[b].as_ref());
            for (i, (row, slope)) in one.enumerate() {
                for (j, (column, other_slope)) in other.into_iter().flatten().enumerate() {
                    if let (Some(row), Some(column)) = (row, column) {
                        joint[(a * p + own + i, b * p + own + j)] =
                            slope * other_slope * covariance[(*row, *column)];
                    }
                }
            }
        }
    }
    joint
}

/// The curve of each bird of the weight model.
///
/// The mode of a bird's effects is `K (y - Z b)`, K its shrinkage; its error has the
/// variance `G - K R G` and is independent of the coefficients' but for `-K Z (b - true)`.
fn birds(
    weights: &MixedFit,
    weight: &PopulationFit,
    fitted: &FittedForm,
    scans: &Scans,
    (factor, moved): (&DMatrix<f64>, &DMatrix<f64>),
    group_terms: &[Option<Vec<f64>>],
) -> Vec<Option<BirdCurve>> {
    let FittedForm {
        form,
        layout,
        model,
        fit,
    } = fitted;
    let own = weight.curve.terms().len();
    let scanned: BTreeMap<usize, usize> = (0..scans.birds())
        .map(|subject| (scans.rows[scans.starts[subject]].bird, subject))
        .collect();
    let spread = DMatrix::from_diagonal(&DVector::from_column_slice(&fit.random_variances));
    let of_bird = |(at, bird): (usize, &usize)| {
        let group = weights.subject_groups[at];
        group_terms[group].as_ref()?;
        let place = layout.groups.iter().position(|known| *known == group)?;
        let (mut terms, _) = form.coefficients(layout, place, &fit.fixed);
        let columns = layout.of_group(place);
        let k = terms.len();
        // Rows: ln a and the other coefficients of this bird in the fixed effects.
        let mut select = DMatrix::zeros(k, layout.len());
        for (row, column) in columns.iter().enumerate() {
            if let Some(column) = column {
                select[(row, *column)] = 1.0;
            }
        }
        let q = fit.random_variances.len();
        let mut left = spread.clone();
        let mut modes = DVector::zeros(q);
        let mut shared = &select * moved;
        let subject = scanned.get(bird);
        if let Some(subject) = subject {
            let (first, rows) = (scans.starts[*subject], scans.starts[subject + 1]);
            let shrinkage = fit.shrinkage(model, *subject);
            let z = model.fixed.rows(first, rows - first);
            let r = model.random.rows(first, rows - first);
            modes = fit.modes(model, *subject);
            left -= &shrinkage * r * &spread;
            let back = &shrinkage * z;
            let direct = &shrinkage * factor.rows(first, rows - first) - &back * moved;
            for effect in 0..q {
                for column in 0..layout.len() {
                    select[(effect, column)] -= back[(effect, column)];
                }
                for column in 0..shared.ncols() {
                    shared[(effect, column)] += direct[(effect, column)];
                }
            }
        }
        let mut inner =
            &select * &fit.covariance * select.transpose() + &shared * shared.transpose();
        for a in 0..q {
            for b in 0..q {
                inner[(a, b)] += left[(a, b)];
            }
        }
        for (at, mode) in modes.iter().enumerate() {
            match at {
                0 => terms[0] *= mode.exp(),
                _ => terms[at] += mode,
            }
        }
        let p = own + k;
        let mut covariance = vec![0.0; p * p];
        let of_weight = weights.subject_covariance(at);
        for i in 0..own {
            covariance[i * p..i * p + own].copy_from_slice(&of_weight[i * own..(i + 1) * own]);
        }
        let slope = |row: usize| if row == 0 { terms[0] } else { 1.0 };
        for i in 0..k {
            for j in 0..k {
                covariance[(own + i) * p + own + j] = slope(i) * slope(j) * inner[(i, j)];
            }
        }
        Some(BirdCurve {
            group,
            terms: [weights.subject(at), &terms].concat(),
            covariance,
            scans: subject.map_or(0, |subject| {
                scans.starts[subject + 1] - scans.starts[*subject]
            }),
        })
    };
    weight
        .cohort
        .birds
        .iter()
        .enumerate()
        .map(of_bird)
        .collect()
}

/// How far the scans of each group reach.
fn reaches(scans: &Scans, groups: usize) -> Vec<Reach> {
    let mut reaches = vec![Reach::NOTHING; groups];
    for row in &scans.rows {
        let reach = &mut reaches[row.group];
        reach.first_d = reach.first_d.min(row.age_d);
        reach.last_d = reach.last_d.max(row.age_d);
        reach.largest = reach.largest.max(row.mass_g);
    }
    reaches
}
