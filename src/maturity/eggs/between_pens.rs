//! Pens of one group differ: the terms of groups, the variances between pens, and each pen
//! separately.
//!
//! The terms of a pen are those of its group plus effects of the pen on ln location, ln spread
//! and the logit of the plateau, normal and independent. At the terms where they are, a pen's
//! counts have information I and score s, so that everything between pens is linear
//! and small: the groups' terms have the information W = sum of I (1 + Omega I)^-1, Omega the
//! variances between pens (restricted likelihood), and pens are brought to their conditional
//! modes, where I and s are computed again until nothing moves.
//!
//! The variance between pens of the location decides how well a group is known, and few pens
//! hardly determine it. The groups are therefore averaged over it, by its restricted
//! likelihood and a prior that is flat in the logarithm of the whole variance of a pen's
//! location (between pens plus within): where pens differ much, the interval of a group is that
//! of Student's t on pens minus groups degrees of freedom.
//!
//! # Source
//! Lindstrom MJ, Bates DM (1990) Nonlinear mixed effects models for repeated measures data,
//! Biometrics 46:673-687; prior: Box GEP, Tiao GC (1973) Bayesian Inference in Statistical
//! Analysis, 5.2 (random effects; from memory).

use nalgebra::{Matrix4, Vector4};

use super::distribution::MaturityFamily;
use super::moments::{TERMS, Terms};
use super::pen_model::{DayEffects, PenState, beliefs};
use super::rate::Rise;
use crate::study::EggPen;

/// Terms with their covariance.
#[derive(Debug, Clone, Copy)]
pub(super) struct Known {
    pub(super) terms: Terms,
    pub(super) covariance: Matrix4<f64>,
}

/// All pens fitted with one family.
#[derive(Debug)]
pub(super) struct PensFit {
    pub(super) family: MaturityFamily,
    /// Each group's terms, by the variance between pens: its weight, and the groups.
    pub(super) groups: Vec<(f64, Vec<Option<Known>>)>,
    /// Each pen by its counts; `None` where they do not determine its terms.
    pub(super) pens: Vec<Option<Known>>,
    /// SDs between pens: of ln location, ln spread, logit of the plateau.
    pub(super) between: [f64; 3],
    /// Effects of days.
    pub(super) days: DayEffects,
    pub(super) log_likelihood: f64,
}

/// Rounds at most, and before the first look whether anything moves.
const ROUNDS: usize = 40;
const SETTLING: usize = 11;
/// Rounds in which the effects of days are estimated again.
const DAYS_AGAIN: [usize; 3] = [2, 5, 9];
/// Round until which the variances between pens are estimated in each.
const BETWEEN_AGAIN: usize = 10;
/// What is no movement any more, in the terms' units.
const STILL: Terms = [2e-5, 2e-4, 4e-4, 2e-3];
/// Steps at most, in the terms' units.
const LONGEST: Terms = [0.08, 0.5, 1.0, 1.0];
/// Greatest SDs between pens.
const MOST_BETWEEN: [f64; 3] = [0.12, 1.0, 2.5];

/// Fits one family to all pens.
///
/// # Shapes
/// `group_of`: the group of each pen, below `groups`.
pub(super) fn fit(
    (pens, group_of, groups): (&[&EggPen], &[usize], usize),
    (family, rise): (MaturityFamily, Rise),
) -> Option<PensFit> {
    let model = (family, rise);
    let mut days = DayEffects { sd: 0.02, rho: 0.3 };
    let states: Result<Vec<PenState>, String> = pens
        .iter()
        .map(|pen| PenState::new(&pen.counts, model))
        .collect();
    let mut states = states.ok()?;
    let present = (0..groups).filter(|group| group_of.contains(group)).count();
    let several = pens.len() > present;
    let mut between = if several { [0.02, 0.15, 0.2] } else { [0.0; 3] };
    for round in 0..ROUNDS {
        evaluate(&mut states, model, days)?;
        if DAYS_AGAIN.contains(&round) {
            days = best_days(&states, days);
            evaluate(&mut states, model, days)?;
        }
        let pooled = Pooled {
            states: &states,
            group_of,
            groups,
        };
        if several && ((1..BETWEEN_AGAIN).contains(&round) || round % 4 == 0) {
            between = pooled.best_between(between);
        }
        let known: Vec<Option<Known>> = (0..groups)
            .map(|group| pooled.group(group, &between))
            .collect();
        let moved = to_modes(&mut states, (group_of, &known), &between)?;
        if round >= SETTLING && moved < 1.0 {
            break;
        }
    }
    evaluate(&mut states, model, days)?;
    let pooled = Pooled {
        states: &states,
        group_of,
        groups,
    };
    let averaged = match several {
        true => pooled.averaged(between),
        false => vec![(
            1.0,
            (0..groups)
                .map(|group| pooled.group(group, &between))
                .collect(),
        )],
    };
    let log_likelihood = states.iter().map(|state| state.log_likelihood).sum();
    let pens = states.iter_mut();
    Some(PensFit {
        family,
        groups: averaged,
        pens: pens.map(|state| alone(state, model, days)).collect(),
        between,
        days,
        log_likelihood,
    })
}

