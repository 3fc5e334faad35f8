//! A curve to each bird of a table: one row a bird and curve.

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::Arc;

use arrow_array::types::Int8Type;
use arrow_array::{
    Array, ArrayRef, DictionaryArray, Float64Array, Int8Array, Int64Array, RecordBatch, StringArray,
};
use arrow_cast::cast;
use arrow_schema::{DataType, Field, Schema, SchemaRef};
use arrow_select::interleave::interleave;
use pinfeather::fit::estimable::Fitted;
use pinfeather::fit::interval::Estimate;
use pinfeather::fit::{Estimates, Outcome, Settings, Workspace, fit};
use pinfeather::growth::{self, Curve, Derived};
use pinfeather::trajectory::{derived_quantities, ready};
use pyo3::prelude::*;
use pyo3_arrow::PyTable;
use pyo3_arrow::input::AnyRecordBatch;
use rayon::prelude::*;

use crate::birds::{Birds, Gathered, Names};
use crate::columns::chunks;
use crate::options::{VARIANCES, named};
use crate::{Fault, Result, on_threads};

/// Birds whose rows one thread makes at a time: a batch of the result.
const BIRDS_AT_ONCE: usize = 4096;

/// How an outcome may end, in the order of its codes.
const STATUSES: [&str; 4] = ["converged", "weak", "failed", "not fitted"];

/// Fits the curves to each bird; the result is described in `pinfeather.fit_curves`.
#[pyfunction]
#[pyo3(signature = (
    table, *, curves, by, bird, age, value, at_age, at_weight, derived, covariance, variance,
    hatch_weight, cards, any_number, threads
))]
#[expect(clippy::too_many_arguments, reason = "each is a keyword of Python")]
pub(crate) fn fit_curves(
    py: Python<'_>,
    table: AnyRecordBatch,
    curves: Vec<String>,
    by: Vec<String>,
    bird: String,
    age: String,
    value: String,
    at_age: Vec<f64>,
    at_weight: Vec<f64>,
    derived: bool,
    covariance: bool,
    variance: Option<String>,
    hatch_weight: Option<f64>,
    cards: Option<PathBuf>,
    any_number: bool,
    threads: Option<usize>,
) -> PyResult<Bound<'_, PyAny>> {
    let (batches, schema) = table.into_table()?.into_inner();
    let names = Names {
        bird: by.into_iter().chain([bird]).collect(),
        age,
        value,
    };
    let variance = named("variance", variance.as_deref(), VARIANCES)?;
    let curves = read_curves(&curves, cards)?;
    let wanted = Wanted {
        layout: Layout::of(&curves, derived, (&at_age, &at_weight), covariance)?,
        curves,
        settings: Settings {
            variance: variance.unwrap_or_default(),
            ..Settings::default()
        },
        hatch_weight_g: hatch_weight,
    };
    let made = py.detach(|| {
        on_threads(threads, || {
            let fields = wanted.schema(&schema, &names)?;
            Ok((
                rows(&batches, &names, &wanted, &fields, any_number)?,
                fields,
            ))
        })
    })?;
    let (batches, schema) = made;
    PyTable::try_new(batches, schema)?.into_pyarrow(py)
}

/// The curves of these names, built-in or of the folder's cards.
fn read_curves(names: &[String], cards: Option<PathBuf>) -> Result<Vec<Arc<dyn Curve>>> {
    let cards = match cards {
        Some(folder) => growth::read_cards(&folder)?,
        None => Vec::new(),
    };
    let mut curves: Vec<Arc<dyn Curve>> = Vec::new();
    for name in names {
        if curves.iter().any(|curve| curve.name() == name) {
            return Err(Fault(format!(
                "curve: found {name} twice, expected each curve once"
            )));
        }
        curves.push(growth::find(name, &cards)?);
    }
    Ok(curves)
}

/// What is fitted and written.
struct Wanted {
    curves: Vec<Arc<dyn Curve>>,
    layout: Layout,
    settings: Settings,
    hatch_weight_g: Option<f64>,
}

