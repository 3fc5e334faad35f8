//! Light: which pens had which programme, and how maturity goes with it where pens differ.
//!
//! A day length given to a pen is one treatment of one unit, so that pens are the units of
//! every comparison: mean age at maturity of a pen against the age at its first increase of
//! light and its hours from then on, strains apart. What is found holds for the ages and hours
//! seen: the response is curved in both.
//!
//! # Source
//! Lewis PD, Perry GC, Morris TR 1997, Effect of size and timing of photoperiod increase on age
//! at first egg and subsequent performance of two breeds of laying hen, Br. Poult. Sci.
//! 38:142-150.

use crate::fit::interval::Estimate;
use crate::stats::distribution::t_two_sided;
use crate::stats::linear::{self, Design};
use crate::study::Study;

/// A light programme and the pens that had it.
#[derive(Debug, Clone, PartialEq)]
pub struct LightProgramme {
    /// Indices into [`Study::pens`]; empty where it is that of all birds of a study without
    /// pens.
    pub pens: Vec<usize>,
    /// Age from which each day length holds, d, hours, and lux where known; ascending.
    pub steps: Vec<(f64, f64, Option<f64>)>,
}

/// A measure of a programme.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LightMeasure {
    /// Age at the first increase, d.
    FirstIncrease,
    /// Hours of light from the first increase on.
    Hours,
}

/// How the mean age at maturity of pens goes with a measure of their light.
#[derive(Debug, Clone)]
pub struct LightEffect {
    /// The measure.
    pub measure: LightMeasure,
    /// Days of age at maturity for one more of the measure, or why that is not known.
    pub slope: Result<Estimate, String>,
    /// Two-sided P value of a slope of 0.
    pub p_value: Option<f64>,
    /// Pens.
    pub pens: usize,
}

impl LightMeasure {
    /// Both.
    pub const ALL: [Self; 2] = [Self::FirstIncrease, Self::Hours];

    /// Name of the slope in the tables.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::FirstIncrease => "maturity_per_day_later_light",
            Self::Hours => "maturity_per_hour_more_light",
        }
    }

    /// Unit of the slope: days a day, or days (an hour).
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::FirstIncrease => "1",
            Self::Hours => "d",
        }
    }

    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::FirstIncrease => "age at the first increase of light",
            Self::Hours => "hours of light from the first increase on",
        }
    }

    fn of(self, programme: &LightProgramme) -> Option<f64> {
        let (age_d, hours) = programme.first_increase()?;
        Some(match self {
            Self::FirstIncrease => age_d,
            Self::Hours => hours,
        })
    }
}

impl LightProgramme {
    /// Age at the first increase, d, and the hours from then on.
    #[must_use]
    pub fn first_increase(&self) -> Option<(f64, f64)> {
        let pairs = self.steps.windows(2);
        let mut more = pairs.filter(|pair| pair[1].1 > pair[0].1);
        more.next().map(|pair| (pair[1].0, pair[1].1))
    }

    /// Hours of light at an age; `None` before the first row.
    #[must_use]
    pub fn hours_at(&self, age_d: f64) -> Option<f64> {
        let before = self.steps.iter().take_while(|step| step.0 <= age_d);
        before.last().map(|step| step.1)
    }

    /// Ages and hours as a line of steps from one age to another.
    #[must_use]
    pub fn stairs(&self, first_d: f64, last_d: f64) -> Vec<(f64, f64)> {
        let mut line = Vec::new();
        line.extend(self.hours_at(first_d).map(|hours| (first_d, hours)));
        for (age_d, hours, _) in &self.steps {
            if (first_d..=last_d).contains(age_d) {
                line.extend(line.last().map(|(_, before)| (*age_d, *before)));
                line.push((*age_d, *hours));
            }
        }
        line.extend(line.last().map(|(_, hours)| (last_d, *hours)));
        line
    }

    /// `14 h from 119 d (pens 1, 2)`.
    #[must_use]
    pub fn words(&self, study: &Study) -> String {
        let steps = self.steps.iter();
        let steps: Vec<String> = steps
            .map(|(age_d, hours, _)| format!("{hours} h from {}", study.age_unit().show(*age_d)))
            .collect();
        format!("{} ({})", steps.join(", "), self.whose(study))
    }

    /// `pens 1, 2`.
    #[must_use]
    pub fn whose(&self, study: &Study) -> String {
        let pens: Vec<&str> = self.pens.iter().map(|pen| &*study.pens[*pen]).collect();
        match pens.len() {
            0 => "all".to_owned(),
            n if n == study.pens.len() => "all pens".to_owned(),
            n if n > 6 => format!("{n} pens"),
            _ => format!("pens {}", pens.join(", ")),
        }
    }
}

/// The programmes of a study, pens with the same one together; empty without a light table.
#[must_use]
pub fn light_programmes(study: &Study) -> Vec<LightProgramme> {
    if study.light.is_empty() {
        return Vec::new();
    }
    let of = |pen: Option<usize>| -> Vec<(f64, f64, Option<f64>)> {
        let rows = study.light.iter();
        let own = rows.filter(|row| row.pen.is_none() || row.pen == pen);
        own.map(|row| (row.age_d, row.hours, row.lux)).collect()
    };
    if study.pens.is_empty() {
        return vec![LightProgramme {
            pens: Vec::new(),
            steps: of(None),
        }];
    }
    let mut all: Vec<LightProgramme> = Vec::new();
    for pen in 0..study.pens.len() {
        let steps = of(Some(pen));
        if steps.is_empty() {
            continue;
        }
        match all.iter_mut().find(|known| known.steps == steps) {
            Some(known) => known.pens.push(pen),
            None => all.push(LightProgramme {
                pens: vec![pen],
                steps,
            }),
        }
    }
    all
}

