//! The compiled part of the Python package `pinfeather`: Arrow tables in, Arrow tables out.
//!
//! `columns` takes numbers and identities out of a table, without copying where the layout
//! allows; `birds` finds each bird's rows; `fit_curves` and `predict` compute on them; `study`
//! runs the library's steps on a study folder; `tables` turns its tables into Arrow. What Python
//! users call, with its documentation, is in `python/pinfeather`.

mod birds;
mod columns;
mod csv;
mod fit_curves;
mod options;
mod predict;
mod study;
mod tables;

use pinfeather::growth;
use pyo3::exceptions::PyValueError;
use pyo3::prelude::*;
use pyo3::types::PyDict;

/// What was wrong with an input, in words: a `ValueError` of Python.
#[derive(Debug)]
pub(crate) struct Fault(pub(crate) String);

impl From<Fault> for PyErr {
    fn from(fault: Fault) -> Self {
        PyValueError::new_err(fault.0)
    }
}

impl From<pinfeather::Error> for Fault {
    fn from(error: pinfeather::Error) -> Self {
        Self(error.messages().join("\n"))
    }
}

impl From<arrow_schema::ArrowError> for Fault {
    fn from(error: arrow_schema::ArrowError) -> Self {
        Self(error.to_string())
    }
}

impl From<std::io::Error> for Fault {
    fn from(error: std::io::Error) -> Self {
        Self(error.to_string())
    }
}

/// Result of everything here that can fail for a user's input.
pub(crate) type Result<T> = std::result::Result<T, Fault>;

/// Name, terms and their units of each built-in curve.
#[pyfunction]
fn curves(py: Python<'_>) -> PyResult<Bound<'_, PyDict>> {
    let all = PyDict::new(py);
    for curve in growth::names().filter_map(growth::built_in) {
        let terms = PyDict::new(py);
        for term in curve.terms() {
            terms.set_item(&*term.name, &*term.unit)?;
        }
        all.set_item(curve.name(), terms)?;
    }
    Ok(all)
}

/// Runs work on this number of threads; on all of them where none is named.
pub(crate) fn on_threads<T: Send>(
    threads: Option<usize>,
    work: impl FnOnce() -> Result<T> + Send,
) -> Result<T> {
    let Some(threads) = threads else {
        return work();
    };
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads);
    let pool = pool.build().map_err(|error| Fault(error.to_string()))?;
    pool.install(work)
}

#[pymodule]
fn _native(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add("__version__", env!("CARGO_PKG_VERSION"))?;
    module.add_function(wrap_pyfunction!(curves, module)?)?;
    module.add_function(wrap_pyfunction!(csv::write_csv, module)?)?;
    module.add_function(wrap_pyfunction!(fit_curves::fit_curves, module)?)?;
    module.add_function(wrap_pyfunction!(predict::predict, module)?)?;
    module.add_function(wrap_pyfunction!(study::study_task, module)?)?;
    Ok(())
}
