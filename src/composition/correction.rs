//! What does a saved equation predict for every scan of a study, and how precisely?
//!
//! Each corrected value carries two errors: an individual one (a new bird about the
//! equation; for a scan of k birds the mean of k) and the shared one that comes
//! from the equation, x'Vx. Readings of another way of scanning than the calibration's
//! are first put on it ([`ways`](super::ways)); the offset's error, g'Ug with g the
//! gradient of the corrected value by the offsets, is shared by all scans of that way. The
//! own error has the way's own variance, and where the scan is one of those that the offset
//! was estimated from, the covariance of both.
//! Two scans i and j have the covariance `x_i' V x_j + g_i' U g_j` in common
//! ([`Corrections::shared_covariance`]), since an error in the equation moves all birds
//! together; [`Corrections::redraw`] redraws it for all scans at once.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

use nalgebra::{DMatrix, DVector};
use rand_distr::{Distribution as _, StandardNormal};

use super::PERCENTAGES;
pub use super::applies::AllowedStrains;
use super::applies::{
    FeathersFit, Stop, fault_lines, feathers_fit, laboratory_under, missing, strain_under, unusual,
};
use super::egg::EggOffset;
use super::equation::{Equation, root};
use super::formula::Gap;
use super::frame::Value;
use super::pairs::{lookup, regions, strain_of};
use super::provenance::LABORATORY;
use super::quality::{Kept, RejectedScan, bird_names, rejected};
use super::way_precision::WayPrecisions;
use super::ways::{Adjusted, Way, WaysOf};
use crate::error::{Error, Result};
use crate::stats::Interval;
use crate::stats::distribution::{normal_quantile, t_two_sided_quantile};
use crate::stats::resample::{Purpose, stream};
use crate::study::{Feathers, Scan, Study, WHOLE, position};

/// One corrected scan (`corrected`).
#[derive(Debug, Clone, PartialEq)]
pub struct Corrected {
    /// Index into [`Study::scans`].
    pub index: usize,
    /// Scan's name.
    pub scan: String,
    /// Its birds, joined by `+`.
    pub bird: String,
    /// Their strain; empty where they are of several.
    pub strain: String,
    /// Age, d.
    pub age_d: f64,
    /// Birds in the scan: the weight of this mean in a strain's curve.
    pub birds_in_scan: usize,
    /// The scanner's reading of the trait, g per bird, where it has one.
    pub reading: Option<f64>,
    /// Corrected value, g per bird; not cut at zero.
    pub corrected: f64,
    /// Standard error for a new bird: own and shared together; none where the
    /// equation's residual variance is not known.
    pub std_error: Option<f64>,
    /// The bird's own part of it.
    pub own_error: Option<f64>,
    /// The part that comes from the equation and is shared by all scans; none
    /// where the equation's covariance is not known.
    pub shared_error: Option<f64>,
    /// Corrected value, percent of the scale weight (which is taken as exact).
    pub percent: Option<f64>,
    /// Standard error of that.
    pub percent_std_error: Option<f64>,
    /// What is unusual about this value, in words.
    pub flags: Vec<String>,
    /// Row of the scans table.
    pub row: u32,
    /// The equation's columns for this scan.
    pub design: Vec<f64>,
    /// The way in which it was made.
    pub way: Way,
    /// Derivative of the corrected value by each offset of the ways; empty where the
    /// equation covers the way.
    pub offset_design: Vec<f64>,
    /// Degrees of freedom of the standard error (Satterthwaite) where it has a part from
    /// an offset.
    pub df: Option<f64>,
    /// What repositioning the bird does to the corrected value (SD, g), where its way of
    /// scanning was repeated.
    pub repeat_sd: Option<f64>,
    /// The own error of another such scan, one that the way's offset was not estimated from.
    pub new_scan_error: Option<f64>,
}

/// All scans of a study corrected by one equation.
#[derive(Debug, Clone)]
pub struct Corrections {
    /// The trait that was corrected.
    pub trait_name: String,
    /// The equation.
    pub equation: Equation,
    /// Corrected scans, in the order of the table.
    pub rows: Vec<Corrected>,
    /// Scans with a shelled egg in the body whose offset is not known, each with the
    /// reason: their values still hold the egg, and their standard errors do not count it.
    pub with_egg: Vec<(Corrected, String)>,
    /// Scans with a shelled egg in the body that was taken off by `egg_offset`.
    pub egg_taken_off: Vec<Corrected>,
    /// What an egg adds, where the birds' weights and other scans gave it.
    pub egg_offset: Option<EggOffset>,
    /// The ways of scanning and their offsets.
    pub ways: WaysOf,
    /// Scans that the equation is not for, each with its reason.
    pub rejected: Vec<RejectedScan>,
    /// What should be known: one line each.
    pub warnings: Vec<String>,
}

