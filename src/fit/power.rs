//! The power of the mean in the residual spread that the data make most likely.
//!
//! For each power the terms of greatest likelihood are a separate fit; the profile
//! of the likelihood in the power has its maxima where its derivative, the score, falls
//! through zero. The root is found by Brent's method to full precision, which a search
//! for the greatest likelihood itself, flat to rounding there, would not reach.
//!
//! The profile often has a second maximum at a power of 3 to 6, where the spread takes up
//! what the curve misses at the later ages, and below 0 it may grow without end (a curve
//! that is all but zero at every age but one). So the whole range of what errors of
//! measurement do is looked at first, and the greatest maximum there is taken; beyond it
//! only where there is none.
//!
//! # Source
//! Brent RP (1973) Algorithms for Minimization without Derivatives, chapter 4 (from
//! memory); which maximum is taken: judgement, no source.

use std::cell::RefCell;
use std::cmp::Ordering;

use argmin::core::{CostFunction, Executor};
use argmin::solver::brent::BrentRoot;

use super::least_squares::{Descent, End, Optimum};
use super::search::{ONE_OPTIMUM_TERMS, best_optimum, descend_along_valley};
use super::variance::{Problem, Scale};
use super::{Settings, Workspace};

/// Powers that errors of measurement have (0 to 1, with room on both sides).
const USUAL: [f64; 7] = [-1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0];
/// Powers beyond, far beyond what growth shows.
const ABOVE: [f64; 9] = [2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 5.5, 6.0];
const BELOW: [f64; 3] = [-2.0, -1.5, -1.0];
/// Powers at which the terms are looked for from the curve's own starts, until a maximum
/// is found.
const BASES: [f64; 4] = [1.0, 0.0, 0.5, -0.5];
/// Most points with which a walk feels its way to the edge of a gap: a power at which the
/// likelihood grows while the curve tends to zero at an age has no optimum.
const FEELERS: usize = 6;
/// A root of the score: the power is then right to about 1e-7.
const ROOT: f64 = 1e-6;

/// The terms of greatest likelihood for a power.
#[derive(Debug, Clone)]
struct Point {
    power: f64,
    score: f64,
    log_lik: f64,
    terms: Box<[f64]>,
}

/// The profile of the likelihood in the power.
struct Profile<'a> {
    problem: Problem<'a>,
    state: RefCell<(&'a mut Descent, Optimum)>,
}

impl<'a> Profile<'a> {
    fn new(problem: &Problem<'a>, optimum: Optimum, descent: &'a mut Descent) -> Self {
        Self {
            problem: *problem,
            state: RefCell::new((descent, optimum)),
        }
    }

    /// The terms for a power, going on from those that the descent holds; `None` where no
    /// optimum is certified, and then the descent's terms are as before.
    fn point(&self, power: f64) -> Option<Point> {
        let problem = Problem {
            scale: Scale::PowerOfMean(power),
            ..self.problem
        };
        let mut state = self.state.borrow_mut();
        let (descent, last) = &mut *state;
        let before = descent.terms.clone();
        let optimum = descend_along_valley(&problem, descent);
        *last = Optimum {
            evaluations: last.evaluations + optimum.evaluations,
            iterations: last.iterations + optimum.iterations,
            ..optimum
        };
        if optimum.end != End::Certified {
            descent.terms = before;
            return None;
        }
        Some(Point {
            power,
            score: problem.power_score(descent),
            log_lik: problem.spread(descent).log_lik,
            terms: descent.terms.as_slice().into(),
        })
    }

    fn go_to(&self, point: &Point) {
        self.state
            .borrow_mut()
            .0
            .terms
            .copy_from_slice(&point.terms);
    }

    /// The optima along a grid, ascending in power, walked up and down from the descent's
    /// terms at `base`; and whether each power had one.
    fn walk(&self, grid: &[f64], base: f64) -> (Vec<Point>, bool) {
        let Some(first) = self.point(base) else {
            return (Vec::new(), false);
        };
        let (below, all_below) = self.along(&first, grid.iter().rev().filter(|p| **p < base));
        let (above, all_above) = self.along(&first, grid.iter().filter(|p| **p > base));
        let points = below.into_iter().rev().chain([first]).chain(above);
        (points.collect(), all_below && all_above)
    }

