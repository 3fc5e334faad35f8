//! How well does a curve predict observations that it was not fitted to?
//!
//! By cluster: the observations of some birds are hidden, the curve is fitted to the
//! others and compared with the hidden ones. By last ages: the last weeks are hidden
//! and forecast. Both give the root mean square error of the hidden values, in their
//! unit. A curve with a term too many does well on what it was fitted to and badly here.

use super::{Estimates, Outcome, Series, Settings, Workspace, fit};
use crate::growth::Curve;

/// Above this number of clusters they are hidden in [`FOLDS`] parts rather than one by one.
const MOST_BY_ONE: usize = 30;
/// Parts of many clusters: the i-th in order of appearance goes to part i modulo this.
const FOLDS: usize = 10;
/// Ages of the last four weeks are hidden, or a quarter of the ages where that is less.
const HIDDEN_D: f64 = 28.0;

/// Error in telling whole clusters that were hidden: one at a time, or in ten parts
/// where there are more than thirty. `None` where a fit without them has no numbers.
///
/// # Shapes
/// `clusters`: the cluster of each observation.
#[must_use]
pub fn by_cluster(
    curve: &dyn Curve,
    series: Series<'_>,
    clusters: &[usize],
    settings: &Settings,
    estimates: &Estimates,
) -> Option<f64> {
    let mut names: Vec<usize> = clusters.to_vec();
    names.sort_unstable();
    names.dedup();
    if names.len() < 2 {
        return None;
    }
    let parts = if names.len() > MOST_BY_ONE {
        FOLDS
    } else {
        names.len()
    };
    let part_of = |cluster: usize| names.partition_point(|name| *name < cluster) % parts;
    let mut hidden = Hidden::new(curve, series, settings, estimates);
    let each = (0..parts).map(|part| hidden.error(|i| part_of(clusters[i]) == part));
    mean_square(each)
}

/// Error in forecasting the last weeks from those before them: four weeks, or the last
/// quarter of the ages where that is less. `None` where too few ages are left, or where
/// a fit to them has no numbers.
#[must_use]
pub fn by_last_ages(
    curve: &dyn Curve,
    series: Series<'_>,
    settings: &Settings,
    estimates: &Estimates,
) -> Option<f64> {
    let (first_d, last_d) = (series.ages_d.first()?, series.ages_d.last()?);
    let from_d = last_d - HIDDEN_D.min(0.25 * (last_d - first_d));
    let mut hidden = Hidden::new(curve, series, settings, estimates);
    mean_square(std::iter::once(hidden.error(|i| series.ages_d[i] > from_d)))
}

/// Root of the mean over all hidden values of what each part adds; `None` if a part has none.
fn mean_square(parts: impl Iterator<Item = Option<(f64, usize)>>) -> Option<f64> {
    let (mut squares, mut count) = (0.0, 0);
    for part in parts {
        let (sum, hidden) = part?;
        squares += sum;
        count += hidden;
    }
    (count > 0).then(|| (squares / count as f64).sqrt())
}

struct Hidden<'a> {
    curve: &'a dyn Curve,
    series: Series<'a>,
    settings: &'a Settings,
    from: Settings,
    workspace: Workspace,
}

impl<'a> Hidden<'a> {
    fn new(
        curve: &'a dyn Curve,
        series: Series<'a>,
        settings: &'a Settings,
        estimates: &Estimates,
    ) -> Self {
        let from = Settings {
            start: Some(estimates.terms.clone()),
            ..settings.clone()
        };
        Self {
            curve,
            series,
            settings,
            from,
            workspace: Workspace::new(),
        }
    }

    /// Squared error over the hidden observations, and how many there are.
    fn error(&mut self, is_hidden: impl Fn(usize) -> bool) -> Option<(f64, usize)> {
        let (mut ages_d, mut values) = (Vec::new(), Vec::new());
        let mut hidden = Vec::new();
        for i in 0..self.series.values.len() {
            if is_hidden(i) {
                hidden.push(i);
            } else {
                ages_d.push(self.series.ages_d[i]);
                values.push(self.series.values[i]);
            }
        }
        let seen = Series {
            ages_d: &ages_d,
            values: &values,
        };
        // From the terms of all, and from the curve's own start where that fails.
        let mut outcome = fit(self.curve, seen, &self.from, &mut self.workspace);
        if matches!(outcome, Outcome::Failed(_)) {
            outcome = fit(self.curve, seen, self.settings, &mut self.workspace);
        }
        let estimates = outcome.estimates()?;
        let error = |i: &usize| {
            let fitted = self.curve.value(self.series.ages_d[*i], &estimates.terms);
            (self.series.values[*i] - fitted).powi(2)
        };
        let sum: f64 = hidden.iter().map(error).sum();
        sum.is_finite().then_some((sum, hidden.len()))
    }
}