/// What turns a scan into chemistry: an equation, or equations in a row.
pub trait Corrector {
    /// What it holds for, its coefficients and their covariance.
    fn equation(&self) -> &Equation;

    /// The prediction for a scan, given the value of each name.
    ///
    /// # Errors
    /// [`Gap`] with the name that has no value.
    fn predict<'a>(
        &self,
        lookup: impl Fn(&str) -> Option<Value<'a>>,
    ) -> std::result::Result<Prediction, Gap>;
}

/// A corrector's prediction for one scan.
#[derive(Debug, Clone, PartialEq)]
pub struct Prediction {
    /// Corrected value.
    pub value: f64,
    /// Variance of one bird about it; none where it is not known.
    pub own_variance: Option<f64>,
    /// The row x of the corrector's columns, of which value is x'b.
    pub design: Vec<f64>,
}

impl Corrector for Equation {
    fn equation(&self) -> &Equation {
        self
    }

    fn predict<'a>(
        &self,
        lookup: impl Fn(&str) -> Option<Value<'a>>,
    ) -> std::result::Result<Prediction, Gap> {
        let design = self.row(lookup)?;
        let value = self.value(&design);
        Ok(Prediction {
            value,
            own_variance: self.own_variance(value),
            design,
        })
    }
}

/// Applies an equation to the kept scans of the whole body.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) with file and row where the
/// equation has no covariance of its coefficients, as one copied from a paper, reads
/// something that the study lacks, is for plucked birds and a scan
/// is not of one, or does not know a strain that is not allowed by name. All
/// faults are reported at once; nothing is corrected then.
pub fn correct(
    study: &Study,
    kept: &Kept,
    corrector: &impl Corrector,
    allowed: &AllowedStrains,
) -> Result<Corrections> {
    let equation = corrector.equation();
    if equation.covariance.is_none() {
        return Err(Error::input(format!(
            "{}: found no covariance of its coefficients, expected one to correct scans by, since the error that all birds share is not known without it; test the equation on scanned and analysed birds (validate), or calibrate with these",
            equation.label()
        )));
    }
    let mut corrections = Corrections {
        trait_name: equation.provenance.response.clone(),
        equation: equation.clone(),
        rows: Vec::new(),
        with_egg: Vec::new(),
        egg_taken_off: Vec::new(),
        egg_offset: None,
        ways: WaysOf::of_study(study, kept, equation),
        rejected: Vec::new(),
        warnings: warnings(equation),
    };
    let precisions = WayPrecisions::of_study(study, kept);
    let regions = regions(study, kept);
    let mut faults = BTreeSet::new();
    for &index in &kept.scans {
        let scan = &study.scans.rows[index];
        if scan.region != WHOLE {
            continue;
        }
        match feathers_fit(equation, scan) {
            FeathersFit::Yes => {}
            FeathersFit::LeaveOut(reason) => {
                corrections.rejected.push(rejected(study, scan, reason));
                continue;
            }
            FeathersFit::Refuse => {
                faults.insert((
                    scan.row,
                    format!(
                        "column feathers: found a scan {}, expected plucked birds as {} needs; use an equation for intact birds",
                        match scan.feathers {
                            Feathers::Intact => "with feathers",
                            _ => "that does not state whether the bird was plucked",
                        },
                        equation.label()
                    ),
                ));
                continue;
            }
        }
        let parts = regions.get(&position(scan)).map_or(&[][..], Vec::as_slice);
        let scope = Scope {
            study,
            corrector,
            allowed,
            ways: &corrections.ways,
            precisions: &precisions,
        };
        match scope.one(index, parts) {
            Ok((row, None)) => corrections.rows.push(row),
            Ok((row, Some(reason))) => corrections.with_egg.push((row, reason)),
            Err(Stop::Fault(text)) => {
                faults.insert((scan.row, text));
            }
            Err(Stop::LeaveOut(reason)) => corrections.rejected.push(rejected(study, scan, reason)),
        }
    }
    if !faults.is_empty() {
        return Err(Error::faults(fault_lines(&study.scans.file, &faults)));
    }
    let rejected = corrections
        .rejected
        .iter()
        .map(|scan| (scan.row, &scan.reason));
    let eggs = corrections.with_egg.iter().map(|(row, why)| (row.row, why));
    if let ([], Some((row, reason))) = (corrections.rows.as_slice(), rejected.chain(eggs).min()) {
        return Err(Error::input(format!(
            "{}, row {row}: found no scan that {} can be applied to ({reason}), expected at least one; check the columns of the table and the equation's terms ({})",
            study.scans.file,
            equation.label(),
            equation.names().join(", ")
        )));
    }
    Ok(corrections)
}

