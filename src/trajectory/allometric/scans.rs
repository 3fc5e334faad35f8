//! The scans of a trait as the allometric model takes them: log mass, its known error
//! variance, and the log weight of the bird at that age.

use std::collections::BTreeMap;

use nalgebra::DMatrix;

use super::super::cohort::group_of;
use super::super::population::PopulationFit;
use super::Options;
use crate::fit::mixed::MixedFit;
use crate::study::{Records, Scan, Study};

/// One scan's mass in the model.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanRow {
    /// Index into [`Study::birds`].
    pub bird: usize,
    /// Index into the weight model's groups.
    pub group: usize,
    /// Age, d.
    pub age_d: f64,
    /// The bird's weight at that age, g, an egg in the body not counted.
    pub weight_g: f64,
    /// Where that comes from.
    pub weight_from: WeightFrom,
    /// Mass, g.
    pub mass_g: f64,
    /// Its error variance, g^2; 0 where none is known.
    pub variance_g2: f64,
    /// Whether the bird had a shelled egg in its body.
    pub egg: bool,
    /// Index into the records.
    pub record: usize,
}

/// Where a bird's weight at a scan comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WeightFrom {
    /// Its curve in the weight model.
    Curve,
    /// The scale at the scan, of a bird without weighings; an egg's weight is taken off.
    Scale,
}

/// What an egg in the body weighs: scale weight minus the bird's curve, of scans with an
/// egg minus those without.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EggWeight {
    /// Weight, g.
    pub value_g: f64,
    /// Its standard error, g.
    pub standard_error_g: f64,
    /// Scans with an egg.
    pub scans: usize,
}

/// The scans that can be used, bird by bird, and what could not.
#[derive(Debug, Clone, Default)]
pub(super) struct Scans {
    pub(super) rows: Vec<ScanRow>,
    /// First row of each bird, and the end.
    pub(super) starts: Vec<usize>,
    pub(super) egg_weight: Option<EggWeight>,
    /// Scans with an egg whose offset is not known: no rows of the model.
    pub(super) with_egg: Vec<ScanRow>,
    /// Scans left out, by reason.
    pub(super) left_out: BTreeMap<&'static str, usize>,
}

pub(super) const NO_WEIGHT: &str = "the bird has neither weighings nor a weight at the scan";
pub(super) const NO_GROUP: &str = "no bird of its strain was weighed";
pub(super) const NOT_POSITIVE: &str = "the mass is not above 0";
pub(super) const EGG_UNKNOWN: &str =
    "weighed with an egg in the body whose weight is not known, and without other weighings";

impl Scans {
    pub(super) fn of(
        study: &Study,
        records: &Records,
        weight: &PopulationFit,
        fit: &MixedFit,
        options: &Options,
    ) -> Self {
        let marks = Marks::of(study);
        let subject_of: BTreeMap<usize, usize> =
            weight.cohort.birds.iter().copied().zip(0..).collect();
        let egg_weight = egg_weight(weight, fit, &marks, &subject_of);
        let mut scans = Self {
            starts: vec![0],
            egg_weight,
            ..Self::default()
        };
        let groups = &weight.cohort.groups;
        // Of a bird at an age: its weight, where that is from, and its group.
        let known = |bird: usize, age_d: f64, egg: bool, scale_g: f64| {
            let (weight_g, from) = match (subject_of.get(&bird), egg, egg_weight) {
                (Some(subject), ..) => {
                    let weight_g = weight.curve.value(age_d, fit.subject(*subject));
                    (weight_g, WeightFrom::Curve)
                }
                (None, false, _) => (scale_g, WeightFrom::Scale),
                (None, true, Some(egg)) => (scale_g - egg.value_g, WeightFrom::Scale),
                (None, true, None) => return Err(EGG_UNKNOWN),
            };
            let own = group_of(study, bird, &options.groups);
            let group = own.and_then(|own| groups.iter().position(|group| *group == own));
            match group {
                _ if !(weight_g > 0.0 && weight_g.is_finite()) => Err(NO_WEIGHT),
                None => Err(NO_GROUP),
                Some(group) => Ok((weight_g, from, group)),
            }
        };
        for bird in 0..study.birds.len() {
            let (ages_d, values) = records.of(bird);
            let variances = records.variances_of(bird);
            if values.is_empty() {
                continue;
            }
            for (place, (age_d, mass_g)) in ages_d.iter().zip(values).enumerate() {
                let mark = marks.at(bird, *age_d);
                let egg = mark.is_some_and(|mark| mark.egg);
                let scale_g = mark.map_or(f64::NAN, |mark| mark.scale_g);
                match known(bird, *age_d, egg, scale_g) {
                    Ok((weight_g, weight_from, group)) => scans.rows.push(ScanRow {
                        bird,
                        group,
                        age_d: *age_d,
                        weight_g,
                        weight_from,
                        mass_g: *mass_g,
                        variance_g2: variances.get(place).copied().unwrap_or(0.0),
                        egg,
                        record: records.starts[bird] + place,
                    }),
                    Err(reason) => *scans.left_out.entry(reason).or_default() += 1,
                }
            }
            if scans.rows.len() > scans.starts[scans.starts.len() - 1] {
                scans.starts.push(scans.rows.len());
            }
        }
        for (record, value) in records.with_egg.iter().enumerate() {
            if let Ok((weight_g, weight_from, group)) =
                known(value.bird, value.age_d, true, value.scale_weight_g)
            {
                scans.with_egg.push(ScanRow {
                    bird: value.bird,
                    group,
                    age_d: value.age_d,
                    weight_g,
                    weight_from,
                    mass_g: value.value,
                    variance_g2: Some(value.variance).filter(|v| *v >= 0.0).unwrap_or(0.0),
                    egg: true,
                    record,
                });
            }
        }
        scans
    }

