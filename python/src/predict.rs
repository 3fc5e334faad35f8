//! Fitted curves at given ages, from the table that `fit_curves` returned.

use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::types::Int64Type;
use arrow_array::{Array, ArrayRef, Float64Array, RecordBatch, UInt64Array};
use arrow_cast::cast;
use arrow_schema::{DataType, Field, Schema, SchemaRef};
use arrow_select::take::take;
use pinfeather::fit::interval::SamplingDistribution;
use pinfeather::growth::{self, Curve};
use pyo3::prelude::*;
use pyo3_arrow::PyTable;
use pyo3_arrow::input::AnyRecordBatch;

use crate::fit_curves::{covariance_name, numbers};
use crate::{Fault, Result, columns};

/// Predicts; the result is described in `pinfeather.predict`.
#[pyfunction]
pub(crate) fn predict(
    py: Python<'_>,
    fits: AnyRecordBatch,
    ages_d: Vec<f64>,
    confidence: f64,
) -> PyResult<Bound<'_, PyAny>> {
    let (batches, schema) = fits.into_table()?.into_inner();
    let (batches, schema) = py.detach(|| -> Result<_> {
        pinfeather::fit::interval::check_confidence(confidence)?;
        if let Some(age_d) = ages_d.iter().find(|age_d| !age_d.is_finite()) {
            return Err(Fault(format!("ages: found {age_d}, expected ages in days")));
        }
        let place = schema.index_of("curve").map_err(|_| {
            Fault("column curve: not found, expected the table that fit_curves returned".to_owned())
        })?;
        let mut fields: Vec<Field> = Vec::new();
        for place in 0..=place {
            fields.push(schema.field(place).clone());
        }
        for (name, unit) in COLUMNS {
            let unit = [("unit".to_owned(), unit.to_owned())].into();
            fields.push(Field::new(name, DataType::Float64, true).with_metadata(unit));
        }
        let schema: SchemaRef = Arc::new(Schema::new(fields));
        let made = batches
            .iter()
            .map(|batch| predicted(batch, place + 1, (&ages_d, confidence), &schema));
        Ok((made.collect::<Result<Vec<_>>>()?, schema))
    })?;
    PyTable::try_new(batches, schema)?.into_pyarrow(py)
}

const COLUMNS: [(&str, &str); 6] = [
    ("age_d", "d"),
    ("fitted", "g"),
    ("std_error", "g"),
    ("lower", "g"),
    ("upper", "g"),
    ("rate", "g/d"),
];

/// A curve with the columns of its terms and of their covariances (p x p, row-major).
struct Columns {
    curve: Arc<dyn Curve>,
    terms: Vec<Float64Array>,
    covariances: Option<Vec<Float64Array>>,
}

impl Columns {
    fn of(batch: &RecordBatch, name: &str) -> Result<Self> {
        let curve = growth::find(name, &[])?;
        if curve.needs_hatch_weight() {
            return Err(Fault(format!(
                "column curve: found {name}, which depends on each bird's weight at hatch, expected curves without it"
            )));
        }
        let number = |name: &str| {
            let mut chunk = columns::numbers(
                std::slice::from_ref(batch),
                name,
                "as fit_curves returned them",
            )?;
            Ok(chunk.swap_remove(0))
        };
        let names: Vec<&str> = curve.terms().iter().map(|term| &*term.name).collect();
        let terms: Result<Vec<Float64Array>> = names.iter().map(|name| number(name)).collect();
        let mut covariances = Vec::new();
        for (i, one) in names.iter().enumerate() {
            for (j, other) in names.iter().enumerate() {
                let name = match i.cmp(&j) {
                    std::cmp::Ordering::Less => covariance_name(one, other),
                    std::cmp::Ordering::Greater => covariance_name(other, one),
                    std::cmp::Ordering::Equal => format!("{one}_std_error"),
                };
                if batch.column_by_name(&name).is_some() {
                    covariances.push(number(&name)?);
                }
            }
        }
        let complete = covariances.len() == names.len() * names.len();
        Ok(Self {
            terms: terms?,
            covariances: complete.then_some(covariances),
            curve,
        })
    }

