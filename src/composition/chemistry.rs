//! Chemistry to masses: what the laboratory's percentages weigh, and whether they
//! add up.
//!
//! Mapping of traits to analyses: fat is the ether extract, bone the ash, lean
//! protein + water (Schallier et al. 2019, Poultry Science 98:2652-2661).

use super::Tissue;
use crate::error::{Error, Result};
use crate::study::{Analysis, Basis, Part, Study};

/// What one part of a bird weighs, analysed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PartMasses {
    /// Fresh mass, g.
    pub mass_g: f64,
    /// Water, g.
    pub water_g: f64,
    /// Crude protein, g.
    pub protein_g: f64,
    /// Ether extract, g: the trait fat.
    pub fat_g: f64,
    /// Ash, g: the trait bone.
    pub ash_g: f64,
}

impl PartMasses {
    /// Masses of one analysed part.
    ///
    /// On dry matter D percent, a share s percent weighs m D s / 10,000; as is, m s / 100.
    #[must_use]
    pub fn of(analysis: &Analysis) -> Self {
        let mass_g = analysis.mass_g;
        let dry_g = mass_g * analysis.dry_matter_pct / 100.0;
        let whole_g = match analysis.basis {
            Basis::AsIs => mass_g,
            Basis::DryMatter => dry_g,
        };
        Self {
            mass_g,
            water_g: mass_g - dry_g,
            protein_g: whole_g * analysis.crude_protein_pct / 100.0,
            fat_g: whole_g * analysis.fat_pct / 100.0,
            ash_g: whole_g * analysis.ash_pct / 100.0,
        }
    }

    /// Protein + water, g: the trait lean.
    #[must_use]
    pub fn lean_g(&self) -> f64 {
        self.protein_g + self.water_g
    }

    /// The mass of a tissue, g.
    #[must_use]
    pub fn tissue_g(&self, tissue: Tissue) -> f64 {
        match tissue {
            Tissue::Fat => self.fat_g,
            Tissue::Lean => self.lean_g(),
            Tissue::Bone => self.ash_g,
        }
    }

    /// Fat + lean + ash, percent of the fresh mass.
    #[must_use]
    pub fn closure_pct(&self) -> f64 {
        100.0 * (self.fat_g + self.lean_g() + self.ash_g) / self.mass_g
    }

    fn plus(&self, other: &Self) -> Self {
        Self {
            mass_g: self.mass_g + other.mass_g,
            water_g: self.water_g + other.water_g,
            protein_g: self.protein_g + other.protein_g,
            fat_g: self.fat_g + other.fat_g,
            ash_g: self.ash_g + other.ash_g,
        }
    }
}

/// One bird's analysed masses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BirdMasses {
    /// Index into [`Study::birds`].
    pub bird: usize,
    /// Body without feathers.
    pub body: Option<PartMasses>,
    /// Feathers.
    pub feathers: Option<PartMasses>,
    /// Body with feathers: analysed whole, or the sum of the two.
    pub whole: Option<PartMasses>,
    /// Row of the chemistry table of the first of its parts.
    pub row: u32,
}

impl BirdMasses {
    /// The part's masses.
    #[must_use]
    pub fn part(&self, part: Part) -> Option<PartMasses> {
        match part {
            Part::Whole => self.whole,
            Part::Body => self.body,
            Part::Feathers => self.feathers,
        }
    }

    /// Feathers, percent of the whole bird.
    #[must_use]
    pub fn feather_share_pct(&self) -> Option<f64> {
        Some(100.0 * self.feathers?.mass_g / self.whole?.mass_g)
    }
}

/// Whether a part's analyses add up.
#[derive(Debug, Clone, PartialEq)]
pub struct ClosureRow {
    /// Bird's name.
    pub bird: String,
    /// Which part.
    pub part: Part,
    /// Its masses.
    pub masses: PartMasses,
    /// Water + protein + fat + ash, percent of the fresh mass.
    pub closure_pct: f64,
    /// Whether that is within the study's tolerance of 100.
    pub within: bool,
    /// Row of the chemistry table.
    pub row: u32,
}

