//! A study as the pilot of another that scans and analyses birds: its estimates of the
//! errors of each trait, weighed against what scans, birds and carcasses cost.

use super::options::Options;
use super::scans::Scans;
use crate::composition::calibration_cells::{CalibrationCell, calibration_cells};
use crate::composition::correction::Corrections;
use crate::composition::mass_components::{MassComponents, mass_components};
use crate::error::{Error, Result};
use crate::plan::budget::{
    Aim, Budget, Extent, Offers, PilotPlace, PilotTrait, RequiredPrecision, ScanDesign, ScanError,
    birds_needed, offers,
};
use crate::plan::carcasses::{CarcassKind, CarcassPlace, CarcassTrait, Carcasses};
use crate::study::{Study, Way};

/// A pilot's estimates of the errors of its corrected masses.
#[derive(Debug)]
pub struct PilotScans {
    /// Each trait, in grams, that is planned for.
    pub components: Vec<MassComponents>,
    /// Ages planned for, d.
    pub ages_d: Vec<f64>,
    /// Strains and ages.
    pub extent: Extent,
    /// What scans gave.
    pub scans: Scans,
}

/// Designs weighed under a budget.
#[derive(Debug)]
pub struct ScanBudget {
    /// Costs, limits and requirements.
    pub budget: Budget,
    /// The pilot's estimates for each trait required.
    pub pilots: Vec<PilotTrait>,
    /// What each way of scanning offers.
    pub offers: Offers,
    /// Strains and ages.
    pub extent: Extent,
}

impl PilotScans {
    /// The pilot at these ages (those that the study names, or all at which it scanned, where
    /// there are none), in these ways and for these traits (all where none is named).
    ///
    /// # Errors
    /// A study from which no corrected masses in grams follow; ages that were not scanned;
    /// a trait that has no equation.
    pub fn of(
        study: &Study,
        options: &Options,
        ages_d: &[f64],
        (ways, traits): (&[Way], &[String]),
    ) -> Result<Self> {
        let scans = Scans::of(study, options)?;
        let corrections: Vec<&Corrections> = scans.in_grams().collect();
        if corrections.is_empty() {
            return Err(Error::input(
                "pilot: found no corrected masses in grams, expected scans with chemistry of scanned birds (or saved equations in its folder); without them the errors of scans and equations are not known",
            ));
        }
        let ages_d = match ages_d {
            [] => usual_ages(study, &corrections, &options.ages_d),
            asked => asked.to_vec(),
        };
        let known: Vec<&str> = corrections
            .iter()
            .map(|corrected| corrected.trait_name.as_str())
            .collect();
        if let Some(name) = traits.iter().find(|name| !known.contains(&name.as_str())) {
            return Err(Error::input(format!(
                "wanted.trait: found {name}, for which the pilot has no equation in grams, expected one of {}",
                known.join(", ")
            )));
        }
        let wanted = |one: &&&Corrections| traits.is_empty() || traits.contains(&one.trait_name);
        let mut components = Vec::new();
        for corrected in corrections.iter().filter(wanted) {
            let found = mass_components(study, corrected, &ages_d, ways);
            components.push(found.map_err(|why| {
                Error::input(format!("pilot: it does not determine the errors of {why}"))
            })?);
        }
        let strains = components[0].places.len() / ages_d.len().max(1);
        Ok(Self {
            components,
            extent: Extent {
                strains,
                ages: ages_d.len(),
            },
            ages_d,
            scans,
        })
    }

    /// The carcasses of a next calibration, of the kinds that the pilot analysed.
    ///
    /// # Errors
    /// As [`calibration_cells`].
    pub fn carcasses(&self, study: &Study, (with_pilot, level): (bool, f64)) -> Result<Carcasses> {
        let mut kinds: Vec<CarcassKind> = Vec::new();
        let mut traits = Vec::new();
        for corrected in self.scans.in_grams() {
            let Some(components) = self
                .components
                .iter()
                .find(|own| own.trait_name == corrected.trait_name)
            else {
                continue;
            };
            let cells = calibration_cells(study, &self.scans.kept, &corrected.equation)?;
            if kinds.is_empty() {
                kinds = cells.iter().map(kind).collect();
            }
            // One carcass serves all traits: an equation of other rows is planned elsewhere.
            if !same_kinds(&kinds, &cells) {
                continue;
            }
            let place = |place: &crate::composition::mass_components::Place| CarcassPlace {
                strain: place.strain.clone(),
                age_d: place.age_d,
                mass_g: place.mass_g,
                gradient: place.gradient.clone(),
            };
            traits.push(CarcassTrait {
                name: components.trait_name.clone(),
                information: cells.into_iter().map(|cell| cell.information).collect(),
                places: components.places.iter().map(place).collect(),
            });
        }
        Ok(Carcasses {
            kinds,
            traits,
            with_pilot,
            level,
        })
    }

