//! In which way was a bird scanned, and what does that add to its readings?
//!
//! A way is a restraint, a number of birds in the scan, and an egg in the body or
//! none. An equation holds for the ways in which its calibration scans were made;
//! readings of another way are first put on the calibration's ([`WaysOf::adjusted`])
//! by offsets from scans of the same live birds on the same day in both ways
//! ([`way_offsets`](super::way_offsets)). Where there are none, the way is refused by
//! name.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};

use super::equation::Equation;
use super::frame::Value;
use super::pairs::{lookup, regions};
use super::quality::Kept;
use super::way_offsets::{
    AddedVariance, FEWEST_COMPARISONS, Offset, OffsetKind, WayOffsets, WayReading, way_offsets,
};
pub use crate::study::Way;
use crate::study::{Feathers, Scan, Study, WHOLE, position};

/// The scale weight's name in an equation.
const BODY_WEIGHT: &str = "body_weight";

/// Whether an equation's calibration scans were made in a way; one that does not state
/// in which ways it was made holds for all but those with an egg.
fn covered(ways: &[String], way: &Way) -> bool {
    if ways.is_empty() {
        !way.egg
    } else {
        ways.contains(&way.label())
    }
}

/// The ways of a study's scans as one equation groups them.
#[derive(Debug, Clone)]
pub struct WaysOf {
    /// Ways in which the calibration scans were made, the usual one first.
    covered: Vec<String>,
    /// Ways of the study that the equation does not cover, each with its number
    /// (from 1; 0 is the calibration's).
    others: BTreeMap<Way, usize>,
    /// Offsets of each reading; none where no way could be compared.
    offsets: BTreeMap<String, Option<WayOffsets>>,
    /// First place of each reading's parameters among all of them.
    places: BTreeMap<String, usize>,
    /// By reading and row of the scans table: its place among those compared.
    compared: BTreeMap<String, BTreeMap<u32, usize>>,
    /// Covariance of all parameters; readings are taken for independent.
    covariance: DMatrix<f64>,
}

/// A reading put on the calibration's way.
#[derive(Debug, Clone, PartialEq)]
pub struct Adjusted {
    /// The reading as the calibration's way would give it, g per bird.
    pub reading_g: f64,
    /// Its derivative by each parameter that it depends on, with that one's place.
    pub by_parameter: Vec<(usize, f64)>,
    /// What the way's own spread adds to the variance of the reading, g^2 per bird.
    pub more: AddedVariance,
    /// Twice the covariance of the reading's own error with what the offset takes off, g^2:
    /// not 0 where the reading is one of those that the offset was estimated from.
    pub twice_covariance: f64,
    /// Degrees of freedom of the offset.
    pub df: f64,
}

impl WaysOf {
    /// Looks through the study's kept scans, and compares the ways where one is not
    /// covered.
    #[must_use]
    pub fn of_study(study: &Study, kept: &Kept, equation: &Equation) -> Self {
        let covered_ways = equation.provenance.ways.clone();
        let whole = kept.scans.iter().map(|index| &study.scans.rows[*index]);
        let whole: Vec<&Scan> = whole
            .filter(|scan| scan.region == WHOLE)
            .filter(|scan| match equation.provenance.feathers.as_str() {
                "plucked" => scan.feathers == Feathers::Plucked,
                _ => scan.feathers != Feathers::Plucked,
            })
            .collect();
        let mut others = BTreeMap::new();
        for way in whole.iter().map(|scan| Way::of(scan)) {
            if !covered(&covered_ways, &way) && !others.contains_key(&way) {
                others.insert(way, others.len() + 1);
            }
        }
        let mut ways = Self {
            covered: covered_ways,
            others,
            offsets: BTreeMap::new(),
            places: BTreeMap::new(),
            compared: BTreeMap::new(),
            covariance: DMatrix::zeros(0, 0),
        };
        if ways.others.is_empty() {
            return ways;
        }
        let regions = regions(study, kept);
        let mut names: Vec<String> = crate::study::Tissue::ALL
            .iter()
            .map(|tissue| format!("{}_scan", tissue.name()))
            .chain(
                equation
                    .names()
                    .into_iter()
                    .filter(|name| name.ends_with("_scan"))
                    .map(str::to_owned),
            )
            .chain([BODY_WEIGHT.to_owned()])
            .collect();
        names.sort();
        names.dedup();
        for name in names {
            let mut days = BTreeMap::new();
            let mut rows = Vec::new();
            let readings: Vec<WayReading> = whole
                .iter()
                .filter_map(|scan| {
                    let parts = regions.get(&position(scan)).map_or(&[][..], Vec::as_slice);
                    let Some(Value::Number(value)) = lookup(study, scan, parts, &name) else {
                        return None;
                    };
                    let subjects = scan.birds.iter().map(|bird| {
                        let next = days.len();
                        *days.entry((*bird, day(scan))).or_insert(next)
                    });
                    rows.push(scan.row);
                    Some(WayReading {
                        subjects: subjects.collect(),
                        way: ways.number_for(&name, &Way::of(scan)),
                        value,
                    })
                })
                .collect();
            let mut constant = vec![false; ways.others.len() + 1];
            for (way, number) in &ways.others {
                constant[*number] = way.egg;
            }
            let offsets = way_offsets(&readings, &constant);
            let at = ways.covariance.nrows();
            if let Some(offsets) = &offsets {
                let q = offsets.covariance.nrows();
                ways.covariance.resize_mut(at + q, at + q, 0.0);
                let mut own = ways.covariance.view_mut((at, at), (q, q));
                own.copy_from(&offsets.covariance);
            }
            ways.places.insert(name.clone(), at);
            let rows = rows.into_iter().zip(0..);
            ways.compared.insert(name.clone(), rows.collect());
            ways.offsets.insert(name, offsets);
        }
        ways
    }

