//! How even is the flock, by week.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::{Board, Cell, Head, Plan, Sharing};
use crate::figure::deviation::aside_d;
use crate::figure::legend::{self, Sample};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{
    CURVE_PT, FAINT_PT, GREY, GREY_OPACITY, Looks, Pen, REFERENCE_DASH, Size, Style,
};
use crate::figure::picture::Picture;
use crate::figure::sample::{MOST_VERTICES, thinned};
use crate::figure::scene::Marks;
use crate::figure::series::{AgeUnit, BandPoint, Quantity, counted, shown};

/// How even is the flock: uniformity (or CV) by week with its interval, by strain.
#[derive(Debug, Clone, Default)]
pub struct Uniformity {
    /// The y axis: "Birds within 10 % of the mean", "%" or "CV", "%".
    pub quantity: Quantity,
    /// Days or weeks on the axis.
    pub ages: AgeUnit,
    /// What the bars are, for the note.
    pub interval: String,
    /// What is aimed at, as a line across.
    pub goal: Option<f64>,
    /// The strains (or pens), in the order of their colours.
    pub strains: Vec<StrainUniformity>,
    /// Panel letter, for a figure of several parts.
    pub letter: Option<char>,
}

/// One strain of [`Uniformity`].
#[derive(Debug, Clone, Default)]
pub struct StrainUniformity {
    /// The strain or pen.
    pub name: String,
    /// Birds weighed, the most at any age.
    pub birds: usize,
    /// A value a week with its interval, ascending in age.
    pub points: Vec<BandPoint>,
}

impl Uniformity {
    /// A size for this width.
    ///
    /// # Errors
    /// As [`Size::new`].
    pub fn size(&self, width_mm: f64) -> Result<Size> {
        Size::for_panels(width_mm, 1)
    }

    /// Draws the figure.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for the panel.
    pub fn draw(&self, size: Size) -> Result<Picture> {
        let board = Board::lay(self.plan(size))?;
        let panel = &board.panels[0];
        if let Some(goal) = self.goal.filter(|_| !panel.y.ticks.is_empty()) {
            panel.level(goal, &Pen::solid(GREY, 0.6).dashed(REFERENCE_DASH))?;
        }
        let looks = Looks::of(self.strains.len());
        for index in looks.back_to_front() {
            let strain = &self.strains[index];
            panel.open("strain", &[("strain", &strain.name)]);
            if index < looks.own() {
                let aside = aside_d(panel, index, looks.own());
                strain.draw(panel, &looks.style(index), aside, &self.quantity)?;
            } else {
                strain.draw_line(panel, &looks.style(index))?;
            }
            panel.close();
        }
        let names: Vec<String> = self
            .strains
            .iter()
            .map(|s| format!("{} ({})", s.name, counted(s.birds, "bird")))
            .collect();
        let title = format!("{} by age", self.quantity.name);
        board.finish_sheet(&title, &format!("Strains: {}.", names.join(", ")))
    }

    fn plan(&self, size: Size) -> Plan {
        let places = || {
            self.strains
                .iter()
                .flat_map(|s| BandPoint::places(&s.points))
        };
        let (ages, values) = drawn_at(places());
        let y = Axis::new(self.quantity.words(), Scale::Number).hold(values);
        let y = if y.is_empty() { y } else { y.hold(self.goal) };
        let keys = self.strains.iter();
        let keys = legend::keys(keys.map(|s| (s.name.as_str(), s.birds, Sample::LineAndMarker)));
        let mut note = Vec::new();
        if !self.interval.is_empty() {
            note.push(format!("Bars: {}.", self.interval));
        }
        if self.goal.is_some() {
            note.push("Thin dashed: what is aimed at.".to_owned());
        }
        if self.strains.len() > 1 {
            note.push("Points of one age stand side by side.".to_owned());
        }
        note.push("n: birds.".to_owned());
        Plan {
            size,
            cells: vec![Cell {
                head: Head::default(),
                x: Axis::age(self.ages).hold(ages),
                y,
                places: places().collect(),
            }],
            columns: None,
            least_panel_mm: 32.0,
            sharing: Sharing::Common,
            keys,
            letter: self.letter,
            note,
        }
    }
}

impl StrainUniformity {
    /// The shares alone, of a strain among many.
    fn draw_line(&self, panel: &Panel, style: &Style) -> Result<()> {
        let line: Vec<(f64, f64)> = thinned(self.points.len(), MOST_VERTICES)
            .map(|i| (self.points[i].age_d, self.points[i].value))
            .collect();
        panel.line(
            &line,
            &Pen::solid(style.colour, FAINT_PT).opacity(GREY_OPACITY),
        )
    }

    fn draw(&self, panel: &Panel, style: &Style, aside: f64, quantity: &Quantity) -> Result<()> {
        let kept: Vec<BandPoint> = thinned(self.points.len(), MOST_VERTICES)
            .map(|i| self.points[i])
            .collect();
        let bar = Pen::solid(style.colour, 0.6).opacity(0.7);
        for p in &kept {
            let age_d = p.age_d + aside;
            panel.line(&[(age_d, p.lower), (age_d, p.upper)], &bar)?;
        }
        let line: Vec<(f64, f64)> = kept.iter().map(|p| (p.age_d + aside, p.value)).collect();
        let pen = Pen::solid(style.colour, CURVE_PT).dashed(style.dash);
        panel.line(&line, &pen)?;
        let dots: Vec<Dot> = kept
            .iter()
            .map(|p| Dot {
                place: (p.age_d + aside, p.value),
                title: format!(
                    "{}, {} d: {} {}",
                    self.name,
                    shown(p.age_d),
                    shown(p.value),
                    quantity.unit
                ),
            })
            .collect();
        let marks = Marks {
            shape: style.shape,
            radius_mm: 0.75,
            colour: style.colour,
            opacity: 1.0,
        };
        panel.dots(&dots, &marks)
    }
}
