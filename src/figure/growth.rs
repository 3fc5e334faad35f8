//! Observed values and fitted curves of strains.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::{Board, Cell, Head, Plan, Sharing, on_one_sheet};
use crate::figure::legend::{Key, Sample};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{
    BAND_OPACITY, CURVE_PT, Colour, FAINT_OPACITY, FAINT_PT, INK, Pen, Size, Style,
};
use crate::figure::picture::Picture;
use crate::figure::sample::{self, MOST_LINES, MOST_POINTS, MOST_VERTICES, spread, thinned};
use crate::figure::scene::Marks;
use crate::figure::series::{
    AgeUnit, BandPoint, BirdLine, Layout, Quantity, Standing, count, counted, shown,
};

/// How do the strains grow: observed values, fitted curves and their bands.
///
/// # Example
/// ```
/// use pinfeather::figure::{BandPoint, BirdLine, Growth, Quantity, Size, StrainGrowth};
/// let figure = Growth {
///     quantity: Quantity { name: "Body weight".into(), unit: "g".into() },
///     curve: "gompertz".into(),
///     band: "95 % pointwise confidence band".into(),
///     strains: vec![StrainGrowth {
///         name: "Line A".into(),
///         birds: 1,
///         lines: vec![BirdLine { name: "1".into(), points: vec![(0.0, 38.0), (7.0, 70.0)] }],
///         curve: vec![
///             BandPoint { age_d: 0.0, value: 37.0, lower: 35.0, upper: 39.0 },
///             BandPoint { age_d: 7.0, value: 71.0, lower: 68.0, upper: 74.0 },
///         ],
///         ..StrainGrowth::default()
///     }],
///     ..Growth::default()
/// };
/// let picture = figure.draw(Size::SINGLE)?;
/// assert!(picture.svg().contains("Body weight (g)"));
/// # Ok::<(), pinfeather::Error>(())
/// ```
#[derive(Debug, Clone, Default)]
pub struct Growth {
    /// What was measured.
    pub quantity: Quantity,
    /// Days or weeks on the axis.
    pub ages: AgeUnit,
    /// One panel for all, or one each.
    pub layout: Layout,
    /// Name of the fitted curve, for the note.
    pub curve: String,
    /// What the band is, for the note: "95 % pointwise confidence band".
    pub band: String,
    /// The strains, in the order of their colours.
    pub strains: Vec<StrainGrowth>,
    /// Panel letter, for a figure of several parts.
    pub letter: Option<char>,
}

/// One strain of [`Growth`].
#[derive(Debug, Clone, Default)]
pub struct StrainGrowth {
    /// The strain.
    pub name: String,
    /// Birds that the curve rests on.
    pub birds: usize,
    /// What was observed, by bird.
    pub lines: Vec<BirdLine>,
    /// The fitted curve, ascending in age; empty where there is none.
    pub curve: Vec<BandPoint>,
    /// How far it can be relied upon.
    pub standing: Standing,
}

/// Up to this many values each gets a marker of its own; above, they are drawn
/// as faint lines by bird with small dots.
const FEW_POINTS: usize = 300;

