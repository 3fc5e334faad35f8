//! How the mode and its curvature move with the parameters: the reverse pass of a
//! subject's likelihood (the formulas stand at the top of `marginal.rs`).

use super::cholesky;
use super::marginal::{Marginal, Point};
use super::problem::Problem;
use super::spherical::{place, spherical_matrix};

impl Marginal {
    /// Hbar from Cbar, and K = L Hbar L' over the terms.
    pub(super) fn reverse_cholesky(&mut self, problem: &Problem<'_>, point: &Point) {
        let (p, q) = (problem.p, problem.q);
        for i in 0..q {
            for j in 0..=i {
                // Half of the diagonal, and P + P' makes it whole again.
                let sum: f64 = (i..q)
                    .map(|k| self.h[k * q + i] * self.cbar[k * q + j])
                    .sum();
                self.hbar[i * q + j] = sum;
                self.hbar[j * q + i] = sum;
            }
        }
        for row in self.hbar.chunks_exact_mut(q) {
            cholesky::backward(&self.h, q, row);
        }
        for i in 0..q {
            for j in 0..q {
                self.turned[i * q + j] = 0.5 * self.hbar[j * q + i];
            }
        }
        for row in self.turned.chunks_exact_mut(q) {
            cholesky::backward(&self.h, q, row);
        }
        self.hbar.copy_from_slice(&self.turned);
        self.k.fill(0.0);
        for a in 0..q {
            for b in 0..q {
                let mut sum = 0.0;
                for l in 0..=a {
                    for m in 0..=b {
                        sum += point.factor[a * q + l]
                            * self.hbar[l * q + m]
                            * point.factor[b * q + m];
                    }
                }
                self.k[problem.random[a] * p + problem.random[b]] = sum;
            }
        }
    }

    /// dD'/d noise and dI/d noise at the mode, by central differences (they need no
    /// curve evaluation); where the spread does not follow the fitted value both go
    /// with sigma^-2, which gives the derivatives in ln sigma.
    pub(super) fn noise_differences(
        &mut self,
        problem: &Problem<'_>,
        point: &Point,
        subject: usize,
    ) {
        const WIDTH: f64 = 1e-5;
        let p = problem.p;
        let first = usize::from(!problem.spread_follows_mean());
        if first == 1 {
            for (to, from) in self.noise_slopes.iter_mut().zip(&self.slope) {
                *to = -2.0 * from;
            }
            for (to, from) in self.noise_informations.iter_mut().zip(&self.information) {
                *to = -2.0 * from;
            }
        }
        for at in first..self.noise_slope.len() {
            for sign in [1.0, -1.0] {
                let noise = point.noise.moved(problem, at, sign * WIDTH);
                self.shifted.weigh(problem, subject, noise, &self.scratch);
                self.shifted.slope(problem, subject, noise, &self.scratch);
                accumulate(
                    &mut self.noise_slopes[at * p..(at + 1) * p],
                    &self.shifted.gradient,
                    sign,
                    WIDTH,
                );
                accumulate(
                    &mut self.noise_informations[at * p * p..(at + 1) * p * p],
                    &self.shifted.information,
                    sign,
                    WIDTH,
                );
            }
        }
    }

    /// D'' and c_k = tr(K dI/d eta_k) at the mode, by central differences.
    pub(super) fn eta_differences(
        &mut self,
        problem: &Problem<'_>,
        point: &Point,
        subject: usize,
        u: &[f64],
    ) -> Option<()> {
        let p = problem.p;
        place(problem, point, subject, u, &mut self.scratch.eta);
        for j in 0..p {
            let centre = self.scratch.eta[j];
            let width = point.widths[j];
            self.c[j] = 0.0;
            for sign in [1.0, -1.0] {
                self.scratch.eta[j] = centre + sign * width;
                if !problem.evaluate(subject, &mut self.scratch) {
                    return None;
                }
                self.shifted
                    .weigh(problem, subject, point.noise, &self.scratch);
                self.shifted
                    .slope(problem, subject, point.noise, &self.scratch);
                accumulate(
                    &mut self.second[j * p..(j + 1) * p],
                    &self.shifted.gradient,
                    sign,
                    width,
                );
                let trace: f64 = self
                    .k
                    .iter()
                    .zip(&self.shifted.information)
                    .map(|(k, i)| k * i)
                    .sum();
                self.c[j] += sign * trace / (2.0 * width);
            }
            self.scratch.eta[j] = centre;
        }
        Some(())
    }

    /// The mode's own movement, and the sum of all parts.
    pub(super) fn follow_mode(&mut self, problem: &Problem<'_>, point: &Point, u: &[f64]) {
        let (p, q) = (problem.p, problem.q);
        for l in 0..q {
            for k in l..q {
                self.z[l] += point.factor[k * q + l] * self.c[problem.random[k]];
            }
        }
        spherical_matrix(problem, point, &self.second, &mut self.exact);
        if !cholesky::factor(&mut self.exact, q) {
            // Not a proper least point of h: the information stands in.
            self.exact.copy_from_slice(&self.h);
        }
        cholesky::solve(&self.exact, q, &mut self.z);
        self.lz.fill(0.0);
        for k in 0..q {
            self.lz[problem.random[k]] = (0..=k).map(|l| point.factor[k * q + l] * self.z[l]).sum();
        }
        // c becomes c - D''Lz.
        for j in 0..p {
            for k in 0..p {
                self.c[j] -= self.second[k * p + j] * self.lz[k];
            }
            self.eta_slope[j] += self.c[j];
        }
        for k in 0..q {
            let term = problem.random[k];
            for l in 0..=k {
                let mut sum = self.c[term] * u[l] - self.slope[term] * self.z[l];
                for m in 0..q {
                    let lifted: f64 = (m..q)
                        .map(|other| {
                            self.information[term * p + problem.random[other]]
                                * point.factor[other * q + m]
                        })
                        .sum();
                    sum += 2.0 * lifted * self.hbar[m * q + l];
                }
                self.factor_slope[k * q + l] += sum;
            }
        }
        for at in 0..self.noise_slope.len() {
            let trace: f64 = self
                .k
                .iter()
                .zip(&self.noise_informations[at * p * p..])
                .map(|(k, i)| k * i)
                .sum();
            let moved: f64 = self
                .lz
                .iter()
                .zip(&self.noise_slopes[at * p..])
                .map(|(lz, slope)| lz * slope)
                .sum();
            self.noise_slope[at] += trace - moved;
        }
    }
}

/// Adds one side of a central difference; the upper side comes first and clears.
fn accumulate(to: &mut [f64], from: &[f64], sign: f64, width: f64) {
    for (to, from) in to.iter_mut().zip(from) {
        let part = sign * from / (2.0 * width);
        *to = if sign > 0.0 { part } else { *to + part };
    }
}