/// Where each curve's numbers stand among the columns of numbers.
struct Layout {
    /// Name and unit of each column.
    columns: Vec<(String, String)>,
    /// A curve each: its terms' columns (estimate, then standard error).
    terms: Vec<Vec<usize>>,
    /// A curve each: the covariances, row by row of the upper triangle.
    covariances: Vec<Vec<usize>>,
    /// Derived quantities and their columns, the same for all curves.
    derived: Vec<(Derived, usize)>,
}

impl Layout {
    fn of(
        curves: &[Arc<dyn Curve>],
        derived: bool,
        (ages_d, masses_g): (&[f64], &[f64]),
        covariance: bool,
    ) -> Result<Self> {
        if let Some(age_d) = ages_d.iter().find(|age_d| !age_d.is_finite()) {
            return Err(Fault(format!(
                "at_age: found {age_d}, expected ages in days"
            )));
        }
        if let Some(mass_g) = masses_g.iter().find(|mass_g| !(**mass_g > 0.0)) {
            return Err(Fault(format!(
                "at_weight: found {mass_g}, expected masses in g above 0"
            )));
        }
        let mut columns: Vec<(String, String)> = Vec::new();
        let mut places: HashMap<String, usize> = HashMap::new();
        let mut place = |name: String, unit: String| {
            *places.entry(name.clone()).or_insert_with(|| {
                columns.push((name, unit));
                columns.len() - 1
            })
        };
        let mut pair = |name: &str, unit: &str| {
            let first = place(name.to_owned(), unit.to_owned());
            place(format!("{name}_std_error"), unit.to_owned());
            first
        };
        let terms = curves.iter().map(|curve| {
            let terms = curve.terms().iter();
            terms.map(|term| pair(&term.name, &term.unit)).collect()
        });
        let terms = terms.collect();
        let all = derived_quantities(ages_d, masses_g).into_iter();
        let always = if derived {
            0
        } else {
            derived_quantities(&[], &[]).len()
        };
        let quantities: Vec<Derived> = all
            .skip(always)
            .filter(|what| curves.iter().any(|curve| has(&**curve, *what)))
            .collect();
        let derived = quantities
            .into_iter()
            .map(|what| (what, pair(&what.name(), what.unit())));
        let derived = derived.collect();
        let mut covariances = vec![Vec::new(); curves.len()];
        if covariance {
            for (curve, own) in curves.iter().zip(&mut covariances) {
                let terms = curve.terms();
                for (at, one) in terms.iter().enumerate() {
                    for other in &terms[at + 1..] {
                        let name = covariance_name(&one.name, &other.name);
                        let unit =
                            format!("{} x {}", unit_or_one(&one.unit), unit_or_one(&other.unit));
                        own.push(place(name, unit));
                    }
                }
            }
        }
        Ok(Self {
            columns,
            terms,
            covariances,
            derived,
        })
    }
}

/// Column of the covariance of two terms.
pub(crate) fn covariance_name(one: &str, other: &str) -> String {
    format!("cov_{one}_{other}")
}

fn unit_or_one(unit: &str) -> &str {
    if unit.is_empty() { "1" } else { unit }
}

/// Whether a curve has a quantity at all: a curve of one phase has no second peak.
fn has(curve: &dyn Curve, what: Derived) -> bool {
    let two_phases = curve.terms().iter().any(|term| term.name == "A2");
    match what {
        Derived::InflectionAge | Derived::InflectionWeight | Derived::InflectionRate => !two_phases,
        Derived::FirstPeakAge
        | Derived::FirstPeakRate
        | Derived::SecondPeakAge
        | Derived::SecondPeakRate => two_phases,
        _ => true,
    }
}