impl Growth {
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
        let drawn = Drawn::of(&self.strains);
        let board = Board::lay(self.plan(size, &drawn))?;
        for (index, strain) in self.strains.iter().enumerate() {
            let panel = &board.panels[self.panel_of(index)];
            open_strain(panel, strain);
            strain.draw_birds(panel, &Style::of(index), &drawn, &self.quantity)?;
            panel.close();
        }
        for (index, strain) in self.strains.iter().enumerate() {
            let panel = &board.panels[self.panel_of(index)];
            open_strain(panel, strain);
            self.draw_curve_of(panel, index)?;
            panel.close();
        }
        let title = format!(
            "{} by age of {}",
            self.quantity.name,
            counted(self.strains.len(), "strain")
        );
        Ok(board.finish(&title, &self.description()))
    }

    fn panel_of(&self, strain: usize) -> usize {
        match self.layout {
            Layout::Overlaid => 0,
            Layout::Facets => strain,
        }
    }

    /// In a panel of its own a strain's curve is dark, so that it stands out
    /// from the birds; where strains share a panel it keeps their colour.
    fn draw_curve_of(&self, panel: &Panel, index: usize) -> Result<()> {
        let (curve, style) = (&self.strains[index].curve, Style::of(index));
        match self.layout {
            Layout::Overlaid => draw_curve(panel, curve, &style),
            Layout::Facets => {
                draw_band(panel, curve, style.colour)?;
                panel.line(&BandPoint::line(curve), &Pen::solid(INK, CURVE_PT))
            }
        }
    }

    fn plan(&self, size: Size, drawn: &Drawn) -> Plan {
        let all = self.strains.iter().flat_map(StrainGrowth::places);
        let (ages, values) = drawn_at(all);
        let x = Axis::age(self.ages).hold(ages);
        let y = Axis::new(self.quantity.words(), Scale::Number).hold(values);
        let cell = |strains: &[StrainGrowth], head: Head| Cell {
            head,
            x: x.clone(),
            y: y.clone(),
            places: strains.iter().flat_map(StrainGrowth::places).collect(),
        };
        let (cells, keys) = match self.layout {
            Layout::Overlaid => {
                let keys = self.strains.iter().enumerate().map(|(i, strain)| Key {
                    name: strain.standing.label(&strain.name),
                    n: count(strain.birds),
                    style: Style::of(i),
                    sample: drawn.sample(),
                });
                (vec![cell(&self.strains, Head::default())], keys.collect())
            }
            Layout::Facets => {
                let cells = self.strains.iter().map(|strain| {
                    let head = Head {
                        name: strain.name.clone(),
                        n: count(strain.birds),
                        flag: strain.standing.flag().to_owned(),
                    };
                    cell(std::slice::from_ref(strain), head)
                });
                (cells.collect(), Vec::new())
            }
        };
        Plan {
            size,
            cells,
            columns: None,
            least_panel_mm: 32.0,
            sharing: Sharing::Common,
            keys,
            letter: self.letter,
            note: self.note(drawn),
        }
    }

    fn note(&self, drawn: &Drawn) -> Vec<String> {
        let mut note = Vec::new();
        if drawn.few() {
            note.push("Points: values of single birds.".to_owned());
        } else {
            note.push("Faint lines and dots: single birds.".to_owned());
        }
        note.extend(curve_sentence(&self.curve, &self.band));
        note.push("n: birds.".to_owned());
        note.extend(sample::sentence(
            "birds",
            drawn.birds.drawn,
            drawn.birds.all,
        ));
        let standings = self.strains.iter();
        note.extend(standings.filter_map(|s| s.standing.sentence(&s.name)));
        note
    }

    fn description(&self) -> String {
        let strains: Vec<String> = self
            .strains
            .iter()
            .map(|s| format!("{} ({})", s.name, counted(s.birds, "bird")))
            .collect();
        format!("Strains: {}.", strains.join(", "))
    }
}

/// "Lines: gompertz; shaded: 95 % pointwise confidence band."
pub(crate) fn curve_sentence(curve: &str, band: &str) -> Option<String> {
    match (curve.is_empty(), band.is_empty()) {
        (true, true) => None,
        (false, true) => Some(format!("Curves: {curve}.")),
        (true, false) => Some(format!("Shaded: {band}.")),
        (false, false) => Some(format!("Curves: {curve}; shaded: {band}.")),
    }
}

impl StrainGrowth {
    fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let observed = self.lines.iter().flat_map(|l| l.points.iter().copied());
        observed.chain(BandPoint::places(&self.curve))
    }

    fn draw_birds(
        &self,
        panel: &Panel,
        style: &Style,
        drawn: &Drawn,
        quantity: &Quantity,
    ) -> Result<()> {
        for index in spread(self.lines.len(), drawn.birds.share(self.lines.len())) {
            let bird = &self.lines[index];
            panel.open("bird", &[("bird", &bird.name)]);
            if !drawn.few() {
                panel.title(&bird.name);
                draw_faint(panel, bird, style)?;
            }
            let kept = thinned(bird.points.len(), drawn.points_of(bird.points.len()));
            let dots: Vec<Dot> = kept
                .map(|i| {
                    let (age_d, value) = bird.points[i];
                    let title = if drawn.few() {
                        let (age, value) = (shown(age_d), shown(value));
                        format!("{}, {age} d: {value} {}", bird.name, quantity.unit)
                    } else {
                        String::new()
                    };
                    Dot {
                        place: (age_d, value),
                        title,
                    }
                })
                .collect();
            panel.dots(&dots, &drawn.marks(style))?;
            panel.close();
        }
        Ok(())
    }
}

