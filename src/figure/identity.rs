//! What was observed against what a reading or a model says, with the line of
//! equality: calibration, and prediction of the first egg.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::{Board, Cell, Head, Plan, Sharing, columns, count, rows};
use crate::figure::legend::Sample;
use crate::figure::panel::Panel;
use crate::figure::paper::{GREY, INK, Pen, REFERENCE_DASH, Size};
use crate::figure::picture::Picture;
use crate::figure::points::{StrainPoints, Strains};
use crate::figure::series::Quantity;

/// Is the scanner accurate: chemistry (up) against the raw reading and
/// against the fitted or corrected value (across), by strain, a panel a stage.
///
/// # Example
/// ```
/// use pinfeather::figure::{Calibration, IdentityPanel, NamedPoint, Quantity, StrainPoints};
/// let points = vec![NamedPoint { name: "bird 1".into(), x: 210.0, y: 160.0 }];
/// let figure = Calibration {
///     observed: Quantity { name: "Fat by chemistry".into(), unit: "g".into() },
///     panels: vec![IdentityPanel {
///         name: "Before".into(),
///         across: Quantity { name: "Fat read".into(), unit: "g".into() },
///         strains: vec![StrainPoints { name: "Line A".into(), birds: 1, points }],
///         ..IdentityPanel::default()
///     }],
///     ..Calibration::default()
/// };
/// let picture = figure.draw(figure.size(89.0)?)?;
/// assert!(picture.svg().contains("Fat by chemistry (g)"));
/// # Ok::<(), pinfeather::Error>(())
/// ```
#[derive(Debug, Clone, Default)]
pub struct Calibration {
    /// What chemistry found: the y axis of all panels.
    pub observed: Quantity,
    /// What the lines of the panels are, for the note: "Deming regression".
    pub line: String,
    /// Before (raw reading) and after (fitted), in this order.
    pub panels: Vec<IdentityPanel>,
    /// Letter of the first panel.
    pub letter: Option<char>,
}

/// How well is the age at first egg predicted: observed against predicted.
#[derive(Debug, Clone, Default)]
pub struct PredictedObserved {
    /// What was observed, the y axis: "Observed age at first egg", "days".
    pub observed: Quantity,
    /// What the lines of the panels are, for the note.
    pub line: String,
    /// A sentence for the note, such as what the grey bars are; may be empty.
    pub intervals: String,
    /// A panel a cue, model or age at which the prediction was made.
    pub panels: Vec<IdentityPanel>,
    /// Letter of the first panel.
    pub letter: Option<char>,
}

/// One panel of [`Calibration`] or [`PredictedObserved`].
#[derive(Debug, Clone, Default)]
pub struct IdentityPanel {
    /// What stands over it: "Before", "After".
    pub name: String,
    /// The x axis, in the unit of the y axis: "Fat read", "g".
    pub across: Quantity,
    /// A few words in the panel: "bias −32 g, concordance 0.91"; may be empty.
    pub fact: String,
    /// A line through the points, by its ends or more; may be empty.
    pub line: Vec<(f64, f64)>,
    /// Bars along x under the points: from, to, and the y at which; may be empty.
    pub intervals: Vec<(f64, f64, f64)>,
    /// x: read or predicted; y: observed.
    pub strains: Vec<StrainPoints>,
}

const LEAST_PANEL_MM: f64 = 34.0;

impl Calibration {
    /// A size with room for its panels at this width.
    ///
    /// # Errors
    /// As [`Size::new`].
    pub fn size(&self, width_mm: f64) -> Result<Size> {
        size(self.panels.len(), width_mm)
    }

    /// Draws the figure.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for the panels.
    pub fn draw(&self, size: Size) -> Result<Picture> {
        Equality {
            observed: &self.observed,
            line: &self.line,
            intervals: "",
            panels: &self.panels,
            letter: self.letter,
            title: format!("{} against the scanner", self.observed.name),
        }
        .draw(size)
    }
}

impl PredictedObserved {
    /// A size with room for its panels at this width.
    ///
    /// # Errors
    /// As [`Size::new`].
    pub fn size(&self, width_mm: f64) -> Result<Size> {
        size(self.panels.len(), width_mm)
    }

