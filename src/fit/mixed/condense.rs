//! One subject of the linearised model: what it adds to likelihood, score and
//! information (the formulas stand at the top of `linear.rs`).

use super::cholesky;
use super::problem::Problem;

/// Numbers kept of a subject: J'J (p x p), J'w (p), w'w, ln|V|.
pub(super) fn stride(p: usize) -> usize {
    p * p + p + 2
}

/// Sums over subjects, and working memory, of one task.
#[derive(Debug, Clone)]
pub(super) struct Task {
    pub(super) m: Vec<f64>,
    /// C^-1 L'Z'X, q x p.
    pub(super) b: Vec<f64>,
    pub(super) a: Vec<f64>,
    pub(super) g: Vec<f64>,
    pub(super) f: Vec<f64>,
    pub(super) k: Vec<f64>,
    pub(super) u: Vec<f64>,
    pub(super) xx: Vec<f64>,
    pub(super) xy: Vec<f64>,
    pub(super) yy: f64,
    pub(super) log_m: f64,
    pub(super) log_v: f64,
    pub(super) score: Vec<f64>,
    pub(super) information: Vec<f64>,
    pub(super) cross: Vec<f64>,
    pub(super) failed: bool,
}

impl Task {
    pub(super) fn new(problem: &Problem<'_>, entries: usize) -> Self {
        let (p, q, fixed) = (problem.p, problem.q, problem.fixed);
        Self {
            m: vec![0.0; q * q],
            b: vec![0.0; q * p],
            a: vec![0.0; q],
            g: vec![0.0; q * q],
            f: vec![0.0; q * q],
            k: vec![0.0; q * q],
            u: vec![0.0; q],
            xx: vec![0.0; problem.blocks.len()],
            xy: vec![0.0; fixed],
            yy: 0.0,
            log_m: 0.0,
            log_v: 0.0,
            score: vec![0.0; q * q],
            information: vec![0.0; entries * entries],
            cross: vec![0.0; entries],
            failed: false,
        }
    }

    /// C, C^-1 L'Z'X and C^-1 L'Z'w of one subject; false where C does not exist.
    fn condense(&mut self, problem: &Problem<'_>, numbers: &[f64], factor: &[f64]) -> bool {
        match (problem.p, problem.q) {
            (3, 3) => self.condense_of::<3, 3>(problem, numbers, factor),
            (3, 2) => self.condense_of::<3, 2>(problem, numbers, factor),
            _ => self.condense_of::<0, 0>(problem, numbers, factor),
        }
    }

    /// The same for `P` terms and `Q` effects (0: as many as the problem has): with the
    /// numbers known, the loops are unrolled.
    fn condense_of<const P: usize, const Q: usize>(
        &mut self,
        problem: &Problem<'_>,
        numbers: &[f64],
        factor: &[f64],
    ) -> bool {
        let p = if P == 0 { problem.p } else { P };
        let q = if P == 0 { problem.q } else { Q };
        let random = problem.random;
        let (jj, jw) = (&numbers[..p * p], &numbers[p * p..p * p + p]);
        for row in 0..q {
            let target = &mut self.b[row * p..(row + 1) * p];
            let first = factor[row * q + row];
            let from = random[row] * p;
            for (target, value) in target.iter_mut().zip(&jj[from..from + p]) {
                *target = first * value;
            }
            self.a[row] = first * jw[random[row]];
            for other in row + 1..q {
                let weight = factor[other * q + row];
                if weight != 0.0 {
                    let from = random[other] * p;
                    for (target, value) in target.iter_mut().zip(&jj[from..from + p]) {
                        *target += weight * value;
                    }
                    self.a[row] += weight * jw[random[other]];
                }
            }
        }
        for row in 0..q {
            for column in 0..=row {
                let mut sum = self.b[row * p + random[column]] * factor[column * q + column];
                for other in column + 1..q {
                    sum += self.b[row * p + random[other]] * factor[other * q + column];
                }
                self.m[row * q + column] = sum;
            }
            self.m[row * q + row] += 1.0;
        }
        if !cholesky::factor(&mut self.m, q) {
            return false;
        }
        for row in 0..q {
            for other in 0..row {
                let weight = self.m[row * q + other];
                let (before, target) = self.b.split_at_mut(row * p);
                for (target, value) in target[..p].iter_mut().zip(&before[other * p..]) {
                    *target -= weight * value;
                }
                self.a[row] -= weight * self.a[other];
            }
            let inverse = 1.0 / self.m[row * q + row];
            self.b[row * p..(row + 1) * p]
                .iter_mut()
                .for_each(|value| *value *= inverse);
            self.a[row] *= inverse;
        }
        true
    }

