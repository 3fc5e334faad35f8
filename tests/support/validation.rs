//! Invented pairs of scan and chemistry, for equations tested on other birds.

use pinfeather::composition::calibration::{Settings, calibrate};
use pinfeather::composition::recalibration::{Change, recalibrate};
use pinfeather::composition::validation::{ValidationOptions, validate};
use pinfeather::composition::{Equation, Formula, Frame, Value, seal};
use rand::{Rng as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, Exp1, StandardNormal};

/// Fat = reading, with this SD of a bird about it, g; also the error on birds left out.
pub(crate) const EQUATION_SD: f64 = 10.0;

/// An equation of no term but the reading, calibrated on 60 birds of 40 to 300 g of fat.
pub(crate) fn equation() -> Equation {
    let text = format!(
        "format = \"pinfeather correction equation, version 1\"
[equation]
response = \"fat\"
unit = \"g\"
feathers = \"intact\"
part = \"body\"
method = \"ordinary\"
rows = 60
birds = 60
strains = [\"Alder\", \"Birch\"]
ways = [\"tube\"]
residual_variance = {}
residual_df = 58
cross_validated_rmse = {EQUATION_SD}
[[equation.range]]
name = \"fat_scan\"
least = 40.0
greatest = 300.0
[[equation.range]]
name = \"age\"
least = 21.0
greatest = 147.0
[[coefficient]]
column = \"intercept\"
value = 0.0
[[coefficient]]
column = \"fat_scan\"
value = 1.0
[covariance]
rows = [[4.0, -0.01], [-0.01, 0.0001]]
",
        EQUATION_SD * EQUATION_SD
    );
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("fat.toml");
    std::fs::write(&path, seal(&text).unwrap()).unwrap();
    Equation::read(&path).unwrap()
}

/// How the birds of a laboratory depart from the equation.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Laboratory {
    pub(crate) birds: usize,
    /// Observed = bias + slope x (reading - 150) + 150 + error.
    pub(crate) bias_g: f64,
    pub(crate) slope: f64,
    /// SD of the errors at 150 g.
    pub(crate) sd_g: f64,
    pub(crate) errors: Errors,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Errors {
    /// Normal, alike for all masses.
    Alike,
    /// Normal, in proportion to the mass.
    Proportional,
    /// Exponential minus its mean: skewed.
    Skewed,
}

impl Laboratory {
    /// Its pairs, drawn with a seed: 60 to 240 g of fat at 28 to 126 d.
    pub(crate) fn pairs(&self, seed: u64) -> Frame {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut frame = Frame {
            file: "pairs.csv".to_owned(),
            rows: (2..).take(self.birds).collect(),
            ..Frame::default()
        };
        let (mut readings, mut observed, mut ages) = (Vec::new(), Vec::new(), Vec::new());
        for _ in 0..self.birds {
            let reading = random.random_range(60.0..240.0);
            let normal: f64 = StandardNormal.sample(&mut random);
            let exponential: f64 = Exp1.sample(&mut random);
            let error = match self.errors {
                Errors::Alike => normal,
                Errors::Proportional => normal * reading / 150.0,
                Errors::Skewed => exponential - 1.0,
            };
            readings.push(reading);
            ages.push((28.0 + (reading - 60.0) / 180.0 * 98.0_f64).round());
            observed.push(self.bias_g + self.slope * (reading - 150.0) + 150.0 + self.sd_g * error);
        }
        let names = (0..self.birds).map(|bird| format!("b{bird}"));
        frame.add_words("bird", names.collect());
        frame.add_words("strain", vec!["Alder".to_owned(); self.birds]);
        frame.add_numbers("fat_scan", readings);
        frame.add_numbers("fat_chem", observed);
        frame.add_numbers("age", ages);
        frame
    }
}

/// Root mean square errors on 200 other birds of a laboratory, of which 8 were analysed: saved
/// equation, recalibrated (intercept, slope, full), a new equation fitted to the 8.
pub(crate) fn errors_on_other_birds(seed: u64, bias_sd_g: f64, slope_sd: f64) -> [f64; 5] {
    let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x5eed);
    let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
    let laboratory = Laboratory {
        birds: 8,
        bias_g: bias_sd_g * normal(),
        slope: 1.0 + slope_sd * normal(),
        sd_g: EQUATION_SD,
        errors: Errors::Alike,
    };
    let analysed = laboratory.pairs(seed);
    let others = Laboratory {
        birds: 200,
        ..laboratory
    }
    .pairs(seed + 1_000_000);
    let saved = equation();
    let options = ValidationOptions {
        confidence: 0.95,
        ..ValidationOptions::default()
    };
    let birds = validate(&analysed, &saved, &options).unwrap().birds;
    let again = |change| recalibrate(&birds, &saved, change, "").unwrap();
    let formula: Formula = "fat_scan".parse().unwrap();
    let new = calibrate(&analysed, "fat_chem", &formula, &Settings::default()).unwrap();
    [
        saved.clone(),
        again(Change::Intercept),
        again(Change::Slope),
        again(Change::Full),
        new.equation,
    ]
    .map(|equation| {
        let observed = others.numbers("fat_chem").unwrap();
        let readings = others.numbers("fat_scan").unwrap();
        let squares = observed.iter().zip(readings).map(|(observed, reading)| {
            let row = equation.row(|_| Some(Value::Number(*reading))).unwrap();
            (equation.value(&row) - observed).powi(2)
        });
        (squares.sum::<f64>() / 200.0).sqrt()
    })
}
