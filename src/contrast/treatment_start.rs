//! Treatments that start at an age: the curve is common before it, and the difference grows from
//! there.
//!
//! The experimental unit u (pen or bird) has one log weight at each age t, the mean of its birds'.
//! With x(t) = 0 up to the start t0,
//!
//! | question | x(t) after t0 | reported |
//! | --- | --- | --- |
//! | level: by how much do weights differ after the start | 1 | percent |
//! | rate: by how much does the difference grow a week | (t - t0) / 7 d | percent a week |
//!
//! `y_ut = a_u + c_t + r_u x(t) + e_ut` by least squares: c is what all units have in common at
//! an age, whatever its course, so that no curve is assumed; r_u is the unit's summary. The
//! summaries of the units are compared by analysis of (co)variance with the strain and, where it
//! is named, the log weight at allocation, on units - terms degrees of freedom: whatever the
//! correlation of a unit's weighings, one unit is one value (Matthews JNS, Altman DG, Campbell
//! MJ, Royston P 1990, BMJ 300:230, summary measures). With complete data this is the mixed
//! model with random intercept and slope of units (`tests/reference/treatment_start/SOURCE.md`).

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};

use crate::stats::Interval;
use crate::stats::distribution::{t_two_sided, t_two_sided_quantile};
use crate::stats::multiple::holm;
use crate::study::{Study, Unit};

/// Settings of treatments that start at an age.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TreatmentStart {
    /// Age at which they start, d.
    pub from_d: f64,
    /// Age at which units were allocated to them, d, where the weight at that age is a covariate.
    pub allocated_at_d: Option<f64>,
    /// Confidence of the intervals, between 0 and 1.
    pub confidence: f64,
}

/// Whether weights differ after the start, or more and more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shift {
    /// A step, percent.
    Level,
    /// A difference that grows from the start, percent a week.
    Rate,
}

/// One treatment against another from the age at which they start.
#[derive(Debug, Clone, PartialEq)]
pub struct ShiftRow {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// The treatment, an index into [`Study::treatments`].
    pub treatment: usize,
    /// The treatment that it is compared with.
    pub reference: usize,
    /// What is estimated.
    pub shift: Shift,
    /// The estimate, percent or percent a week.
    pub estimate: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Its interval.
    pub interval: Interval,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Two-sided P value of no difference.
    pub p_value: f64,
    /// The same, adjusted by Holm over treatments and over level and rate.
    pub p_adjusted: f64,
    /// Units of the treatment and of the reference.
    pub units: (usize, usize),
}

/// The shifts of a trait, or why there are none.
#[derive(Debug, Clone, PartialEq)]
pub struct Shifts {
    /// The experimental unit.
    pub unit: Unit,
    /// Units in all.
    pub units: usize,
    /// A row a treatment and shift; empty where `reason` gives the reason.
    pub rows: Vec<ShiftRow>,
    /// Why nothing is estimable.
    pub reason: Option<String>,
}

/// One unit: its treatment, strain and log weights by day of age.
struct Member {
    treatment: usize,
    strain: usize,
    by_day: BTreeMap<i64, f64>,
}

/// Sum of log weights and their number, by day of age.
type DaySums = BTreeMap<i64, (f64, f64)>;

/// An age in whole days.
#[expect(
    clippy::cast_possible_truncation,
    reason = "ages are checked to be ten years at the most"
)]
fn whole_day(age_d: f64) -> i64 {
    age_d.round() as i64
}

/// Shifts of a trait from the age at which treatments start.
#[must_use]
pub fn treatment_shifts(study: &Study, trait_index: usize, asked: &TreatmentStart) -> Shifts {
    let (unit, members) = members(study, trait_index);
    let mut shifts = Shifts {
        unit,
        units: members.len(),
        rows: Vec::new(),
        reason: None,
    };
    for shift in [Shift::Level, Shift::Rate] {
        match compare(&members, trait_index, shift, asked) {
            Ok(rows) => shifts.rows.extend(rows),
            Err(reason) => {
                shifts.reason = Some(reason);
                shifts.rows.clear();
                return shifts;
            }
        }
    }
    let p_values: Vec<f64> = shifts.rows.iter().map(|row| row.p_value).collect();
    if let Ok(adjusted) = holm(&p_values) {
        for (row, p_value) in shifts.rows.iter_mut().zip(adjusted) {
            row.p_adjusted = p_value;
        }
    }
    shifts
}

