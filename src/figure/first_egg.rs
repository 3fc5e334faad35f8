//! What a bird is like when it lays its first egg.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, row_at};
use crate::figure::board::Board;
use crate::figure::frame::{Figure, Frame};
use crate::figure::grid::{Cell, Head};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{CURVE_PT, INK, Pen, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::points::Ranged;
use crate::figure::row_frame::RowFrame;
use crate::figure::sample::{self, scatter, spread};
use crate::figure::scene::{Anchor, Marks};
use crate::figure::series::{Quantity, count, shown};
use crate::figure::words::Words;
use std::ops::Range;

/// Is there a value at which birds begin to lay: each trait's value at first egg,
/// a dot a bird, with the strain's median and middle half, a panel a trait.
#[derive(Debug, Clone, Default)]
pub struct ValueAtFirstEgg {
    /// The strains, from top to bottom.
    pub strains: Vec<String>,
    /// A panel a trait.
    pub traits: Vec<TraitAtFirstEgg>,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
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

const MOST_IN_GROUP: usize = 400;

impl Figure for ValueAtFirstEgg {
    fn size(&self, width_mm: f64) -> Result<Size> {
        self.rows().size(width_mm)
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        self.rows().pages(size, |part| self.part(size, part))
    }
}

impl ValueAtFirstEgg {
    fn rows(&self) -> RowFrame<'_> {
        let strains = self.strains.iter();
        RowFrame {
            names: strains.map(|name| (name.as_str(), String::new())).collect(),
            panels: self.traits.len(),
            least_panel_mm: 36.0,
            row_mm: 9.0,
            most_rows: 22,
        }
    }

    fn part(&self, size: Size, part: Range<usize>) -> Result<Vec<Picture>> {
        let rows = self.rows();
        let y = rows.axis(size.width_mm(), part.clone());
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
        let plan = rows.plan(size, cells.collect(), (self.frame.letter, self.note()));
        let board = Board::lay(plan)?;
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
        let (title, rows) = rows.titled("Traits at the first egg by strain", &part);
        Ok(board.finish(&title, &rows))
    }

    fn note(&self) -> Vec<String> {
        let groups = self.traits.iter().flat_map(|t| &t.groups);
        let most = groups.map(|g| g.birds.len()).max().unwrap_or(0);
        let mut note = vec![
            "Dots: birds at their first egg, spread up and down to be seen; black: median and \
             quartiles. n: birds with that measure."
                .to_owned(),
        ];
        note.extend(sample::sentence("birds", most.min(MOST_IN_GROUP), most));
        note
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
        panel.line(&[(median, y - HALF_ROW), (median, y + HALF_ROW)], &pen)?;
        // Over the dots, at the right of the row.
        let over = panel.place((panel.x.hi, y + HALF_ROW + 0.02)).1 - 0.4;
        let n = Words::default()
            .italic("n")
            .then(format!(" = {}", count(self.birds.len())));
        panel.label((panel.rect.right, over), &n, Anchor::End);
        Ok(())
    }
}
