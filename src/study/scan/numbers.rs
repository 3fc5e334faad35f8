//! The numbers of a row: masses in grams, densities as they are.

use super::layout::{Further, SCALE_WEIGHT};
use super::read::Reader;
use super::{Scan, WHOLE};
use crate::study::faults::{Faults, quoted};
use crate::study::header::Measure;
use crate::study::table::Rows;
use crate::study::units::{MASS_LIMIT_G, MassUnit};

/// A whole body below this mass is taken for kilograms: a hatchling weighs some
/// 40 g (common practice, no source).
const LEAST_BODY_G: f64 = 10.0;

impl Reader<'_> {
    /// A mass in g, NaN where there is none.
    pub(super) fn mass(&self, rows: &Rows<'_>, place: usize, faults: &mut Faults) -> f64 {
        let Some(measure) = self.layout.masses[place] else {
            return f64::NAN;
        };
        let Measure { index, unit } = measure;
        if place != SCALE_WEIGHT {
            return self.reading(rows, measure, faults);
        }
        let expected = format!("a mass in {unit} such as {}", unit.example());
        let Some(written) = rows.number(index, self.mark, &expected, faults) else {
            return f64::NAN;
        };
        if written <= 0.0 {
            faults.add(
                rows.place(index),
                quoted(rows.cell(index)),
                format!("a weight in {unit} above 0"),
                "correct the cell or mark it missing (NA)",
            );
            return f64::NAN;
        }
        Self::within_limits(rows, measure, written * unit.grams(), faults)
    }

    /// A reading of mass in g, NaN where there is none.
    pub(super) fn reading(
        &self,
        rows: &Rows<'_>,
        measure: Measure<MassUnit>,
        faults: &mut Faults,
    ) -> f64 {
        let Measure { index, unit } = measure;
        let expected = format!("a mass in {unit} such as {}", unit.example());
        match rows.number(index, self.mark, &expected, faults) {
            Some(written) => Self::within_limits(rows, measure, written * unit.grams(), faults),
            None => f64::NAN,
        }
    }

    fn within_limits(
        rows: &Rows<'_>,
        Measure { index, unit }: Measure<MassUnit>,
        mass_g: f64,
        faults: &mut Faults,
    ) -> f64 {
        // A group's total may be that of some dozens of birds.
        if !(0.0..=MASS_LIMIT_G * 10.0).contains(&mass_g) {
            faults.add(
                rows.place(index),
                quoted(rows.cell(index)),
                format!("a reading in {unit} of 0 or more"),
                "a scanner reads no negative mass: correct the cell or mark it missing (NA)",
            );
        }
        mass_g
    }

    /// Kilograms under a header of grams show by a body a thousand times too light.
    pub(super) fn check_unit(&self, scan: &Scan, rows: &Rows<'_>, faults: &mut Faults) {
        let (Some(fat), total_g) = (self.layout.masses[0], scan.total_g()) else {
            return;
        };
        let light = total_g > 0.0 && total_g < LEAST_BODY_G;
        let thousandth = (0.5..2.0).contains(&(1000.0 * total_g / scan.scale_weight_g));
        if scan.region == WHOLE && (light || thousandth) {
            faults.add(
                rows.place(fat.index),
                format!("a whole body of fat, lean and bone of {total_g:.3} g"),
                format!("readings in {}", fat.unit),
                "if they are kilograms, name the columns fat_kg, lean_kg, bone_kg or set mass under [units] in study.toml",
            );
        }
    }

    /// A further reading, or one of a region; masses in g per bird, NaN where there is none.
    pub(super) fn further(
        &self,
        rows: &Rows<'_>,
        column: Further,
        per_bird: f64,
        faults: &mut Faults,
    ) -> f64 {
        match column {
            Further::Mass(measure) => self.reading(rows, measure, faults) / per_bird,
            Further::Density(index) => {
                let expected = "a number of 0 or more";
                match rows.number(index, self.mark, expected, faults) {
                    Some(value) if value < 0.0 => {
                        let found = quoted(rows.cell(index));
                        let advice = "correct the cell or mark it missing (NA)";
                        faults.add(rows.place(index), found, expected, advice);
                        f64::NAN
                    }
                    value => value.unwrap_or(f64::NAN),
                }
            }
        }
    }
}
