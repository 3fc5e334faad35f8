//! From which starts, and by which tactics, the best optimum is looked for.

use super::least_squares::{self, Descent, End, Moves, Optimum, Path, Scaling, Tactic};
use super::variance::Problem;
use super::{Series, Settings, Workspace, support};

/// Curves with more terms than this have several optima, and every start that they
/// offer is tried; of the others none was seen (20,000 simulated birds, 64 starts
/// each), and the first start that is certified is enough.
pub(super) const ONE_OPTIMUM_TERMS: usize = 4;

/// The usual descent: a good start needs some five evaluations; one that needs more
/// than sixty is far away, or on a ridge.
const USUAL: Tactic = Tactic {
    damping: 1e-3,
    scaling: Scaling::Greatest,
    path: Path::Straight,
    moves: Moves::Sum,
    evaluations: 60,
    patience: 30,
};
/// Along a narrow valley, from where the usual descent has come to.
const VALLEY: Tactic = Tactic {
    damping: 1.0,
    path: Path::GeodesicAcceleration,
    evaluations: 1000,
    patience: 60,
    ..USUAL
};
/// What is tried, in turn, where the usual descent does not end in a certified optimum.
/// Found on NIST's sets from their far starts: each solves some that no other does.
const OTHERS: [Tactic; 4] = [
    Tactic {
        damping: 100.0,
        scaling: Scaling::Greatest,
        moves: Moves::Sum,
        ..CAREFUL
    },
    Tactic {
        damping: 1.0,
        scaling: Scaling::Greatest,
        moves: Moves::Sum,
        ..CAREFUL
    },
    Tactic {
        damping: 1.0,
        scaling: Scaling::Current,
        moves: Moves::Ratio,
        ..CAREFUL
    },
    Tactic {
        damping: 100.0,
        scaling: Scaling::Current,
        moves: Moves::Ratio,
        ..CAREFUL
    },
];
/// How the best of several ends that is not certified is followed on.
const FURTHER: [Tactic; 3] = [USUAL, VALLEY, OTHERS[1]];
const CAREFUL: Tactic = Tactic {
    path: Path::GeodesicAcceleration,
    evaluations: 3000,
    patience: 60,
    ..USUAL
};

/// The best optimum over the starts, left in the workspace.
///
/// The least sum of squares wins, certified or not: a certified optimum beside a better
/// one is not the fit. One that is not certified is followed on.
pub(super) fn best_optimum(
    problem: &Problem<'_>,
    settings: &Settings,
    workspace: &mut Workspace,
) -> Optimum {
    let several = problem.curve.terms().len() > ONE_OPTIMUM_TERMS;
    if settings.start.is_none()
        && !several
        && let Some(optimum) = from_own_start(problem, &mut workspace.descent)
    {
        return optimum;
    }
    let mut best: Option<Optimum> = None;
    let mut last_is_best = false;
    let mut evaluations = 0;
    'search: for (round, tactic) in std::iter::once(USUAL).chain(OTHERS).enumerate() {
        for attempt in 0.. {
            if !start(problem, settings, attempt, &mut workspace.descent.terms) {
                break;
            }
            let optimum = least_squares::minimise(problem, tactic, &mut workspace.descent);
            evaluations += optimum.evaluations;
            last_is_best = best.is_none_or(|best| better(&optimum, &best));
            if last_is_best {
                best = Some(optimum);
                workspace.best.clone_from(&workspace.descent.terms);
            }
            if matches!(optimum.end, End::Certified | End::Ridge) && !several {
                break 'search;
            }
        }
        let Some(least) = &mut best else { break };
        if round == 0 && several && settings.start.is_none() && least.end != End::Certified {
            workspace.descent.terms.copy_from_slice(&workspace.best);
            let further = descend(&FURTHER, problem, &mut workspace.descent);
            evaluations += further.evaluations;
            workspace.best.clone_from(&workspace.descent.terms);
            (*least, last_is_best) = (further, true);
            let terms = &workspace.descent.terms;
            if support::reaches_far(problem, terms)
                || problem.curve.step(problem.series.ages_d, terms).is_some()
            {
                break;
            }
        }
        if least.end == End::Certified {
            break;
        }
    }
    let Some(mut best) = best else {
        return Optimum::NOWHERE;
    };
    if !last_is_best {
        workspace.descent.terms.copy_from_slice(&workspace.best);
        best = Optimum {
            iterations: best.iterations,
            ..least_squares::minimise(problem, USUAL, &mut workspace.descent)
        };
    }
    Optimum {
        evaluations: evaluations.max(best.evaluations),
        ..best
    }
}

/// Descends from the terms that the descent holds, and where the usual way does not end
/// in a certified optimum goes on along the valley from where it came to.
pub(super) fn descend_along_valley(problem: &Problem<'_>, descent: &mut Descent) -> Optimum {
    descend(&[USUAL, VALLEY], problem, descent)
}

/// Descends by one tactic after the other until an optimum is certified.
fn descend(tactics: &[Tactic], problem: &Problem<'_>, descent: &mut Descent) -> Optimum {
    let mut last = Optimum::NOWHERE;
    for tactic in tactics {
        let next = least_squares::minimise(problem, *tactic, descent);
        last = Optimum {
            iterations: last.iterations + next.iterations,
            evaluations: last.evaluations + next.evaluations,
            ..next
        };
        if matches!(next.end, End::Certified | End::OutsideDomain) {
            break;
        }
    }
    last
}

/// The optimum from the curve's own best start; `None` where other starts and tactics
/// may do better.
///
/// Where the usual descent takes long it is in a narrow valley, and goes on from there
/// along its bend. A valley that leads to an asymptote far beyond the data is where
/// every start ends: there is no more to be found.
fn from_own_start(problem: &Problem<'_>, descent: &mut Descent) -> Option<Optimum> {
    let Series { ages_d, values } = problem.series;
    if !problem.curve.start(0, ages_d, values, &mut descent.terms) {
        return None;
    }
    let usual = least_squares::minimise(problem, USUAL, descent);
    match usual.end {
        End::Certified | End::Ridge => return Some(usual),
        End::TooLong => {}
        End::Stuck | End::OutsideDomain | End::NoPower => return None,
    }
    let valley = least_squares::minimise(problem, VALLEY, descent);
    let certified = valley.end == End::Certified;
    (certified || support::reaches_far(problem, &descent.terms)).then_some(Optimum {
        iterations: usual.iterations + valley.iterations,
        evaluations: usual.evaluations + valley.evaluations,
        ..valley
    })
}

/// The lesser sum of squares; of two that differ by nothing, the certified one.
fn better(one: &Optimum, other: &Optimum) -> bool {
    /// A share of the sum of squares that no interval and no criterion could show.
    const NOTHING: f64 = 1e-7;
    let (certified, other_certified) = (one.end == End::Certified, other.end == End::Certified);
    let margin = NOTHING * other.sum_of_squares;
    match (certified, other_certified) {
        (true, false) => one.sum_of_squares < other.sum_of_squares + margin,
        (false, true) => one.sum_of_squares < other.sum_of_squares - margin,
        _ => one.sum_of_squares < other.sum_of_squares,
    }
}

/// Starting terms of an attempt: the given ones first and alone, or the curve's.
fn start(problem: &Problem<'_>, settings: &Settings, attempt: usize, terms: &mut [f64]) -> bool {
    match &settings.start {
        Some(given) if attempt == 0 => {
            terms.copy_from_slice(given);
            true
        }
        Some(_) => false,
        None => problem
            .curve
            .start(attempt, problem.series.ages_d, problem.series.values, terms),
    }
}
