//! A small panel for every bird, in pages.

use crate::error::{Error, Result};
use crate::figure::board::Board;
use crate::figure::by_age::{WEAK_DASH, curve_sentence};
use crate::figure::frame::{Figure, Frame, by_age};
use crate::figure::grid::{self, Head, Plan};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{BAND_OPACITY, INK, Pen, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::sample::{self, MOST_VERTICES, spread, thinned};
use crate::figure::scene::Marks;
use crate::figure::series::{BandPoint, Quantity, Standing, shown};

/// How does each bird grow: the bird's values and curve, one small panel a
/// bird, weak and failed fits flagged, all panels on the same axes.
#[derive(Debug, Clone, Default)]
pub struct BirdPanels {
    /// What was measured.
    pub quantity: Quantity,
    /// Name of the fitted curve, for the note.
    pub curve: String,
    /// What the band is, for the note.
    pub band: String,
    /// Birds that have no curve, and no panel.
    pub without: usize,
    /// Birds that have a curve.
    pub with: usize,
    /// Those that are drawn ([`BirdPanels::drawn_of`]), in the order of the pages.
    pub birds: Vec<BirdPanel>,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// One bird of [`BirdPanels`].
#[derive(Debug, Clone, Default)]
pub struct BirdPanel {
    /// The bird.
    pub name: String,
    /// Its strain.
    pub strain: String,
    /// Which colour: the strain's place among the strains.
    pub strain_index: usize,
    /// Ages in days and values.
    pub points: Vec<(f64, f64)>,
    /// Its curve, ascending in age; empty where there is none.
    pub line: Vec<BandPoint>,
    /// How far the curve can be relied upon.
    pub standing: Standing,
}

/// Birds on a page, and on all pages together.
const MOST_ON_PAGE: usize = 30;
const MOST_BIRDS: usize = 300;
const LEAST_PANEL_MM: f64 = 25.0;
/// Height of a panel with its head.
const ROW_MM: f64 = 31.0;
/// Height of axis letters and note.
const AROUND_MM: f64 = 22.0;

impl Figure for BirdPanels {
    /// A page.
    fn size(&self, width_mm: f64) -> Result<Size> {
        Size::new(width_mm, Size::PAGE.height_mm())
    }

    /// Draws as many pages as the birds need: at most 30 birds a page; of more birds than are
    /// drawn the note gives the number.
    ///
    /// `page` is the largest size; a last page with fewer rows is lower.
    fn pages(&self, page: Size) -> Result<Vec<Picture>> {
        let drawn: Vec<&BirdPanel> = self.birds.iter().collect();
        let columns = grid::columns(MOST_ON_PAGE, page.width_mm(), LEAST_PANEL_MM);
        let rows = rows_of(page.height_mm()).min(MOST_ON_PAGE.div_ceil(columns));
        let on_page = columns * rows;
        if drawn.is_empty() {
            return Ok(vec![self.page(&[], page, columns, "")?]);
        }
        let pages = drawn.len().div_ceil(on_page);
        drawn
            .chunks(on_page)
            .enumerate()
            .map(|(index, birds)| {
                let height =
                    page.height_mm() / grid::count(rows) * grid::rows(birds.len(), columns);
                let height = (height + AROUND_MM).clamp(40.0, page.height_mm());
                let size = Size::new(page.width_mm(), height)?;
                let place = if pages > 1 {
                    format!(" Page {} of {pages}.", index + 1)
                } else {
                    String::new()
                };
                self.page(birds, size, columns, &place)
            })
            .collect()
    }
}

impl BirdPanels {
    /// Which of this number of birds are drawn: at most 300, spread over them.
    pub fn drawn_of(birds: usize) -> impl Iterator<Item = usize> {
        spread(birds, MOST_BIRDS)
    }

    fn page(
        &self,
        birds: &[&BirdPanel],
        size: Size,
        columns: usize,
        place: &str,
    ) -> Result<Picture> {
        // All pages have the axes that all birds need.
        let mut everywhere: Vec<(f64, f64)> =
            self.birds.iter().flat_map(BirdPanel::places).collect();
        let panels = birds.iter().map(|bird| {
            let head = Head {
                name: bird.name.clone(),
                flag: bird.standing.flag().to_owned(),
                ..Head::default()
            };
            (head, std::mem::take(&mut everywhere))
        });
        let board = Board::lay(Plan {
            columns: Some(columns),
            letter: None,
            ..by_age(
                (size.on_one_sheet(), LEAST_PANEL_MM),
                &self.frame,
                self.quantity.words(),
                panels.collect(),
                (false, Vec::new(), self.note(birds.len())),
            )
        })?;
        for (panel, bird) in board.panels.iter().zip(birds) {
            self.draw_bird(panel, bird)?;
        }
        let title = format!(
            "{} of single {}.{place}",
            self.quantity.name,
            self.frame.subjects()
        );
        let names: Vec<String> = birds
            .iter()
            .map(|b| match b.standing.flag() {
                "" => b.name.clone(),
                flag => format!("{} ({flag})", b.name),
            })
            .collect();
        let pages = board.finish(&title, &format!("Panels: {}.", names.join(", ")));
        let first = pages.into_iter().next();
        first.ok_or_else(|| Error::call("figure without a page: a bug, please report it"))
    }

    fn draw_bird(&self, panel: &Panel, bird: &BirdPanel) -> Result<()> {
        let style = Style::of(bird.strain_index);
        panel.open("bird", &[("bird", &bird.name), ("strain", &bird.strain)]);
        panel.title(&match &bird.standing {
            Standing::Sound => bird.name.clone(),
            Standing::Weak(why) | Standing::Failed(why) => {
                format!("{}: {}, {why}", bird.name, bird.standing.flag())
            }
        });
        panel.band(&BandPoint::edges(&bird.line), style.colour, BAND_OPACITY)?;
        let dots: Vec<Dot> = thinned(bird.points.len(), MOST_VERTICES)
            .map(|i| bird.points[i])
            .map(|(age_d, value)| Dot {
                place: (age_d, value),
                title: format!(
                    "{}: {} {}",
                    self.frame.ages.show(age_d),
                    shown(value),
                    self.quantity.unit
                ),
            })
            .collect();
        let marks = Marks {
            shape: style.shape,
            radius_mm: 0.55,
            colour: style.colour,
            opacity: 0.6,
        };
        panel.dots(&dots, &marks)?;
        let dash: &[f64] = match bird.standing {
            Standing::Weak(_) => WEAK_DASH,
            Standing::Sound | Standing::Failed(_) => &[],
        };
        panel.line(
            &BandPoint::line(&bird.line),
            &Pen::solid(INK, 0.7).dashed(dash),
        )?;
        panel.close();
        Ok(())
    }

    fn note(&self, on_page: usize) -> Vec<String> {
        let mut note = Vec::new();
        if on_page > 0 {
            note.push(format!("Points: the {}'s values.", self.frame.subject));
        }
        note.extend(curve_sentence(&self.curve, &self.band, false));
        if self
            .birds
            .iter()
            .any(|b| matches!(b.standing, Standing::Weak(_)))
        {
            note.push("Dashed: a weak fit.".to_owned());
        }
        let strains = self.strains();
        if strains.len() > 1 && strains.len() <= 4 {
            note.push(format!("Markers: {}.", strains.join(", ")));
        }
        let subjects = self.frame.subjects();
        note.extend(sample::sentence(&subjects, self.birds.len(), self.with));
        if self.without > 0 {
            let without = self.frame.counted(self.without);
            note.push(format!("Not drawn: {without} without an individual curve."));
        }
        note
    }

    /// "Line A discs" and so on, in the order of the colours: true in every theme.
    fn strains(&self) -> Vec<String> {
        let mut seen: Vec<(usize, &str)> = Vec::new();
        for bird in &self.birds {
            if !seen.iter().any(|s| s.0 == bird.strain_index) && !bird.strain.is_empty() {
                seen.push((bird.strain_index, &bird.strain));
            }
            if seen.len() > 4 {
                break;
            }
        }
        seen.sort_unstable();
        seen.iter()
            .map(|(index, name)| format!("{name} {}", Style::of(*index).shape.name()))
            .collect()
    }
}

impl BirdPanel {
    fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.points
            .iter()
            .copied()
            .chain(BandPoint::places(&self.line))
    }
}

/// Rows of panels in a height.
fn rows_of(height_mm: f64) -> usize {
    let mut rows = 1;
    let mut taken = AROUND_MM + 2.0 * ROW_MM;
    while taken <= height_mm {
        rows += 1;
        taken += ROW_MM;
    }
    rows
}
