//! What the body consists of, by age.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawable};
use crate::figure::board::{Board, Cell, Head, Plan, Sharing, columns, on_one_sheet};
use crate::figure::legend::{Key, Sample};
use crate::figure::panel::Panel;
use crate::figure::paper::{Colour, Pen, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::sample::{MOST_VERTICES, thinned};
use crate::figure::series::{AgeUnit, Quantity, count, counted};

/// What does the body consist of at each age: fat, lean, bone, feathers, one
/// stacked on the other, a panel a strain.
#[derive(Debug, Clone, Default)]
pub struct BodyParts {
    /// The y axis: "Mass", "g" or "Share of body mass", "%".
    pub quantity: Quantity,
    /// Days or weeks on the axis.
    pub ages: AgeUnit,
    /// The parts, from the bottom up.
    pub parts: Vec<String>,
    /// What the values are, for the note: "means of corrected masses".
    pub values: String,
    /// A panel a strain.
    pub strains: Vec<StrainParts>,
    /// Letter of the first panel.
    pub letter: Option<char>,
}

/// One strain of [`BodyParts`].
#[derive(Debug, Clone, Default)]
pub struct StrainParts {
    /// The strain.
    pub name: String,
    /// Birds that it rests on.
    pub birds: usize,
    /// Its composition, ascending in age.
    pub ages: Vec<PartsAt>,
}

/// A body's parts at one age.
#[derive(Debug, Clone, Default)]
pub struct PartsAt {
    /// Age in days.
    pub age_d: f64,
    /// A value a part, in the order of [`BodyParts::parts`]; an age at which one is
    /// not finite or below zero is left out.
    pub values: Vec<f64>,
}

const LEAST_PANEL_MM: f64 = 32.0;

impl BodyParts {
    /// A size with room for its panels at this width.
    ///
    /// # Errors
    /// As [`Size::new`].
    pub fn size(&self, width_mm: f64) -> Result<Size> {
        let columns = columns(self.strains.len(), width_mm, LEAST_PANEL_MM);
        Size::of_rows(
            width_mm,
            (26.0, 46.0),
            self.strains.len().max(1).div_ceil(columns),
        )
    }

    /// Draws the figure on one sheet.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for the panels.
    pub fn draw(&self, size: Size) -> Result<Picture> {
        on_one_sheet(size, |size| self.pages(size))
    }

    /// Draws the figure on as many pages as its panels need, where the size allows pages
    /// ([`Size::in_pages`], or what `size` gives); all have the same axes.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for one row of panels.
    pub fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let stacks: Vec<Vec<Stack>> = self.strains.iter().map(|s| self.stacks(s)).collect();
        let board = Board::lay(self.plan(size, &stacks))?;
        for (panel, (stacks, strain)) in board.panels.iter().zip(stacks.iter().zip(&self.strains)) {
            panel.open("strain", &[("strain", &strain.name)]);
            self.draw_stacks(panel, stacks)?;
            panel.close();
        }
        let names: Vec<String> = self
            .strains
            .iter()
            .map(|s| format!("{} ({})", s.name, counted(s.birds, "bird")))
            .collect();
        let title = format!("{} of the body's parts by age", self.quantity.name);
        let parts = self.parts.join(", ");
        let description = format!(
            "Parts from the bottom up: {parts}. Strains: {}.",
            names.join(", ")
        );
        Ok(board.finish(&title, &description))
    }

    /// Running sums over the parts at each age that is whole.
    fn stacks(&self, strain: &StrainParts) -> Vec<Stack> {
        let whole = |at: &&PartsAt| {
            at.values.len() == self.parts.len()
                && drawable(at.age_d)
                && at.values.iter().all(|&v| drawable(v) && v >= 0.0)
        };
        let kept: Vec<&PartsAt> = strain.ages.iter().filter(whole).collect();
        thinned(kept.len(), MOST_VERTICES)
            .map(|i| {
                let mut edges = vec![0.0];
                for value in &kept[i].values {
                    edges.push(edges[edges.len() - 1] + value);
                }
                Stack {
                    age_d: kept[i].age_d,
                    edges,
                }
            })
            .collect()
    }

    fn draw_stacks(&self, panel: &Panel, stacks: &[Stack]) -> Result<()> {
        let ink = crate::figure::paper::WHITE;
        for (part, name) in self.parts.iter().enumerate() {
            panel.open("part", &[("part", name)]);
            panel.title(name);
            let edge = |upper: usize| stacks.iter().map(move |s| (s.age_d, s.edges[upper]));
            let outline: Vec<(f64, f64)> = edge(part + 1).chain(edge(part).rev()).collect();
            let colour: Colour = Style::of_part(part).colour;
            if stacks.len() == 1 {
                panel.area(&column(panel, &outline), colour)?;
            } else {
                panel.area(&outline, colour)?;
            }
            panel.close();
        }
        for part in 1..self.parts.len() {
            let edge: Vec<(f64, f64)> = stacks.iter().map(|s| (s.age_d, s.edges[part])).collect();
            panel.line(&edge, &Pen::solid(ink, 0.5))?;
        }
        Ok(())
    }

    fn plan(&self, size: Size, stacks: &[Vec<Stack>]) -> Plan {
        let ages = stacks.iter().flatten().map(|s| s.age_d);
        let x = Axis::age(self.ages).hold(ages);
        let tops = stacks
            .iter()
            .flatten()
            .flat_map(|s| s.edges.iter().copied());
        let y = Axis::new(self.quantity.words(), Scale::Number).hold(tops);
        let cells = self.strains.iter().map(|s| Cell {
            head: Head {
                name: s.name.clone(),
                n: count(s.birds),
                flag: String::new(),
            },
            x: x.clone(),
            y: y.clone(),
            places: Vec::new(),
        });
        let keys = self.parts.iter().enumerate().map(|(part, name)| Key {
            name: name.clone(),
            n: String::new(),
            style: Style::of_part(part),
            sample: Sample::Patch,
        });
        let mut note = Vec::new();
        if !self.values.is_empty() {
            note.push(format!("Stacked: {}.", self.values));
        }
        note.push("Parts from the bottom up in the order of the key. n: birds.".to_owned());
        Plan {
            size,
            cells: cells.collect(),
            columns: None,
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Common,
            // A strip over the panels, since areas fill them.
            keys: keys.collect(),
            letter: self.letter,
            note,
        }
    }
}

/// The upper edges of the parts at one age, the first of them zero.
struct Stack {
    age_d: f64,
    edges: Vec<f64>,
}

/// A single age as a column two millimetres to either side.
fn column(panel: &Panel, outline: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let half = 2.0 * (panel.x.hi - panel.x.lo) / panel.rect.width();
    let [top, bottom] = outline else {
        return Vec::new();
    };
    vec![
        (top.0 - half, top.1),
        (top.0 + half, top.1),
        (bottom.0 + half, bottom.1),
        (bottom.0 - half, bottom.1),
    ]
}