fn warnings(equation: &Equation) -> Vec<String> {
    let label = equation.label();
    let mut warnings = Vec::new();
    if equation.provenance.unit == "pct" {
        warnings.push(format!("{label}: {PERCENTAGES}"));
    }
    if equation.provenance.residual_variance.is_none() {
        warnings.push(format!(
            "{label}: its residual variance is not known, so there are no standard errors"
        ));
    }
    warnings
}

/// What the correction of one scan uses.
struct Scope<'a, C> {
    study: &'a Study,
    corrector: &'a C,
    allowed: &'a AllowedStrains,
    ways: &'a WaysOf,
    precisions: &'a WayPrecisions,
}

/// The readings of one scan that were put on the calibration's way.
#[derive(Default)]
struct OnOneWay {
    adjusted: BTreeMap<String, Adjusted>,
    /// Why an egg cannot be taken off.
    egg: Option<String>,
}

impl<C: Corrector> Scope<'_, C> {
    /// One scan corrected, with the reason where an egg in it could not be taken off.
    #[expect(
        clippy::too_many_lines,
        reason = "one error after the other of one value"
    )]
    fn one(
        &self,
        index: usize,
        parts: &[&Scan],
    ) -> std::result::Result<(Corrected, Option<String>), Stop> {
        let (study, equation) = (self.study, self.corrector.equation());
        let scan = &study.scans.rows[index];
        let way = Way::of(scan);
        let mut flags = Vec::new();
        let strain = strain_under(study, scan, equation, self.allowed, &mut flags)?;
        let laboratory =
            laboratory_under(equation, &scan.laboratory, &mut flags).map_err(Stop::LeaveOut)?;
        let read = RefCell::new(BTreeMap::new());
        let raw = |name: &str| match name {
            "strain" => strain.map(Value::Word),
            LABORATORY => laboratory.map(Value::Word),
            _ => {
                let value = lookup(study, scan, parts, name);
                if let Some(Value::Number(number)) = value {
                    read.borrow_mut().insert(name.to_owned(), number);
                }
                value
            }
        };
        let gap = |gap| missing(equation, &gap);
        self.corrector.predict(raw).map_err(gap)?;
        let mut readings = read.take();
        readings.retain(|name, _| name.ends_with("_scan") || name == "body_weight");
        let OnOneWay { adjusted, egg } =
            self.on_one_way((&way, scan.row), &readings, &mut flags)?;
        let on_way = |name: &str| match adjusted.get(name) {
            Some(adjusted) => Some(Value::Number(adjusted.reading_g)),
            None if name == "restraint" && self.ways.concerns(&way) => {
                Some(Value::Word(self.ways.reference()))
            }
            None => raw(name),
        };
        let Prediction {
            value: corrected,
            own_variance,
            design,
        } = self.corrector.predict(on_way).map_err(gap)?;
        if !corrected.is_finite() {
            return Err(Stop::Fault(format!(
                "found a corrected value that is no number, expected one; check the readings and {}",
                equation.label()
            )));
        }
        unusual(equation, scan, corrected, &on_way, &mut flags);
        // Linear in each reading for most equations; a central difference is exact then.
        let slope = |name: &str| -> Option<f64> {
            let Some(Value::Number(at)) = on_way(name) else {
                return None;
            };
            let step = 1e-3 * at.abs().max(1e-3);
            let moved = |by: f64| {
                let with = |other: &str| match other == name {
                    true => Some(Value::Number(at + by)),
                    false => on_way(other),
                };
                self.corrector
                    .predict(with)
                    .ok()
                    .map(|predicted| predicted.value)
            };
            Some((moved(step)? - moved(-step)?) / (2.0 * step))
        };
        let birds = scan.birds_in_scan() as f64;
        let mut own = own_variance.map(|variance| variance / birds);
        let mut offset_design = Vec::new();
        let mut offset_df = f64::INFINITY;
        // Of the part of the own variance that comes from the way, and its variance; and of a
        // scan that the offset does not rest on.
        let (mut of_way, mut of_way_variance, mut of_new) = (0.0, 0.0, 0.0);
        if !adjusted.is_empty() {
            offset_design = vec![0.0; self.ways.parameters()];
            for (name, adjusted) in &adjusted {
                let slope = slope(name).unwrap_or(0.0);
                for (at, derivative) in &adjusted.by_parameter {
                    offset_design[*at] += slope * derivative;
                }
                of_way += slope * slope * (adjusted.more.value + adjusted.twice_covariance);
                of_new += slope * slope * adjusted.more.value;
                of_way_variance += slope.powi(4) * adjusted.more.variance;
                offset_df = offset_df.min(adjusted.df);
            }
        }
        let of_equation = equation.shared_covariance(&design, &design);
        let of_the_rest = own.unwrap_or(0.0) + of_equation.unwrap_or(0.0);
        let new_scan = own.map(|own| own + of_new);
        own = own.map(|own| (own + of_way).max(0.0));
        let of_offsets = self.ways.shared_covariance(&offset_design, &offset_design);
        let shared = of_equation.map(|shared| shared + of_offsets);
        // Rounding may leave a variance of -1e-20.
        let root = |variance: f64| variance.max(0.0).sqrt();
        let std_error = own.map(|own| root(own + shared.unwrap_or(of_offsets)));
        let df = equation
            .provenance
            .residual_df
            .map_or(f64::INFINITY, |df| df as f64);
        // The way's variance is a difference, whose degrees of freedom a moment estimate makes
        // too few where it is small: no fewer than those of the comparisons.
        let df = (of_offsets > 0.0).then(|| {
            let df = (of_the_rest + of_way + of_offsets).powi(2)
                / (of_the_rest.powi(2) / df
                    + of_way_variance / 2.0
                    + of_offsets.powi(2) / offset_df);
            df.max(offset_df)
        });
        let weight_g = match adjusted.get("body_weight") {
            Some(weight) => weight.reading_g,
            None if way.egg && egg.is_some() => f64::NAN,
            None => scan.scale_weight_g,
        };
        let grams = equation.provenance.unit == "g" && weight_g > 0.0;
        let percent = |value: f64| grams.then(|| 100.0 * value / weight_g);
        let reading = match raw(&format!("{}_scan", equation.provenance.response)) {
            Some(Value::Number(reading)) => Some(reading),
            _ => None,
        };
        let repeat_variance: Option<f64> = readings
            .iter()
            .filter(|(name, _)| name.ends_with("_scan"))
            .map(|(name, reading)| {
                let of_reading = self.precisions.variance(name, &way, *reading)?;
                Some(of_reading * slope(name)?.powi(2))
            })
            .sum();
        let row = Corrected {
            index,
            scan: scan.name.clone(),
            bird: bird_names(study, scan),
            strain: strain_of(study, scan).unwrap_or_default().to_owned(),
            age_d: scan.age_d,
            birds_in_scan: scan.birds_in_scan(),
            reading,
            corrected,
            std_error,
            own_error: own.map(root),
            shared_error: shared.map(root),
            percent: percent(corrected),
            percent_std_error: std_error.and_then(percent),
            flags,
            row: scan.row,
            design,
            way,
            offset_design,
            df,
            repeat_sd: repeat_variance.filter(|v| *v > 0.0).map(f64::sqrt),
            new_scan_error: new_scan.map(root),
        };
        Ok((row, egg))
    }

    /// The readings that the equation uses, put on the calibration's way.
    fn on_one_way(
        &self,
        (way, row): (&Way, u32),
        readings: &BTreeMap<String, f64>,
        flags: &mut Vec<String>,
    ) -> std::result::Result<OnOneWay, Stop> {
        let mut on_way = OnOneWay::default();
        if !self.ways.concerns(way) {
            return Ok(on_way);
        }
        let label = way.label();
        if self
            .study
            .settings
            .calibration
            .allowed_ways
            .contains(&label)
        {
            flags.push(format!(
                "{label} is not in the equation, and was allowed by name"
            ));
            return Ok(on_way);
        }
        for (name, reading) in readings {
            match self.ways.adjusted(name, (way, row), *reading) {
                Ok(None) => {}
                Ok(Some(adjusted)) => {
                    on_way.adjusted.insert(name.clone(), adjusted);
                }
                Err(reason) if way.egg && self.holds_without_egg(way) => {
                    on_way.adjusted.clear();
                    on_way.egg = Some(reason);
                    return Ok(on_way);
                }
                Err(reason) => return Err(Stop::LeaveOut(reason)),
            }
        }
        Ok(on_way)
    }

    /// Whether only the egg sets a way apart from the calibration's.
    fn holds_without_egg(&self, way: &Way) -> bool {
        let without = Way {
            egg: false,
            ..way.clone()
        };
        way.birds == 1 && !self.ways.concerns(&without)
    }
}

