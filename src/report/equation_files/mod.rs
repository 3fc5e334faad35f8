//! A saved equation for use without this program: as a printed formula (Markdown, LaTeX), a function
//! of R or Python, a row of spreadsheet formulas.
//!
//! Each computes the corrected mass and, where the equation has its covariance and residual
//! variance, the standard error of a new bird with its two parts, from full digits.

mod code;
mod printed;
mod spreadsheet;

use crate::composition::{Equation, EquationPiece, Scale};

/// How an equation is written for others.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Form {
    /// Formula and tables in Markdown.
    Markdown,
    /// The same in LaTeX.
    Latex,
    /// A function of R.
    R,
    /// A function of Python.
    Python,
    /// A CSV table with formulas.
    Spreadsheet,
}

impl Form {
    /// All forms.
    pub const ALL: [Self; 5] = [
        Self::Markdown,
        Self::Latex,
        Self::R,
        Self::Python,
        Self::Spreadsheet,
    ];

    /// Ending of its file.
    #[must_use]
    pub fn ending(self) -> &'static str {
        match self {
            Self::Markdown => "md",
            Self::Latex => "tex",
            Self::R => "R",
            Self::Python => "py",
            Self::Spreadsheet => "csv",
        }
    }
}

/// The text of an equation in a form; `digest` is that of its saved file.
#[must_use]
pub fn export(equation: &Equation, form: Form, digest: &str) -> String {
    let parts = Parts::of(equation, digest);
    match form {
        Form::Markdown => printed::markdown(&parts),
        Form::Latex => printed::latex(&parts),
        Form::R => code::r(&parts),
        Form::Python => code::python(&parts),
        Form::Spreadsheet => spreadsheet::csv(&parts),
    }
}

/// What all forms need of an equation.
struct Parts<'a> {
    equation: &'a Equation,
    /// What it reads, in order: numbers, and words with their levels.
    inputs: Vec<Input<'a>>,
    /// Covariance and residual variance, where both are known.
    errors: Option<Errors>,
    /// Where it comes from and what it holds for: key and text.
    notes: Vec<(String, String)>,
}

struct Input<'a> {
    name: &'a str,
    /// The name as code may call it.
    code: String,
    levels: Option<&'a [String]>,
    range: Option<[f64; 2]>,
}

struct Errors {
    covariance: Vec<Vec<f64>>,
    residual_variance: f64,
    /// The residual SD grows with this power of the prediction, or of an input.
    power: f64,
    of: Option<String>,
}

impl<'a> Parts<'a> {
    fn of(equation: &'a Equation, digest: &str) -> Self {
        let of = &equation.provenance;
        let mut names = equation.names();
        if let Some(name) = &of.variance_of
            && !names.contains(&name.as_str())
        {
            names.push(name);
        }
        let inputs = names.into_iter().map(|name| Input {
            name,
            code: identifier(name),
            levels: of
                .factors
                .iter()
                .find(|levels| levels.name == name)
                .map(|levels| levels.levels.as_slice()),
            range: of
                .ranges
                .iter()
                .find(|range| range.name == name)
                .map(|range| [range.least, range.greatest]),
        });
        let errors = equation.covariance.as_ref().zip(of.residual_variance).map(
            |(matrix, residual_variance)| Errors {
                covariance: matrix
                    .row_iter()
                    .map(|row| row.iter().copied().collect())
                    .collect(),
                residual_variance,
                power: of.variance_power,
                of: of.variance_of.as_deref().map(identifier),
            },
        );
        Self {
            equation,
            inputs: inputs.collect(),
            errors,
            notes: notes(equation, digest),
        }
    }

    fn response(&self) -> &str {
        &self.equation.provenance.response
    }

    fn is_log(&self) -> bool {
        self.equation.provenance.scale == Scale::Log
    }

    /// What is added to the sum before its exponential.
    fn half_variance(&self) -> f64 {
        self.equation.provenance.residual_variance.unwrap_or(0.0) / 2.0
    }

    /// Each column by its pieces.
    fn columns(&self) -> impl Iterator<Item = &[EquationPiece]> {
        self.equation.columns.iter().map(|column| column.pieces())
    }
}

/// A name that R and Python take.
fn identifier(name: &str) -> String {
    let plain: String = name
        .chars()
        .map(|letter| {
            if letter.is_ascii_alphanumeric() {
                letter.to_ascii_lowercase()
            } else {
                '_'
            }
        })
        .collect();
    // Neither may begin with a digit, R's not with an underscore.
    if plain.starts_with(|first: char| first.is_ascii_alphabetic()) {
        plain
    } else {
        format!("x{plain}")
    }
}

/// A number with all its digits.
fn number(value: f64) -> String {
    format!("{value:?}")
}

/// Where it comes from and what it holds for; blank fields do not appear.
fn notes(equation: &Equation, digest: &str) -> Vec<(String, String)> {
    let of = &equation.provenance;
    let published = &of.publication;
    let mut notes: Vec<(String, String)> = Vec::new();
    let mut add = |key: &str, text: String| {
        let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
        if !text.is_empty() {
            notes.push((key.to_owned(), text));
        }
    };
    add(
        "predicts",
        format!(
            "{} in {}",
            of.response,
            if of.unit == "pct" { "percent" } else { "grams" }
        ),
    );
    add("authors", published.authors.clone());
    add("date", published.date.clone());
    add("scanner", of.scanner.clone());
    add("scanner software", published.scanner_software.clone());
    add(
        "fitted to",
        format!("{} birds, {} rows, {}", of.birds, of.rows, of.method),
    );
    add("laboratories", of.laboratories.join("; "));
    add("strains", of.strains.join("; "));
    for range in &of.ranges {
        add(
            &format!("range of {}", range.name),
            format!("{} to {}", number(range.least), number(range.greatest)),
        );
    }
    add("part of the carcass", of.part.clone());
    add("chemistry", published.chemistry_method.clone());
    add("basis", of.basis.clone());
    add("ways of scanning", of.ways.join("; "));
    add("feathers", of.feathers.clone());
    if let Some(error) = of.cross_validated_rmse {
        add("error on birds left out", number(error));
    }
    for done in &of.recalibrations {
        add(
            "recalibrated",
            format!(
                "{} on {} birds ({})",
                done.changed, done.birds, done.input_digest
            ),
        );
    }
    for test in &of.validations {
        add(
            "validated",
            format!(
                "{} on {} birds, bias {} ({})",
                test.verdict, test.birds, test.bias, test.input_digest
            ),
        );
    }
    add("source", of.source.clone());
    add("licence", published.licence.clone());
    add("DOI", published.doi.clone());
    add("saved equation", digest.to_owned());
    notes
}