/// Mean age at maturity of a pen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PenMaturity {
    /// Index into [`Study::pens`].
    pub pen: usize,
    /// Index into [`Study::strains`].
    pub strain: Option<usize>,
    /// Mean age at sexual maturity, d.
    pub mean_d: f64,
}

/// How the mean age at maturity of pens goes with their light; empty without programmes.
#[must_use]
pub fn light_effects(
    programmes: &[LightProgramme],
    pens: &[PenMaturity],
    confidence: f64,
) -> Vec<LightEffect> {
    if programmes.is_empty() {
        return Vec::new();
    }
    let each = LightMeasure::ALL.into_iter();
    each.map(|measure| {
        let known: Vec<(f64, PenMaturity)> = pens
            .iter()
            .filter_map(|pen| {
                let own = programmes.iter().find(|one| one.pens.contains(&pen.pen))?;
                Some((measure.of(own)?, *pen))
            })
            .collect();
        let found = slope(&known, confidence);
        LightEffect {
            measure,
            p_value: found.as_ref().ok().map(|found| found.1),
            pens: known.len(),
            slope: found.map(|found| found.0),
        }
    })
    .collect()
}

/// Residual degrees of freedom from which a slope is reported.
const LEAST_DF: usize = 2;

/// Slope of pens' ages on a measure, strains apart, with its P value.
fn slope(pens: &[(f64, PenMaturity)], confidence: f64) -> Result<(Estimate, f64), String> {
    let first = pens
        .first()
        .ok_or("no pen has both a programme with an increase of light and an age at maturity")?;
    if pens.iter().all(|pen| (pen.0 - first.0).abs() < 1e-9) {
        return Err("all pens had the same".to_owned());
    }
    let mut strains: Vec<Option<usize>> = pens.iter().map(|pen| pen.1.strain).collect();
    strains.sort_unstable();
    strains.dedup();
    let within = strains.iter().any(|strain| {
        let mut own = pens.iter().filter(|pen| pen.1.strain == *strain);
        let first = own.next().map(|pen| pen.0);
        own.any(|pen| first.is_some_and(|first| (pen.0 - first).abs() > 1e-9))
    });
    if !within {
        return Err(
            "pens of one strain had the same, so that light and strain cannot be separated"
                .to_owned(),
        );
    }
    if pens.len() < strains.len() + 1 + LEAST_DF {
        return Err(format!("{} pens are too few", pens.len()));
    }
    let mut columns: Vec<(String, Vec<f64>)> = strains
        .iter()
        .map(|strain| {
            let own = pens
                .iter()
                .map(|pen| f64::from(u8::from(pen.1.strain == *strain)));
            (format!("strain {strain:?}"), own.collect())
        })
        .collect();
    columns.push(("light".to_owned(), pens.iter().map(|pen| pen.0).collect()));
    let ages: Vec<f64> = pens.iter().map(|pen| pen.1.mean_d).collect();
    let failed = |failure: crate::stats::Failure| failure.to_string();
    let design = Design::new(columns).map_err(failed)?;
    let fit = linear::fit(&design, &ages).map_err(failed)?;
    let place = fit.coefficients.len() - 1;
    let value = fit.coefficients[place];
    let error = fit.standard_errors()[place];
    if !(error > 0.0 && error.is_finite()) {
        return Err("pens do not differ beside their light".to_owned());
    }
    let interval = fit.intervals(confidence).map_err(failed)?[place];
    let p_value = t_two_sided(value / error, fit.df as f64);
    let estimate = Estimate {
        value,
        standard_error: Some(error),
        interval: Some(interval),
    };
    Ok((estimate, p_value))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn programme(pens: &[usize], increase_d: f64) -> LightProgramme {
        LightProgramme {
            pens: pens.to_vec(),
            steps: vec![
                (0.0, 16.0, None),
                (14.0, 9.0, None),
                (increase_d, 14.0, None),
            ],
        }
    }

    fn pens(ages_d: &[f64]) -> Vec<PenMaturity> {
        let each = ages_d.iter().enumerate();
        each.map(|(pen, mean_d)| PenMaturity {
            pen,
            strain: Some(pen % 2),
            mean_d: *mean_d,
        })
        .collect()
    }

    /// Two strains, four pens each, by R 4.x: summary(lm(c(130.1,135.2,131.0,134.0,136.8,141.1,
    /// 135.9,140.6) ~ factor(c(0,1,0,1,0,1,0,1)) + c(112,112,112,112,126,126,126,126))).
    #[test]
    fn the_slope_is_that_of_a_linear_model_of_pens() {
        let programmes = [
            programme(&[0, 1, 2, 3], 112.0),
            programme(&[4, 5, 6, 7], 126.0),
        ];
        let ages = [130.1, 135.2, 131.0, 134.0, 136.8, 141.1, 135.9, 140.6];
        let effects = light_effects(&programmes, &pens(&ages), 0.95);
        let first = effects[0].slope.as_ref().unwrap();
        // 1e-6: the digits of the reference.
        assert!((first.value - 0.430_357_142_9).abs() < 1e-6, "{first:?}");
        assert!(
            (first.standard_error.unwrap() - 0.029_934_026_1).abs() < 1e-6,
            "{first:?}"
        );
        // Hours are the same in all pens.
        assert_eq!(
            effects[1].slope.as_ref().unwrap_err(),
            "all pens had the same"
        );
    }

    #[test]
    fn stairs_hold_each_day_length_until_the_next() {
        let one = programme(&[0], 112.0);
        assert_eq!(one.first_increase(), Some((112.0, 14.0)));
        let line = one.stairs(100.0, 120.0);
        assert_eq!(
            line,
            [(100.0, 9.0), (112.0, 9.0), (112.0, 14.0), (120.0, 14.0)]
        );
    }
}
