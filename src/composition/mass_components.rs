//! Of what does the error of a corrected mass consist, by strain, age and way of scanning?
//!
//! A corrected mass of bird i at age j, over its strain's mean there, is taken as
//!
//! ```text
//! y_ij = 1 + b_i + v_ij + e_ij + error of the equation + error of the way's offset
//! ```
//!
//! with `b_i` what a bird is above or below its strain at all ages, `v_ij` its departure
//! at one age, and `e_ij` the error of its scan. Of that error, repositioning the bird and
//! scanning again averages a part (the way's repeatability), the rest stays. The variances of
//! b and v are those of restricted likelihood, the errors of the scans being known
//! ([`crate::stats::linear_mixed`]); means of strains at the ages scanned are fixed effects.
//! All variances here are relative, over the square of the strain's mean mass at that age.
//! An error of the scanner that keeps to a bird at all ages cannot be distinguished from the bird.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};

use super::correction::{Corrected, Corrections};
use crate::stats::linear_mixed::{Likelihood, LinearMixed};
use crate::study::{Study, Way};

/// Scans within this number of days of the first are of one occasion.
const OCCASION_D: f64 = 3.5;

/// A pilot's estimates of the errors of one trait.
#[derive(Debug, Clone, PartialEq)]
pub struct MassComponents {
    /// The trait.
    pub trait_name: String,
    /// Relative variance between the birds of a strain at one age.
    pub between_variance: f64,
    /// The part of it that a bird keeps at all ages; none where no bird was scanned at two.
    pub bird_variance: Option<f64>,
    /// Standard error of `bird_variance`, where it is above 0.
    pub bird_variance_error: Option<f64>,
    /// Birds behind the variances.
    pub birds: usize,
    /// Birds minus strains.
    pub birds_df: usize,
    /// Birds that the equation was fitted to.
    pub equation_birds: usize,
    /// Residual degrees of freedom of the equation.
    pub equation_df: usize,
    /// Each strain at each age requested, strain by strain.
    pub places: Vec<Place>,
    /// Of each way requested its errors at each age requested, or why they are not known.
    pub ways: Vec<Result<Vec<WayError>, String>>,
}

/// A strain at an age.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// Strain.
    pub strain: String,
    /// Age, d.
    pub age_d: f64,
    /// Mean corrected mass of single birds, g.
    pub mass_g: f64,
    /// Relative variance that all scans share by the equation.
    pub equation_variance: f64,
    /// Gradient of the mean mass in the equation's coefficients, over the mass.
    pub gradient: Vec<f64>,
}

/// Relative error variances of one scan in some way at some age; of several birds those of
/// their mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WayError {
    /// What repeats on the same occasion do not average.
    pub steady: f64,
    /// Variance of each repeat; none where the way was not repeated, and then `steady`
    /// holds it too.
    pub repeat: Option<f64>,
    /// What all scans of the way share by the offset that puts them on the calibration's way.
    pub offset: f64,
}

/// Estimates the components of a trait at these ages and in these ways of scanning.
///
/// # Errors
/// In words, what the pilot lacks: the equation's covariance or residual variance, single
/// scans, an age within those scanned in each strain.
pub fn mass_components(
    study: &Study,
    corrections: &Corrections,
    ages_d: &[f64],
    ways: &[Way],
) -> Result<MassComponents, String> {
    let name = &corrections.trait_name;
    let provenance = &corrections.equation.provenance;
    if provenance.unit != "g" {
        return Err(format!("{name}: its equation does not predict grams"));
    }
    let (Some(_), Some(equation_df)) = (&corrections.equation.covariance, provenance.residual_df)
    else {
        return Err(format!(
            "{name}: the covariance of its equation is not known"
        ));
    };
    let pilot = Pilot::of(corrections);
    if pilot.cells.is_empty() {
        return Err(format!(
            "{name}: no single bird was scanned in the calibration's way"
        ));
    }
    let between = pilot
        .between(study)
        .map_err(|why| format!("{name}: {why}"))?;
    let places = pilot
        .places(ages_d)
        .map_err(|why| format!("{name}: {why}"))?;
    Ok(MassComponents {
        trait_name: name.clone(),
        between_variance: between.total,
        bird_variance: between.bird,
        bird_variance_error: between.bird_error,
        birds: between.birds,
        birds_df: between.birds.saturating_sub(pilot.strains().len()).max(1),
        equation_birds: provenance.birds,
        equation_df,
        places,
        ways: ways.iter().map(|way| pilot.way(way, ages_d)).collect(),
    })
}

/// Single birds of a strain on an occasion.
#[derive(Debug, Default)]
struct CellOfScans {
    n: f64,
    age_d: f64,
    mass_g: f64,
    /// Gradient of the mass in the equation's coefficients.
    gradient: Vec<f64>,
}

impl CellOfScans {
    fn add(&mut self, age_d: f64, mass_g: f64, gradient: &[f64]) {
        self.n += 1.0;
        self.age_d += (age_d - self.age_d) / self.n;
        self.mass_g += (mass_g - self.mass_g) / self.n;
        self.gradient.resize(gradient.len(), 0.0);
        for (mean, own) in self.gradient.iter_mut().zip(gradient) {
            *mean += (own - *mean) / self.n;
        }
    }
}

