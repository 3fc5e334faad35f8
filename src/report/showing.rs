//! What the figures of a study have in common: how large they are, which of very many
//! strains they show, and what becomes of one that cannot be drawn.
//!
//! One rule chooses strains everywhere: those first that differ most clearly (difference
//! over its standard error, either way) from the mean of all in the first trait, body
//! weight, at the last age. A great difference of few birds is not a clear one, and a
//! reader finds the same strains in every figure.

use crate::contrast::{Against, Comparison};
use crate::error::{Error, Result};
use crate::figure::{Figure, Frame, Picture, Size};
use crate::study::Study;

/// A figure and the name of its file.
#[derive(Debug, Clone)]
pub struct Named {
    /// File name without its ending.
    pub name: String,
    /// The figure.
    pub picture: Picture,
}

/// The figures that could be drawn, and why the others could not: no figure stops the
/// tables.
#[derive(Debug, Clone, Default)]
pub struct Drawn {
    /// The figures, one a page.
    pub pictures: Vec<Named>,
    /// What could not be drawn, and why: a warning each.
    pub failed: Vec<String>,
}

impl Drawn {
    /// Adds a figure at its preferred size, or of the height requested; of
    /// several pages each has its number in its name.
    pub(crate) fn add(&mut self, name: String, figure: &impl Figure, showing: &Showing) {
        let pages = figure
            .size(showing.width_mm)
            .and_then(|size| figure.pages(showing.sized(size)?));
        match pages {
            Ok(pages) => {
                let names = match pages.len() {
                    1 => vec![name],
                    several => (1..=several).map(|page| page_name(&name, page)).collect(),
                };
                let named = names.into_iter().zip(pages);
                self.pictures
                    .extend(named.map(|(name, picture)| Named { name, picture }));
            }
            Err(error) => self.fail(&name, &error),
        }
    }

    /// Adds figures that a reviewer looks for, named as such.
    pub(crate) fn supplement(&mut self, drawn: Drawn) {
        let named = drawn.pictures.into_iter().map(|figure| Named {
            name: format!("supplement_{}", figure.name),
            ..figure
        });
        self.pictures.extend(named);
        self.failed.extend(drawn.failed);
    }

    /// A figure that cannot be drawn, and why.
    pub(crate) fn fail(&mut self, name: &str, why: &Error) {
        self.failed
            .push(format!("figure {name} was not drawn: {why}"));
    }
}

/// `growth_body_weight` as `growth_body_weight_2`.
fn page_name(name: &str, page: usize) -> String {
    format!("{name}_{page}")
}

/// The name of the figure that a page belongs to: `growth_body_weight_2` as
/// `growth_body_weight`.
pub(super) fn whole_name(name: &str) -> &str {
    match name.rsplit_once('_') {
        Some((whole, page)) if !page.is_empty() && page.bytes().all(|b| b.is_ascii_digit()) => {
            whole
        }
        _ => name,
    }
}

/// What the figures show and how large they are.
#[derive(Debug, Clone)]
pub struct Showing<'a> {
    /// Confidence of the bands.
    pub confidence: f64,
    /// Width on paper, mm.
    pub width_mm: f64,
    /// Height on paper, mm; where not given, what each figure's panels need.
    pub height_mm: Option<f64>,
    /// Unit of ages, what n counts, and the letter of the first panel of each figure.
    pub frame: Frame,
    /// The strains in the order in which they matter; see [`Showing::order`].
    pub order: &'a [usize],
}

/// Strains that get a panel or a row, over as many pages as that takes.
pub const MOST_PANELS: usize = 40;

impl Showing<'_> {
    /// The strains in the order in which figures choose them: of many, those first that
    /// differ most clearly from the mean of all at the last age ([`Comparison`]); without
    /// a comparison as the study has them.
    #[must_use]
    pub fn order(study: &Study, comparison: Option<&Comparison>) -> Vec<usize> {
        let mut order: Vec<usize> = (0..study.strains.len()).collect();
        let by_age = comparison
            .and_then(|comparison| comparison.compared.first())
            .map_or(&[][..], |compared| &compared.by_age);
        let mut clearness = vec![0.0; study.strains.len()];
        for one in by_age.iter().filter(|one| one.b == Against::MeanOfAll) {
            clearness[one.a] = one.clearness();
        }
        order.sort_by(|a, b| clearness[*b].total_cmp(&clearness[*a]));
        order
    }

    /// The strains that get a panel or a row, in the study's order.
    pub(crate) fn panels(&self, study: &Study) -> impl Iterator<Item = usize> {
        (0..study.strains.len()).filter(|strain| self.has_panel(*strain))
    }

    /// A note, with which of very many strains the figure shows.
    pub(crate) fn with_choice(&self, study: &Study, note: String) -> String {
        let strains = study.strains.len();
        if strains <= MOST_PANELS || self.order.is_empty() {
            return note;
        }
        format!(
            "{note}. Shown: {MOST_PANELS} of {strains} strains, those that differ most clearly from \
             the mean of all at the last age"
        )
    }

    /// Whether a strain gets a panel or a row.
    pub(crate) fn has_panel(&self, strain: usize) -> bool {
        let first = self.order.len().min(MOST_PANELS);
        self.order.is_empty() || self.order[..first].contains(&strain)
    }

    /// The strains in the order of an overlaid figure: where there are too many for each to have a
    /// colour, those that matter first, since the others are grey.
    pub(crate) fn overlaid(&self, study: &Study) -> Vec<usize> {
        if study.strains.len() > crate::figure::MOST_COLOURED {
            self.order.to_vec()
        } else {
            (0..study.strains.len()).collect()
        }
    }

    /// What a figure requires, at the height requested by the user if there is one.
    ///
    /// # Errors
    /// As [`Size::new`].
    fn sized(&self, asked: Size) -> Result<Size> {
        match self.height_mm {
            Some(height_mm) => Ok(Size::new(asked.width_mm(), height_mm)?.in_pages()),
            None => Ok(asked),
        }
    }

    /// The same, not wider.
    pub(super) fn at_most(&self, width_mm: f64) -> Self {
        Self {
            width_mm: self.width_mm.min(width_mm),
            ..self.clone()
        }
    }
}

/// What the figures of a study have in common.
pub(crate) fn frame_of(study: &Study, letter: Option<char>) -> Frame {
    Frame {
        ages: study.age_unit(),
        subject: study.subject.clone(),
        letter,
    }
}