    /// A row's terms, and their covariance where it is known.
    fn row(&self, row: usize) -> Option<(Vec<f64>, Option<Vec<f64>>)> {
        let all = |columns: &[Float64Array]| -> Option<Vec<f64>> {
            let known = columns
                .iter()
                .map(|column| column.is_valid(row).then(|| column.value(row)));
            known
                .map(|value| value.filter(|value| !value.is_nan()))
                .collect()
        };
        let terms = all(&self.terms)?;
        let mut covariance = self.covariances.as_deref().and_then(all);
        if let Some(covariance) = &mut covariance {
            // The diagonal came as standard errors.
            let p = terms.len();
            (0..p).for_each(|i| covariance[i * (p + 1)] *= covariance[i * (p + 1)]);
        }
        Some((terms, covariance))
    }
}

fn predicted(
    batch: &RecordBatch,
    identities: usize,
    (ages_d, confidence): (&[f64], f64),
    schema: &SchemaRef,
) -> Result<RecordBatch> {
    let rows = batch.num_rows();
    let names = cast(&batch.columns()[identities - 1], &DataType::Utf8)?;
    let names = names.as_string::<i32>();
    let n = batch
        .column_by_name("n")
        .map(|n| cast(n, &DataType::Int64))
        .transpose()?;
    let n = n.as_ref().map(|n| n.as_primitive::<Int64Type>());
    let mut found: Vec<Columns> = Vec::new();
    let mut made: Vec<Vec<f64>> = vec![vec![f64::NAN; rows * ages_d.len()]; COLUMNS.len()];
    for row in 0..rows {
        let name = names.value(row);
        let place = match found
            .iter()
            .position(|columns| columns.curve.name() == name)
        {
            Some(place) => place,
            None => {
                found.push(Columns::of(batch, name)?);
                found.len() - 1
            }
        };
        let columns = &found[place];
        let at = row * ages_d.len();
        made[0][at..at + ages_d.len()].copy_from_slice(ages_d);
        let Some((terms, covariance)) = columns.row(row) else {
            continue;
        };
        let curve = &*columns.curve;
        let df = n.map_or(0.0, |n| n.value(row) as f64) - terms.len() as f64;
        let law = SamplingDistribution {
            terms: &terms,
            covariance: covariance.as_deref().unwrap_or_default(),
            df,
            error: None,
        };
        if covariance.is_some() && df >= 1.0 {
            for (age, estimate) in law.values(curve, ages_d, confidence).iter().enumerate() {
                made[1][at + age] = estimate.value;
                made[2][at + age] = estimate.standard_error.unwrap_or(f64::NAN);
                if let Some(limits) = estimate.interval {
                    made[3][at + age] = limits.lower;
                    made[4][at + age] = limits.upper;
                }
            }
        } else {
            for (age, age_d) in ages_d.iter().enumerate() {
                made[1][at + age] = curve.value(*age_d, &terms);
            }
        }
        let mut gradient = vec![0.0; terms.len()];
        for (age, age_d) in ages_d.iter().enumerate() {
            made[5][at + age] = curve.slope_and_gradient(*age_d, &terms, &mut gradient);
        }
    }
    let repeated = (0..rows as u64).flat_map(|row| std::iter::repeat_n(row, ages_d.len()));
    let repeated = UInt64Array::from_iter_values(repeated);
    let mut columns: Vec<ArrayRef> = Vec::new();
    for column in &batch.columns()[..identities] {
        columns.push(take(column, &repeated, None)?);
    }
    columns.extend(made.into_iter().map(|values| numbers(values) as ArrayRef));
    Ok(RecordBatch::try_new(schema.clone(), columns)?)
}