struct Between {
    total: f64,
    bird: Option<f64>,
    bird_error: Option<f64>,
    birds: usize,
}

/// The scans of a trait, sorted out.
struct Pilot<'a> {
    corrections: &'a Corrections,
    /// Scans without an egg, with the occasion of each.
    rows: Vec<(usize, &'a Corrected)>,
    cells: BTreeMap<(&'a str, usize), CellOfScans>,
}

/// Whether a scan is of one bird in the calibration's way.
fn is_plain(row: &Corrected) -> bool {
    row.birds_in_scan == 1 && row.offset_design.is_empty() && !row.strain.is_empty()
}

impl<'a> Pilot<'a> {
    fn of(corrections: &'a Corrections) -> Self {
        let mut rows: Vec<&Corrected> = corrections.rows.iter().collect();
        rows.retain(|row| !row.way.egg && row.own_error.is_some());
        rows.sort_by(|a, b| a.age_d.total_cmp(&b.age_d));
        let (mut occasion, mut first_d) = (0, f64::NEG_INFINITY);
        let placed = rows.into_iter().map(|row| {
            if row.age_d > first_d + OCCASION_D {
                occasion += 1;
                first_d = row.age_d;
            }
            (occasion, row)
        });
        let rows: Vec<(usize, &Corrected)> = placed.collect();
        let mut cells: BTreeMap<(&str, usize), CellOfScans> = BTreeMap::new();
        for (occasion, row) in rows.iter().filter(|(_, row)| is_plain(row)) {
            let slope = corrections.equation.slope(&row.design);
            let gradient: Vec<f64> = row.design.iter().map(|x| slope * x).collect();
            let cell = cells.entry((&row.strain, *occasion)).or_default();
            cell.add(row.age_d, row.corrected, &gradient);
        }
        cells.retain(|_, cell| cell.mass_g > 0.0);
        Self {
            corrections,
            rows,
            cells,
        }
    }

    fn strains(&self) -> Vec<&'a str> {
        let mut strains: Vec<&str> = self.cells.keys().map(|(strain, _)| *strain).collect();
        strains.dedup();
        strains
    }

    /// How the birds of a strain differ at one age, and in what they keep.
    fn between(&self, study: &Study) -> Result<Between, &'static str> {
        // Scans of a bird on an occasion, over the mean of its strain there.
        let mut visits: BTreeMap<(usize, usize), (&str, Vec<&Corrected>)> = BTreeMap::new();
        for (occasion, row) in self.rows.iter().filter(|(_, row)| is_plain(row)) {
            if let ([bird], true) = (
                study.scans.rows[row.index].birds.as_slice(),
                self.cells.contains_key(&(&*row.strain, *occasion)),
            ) {
                let visit = visits.entry((*bird, *occasion));
                visit.or_insert((&row.strain, Vec::new())).1.push(row);
            }
        }
        let keys: Vec<_> = self.cells.keys().copied().collect();
        let (mut starts, mut response, mut known) = (Vec::new(), Vec::new(), Vec::new());
        let mut of_cell = Vec::new();
        let mut before = None;
        for ((bird, occasion), (strain, rows)) in &visits {
            if before != Some(*bird) {
                starts.push(response.len());
                before = Some(*bird);
            }
            let place = (*strain, *occasion);
            let mass_g = self.cells[&place].mass_g;
            let n = rows.len() as f64;
            let mean = rows.iter().map(|row| row.corrected).sum::<f64>() / n;
            let error = |row: &&Corrected| {
                let own = row.own_error.unwrap_or(0.0).powi(2);
                match row.repeat_sd {
                    Some(sd) => (own - sd * sd).max(0.0) + sd * sd / n,
                    None => own,
                }
            };
            let variance = rows.iter().map(error).sum::<f64>() / n;
            response.push(mean / mass_g);
            known.push(variance / (mass_g * mass_g));
            of_cell.push(keys.iter().position(|key| *key == place).unwrap_or(0));
        }
        let (n, birds) = (response.len(), starts.len());
        starts.push(n);
        let repeated = birds < n;
        let model = LinearMixed {
            starts,
            response,
            fixed: DMatrix::from_fn(n, keys.len(), |row, cell| {
                f64::from(u8::from(of_cell[row] == cell))
            }),
            random: DMatrix::from_element(n, usize::from(repeated), 1.0),
            known_variances: known,
            residual: true,
        };
        let fit = model
            .fit(Likelihood::Restricted)
            .map_err(|_| "the variance between birds cannot be estimated from so few scans")?;
        let bird = fit.random_variances.first().copied();
        Ok(Between {
            total: fit.residual_variance + bird.unwrap_or(0.0),
            bird,
            bird_error: fit.variance_errors.get(1).copied().flatten(),
            birds,
        })
    }

    /// Each strain at each age, between the occasions on either side.
    fn places(&self, ages_d: &[f64]) -> Result<Vec<Place>, String> {
        let mut places = Vec::new();
        for strain in self.strains() {
            let cells = self.cells.iter().filter(|((own, _), _)| *own == strain);
            let cells: Vec<&CellOfScans> = cells.map(|(_, cell)| cell).collect();
            let known: Vec<f64> = cells.iter().map(|cell| cell.age_d).collect();
            for age_d in ages_d {
                let (low, high, share) = between_ages(&known, *age_d).ok_or_else(|| {
                    format!(
                        "{strain} was scanned at {} d, not at {age_d} d",
                        in_words(&known)
                    )
                })?;
                let mix = |a: f64, b: f64| a + share * (b - a);
                let (low, high) = (cells[low], cells[high]);
                let mass_g = mix(low.mass_g, high.mass_g);
                let gradient = low.gradient.iter().zip(&high.gradient);
                let gradient: Vec<f64> = gradient.map(|(a, b)| mix(*a, *b) / mass_g).collect();
                let slope = DVector::from_column_slice(&gradient);
                let covariance = self.corrections.equation.covariance.as_ref();
                let variance = covariance.map_or(f64::NAN, |own| (own * &slope).dot(&slope));
                places.push(Place {
                    strain: strain.to_owned(),
                    age_d: *age_d,
                    mass_g,
                    equation_variance: variance,
                    gradient,
                });
            }
        }
        Ok(places)
    }

    /// The errors of a way at each age, all strains together.
    fn way(&self, way: &Way, ages_d: &[f64]) -> Result<Vec<WayError>, String> {
        #[derive(Default)]
        struct Occasion {
            n: f64,
            age_d: f64,
            own: f64,
            repeat: Option<f64>,
            offset: Vec<f64>,
        }
        let mut occasions: BTreeMap<usize, Occasion> = BTreeMap::new();
        for (occasion, row) in self.rows.iter().filter(|(_, row)| row.way == *way) {
            let cell = self.cells.get(&(&*row.strain, *occasion));
            let mass_g = cell.map_or(row.corrected, |cell| cell.mass_g);
            let own = row.new_scan_error.unwrap_or(f64::NAN) / mass_g;
            if !(mass_g > 0.0 && own.is_finite()) {
                continue;
            }
            // Repeats at other masses may promise more than a scan errs by in all.
            let repeat = row.repeat_sd.map(|sd| (sd / mass_g).min(own).powi(2));
            let sum = occasions.entry(*occasion).or_default();
            sum.repeat = match (sum.n, sum.repeat, repeat) {
                (0.0, _, own) => own,
                (_, Some(sum), Some(own)) => Some(sum + own),
                _ => None,
            };
            sum.n += 1.0;
            sum.age_d += row.age_d;
            sum.own += own * own;
            sum.offset.resize(row.offset_design.len(), 0.0);
            for (sum, own) in sum.offset.iter_mut().zip(&row.offset_design) {
                *sum += own / mass_g;
            }
        }
        let known: Vec<f64> = occasions.values().map(|sum| sum.age_d / sum.n).collect();
        let errors = occasions.values().map(|sum| {
            let mean: Vec<f64> = sum.offset.iter().map(|own| own / sum.n).collect();
            let (own, repeat) = (sum.own / sum.n, sum.repeat.map(|repeat| repeat / sum.n));
            WayError {
                steady: (own - repeat.unwrap_or(0.0)).max(0.0),
                repeat,
                offset: self.corrections.ways.shared_covariance(&mean, &mean),
            }
        });
        let errors: Vec<WayError> = errors.collect();
        if errors.is_empty() {
            return Err(format!(
                "{}: the pilot has no scan made so that could be corrected",
                way.label()
            ));
        }
        let at = |age_d: &f64| {
            let (low, high, share) = between_ages(&known, *age_d).ok_or_else(|| {
                format!(
                    "{}: the pilot scanned so at {} d, not at {age_d} d",
                    way.label(),
                    in_words(&known)
                )
            })?;
            let mix = |a: f64, b: f64| a + share * (b - a);
            let (low, high) = (errors[low], errors[high]);
            Ok(WayError {
                steady: mix(low.steady, high.steady),
                repeat: low.repeat.zip(high.repeat).map(|(a, b)| mix(a, b)),
                offset: mix(low.offset, high.offset),
            })
        };
        ages_d.iter().map(at).collect()
    }
}

/// Places of the ages on either side of one, and how far it lies from the first to the
/// second; none outside them.
fn between_ages(known_d: &[f64], age_d: f64) -> Option<(usize, usize, f64)> {
    let (first, last) = (*known_d.first()?, *known_d.last()?);
    if age_d < first - OCCASION_D || age_d > last + OCCASION_D {
        return None;
    }
    let high = known_d.partition_point(|known| *known < age_d);
    let high = high.min(known_d.len() - 1);
    let low = high.saturating_sub(usize::from(known_d[high] > age_d));
    let width = known_d[high] - known_d[low];
    let share = if width > 0.0 {
        (age_d - known_d[low]) / width
    } else {
        0.0
    };
    Some((low, high, share))
}

fn in_words(ages_d: &[f64]) -> String {
    let words: Vec<String> = ages_d.iter().map(|age| format!("{age:.0}")).collect();
    words.join(", ")
}