fn evaluate(
    states: &mut [PenState],
    model: (MaturityFamily, Rise),
    days: DayEffects,
) -> Option<()> {
    let sound = states.iter_mut().all(|state| state.evaluate(model, days));
    sound.then_some(())
}

/// Variances of the pens' effects on all terms; the decline has none.
fn variances(between: &[f64; 3]) -> Matrix4<f64> {
    let squares = between.map(|sd| sd * sd);
    Matrix4::from_diagonal(&Vector4::new(squares[0], squares[1], squares[2], 0.0))
}

fn vector(terms: &Terms) -> Vector4<f64> {
    Vector4::from_row_slice(terms)
}

/// The share of a step that leaves every term within its longest step.
fn share_of(step: &Vector4<f64>) -> f64 {
    let shares = step.iter().zip(LONGEST);
    let shares = shares.map(|(step, longest)| longest / step.abs().max(longest));
    shares.fold(1.0, f64::min)
}

/// Brings pens to their conditional modes; by how many tolerances a term moved.
fn to_modes(
    states: &mut [PenState],
    (group_of, known): (&[usize], &[Option<Known>]),
    between: &[f64; 3],
) -> Option<f64> {
    let omega = variances(between);
    let mut moved: f64 = 0.0;
    for (state, group) in states.iter_mut().zip(group_of) {
        let centre = vector(&known[*group].as_ref()?.terms);
        let here = vector(&state.terms);
        let score = state.score + state.information * (here - centre);
        let shrink = (Matrix4::identity() + state.information * omega).try_inverse()?;
        let step = centre + omega * shrink * score - here;
        let step = step * share_of(&step);
        for (term, step) in step.iter().enumerate() {
            state.terms[term] += step;
            moved = moved.max(step.abs() / STILL[term]);
        }
    }
    moved.is_finite().then_some(moved)
}

/// Pens at their terms, to be put together.
struct Pooled<'a> {
    states: &'a [PenState],
    group_of: &'a [usize],
    groups: usize,
}

impl Pooled<'_> {
    fn of_group(&self, group: usize) -> impl Iterator<Item = &PenState> {
        let all = self.states.iter().zip(self.group_of);
        all.filter_map(move |(state, of)| (*of == group).then_some(state))
    }

    /// A group's terms, given the SDs between pens; `None` for a group without pens.
    fn group(&self, group: usize, between: &[f64; 3]) -> Option<Known> {
        let omega = variances(between);
        let (mut information, centre) = beliefs();
        let mut score = information * centre;
        self.of_group(group).next()?;
        for state in self.of_group(group) {
            let shrink = (Matrix4::identity() + state.information * omega).try_inverse()?;
            information += shrink * state.information;
            score += shrink * (state.score + state.information * vector(&state.terms));
        }
        let covariance = information.try_inverse()?;
        let terms = covariance * score;
        Some(Known {
            terms: [terms[0], terms[1], terms[2], terms[3]],
            covariance,
        })
    }

    /// Restricted log-likelihood of the SDs between pens.
    fn log_likelihood(&self, between: &[f64; 3]) -> f64 {
        let omega = variances(between);
        let (belief, centre) = beliefs();
        let mut value = 0.0;
        for group in 0..self.groups {
            if self.of_group(group).next().is_none() {
                continue;
            }
            let Some(known) = self.group(group, between) else {
                return f64::NEG_INFINITY;
            };
            let beta = vector(&known.terms);
            let off = beta - centre;
            value += 0.5 * (known.covariance.determinant().ln() - off.dot(&(belief * off)));
            for state in self.of_group(group) {
                let off = vector(&state.terms) - beta;
                let score = state.score + state.information * off;
                let squares = 2.0 * state.score.dot(&off) + off.dot(&(state.information * off));
                let widened = Matrix4::identity() + state.information * omega;
                let Some(shrink) = widened.try_inverse() else {
                    return f64::NEG_INFINITY;
                };
                let taken_up = score.dot(&(omega * shrink * score));
                value -= 0.5 * (widened.determinant().ln() + squares - taken_up);
            }
        }
        if value.is_nan() {
            f64::NEG_INFINITY
        } else {
            value
        }
    }

    /// The SDs between pens of greatest restricted likelihood, one after the other.
    fn best_between(&self, from: [f64; 3]) -> [f64; 3] {
        let mut best = from;
        for _ in 0..3 {
            for (place, most) in MOST_BETWEEN.into_iter().enumerate() {
                let with = |root: f64| {
                    let mut other = best;
                    other[place] = root * root * most;
                    other
                };
                let root = greatest(|root| self.log_likelihood(&with(root)), (0.0, 1.0), 18);
                let none = with(0.0);
                let some = with(root);
                let better = self.log_likelihood(&some) > self.log_likelihood(&none) + 1e-6;
                best = if better { some } else { none };
            }
        }
        best
    }

    /// Variance of a pen's ln location by its counts, on average.
    fn within_pens(&self) -> f64 {
        let (belief, _) = beliefs();
        let known: Vec<f64> = self
            .states
            .iter()
            .filter_map(|state| Some((state.information + belief).try_inverse()?[(0, 0)]))
            .filter(|variance| variance.is_finite() && *variance > 0.0)
            .collect();
        crate::stats::mean(&known).max(f64::MIN_POSITIVE)
    }

    /// The groups by the SD between pens of the location, with their weights.
    fn averaged(&self, between: [f64; 3]) -> Vec<(f64, Vec<Option<Known>>)> {
        let within = self.within_pens();
        let mut from = 0.0;
        let mut points: Vec<(f64, [f64; 3])> = Vec::new();
        for width in WIDTHS {
            let mut at = between;
            at[0] = from + 0.5 * width;
            let prior = at[0] / (at[0].powi(2) + within);
            points.push((self.log_likelihood(&at) + (prior * width).ln(), at));
            from += width;
        }
        let top = points
            .iter()
            .map(|point| point.0)
            .fold(f64::NEG_INFINITY, f64::max);
        let weight = |log: f64| (log - top).exp();
        let sum: f64 = points.iter().map(|point| weight(point.0)).sum();
        points
            .iter()
            .map(|(log, at)| (weight(*log) / sum, at))
            .filter(|(weight, _)| *weight > NO_WEIGHT)
            .map(|(weight, at)| {
                let groups = (0..self.groups).map(|group| self.group(group, at));
                (weight, groups.collect())
            })
            .collect()
    }
}