impl Corrections {
    /// The range that a corrected value is believed to lie in: t on the equation's
    /// residual degrees of freedom (normal where these are not known); none without
    /// a standard error.
    #[must_use]
    pub fn interval(&self, row: &Corrected, confidence: f64) -> Option<Interval> {
        let of_equation = self.equation.provenance.residual_df.map(|df| df as f64);
        let quantile = match row.df.or(of_equation) {
            Some(df) if df.is_finite() => t_two_sided_quantile(confidence, df),
            _ => normal_quantile(0.5 + confidence / 2.0),
        };
        row.std_error
            .map(|error| Interval::around(row.corrected, quantile * error))
    }

    /// Whether a scan was left out since its way or laboratory is not covered.
    pub(super) fn is_refused(&self, study: &Study, scan: &RejectedScan) -> bool {
        let mut rows = study.scans.rows.iter().filter(|row| row.row == scan.row);
        rows.any(|row| {
            scan.reason
                .starts_with(&format!("{}: ", Way::of(row).label()))
                || scan.reason.starts_with(LABORATORY)
        })
    }

    /// Covariance of two corrected scans that comes from the equation and the offsets of
    /// the ways, g^2; `None` where the equation's covariance is not known.
    #[must_use]
    pub fn shared_covariance(&self, i: usize, j: usize) -> Option<f64> {
        let (a, b) = (&self.rows[i], &self.rows[j]);
        let of_equation = self.equation.shared_covariance(&a.design, &b.design)?;
        let of_offsets = (self.ways).shared_covariance(&a.offset_design, &b.offset_design);
        Some(of_equation + of_offsets)
    }