/// A bird's own values as a faint line.
pub(crate) fn draw_faint(panel: &Panel, bird: &BirdLine, style: &Style) -> Result<()> {
    let points: Vec<(f64, f64)> = thinned(bird.points.len(), MOST_VERTICES)
        .map(|i| bird.points[i])
        .collect();
    let pen = Pen::solid(style.colour, FAINT_PT).opacity(FAINT_OPACITY);
    panel.line(&points, &pen)
}

/// A curve over its band.
pub(crate) fn draw_curve(panel: &Panel, curve: &[BandPoint], style: &Style) -> Result<()> {
    draw_band(panel, curve, style.colour)?;
    let pen = Pen::solid(style.colour, CURVE_PT).dashed(style.dash);
    panel.line(&BandPoint::line(curve), &pen)
}

/// A band, its edges drawn thin so that they show among the lines of birds.
pub(crate) fn draw_band(panel: &Panel, curve: &[BandPoint], colour: Colour) -> Result<()> {
    panel.band(&BandPoint::edges(curve), colour, BAND_OPACITY)?;
    let edge = Pen::solid(colour, 0.3).opacity(0.8);
    let lower: Vec<(f64, f64)> = curve.iter().map(|p| (p.age_d, p.lower)).collect();
    let upper: Vec<(f64, f64)> = curve.iter().map(|p| (p.age_d, p.upper)).collect();
    panel.line(&lower, &edge)?;
    panel.line(&upper, &edge)
}

fn open_strain(panel: &Panel, strain: &StrainGrowth) {
    panel.open("strain", &[("strain", &strain.name)]);
}

/// How many birds get a line of their own.
pub(crate) struct BirdsDrawn {
    pub all: usize,
    pub drawn: usize,
}

impl BirdsDrawn {
    /// From the number of birds in each strain.
    pub(crate) fn of(strains: impl Iterator<Item = usize> + Clone) -> Self {
        let mut birds = Self {
            all: strains.clone().sum(),
            drawn: 0,
        };
        birds.drawn = strains.map(|n| birds.share(n)).sum();
        birds
    }

    /// How many of a strain's birds are drawn.
    pub(crate) fn share(&self, birds: usize) -> usize {
        if self.all <= MOST_LINES {
            birds
        } else {
            (birds * MOST_LINES).div_ceil(self.all)
        }
    }
}

/// How much of what was observed is drawn, and how.
struct Drawn {
    birds: BirdsDrawn,
    points: usize,
}

impl Drawn {
    fn of(strains: &[StrainGrowth]) -> Self {
        let lines = strains.iter().flat_map(|s| &s.lines);
        Self {
            birds: BirdsDrawn::of(strains.iter().map(|s| s.lines.len())),
            points: lines.map(|l| l.points.len()).sum(),
        }
    }

    fn few(&self) -> bool {
        self.points <= FEW_POINTS
    }

    /// How many of a bird's points get a dot.
    fn points_of(&self, points: usize) -> usize {
        let lines = self.birds.drawn.max(1);
        points.min((MOST_POINTS / lines).max(8))
    }

    fn marks(&self, style: &Style) -> Marks {
        if self.few() {
            Marks {
                shape: style.shape,
                radius_mm: 0.65,
                colour: style.colour,
                opacity: 0.6,
            }
        } else {
            Marks {
                shape: crate::figure::paper::Shape::Disc,
                radius_mm: 0.22,
                colour: style.colour,
                opacity: 0.35,
            }
        }
    }

    fn sample(&self) -> Sample {
        if self.few() {
            Sample::LineAndMarker
        } else {
            Sample::Line
        }
    }
}