/// The units: pens where the study states so, or where no pen has birds of two treatments and some
/// treatment has two pens; otherwise birds.
fn members(study: &Study, trait_index: usize) -> (Unit, Vec<Member>) {
    let records = &study.traits[trait_index];
    let treated = || {
        let birds = study.birds.iter().enumerate();
        birds.filter_map(|(bird, what)| Some((bird, what, what.treatment?)))
    };
    let mut pens: BTreeMap<Option<usize>, Vec<usize>> = BTreeMap::new();
    for (_, what, treatment) in treated() {
        let of_pen = pens.entry(what.pen).or_default();
        if !of_pen.contains(&treatment) {
            of_pen.push(treatment);
        }
    }
    let whole = !pens.contains_key(&None) && pens.values().all(|of_pen| of_pen.len() == 1);
    let treatments = pens
        .values()
        .flatten()
        .collect::<std::collections::BTreeSet<_>>();
    let unit = study.settings.design.unit.unwrap_or({
        if whole && pens.len() > treatments.len() {
            Unit::Pen
        } else {
            Unit::Bird
        }
    });
    // By unit, treatment and strain: sum of logs and number of each day.
    let mut sums: BTreeMap<[usize; 3], DaySums> = BTreeMap::new();
    for (bird, what, treatment) in treated() {
        let unit_index = match (unit, what.pen) {
            (Unit::Pen, Some(pen)) => pen,
            (Unit::Pen, None) => continue,
            (Unit::Bird, _) => bird,
        };
        let by_day = sums
            .entry([unit_index, treatment, what.strain])
            .or_default();
        let (ages_d, values) = records.of(bird);
        for (age_d, value) in ages_d.iter().zip(values).filter(|(_, value)| **value > 0.0) {
            let (sum, n) = by_day.entry(whole_day(*age_d)).or_default();
            *sum += value.ln();
            *n += 1.0;
        }
    }
    let members = sums
        .into_iter()
        .filter(|(_, by_day)| !by_day.is_empty())
        .map(|([_, treatment, strain], by_day)| Member {
            treatment,
            strain,
            by_day: by_day
                .into_iter()
                .map(|(day, (sum, n))| (day, sum / n))
                .collect(),
        });
    (unit, members.collect())
}

