//! Is a measurement in control: values by day with their centre and limits.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawable};
use crate::figure::board::Board;
use crate::figure::frame::{Figure, Frame};
use crate::figure::grid::{Cell, Head, Plan, Sharing};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{
    BAND_OPACITY, CURVE_PT, FRAME_PT, GREY, Pen, REFERENCE_DASH, Size, Style, WARNING,
};
use crate::figure::picture::Picture;
use crate::figure::scene::Marks;
use crate::figure::series::{Quantity, count};
use crate::figure::words::Words;

/// Is a measurement in control: a panel a series, values by day, the centre and limits, values
/// out of control marked, and the days of a lasting change shaded.
#[derive(Debug, Clone, Default)]
pub struct ControlChart {
    /// What is charted, for the title: "phantom readings".
    pub what: String,
    /// The first day of all, for the axis.
    pub first_day: String,
    /// The series.
    pub panels: Vec<ControlPanel>,
    /// Letters of the panels.
    pub frame: Frame,
}

/// One series of a [`ControlChart`].
#[derive(Debug, Clone, Default)]
pub struct ControlPanel {
    /// Its name.
    pub name: String,
    /// What is measured, and its unit.
    pub quantity: Quantity,
    /// Days since the first, value, and whether it is out of control.
    pub points: Vec<(f64, f64, bool)>,
    /// Centre, lower and upper limit.
    pub limits: Option<[f64; 3]>,
    /// Day on which a lasting change began.
    pub changed_from: Option<f64>,
}

const PANEL_MM: f64 = 38.0;
const LEAST_PANEL_MM: f64 = 24.0;
const MARGIN_MM: f64 = 22.0;

impl Figure for ControlChart {
    fn size(&self, width_mm: f64) -> Result<Size> {
        Size::new(
            width_mm,
            MARGIN_MM + PANEL_MM * self.panels.len().max(1) as f64,
        )
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let board = Board::lay(self.plan(size))?;
        for (series, panel) in self.panels.iter().zip(&board.panels) {
            panel.open("series", &[("series", &series.name)]);
            if !panel.y.ticks.is_empty() {
                series.draw(panel)?;
            }
            panel.close();
        }
        let words: Vec<String> = self.panels.iter().map(ControlPanel::words).collect();
        let title = format!("Control chart of {}", self.what);
        Ok(board.finish(&title, &format!("{}.", words.join("; "))))
    }
}

impl ControlChart {
    fn plan(&self, size: Size) -> Plan {
        let all_days = || {
            let points = self.panels.iter().flat_map(|panel| &panel.points);
            points.map(|(day, ..)| *day)
        };
        let cells = self.panels.iter().map(|series| {
            let values = series.points.iter().map(|(_, value, _)| *value);
            let limits = series.limits.into_iter().flatten();
            Cell {
                head: Head {
                    name: series.name.clone(),
                    n: count(series.points.len()),
                    ..Head::default()
                },
                x: Axis::new(
                    Words::plain(format!("Days since {}", self.first_day)),
                    Scale::Number,
                )
                .hold(all_days()),
                y: Axis::new(series.quantity.words(), Scale::Number)
                    .hold(values.chain(limits).filter(|value| drawable(*value))),
                places: series
                    .points
                    .iter()
                    .map(|(day, value, _)| (*day, *value))
                    .collect(),
            }
        });
        let mut note = vec![
            "Line: mean of the baseline. Dashed: limits, 3 sigma by moving ranges. n: days."
                .to_owned(),
        ];
        if self
            .panels
            .iter()
            .any(|panel| panel.points.iter().any(|(.., out)| *out))
        {
            note.push("Orange: out of control.".to_owned());
        }
        if self.panels.iter().any(|panel| panel.changed_from.is_some()) {
            note.push("Shaded: lasting change (CUSUM).".to_owned());
        }
        Plan {
            size,
            cells: cells.collect(),
            columns: Some(1),
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Own,
            square: false,
            keys: Vec::new(),
            letter: self.frame.letter,
            note,
        }
    }
}

impl ControlPanel {
    fn draw(&self, panel: &Panel) -> Result<()> {
        if let Some(from) = self.changed_from {
            let edges = [from, panel.x.hi].map(|day| (day, panel.y.lo, panel.y.hi));
            panel.band(&edges, WARNING, 0.5 * BAND_OPACITY)?;
        }
        if let Some([centre, lower, upper]) = self.limits {
            panel.level(centre, &Pen::solid(GREY, FRAME_PT))?;
            let pen = Pen::solid(GREY, CURVE_PT).dashed(REFERENCE_DASH);
            panel.level(lower, &pen)?;
            panel.level(upper, &pen)?;
        }
        let line: Vec<(f64, f64)> = self.points.iter().map(|(day, y, _)| (*day, *y)).collect();
        let style = Style::of(0);
        panel.line(&line, &Pen::solid(style.colour, FRAME_PT))?;
        for out_of_control in [false, true] {
            let own = self
                .points
                .iter()
                .filter(|(.., out)| *out == out_of_control);
            let dots: Vec<Dot> = own
                .map(|(day, value, _)| Dot {
                    place: (*day, *value),
                    title: format!("{}, day {day}: {value}", self.name),
                })
                .collect();
            let marks = Marks {
                shape: style.shape,
                radius_mm: if out_of_control { 1.0 } else { 0.6 },
                colour: if out_of_control {
                    WARNING
                } else {
                    style.colour
                },
                opacity: 1.0,
            };
            panel.dots(&dots, &marks)?;
        }
        Ok(())
    }

    fn words(&self) -> String {
        let out = self.points.iter().filter(|(.., out)| *out).count();
        format!(
            "{}: {} days, {out} out of control",
            self.name,
            self.points.len()
        )
    }
}
