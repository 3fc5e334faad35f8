//! The explicit way from a live bird's reading to its chemistry: three equations
//! in a row, and what is left of their errors at the end.
//!
//! Feather mass m(z), the effect e_k(m, z) on each reading, chemistry
//! c(r - e, z) from the readings freed of feathers. The error of the answer is
//! followed to first order: the gradient of c in all coefficients of all
//! equations gives the part that all birds share (the equations are taken as
//! independent of each other), the gradient in m and e_k the part of each bird's
//! own feathers.

use std::collections::BTreeMap;

use nalgebra::DMatrix;

use super::Tissue;
use super::calibration::{Settings, Weighting, calibrate};
use super::correction::{Corrector, Prediction};
use super::equation::Equation;
use super::feathers::{Paired, effects, feather_mass, with_bird};
use super::formula::{Formula, Gap};
use super::frame::Value;
use super::provenance::{Provenance, Scale};
use crate::error::Result;

/// Step of a central difference, in standard errors of what is moved: the
/// functions are smooth and near linear over one.
const STEP: f64 = 1e-2;

/// The explicit feather step: three equations in a row.
#[derive(Debug, Clone)]
pub struct FeatherStep {
    /// Feather mass from body weight, age and strain.
    pub feather_mass: Equation,
    /// Effect of feathers on each reading, from feather mass, age and strain.
    pub effects: Vec<(Tissue, Equation)>,
    /// Chemistry from plucked readings.
    pub plucked: Equation,
    /// The whole as a saved equation: provenance, and all
    /// coefficients behind a leading constant, with their covariance.
    whole: Equation,
}

impl FeatherStep {
    /// Fits the three equations.
    ///
    /// `formula` is that of the equation for plucked readings; `response` as
    /// `fat_chem`.
    ///
    /// # Errors
    /// As [`effects`], [`feather_mass`] and [`calibrate`].
    pub fn fit(
        paired: &Paired,
        response: &str,
        formula: &Formula,
        settings: &Settings,
    ) -> Result<Self> {
        let settings = with_bird(settings);
        let effects = effects(paired, &settings)?;
        Ok(Self::of(
            feather_mass(&paired.intact, &settings)?.equation,
            effects
                .into_iter()
                .map(|(tissue, effect)| (tissue, effect.equation))
                .collect(),
            calibrate(&paired.plucked, response, formula, &settings)?.equation,
        ))
    }

    /// The same terms as `self`, fitted to some of the carcasses.
    pub(super) fn refit(
        &self,
        paired: &Paired,
        response: &str,
        formula: &Formula,
        settings: &Settings,
        rows: &[usize],
    ) -> Result<Self> {
        let (intact, plucked) = (paired.intact.select(rows), paired.plucked.select(rows));
        let again = |equation: &Equation, response: &str| {
            let settings = Settings {
                weighting: match equation.provenance.variance_of {
                    Some(_) => Weighting::PowerOfFeatherMass,
                    None => Weighting::Ordinary,
                },
                ..with_bird(settings)
            };
            calibrate(&intact, response, &formula_of(equation)?, &settings)
                .map(|calibration| calibration.equation)
        };
        let effects: Result<Vec<_>> = self
            .effects
            .iter()
            .map(|(tissue, effect)| {
                Ok((
                    *tissue,
                    again(effect, &format!("{}_effect", tissue.name()))?,
                ))
            })
            .collect();
        Ok(Self::of(
            again(&self.feather_mass, "log(feather_mass)")?,
            effects?,
            calibrate(&plucked, response, formula, settings)?.equation,
        ))
    }

    fn of(feather_mass: Equation, effects: Vec<(Tissue, Equation)>, plucked: Equation) -> Self {
        let whole = whole(&feather_mass, &effects, &plucked);
        Self {
            feather_mass,
            effects,
            plucked,
            whole,
        }
    }

    /// A live bird's chemistry from its intact scan.
    ///
    /// # Errors
    /// [`Gap`] with the name that has no value.
    pub fn value<'a>(
        &self,
        lookup: impl Fn(&str) -> Option<Value<'a>>,
    ) -> std::result::Result<f64, Gap> {
        self.moved(lookup, &vec![0.0; 1 + self.effects.len()])
    }

    /// The same with the predicted feather mass (first) and effects moved by these steps.
    fn moved<'a>(
        &self,
        lookup: impl Fn(&str) -> Option<Value<'a>>,
        by: &[f64],
    ) -> std::result::Result<f64, Gap> {
        let mass = predicted(&self.feather_mass, &lookup)? + by[0];
        let with_mass = |name: &str| match name {
            "feather_mass" => Some(Value::Number(mass)),
            _ => lookup(name),
        };
        let mut shifts = BTreeMap::from([("body_weight".to_owned(), mass)]);
        for ((tissue, effect), by) in self.effects.iter().zip(&by[1..]) {
            let shift = predicted(effect, with_mass)? + by;
            shifts.insert(format!("{}_scan", tissue.name()), shift);
        }
        predicted(&self.plucked, |name| {
            match (lookup(name), shifts.get(name)) {
                (Some(Value::Number(reading)), Some(shift)) => Some(Value::Number(reading - shift)),
                _ => with_mass(name),
            }
        })
    }

    fn equations(&self) -> impl Iterator<Item = &Equation> {
        let effects = self.effects.iter().map(|(_, effect)| effect);
        std::iter::once(&self.feather_mass)
            .chain(effects)
            .chain([&self.plucked])
    }

    /// The same step with one coefficient, counted through all equations, moved.
    fn with_coefficient(&self, place: usize, by: f64) -> Self {
        let mut step = self.clone();
        let mut place = place;
        let effects = step.effects.iter_mut().map(|(_, effect)| effect);
        let all = std::iter::once(&mut step.feather_mass)
            .chain(effects)
            .chain([&mut step.plucked]);
        for equation in all {
            match equation.coefficients.get_mut(place) {
                Some(coefficient) => {
                    *coefficient += by;
                    break;
                }
                None => place -= equation.coefficients.len(),
            }
        }
        step
    }
}

