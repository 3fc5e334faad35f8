//! Two phases: the sum of two curves of one shape, the second the pre-lay spurt.
//!
//! Koops WJ 1986, "Multiphasic growth curve analysis", Growth 50:169-177 (with the
//! logistic, there as a tanh; cited from memory). Terms A1, k1, ti1, A2, k2, ti2 with ti1 < ti2; each
//! phase is a one-phase curve, so value, slope and gradients add up.
//!
//! The mature mass is A1 + A2. The inflection is the age of the greatest rate of the
//! whole: with r(t) the sum of both rates, r'(t) = 0 and, by the implicit function
//! theorem, its gradient is -r'_theta / r''.

use super::derived::{Landmarks, derived};
use super::gompertz::Gompertz;
use super::linearise::greatest;
use super::logistic::Logistic;
use super::pair::Pair;
use super::root::rising_root;
use super::sigmoid::{LEAST_ASYMPTOTE, OnePhase, RATE_RANGE, Shape};
use super::{Curve, Derived, Step, Term};

/// A shape of which two make a curve.
pub(super) trait PhaseShape: Shape {
    /// The two-phase curve's name.
    const TWO_PHASE_NAME: &'static str;
    /// The shape itself: it has no additional term.
    const SHAPE: Self;
}

impl PhaseShape for Gompertz {
    const TWO_PHASE_NAME: &'static str = "two-phase-gompertz";
    const SHAPE: Self = Self;
}

impl PhaseShape for Logistic {
    const TWO_PHASE_NAME: &'static str = "two-phase-logistic";
    const SHAPE: Self = Self;
}

static TERMS: [Term; 6] = [
    Term::new(
        "A1",
        "mass gained in the first phase",
        "g",
        LEAST_ASYMPTOTE,
        f64::INFINITY,
    ),
    Term::new(
        "k1",
        "rate of the first phase",
        "1/d",
        RATE_RANGE.0,
        RATE_RANGE.1,
    ),
    Term::new(
        "ti1",
        "age of maximum growth rate in the first phase",
        "d",
        f64::NEG_INFINITY,
        f64::INFINITY,
    ),
    Term::new(
        "A2",
        "mass gained in the second phase (the pre-lay spurt)",
        "g",
        LEAST_ASYMPTOTE,
        f64::INFINITY,
    ),
    Term::new(
        "k2",
        "rate of the second phase",
        "1/d",
        RATE_RANGE.0,
        RATE_RANGE.1,
    ),
    Term::new(
        "ti2",
        "age of maximum growth rate in the second phase",
        "d",
        f64::NEG_INFINITY,
        f64::INFINITY,
    ),
];

/// Ages at the inflections, as shares of the time weighed, and rates times that
/// time, from which the starts come: wide enough for a phase that is over before
/// the middle and one that the last weighing has not seen the end of.
const FIRST_AGES: [f64; 4] = [0.15, 0.25, 0.37, 0.5];
const SECOND_AGES: [f64; 6] = [0.5, 0.6, 0.7, 0.8, 0.9, 1.0];
const FIRST_RATES: [f64; 3] = [3.5, 6.0, 10.0];
const SECOND_RATES: [f64; 4] = [2.0, 5.0, 10.0, 20.0];
const FIRSTS: usize = FIRST_AGES.len() * FIRST_RATES.len();
const SECONDS: usize = SECOND_AGES.len() * SECOND_RATES.len();
/// Sharp second phases, each between two ages weighed, from which further starts come.
const SHARP: usize = 4;
/// Rate of a sharp one times the time between the two ages: from 5 to 95 % there, so that
/// the way to a slower phase is open.
const SHARP_RATE: f64 = 6.0;
/// Share of a phase's gain by which it has begun, and by which it is over but for as much.
const UNDER_WAY: f64 = 0.01;

/// A start and its misfit.
type Start = (f64, [f64; 6]);
const NO_START: Start = (f64::INFINITY, [f64::NAN; 6]);

/// Two phases of one shape.
#[derive(Debug, Clone, Copy)]
pub(super) struct TwoPhase<S> {
    phase: OnePhase<S>,
    shape: S,
}

impl<S: PhaseShape> TwoPhase<S> {
    pub(super) const fn new() -> Self {
        Self {
            phase: OnePhase::new(),
            shape: S::SHAPE,
        }
    }

    /// r', the second derivative of the whole in age, g/d^2.
    fn bend(&self, age_d: f64, terms: &[f64]) -> f64 {
        terms
            .chunks_exact(3)
            .map(|t| t[0] * t[1] * t[1] * self.shape.at(t[1] * (age_d - t[2])).bend)
            .sum()
    }
}

