//! How many birds must be analysed chemically: from options or saved equations.

use std::path::{Path, PathBuf};

use clap::Args;

use super::PlanArgs;
use crate::cli::output::Output;
use crate::composition::study_masses::read_equations;
use crate::composition::{self, Equation};
use crate::error::{Error, Result};
use crate::plan::calibration::CalibrationRequirement;

/// How many birds a calibration takes.
#[derive(Debug, Args)]
#[command(next_help_heading = "Calibration")]
pub(super) struct CalibrationOptions {
    /// Saved equations whose residual SD and readings the next calibration will have
    #[arg(long, value_name = "FILE[,FILE]", value_delimiter = ',')]
    pub(super) equation: Vec<PathBuf>,
    /// Residual SD of a calibration, where no equation is saved
    #[arg(long, value_name = "GRAMS", conflicts_with = "equation")]
    pub(super) calibration_sd: Option<f64>,
    /// SD of the readings among the birds analysed
    #[arg(long, value_name = "GRAMS", requires = "calibration_sd")]
    pub(super) reading_sd: Option<f64>,
    /// Coefficients of the equation, its constant too
    #[arg(long, value_name = "N", default_value_t = 2)]
    pub(super) coefficients: usize,
    /// How far the interval of the equation's mean prediction may reach to either side
    /// [default: a quarter of the residual SD, which adds about 2 % to the variance of a
    /// corrected mass]
    #[arg(long, value_name = "GRAMS")]
    pub(super) calibration_within: Option<f64>,
    /// How far the interval of the reading's coefficient may reach to either side
    #[arg(long, value_name = "VALUE")]
    pub(super) coefficient_within: Option<f64>,
}

impl CalibrationOptions {
    pub(super) fn check(&self) -> Result<()> {
        let numbers = [
            ("--calibration-sd", self.calibration_sd),
            ("--reading-sd", self.reading_sd),
            ("--calibration-within", self.calibration_within),
            ("--coefficient-within", self.coefficient_within),
        ];
        for (option, value) in numbers {
            if let Some(value) = value.filter(|value| !(value.is_finite() && *value > 0.0)) {
                return Err(Error::call(format!(
                    "{option} {value}: expected a number above 0"
                )));
            }
        }
        if self.coefficients == 0 {
            return Err(Error::call(
                "--coefficients 0: expected at least 1, the constant",
            ));
        }
        let planned = self.calibration_sd.is_some() || !self.equation.is_empty();
        let wanted = self.calibration_within.or(self.coefficient_within);
        if let (Some(_), false) = (wanted, planned) {
            return Err(Error::call(
                "--calibration-within or --coefficient-within: found without a residual SD, expected --calibration-sd GRAMS or --equation FILE beside it",
            ));
        }
        Ok(())
    }

    pub(super) fn requirements(
        &self,
        args: &PlanArgs,
        output: &mut Output,
    ) -> Result<Vec<(String, CalibrationRequirement)>> {
        let requirement = |residual_sd: f64, reading_sd: Option<f64>, coefficients: usize| {
            CalibrationRequirement {
                residual_sd,
                reading_sd,
                coefficients,
                mean_within: Some(self.calibration_within.unwrap_or(0.25 * residual_sd)),
                coefficient_within: self.coefficient_within,
                level: args.wanted.confidence,
                most: args.limits.most_birds,
            }
        };
        let mut requirements = Vec::new();
        if let Some(residual_sd) = self.calibration_sd {
            let requirement = requirement(residual_sd, self.reading_sd, self.coefficients);
            requirements.push(("equation".to_owned(), requirement));
        }
        for equation in read_equations(&self.equation)? {
            output.enter_file(Path::new(&equation.file))?;
            let (residual_sd, reading_sd) = spreads(&equation)?;
            let requirement = requirement(residual_sd, reading_sd, equation.columns.len());
            requirements.push((equation.provenance.response.clone(), requirement));
        }
        if !requirements.is_empty() {
            output
                .findings
                .warnings
                .push(composition::CAUTION.to_owned());
        }
        if self.coefficient_within.is_some()
            && requirements
                .iter()
                .any(|(_, requirement)| requirement.reading_sd.is_none())
        {
            return Err(Error::call(
                "--coefficient-within: found no spread of the readings, expected --reading-sd GRAMS beside --calibration-sd, or an equation that names the range of its reading",
            ));
        }
        Ok(requirements)
    }
}

/// Residual SD of an equation, and SD of its reading were birds spread evenly over the
/// range that it was made from.
fn spreads(equation: &Equation) -> Result<(f64, Option<f64>)> {
    let own = &equation.provenance;
    let plain = own.variance_power.abs() < 1e-12 && own.unit == "g";
    let residual = own.residual_variance.filter(|_| plain).map(f64::sqrt);
    let Some(residual_sd) = own.cross_validated_rmse.or(residual) else {
        return Err(Error::input(format!(
            "{}: found no residual SD in grams, expected cross_validated_rmse or a constant residual_variance; give --calibration-sd instead",
            equation.file
        )));
    };
    let stem = own.response.split('_').next().unwrap_or_default();
    let reading = own
        .ranges
        .iter()
        .find(|range| range.name.starts_with(stem) && range.name.ends_with("_scan"));
    let spread = reading.map(|range| (range.greatest - range.least) / 12.0_f64.sqrt());
    Ok((residual_sd, spread.filter(|spread| *spread > 0.0)))
}