/// Widths of the steps over the SD between pens of ln location: 0 to 0.1, which is 14 d of 140.
const WIDTHS: [f64; 24] = [
    0.0025, 0.0025, 0.0025, 0.0025, 0.0025, 0.0025, 0.0025, 0.0025, 0.0025, 0.0025, 0.0025, 0.0025,
    0.0025, 0.0025, 0.0025, 0.0025, 0.0075, 0.0075, 0.0075, 0.0075, 0.0075, 0.0075, 0.0075, 0.0075,
];
/// Weights below this are left out.
const NO_WEIGHT: f64 = 1e-4;

/// Steps of a pen by itself.
const STEPS_ALONE: usize = 25;
/// Squared step in standard errors at which a pen has arrived.
const ARRIVED: f64 = 1e-4;

/// A pen by its counts; `None` where they do not determine its terms.
fn alone(state: &mut PenState, model: (MaturityFamily, Rise), days: DayEffects) -> Option<Known> {
    let (belief, centre) = beliefs();
    for _ in 0..STEPS_ALONE {
        if !state.evaluate(model, days) {
            return None;
        }
        let information = state.information + belief;
        let covariance = information.try_inverse()?;
        let step = covariance * (state.score + belief * (centre - vector(&state.terms)));
        let share = share_of(&step);
        for (term, step) in step.iter().enumerate() {
            state.terms[term] += share * step;
        }
        if step.dot(&(information * step)) < ARRIVED {
            let sound = (0..TERMS).all(|term| covariance[(term, term)] > 0.0);
            return sound.then_some(Known {
                terms: state.terms,
                covariance,
            });
        }
    }
    None
}

/// Effects of days below this relative SD have no correlation to speak of.
const NO_DAYS: f64 = 0.003;
const MOST_DAYS: f64 = 0.5;

/// The effects of days of greatest likelihood.
fn best_days(states: &[PenState], from: DayEffects) -> DayEffects {
    let value =
        |days: DayEffects| -> f64 { states.iter().map(|state| state.with_days(days)).sum() };
    let mut best = from;
    for _ in 0..2 {
        let rho = best.rho;
        let of = |root: f64| DayEffects {
            sd: root * root * MOST_DAYS,
            rho,
        };
        best = of(greatest(|root| value(of(root)), (0.0, 1.0), 12));
        if best.sd < NO_DAYS {
            best.rho = from.rho;
            break;
        }
        let sd = best.sd;
        best.rho = greatest(|rho| value(DayEffects { sd, rho }), (0.0, 0.95), 8);
    }
    best
}

/// Where a function of one peak is greatest, by golden section.
fn greatest(of: impl Fn(f64) -> f64, (lower, upper): (f64, f64), steps: usize) -> f64 {
    let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
    let (mut lower, mut upper) = (lower, upper);
    let (mut one, mut other) = (
        upper - golden * (upper - lower),
        lower + golden * (upper - lower),
    );
    let (mut of_one, mut of_other) = (of(one), of(other));
    for _ in 0..steps {
        if of_one > of_other {
            (upper, other, of_other) = (other, one, of_one);
            one = upper - golden * (upper - lower);
            of_one = of(one);
        } else {
            (lower, one, of_one) = (one, other, of_other);
            other = lower + golden * (upper - lower);
            of_other = of(other);
        }
    }
    0.5 * (lower + upper)
}
