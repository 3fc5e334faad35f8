//! The `chemistry` table: one row an analysed part of a bird.
//!
//! Whether percentages are of the fresh part (`as-is`) or of its dry matter is
//! stated, never guessed: in a column `basis`, or for all rows by
//! `[chemistry] basis` in `study.toml`.

use std::collections::{BTreeMap, HashMap};

use serde::Deserialize;

use super::decimal_mark::{self, NumberColumn};
use super::faults::{Faults, quoted};
use super::format::Mark;
use super::header::{Header, Measure};
use super::judge;
use super::read::Register;
use super::scan::ReadingUnit;
use super::table::Rows;
use super::units::{MASS_LIMIT_G, MassUnit};

/// Crude protein is nitrogen times this (16 percent N in protein; common
/// practice, no source).
const PROTEIN_OF_NITROGEN: f64 = 6.25;
/// Percentages further than this from 100 in sum are no analysis at all.
const SUM_LIMIT_PCT: f64 = 20.0;

/// All analyses of a study.
#[derive(Debug, Clone, Default)]
pub struct Chemistry {
    /// The file that they came from.
    pub file: String,
    /// In the order of the table.
    pub rows: Vec<Analysis>,
    /// Laboratories that the table names.
    pub laboratories: Vec<String>,
    /// Reference values of the densities that `[scans.readings]` declares and the table has, by
    /// reading and bird.
    pub densities: BTreeMap<String, BTreeMap<usize, f64>>,
}

/// One analysed part of a bird; percentages as they were written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Analysis {
    /// Index into [`Study::birds`](super::Study::birds).
    pub bird: usize,
    /// Which part.
    pub part: Part,
    /// Its fresh mass, g.
    pub mass_g: f64,
    /// What the percentages of protein, fat and ash are of.
    pub basis: Basis,
    /// Dry matter, percent of the fresh part.
    pub dry_matter_pct: f64,
    /// Crude protein (N x 6.25), percent on the basis.
    pub crude_protein_pct: f64,
    /// Ether extract, percent on the basis.
    pub fat_pct: f64,
    /// Ash, percent on the basis.
    pub ash_pct: f64,
    /// Index into [`Chemistry::laboratories`]; none where the table does not say.
    pub laboratory: Option<usize>,
    /// Row of the table (1 is the header).
    pub row: u32,
}

/// What percentages are of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub enum Basis {
    /// The fresh part.
    AsIs,
    /// Its dry matter.
    DryMatter,
}

/// What was analysed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Part {
    /// The bird with its feathers.
    Whole,
    /// The bird without its feathers.
    Body,
    /// Its feathers.
    Feathers,
}

/// Settings under `[chemistry]` in `study.toml`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ChemistrySettings {
    /// The basis of percentages, for rows that do not state it.
    pub basis: Option<Basis>,
    /// Water, protein, fat and ash may miss 100 percent by this.
    pub closure_tolerance_pct: f64,
}

impl Default for ChemistrySettings {
    /// Three percent: common practice, no source.
    fn default() -> Self {
        Self {
            basis: None,
            closure_tolerance_pct: 3.0,
        }
    }
}

impl Basis {
    /// The word for it in the tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::AsIs => "as-is",
            Self::DryMatter => "dry-matter",
        }
    }

    fn other(self) -> Self {
        match self {
            Self::AsIs => Self::DryMatter,
            Self::DryMatter => Self::AsIs,
        }
    }
}

impl std::str::FromStr for Basis {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text.to_lowercase().replace([' ', '_'], "-").as_str() {
            "as-is" | "fresh" => Ok(Self::AsIs),
            "dry-matter" | "dry" | "dm" => Ok(Self::DryMatter),
            _ => Err(format!(
                "found basis \"{text}\", expected as-is or dry-matter"
            )),
        }
    }
}
super::units::from_text!(Basis);

impl Part {
    /// The word for it in the tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Whole => "whole",
            Self::Body => "body",
            Self::Feathers => "feathers",
        }
    }

    fn read(word: &str) -> Option<Self> {
        match word.to_lowercase().as_str() {
            "whole" => Some(Self::Whole),
            "body" | "plucked" => Some(Self::Body),
            "feathers" => Some(Self::Feathers),
            _ => None,
        }
    }
}

impl Analysis {
    /// Water, protein, fat and ash together, percent of the fresh part, were the
    /// percentages on `basis`.
    fn sum_on(&self, basis: Basis) -> f64 {
        let solids = self.crude_protein_pct + self.fat_pct + self.ash_pct;
        let share = match basis {
            Basis::AsIs => 1.0,
            Basis::DryMatter => self.dry_matter_pct / 100.0,
        };
        100.0 - self.dry_matter_pct + solids * share
    }

    /// Water, protein, fat and ash together, percent of the fresh part.
    #[must_use]
    pub fn sum_pct(&self) -> f64 {
        self.sum_on(self.basis)
    }
}

