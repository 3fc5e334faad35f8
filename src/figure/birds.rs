//! Every bird in a small panel of its own, in pages.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::{self, Board, Cell, Head, Plan, Sharing};
use crate::figure::growth::curve_sentence;
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{BAND_OPACITY, INK, Pen, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::sample::{self, MOST_VERTICES, spread, thinned};
use crate::figure::scene::Marks;
use crate::figure::series::{AgeUnit, BandPoint, Quantity, Standing, shown};

/// How does each bird grow: its values and its own curve, one small panel a
/// bird, weak and failed fits flagged, all panels on the same axes.
#[derive(Debug, Clone, Default)]
pub struct BirdPanels {
    /// What was measured.
    pub quantity: Quantity,
    /// Days or weeks on the axis.
    pub ages: AgeUnit,
    /// Name of the fitted curve, for the note.
    pub curve: String,
    /// What the band is, for the note.
    pub band: String,
    /// The birds, in the order of the pages.
    pub birds: Vec<BirdPanel>,
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

/// Birds on a page, and in all pages together.
const MOST_ON_PAGE: usize = 30;
const MOST_BIRDS: usize = 300;
const LEAST_PANEL_MM: f64 = 25.0;
/// Height of a panel with its head.
const ROW_MM: f64 = 31.0;
/// Height of axis letters and note.
const AROUND_MM: f64 = 22.0;

impl BirdPanels {
    /// Draws the pages, as many as the birds need: at most 30 birds a page and
    /// 300 in all, from more birds a sample spread over them, which the note says.
    ///
    /// `page` is the largest size; a last page with fewer rows is lower.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `page` leaves no room for one panel.
    pub fn draw(&self, page: Size) -> Result<Vec<Picture>> {
        let drawn: Vec<&BirdPanel> = spread(self.birds.len(), MOST_BIRDS)
            .map(|i| &self.birds[i])
            .collect();
        let columns = board::columns(MOST_ON_PAGE, page.width_mm(), LEAST_PANEL_MM);
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
                let height = page.height_mm() / count(rows) * count(birds.len().div_ceil(columns));
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

    fn page(
        &self,
        birds: &[&BirdPanel],
        size: Size,
        columns: usize,
        place: &str,
    ) -> Result<Picture> {
        let everywhere = self.birds.iter().flat_map(BirdPanel::places);
        let (ages, values) = drawn_at(everywhere);
        let x = Axis::age(self.ages).hold(ages);
        let y = Axis::new(self.quantity.words(), Scale::Number).hold(values);
        let cells = birds.iter().map(|bird| Cell {
            head: Head {
                name: bird.name.clone(),
                n: String::new(),
                flag: bird.standing.flag().to_owned(),
            },
            x: x.clone(),
            y: y.clone(),
            places: Vec::new(),
        });
        let board = Board::lay(Plan {
            size,
            cells: cells.collect(),
            columns: Some(columns),
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Common,
            keys: Vec::new(),
            letter: None,
            note: self.note(birds.len()),
        })?;
        for (panel, bird) in board.panels.iter().zip(birds) {
            bird.draw(panel, &self.quantity)?;
        }
        let title = format!("{} of single birds.{place}", self.quantity.name);
        let names: Vec<String> = birds
            .iter()
            .map(|b| match b.standing.flag() {
                "" => b.name.clone(),
                flag => format!("{} ({flag})", b.name),
            })
            .collect();
        board.finish_sheet(&title, &format!("Birds: {}.", names.join(", ")))
    }

    fn note(&self, on_page: usize) -> Vec<String> {
        let mut note = Vec::new();
        if on_page > 0 {
            note.push("Points: the bird's values.".to_owned());
        }
        note.extend(curve_sentence(&self.curve, &self.band));
        if self
            .birds
            .iter()
            .any(|b| matches!(b.standing, Standing::Weak(_)))
        {
            note.push("Dashed: a weak fit, not to be relied upon.".to_owned());
        }
        let strains = self.strains();
        if strains.len() > 1 && strains.len() <= 4 {
            note.push(format!("Markers: {}.", strains.join(", ")));
        }
        let drawn = self.birds.len().min(MOST_BIRDS);
        note.extend(sample::sentence("birds", drawn, self.birds.len()));
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

    fn draw(&self, panel: &Panel, quantity: &Quantity) -> Result<()> {
        let style = Style::of(self.strain_index);
        panel.open("bird", &[("bird", &self.name), ("strain", &self.strain)]);
        panel.title(&match &self.standing {
            Standing::Sound => self.name.clone(),
            Standing::Weak(why) | Standing::Failed(why) => {
                format!("{}: {}, {why}", self.name, self.standing.flag())
            }
        });
        panel.band(&BandPoint::edges(&self.line), style.colour, BAND_OPACITY)?;
        let dots: Vec<Dot> = thinned(self.points.len(), MOST_VERTICES)
            .map(|i| self.points[i])
            .map(|(age_d, value)| Dot {
                place: (age_d, value),
                title: format!("{} d: {} {}", shown(age_d), shown(value), quantity.unit),
            })
            .collect();
        let marks = Marks {
            shape: style.shape,
            radius_mm: 0.55,
            colour: style.colour,
            opacity: 0.6,
        };
        panel.dots(&dots, &marks)?;
        let dash: &[f64] = match self.standing {
            Standing::Weak(_) => &[1.2, 0.9],
            Standing::Sound | Standing::Failed(_) => &[],
        };
        panel.line(
            &BandPoint::line(&self.line),
            &Pen::solid(INK, 0.7).dashed(dash),
        )?;
        panel.close();
        if let Standing::Failed(why) = &self.standing {
            panel.say(why, &self.points);
        }
        Ok(())
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

fn count(n: usize) -> f64 {
    n as f64
}
