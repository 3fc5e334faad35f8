//! What the body consists of, by age.

use crate::error::Result;
use crate::figure::axes::drawable;
use crate::figure::board::Board;
use crate::figure::frame::{Content, Figure, Frame, by_age, size_of};
use crate::figure::grid::{Head, Plan};
use crate::figure::legend::{Key, Sample};
use crate::figure::panel::Panel;
use crate::figure::paper::{Colour, Pen, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::sample::{MOST_VERTICES, thinned};
use crate::figure::series::{Quantity, count};

/// What does the body consist of at each age: fat, lean, bone, feathers, one
/// stacked on the other, a panel a strain.
#[derive(Debug, Clone, Default)]
pub struct BodyParts {
    /// The y axis: "Mass", "g" or "Share of body mass", "%".
    pub quantity: Quantity,
    /// The parts, from the bottom up.
    pub parts: Vec<String>,
    /// What the values are, for the note: "means of corrected masses".
    pub values: String,
    /// A panel a strain.
    pub strains: Vec<StrainParts>,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
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

impl Figure for BodyParts {
    fn size(&self, width_mm: f64) -> Result<Size> {
        size_of(self.strains.len(), (width_mm, LEAST_PANEL_MM), (26.0, 46.0))
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let stacks: Vec<Vec<Stack>> = self.strains.iter().map(|s| self.stacks(s)).collect();
        let panels = self.strains.iter().zip(&stacks).map(|(strain, stacks)| {
            let head = Head {
                name: strain.name.clone(),
                n: count(strain.birds),
                ..Head::default()
            };
            let edges = stacks
                .iter()
                .flat_map(|s| s.edges.iter().map(|edge| (s.age_d, *edge)));
            (head, edges.collect())
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
        note.push(self.frame.n());
        let panels: Vec<Content> = panels.collect();
        let board = Board::lay(Plan {
            // A strip over the panels, since areas fill them.
            keys: keys.collect(),
            ..by_age(
                (size, LEAST_PANEL_MM),
                &self.frame,
                self.quantity.words(),
                panels,
                (false, Vec::new(), note),
            )
        })?;
        for (panel, (stacks, strain)) in board.panels.iter().zip(stacks.iter().zip(&self.strains)) {
            panel.open("strain", &[("strain", &strain.name)]);
            self.draw_stacks(panel, stacks)?;
            panel.close();
        }
        let title = format!("{} of the body's parts by age", self.quantity.name);
        let named = self.strains.iter().map(|s| (s.name.as_str(), s.birds));
        let parts = self.parts.join(", ");
        let description = format!("From the bottom up: {parts}. {}", self.frame.groups(named));
        Ok(board.finish(&title, &description))
    }
}

impl BodyParts {
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
