//! The growth model of birds that are weighed without names.
//!
//! Of the birds of group g, unit j (a pen, a house, a whole flock) at age t on day d, log weight
//! is normal with the mean
//!
//! log f(t; terms of g) + unit j + day d of g + occasion (j, d)
//!
//! and an SD that is a smooth function of age: exp(c_g + a x + b (x^2 - 1/2)) with x the age
//! scaled to -1..1. Units, days and occasions are random. A sample enters by its n, the mean and
//! the squares of its logarithms; birds weighed together by the logarithm of their mean, which
//! has the log-normal law's correction and variance; a ringed bird by all its weighings, whose
//! correlation (1 - p) exp(-|t - s| / L) is estimated beside. Each of the three kinds
//! contributes to the same cells, so that none is turned into another.
//!
//! Variances are estimated by restricted likelihood of the model linearised at the terms, the
//! terms by generalised least squares in turn, until neither changes (Lindstrom and Bates 1990,
//! Biometrics 46:673-687). Degrees of freedom are Satterthwaite's, from the curvature of the
//! restricted likelihood.

mod choice;
mod data;
mod likelihood;
mod model;
mod of_study;
pub(crate) mod search;
mod spread;

pub use choice::{SampledTrait, TriedCurve};
pub use data::{Cell, Part, SampledData};
pub use model::{Components, LogEstimate, SampledModel, satterthwaite};
pub use of_study::{Sampled, SampledGroup, Unit};