    /// The whole shared covariance, n x n, g^2.
    #[must_use]
    pub fn shared_covariances(&self) -> Option<DMatrix<f64>> {
        let root = self.shared_root(self.rows.iter())?;
        Some(&root * root.transpose())
    }

    /// How corrected values depend on the m parameters that they share, the equation's
    /// coefficients and the ways' offsets: the gradient times a root of the parameters'
    /// covariance, so that the shared covariance of these scans is S S'.
    ///
    /// `None` where the equation's covariance is not known.
    ///
    /// # Shapes
    /// n x m for n rows; the columns mean the same for all rows of these corrections.
    #[must_use]
    pub fn shared_root<'a>(
        &self,
        rows: impl ExactSizeIterator<Item = &'a Corrected>,
    ) -> Option<DMatrix<f64>> {
        let of_equation = root(self.equation.covariance.clone()?);
        let of_offsets = root(self.ways.covariance().clone());
        let (p, q) = (of_equation.nrows(), of_offsets.nrows());
        let mut all = DMatrix::zeros(rows.len(), p + q);
        for (i, row) in rows.enumerate() {
            let scale = self.equation.slope(&row.design);
            let x = DVector::from_fn(p, |j, _| scale * row.design[j]);
            let g = DVector::from_fn(q, |j, _| row.offset_design.get(j).copied().unwrap_or(0.0));
            let both = [of_equation.tr_mul(&x), of_offsets.tr_mul(&g)];
            for (j, value) in both.iter().flat_map(|part| part.iter()).enumerate() {
                all[(i, j)] = *value;
            }
        }
        Some(all)
    }

    /// Corrected values under coefficients and offsets redrawn from their covariance.
    ///
    /// The same seed and replicate give the same values. Refitting the curves to
    /// many replicates carries the calibration's uncertainty into them.
    ///
    /// # Shapes
    /// n values, in the order of `rows`.
    /// # Errors
    /// [`ErrorKind::Input`](crate::ErrorKind::Input) where the covariance is not known.
    pub fn redraw(&self, seed: u64, replicate: u64) -> Result<Vec<f64>> {
        let coefficients = self.equation.redraw(seed, replicate)?;
        let mut generator = stream(seed, Purpose::Offsets, replicate);
        let normal = DVector::from_fn(self.ways.parameters(), |_, _| {
            StandardNormal.sample(&mut generator)
        });
        let moved = root(self.ways.covariance().clone()) * normal;
        let value = |row: &Corrected| {
            let of_offsets: f64 = row
                .offset_design
                .iter()
                .zip(moved.iter())
                .map(|(slope, by)| slope * by)
                .sum();
            self.equation.value_with(&row.design, &coefficients) + of_offsets
        };
        Ok(self.rows.iter().map(value).collect())
    }
}