    /// Number of a way; for the scale weight only an egg matters.
    fn number_for(&self, name: &str, way: &Way) -> usize {
        if name == BODY_WEIGHT && !way.egg {
            return 0;
        }
        self.others.get(way).copied().unwrap_or(0)
    }

    /// Whether readings of this way are put on the calibration's.
    #[must_use]
    pub fn concerns(&self, way: &Way) -> bool {
        self.others.contains_key(way)
    }

    /// The usual way of the calibration scans, in words.
    #[must_use]
    pub fn reference(&self) -> &str {
        self.covered
            .first()
            .map_or("the calibration's way", String::as_str)
    }

    /// Parameters of all readings, in the order of their places.
    #[must_use]
    pub fn parameters(&self) -> usize {
        self.covariance.nrows()
    }

    /// Covariance of all parameters, q x q.
    #[must_use]
    pub fn covariance(&self) -> &DMatrix<f64> {
        &self.covariance
    }

    /// Covariance of two corrected values with these derivatives by the offsets, which
    /// are empty for a value that has none.
    #[must_use]
    pub fn shared_covariance(&self, a: &[f64], b: &[f64]) -> f64 {
        if a.is_empty() || b.is_empty() {
            return 0.0;
        }
        let (a, b) = (DVector::from_column_slice(a), DVector::from_column_slice(b));
        a.dot(&(&self.covariance * b))
    }

    /// The offset of a reading in a way, where it could be estimated.
    #[must_use]
    pub fn offset(&self, name: &str, way: &Way) -> Option<(&WayOffsets, &Offset)> {
        let offsets = self.offsets.get(name)?.as_ref()?;
        Some((
            offsets,
            offsets.offsets[self.number_for(name, way)].as_ref()?,
        ))
    }

    /// A reading of the scan in a row of the table, by its name in the equation, put on the
    /// calibration's way.
    ///
    /// # Errors
    /// Why there is no offset, and what would be needed.
    pub fn adjusted(
        &self,
        name: &str,
        (way, row): (&Way, u32),
        reading_g: f64,
    ) -> Result<Option<Adjusted>, String> {
        let number = self.number_for(name, way);
        if number == 0 {
            return Ok(None);
        }
        let Some((offsets, offset)) = self.offset(name, way) else {
            return Err(self.refusal(name, way));
        };
        let slope = 1.0 / (1.0 + offset.share);
        let reading_g = (reading_g - offset.constant_g) * slope;
        let at = self.places[name] + offset.place;
        let by_parameter = match offset.kind {
            OffsetKind::Proportional => vec![(at, -reading_g * slope)],
            OffsetKind::Constant => vec![(at, -slope)],
            OffsetKind::Linear => vec![(at, -reading_g * slope), (at + 1, -slope)],
        };
        let more = offsets.added_variance(number, reading_g);
        let place = self.compared[name].get(&row);
        let with_own = place.map_or(&[][..], |place| &offsets.with_readings[*place]);
        let twice_covariance = by_parameter
            .iter()
            .filter_map(|(own, by)| Some(2.0 * slope * by * with_own.get(own - self.places[name])?))
            .sum();
        let (birds, comparisons) = (way.birds as f64, offset.comparisons as f64);
        let df = comparisons - by_parameter.len() as f64;
        Ok(Some(Adjusted {
            reading_g,
            more: AddedVariance {
                value: more.value / birds,
                variance: more.variance / (birds * birds),
            },
            twice_covariance,
            df,
            by_parameter,
        }))
    }

    /// Why a way is refused, and what would be needed.
    fn refusal(&self, name: &str, way: &Way) -> String {
        let found = self
            .offsets
            .get(name)
            .and_then(Option::as_ref)
            .map_or(0, |offsets| offsets.comparisons[self.number_for(name, way)]);
        let what = name.strip_suffix("_scan").unwrap_or("body weight");
        let both = if way.egg {
            "with the egg and without it".to_owned()
        } else if way.birds > 1 {
            format!(
                "together ({}) and each singly ({})",
                way.label(),
                self.reference()
            )
        } else {
            format!("in both ways ({} and {})", way.label(), self.reference())
        };
        let unit = if way.birds > 1 {
            "groups of birds"
        } else {
            "birds"
        };
        format!(
            "{}: the equation was calibrated on other scans ({}), and the offset of the {what} reading cannot be estimated from {found} comparisons; scan at least {FEWEST_COMPARISONS} {unit}, better 10, {both} on one day",
            way.label(),
            if self.covered.is_empty() {
                "without an egg".to_owned()
            } else {
                self.covered.join("; ")
            },
        )
    }
}

/// The day of a scan, which its repeats share.
fn day(scan: &Scan) -> u64 {
    scan.age_d.floor().to_bits()
}