    pub(super) fn add_value(
        &mut self,
        problem: &Problem<'_>,
        subject: usize,
        numbers: &[f64],
        factor: &[f64],
    ) {
        if !self.condense(problem, numbers, factor) {
            self.failed = true;
            return;
        }
        let (p, q) = (problem.p, problem.q);
        let columns = problem.columns_of(subject);
        let group = problem.groups[subject];
        let rows = problem.blocks.rows_of(group, p);
        for j in 0..p {
            let row = problem.blocks.place(group, rows[j], 0);
            for k in 0..=j {
                let mut sum = numbers[j * p + k];
                for l in 0..q {
                    sum -= self.b[l * p + j] * self.b[l * p + k];
                }
                self.xx[row + rows[k]] += sum;
            }
            let mut sum = numbers[p * p + j];
            for l in 0..q {
                sum -= self.b[l * p + j] * self.a[l];
            }
            self.xy[columns[j]] += sum;
        }
        let mut product = 1.0;
        let mut sum = numbers[p * p + p];
        for l in 0..q {
            sum -= self.a[l] * self.a[l];
            product *= self.m[l * q + l];
        }
        self.yy += sum;
        self.log_m += 2.0 * product.ln();
        self.log_v += numbers[p * p + p + 1];
    }

    /// Adds a subject's score and information in the factor, and writes its
    /// spherical random effects.
    pub(super) fn add_slope(
        &mut self,
        problem: &Problem<'_>,
        slope: &Slope<'_>,
        subject: usize,
        numbers: &[f64],
        spherical: &mut [f64],
    ) {
        if !self.condense(problem, numbers, slope.factor) {
            self.failed = true;
            return;
        }
        let (p, q) = (problem.p, problem.q);
        let columns = problem.columns_of(subject);
        for l in 0..q {
            let moved: f64 = (0..p)
                .map(|j| self.b[l * p + j] * slope.change[columns[j]])
                .sum();
            spherical[l] = self.a[l] - moved;
        }
        // u = Z'e - Z'X... - B[:,z]' a_e, before the effects are solved for.
        for k in 0..q {
            let term = problem.random[k];
            let mut sum = numbers[p * p + term];
            for j in 0..p {
                sum -= numbers[term * p + j] * slope.change[columns[j]];
            }
            for l in 0..q {
                sum -= self.b[l * p + term] * spherical[l];
            }
            self.u[k] = sum;
            for k2 in 0..q {
                let term2 = problem.random[k2];
                let mut sum = numbers[term * p + term2];
                for l in 0..q {
                    sum -= self.b[l * p + term] * self.b[l * p + term2];
                }
                self.g[k * q + k2] = sum;
            }
        }
        cholesky::backward(&self.m, q, spherical);
        let factor = slope.factor;
        for k in 0..q {
            for l in 0..q {
                self.score[k * q + l] +=
                    self.u[k] * self.u[l] * slope.precision - self.g[k * q + l];
                let mut sum = 0.0;
                for other in l..q {
                    sum += self.g[k * q + other] * factor[other * q + l];
                }
                self.f[k * q + l] = sum;
            }
        }
        for k in 0..q {
            for l in 0..q {
                let mut sum = 0.0;
                for other in k..q {
                    sum += factor[other * q + k] * self.f[other * q + l];
                }
                self.k[k * q + l] = sum;
            }
        }
        let count = slope.entries.len();
        for (at, (k, l)) in slope.entries.iter().enumerate() {
            self.cross[at] += self.f[k * q + l];
            for (at2, (k2, l2)) in slope.entries[..=at].iter().enumerate() {
                self.information[at * count + at2] += self.f[k2 * q + l] * self.f[k * q + l2]
                    + self.k[l * q + l2] * self.g[k * q + k2];
            }
        }
        if let Some(inverse) = slope.restricted {
            self.restrict(problem, inverse, subject, numbers);
        }
    }

    /// The part of the restricted likelihood's score: + Z'W^-1X C^-1 X'W^-1Z.
    fn restrict(
        &mut self,
        problem: &Problem<'_>,
        inverse: &[f64],
        subject: usize,
        numbers: &[f64],
    ) {
        let (p, q) = (problem.p, problem.q);
        let group = problem.groups[subject];
        let rows = problem.blocks.rows_of(group, p);
        let through = |task: &Self, k: usize, j: usize| -> f64 {
            let term = problem.random[k];
            let removed: f64 = (0..q)
                .map(|l| task.b[l * p + term] * task.b[l * p + j])
                .sum();
            numbers[term * p + j] - removed
        };
        for k in 0..q {
            for l in 0..q {
                let mut sum = 0.0;
                for j in 0..p {
                    for j2 in 0..p {
                        sum += through(self, k, j)
                            * inverse[problem.blocks.place(group, rows[j], rows[j2])]
                            * through(self, l, j2);
                    }
                }
                self.score[k * q + l] += sum;
            }
        }
    }
}

/// What the slope pass needs beyond the subjects' numbers.
pub(super) struct Slope<'s> {
    pub(super) factor: &'s [f64],
    pub(super) change: &'s [f64],
    pub(super) precision: f64,
    pub(super) entries: &'s [(usize, usize)],
    /// Inverse of X'W^-1X, block after block, where the likelihood is restricted.
    pub(super) restricted: Option<&'s [f64]>,
}
