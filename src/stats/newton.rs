//! Newton's method for a log-likelihood with analytic gradient and Hessian.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

const ITERATIONS: usize = 200;
/// Squared distance to the maximum in standard errors at which to stop; the last step,
/// taken all the same, squares it again.
const CONVERGED: f64 = 1e-16;

/// Information below which a scaled term is not determined: a standard error above
/// 10,000, where one event alone gives about 1.
const LEAST_INFORMATION: f64 = 1e-8;

/// A function with its first and second derivatives at a point.
pub(super) struct Evaluation {
    pub(super) value: f64,
    pub(super) gradient: DVector<f64>,
    pub(super) hessian: DMatrix<f64>,
}

impl Evaluation {
    pub(super) fn zero(terms: usize) -> Self {
        Self {
            value: 0.0,
            gradient: DVector::zeros(terms),
            hessian: DMatrix::zeros(terms, terms),
        }
    }

    fn is_finite(&self) -> bool {
        let all = self.gradient.iter().chain(self.hessian.iter());
        self.value.is_finite() && all.into_iter().all(|value| value.is_finite())
    }
}

/// Where the search ended.
pub(super) struct Maximum {
    pub(super) point: DVector<f64>,
    pub(super) value: f64,
    /// Negative Hessian: the observed information.
    pub(super) information: DMatrix<f64>,
    pub(super) iterations: usize,
    /// Whether the criterion was met.
    pub(super) converged: bool,
}

/// Climbs from `start`; `evaluate` answers `None` outside its domain.
///
/// Each step is Newton's, the Hessian damped where it is not negative definite, and halved
/// until the function rises by a share of what its slope promises (Armijo).
/// `None` if the start itself is outside the domain.
pub(super) fn maximise(
    start: DVector<f64>,
    evaluate: impl Fn(&DVector<f64>) -> Option<Evaluation>,
) -> Option<Maximum> {
    let evaluate = |point: &DVector<f64>| evaluate(point).filter(Evaluation::is_finite);
    let mut point = start;
    let mut here = evaluate(&point)?;
    let mut converged = false;
    let mut iterations = 0;
    while iterations < ITERATIONS && !converged {
        iterations += 1;
        let Some((factored, damped)) = damped_information(&here.hessian) else {
            break;
        };
        let step = factored.solve(&here.gradient);
        let promise = here.gradient.dot(&step);
        converged = !damped && promise <= CONVERGED;
        if damped && promise <= CONVERGED {
            // Level, but not a peak: some direction carries no information.
            break;
        }
        match climb(&point, &step, promise, &here, &evaluate) {
            Some((next, there)) => (point, here) = (next, there),
            // Rounding hides the last rise; otherwise the search is stuck.
            None => {
                converged = !damped && promise <= 1e-9;
                break;
            }
        }
    }
    Some(Maximum {
        point,
        value: here.value,
        information: -here.hessian,
        iterations,
        converged,
    })
}

impl Maximum {
    /// Direction in which the information is next to nothing (the function rises or runs
    /// level without end), for terms scaled so that each should have some.
    pub(super) fn open_direction(&self) -> Option<DVector<f64>> {
        let parts = self.information.clone().symmetric_eigen();
        let weakest = parts.eigenvalues.argmin().0;
        (parts.eigenvalues[weakest] < LEAST_INFORMATION)
            .then(|| parts.eigenvectors.column(weakest).into_owned())
    }

    /// Inverse of the information.
    pub(super) fn covariance(&self) -> Option<DMatrix<f64>> {
        Cholesky::new(self.information.clone()).map(|factored| factored.inverse())
    }
}

fn climb(
    point: &DVector<f64>,
    step: &DVector<f64>,
    promise: f64,
    here: &Evaluation,
    evaluate: &impl Fn(&DVector<f64>) -> Option<Evaluation>,
) -> Option<(DVector<f64>, Evaluation)> {
    // What rounding does to a sum of this size.
    let blur = 1e-14 * (1.0 + here.value.abs());
    let mut share = 1.0;
    for _ in 0..60 {
        let next = point + step * share;
        if let Some(there) = evaluate(&next)
            && there.value >= here.value + 1e-4 * share * promise - blur
        {
            return Some((next, there));
        }
        share *= 0.5;
    }
    None
}

fn damped_information(hessian: &DMatrix<f64>) -> Option<(Cholesky<f64, Dyn>, bool)> {
    let size = hessian.diagonal().amax().max(f64::MIN_POSITIVE);
    let mut damping = 0.0;
    for _ in 0..40 {
        let n = hessian.nrows();
        let damped = -hessian + DMatrix::identity(n, n) * damping;
        if let Some(factored) = Cholesky::new(damped) {
            return Some((factored, damping > 0.0));
        }
        damping = if damping > 0.0 {
            damping * 10.0
        } else {
            1e-10 * size
        };
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ln x - x has its maximum at 1; from 40 the full step would leave the domain.
    #[test]
    fn keeps_to_the_domain() {
        let found = maximise(DVector::from_element(1, 40.0), |x| {
            let x = x[0];
            (x > 0.0).then(|| Evaluation {
                value: x.ln() - x,
                gradient: DVector::from_element(1, 1.0 / x - 1.0),
                hessian: DMatrix::from_element(1, 1, -1.0 / (x * x)),
            })
        });
        let found = found.unwrap();
        assert!(found.converged && (found.point[0] - 1.0).abs() < 1e-12);
        assert!((found.covariance().unwrap()[(0, 0)] - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_function_without_maximum_does_not_converge() {
        let found = maximise(DVector::from_element(1, 0.0), |x| {
            Some(Evaluation {
                value: x[0],
                gradient: DVector::from_element(1, 1.0),
                hessian: DMatrix::zeros(1, 1),
            })
        });
        let found = found.unwrap();
        assert!(!found.converged && found.open_direction().is_some());
    }
}
