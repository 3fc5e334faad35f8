//! A correction equation as a file: TOML with a digest of its text, so that a file
//! that was cut short or edited is noticed. An equation typed in from a paper gets
//! its digest by [`seal`].

use std::path::Path;

use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

use super::cross_equation::CrossEquationCovariance;
use super::equation::Equation;
use super::formula::EquationColumn;
use super::provenance::Provenance;
use crate::error::{Error, Result};
use crate::study::{read_sealed, saved_keys, sealed, without_digest};

pub use crate::study::digest;

/// First line of every saved equation.
const FORMAT: &str = "pinfeather correction equation, version 2";
/// What the first line of one that this program can read begins with, and the versions. Version 1
/// has the same keys but for publication, laboratories and validation, which are blank then.
const KIND: &str = "pinfeather correction equation, version ";
const READ: [&str; 2] = ["1", "2"];

/// The file's keys, in the file's order.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Saved {
    format: String,
    #[serde(skip_serializing_if = "String::is_empty", default)]
    digest: String,
    equation: Provenance,
    coefficient: Vec<Coefficient>,
    #[serde(skip_serializing_if = "Option::is_none")]
    covariance: Option<Covariance>,
    #[serde(
        skip_serializing_if = "Vec::is_empty",
        default,
        rename = "cross_equation"
    )]
    companions: Vec<CrossEquationCovariance>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Coefficient {
    column: String,
    value: f64,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Covariance {
    rows: Vec<Vec<f64>>,
}

impl Equation {
    /// The equation as the text of its file.
    ///
    /// # Errors
    /// [`ErrorKind::Output`](crate::ErrorKind::Output) where the text cannot be made.
    pub fn to_toml(&self) -> Result<String> {
        let saved = Saved {
            format: FORMAT.to_owned(),
            digest: String::new(),
            equation: self.provenance.clone(),
            coefficient: self
                .columns
                .iter()
                .zip(&self.coefficients)
                .map(|(column, value)| Coefficient {
                    column: column.to_string(),
                    value: *value,
                })
                .collect(),
            covariance: self.covariance.as_ref().map(|matrix| Covariance {
                rows: matrix
                    .row_iter()
                    .map(|row| row.iter().copied().collect())
                    .collect(),
            }),
            companions: self.companions.clone(),
        };
        let text = toml::to_string(&saved).map_err(|error| {
            Error::input(format!(
                "{}: found an equation that cannot be written ({error}), expected finite coefficients; check the fit",
                self.label()
            ))
        })?;
        seal(&text)
    }

    /// Reads a saved equation and checks that it is whole and unchanged.
    ///
    /// # Errors
    /// [`ErrorKind::Input`](crate::ErrorKind::Input) where the file is not there,
    /// cut short, changed since it was saved, or no equation.
    pub fn read(path: &Path) -> Result<Self> {
        let file = path.display().to_string();
        let mut equation = parse(&read_sealed(path, "equation")?, &file)?;
        equation.file = file;
        Ok(equation)
    }
}

/// Checks the text of an equation, such as one typed in from a paper, and puts
/// its digest in.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) where the text is no equation.
pub fn seal(text: &str) -> Result<String> {
    let body = without_digest(text);
    parse(&body, "the equation")?;
    Ok(sealed(&body))
}

fn parse(text: &str, file: &str) -> Result<Equation> {
    let wrong = |found: String, expected: &str, advice: &str| {
        Error::input(format!(
            "{file}: found {found}, expected {expected}; {advice}"
        ))
    };
    let anew = "save the equation again, or get the file again from its source";
    check_version(text, &wrong)?;
    let saved: Saved = saved_keys(text, file, "equation")?;
    let p = saved.coefficient.len();
    let covariance = saved.covariance.map(|covariance| covariance.rows);
    if let Some(rows) = &covariance
        && (rows.len() != p || rows.iter().any(|row| row.len() != p))
    {
        return Err(wrong(
            "a covariance of another size".to_owned(),
            &format!("{p} rows of {p} numbers"),
            anew,
        ));
    }
    if saved
        .companions
        .iter()
        .any(|cross_equation| !cross_equation.fits(p))
    {
        return Err(wrong(
            "a cross_equation whose covariance is of another size or no number".to_owned(),
            &format!("{p} rows of numbers"),
            anew,
        ));
    }
    let provenance = saved.equation;
    let numbers = saved
        .coefficient
        .iter()
        .map(|coefficient| coefficient.value);
    let numbers = numbers.chain(covariance.iter().flatten().flatten().copied());
    let variance = provenance.residual_variance.unwrap_or(0.0);
    if numbers
        .chain([provenance.variance_power])
        .any(|number| !number.is_finite())
        || !(variance >= 0.0 && variance.is_finite())
        || p == 0
    {
        return Err(wrong(
            "a coefficient or variance that is no number, or none at all".to_owned(),
            "finite numbers",
            anew,
        ));
    }
    let columns: Result<Vec<EquationColumn>> = saved
        .coefficient
        .iter()
        .map(|coefficient| coefficient.column.parse())
        .collect();
    let columns = columns
        .map_err(|error| wrong(error.to_string(), "columns that this program wrote", anew))?;
    check_levels(&columns, &provenance)
        .map_err(|found| wrong(found, "a level listed under [[equation.factor]]", anew))?;
    Ok(Equation {
        columns,
        coefficients: saved
            .coefficient
            .iter()
            .map(|coefficient| coefficient.value)
            .collect(),
        covariance: covariance.map(|rows| DMatrix::from_fn(p, p, |i, j| rows[i][j])),
        companions: saved.companions,
        provenance,
        file: String::new(),
    })
}

/// The version goes first: a file of another one may have other keys.
fn check_version(text: &str, wrong: &dyn Fn(String, &str, &str) -> Error) -> Result<()> {
    let mut lines = text
        .lines()
        .filter_map(|line| line.strip_prefix("format = \""));
    let format = lines.next().and_then(|rest| rest.split('"').next());
    let Some(format) = format else {
        // The keys are read next, and report what is missing.
        return Ok(());
    };
    if format
        .strip_prefix(KIND)
        .is_some_and(|version| READ.contains(&version))
    {
        return Ok(());
    }
    Err(wrong(
        format!("the format \"{format}\""),
        &format!("{KIND}{}", READ.join(" or ")),
        "use the version of this program that saved it",
    ))
}

/// Every level in a column must be among those listed, or a scan of that level
/// would pass for the reference.
fn check_levels(
    columns: &[EquationColumn],
    provenance: &Provenance,
) -> std::result::Result<(), String> {
    for (factor, level) in columns.iter().flat_map(EquationColumn::levels) {
        let listed = provenance.factors.iter().any(|levels| {
            levels.name == factor && levels.levels.iter().any(|known| known == level)
        });
        if !listed {
            return Err(format!("a column of {factor} {level}"));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::equation::tests::equation;
    use super::*;

    #[test]
    fn a_saved_equation_reads_back_to_the_last_digit() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("fat.toml");
        let mut saved = equation();
        std::fs::write(&path, saved.to_toml().unwrap()).unwrap();
        saved.file = path.display().to_string();
        assert_eq!(Equation::read(&path).unwrap(), saved);
        // Another system's line ends are no change.
        let text = std::fs::read_to_string(&path).unwrap();
        std::fs::write(&path, text.replace('\n', "\r\n")).unwrap();
        assert_eq!(Equation::read(&path).unwrap(), saved);
    }

    #[test]
    fn a_changed_or_shortened_file_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("fat.toml");
        let text = equation().to_toml().unwrap();
        let cases = [
            (text.replace("-12.345", "-12.344"), "cut short or changed"),
            (text[..text.len() - 40].to_owned(), "cut short or changed"),
            (text[..160].to_owned(), "cut short or changed"),
            (String::new(), "no digest"),
            (text.replace("digest", "# digest"), "no digest"),
            (
                seal_by_hand(&text.replace("version 2", "version 9")),
                "version 9",
            ),
            (
                seal_by_hand(&text.replace("unit = ", "units = ")),
                "no equation",
            ),
            (
                seal_by_hand(&text.replace("[4.0, -0.1, 0.3]", "[4.0, -0.1]")),
                "another size",
            ),
            (
                seal_by_hand(&text.replace("strain[B", "strain[C")),
                "column of strain C",
            ),
        ];
        for (text, expected) in cases {
            std::fs::write(&path, &text).unwrap();
            let error = Equation::read(&path).unwrap_err().to_string();
            assert!(
                error.contains(expected) && error.contains("fat.toml"),
                "{error}\n{text}"
            );
        }
        assert!(Equation::read(&folder.path().join("none.toml")).is_err());
    }

    /// A file whose digest is right and whose content is not.
    fn seal_by_hand(text: &str) -> String {
        sealed(text)
    }
}
