//! A curve from an expression in `x` and `b1`, `b2`, ..., with symbolic partial derivatives.

use std::borrow::Cow;

use exmex::prelude::*;
use pinfeather::growth::{Curve, Derived, Term};

/// The curve; it has no start of its own and no derived quantity.
#[derive(Debug)]
pub(crate) struct Formula {
    value: exmex::FlatEx<f64>,
    partials: Vec<exmex::FlatEx<f64>>,
    terms: Vec<Term>,
}

impl Formula {
    pub(crate) fn new(expression: &str, p: usize) -> Self {
        let value = exmex::parse::<f64>(expression).unwrap();
        let names: Vec<String> = (1..=p)
            .map(|j| format!("b{j}"))
            .chain(["x".to_owned()])
            .collect();
        assert_eq!(value.var_names(), names, "the terms of {expression}");
        let partials = (0..p).map(|j| value.clone().partial(j).unwrap()).collect();
        let terms = names[..p]
            .iter()
            .map(|name| Term {
                name: Cow::Owned(name.clone()),
                meaning: Cow::Borrowed(""),
                unit: Cow::Borrowed(""),
                lower: f64::NEG_INFINITY,
                upper: f64::INFINITY,
            })
            .collect();
        Self {
            value,
            partials,
            terms,
        }
    }

    fn arguments(&self, x: f64, terms: &[f64]) -> Vec<f64> {
        terms.iter().copied().chain([x]).collect()
    }
}

impl Curve for Formula {
    fn name(&self) -> &str {
        "formula"
    }

    fn terms(&self) -> &[Term] {
        &self.terms
    }

    fn value_and_gradient(&self, x: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let arguments = self.arguments(x, terms);
        for (entry, partial) in gradient.iter_mut().zip(&self.partials) {
            *entry = partial.eval(&arguments).unwrap();
        }
        self.value.eval(&arguments).unwrap()
    }

    fn slope_and_gradient(&self, _: f64, _: &[f64], _: &mut [f64]) -> f64 {
        unreachable!("a fit asks for no slope")
    }

    fn value(&self, x: f64, terms: &[f64]) -> f64 {
        self.value.eval(&self.arguments(x, terms)).unwrap()
    }

    fn start(&self, _: usize, _: &[f64], _: &[f64], _: &mut [f64]) -> bool {
        false
    }

    fn derived(&self, _: Derived, _: &[f64], _: &mut [f64]) -> Option<f64> {
        None
    }
}