    /// Weighs the designs of a budget, whose ways are those that the pilot was made for.
    #[must_use]
    pub fn weigh(&self, budget: Budget) -> ScanBudget {
        let pilots: Vec<PilotTrait> = self.components.iter().map(pilot_trait).collect();
        let extent = self.extent;
        ScanBudget {
            offers: offers(&budget, &pilots, extent),
            budget,
            pilots,
            extent,
        }
    }
}

impl ScanBudget {
    /// The requirements, each with its trait.
    pub fn required(&self) -> impl Iterator<Item = (&RequiredPrecision, &PilotTrait)> {
        let requirements = self.budget.requirements.iter();
        requirements.filter_map(|requirement| {
            let mut pilots = self.pilots.iter();
            let own = pilots.find(|own| own.name == requirement.trait_name)?;
            Some((requirement, own))
        })
    }

    /// Birds a strain that a design needs with the variance between birds at the upper 80 %
    /// limit of the pilot's estimate, for the aims that its way can reach; none where no
    /// number will do.
    #[must_use]
    pub fn careful_birds(&self, design: ScanDesign) -> Option<usize> {
        let careful: Vec<PilotTrait> = self.pilots.iter().map(PilotTrait::careful).collect();
        let aims: &[Aim] = match self.budget.scans[design.way].birds {
            1 => &Aim::ALL,
            _ => &[Aim::StrainMean, Aim::Calibration],
        };
        birds_needed(&self.budget, &careful, self.extent, (design, aims))
    }
}

/// Ages that the study names, where scans reach them, or else all those of its scans.
fn usual_ages(study: &Study, corrections: &[&Corrections], named_d: &[f64]) -> Vec<f64> {
    let reached = |ages_d: &[f64]| {
        let mut each = corrections.iter();
        !ages_d.is_empty() && each.all(|own| mass_components(study, own, ages_d, &[]).is_ok())
    };
    let named: Vec<f64> = named_d
        .iter()
        .copied()
        .filter(|age_d| reached(&[*age_d]))
        .collect();
    if !named.is_empty() {
        return named;
    }
    let mut ages_d: Vec<f64> = corrections
        .iter()
        .flat_map(|own| own.rows.iter().map(|row| row.age_d.round()))
        .collect();
    ages_d.sort_by(f64::total_cmp);
    ages_d.dedup_by(|later, earlier| *later - *earlier <= 3.5);
    ages_d.retain(|age_d| reached(&[*age_d]));
    ages_d
}

fn kind(cell: &CalibrationCell) -> CarcassKind {
    CarcassKind {
        strain: cell.strain.clone(),
        age_d: cell.age_d,
        pilot: cell.rows,
    }
}

fn same_kinds(kinds: &[CarcassKind], cells: &[CalibrationCell]) -> bool {
    let same = |(kind, cell): (&CarcassKind, &CalibrationCell)| {
        kind.strain == cell.strain && (kind.age_d - cell.age_d).abs() < 1.0
    };
    kinds.len() == cells.len() && kinds.iter().zip(cells).all(same)
}

fn pilot_trait(own: &MassComponents) -> PilotTrait {
    let place = |place: &crate::composition::mass_components::Place| PilotPlace {
        strain: place.strain.clone(),
        age_d: place.age_d,
        mass_g: place.mass_g,
        equation: place.equation_variance,
    };
    let ways = own.ways.iter().map(|way| {
        let errors = way.as_ref().map_err(Clone::clone)?;
        let error = |error: &crate::composition::mass_components::WayError| ScanError {
            steady: error.steady,
            repeat: error.repeat,
            offset: error.offset,
        };
        Ok(errors.iter().map(error).collect())
    });
    PilotTrait {
        name: own.trait_name.clone(),
        between: own.between_variance,
        bird: own.bird_variance,
        birds_df: own.birds_df,
        equation_birds: own.equation_birds,
        equation_df: own.equation_df,
        places: own.places.iter().map(place).collect(),
        ways: ways.collect(),
    }
}