    /// Keeps some of the rows; the others are counted under a reason.
    pub(super) fn keep(&mut self, reason: &'static str, kept: impl Fn(usize, &ScanRow) -> bool) {
        let mut at = 0;
        let before = self.rows.len();
        self.rows.retain(|row| {
            at += 1;
            kept(at - 1, row)
        });
        if self.rows.len() < before {
            *self.left_out.entry(reason).or_default() += before - self.rows.len();
        }
        self.starts = vec![0];
        for at in 1..=self.rows.len() {
            let same = |other: &ScanRow| other.bird == self.rows[at - 1].bird;
            if !self.rows.get(at).is_some_and(same) {
                self.starts.push(at);
            }
        }
    }

    pub(super) fn birds(&self) -> usize {
        self.starts.len() - 1
    }

    /// Whether some bird has more than one scan.
    pub(super) fn repeated(&self) -> bool {
        self.birds() < self.rows.len()
    }

    /// The rows of an error factor (records x k) that belong to these scans, on the scale
    /// of log mass at fitted masses.
    pub(super) fn log_factor(&self, shared: &DMatrix<f64>, fitted_g: &[f64]) -> DMatrix<f64> {
        DMatrix::from_fn(self.rows.len(), shared.ncols(), |row, column| {
            shared[(self.rows[row].record, column)] / fitted_g[row]
        })
    }
}

/// What stands in the scans table of a bird at an age.
#[derive(Debug, Clone, Copy)]
struct Mark {
    egg: bool,
    /// Mean scale weight, g; NaN where there is none.
    scale_g: f64,
    count: f64,
}

/// By bird and age (in its bits: the same number, from the same table).
struct Marks(BTreeMap<(usize, u64), Mark>);

impl Marks {
    fn of(study: &Study) -> Self {
        let mut marks: BTreeMap<(usize, u64), Mark> = BTreeMap::new();
        let alive = |scan: &&Scan| scan.feathers != crate::study::Feathers::Plucked;
        for scan in study.scans.rows.iter().filter(alive) {
            let [bird] = scan.birds.as_slice() else {
                continue;
            };
            let mark = marks.entry((*bird, scan.age_d.to_bits())).or_insert(Mark {
                egg: false,
                scale_g: f64::NAN,
                count: 0.0,
            });
            mark.egg |= scan.marks.iter().any(|mark| mark == "egg");
            if scan.scale_weight_g > 0.0 {
                let sum = if mark.count > 0.0 {
                    mark.scale_g * mark.count
                } else {
                    0.0
                };
                mark.count += 1.0;
                mark.scale_g = (sum + scan.scale_weight_g) / mark.count;
            }
        }
        Self(marks)
    }

    fn at(&self, bird: usize, age_d: f64) -> Option<&Mark> {
        self.0.get(&(bird, age_d.to_bits()))
    }
}

/// `None` with fewer than two scans of either kind among the birds with weight curves.
fn egg_weight(
    weight: &PopulationFit,
    fit: &MixedFit,
    marks: &Marks,
    subject_of: &BTreeMap<usize, usize>,
) -> Option<EggWeight> {
    let first_d = marks
        .0
        .iter()
        .filter(|(_, mark)| mark.egg)
        .map(|((_, bits), _)| f64::from_bits(*bits))
        .fold(f64::INFINITY, f64::min);
    let mut excess: [Vec<f64>; 2] = Default::default();
    for ((bird, bits), mark) in &marks.0 {
        let age_d = f64::from_bits(*bits);
        let subject = subject_of.get(bird);
        // As heavy as hens with an egg: the scale's error grows with weight.
        if let (Some(subject), true) = (subject, mark.count > 0.0 && age_d >= 0.7 * first_d) {
            let own_g = weight.curve.value(age_d, fit.subject(*subject));
            excess[usize::from(mark.egg)].push(mark.scale_g - own_g);
        }
    }
    let of = |values: &[f64]| {
        let n = values.len() as f64;
        let spread = crate::stats::squares_about_mean(values) / (n - 1.0);
        (crate::stats::mean(values), spread / n)
    };
    if excess.iter().any(|values| values.len() < 2) {
        return None;
    }
    let (without, with) = (of(&excess[0]), of(&excess[1]));
    Some(EggWeight {
        value_g: with.0 - without.0,
        standard_error_g: (with.1 + without.1).sqrt(),
        scans: excess[1].len(),
    })
}