    /// Draws the figure.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for the panels.
    pub fn draw(&self, size: Size) -> Result<Picture> {
        Equality {
            observed: &self.observed,
            line: &self.line,
            intervals: &self.intervals,
            panels: &self.panels,
            letter: self.letter,
            title: format!("{} against what was predicted", self.observed.name),
        }
        .draw(size)
    }
}

/// Panels about square, in as many rows as the width requires.
fn size(panels: usize, width_mm: f64) -> Result<Size> {
    let columns = columns(panels, width_mm, LEAST_PANEL_MM);
    let panel_mm = ((width_mm - 16.0) / count(columns) - 5.0).clamp(30.0, 62.0);
    Size::new(width_mm, 18.0 + (panel_mm + 13.0) * rows(panels, columns))
}

struct Equality<'a> {
    observed: &'a Quantity,
    line: &'a str,
    intervals: &'a str,
    panels: &'a [IdentityPanel],
    letter: Option<char>,
    title: String,
}

impl Equality<'_> {
    fn draw(&self, size: Size) -> Result<Picture> {
        let strains = Strains::of(self.panels.iter().flat_map(|p| &p.strains));
        let board = Board::lay(self.plan(size, &strains))?;
        for (panel, content) in board.panels.iter().zip(self.panels) {
            content.draw(panel, &strains)?;
        }
        board.finish_sheet(&self.title, &strains.words())
    }

    fn plan(&self, size: Size, strains: &Strains) -> Plan {
        let places = |p: &IdentityPanel| -> Vec<(f64, f64)> {
            let points = p.strains.iter().flat_map(StrainPoints::places);
            points.chain(p.line.iter().copied()).collect()
        };
        let bars = |p: &IdentityPanel| -> Vec<(f64, f64)> {
            let bars = p.intervals.iter();
            bars.flat_map(|&(from, to, y)| [(from, y), (to, y)])
                .collect()
        };
        let (xs, ys) = drawn_at(self.panels.iter().flat_map(places));
        // Bars may reach far along x; along y they stand at their points.
        let (ends, _) = drawn_at(self.panels.iter().flat_map(bars));
        let both: Vec<f64> = xs.into_iter().chain(ys).collect();
        let axis = |quantity: &Quantity| {
            Axis::new(quantity.words(), Scale::Number).hold(both.iter().copied())
        };
        let cells = self.panels.iter().map(|p| Cell {
            head: Head {
                name: p.headed(),
                ..Head::default()
            },
            x: axis(&p.across).hold(ends.iter().copied()),
            y: axis(self.observed),
            places: {
                let mut covered = places(p);
                covered.extend(bars(p));
                covered.extend(both.iter().map(|&v| (v, v)));
                covered
            },
        });
        let mut note = vec!["Points: single birds; thin dashed: equality.".to_owned()];
        if !self.line.is_empty() {
            note.push(format!("Black line: {}.", self.line));
        }
        if !self.intervals.is_empty() {
            note.push(self.intervals.to_owned());
        }
        note.push("n: birds.".to_owned());
        note.extend(Strains::sampled(
            self.panels.iter().map(|p| p.strains.as_slice()),
        ));
        Plan {
            size,
            cells: cells.collect(),
            columns: None,
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Rows,
            keys: strains.keys(Sample::Marker),
            letter: self.letter,
            note,
        }
    }
}

impl IdentityPanel {
    /// What stands over it: where bars fill the panel, the fact too.
    fn headed(&self) -> String {
        if self.intervals.is_empty() || self.fact.is_empty() {
            self.name.clone()
        } else {
            format!("{}: {}", self.name, self.fact)
        }
    }

    fn draw(&self, panel: &Panel, strains: &Strains) -> Result<()> {
        if panel.y.ticks.is_empty() {
            return Ok(());
        }
        panel.identity(&Pen::solid(GREY, 0.6).dashed(REFERENCE_DASH))?;
        for &(from, to, y) in &self.intervals {
            panel.line(&[(from, y), (to, y)], &Pen::solid(GREY, 0.4))?;
        }
        strains.draw(panel, &self.strains)?;
        panel.line(&self.line, &Pen::solid(INK, 0.8))?;
        if self.intervals.is_empty() {
            let points = self.strains.iter().flat_map(StrainPoints::places);
            panel.say(&self.fact, &points.collect::<Vec<_>>());
        }
        Ok(())
    }
}