impl Wanted {
    /// The columns of the result: the birds' as in the table, then those of the fits.
    fn schema(&self, table: &Schema, names: &Names) -> Result<SchemaRef> {
        let mut fields = Vec::new();
        for name in &names.bird {
            fields.push(Arc::new(table.field_with_name(name)?.clone()));
        }
        let words = DataType::Dictionary(Box::new(DataType::Int8), Box::new(DataType::Utf8));
        let plain = [
            ("curve", words.clone(), false),
            ("status", words, false),
            ("reason", DataType::Utf8, true),
            ("n", DataType::Int64, false),
            ("sigma", DataType::Float64, true),
            ("log_lik", DataType::Float64, true),
            ("aicc", DataType::Float64, true),
        ];
        fields
            .extend(plain.map(|(name, kind, nullable)| Arc::new(Field::new(name, kind, nullable))));
        for (name, unit) in &self.layout.columns {
            let unit = HashMap::from([("unit".to_owned(), unit_or_one(unit).to_owned())]);
            let field = Field::new(name, DataType::Float64, true).with_metadata(unit);
            fields.push(Arc::new(field));
        }
        let mut seen = std::collections::HashSet::new();
        if let Some(twice) = fields
            .iter()
            .find(|field| !seen.insert(field.name().clone()))
        {
            return Err(Fault(format!(
                "column {}: found a column of birds of the name that the results have, expected another; rename it",
                twice.name()
            )));
        }
        Ok(Arc::new(Schema::new(fields)))
    }
}

/// The rows of all birds, some birds a batch.
fn rows(
    batches: &[RecordBatch],
    names: &Names,
    wanted: &Wanted,
    schema: &SchemaRef,
    any_number: bool,
) -> Result<Vec<RecordBatch>> {
    let birds = Birds::of(batches, names, any_number)?;
    let named: Result<Vec<Vec<ArrayRef>>> = names
        .bird
        .iter()
        .map(|name| chunks(batches, name))
        .collect();
    let named = named?;
    let blocks: Vec<usize> = (0..birds.len()).step_by(BIRDS_AT_ONCE).collect();
    let made: Vec<Result<RecordBatch>> = blocks
        .into_par_iter()
        .map(|first| {
            let last = (first + BIRDS_AT_ONCE).min(birds.len());
            let mut block = Block::new(wanted, last - first);
            let (mut room, mut workspace) = (Gathered::default(), Workspace::new());
            for bird in first..last {
                let series = birds.series(bird, &mut room).map_err(|age_d| {
                    let name = names.bird.last().map_or("", String::as_str);
                    Fault(format!(
                        "column {}: found two values of one bird at {age_d} d ({name} of row {}, counted from 0), \
                         expected each bird once at an age; leave one out or average them",
                        names.value,
                        row_of(batches, birds.first(bird)),
                    ))
                })?;
                for (at, curve) in wanted.curves.iter().enumerate() {
                    match ready(curve, series, wanted.hatch_weight_g) {
                        Ok((own, series)) => {
                            let outcome = fit(&*own, series, &wanted.settings, &mut workspace);
                            block.add(at, &*own, &outcome);
                        }
                        Err(failure) => block.add(at, &**curve, &Outcome::Failed(failure)),
                    }
                }
            }
            let firsts: Vec<(usize, usize)> = (first..last)
                .flat_map(|bird| std::iter::repeat_n(birds.first(bird), wanted.curves.len()))
                .collect();
            block.batch(&named, &firsts, schema)
        })
        .collect();
    made.into_iter().collect()
}

/// The row of the whole table of a row of a chunk.
fn row_of(batches: &[RecordBatch], (chunk, row): (usize, usize)) -> usize {
    batches[..chunk]
        .iter()
        .map(RecordBatch::num_rows)
        .sum::<usize>()
        + row
}

/// Rows of some birds, in columns.
struct Block<'a> {
    wanted: &'a Wanted,
    curves: Vec<i8>,
    statuses: Vec<i8>,
    reasons: Vec<Option<String>>,
    n: Vec<i64>,
    /// sigma, log-likelihood and AICc, then the columns of the layout; no number is NaN.
    numbers: Vec<Vec<f64>>,
}

impl<'a> Block<'a> {
    fn new(wanted: &'a Wanted, birds: usize) -> Self {
        let rows = birds * wanted.curves.len();
        Self {
            wanted,
            curves: Vec::with_capacity(rows),
            statuses: Vec::with_capacity(rows),
            reasons: Vec::with_capacity(rows),
            n: Vec::with_capacity(rows),
            numbers: vec![Vec::with_capacity(rows); 3 + wanted.layout.columns.len()],
        }
    }

