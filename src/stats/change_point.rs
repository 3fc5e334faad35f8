//! At which x does a straight line bend?
//!
//! y = a + b x + c max(0, x - k). For a given k this is a linear model, so the sum of
//! squares is a function of k alone. It is smooth between neighbouring x but has corners
//! and several minima over them; each stretch between two neighbours is therefore solved exactly: if the
//! two free lines left and right cross within the stretch, their crossing is its minimum
//! (Hudson 1966), otherwise the minimum is at an end.

use super::distribution::f_quantile;
use super::failure::{check_count, check_finite, check_length, check_level};
use super::linear::{Design, Fit, fit};
use super::{Failure, Interval};

/// A line that bends once.
#[derive(Debug, Clone)]
pub struct BrokenStick {
    /// Where it bends.
    pub change_point: f64,
    /// Profile-likelihood interval of the bend; infinite at an end where the data set no
    /// limit. If the sum of squares is low in several places it spans all of them.
    pub interval: Interval,
    /// Value at the bend.
    pub value: f64,
    /// Slope before the bend.
    pub slope_before: f64,
    /// Slope after the bend.
    pub slope_after: f64,
    /// Residual sum of squares.
    pub rss: f64,
    /// Residual sum of squares of the straight line without a bend.
    pub rss_straight: f64,
    /// Residual standard deviation on n - 4.
    pub sigma: f64,
    /// Observations.
    pub n: usize,
}

/// At which x does a straight line bend, and how precisely is that known?
///
/// The interval holds every bend whose sum of squares is below
/// RSS (1 + F(level; 1, n - 4) / (n - 4)).
///
/// # Shapes
/// n pairs in any order; at least 5 different x, n at least 6.
/// # Errors
/// [`Failure::TooFew`], [`Failure::Lengths`], [`Failure::Value`], [`Failure::Setting`];
/// [`Failure::NoVariation`] where a straight line fits exactly, so that no bend is better
/// than another. A bend that is not supported is no error: its interval is open; compare
/// `rss` with `rss_straight` by simulation (the usual F does not hold, since the bend does not
/// exist without a change of slope).
/// # Source
/// Hudson 1966, J. Am. Statist. Assoc. 61:1097-1129; Hinkley 1971, ibid. 66:736-743.
pub fn broken_stick(x: &[f64], y: &[f64], level: f64) -> Result<BrokenStick, Failure> {
    check_length("y", y.len(), x.len())?;
    check_finite("x", x)?;
    check_finite("y", y)?;
    check_level(level)?;
    check_count("rows", x.len(), 6)?;
    let mut distinct = x.to_vec();
    distinct.sort_by(f64::total_cmp);
    distinct.dedup_by(|a, b| *a <= *b);
    check_count("different x", distinct.len(), 5)?;
    let straight = fit(&line(x, None)?, y)?;
    if straight.is_exact() {
        return Err(Failure::NoVariation {
            what: "residuals of the straight line".to_owned(),
        });
    }
    let profile = Profile {
        x,
        y,
        knots: &distinct,
    };
    let (change_point, best) = profile.minimum()?;
    let df = x.len() as f64 - 4.0;
    let limit = best.rss * (1.0 + f_quantile(level, 1.0, df) / df);
    let [_, before, change] = [0, 1, 2].map(|j| best.coefficients[j]);
    Ok(BrokenStick {
        change_point,
        interval: profile.interval(change_point, limit)?,
        value: best.coefficients[0] + before * change_point,
        slope_before: before,
        slope_after: before + change,
        rss: best.rss,
        rss_straight: straight.rss,
        sigma: (best.rss / df).sqrt(),
        n: x.len(),
    })
}

fn line(x: &[f64], bend: Option<f64>) -> Result<Design, Failure> {
    let mut columns = vec![("x".to_owned(), x.to_vec())];
    if let Some(bend) = bend {
        let after = x.iter().map(|x| (x - bend).max(0.0)).collect();
        columns.push(("change of slope".to_owned(), after));
    }
    Design::with_intercept(x.len(), columns)
}

struct Profile<'a> {
    x: &'a [f64],
    y: &'a [f64],
    /// Different x, ascending.
    knots: &'a [f64],
}