    /// The optima on the way from one. Before a power that has none the walk goes on in
    /// shorter steps, as long as the likelihood rises.
    fn along<'p>(
        &self,
        first: &Point,
        powers: impl Iterator<Item = &'p f64>,
    ) -> (Vec<Point>, bool) {
        self.go_to(first);
        let (mut points, mut all) = (Vec::new(), true);
        let mut last = first.clone();
        for power in powers {
            if let Some(point) = self.point(*power) {
                last = point.clone();
                points.push(point);
                continue;
            }
            all = false;
            let mut step = 0.5 * (power - last.power);
            for _ in 0..FEELERS {
                if last.score * step <= 0.0 {
                    break;
                }
                if let Some(point) = self.point(last.power + step) {
                    last = point.clone();
                    points.push(point);
                } else {
                    step *= 0.5;
                }
                let beyond = (last.power + step - power) * step.signum() >= 0.0;
                if beyond {
                    step *= 0.5;
                }
            }
        }
        (points, all)
    }

    /// The maximum between two neighbours of which the likelihood rises from the one and
    /// falls to the other.
    fn maximum(&self, low: &Point, high: &Point) -> Option<Point> {
        self.go_to(low);
        let solver = BrentRoot::new(low.power, high.power, 1e-12);
        let result = Executor::new(self, solver)
            .configure(|state| state.param(low.power).max_iters(100))
            .run()
            .ok()?;
        let point = self.point(result.state().best_param?)?;
        // Where the terms jump from one optimum to another the score has no root.
        (point.score.abs() < ROOT).then_some(point)
    }

    /// The greatest maximum between the points.
    fn greatest(&self, points: &[Point]) -> Option<Point> {
        let maxima = points.windows(2).filter_map(|pair| {
            let around = pair[0].score > 0.0 && pair[1].score <= 0.0;
            around.then(|| self.maximum(&pair[0], &pair[1])).flatten()
        });
        maxima.max_by(by_likelihood)
    }

    /// The greatest maximum among usual powers, or, where there is none, beyond; and
    /// whether every power on the way had an optimum.
    fn best(&self, base: f64) -> (Option<Point>, bool) {
        let (points, mut all) = self.walk(&USUAL, base);
        let mut found = self.greatest(&points);
        if found.is_none() {
            let ends = [
                (&ABOVE[..], points.last(), 1.0),
                (&BELOW[..], points.first(), -1.0),
            ];
            let mut maxima = Vec::new();
            for (beyond, end, outward) in ends {
                if let Some(end) = end.filter(|end| end.score * outward > 0.0) {
                    self.go_to(end);
                    let (points, all_beyond) = self.walk(beyond, end.power);
                    maxima.extend(self.greatest(&points));
                    all &= all_beyond;
                }
            }
            found = maxima.into_iter().max_by(by_likelihood);
        }
        (found, all)
    }
}

impl CostFunction for &Profile<'_> {
    type Param = f64;
    type Output = f64;

    fn cost(&self, power: &f64) -> Result<f64, argmin::core::Error> {
        Ok(self.point(*power).map_or(f64::NAN, |point| point.score))
    }
}

/// Moves the scale to the power of greatest likelihood, and the descent to the terms for
/// it. The end is [`End::NoPower`] where the likelihood has no maximum in the range.
pub(super) fn best_power(
    problem: &mut Problem<'_>,
    settings: &Settings,
    workspace: &mut Workspace,
) -> Optimum {
    let several = problem.curve.terms().len() > ONE_OPTIMUM_TERMS;
    let (mut evaluations, mut iterations) = (0, 0);
    let mut best: Option<Point> = None;
    let mut ended = Optimum::NOWHERE;
    for base in BASES {
        problem.scale = Scale::PowerOfMean(base);
        let optimum = best_optimum(problem, settings, workspace);
        let profile = Profile::new(problem, optimum, &mut workspace.descent);
        let mut end = optimum.end;
        if optimum.end == End::Certified {
            let (found, all) = profile.best(base);
            if let Some(found) = found {
                if best.as_ref().is_none_or(|best| better(&found, best)) {
                    best = Some(found);
                }
            } else if all {
                end = End::NoPower;
            }
        }
        let spent = profile.state.into_inner().1;
        evaluations += spent.evaluations;
        iterations += spent.iterations;
        if ended.end != End::NoPower {
            let end = if end == End::Certified {
                spent.end
            } else {
                end
            };
            ended = Optimum { end, ..spent };
        }
        if best.is_some() && (!several || base == BASES[1]) {
            break;
        }
    }
    if let Some(point) = best {
        problem.scale = Scale::PowerOfMean(point.power);
        workspace.descent.terms.copy_from_slice(&point.terms);
        ended = descend_along_valley(problem, &mut workspace.descent);
    } else if ended.end == End::Certified {
        // Optima at some powers, no maximum between those.
        ended.end = End::Stuck;
    }
    Optimum {
        evaluations,
        iterations,
        ..ended
    }
}

fn by_likelihood(one: &Point, other: &Point) -> Ordering {
    one.log_lik.total_cmp(&other.log_lik)
}

/// A usual power before one beyond, then the greater likelihood.
fn better(one: &Point, other: &Point) -> bool {
    let usual = |point: &Point| (USUAL[0]..=ABOVE[0]).contains(&point.power);
    match (usual(one), usual(other)) {
        (true, false) => true,
        (false, true) => false,
        _ => one.log_lik > other.log_lik,
    }
}