    fn add(&mut self, at: usize, curve: &dyn Curve, outcome: &Outcome) {
        let status = STATUSES
            .iter()
            .position(|status| *status == outcome.status());
        self.curves.push(i8::try_from(at).unwrap_or(i8::MAX));
        self.statuses.push(
            status
                .and_then(|place| i8::try_from(place).ok())
                .unwrap_or_default(),
        );
        let reason = outcome.reason();
        self.reasons.push((!reason.is_empty()).then_some(reason));
        self.n.push(i64::try_from(outcome.n()).unwrap_or(i64::MAX));
        self.numbers
            .iter_mut()
            .for_each(|column| column.push(f64::NAN));
        if let Some(estimates) = outcome.estimates() {
            self.fill(at, curve, estimates);
        }
    }

    fn fill(&mut self, at: usize, curve: &dyn Curve, estimates: &Estimates) {
        let layout = &self.wanted.layout;
        let row = self.n.len() - 1;
        let mut set = |column: usize, value: f64| self.numbers[column][row] = value;
        set(0, estimates.sigma);
        set(1, estimates.log_lik);
        set(2, estimates.aicc().unwrap_or(f64::NAN));
        let mut pair = |column: usize, estimate: Estimate| {
            set(3 + column, estimate.value);
            set(4 + column, estimate.standard_error.unwrap_or(f64::NAN));
        };
        let fitted = Fitted::of(curve, estimates);
        let mut known = Vec::with_capacity(layout.terms[at].len());
        for (index, column) in layout.terms[at].iter().enumerate() {
            let term = fitted.term(index, 0.95);
            known.push(term.is_ok());
            if let Ok(estimate) = term {
                pair(*column, estimate);
            }
        }
        for (what, column) in &layout.derived {
            if has(curve, *what)
                && let Ok(estimate) = fitted.derived(*what, 0.95)
            {
                pair(*column, estimate);
            }
        }
        let p = known.len();
        let mut columns = layout.covariances[at].iter();
        for one in 0..p {
            for other in one + 1..p {
                if let Some(column) = columns.next()
                    && known[one]
                    && known[other]
                {
                    self.numbers[3 + column][row] = estimates.covariance[one * p + other];
                }
            }
        }
    }

    fn batch(
        self,
        named: &[Vec<ArrayRef>],
        firsts: &[(usize, usize)],
        schema: &SchemaRef,
    ) -> Result<RecordBatch> {
        let mut columns: Vec<ArrayRef> = Vec::with_capacity(schema.fields().len());
        for chunks in named {
            let chunks: Vec<&dyn Array> = chunks.iter().map(|chunk| &**chunk).collect();
            columns.push(own_dictionary(interleave(&chunks, firsts)?)?);
        }
        let names = self.wanted.curves.iter().map(|curve| Some(curve.name()));
        columns.push(words(self.curves, names.collect())?);
        columns.push(words(
            self.statuses,
            STATUSES.into_iter().map(Some).collect(),
        )?);
        columns.push(Arc::new(StringArray::from(self.reasons)));
        columns.push(Arc::new(Int64Array::from(self.n)));
        columns.extend(
            self.numbers
                .into_iter()
                .map(|values| numbers(values) as ArrayRef),
        );
        Ok(RecordBatch::try_new(schema.clone(), columns)?)
    }
}

/// A column with a dictionary of just its values, each once.
fn own_dictionary(column: ArrayRef) -> Result<ArrayRef> {
    Ok(match column.data_type() {
        DataType::Dictionary(_, values) => cast(&cast(&column, values)?, column.data_type())?,
        _ => column,
    })
}

/// A column of a few words.
fn words(codes: Vec<i8>, known: StringArray) -> Result<ArrayRef> {
    let codes = Int8Array::from(codes);
    Ok(Arc::new(DictionaryArray::<Int8Type>::try_new(
        codes,
        Arc::new(known),
    )?))
}

/// A column of numbers, in which NaN is no number.
pub(crate) fn numbers(values: Vec<f64>) -> Arc<Float64Array> {
    if values.iter().any(|value| value.is_nan()) {
        let known = values
            .iter()
            .map(|value| (!value.is_nan()).then_some(*value));
        Arc::new(known.collect())
    } else {
        Arc::new(Float64Array::from(values))
    }
}
