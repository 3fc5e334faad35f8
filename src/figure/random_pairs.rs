//! How are the birds' random effects correlated?

use crate::error::Result;
use crate::figure::axes::{Axis, Scale};
use crate::figure::board::Board;
use crate::figure::frame::{Figure, Frame};
use crate::figure::grid::{Cell, Head, Plan, Sharing};
use crate::figure::legend::Sample;
use crate::figure::paper::{FRAME_PT, GREY, Pen, REFERENCE_DASH, Size};
use crate::figure::picture::Picture;
use crate::figure::points::{NamedPoint, StrainPoints, Strains, signed};
use crate::figure::scene::Anchor;
use crate::figure::words::Words;

/// Which terms are correlated between birds: the birds' random effects, each term
/// against each other, by strain.
#[derive(Debug, Clone, Default)]
pub struct RandomPairs {
    /// The terms with their units, as written on the axes: "A (g)", "k (1/d)".
    pub terms: Vec<String>,
    /// What the values are, for the note: "conditional modes".
    pub values: String,
    /// The strains, in the order of their colours.
    pub strains: Vec<StrainEffects>,
    /// The estimated correlation of terms (row, column), written in their panel;
    /// empty where none is shown.
    pub correlations: Vec<Vec<f64>>,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// One strain of [`RandomPairs`].
#[derive(Debug, Clone, Default)]
pub struct StrainEffects {
    /// The strain.
    pub name: String,
    /// A bird's name and its effects, one a term, in the order of the terms.
    pub birds: Vec<(String, Vec<f64>)>,
}

impl Figure for RandomPairs {
    fn size(&self, width_mm: f64) -> Result<Size> {
        let side = crate::figure::grid::count(self.side());
        let panel_mm = ((width_mm - 16.0) / side - 4.0).clamp(14.0, 56.0);
        Size::new(width_mm, 26.0 + (panel_mm + 4.0) * side)
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let side = self.side();
        let pairs: Vec<(usize, usize)> = (0..side)
            .flat_map(|row| (0..side).map(move |column| (row + 1, column)))
            .collect();
        let points: Vec<Vec<StrainPoints>> = pairs.iter().map(|&pair| self.points(pair)).collect();
        let strains = Strains::of(points.iter().flatten());
        let board = Board::lay(self.plan(size, &pairs, &strains, &points))?;
        for ((panel, &(up, across)), strains_here) in board.panels.iter().zip(&pairs).zip(&points) {
            if across >= up || panel.y.ticks.is_empty() {
                continue;
            }
            let zero = Pen::solid(GREY, FRAME_PT).dashed(REFERENCE_DASH);
            panel.level(0.0, &zero)?;
            panel.upright(0.0, &zero)?;
            strains.draw(panel, strains_here)?;
            let correlation = self.correlations.get(up).and_then(|row| row.get(across));
            if let Some(&r) = correlation.filter(|r| r.is_finite()) {
                let words = Words::default()
                    .italic("r")
                    .then(format!(" = {}", signed(r)));
                let place = (panel.rect.right, panel.rect.top - 0.6);
                panel.label(place, &words, Anchor::End);
            }
        }
        let title = format!("Random effects of {}", self.terms.join(", "));
        Ok(board.finish(&title, &strains.words(&self.frame)))
    }
}

impl RandomPairs {
    /// Panels along a side: each term but the last across, each but the first up.
    fn side(&self) -> usize {
        self.terms.len().saturating_sub(1).max(1)
    }

    /// The points of a panel: none above the diagonal.
    fn points(&self, (up, across): (usize, usize)) -> Vec<StrainPoints> {
        if across >= up {
            return Vec::new();
        }
        self.strains
            .iter()
            .map(|strain| {
                let of_bird = |at: usize| {
                    let (name, effects) = &strain.birds[at];
                    NamedPoint {
                        name: name.clone(),
                        x: effects.get(across).copied().unwrap_or(f64::NAN),
                        y: effects.get(up).copied().unwrap_or(f64::NAN),
                    }
                };
                let named = (strain.name.clone(), strain.birds.len());
                StrainPoints::of(named, strain.birds.len(), of_bird)
            })
            .collect()
    }

    /// The axis of a term; the same in all its panels.
    fn axis(&self, term: usize) -> Axis {
        let effects = self
            .strains
            .iter()
            .flat_map(|s| &s.birds)
            .filter_map(|(_, effects)| effects.get(term).copied());
        let name = self.terms.get(term).map_or("", String::as_str);
        Axis::new(Words::plain(name), Scale::Number)
            .hold(effects)
            .with_zero()
    }

    fn plan(
        &self,
        size: Size,
        pairs: &[(usize, usize)],
        strains: &Strains,
        points: &[Vec<StrainPoints>],
    ) -> Plan {
        let cells = pairs.iter().map(|&(up, across)| Cell {
            // An empty name would leave no room over the panels for r.
            head: Head {
                name: " ".to_owned(),
                ..Head::default()
            },
            x: self.axis(across),
            y: if across < up || across == 0 {
                self.axis(up)
            } else {
                Axis::new(Words::default(), Scale::Number)
            },
            places: Vec::new(),
        });
        let mut note = Vec::new();
        if !self.values.is_empty() {
            note.push(format!(
                "Points: {}, {}.",
                self.frame.subjects(),
                self.values
            ));
        }
        if !self.correlations.is_empty() {
            note.push("r: estimated correlation of the random effects.".to_owned());
        }
        note.push("Thin dashed: the strain's own value.".to_owned());
        note.push(self.frame.n());
        note.extend(Strains::sampled(points.iter().map(Vec::as_slice)));
        Plan {
            size,
            cells: cells.collect(),
            columns: Some(self.side()),
            least_panel_mm: 0.0,
            sharing: Sharing::Matrix,
            square: false,
            keys: strains.keys(Sample::Marker),
            letter: self.frame.letter,
            note,
        }
    }
}