impl<S: PhaseShape> Curve for TwoPhase<S> {
    fn name(&self) -> &str {
        S::TWO_PHASE_NAME
    }

    fn terms(&self) -> &[Term] {
        &TERMS
    }

    fn value(&self, age_d: f64, terms: &[f64]) -> f64 {
        self.phase.value(age_d, &terms[..3]) + self.phase.value(age_d, &terms[3..])
    }

    fn value_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let (first, second) = gradient.split_at_mut(3);
        self.phase.value_and_gradient(age_d, &terms[..3], first)
            + self.phase.value_and_gradient(age_d, &terms[3..], second)
    }

    fn slope_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let (first, second) = gradient.split_at_mut(3);
        self.phase.slope_and_gradient(age_d, &terms[..3], first)
            + self.phase.slope_and_gradient(age_d, &terms[3..], second)
    }

    /// At known rates and ages the curve is linear in A1 and A2. The best of the grid
    /// for each age of the second phase is one start, and the best of those with a sharp
    /// second phase, so that further attempts look for it elsewhere.
    fn start(&self, attempt: usize, ages_d: &[f64], values: &[f64], terms: &mut [f64]) -> bool {
        let (Some(top), Some(first), Some(last)) =
            (greatest(values), ages_d.first(), ages_d.last())
        else {
            return false;
        };
        let span = last - first;
        if !(span > 0.0 && span.is_finite()) {
            return false;
        }
        let grid = Grid::new(*first, span);
        let mut smooth = self.smooth_starts(&grid, ages_d, values, top);
        smooth.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        let found = smooth
            .iter()
            .filter(|(misfit, _)| misfit.is_finite())
            .count();
        let start = match smooth[..found].get(attempt) {
            Some((_, start)) => *start,
            None => match self
                .sharp_starts(&grid, ages_d, values, top)
                .get(attempt - found)
            {
                Some((misfit, start)) if misfit.is_finite() => *start,
                _ => return false,
            },
        };
        terms.copy_from_slice(&start);
        true
    }

    fn step(&self, ages_d: &[f64], terms: &[f64]) -> Option<Step> {
        let phases = terms.chunks_exact(3).zip([[1, 2], [4, 5]]);
        phases.rev().find_map(|(phase, [rate_term, age_term])| {
            let age_at = |share: f64| phase[2] + self.shape.inverse(share, share.ln()).0 / phase[1];
            let (begun, over) = (age_at(UNDER_WAY), age_at(1.0 - UNDER_WAY));
            let before = ages_d.partition_point(|age_d| *age_d <= begun);
            let after = before + ages_d[before..].partition_point(|age_d| *age_d < over);
            let (from_d, to_d) = (ages_d[..before].last()?, ages_d.get(after)?);
            let under_way = &ages_d[before..after];
            (under_way.first() == under_way.last()).then_some(Step {
                rate_term,
                age_term,
                from_d: *from_d,
                to_d: *to_d,
                gain_g: phase[0],
            })
        })
    }

    /// The sum does not know which phase is called the first: it is the one with the
    /// earlier inflection.
    fn relabelled(&self, terms: &[f64]) -> Option<&'static [usize]> {
        (terms[5] < terms[2]).then_some(&[3, 4, 5, 0, 1, 2])
    }

    fn derived(&self, what: Derived, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        derived(self, what, terms, gradient)
    }
}

/// Ages and rates of both phases from which the starts come.
struct Grid {
    first: [(f64, f64); FIRSTS],
    second: [(f64, f64); SECONDS],
}

impl Grid {
    fn new(first_d: f64, span: f64) -> Self {
        let place = |share: f64, rate: f64| {
            let rate = (rate / span).clamp(RATE_RANGE.0, RATE_RANGE.1);
            (rate, first_d + share * span)
        };
        let of = |ages: &[f64], rates: &[f64], at: usize| {
            place(ages[at / rates.len()], rates[at % rates.len()])
        };
        Self {
            first: std::array::from_fn(|at| of(&FIRST_AGES, &FIRST_RATES, at)),
            second: std::array::from_fn(|at| of(&SECOND_AGES, &SECOND_RATES, at)),
        }
    }
}

/// The start of a pair of phases, if it is better than the best before.
fn keep(best: &mut Start, pair: &Pair, top: f64, first: (f64, f64), second: (f64, f64)) {
    if let Some((a1, a2, misfit)) = pair.solve()
        && misfit < best.0
        && a1 > 0.0
        && a2 > 0.0
        && (a1.max(a2) * top).is_finite()
    {
        let terms = [a1 * top, first.0, first.1, a2 * top, second.0, second.1];
        *best = (misfit, terms);
    }
}