impl Profile<'_> {
    fn at(&self, bend: f64) -> Result<Fit, Failure> {
        fit(&line(self.x, Some(bend))?, self.y)
    }

    /// Bends lie between the second and the last but one x: each side has at least two x.
    fn inner(&self) -> &[f64] {
        &self.knots[1..self.knots.len() - 1]
    }

    fn minimum(&self) -> Result<(f64, Fit), Failure> {
        let mut bends = self.inner().to_vec();
        for pair in self.inner().windows(2) {
            bends.extend(self.crossing(pair[0], pair[1])?);
        }
        let mut best = (bends[0], self.at(bends[0])?);
        for &bend in &bends[1..] {
            let there = self.at(bend)?;
            if there.rss < best.1.rss {
                best = (bend, there);
            }
        }
        Ok(best)
    }

    /// Where the free lines left and right of a stretch cross, if within it.
    fn crossing(&self, from: f64, to: f64) -> Result<Option<f64>, Failure> {
        // One design of both lines at once: two columns for each side.
        let side = |f: &dyn Fn(f64) -> f64, left: bool| {
            let values = self
                .x
                .iter()
                .map(|x| if (*x <= from) == left { f(*x) } else { 0.0 });
            values.collect::<Vec<f64>>()
        };
        let columns = [("left", true), ("right", false)]
            .into_iter()
            .flat_map(|(name, left)| {
                [
                    (format!("{name} level"), side(&|_| 1.0, left)),
                    (format!("{name} slope"), side(&|x| x - from, left)),
                ]
            });
        let lines = fit(&Design::new(columns.collect())?, self.y)?;
        let [a, b, c, d] = [0, 1, 2, 3].map(|j| lines.coefficients[j]);
        let crossing = from + (a - c) / (d - b);
        Ok((crossing > from && crossing < to).then_some(crossing))
    }

    /// Outermost bends whose sum of squares reaches the limit.
    fn interval(&self, best: f64, limit: f64) -> Result<Interval, Failure> {
        let (first, last) = (self.inner()[0], self.inner()[self.inner().len() - 1]);
        Ok(Interval {
            lower: self
                .outermost(first, best, limit)?
                .unwrap_or(f64::NEG_INFINITY),
            upper: self.outermost(last, best, limit)?.unwrap_or(f64::INFINITY),
        })
    }

    /// From `end` towards `best`, the first bend below the limit; none if `end` itself is.
    fn outermost(&self, end: f64, best: f64, limit: f64) -> Result<Option<f64>, Failure> {
        if self.at(end)?.rss <= limit {
            return Ok(None);
        }
        // A grid finer than the knots, then halving within the step that holds the crossing.
        let steps = 20 * self.knots.len();
        let place = |k: usize| end + (best - end) * k as f64 / steps as f64;
        let mut outside = end;
        for k in 1..=steps {
            let here = place(k);
            if k == steps || self.at(here)?.rss <= limit {
                let mut inside = if k == steps { best } else { here };
                for _ in 0..50 {
                    let middle = f64::midpoint(outside, inside);
                    if self.at(middle)?.rss <= limit {
                        inside = middle;
                    } else {
                        outside = middle;
                    }
                }
                return Ok(Some(inside));
            }
            outside = here;
        }
        Ok(Some(best))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bent(x: f64) -> f64 {
        5.0 + 2.0 * x - 1.5 * (x - 6.3).max(0.0)
    }

    #[test]
    fn an_exact_bend_is_found_between_the_points() {
        let x: Vec<f64> = (0..12).map(f64::from).collect();
        let y: Vec<f64> = x.iter().map(|x| bent(*x)).collect();
        let stick = broken_stick(&x, &y, 0.95).unwrap();
        assert!((stick.change_point - 6.3).abs() < 1e-10);
        assert!((stick.slope_before - 2.0).abs() < 1e-10);
        assert!((stick.slope_after - 0.5).abs() < 1e-10);
        assert!((stick.value - 17.6).abs() < 1e-9);
        assert!(stick.interval.contains(stick.change_point) && stick.interval.width() < 1e-6);
    }

    /// The minimum beats every bend of a fine grid, and the ends of the interval reach the limit.
    #[test]
    fn the_minimum_and_the_limits_satisfy_their_definitions() {
        let noise = [
            0.3, -0.5, 0.2, 0.1, -0.4, 0.6, -0.2, 0.3, -0.6, 0.2, 0.4, -0.3,
        ];
        let x: Vec<f64> = (0..12).map(f64::from).collect();
        let y: Vec<f64> = x.iter().zip(noise).map(|(x, e)| bent(*x) + e).collect();
        let stick = broken_stick(&x, &y, 0.95).unwrap();
        let rss = |bend: f64| fit(&line(&x, Some(bend)).unwrap(), &y).unwrap().rss;
        for k in 0..=900 {
            assert!(rss(1.0 + f64::from(k) * 0.01) >= stick.rss - 1e-12);
        }
        let limit = stick.rss * (1.0 + f_quantile(0.95, 1.0, 8.0) / 8.0);
        for end in [stick.interval.lower, stick.interval.upper] {
            assert!((rss(end) / limit - 1.0).abs() < 1e-9, "{end}");
        }
        assert!(stick.interval.contains(6.3));
        assert!(stick.rss_straight > stick.rss);
    }

    #[test]
    fn what_has_no_bend_is_marked() {
        let x: Vec<f64> = (0..8).map(f64::from).collect();
        let failure = broken_stick(&x, &x, 0.95).unwrap_err();
        assert!(matches!(failure, Failure::NoVariation { .. }));
        // Pure alternation: a bend anywhere is as good as none, so no limit is set.
        let y: Vec<f64> = x
            .iter()
            .map(|x| if x % 2.0 < 0.5 { 1.0 } else { -1.0 })
            .collect();
        let stick = broken_stick(&x, &y, 0.95).unwrap();
        assert!(stick.interval.lower.is_infinite() && stick.interval.upper.is_infinite());
        assert!(broken_stick(&[1.0; 8], &x, 0.95).is_err());
        assert!(broken_stick(&x[..5], &x[..5], 0.95).is_err());
    }
}
