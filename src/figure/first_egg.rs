//! What a bird is like when it lays its first egg.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, Way, row_at};
use crate::figure::board::{Board, Cell, Head, Plan, Sharing, columns, count, on_one_sheet};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{Breaks, CURVE_PT, INK, Pen, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::points::Ranged;
use crate::figure::sample::{self, scatter, spread};
use crate::figure::scene::Marks;
use crate::figure::series::{self, Quantity, shown};
use std::ops::Range;

/// Is there a value at which birds begin to lay: each trait's value at first egg,
/// a dot a bird, with the strain's median and middle half, a panel a trait.
#[derive(Debug, Clone, Default)]
pub struct ValueAtFirstEgg {
    /// The strains, from top to bottom.
    pub strains: Vec<String>,
    /// A panel a trait.
    pub traits: Vec<TraitAtFirstEgg>,
    /// Letter of the first panel.
    pub letter: Option<char>,
}

/// One trait of [`ValueAtFirstEgg`].
#[derive(Debug, Clone, Default)]
pub struct TraitAtFirstEgg {
    /// The x axis: "Body weight", "g".
    pub quantity: Quantity,
    /// A group a strain, in the order of the strains.
    pub groups: Vec<FirstEggGroup>,
}

/// The birds of one strain in one panel of [`ValueAtFirstEgg`].
#[derive(Debug, Clone, Default)]
pub struct FirstEggGroup {
    /// A bird's name and its value at first egg.
    pub birds: Vec<(String, f64)>,
    /// Median, lower and upper quartile; [`Ranged::NONE`] where there are none.
    pub quartiles: Ranged,
}

const LEAST_PANEL_MM: f64 = 30.0;
const ROW_MM: f64 = 9.0;
/// Rows that a page has room for.
const MOST_ROWS: usize = 22;
const NAMES_SHARE: f64 = 0.3;
const MOST_IN_GROUP: usize = 400;

impl ValueAtFirstEgg {
    /// Rows in a panel: as many parts as the strains need, filled evenly.
    fn in_part(&self) -> usize {
        let rows = self.strains.len().max(1);
        rows.div_ceil(rows.div_ceil(MOST_ROWS))
    }

    fn axis(&self, width_mm: f64, part: Range<usize>) -> Axis {
        let n = |index: usize| {
            let groups = self.traits.iter().filter_map(|t| t.groups.get(index));
            let most = groups.map(|g| g.birds.len()).max().unwrap_or(0);
            series::count(most)
        };
        let names = part.map(|index| (self.strains[index].as_str(), n(index)));
        Axis::rows(names, NAMES_SHARE * width_mm)
    }

    fn columns(&self, width_mm: f64) -> usize {
        let whole = 0..self.strains.len();
        let names_mm = self.axis(width_mm, whole).fit(100.0, Way::Up).label_mm();
        columns(self.traits.len(), width_mm - names_mm, LEAST_PANEL_MM)
    }

    /// A size with room for its rows and panels at this width.
    ///
    /// # Errors
    /// As [`Size::new`].
    pub fn size(&self, width_mm: f64) -> Result<Size> {
        let panel_mm = 14.0 + ROW_MM * count(self.in_part());
        let rows = self.traits.len().max(1).div_ceil(self.columns(width_mm));
        let size = Size::of_rows(width_mm, (8.0, panel_mm), rows)?;
        Ok(if self.in_part() < self.strains.len() {
            size.with_breaks()
        } else {
            size
        })
    }

    /// Draws the figure on one sheet.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for the panels.
    pub fn draw(&self, size: Size) -> Result<Picture> {
        on_one_sheet(size, |size| self.pages(size))
    }

    /// Draws the figure on as many pages as its rows and panels need, where the size allows
    /// pages ([`Size::in_pages`], or what `size` gives); all have the same axes.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for one row of panels.
    pub fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        if size.breaks() == Breaks::Never {
            return self.part(size, 0..self.strains.len());
        }
        let mut pages = Vec::new();
        for first in (0..self.strains.len().max(1)).step_by(self.in_part()) {
            let last = (first + self.in_part()).min(self.strains.len());
            pages.extend(self.part(size, first..last)?);
        }
        Ok(pages)
    }

    fn part(&self, size: Size, part: Range<usize>) -> Result<Vec<Picture>> {
        let board = Board::lay(self.plan(size, part.clone()))?;
        for (panel, content) in board.panels.iter().zip(&self.traits) {
            if panel.x.ticks.is_empty() {
                continue;
            }
            for (row, index) in part.clone().enumerate() {
                if let Some(group) = content.groups.get(index) {
                    panel.open("strain", &[("strain", &self.strains[index])]);
                    let y = row_at(part.len(), row);
                    group.draw(panel, y, &Style::of(index), &content.quantity.unit)?;
                    panel.close();
                }
            }
        }
        let title = "Traits at the first egg by strain";
        let strains = self.strains[part].join(", ");
        Ok(board.finish(title, &format!("Strains: {strains}.")))
    }

    fn plan(&self, size: Size, part: Range<usize>) -> Plan {
        let y = self.axis(size.width_mm(), part);
        let cells = self.traits.iter().map(|t| {
            let values = t.groups.iter().flat_map(|g| {
                let birds = g.birds.iter().map(|b| b.1);
                birds.chain(g.quartiles.all())
            });
            Cell {
                head: Head::default(),
                x: Axis::new(t.quantity.words(), Scale::Number).hold(values),
                y: y.clone(),
                places: Vec::new(),
            }
        });
        let groups = self.traits.iter().flat_map(|t| &t.groups);
        let most = groups.map(|g| g.birds.len()).max().unwrap_or(0);
        let mut note = vec![
            "Dots: birds at their first egg, moved up or down at random to be seen.".to_owned(),
            "Black: median and quartiles. n: birds that laid; a panel has those with that measure."
                .to_owned(),
        ];
        note.extend(sample::sentence("birds", most.min(MOST_IN_GROUP), most));
        Plan {
            size,
            cells: cells.collect(),
            columns: Some(self.columns(size.width_mm())),
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Rows,
            keys: Vec::new(),
            letter: self.letter,
            note,
        }
    }
}

impl FirstEggGroup {
    fn draw(&self, panel: &Panel, y: f64, style: &Style, unit: &str) -> Result<()> {
        /// Dots stay this far from the middle of the gap to the next strain.
        const HALF_ROW: f64 = 0.3;
        let dots: Vec<Dot> = spread(self.birds.len(), MOST_IN_GROUP)
            .map(|i| {
                let (name, value) = &self.birds[i];
                Dot {
                    place: (*value, y + HALF_ROW * scatter(i)),
                    title: format!("{name}: {} {unit}", shown(*value)),
                }
            })
            .collect();
        let marks = Marks {
            shape: style.shape,
            radius_mm: if dots.len() > 60 { 0.4 } else { 0.6 },
            colour: style.colour,
            opacity: 0.55,
        };
        panel.dots(&dots, &marks)?;
        let quartiles = self.quartiles;
        let pen = Pen::solid(INK, CURVE_PT);
        panel.line(&[(quartiles.lower, y), (quartiles.upper, y)], &pen)?;
        let median = quartiles.value;
        let pen = Pen::solid(INK, 1.6);
        panel.line(&[(median, y - HALF_ROW), (median, y + HALF_ROW)], &pen)
    }
}
