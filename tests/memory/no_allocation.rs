//! The loop of a fit allocates nothing: a fit of many evaluations takes as much from
//! the heap as one of few, and that is its answer's two boxes.

use std::sync::atomic::Ordering;

use pinfeather::fit::{Outcome, Series, Settings, Workspace, fit};
use pinfeather::growth::built_in;

use super::ALLOCATIONS;

pub(crate) fn the_loop_allocates_nothing() {
    // NIST StRD Rat42: a good start takes 8 iterations, a far one 11.
    let ages_d = [9.0, 14.0, 21.0, 28.0, 42.0, 57.0, 63.0, 70.0, 79.0];
    let values = [8.93, 10.80, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08];
    let series = Series {
        ages_d: &ages_d,
        values: &values,
    };
    let mut workspace = Workspace::new();
    for name in ["logistic", "gompertz", "bertalanffy"] {
        let curve = built_in(name).unwrap();
        let start = |terms: [f64; 3]| Settings {
            start: Some(Box::new(terms)),
            ..Settings::default()
        };
        let (near, far) = (start([72.0, 0.06, 38.0]), start([300.0, 0.01, 10.0]));
        // The first fit gives the workspace its size.
        let mut run = |settings: &Settings| {
            let before = ALLOCATIONS.load(Ordering::Relaxed);
            let outcome = fit(curve.as_ref(), series, settings, &mut workspace);
            let taken = ALLOCATIONS.load(Ordering::Relaxed) - before;
            let Outcome::Converged(estimates) = outcome else {
                panic!("{name}: {}", outcome.reason())
            };
            (estimates.iterations, taken)
        };
        run(&near);
        let (few, taken_by_few) = run(&near);
        let (many, taken_by_many) = run(&far);
        assert!(many > few, "{name}: {many} iterations against {few}");
        // Terms and covariance.
        assert_eq!((taken_by_few, taken_by_many), (2, 2), "{name}");
    }
}