/// Masses of each analysed bird, in order of the birds.
#[must_use]
pub fn masses(study: &Study) -> Vec<BirdMasses> {
    let mut birds: Vec<BirdMasses> = Vec::new();
    let mut place = vec![None; study.birds.len()];
    for analysis in &study.chemistry.rows {
        let at = *place[analysis.bird].get_or_insert_with(|| {
            birds.push(BirdMasses {
                bird: analysis.bird,
                body: None,
                feathers: None,
                whole: None,
                row: analysis.row,
            });
            birds.len() - 1
        });
        let masses = Some(PartMasses::of(analysis));
        match analysis.part {
            Part::Whole => birds[at].whole = masses,
            Part::Body => birds[at].body = masses,
            Part::Feathers => birds[at].feathers = masses,
        }
    }
    for bird in &mut birds {
        if let (None, Some(body), Some(feathers)) = (bird.whole, bird.body, bird.feathers) {
            bird.whole = Some(body.plus(&feathers));
        }
    }
    birds.sort_by_key(|bird| bird.bird);
    birds
}

/// Closure of each analysed part, in the order of the table.
#[must_use]
pub fn closure(study: &Study) -> Vec<ClosureRow> {
    let tolerance = study.settings.chemistry.closure_tolerance_pct;
    let rows = study.chemistry.rows.iter().map(|analysis| {
        let masses = PartMasses::of(analysis);
        let closure_pct = masses.closure_pct();
        ClosureRow {
            bird: study.birds[analysis.bird].name.clone(),
            part: analysis.part,
            masses,
            closure_pct,
            within: (closure_pct - 100.0).abs() <= tolerance,
            row: analysis.row,
        }
    });
    rows.collect()
}

/// Feathers as a share of the body at one age of one strain.
#[derive(Debug, Clone, PartialEq)]
pub struct FeatherShareRow {
    /// Strain.
    pub strain: String,
    /// Age, d.
    pub age_d: f64,
    /// Birds.
    pub n: usize,
    /// Mean feather mass, g.
    pub feathers_g: f64,
    /// Mean share of the whole bird, percent.
    pub share_pct: f64,
    /// Standard error of that mean, where there are two birds or more.
    pub std_error: Option<f64>,
}

/// The share of feathers by strain and age at the bird's last scan.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) where an analysed bird has no scan
/// that gives its age.
pub fn feather_shares(study: &Study) -> Result<Vec<FeatherShareRow>> {
    let mut shares: Vec<(usize, f64, f64, f64)> = Vec::new();
    for bird in masses(study) {
        let (Some(feathers), Some(share_pct)) = (bird.feathers, bird.feather_share_pct()) else {
            continue;
        };
        let age_d = age_at_analysis(study, bird.bird).ok_or_else(|| {
            Error::input(format!(
                "{}, row {}, column bird: found bird {} without a scan, expected one that gives its age; add the scan or remove the analysis",
                study.chemistry.file, bird.row, study.birds[bird.bird].name
            ))
        })?;
        shares.push((
            study.birds[bird.bird].strain,
            age_d,
            feathers.mass_g,
            share_pct,
        ));
    }
    shares.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let groups = shares.chunk_by(|a, b| a.0 == b.0 && a.1.total_cmp(&b.1).is_eq());
    let rows = groups.map(|group| {
        let n = group.len() as f64;
        let mean = |of: fn(&(usize, f64, f64, f64)) -> f64| group.iter().map(of).sum::<f64>() / n;
        let share_pct = mean(|share| share.3);
        let squares: f64 = group
            .iter()
            .map(|share| (share.3 - share_pct).powi(2))
            .sum();
        FeatherShareRow {
            strain: study.strains[group[0].0].clone(),
            age_d: group[0].1,
            n: group.len(),
            feathers_g: mean(|share| share.2),
            share_pct,
            std_error: (group.len() > 1).then(|| (squares / (n - 1.0) / n).sqrt()),
        }
    });
    Ok(rows.collect())
}

/// Age of a bird at its last scan: an analysed bird is scanned on its last day.
#[must_use]
pub fn age_at_analysis(study: &Study, bird: usize) -> Option<f64> {
    let ages = study
        .scans
        .rows
        .iter()
        .filter(|scan| scan.birds.contains(&bird));
    ages.map(|scan| scan.age_d).max_by(f64::total_cmp)
}
