//! When do pens come into lay: production by age, the share in lay ahead of it, and the light.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawable};
use crate::figure::board::Board;
use crate::figure::frame::{Figure, Frame};
use crate::figure::grid::{Cell, Head, Plan, Sharing};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{CURVE_PT, FAINT_PT, GREY, INK, Pen, REFERENCE_DASH, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::points::Ranged;
use crate::figure::sample::{MOST_POINTS, spread};
use crate::figure::scene::Marks;
use crate::figure::series::{BirdLine, count};
use crate::figure::words::Words;

/// Hen-day production of each pen by age, its fitted curve and the share of hens in lay, a
/// panel a strain; under them the hours of light.
#[derive(Debug, Clone, Default)]
pub struct EggProduction {
    /// The strains.
    pub strains: Vec<StrainProduction>,
    /// Hours of light by age, a line for pens of one programme; may be empty.
    pub light: Vec<BirdLine>,
    /// Whose light each line is.
    pub light_of: Vec<String>,
    /// What the interval of the age at 50 % in lay is: "95 % interval".
    pub interval: String,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// One strain of [`EggProduction`].
#[derive(Debug, Clone, Default)]
pub struct StrainProduction {
    /// The strain.
    pub name: String,
    /// Its place among the strains of the study, which gives its colour.
    pub place: usize,
    /// Hen-day production of each pen, percent.
    pub pens: Vec<BirdLine>,
    /// Hen-day production by the model, percent by age.
    pub fitted: Vec<(f64, f64)>,
    /// Hens that have laid their first egg, percent by age.
    pub in_lay: Vec<(f64, f64)>,
    /// Age in days at 50 % in lay, with its interval; [`Ranged::NONE`] if not estimable.
    pub half_d: Ranged,
}

const LEAST_PANEL_MM: f64 = 32.0;

impl Figure for EggProduction {
    fn size(&self, width_mm: f64) -> Result<Size> {
        /// Height over width of a panel.
        const SHAPE: f64 = 0.38;
        let rows = self.strains.len() + usize::from(!self.light.is_empty());
        let size = Size::for_panels(width_mm, 1)?;
        Ok(size.at_least(width_mm * SHAPE * rows as f64 + 12.0))
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let board = Board::lay(self.plan(size))?;
        for (strain, panel) in self.strains.iter().zip(&board.panels) {
            panel.open("strain", &[("strain", &strain.name)]);
            self.draw(panel, strain)?;
            panel.close();
        }
        if let Some(panel) = board.panels.get(self.strains.len()) {
            panel.open("light", &[]);
            for (place, line) in self.light.iter().enumerate() {
                panel.title(&line.name);
                let dash = Style::of(place).dash;
                panel.line(&line.points, &Pen::solid(INK, CURVE_PT).dashed(dash))?;
            }
            panel.close();
        }
        let named = self.strains.iter().map(|strain| {
            let half = match strain.half_d.value {
                half_d if half_d.is_finite() => {
                    format!("half in lay at {}", self.frame.ages.show(half_d.round()))
                }
                _ => "age at 50 % in lay not estimable".to_owned(),
            };
            let pens = self.frame.counted(strain.pens.len());
            format!("{} ({pens}, {half})", strain.name)
        });
        let named: Vec<String> = named.collect();
        let groups = format!("Groups: {}.", named.join(", "));
        Ok(board.finish("Hen-day production by age", &groups))
    }
}

/// What the first lines of a panel look like.
const LINES: [&str; 2] = ["solid", "dashed"];

impl EggProduction {
    fn draw(&self, panel: &Panel, strain: &StrainProduction) -> Result<()> {
        let style = Style::of(strain.place);
        let points: usize = strain.pens.iter().map(|pen| pen.points.len()).sum();
        let most = MOST_POINTS / self.strains.len().max(1);
        let marks = Marks {
            shape: style.shape,
            radius_mm: if points <= 300 { 0.5 } else { 0.3 },
            colour: style.colour,
            opacity: 0.45,
        };
        let all: Vec<(&str, (f64, f64))> = strain
            .pens
            .iter()
            .flat_map(|pen| pen.points.iter().map(|point| (&*pen.name, *point)))
            .collect();
        let dots: Vec<Dot> = spread(all.len(), most)
            .map(|index| Dot {
                place: all[index].1,
                title: match points <= 300 {
                    true => format!("pen {}", all[index].0),
                    false => String::new(),
                },
            })
            .collect();
        panel.dots(&dots, &marks)?;
        let dashed = Pen::solid(GREY, 0.8).dashed(REFERENCE_DASH);
        panel.line(&strain.in_lay, &dashed)?;
        panel.line(&strain.fitted, &Pen::solid(INK, CURVE_PT))?;
        if drawable(strain.half_d.value) {
            panel.level(50.0, &Pen::solid(GREY, FAINT_PT))?;
            let ends = [(strain.half_d.lower, 50.0), (strain.half_d.upper, 50.0)];
            panel.line(&ends, &Pen::solid(style.colour, 0.8))?;
            let dot = Dot {
                place: (strain.half_d.value, 50.0),
                title: format!(
                    "{}: half in lay at {} d",
                    strain.name,
                    strain.half_d.words()
                ),
            };
            let marks = Marks {
                radius_mm: 0.85,
                opacity: 1.0,
                ..marks
            };
            panel.dots(&[dot], &marks)?;
        }
        Ok(())
    }

    fn plan(&self, size: Size) -> Plan {
        let ages = || {
            let strains = self.strains.iter();
            strains.flat_map(|strain| {
                let pens = strain.pens.iter().flat_map(|pen| &pen.points);
                let curves = strain.fitted.iter().chain(&strain.in_lay);
                pens.chain(curves).map(|(age_d, _)| *age_d)
            })
        };
        let x = || Axis::age(self.frame.ages).hold(ages());
        let percent = || Axis::new(Words::plain("Hen-day (%)"), Scale::Number).hold([0.0, 100.0]);
        let mut cells: Vec<Cell> = self
            .strains
            .iter()
            .map(|strain| Cell {
                head: Head {
                    name: strain.name.clone(),
                    n: count(strain.pens.len()),
                    ..Head::default()
                },
                x: x(),
                y: percent(),
                places: Vec::new(),
            })
            .collect();
        if !self.light.is_empty() {
            let hours = self.light.iter().flat_map(|line| &line.points);
            cells.push(Cell {
                head: Head {
                    name: "Light".to_owned(),
                    ..Head::default()
                },
                x: x(),
                y: Axis::new(Words::plain("Light (h)"), Scale::Number)
                    .hold(hours.map(|(_, hours)| *hours)),
                places: Vec::new(),
            });
        }
        let mut note = vec![
            "Points: pens. Solid: hen-day production by the model, mean of the pens; dashed: hens that have laid their first egg.".to_owned(),
        ];
        if self
            .strains
            .iter()
            .any(|strain| strain.half_d.value.is_finite())
        {
            note.push(format!("Markers: age at 50 % in lay, {}.", self.interval));
        }
        if (2..=LINES.len()).contains(&self.light_of.len()) {
            let named = LINES.iter().zip(&self.light_of);
            let named: Vec<String> = named
                .map(|(line, whose)| format!("{line} {whose}"))
                .collect();
            note.push(format!("Light: {}.", named.join("; ")));
        }
        note.push(self.frame.n());
        Plan {
            size,
            cells,
            columns: Some(1),
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Matrix,
            square: false,
            keys: Vec::new(),
            letter: self.frame.letter,
            note,
        }
    }
}
