//! The second phase of a target: how fast the target's pre-lay growth spurt goes, and what a
//! shift of it in time would do.

use std::sync::Arc;

use crate::error::Result;
use crate::fit::{Series, Settings, Variance, Workspace, fit};
use crate::flock::target::{TargetCurve, trajectories};
use crate::growth::built_in;
use crate::study::Study;

/// The second phase is there where a curve of two phases lies closer to the target's points
/// than the best of one by this factor.
const CLOSER: f64 = 2.0;
/// A curve of one phase that errs by less than this share describes the target.
const CLOSE: f64 = 0.005;
/// Least points of a target for the six terms of two phases.
const LEAST_POINTS: usize = 9;

/// The second phase of a two-phase Gompertz curve through a target's points.
#[derive(Debug, Clone, PartialEq)]
pub struct SecondPhase {
    /// A1, k1, ti1, A2, k2, ti2.
    terms: [f64; 6],
}

/// A target with its second phase.
#[derive(Debug)]
pub(in crate::flock) struct PhasedTarget {
    pub(in crate::flock) trajectory: TargetCurve,
    /// None where the target has one phase.
    pub(in crate::flock) second_phase: Option<SecondPhase>,
}

impl PhasedTarget {
    pub(in crate::flock) fn of(trajectory: TargetCurve) -> Self {
        Self {
            second_phase: SecondPhase::of(&trajectory),
            trajectory,
        }
    }

    /// Whether it has an age, or is continued to it.
    pub(in crate::flock) fn has(&self, age_d: f64) -> bool {
        let here = self.trajectory.at(age_d);
        here.or_else(|| self.trajectory.near(age_d)).is_some()
    }
}

/// The target of each strain; none at all where no target is of this trait. The curve through
/// a target that strains share is fitted once.
pub(in crate::flock) fn targets(
    study: &Study,
    trait_name: &str,
) -> Result<Option<Vec<Option<Arc<PhasedTarget>>>>> {
    let Some(trajectories) = trajectories(study, trait_name)? else {
        return Ok(None);
    };
    let mut of_all: Option<Arc<PhasedTarget>> = None;
    let of_strain = |(strain, trajectory): (usize, Option<TargetCurve>)| {
        let trajectory = trajectory?;
        let mut own = study.targets.iter();
        let own = own.any(|one| one.trait_name == trait_name && one.strain == Some(strain));
        if let (false, Some(shared)) = (own, &of_all) {
            return Some(shared.clone());
        }
        let phased = Arc::new(PhasedTarget::of(trajectory));
        if !own {
            of_all = Some(phased.clone());
        }
        Some(phased)
    };
    Ok(Some(
        trajectories
            .into_iter()
            .enumerate()
            .map(of_strain)
            .collect(),
    ))
}

impl SecondPhase {
    /// The second phase of a target; `None` where the target has none.
    #[must_use]
    pub fn of(target: &TargetCurve) -> Option<Self> {
        let (ages_d, values): (Vec<f64>, Vec<f64>) = target
            .ages_d()
            .filter_map(|age_d| Some((age_d, target.at(age_d)?.target_g)))
            .unzip();
        if ages_d.len() < LEAST_POINTS {
            return None;
        }
        let series = Series {
            ages_d: &ages_d,
            values: &values,
        };
        let settings = Settings {
            variance: Variance::Proportional,
            ..Settings::default()
        };
        let mut workspace = Workspace::new();
        // Root mean square of the relative residuals, and the terms.
        let mut through = |name: &str| -> Option<(f64, Vec<f64>)> {
            let curve = built_in(name)?;
            let outcome = fit(&*curve, series, &settings, &mut workspace);
            let terms = outcome.estimates()?.terms.to_vec();
            let mut squares = 0.0;
            for (age_d, value) in ages_d.iter().zip(&values) {
                squares += (value / curve.value(*age_d, &terms) - 1.0).powi(2);
            }
            let rms = (squares / ages_d.len() as f64).sqrt();
            rms.is_finite().then_some((rms, terms))
        };
        let one_phase = ["gompertz", "logistic", "richards"]
            .into_iter()
            .filter_map(|name| Some(through(name)?.0))
            .fold(f64::INFINITY, f64::min);
        if one_phase < CLOSE {
            return None;
        }
        let (two_phases, terms) = through("two-phase-gompertz")?;
        let terms: [f64; 6] = terms.try_into().ok()?;
        let ordered = terms[5] > terms[2] && terms[3] > 0.0 && terms[4] > 0.0;
        (ordered && two_phases * CLOSER < one_phase).then_some(Self { terms })
    }

    fn phase(&self, first: usize, age_d: f64) -> f64 {
        let [a, k, ti] = [0, 1, 2].map(|at| self.terms[first + at]);
        a * (-(-k * (age_d - ti)).exp()).exp()
    }

    fn value(&self, age_d: f64) -> f64 {
        self.phase(0, age_d) + self.phase(3, age_d)
    }

    /// Growth rate of the second phase over the weight, 1/d.
    #[must_use]
    pub fn relative_rate(&self, age_d: f64) -> f64 {
        let [_, _, _, _, k, ti] = self.terms;
        let rate = k * (-k * (age_d - ti)).exp() * self.phase(3, age_d) / self.value(age_d);
        if rate.is_finite() { rate } else { 0.0 }
    }

    /// How much log weight changes where the second phase comes this many days later.
    #[must_use]
    pub fn shifted(&self, age_d: f64, days: f64) -> f64 {
        let change = (self.phase(3, age_d - days) - self.phase(3, age_d)) / self.value(age_d);
        if change.is_finite() {
            change.ln_1p()
        } else {
            0.0
        }
    }

    /// The share of the second phase that is done at an age.
    #[must_use]
    pub fn done(&self, age_d: f64) -> f64 {
        self.phase(3, age_d) / self.terms[3]
    }
}
