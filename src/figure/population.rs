//! The population's curve with the curves of its birds.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::{Board, Cell, Head, Plan, Sharing, columns, on_one_sheet};
use crate::figure::growth::{BirdsDrawn, curve_sentence, draw_band, draw_faint};
use crate::figure::panel::Panel;
use crate::figure::paper::{CURVE_PT, INK, Pen, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::sample::{self, spread};
use crate::figure::series::{AgeUnit, BandPoint, BirdLine, Quantity, Standing, count, counted};

/// What is common to the birds of a strain and how far do they scatter about it:
/// the population curve of a mixed fit with its band, the curves of the birds
/// faint behind it, a panel a strain.
#[derive(Debug, Clone, Default)]
pub struct Population {
    /// What was measured.
    pub quantity: Quantity,
    /// Days or weeks on the axis.
    pub ages: AgeUnit,
    /// Name of the fitted curve, for the note.
    pub curve: String,
    /// What the band is, for the note: "95 % prediction band for a new bird".
    pub band: String,
    /// A panel a strain.
    pub strains: Vec<StrainCurves>,
    /// Letter of the figure.
    pub letter: Option<char>,
}

/// One strain of [`Population`].
#[derive(Debug, Clone, Default)]
pub struct StrainCurves {
    /// The strain.
    pub name: String,
    /// Birds that the curve rests on.
    pub birds: usize,
    /// The birds' fitted curves (conditional modes).
    pub bird_curves: Vec<BirdLine>,
    /// The population curve with its band, ascending in age.
    pub population: Vec<BandPoint>,
    /// How far it can be relied upon.
    pub standing: Standing,
}

const LEAST_PANEL_MM: f64 = 32.0;

impl Population {
    /// A size with room for its panels at this width.
    ///
    /// # Errors
    /// As [`Size::new`].
    pub fn size(&self, width_mm: f64) -> Result<Size> {
        let columns = columns(self.strains.len(), width_mm, LEAST_PANEL_MM);
        Size::of_rows(
            width_mm,
            (24.0, 46.0),
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
        let birds = BirdsDrawn::of(self.strains.iter().map(|s| s.bird_curves.len()));
        let board = Board::lay(self.plan(size, &birds))?;
        for (index, (panel, strain)) in board.panels.iter().zip(&self.strains).enumerate() {
            strain.draw(panel, &Style::of(index), &birds)?;
        }
        let names: Vec<String> = self
            .strains
            .iter()
            .map(|s| format!("{} ({})", s.name, counted(s.birds, "bird")))
            .collect();
        let title = format!("{} by age, population and birds", self.quantity.name);
        Ok(board.finish(&title, &format!("Strains: {}.", names.join(", "))))
    }

    fn plan(&self, size: Size, birds: &BirdsDrawn) -> Plan {
        let (ages, values) = drawn_at(self.strains.iter().flat_map(StrainCurves::places));
        let x = Axis::age(self.ages).hold(ages);
        let y = Axis::new(self.quantity.words(), Scale::Number).hold(values);
        let cells = self.strains.iter().map(|s| Cell {
            head: Head {
                name: s.name.clone(),
                n: count(s.birds),
                flag: s.standing.flag().to_owned(),
            },
            x: x.clone(),
            y: y.clone(),
            places: Vec::new(),
        });
        let mut note = vec!["Faint lines: curves of single birds.".to_owned()];
        note.extend(curve_sentence(&self.curve, &self.band));
        note.push("n: birds.".to_owned());
        note.extend(sample::sentence("birds", birds.drawn, birds.all));
        let standings = self.strains.iter();
        note.extend(standings.filter_map(|s| s.standing.sentence(&s.name)));
        Plan {
            size,
            cells: cells.collect(),
            columns: None,
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Common,
            keys: Vec::new(),
            letter: self.letter,
            note,
        }
    }
}

impl StrainCurves {
    fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let birds = self
            .bird_curves
            .iter()
            .flat_map(|l| l.points.iter().copied());
        birds.chain(BandPoint::places(&self.population))
    }

    fn draw(&self, panel: &Panel, style: &Style, birds: &BirdsDrawn) -> Result<()> {
        panel.open("strain", &[("strain", &self.name)]);
        draw_band(panel, &self.population, style.colour)?;
        let n = self.bird_curves.len();
        for index in spread(n, birds.share(n)) {
            let bird = &self.bird_curves[index];
            panel.open("bird", &[("bird", &bird.name)]);
            panel.title(&bird.name);
            draw_faint(panel, bird, style)?;
            panel.close();
        }
        panel.line(
            &BandPoint::line(&self.population),
            &Pen::solid(INK, CURVE_PT),
        )?;
        panel.close();
        Ok(())
    }
}
