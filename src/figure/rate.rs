//! Rate of gain by age.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::{Board, Cell, Head, Plan, Sharing, on_one_sheet};
use crate::figure::growth::{curve_sentence, draw_curve};
use crate::figure::legend::{Key, Sample};
use crate::figure::paper::{FRAME_PT, GREY, Pen, REFERENCE_DASH, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::series::{AgeUnit, BandPoint, Layout, Quantity, Standing, count, counted};

/// How fast do the strains gain at each age: the slope of the fitted curves.
#[derive(Debug, Clone, Default)]
pub struct Rate {
    /// What was measured; the rate is in its unit a day.
    pub quantity: Quantity,
    /// Days or weeks on the axis; the rate stays a day's.
    pub ages: AgeUnit,
    /// One panel for all, or one each.
    pub layout: Layout,
    /// Name of the fitted curve, for the note.
    pub curve: String,
    /// What the band is, for the note.
    pub band: String,
    /// The strains, in the order of their colours.
    pub strains: Vec<StrainRate>,
    /// Panel letter, for a figure of several parts.
    pub letter: Option<char>,
}

/// One strain of [`Rate`].
#[derive(Debug, Clone, Default)]
pub struct StrainRate {
    /// The strain.
    pub name: String,
    /// Birds that the curve rests on.
    pub birds: usize,
    /// Rate at each age, ascending in age.
    pub rate: Vec<BandPoint>,
    /// How far the curve can be relied upon.
    pub standing: Standing,
}

impl Rate {
    /// Draws the figure on one sheet.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for the panels.
    pub fn draw(&self, size: Size) -> Result<Picture> {
        on_one_sheet(size, |size| self.pages(size))
    }

    /// Draws the figure on as many pages as its panels need, where the size allows pages
    /// ([`Size::in_pages`]); all have the same axes.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for one row of panels.
    pub fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let board = Board::lay(self.plan(size))?;
        for panel in &board.panels {
            if self.falls() && !panel.y.ticks.is_empty() {
                panel.level(0.0, &Pen::solid(GREY, FRAME_PT).dashed(REFERENCE_DASH))?;
            }
        }
        for (index, strain) in self.strains.iter().enumerate() {
            let (panel, style) = match self.layout {
                Layout::Overlaid => (&board.panels[0], Style::of(index)),
                Layout::Facets => (&board.panels[index], Style::of(index).whole_line()),
            };
            panel.open("strain", &[("strain", &strain.name)]);
            draw_curve(panel, &strain.rate, &style)?;
            panel.close();
        }
        let title = format!(
            "Rate of gain in {} by age of {}",
            self.quantity.name.to_lowercase(),
            counted(self.strains.len(), "strain")
        );
        let strains = self.strains.iter();
        let names: Vec<String> = strains
            .map(|s| format!("{} ({})", s.name, counted(s.birds, "bird")))
            .collect();
        Ok(board.finish(&title, &format!("Strains: {}.", names.join(", "))))
    }

    /// Whether any rate, or the edge of its band, is below zero.
    fn falls(&self) -> bool {
        let mut all = self.strains.iter().flat_map(|s| BandPoint::places(&s.rate));
        all.any(|(_, rate)| rate < 0.0)
    }

    fn plan(&self, size: Size) -> Plan {
        let all = self.strains.iter().flat_map(|s| BandPoint::places(&s.rate));
        let (ages, rates) = drawn_at(all);
        let x = Axis::age(self.ages).hold(ages);
        let y = Axis::new(self.quantity.per_day("Rate of gain"), Scale::Number).hold(rates);
        let y = if y.is_empty() { y } else { y.hold([0.0]) };
        let falls = self.falls();
        let cell = |strains: &[StrainRate], head: Head| Cell {
            head,
            x: x.clone(),
            y: y.clone(),
            places: strains
                .iter()
                .flat_map(|s| BandPoint::places(&s.rate))
                // The legend keeps clear of the zero line too.
                .flat_map(|(age_d, rate)| {
                    let zero = falls.then_some((age_d, 0.0));
                    std::iter::once((age_d, rate)).chain(zero)
                })
                .collect(),
        };
        let (cells, keys) = match self.layout {
            Layout::Overlaid => {
                let keys = self.strains.iter().enumerate().map(|(i, s)| Key {
                    name: s.standing.label(&s.name),
                    n: count(s.birds),
                    style: Style::of(i),
                    sample: Sample::Line,
                });
                (vec![cell(&self.strains, Head::default())], keys.collect())
            }
            Layout::Facets => {
                let cells = self.strains.iter().map(|s| {
                    let head = Head {
                        name: s.name.clone(),
                        n: count(s.birds),
                        flag: s.standing.flag().to_owned(),
                    };
                    cell(std::slice::from_ref(s), head)
                });
                (cells.collect(), Vec::new())
            }
        };
        let mut note: Vec<String> = Vec::new();
        let curve = match self.curve.as_str() {
            "" => String::new(),
            curve => format!("slope of {curve}"),
        };
        note.extend(curve_sentence(&curve, &self.band));
        note.push("n: birds.".to_owned());
        let standings = self.strains.iter();
        note.extend(standings.filter_map(|s| s.standing.sentence(&s.name)));
        Plan {
            size,
            cells,
            columns: None,
            least_panel_mm: 32.0,
            sharing: Sharing::Common,
            keys,
            letter: self.letter,
            note,
        }
    }
}