/// Reads the table; what could be read where there are faults.
pub(crate) fn read(
    header: &Header<'_>,
    (requirements, readings): (&ChemistrySettings, &BTreeMap<String, ReadingUnit>),
    register: &mut Register,
    faults: &mut Faults,
) -> Chemistry {
    let mut chemistry = Chemistry {
        file: header.table.file.clone(),
        ..Chemistry::default()
    };
    let before = faults.count();
    let layout = Layout::find(header, requirements, faults);
    let densities = density_columns(header, readings, faults);
    let Some(layout) = layout.filter(|_| faults.count() == before) else {
        judge::rows(header, faults);
        return chemistry;
    };
    let mut numbers = layout.number_columns();
    numbers.extend(
        densities
            .iter()
            .map(|(_, column)| NumberColumn::plain(*column)),
    );
    let mark = decimal_mark::of(header.table, &numbers, faults);
    let of_birds = densities
        .iter()
        .map(|(name, _)| (name.clone(), BTreeMap::new()));
    chemistry.densities = of_birds.collect();
    let mut seen: HashMap<(usize, Part), u32> = HashMap::new();
    let mut rows = header.table.rows();
    while rows.next(faults).is_some() {
        let at = faults.count();
        let analysis = layout.analysis(&rows, mark, requirements, register, faults);
        let laboratory = layout
            .laboratory
            .and_then(|column| rows.word(column, "the laboratory of each analysis", faults));
        let (Some(mut analysis), true) = (analysis, faults.count() == at) else {
            continue;
        };
        analysis.laboratory = laboratory.map(|name| {
            let known = chemistry.laboratories.iter().position(|own| own == name);
            known.unwrap_or_else(|| {
                chemistry.laboratories.push(name.to_owned());
                chemistry.laboratories.len() - 1
            })
        });
        if let Some(first) = seen.insert((analysis.bird, analysis.part), rows.row) {
            let name = &register.study.birds[analysis.bird].name;
            faults.add(
                rows.place(layout.part),
                format!(
                    "part {} of bird {name} again, as in row {first}",
                    analysis.part.word()
                ),
                "one row for a bird and part",
                "average the replicates or remove one of the two rows",
            );
            continue;
        }
        for (name, column) in &densities {
            let value = density(&rows, (*column, mark), analysis.part, faults);
            let of_bird = chemistry.densities.get_mut(name);
            if let (Some(value), Some(of_bird)) = (value, of_bird)
                && of_bird.insert(analysis.bird, value).is_some()
            {
                let bird = &register.study.birds[analysis.bird].name;
                faults.add(
                    rows.place(*column),
                    format!("a second {name} of bird {bird}"),
                    "one value a bird, of the whole bird or its body",
                    "leave it in one of the bird's rows",
                );
            }
        }
        chemistry.rows.push(analysis);
    }
    chemistry
}

/// The columns of reference values of densities, by reading.
fn density_columns(
    header: &Header<'_>,
    readings: &BTreeMap<String, ReadingUnit>,
    faults: &mut Faults,
) -> Vec<(String, usize)> {
    let mut columns = Vec::new();
    for (name, unit) in readings {
        if let ReadingUnit::Density(unit) = unit
            && let Some(column) = header.value_of(name, unit, faults)
        {
            columns.push((name.clone(), column));
        }
    }
    columns
}

/// The reference value of a density in a row; none where the cell is empty.
fn density(
    rows: &Rows<'_>,
    (column, mark): (usize, Mark),
    part: Part,
    faults: &mut Faults,
) -> Option<f64> {
    let expected = "a number above 0";
    let value = rows.number(column, mark, expected, faults)?;
    let (found, expected, advice) = if value <= 0.0 {
        (
            quoted(rows.cell(column)),
            expected,
            "correct the cell or mark it missing (NA)",
        )
    } else if part == Part::Feathers {
        let found = format!("{} of feathers", quoted(rows.cell(column)));
        (
            found,
            "a density of the whole bird or its body",
            "leave the cell empty in rows of feathers",
        )
    } else {
        return Some(value);
    };
    faults.add(rows.place(column), found, expected, advice);
    None
}

struct Layout {
    bird: usize,
    part: usize,
    mass: Measure<MassUnit>,
    dry_matter: usize,
    protein: usize,
    protein_factor: f64,
    fat: usize,
    ash: usize,
    basis: Option<usize>,
    laboratory: Option<usize>,
}

