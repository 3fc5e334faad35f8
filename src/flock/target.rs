//! What should a bird of this strain weigh at this age, and at which age what it weighs now.

use crate::error::{Error, Result};
use crate::flock::monotone_cubic::{Crossing, MonotoneCubic};
use crate::study::{Study, Target};

/// Days that a target is continued past its table for birds weighed beside others within it.
const NEAR_D: f64 = 7.0;

/// A target trajectory: the user's table with a monotone cubic through it.
///
/// Between the table's ages the line neither overshoots nor dips (see
/// `monotone_cubic.rs` for the method and its sources); at the table's ages it is
/// the table. It is not continued past the first or last age, except for a few days for birds
/// weighed together with others that are within it.
#[derive(Debug, Clone)]
pub struct TargetCurve {
    target: MonotoneCubic,
    lower: Option<MonotoneCubic>,
    upper: Option<MonotoneCubic>,
}

/// The target at one age.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TargetPoint {
    /// Target, g.
    pub target_g: f64,
    /// Lower edge of the band, g, where the table gives one round this age.
    pub lower_g: Option<f64>,
    /// Upper edge of the band, g, where the table gives one round this age.
    pub upper_g: Option<f64>,
}

/// Why a weight has no age on the target.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoTargetAge {
    /// The weight is less than the whole target.
    BelowTarget,
    /// The weight is more than the whole target.
    AboveTarget,
    /// The target stands still at this weight or passes it more than once.
    NotUnique,
}

impl TargetCurve {
    /// The trajectory through a target's table.
    ///
    /// # Errors
    /// An input error where the table has no age, columns of different length, an
    /// age that is not after the one before, a target that is not a positive
    /// number, or a band that does not enclose its target.
    pub fn new(target: &Target) -> Result<Self> {
        check(target)?;
        Ok(Self {
            target: MonotoneCubic::new(target.ages_d.clone(), target.target_g.clone()),
            lower: edge(&target.ages_d, &target.lower_g),
            upper: edge(&target.ages_d, &target.upper_g),
        })
    }

    /// First age of the table, d.
    #[must_use]
    pub fn first_age_d(&self) -> f64 {
        self.target.range().0
    }

    /// Last age of the table, d.
    #[must_use]
    pub fn last_age_d(&self) -> f64 {
        self.target.range().1
    }

    /// The ages of the table, d.
    pub fn ages_d(&self) -> impl Iterator<Item = f64> + '_ {
        self.target.places()
    }

    /// Target and band at an age; none outside the table's ages.
    #[must_use]
    pub fn at(&self, age_d: f64) -> Option<TargetPoint> {
        let value = |edge: &Option<MonotoneCubic>| edge.as_ref().and_then(|e| e.value(age_d));
        Some(TargetPoint {
            target_g: self.target.value(age_d)?,
            lower_g: value(&self.lower),
            upper_g: value(&self.upper),
        })
    }

    /// Target and band at an age up to a week outside the table's ages: the target goes on by the
    /// gain a day of the table's last (or first) days, the band by the same percentage.
    pub(super) fn near(&self, age_d: f64) -> Option<TargetPoint> {
        let (first_d, last_d) = (self.first_age_d(), self.last_age_d());
        let end_d = age_d.clamp(first_d, last_d);
        let beyond_d = age_d - end_d;
        if beyond_d.abs() > NEAR_D {
            return None;
        }
        let end = self.at(end_d)?;
        let inside_d = (end_d - NEAR_D.copysign(beyond_d)).clamp(first_d, last_d);
        let gain_g_per_d = if (end_d - inside_d).abs() > 0.0 {
            (end.target_g - self.at(inside_d)?.target_g) / (end_d - inside_d)
        } else {
            0.0
        };
        let target_g = end.target_g + gain_g_per_d * beyond_d;
        let edge = |edge: Option<f64>| edge.map(|edge| edge / end.target_g * target_g);
        (target_g > 0.0).then(|| TargetPoint {
            target_g,
            lower_g: edge(end.lower_g),
            upper_g: edge(end.upper_g),
        })
    }

    /// Age at which the target is a given weight, d.
    ///
    /// # Errors
    /// Why there is no such age, or not one alone; this is a result to report, not
    /// a fault of the input.
    pub fn age_at(&self, weight_g: f64) -> std::result::Result<f64, NoTargetAge> {
        match self.target.crossing(weight_g) {
            Crossing::At(age_d) => Ok(age_d),
            Crossing::Below => Err(NoTargetAge::BelowTarget),
            Crossing::Above => Err(NoTargetAge::AboveTarget),
            Crossing::Several => Err(NoTargetAge::NotUnique),
        }
    }
}

/// Each strain's trajectory for a trait: the strain's, else the one for all strains;
/// none at all where no target is for this trait.
///
/// # Errors
/// An input error where a target's table is faulty or given twice.
pub fn trajectories(study: &Study, trait_name: &str) -> Result<Option<Vec<Option<TargetCurve>>>> {
    let of = |strain: Option<usize>| {
        let mut found = study
            .targets
            .iter()
            .filter(|t| t.trait_name == trait_name && t.strain == strain);
        let first = found.next();
        if found.next().is_some() {
            let whose = strain.map_or("all strains", |s| study.strains[s].as_str());
            return Err(Error::input(format!(
                "targets, trait {trait_name}: {whose} has two targets, expected one; remove the other"
            )));
        }
        first.map(TargetCurve::new).transpose()
    };
    if !study.targets.iter().any(|t| t.trait_name == trait_name) {
        return Ok(None);
    }
    let for_all = of(None)?;
    (0..study.strains.len())
        .map(|strain| Ok(of(Some(strain))?.or_else(|| for_all.clone())))
        .collect::<Result<Vec<_>>>()
        .map(Some)
}