/// Linear in all coefficients about the fitted ones: value + g'(b* - b). With a
/// leading constant of 1 whose column is value - g'b, an [`Equation`] predicts the same.
impl Corrector for FeatherStep {
    fn equation(&self) -> &Equation {
        &self.whole
    }

    fn predict<'a>(
        &self,
        lookup: impl Fn(&str) -> Option<Value<'a>>,
    ) -> std::result::Result<Prediction, Gap> {
        let value = self.value(&lookup)?;
        let slope = |up: f64, down: f64, step: f64| (up - down) / (2.0 * step);
        let mut design = vec![0.0];
        let errors = self.equations().flat_map(|equation| {
            let covariance = equation.covariance.as_ref();
            (0..equation.coefficients.len())
                .map(move |j| covariance.map_or(0.0, |matrix| matrix[(j, j)].max(0.0).sqrt()))
        });
        for (place, error) in errors.enumerate() {
            let step = STEP * error;
            // A coefficient known exactly moves nothing.
            design.push(if step > 0.0 {
                let up = self.with_coefficient(place, step).value(&lookup)?;
                slope(
                    up,
                    self.with_coefficient(place, -step).value(&lookup)?,
                    step,
                )
            } else {
                0.0
            });
        }
        let along: f64 = design
            .iter()
            .zip(&self.whole.coefficients)
            .map(|(g, b)| g * b)
            .sum();
        design[0] = value - along;

        let mass = predicted(&self.feather_mass, &lookup)?;
        let mut own = self.plucked.own_variance(value);
        for (place, equation) in self.equations().take(1 + self.effects.len()).enumerate() {
            // The feather mass is what the first predicts, and what the scatter of the
            // others grows with, if with anything.
            let Some(variance) = equation.own_variance(mass) else {
                own = None;
                break;
            };
            let step = STEP * variance.sqrt();
            if step > 0.0 {
                let mut by = vec![0.0; 1 + self.effects.len()];
                by[place] = step;
                let up = self.moved(&lookup, &by)?;
                by[place] = -step;
                let slope = slope(up, self.moved(&lookup, &by)?, step);
                own = own.map(|own| own + slope * slope * variance);
            }
        }
        Ok(Prediction {
            value,
            own_variance: own,
            design,
        })
    }
}

/// All coefficients of a step behind a constant of 1, and what they hold for.
fn whole(feather_mass: &Equation, effects: &[(Tissue, Equation)], plucked: &Equation) -> Equation {
    let all: Vec<&Equation> = std::iter::once(feather_mass)
        .chain(effects.iter().map(|(_, effect)| effect))
        .chain([plucked])
        .collect();
    let coefficients: Vec<f64> = std::iter::once(1.0)
        .chain(
            all.iter()
                .flat_map(|equation| equation.coefficients.iter().copied()),
        )
        .collect();
    let mut covariance = DMatrix::zeros(coefficients.len(), coefficients.len());
    let mut at = 1;
    for equation in &all {
        let p = equation.coefficients.len();
        if let Some(part) = &equation.covariance {
            covariance.view_mut((at, at), (p, p)).copy_from(part);
        }
        at += p;
    }
    let strain = all.iter().flat_map(|equation| &equation.provenance.factors);
    Equation {
        provenance: Provenance {
            scale: Scale::Identity,
            feathers: "intact".to_owned(),
            method: "feather step".to_owned(),
            factors: strain.take(1).cloned().collect(),
            // Those of plucked readings would not hold for intact ones.
            ranges: feather_mass.provenance.ranges.clone(),
            cross_validated_rmse: None,
            ..plucked.provenance.clone()
        },
        columns: Vec::new(),
        coefficients,
        covariance: Some(covariance),
        companions: Vec::new(),
        file: String::new(),
    }
}

/// The formula whose columns an equation has.
fn formula_of(equation: &Equation) -> Result<Formula> {
    let mut terms: Vec<String> = Vec::new();
    for column in equation.columns.iter().skip(1) {
        // `strain[B]` and `strain[C]` are one term.
        let written = column.to_string();
        let mut term = String::new();
        let mut inside = false;
        for letter in written.chars() {
            inside = (inside || letter == '[') && letter != ']';
            if !inside && letter != ']' {
                term.push(letter);
            }
        }
        if !terms.contains(&term) {
            terms.push(term);
        }
    }
    if terms.is_empty() {
        Ok(Formula::intercept())
    } else {
        terms.join(",").parse()
    }
}

/// An equation's prediction; a level that it was not fitted to is a gap, not the
/// reference.
pub(super) fn predicted<'a>(
    equation: &Equation,
    lookup: impl Fn(&str) -> Option<Value<'a>>,
) -> std::result::Result<f64, Gap> {
    let known = |name: &str| {
        let value = lookup(name);
        let levels = equation
            .provenance
            .factors
            .iter()
            .find(|levels| levels.name == name);
        match (levels, value) {
            (Some(levels), Some(Value::Word(word))) => {
                value.filter(|_| levels.levels.iter().any(|level| level == word))
            }
            _ => value,
        }
    };
    Ok(equation.value(&equation.row(known)?))
}