fn compare(
    members: &[Member],
    trait_index: usize,
    shift: Shift,
    asked: &TreatmentStart,
) -> Result<Vec<ShiftRow>, String> {
    let x = |day: i64| {
        let since_d = day as f64 - asked.from_d;
        match shift {
            _ if since_d <= 0.0 => 0.0,
            Shift::Level => 1.0,
            Shift::Rate => since_d / 7.0,
        }
    };
    // A unit is informative on the shift where it was weighed both before and after the start.
    let both = |member: &&Member| {
        let mut days = member.by_day.keys();
        let before = days.clone().any(|day| x(*day) <= 0.0);
        before && days.any(|day| x(*day) > 0.0)
    };
    let members: Vec<&Member> = members.iter().filter(both).collect();
    let covariate = weights_at_allocation(&members, asked)?;
    let mut treatments: Vec<usize> = members.iter().map(|member| member.treatment).collect();
    treatments.sort_unstable();
    treatments.dedup();
    let [reference, others @ ..] = treatments.as_slice() else {
        return Err("no unit was weighed before and after the start".to_owned());
    };
    if others.is_empty() {
        return Err("only one treatment was weighed before and after the start".to_owned());
    }
    let mut strains: Vec<usize> = members.iter().map(|member| member.strain).collect();
    strains.sort_unstable();
    strains.dedup();
    let summaries = summaries(&members, x).ok_or("the units' weighings do not overlap in age")?;
    let terms = 1 + others.len() + strains.len() - 1 + usize::from(covariate.is_some());
    if members.len() <= terms {
        return Err(format!(
            "{} units are too few for {terms} terms",
            members.len()
        ));
    }
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let centre = covariate.as_deref().map_or(0.0, mean);
    let design = DMatrix::from_fn(members.len(), terms, |unit, term| {
        let member = members[unit];
        let is = |yes: bool| f64::from(u8::from(yes));
        match term {
            0 => 1.0,
            at if at <= others.len() => is(member.treatment == others[at - 1]),
            at if at < others.len() + strains.len() => {
                is(member.strain == strains[at - others.len()])
            }
            _ => covariate
                .as_ref()
                .map_or(0.0, |values| values[unit] - centre),
        }
    });
    let cross = (design.transpose() * &design)
        .cholesky()
        .ok_or("treatments and strains cannot be separated")?;
    let fitted = cross.solve(&(design.transpose() * &summaries));
    let left = &summaries - &design * &fitted;
    let degrees_of_freedom = (members.len() - terms) as f64;
    let variance = left.norm_squared() / degrees_of_freedom;
    let covariance = cross.inverse() * variance;
    let count = |treatment: usize| {
        let own = members
            .iter()
            .filter(|member| member.treatment == treatment);
        own.count()
    };
    let rows = others.iter().enumerate().map(|(at, treatment)| {
        let (log_ratio, log_error) = (fitted[at + 1], covariance[(at + 1, at + 1)].sqrt());
        let half = t_two_sided_quantile(asked.confidence, degrees_of_freedom) * log_error;
        let p_value = t_two_sided(log_ratio / log_error, degrees_of_freedom);
        let percent = |log: f64| 100.0 * log.exp_m1();
        ShiftRow {
            trait_index,
            treatment: *treatment,
            reference: *reference,
            shift,
            estimate: percent(log_ratio),
            standard_error: 100.0 * log_error * log_ratio.exp(),
            interval: Interval {
                lower: percent(log_ratio - half),
                upper: percent(log_ratio + half),
            },
            degrees_of_freedom,
            p_value,
            p_adjusted: p_value,
            units: (count(*treatment), count(*reference)),
        }
    });
    if variance > 0.0 {
        Ok(rows.collect())
    } else {
        Err("the units do not differ at all".to_owned())
    }
}

/// Log weight of each unit at allocation or last before it, where that is a covariate.
fn weights_at_allocation(
    members: &[&Member],
    asked: &TreatmentStart,
) -> Result<Option<Vec<f64>>, String> {
    let Some(allocated_d) = asked.allocated_at_d else {
        return Ok(None);
    };
    let at = |member: &&Member| {
        let mut earlier = member.by_day.range(..=whole_day(allocated_d));
        earlier.next_back().map(|(_, log)| *log)
    };
    let weights: Option<Vec<f64>> = members.iter().map(at).collect();
    match weights {
        Some(weights) => Ok(Some(weights)),
        None => Err("a unit has no weight at allocation or before it".to_owned()),
    }
}

/// Each unit's r_u, up to a constant common to all: least squares with a level of each unit, a
/// level of each age and a shift of each unit.
fn summaries(members: &[&Member], x: impl Fn(i64) -> f64) -> Option<DVector<f64>> {
    let mut days: Vec<i64> = members
        .iter()
        .flat_map(|member| member.by_day.keys().copied())
        .collect();
    days.sort_unstable();
    days.dedup();
    let units = members.len();
    // Levels and shifts are against those of the first unit.
    let terms = days.len() + 2 * (units - 1);
    let mut cross = DMatrix::<f64>::zeros(terms, terms);
    let mut right = DVector::<f64>::zeros(terms);
    for (unit, member) in members.iter().enumerate() {
        for (day, log) in &member.by_day {
            let age = days.binary_search(day).ok()?;
            let mut row = vec![(age, 1.0)];
            if unit > 0 {
                row.push((days.len() + unit - 1, 1.0));
                row.push((days.len() + units + unit - 2, x(*day)));
            }
            for (i, one) in &row {
                right[*i] += one * log;
                for (j, other) in &row {
                    cross[(*i, *j)] += one * other;
                }
            }
        }
    }
    let fitted = cross.cholesky()?.solve(&right);
    Some(DVector::from_fn(units, |unit, _| match unit {
        0 => 0.0,
        _ => fitted[days.len() + units + unit - 2],
    }))
}