/// One edge of the band through the ages that have it; none where no age has it.
fn edge(ages_d: &[f64], values: &[f64]) -> Option<MonotoneCubic> {
    let (x, y): (Vec<f64>, Vec<f64>) = ages_d
        .iter()
        .zip(values)
        .filter(|(_, value)| value.is_finite())
        .unzip();
    (!x.is_empty()).then(|| MonotoneCubic::new(x, y))
}

fn check(target: &Target) -> Result<()> {
    let place = format!("targets, trait {}", target.trait_name);
    let n = target.ages_d.len();
    if n == 0 {
        return Err(Error::input(format!(
            "{place}: no rows, expected at least one age with its target; add them or leave the target out"
        )));
    }
    if [&target.target_g, &target.lower_g, &target.upper_g]
        .iter()
        .any(|column| column.len() != n)
    {
        return Err(Error::input(format!(
            "{place}: columns of different length, expected {n} targets and band edges for {n} ages; give NaN where an edge is missing"
        )));
    }
    for i in 0..n {
        let (age_d, value) = (target.ages_d[i], target.target_g[i]);
        if !age_d.is_finite() || (i > 0 && age_d <= target.ages_d[i - 1]) {
            return Err(Error::input(format!(
                "{place}: age {age_d} d, expected ages that rise from row to row; sort the table and give each age once"
            )));
        }
        if !(value.is_finite() && value > 0.0) {
            return Err(Error::input(format!(
                "{place}, age {age_d} d: target {value}, expected grams above zero; correct the cell"
            )));
        }
        if target.lower_g[i] > value || target.upper_g[i] < value {
            return Err(Error::input(format!(
                "{place}, age {age_d} d: band {} to {} g does not hold the target {value} g, expected lower, target, upper in this order; correct the row",
                target.lower_g[i], target.upper_g[i]
            )));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(ages_d: &[f64], target_g: &[f64]) -> Target {
        Target {
            strain: None,
            trait_name: "body_weight".to_owned(),
            ages_d: ages_d.to_vec(),
            target_g: target_g.to_vec(),
            lower_g: target_g.iter().map(|t| 0.96 * t).collect(),
            upper_g: vec![f64::NAN; ages_d.len()],
        }
    }

    #[test]
    fn at_its_own_ages_it_is_the_table_and_outside_there_is_none() {
        let line = TargetCurve::new(&table(&[7.0, 14.0, 28.0], &[60.0, 110.0, 300.0])).unwrap();
        let point = line.at(14.0).unwrap();
        assert_eq!(point.target_g.to_bits(), 110.0_f64.to_bits());
        assert_eq!(point.lower_g, Some(0.96 * 110.0));
        assert_eq!(point.upper_g, None);
        assert!(line.at(6.999).is_none() && line.at(28.001).is_none());
        assert!(line.at(f64::NAN).is_none());
    }

    #[test]
    fn an_age_is_found_where_the_target_is_that_weight() {
        let line =
            TargetCurve::new(&table(&[0.0, 7.0, 21.0, 28.0], &[38.0, 70.0, 210.0, 300.0])).unwrap();
        for age_d in [0.0, 0.5, 7.0, 13.0, 27.9, 28.0] {
            let back = line.age_at(line.at(age_d).unwrap().target_g).unwrap();
            // Bisection to rounding: a slope of 4 g/d turns 1e-13 g into less than 1e-12 d.
            assert!((back - age_d).abs() < 1e-12, "{age_d} {back}");
        }
        assert_eq!(line.age_at(37.0), Err(NoTargetAge::BelowTarget));
        assert_eq!(line.age_at(301.0), Err(NoTargetAge::AboveTarget));
    }

    #[test]
    fn a_plateau_or_a_fall_has_no_single_age() {
        let flat = TargetCurve::new(&table(&[0.0, 7.0, 14.0], &[50.0, 90.0, 90.0])).unwrap();
        assert_eq!(flat.age_at(90.0), Err(NoTargetAge::NotUnique));
        assert!(flat.age_at(89.0).is_ok());
        let fall = TargetCurve::new(&table(&[0.0, 7.0, 14.0], &[50.0, 90.0, 80.0])).unwrap();
        assert_eq!(fall.age_at(85.0), Err(NoTargetAge::NotUnique));
        assert_eq!(fall.age_at(90.0), Ok(7.0));
    }

    #[test]
    fn one_age_is_a_target_at_that_age_alone() {
        let line = TargetCurve::new(&table(&[126.0], &[1400.0])).unwrap();
        assert!(line.at(126.0).is_some() && line.at(125.0).is_none());
        assert_eq!(line.age_at(1400.0), Ok(126.0));
    }

    #[test]
    fn a_faulty_table_is_reported() {
        let message = |target: &Target| TargetCurve::new(target).unwrap_err().to_string();
        assert!(message(&table(&[], &[])).contains("no rows"));
        assert!(message(&table(&[7.0, 7.0], &[1.0, 2.0])).contains("age 7 d"));
        assert!(message(&table(&[7.0], &[-1.0])).contains("target -1"));
        let mut outside = table(&[7.0], &[100.0]);
        outside.lower_g = vec![101.0];
        assert!(message(&outside).contains("does not hold"));
        outside.lower_g.clear();
        assert!(message(&outside).contains("different length"));
    }
}
