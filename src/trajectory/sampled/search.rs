//! The search for the greatest value of a function of a few parameters, without derivatives
//! given: quasi-Newton (Broyden, Fletcher, Goldfarb, Shanno) with central differences.

use nalgebra::{DMatrix, DVector};

/// Step of the differences; parameters are scaled so that one is a large step.
const STEP: f64 = 1e-4;
const ITERATIONS: usize = 120;
/// A rise below this ends the search.
const CONVERGED: f64 = 1e-7;

/// Where the search ended.
pub(crate) struct Summit {
    pub(crate) x: DVector<f64>,
    pub(crate) value: f64,
    pub(crate) converged: bool,
}

/// Gradient by central differences.
pub(crate) fn gradient(
    x: &DVector<f64>,
    f: &impl Fn(&DVector<f64>) -> Option<f64>,
) -> Option<DVector<f64>> {
    let mut slopes = DVector::zeros(x.len());
    for at in 0..x.len() {
        let mut moved = x.clone();
        moved[at] = x[at] + STEP;
        let above = f(&moved)?;
        moved[at] = x[at] - STEP;
        slopes[at] = (above - f(&moved)?) / (2.0 * STEP);
    }
    Some(slopes)
}

/// Matrix of second derivatives by central differences.
pub(crate) fn hessian(
    x: &DVector<f64>,
    f: &impl Fn(&DVector<f64>) -> Option<f64>,
) -> Option<DMatrix<f64>> {
    const WIDE: f64 = 2e-3;
    let n = x.len();
    let mut second = DMatrix::zeros(n, n);
    let at = |moves: &[(usize, f64)]| {
        let mut moved = x.clone();
        for (index, by) in moves {
            moved[*index] += by;
        }
        f(&moved)
    };
    let here = f(x)?;
    for i in 0..n {
        second[(i, i)] = (at(&[(i, WIDE)])? - 2.0 * here + at(&[(i, -WIDE)])?) / (WIDE * WIDE);
        for j in 0..i {
            let mixed = at(&[(i, WIDE), (j, WIDE)])?
                - at(&[(i, WIDE), (j, -WIDE)])?
                - at(&[(i, -WIDE), (j, WIDE)])?
                + at(&[(i, -WIDE), (j, -WIDE)])?;
            second[(i, j)] = mixed / (4.0 * WIDE * WIDE);
            second[(j, i)] = second[(i, j)];
        }
    }
    Some(second)
}

/// Climbs from a start; `None` where the function has no value there.
pub(crate) fn maximise(
    start: DVector<f64>,
    f: &impl Fn(&DVector<f64>) -> Option<f64>,
) -> Option<Summit> {
    let mut x = start;
    let mut value = f(&x)?;
    let mut slopes = gradient(&x, f)?;
    let n = x.len();
    let mut inverse = DMatrix::<f64>::identity(n, n) * (0.1 / slopes.norm().max(0.1));
    let mut converged = false;
    for _ in 0..ITERATIONS {
        let mut direction = &inverse * &slopes;
        if direction.dot(&slopes) <= 0.0 {
            inverse = DMatrix::identity(n, n) * (0.1 / slopes.norm().max(0.1));
            direction = &inverse * &slopes;
        }
        // No step that doubles a spread more than twice.
        let longest = direction.amax();
        if longest > 1.5 {
            direction *= 1.5 / longest;
        }
        let promise = direction.dot(&slopes);
        let mut factor = 1.0;
        let mut next = None;
        while factor > 1e-10 {
            let moved = &x + &direction * factor;
            if let Some(there) = f(&moved).filter(|there| *there >= value + 1e-4 * factor * promise)
            {
                next = Some((moved, there));
                break;
            }
            factor *= 0.5;
        }
        let Some((moved, there)) = next else {
            converged = promise < 1e-4;
            break;
        };
        let Some(new_slopes) = gradient(&moved, f) else {
            break;
        };
        let step = &moved - &x;
        let change = &slopes - &new_slopes;
        let curvature = step.dot(&change);
        if curvature > 1e-12 {
            let product = &inverse * &change;
            let scale = 1.0 + change.dot(&product) / curvature;
            inverse += &step * step.transpose() * (scale / curvature)
                - (&product * step.transpose() + &step * product.transpose()) / curvature;
        }
        let rise = there - value;
        (x, value, slopes) = (moved, there, new_slopes);
        if rise < CONVERGED && (&inverse * &slopes).dot(&slopes) < 1e-5 {
            converged = true;
            break;
        }
    }
    Some(Summit {
        x,
        value,
        converged,
    })
}