impl<S: PhaseShape> TwoPhase<S> {
    /// The best start for each age of the second phase.
    fn smooth_starts(
        &self,
        grid: &Grid,
        ages_d: &[f64],
        values: &[f64],
        top: f64,
    ) -> [Start; SECOND_AGES.len()] {
        let mut pairs = [[Pair::default(); SECONDS]; FIRSTS];
        for (age_d, y) in ages_d.iter().zip(values) {
            if *y > 0.0 && y.is_finite() {
                let share = |(rate, age): (f64, f64)| self.shape.share(rate * (age_d - age));
                let second = grid.second.map(share);
                for (pairs, one) in pairs.iter_mut().zip(grid.first.map(share)) {
                    for (pair, two) in pairs.iter_mut().zip(second) {
                        pair.add(one, two, y / top);
                    }
                }
            }
        }
        let mut starts = [NO_START; SECOND_AGES.len()];
        for (pairs, first) in pairs.iter().zip(grid.first) {
            for (at, (pair, second)) in pairs.iter().zip(grid.second).enumerate() {
                if first.1 < second.1 {
                    keep(
                        &mut starts[at / SECOND_RATES.len()],
                        pair,
                        top,
                        first,
                        second,
                    );
                }
            }
        }
        starts
    }

    /// The best starts whose second phase lies between two ages weighed, best first.
    ///
    /// While its place moves from the last gap to the first, a second phase that is zero
    /// before and one after takes in one age more at each step: sums do for all gaps.
    fn sharp_starts(
        &self,
        grid: &Grid,
        ages_d: &[f64],
        values: &[f64],
        top: f64,
    ) -> [Start; SHARP] {
        let usable = |y: &f64| *y > 0.0 && y.is_finite();
        let mut before = [Pair::default(); FIRSTS];
        let share = |age_d: f64, (rate, age): (f64, f64)| self.shape.share(rate * (age_d - age));
        for (age_d, y) in ages_d.iter().zip(values).filter(|(_, y)| usable(y)) {
            for (pair, first) in before.iter_mut().zip(grid.first) {
                pair.add(share(*age_d, first), 0.0, y / top);
            }
        }
        let mut starts = [NO_START; SHARP];
        let gaps = ages_d.windows(2).zip(&values[1..]).rev();
        for (gap, y) in gaps {
            if usable(y) {
                for (pair, first) in before.iter_mut().zip(grid.first) {
                    pair.add_second(share(gap[1], first), 1.0, y / top);
                }
            }
            let width = gap[1] - gap[0];
            if width <= 0.0 {
                continue;
            }
            let rate = (SHARP_RATE / width).clamp(RATE_RANGE.0, RATE_RANGE.1);
            let second = (rate, gap[0] + 0.5 * width);
            let mut best = NO_START;
            for (pair, first) in before.iter().zip(grid.first) {
                if first.1 < second.1 {
                    keep(&mut best, pair, top, first, second);
                }
            }
            let worst = &mut starts[SHARP - 1];
            if best.0 < worst.0 {
                *worst = best;
                starts.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
            }
        }
        starts
    }
}

impl<S: PhaseShape> Landmarks for TwoPhase<S> {
    fn asymptote(&self, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        gradient.fill(0.0);
        gradient[0] = 1.0;
        gradient[3] = 1.0;
        Some(terms[0] + terms[3])
    }

    /// Where each phase alone has the share value / (A1 + A2): the earlier of the two
    /// ages is too early for the whole and the later too late.
    fn age_at_value(&self, value: f64, terms: &[f64]) -> Option<f64> {
        let share = value / (terms[0] + terms[3]);
        if !(share > 0.0 && share < 1.0) {
            return None;
        }
        let z = self.shape.inverse(share, share.ln()).0;
        let (first, second) = (terms[2] + z / terms[1], terms[5] + z / terms[4]);
        let left = |age_d| self.value(age_d, terms) - value;
        Some(rising_root(left, first.min(second), first.max(second)))
    }

    /// Of a sum there is no one inflection: in some birds it would fall in the first phase, in
    /// others in the second.
    fn inflection_age(&self, _terms: &[f64], _gradient: &mut [f64]) -> Option<f64> {
        None
    }

    fn first_peak_age(&self, terms: &[f64], gradient: &mut [f64]) -> Option<(f64, f64)> {
        gradient.fill(0.0);
        gradient[2] = 1.0;
        Some((terms[2], self.bend(terms[2], terms)))
    }

    fn second_peak_age(&self, terms: &[f64], gradient: &mut [f64]) -> Option<(f64, f64)> {
        // With the phases in the other order there is no second phase to speak of.
        if terms[5] <= terms[2] {
            return None;
        }
        gradient.fill(0.0);
        gradient[5] = 1.0;
        Some((terms[5], self.bend(terms[5], terms)))
    }
}