impl Layout {
    fn find(
        header: &Header<'_>,
        requirements: &ChemistrySettings,
        faults: &mut Faults,
    ) -> Option<Self> {
        let bird = header.required("bird", faults);
        let part = header.required("part", faults);
        let mass = header.required_masses("mass", faults);
        let dry_matter = header.required("dry_matter_pct", faults);
        let nitrogen = header.optional("nitrogen_pct", faults);
        let protein = header.optional("crude_protein_pct", faults);
        if nitrogen.is_none() && protein.is_none() {
            header.missing(&["crude_protein_pct", "nitrogen_pct"], faults);
        }
        let fat = header.required("fat_pct", faults);
        let ash = header.required("ash_pct", faults);
        let basis = header.optional("basis", faults);
        if basis.is_none() && requirements.basis.is_none() {
            faults.add(
                header.table.header_place(),
                "no word on what the percentages are of",
                "as-is (of the fresh part) or dry-matter",
                "write basis = \"as-is\" or \"dry-matter\" under [chemistry] in study.toml, or add a column basis",
            );
        }
        Some(Self {
            bird: bird?,
            part: part?,
            mass: mass?,
            dry_matter: dry_matter?,
            protein: protein.or(nitrogen)?,
            protein_factor: if protein.is_some() {
                1.0
            } else {
                PROTEIN_OF_NITROGEN
            },
            fat: fat?,
            ash: ash?,
            basis,
            laboratory: header.optional("laboratory", faults),
        })
    }

    fn number_columns(&self) -> Vec<NumberColumn> {
        let percentages = [self.dry_matter, self.protein, self.fat, self.ash];
        let percentages = percentages.map(NumberColumn::plain);
        [self.mass.into()].into_iter().chain(percentages).collect()
    }

    fn analysis(
        &self,
        rows: &Rows<'_>,
        mark: Mark,
        requirements: &ChemistrySettings,
        register: &mut Register,
        faults: &mut Faults,
    ) -> Option<Analysis> {
        let name = rows.word(self.bird, "a bird's name", faults)?;
        let bird = register.known_bird(name, rows, self.bird, faults)?;
        let word = rows.word(self.part, "whole, body or feathers", faults)?;
        let part = Part::read(word);
        if part.is_none() {
            faults.add(
                rows.place(self.part),
                quoted(word),
                "whole, body or feathers",
                "correct the cell",
            );
        }
        let unit = self.mass.unit;
        let expected = format!("a mass in {unit} above 0");
        rows.word(self.mass.index, &expected, faults)?;
        let mass_g = rows.number(self.mass.index, mark, &expected, faults)? * unit.grams();
        if !(mass_g > 0.0 && mass_g <= MASS_LIMIT_G) {
            faults.add(
                rows.place(self.mass.index),
                quoted(rows.cell(self.mass.index)),
                expected,
                "correct the cell or the unit",
            );
        }
        let mut percent = |column: usize, factor: f64| {
            let expected = "a percentage from 0 to 100";
            rows.word(column, expected, faults)?;
            let percent = rows.number(column, mark, expected, faults)? * factor;
            if !(0.0..=100.0).contains(&percent) {
                faults.add(
                    rows.place(column),
                    quoted(rows.cell(column)),
                    expected,
                    "correct the cell",
                );
                return None;
            }
            Some(percent)
        };
        let dry_matter_pct = percent(self.dry_matter, 1.0);
        let crude_protein_pct = percent(self.protein, self.protein_factor);
        let fat_pct = percent(self.fat, 1.0);
        let ash_pct = percent(self.ash, 1.0);
        let analysis = Analysis {
            bird,
            part: part?,
            mass_g,
            basis: self.basis(rows, requirements, faults)?,
            dry_matter_pct: dry_matter_pct?,
            crude_protein_pct: crude_protein_pct?,
            fat_pct: fat_pct?,
            ash_pct: ash_pct?,
            laboratory: None,
            row: rows.row,
        };
        self.check_sum(&analysis, rows, faults);
        Some(analysis)
    }

    fn basis(
        &self,
        rows: &Rows<'_>,
        requirements: &ChemistrySettings,
        faults: &mut Faults,
    ) -> Option<Basis> {
        let (Some(cell), Some(column)) = (rows.optional_word(self.basis), self.basis) else {
            if requirements.basis.is_none() {
                rows.word(self.basis?, "as-is or dry-matter", faults);
            }
            return requirements.basis;
        };
        let basis = cell.parse().ok();
        if basis.is_none() {
            faults.add(
                rows.place(column),
                quoted(cell),
                "as-is or dry-matter",
                "correct the cell",
            );
        }
        basis
    }

    fn check_sum(&self, analysis: &Analysis, rows: &Rows<'_>, faults: &mut Faults) {
        let sum = analysis.sum_pct();
        if (sum - 100.0).abs() <= SUM_LIMIT_PCT {
            return;
        }
        let (basis, other) = (analysis.basis, analysis.basis.other());
        let on_other = analysis.sum_on(other);
        let advice = if (on_other - 100.0).abs() <= 5.0 {
            format!(
                "on a {} basis they add to {on_other:.1}: check the basis",
                other.word()
            )
        } else {
            "check the percentages of this row and their basis".to_owned()
        };
        faults.add(
            rows.place(self.fat),
            format!(
                "water, protein, fat and ash that add to {sum:.1} percent on a basis {}",
                basis.word()
            ),
            "a sum near 100 percent",
            advice,
        );
    }
}
