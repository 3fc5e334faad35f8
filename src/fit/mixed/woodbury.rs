//! One subject of the linearised model: what it adds to likelihood, score and
//! information (the formulas stand at the top of `linear.rs`).
//!
//! A cluster of subjects is such a unit too, of the numbers that remain of its subjects
//! when their own effects are integrated out (`clusters.rs`): hence a [`RandomLevel`].

use super::blocks::Blocks;
use super::cholesky;
use super::clusters::Within;

/// Numbers kept of a subject: J'J (p x p), J'w (p), w'w, ln|V|.
pub(super) fn stride(p: usize) -> usize {
    p * p + p + 2
}

/// Units of random effects: subjects, or clusters of subjects.
#[derive(Debug, Clone, Copy)]
pub(super) struct RandomLevel<'l> {
    /// Terms of the curve.
    pub(super) p: usize,
    /// Those with a random effect.
    pub(super) random: &'l [usize],
    /// Fixed-effect group of each unit.
    pub(super) groups: &'l [usize],
    /// Fixed effect of each term in each group, groups x p.
    pub(super) columns: &'l [usize],
    pub(super) blocks: &'l Blocks,
}

impl RandomLevel<'_> {
    pub(super) fn q(&self) -> usize {
        self.random.len()
    }

    fn columns_of(&self, unit: usize) -> &[usize] {
        let group = self.groups[unit];
        &self.columns[group * self.p..(group + 1) * self.p]
    }
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
    /// What remains of the numbers of one unit, [`stride`].
    rest: Vec<f64>,
    /// Change of the unit's terms, p.
    change: Vec<f64>,
    /// Z'W^-1X, q x p.
    pub(super) t: Vec<f64>,
    pub(super) xx: Vec<f64>,
    pub(super) xy: Vec<f64>,
    pub(super) yy: f64,
    pub(super) log_m: f64,
    pub(super) log_v: f64,
    pub(super) score: Vec<f64>,
    pub(super) information: Vec<f64>,
    pub(super) cross: Vec<f64>,
    /// What subjects have in common with their cluster, one after the other.
    pub(super) trails: Vec<f64>,
    pub(super) failed: bool,
}

impl Task {
    pub(super) fn new(level: RandomLevel<'_>, fixed: usize, entries: usize) -> Self {
        let (p, q) = (level.p, level.q());
        Self {
            m: vec![0.0; q * q],
            b: vec![0.0; q * p],
            a: vec![0.0; q],
            g: vec![0.0; q * q],
            f: vec![0.0; q * q],
            k: vec![0.0; q * q],
            u: vec![0.0; q],
            rest: vec![0.0; stride(p)],
            change: vec![0.0; p],
            t: vec![0.0; q * p],
            xx: vec![0.0; level.blocks.len()],
            xy: vec![0.0; fixed],
            yy: 0.0,
            log_m: 0.0,
            log_v: 0.0,
            score: vec![0.0; q * q],
            information: vec![0.0; entries * entries],
            cross: vec![0.0; entries],
            trails: Vec::new(),
            failed: false,
        }
    }

    /// C, C^-1 L'Z'X and C^-1 L'Z'w of one subject; false where C does not exist.
    pub(super) fn woodbury(
        &mut self,
        level: RandomLevel<'_>,
        numbers: &[f64],
        factor: &[f64],
    ) -> bool {
        match (level.p, level.q()) {
            (3, 3) => self.condense_of::<3, 3>(level, numbers, factor),
            (3, 2) => self.condense_of::<3, 2>(level, numbers, factor),
            (6, 6) => self.condense_of::<6, 6>(level, numbers, factor),
            (6, 5) => self.condense_of::<6, 5>(level, numbers, factor),
            (6, 4) => self.condense_of::<6, 4>(level, numbers, factor),
            _ => self.condense_of::<0, 0>(level, numbers, factor),
        }
    }

