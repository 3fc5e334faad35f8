//! Readings beside fat, lean and bone: water, protein, a density.

use serde::Deserialize;

use crate::study::units::MassUnit;

/// A further reading of the scanner, as `[scans.readings]` in `study.toml` declares it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FurtherReading {
    /// Its name: `water`, `bone_density`.
    pub name: String,
    /// Its unit here: g of a mass, otherwise as declared.
    pub unit: String,
}

/// The unit that a further reading is declared with.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub enum ReadingUnit {
    /// A mass: of several birds it is shared out, and it is read in grams.
    Mass(MassUnit),
    /// A mass over an area or volume, or a share: the same for several birds as for one.
    Density(String),
}

impl TryFrom<String> for ReadingUnit {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        let text = text.trim();
        if let Ok(unit) = text.parse() {
            return Ok(Self::Mass(unit));
        }
        let density = text.split_once('/').is_some_and(|(mass, size)| {
            mass.trim().parse::<MassUnit>().is_ok() && !size.trim().is_empty()
        });
        if density || text == "%" {
            return Ok(Self::Density(text.to_owned()));
        }
        Err(format!(
            "found the unit \"{text}\" of a reading, expected g, kg or lb, a density such as g/cm2, or %"
        ))
    }
}

impl ReadingUnit {
    /// The unit in which readings are kept.
    #[must_use]
    pub fn kept(&self) -> String {
        match self {
            Self::Mass(_) => "g".to_owned(),
            Self::Density(unit) => unit.clone(),
        }
    }
}
