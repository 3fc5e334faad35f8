//! How precisely do the data determine a term: its profile likelihood.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::Board;
use crate::figure::frame::{Figure, Frame, size_of};
use crate::figure::grid::{Cell, Head, Plan, Sharing};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{CURVE_PT, GREY, INK, Pen, REFERENCE_DASH, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::points::Ranged;
use crate::figure::scene::Marks;
use crate::figure::series::Quantity;
use crate::figure::words::Words;

/// How precisely do the data determine each term: the fall of the profile likelihood away
/// from the estimate, a panel a term, with the cut-off line that gives the interval.
#[derive(Debug, Clone, Default)]
pub struct Profile {
    /// The y axis: "Twice the fall in log-likelihood".
    pub measure: String,
    /// Height of the cut-off line: 3.84 for 95 % by chi-squared with one degree of
    /// freedom.
    pub cut_off: f64,
    /// What the line is, for the note: "95 % (chi-squared, 1 df)".
    pub cut_off_words: String,
    /// A panel a term.
    pub terms: Vec<ProfileTerm>,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// One term of [`Profile`].
#[derive(Debug, Clone, Default)]
pub struct ProfileTerm {
    /// The term with its unit: "A", "g".
    pub term: Quantity,
    /// What stands over the panel, mostly the strain; may be empty.
    pub name: String,
    /// Value of the term and fall at it, ascending in the value.
    pub points: Vec<(f64, f64)>,
    /// The estimate and where the profile crosses the cut-off; an end that it never
    /// reaches is NaN.
    pub estimate: Ranged,
}

const LEAST_PANEL_MM: f64 = 36.0;

impl Figure for Profile {
    fn size(&self, width_mm: f64) -> Result<Size> {
        size_of(self.terms.len(), (width_mm, LEAST_PANEL_MM), (14.0, 46.0))
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let board = Board::lay(self.plan(size))?;
        for (panel, term) in board.panels.iter().zip(&self.terms) {
            if !panel.x.ticks.is_empty() {
                term.draw(panel, self.cut_off)?;
            }
        }
        let estimates = self.terms.iter();
        let estimates: Vec<String> = estimates
            .map(|t| format!("{} {}", t.term.name, t.estimate.words()))
            .collect();
        let description = format!("Estimates with their intervals: {}.", estimates.join("; "));
        Ok(board.finish("Profile likelihood by term", &description))
    }
}

impl Profile {
    fn plan(&self, size: Size) -> Plan {
        let (_, falls) = drawn_at(self.terms.iter().flat_map(|t| t.points.iter().copied()));
        // A profile taken far out would squeeze what matters: the part about the cut-off.
        let most = 2.5 * self.cut_off;
        let falls = falls.into_iter().filter(|&fall| fall <= most);
        let y = Axis::new(Words::plain(&self.measure), Scale::Number).hold(falls);
        let y = if y.is_empty() {
            y
        } else {
            y.hold([0.0, self.cut_off])
        };
        let cells = self.terms.iter().map(|t| {
            let near = t.points.iter().copied().filter(|p| p.1 <= most);
            let (values, _) = drawn_at(near);
            Cell {
                head: Head {
                    name: t.name.clone(),
                    ..Head::default()
                },
                x: Axis::new(t.term.words(), Scale::Number)
                    .hold(values)
                    .hold(t.estimate.all()),
                y: y.clone(),
                places: Vec::new(),
            }
        });
        let mut note = vec![format!(
            "Thin dashed: {}; dot: estimate; dotted: ends of its interval.",
            if self.cut_off_words.is_empty() {
                "cut-off"
            } else {
                &self.cut_off_words
            }
        )];
        let open = self.terms.iter().filter(|t| t.is_open());
        let open: Vec<&str> = open.map(|t| t.term.name.as_str()).collect();
        if !open.is_empty() {
            note.push(format!("Open on a side: {}.", open.join(", ")));
        }
        Plan {
            size,
            cells: cells.collect(),
            columns: None,
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Rows,
            square: false,
            keys: Vec::new(),
            letter: self.frame.letter,
            note,
        }
    }
}

impl ProfileTerm {
    fn is_open(&self) -> bool {
        self.estimate.value.is_finite()
            && !(self.estimate.lower.is_finite() && self.estimate.upper.is_finite())
    }

    fn draw(&self, panel: &Panel, cut_off: f64) -> Result<()> {
        const DOTTED: &[f64] = &[0.3, 0.6];
        let colour = Style::of(0).colour;
        panel.open("term", &[("term", &self.term.name)]);
        panel.level(cut_off, &Pen::solid(GREY, 0.6).dashed(REFERENCE_DASH))?;
        let dotted = Pen::solid(INK, 0.6).dashed(DOTTED);
        for end in [self.estimate.lower, self.estimate.upper] {
            panel.line(&[(end, panel.y.lo), (end, cut_off)], &dotted)?;
        }
        panel.line(
            &within(&self.points, panel.y.hi),
            &Pen::solid(colour, CURVE_PT),
        )?;
        let dot = Dot {
            place: (self.estimate.value, 0.0),
            title: format!("{}: {}", self.term.name, self.estimate.words()),
        };
        let marks = Marks {
            shape: Style::of(0).shape,
            radius_mm: 0.8,
            colour,
            opacity: 1.0,
        };
        panel.dots(&[dot], &marks)?;
        panel.close();
        Ok(())
    }
}

/// A line, cut where it rises over `top`.
fn within(points: &[(f64, f64)], top: f64) -> Vec<(f64, f64)> {
    let mut kept = Vec::with_capacity(points.len() + 2);
    for (i, &(x, y)) in points.iter().enumerate() {
        if let Some(&(x0, y0)) = i.checked_sub(1).and_then(|before| points.get(before))
            && (y0 <= top) != (y <= top)
        {
            kept.push((x0 + (top - y0) / (y - y0) * (x - x0), top));
        }
        kept.push(if y <= top { (x, y) } else { (f64::NAN, y) });
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_cut_where_it_leaves_the_panel() {
        let cut = within(&[(0.0, 8.0), (1.0, 4.0), (2.0, 0.0), (3.0, 12.0)], 6.0);
        let kept: Vec<(f64, f64)> = cut.into_iter().filter(|p| p.0.is_finite()).collect();
        assert_eq!(kept, [(0.5, 6.0), (1.0, 4.0), (2.0, 0.0), (2.5, 6.0)]);
    }
}