    /// The same for `P` terms and `Q` effects (0: as many as the problem has): with the
    /// numbers known, the loops are unrolled.
    fn condense_of<const P: usize, const Q: usize>(
        &mut self,
        level: RandomLevel<'_>,
        numbers: &[f64],
        factor: &[f64],
    ) -> bool {
        let p = if P == 0 { level.p } else { P };
        let q = if P == 0 { level.q() } else { Q };
        let random = level.random;
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

    /// What remains of a unit's numbers when its effects are integrated out: X'W^-1X (its
    /// lower triangle), X'W^-1w, w'W^-1w and ln|M|; false where there is no C.
    pub(super) fn reduce(
        &mut self,
        level: RandomLevel<'_>,
        numbers: &[f64],
        factor: &[f64],
    ) -> bool {
        if !self.woodbury(level, numbers, factor) {
            return false;
        }
        let (p, q) = (level.p, level.q());
        for j in 0..p {
            for k in 0..=j {
                let mut sum = numbers[j * p + k];
                for l in 0..q {
                    sum -= self.b[l * p + j] * self.b[l * p + k];
                }
                self.rest[j * p + k] = sum;
            }
            let mut sum = numbers[p * p + j];
            for l in 0..q {
                sum -= self.b[l * p + j] * self.a[l];
            }
            self.rest[p * p + j] = sum;
        }
        let mut product = 1.0;
        let mut sum = numbers[p * p + p];
        for l in 0..q {
            sum -= self.a[l] * self.a[l];
            product *= self.m[l * q + l];
        }
        self.rest[p * p + p] = sum;
        self.rest[p * p + p + 1] = 2.0 * product.ln();
        true
    }

    /// Writes what remains of a subject as numbers of a unit above it.
    pub(super) fn pass_on(
        &mut self,
        level: RandomLevel<'_>,
        numbers: &[f64],
        factor: &[f64],
        out: &mut [f64],
    ) {
        if !self.reduce(level, numbers, factor) {
            self.failed = true;
            return;
        }
        let p = level.p;
        out.copy_from_slice(&self.rest);
        for j in 0..p {
            for k in 0..j {
                out[k * p + j] = out[j * p + k];
            }
        }
        out[p * p + p + 1] += numbers[p * p + p + 1];
    }

    pub(super) fn add_value(
        &mut self,
        level: RandomLevel<'_>,
        unit: usize,
        numbers: &[f64],
        factor: &[f64],
    ) {
        if !self.reduce(level, numbers, factor) {
            self.failed = true;
            return;
        }
        let p = level.p;
        let columns = level.columns_of(unit);
        let group = level.groups[unit];
        let rows = level.blocks.rows_of(group, p);
        for j in 0..p {
            let row = level.blocks.place(group, rows[j], 0);
            for k in 0..=j {
                self.xx[row + rows[k]] += self.rest[j * p + k];
            }
            self.xy[columns[j]] += self.rest[p * p + j];
        }
        self.yy += self.rest[p * p + p];
        self.log_m += self.rest[p * p + p + 1];
        self.log_v += numbers[p * p + p + 1];
    }

    /// Adds a unit's score and information in the factor, and writes its spherical
    /// random effects; `within` is what a subject has of its cluster.
    pub(super) fn add_slope(
        &mut self,
        level: RandomLevel<'_>,
        slope: &Slope<'_>,
        subject: usize,
        numbers: &[f64],
        spherical: &mut [f64],
        within: Option<&Within<'_>>,
    ) {
        if !self.woodbury(level, numbers, slope.factor) {
            self.failed = true;
            return;
        }
        let (p, q) = (level.p, level.q());
        for (change, column) in self.change.iter_mut().zip(level.columns_of(subject)) {
            *change = slope.change[*column];
        }
        if let Some(within) = within {
            within.add_effects(&mut self.change);
        }
        for l in 0..q {
            let moved: f64 = (0..p).map(|j| self.b[l * p + j] * self.change[j]).sum();
            spherical[l] = self.a[l] - moved;
        }
        // u = Z'e - Z'X... - B[:,z]' a_e, before the effects are solved for.
        for k in 0..q {
            let term = level.random[k];
            let mut sum = numbers[p * p + term];
            for j in 0..p {
                sum -= numbers[term * p + j] * self.change[j];
            }
            for l in 0..q {
                sum -= self.b[l * p + term] * spherical[l];
            }
            self.u[k] = sum;
            for k2 in 0..q {
                let term2 = level.random[k2];
                let mut sum = numbers[term * p + term2];
                for l in 0..q {
                    sum -= self.b[l * p + term] * self.b[l * p + term2];
                }
                self.g[k * q + k2] = sum;
            }
        }
        cholesky::backward(&self.m, q, spherical);
        if slope.restricted.is_some() || within.is_some() {
            self.reach(level, numbers);
        }
        if let Some(within) = within {
            within.correct(level, self);
        }
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
        if let Some(within) = within {
            within.add_information(level, slope, self);
            if let Some(covariance) = within.restricted {
                self.restrict(level, |at| covariance[at]);
            }
        } else if let Some(inverse) = slope.restricted {
            let group = level.groups[subject];
            let rows = level.blocks.rows_of(group, p);
            self.restrict(level, |at| {
                inverse[level.blocks.place(group, rows[at / p], rows[at % p])]
            });
        }
    }

    /// Z'W^-1X of a unit.
    fn reach(&mut self, level: RandomLevel<'_>, numbers: &[f64]) {
        let (p, q) = (level.p, level.q());
        for k in 0..q {
            let term = level.random[k];
            for j in 0..p {
                let removed: f64 = (0..q)
                    .map(|l| self.b[l * p + term] * self.b[l * p + j])
                    .sum();
                self.t[k * p + j] = numbers[term * p + j] - removed;
            }
        }
    }

    /// The part of the restricted likelihood's score: + Z'W^-1X C^-1 X'W^-1Z, with C^-1 of
    /// the unit's terms, p x p, entry by entry.
    fn restrict(&mut self, level: RandomLevel<'_>, inverse: impl Fn(usize) -> f64) {
        let (p, q) = (level.p, level.q());
        for j in 0..p {
            for k in 0..q {
                let row = &self.t[k * p..(k + 1) * p];
                let sum: f64 = row
                    .iter()
                    .zip(0..)
                    .map(|(t, j2)| t * inverse(j2 * p + j))
                    .sum();
                self.f[k] = sum;
            }
            for k in 0..q {
                for l in 0..q {
                    self.score[k * q + l] += self.f[k] * self.t[l * p + j];
                }
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
