//! A quantity against age: observed values, curves with their bands, targets.

use crate::error::Result;
use crate::figure::board::Board;
use crate::figure::frame::{Content, Figure, Frame, by_age};
use crate::figure::grid::Head;
use crate::figure::legend::{Key, Sample};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{
    BAND_OPACITY, CURVE_PT, Colour, FAINT_OPACITY, FAINT_PT, FRAME_PT, GREY, INK, Pen,
    REFERENCE_DASH, Size, Style,
};
use crate::figure::picture::Picture;
use crate::figure::sample::{self, MOST_LINES, MOST_POINTS, MOST_VERTICES, spread, thinned};
use crate::figure::scene::Marks;
use crate::figure::series::{BandPoint, BirdLine, Layout, Quantity, Standing, count, shown};

/// How does a quantity change with age: what was observed, curves (or means) with their
/// bands, and a target; all strains in one panel or a panel each.
///
/// # Example
/// ```
/// use pinfeather::figure::{BandPoint, BirdLine, ByAge, Figure, Quantity, Size, StrainByAge};
/// let figure = ByAge {
///     quantity: Quantity { name: "Body weight".into(), unit: "g".into() },
///     curve: "Gompertz".into(),
///     band: "95 % pointwise confidence band".into(),
///     strains: vec![StrainByAge {
///         name: "Line A".into(),
///         birds: 1,
///         lines: vec![BirdLine { name: "1".into(), points: vec![(0.0, 38.0), (7.0, 70.0)] }],
///         curve: vec![
///             BandPoint { age_d: 0.0, value: 37.0, lower: 35.0, upper: 39.0 },
///             BandPoint { age_d: 7.0, value: 71.0, lower: 68.0, upper: 74.0 },
///         ],
///         ..StrainByAge::default()
///     }],
///     ..ByAge::default()
/// };
/// let picture = figure.draw(Size::SINGLE)?;
/// assert!(picture.svg().contains("Body weight (g)"));
/// # Ok::<(), pinfeather::Error>(())
/// ```
#[derive(Debug, Clone, Default)]
pub struct ByAge {
    /// The figure's title; where empty, the quantity by age.
    pub title: String,
    /// What was measured; a unit such as `g/d` is written with an exponent.
    pub quantity: Quantity,
    /// One panel for all, or one each.
    pub layout: Layout,
    /// What the lines of single birds are.
    pub birds: Birds,
    /// What the curves are, for the note; `means at each age` for means.
    pub curve: String,
    /// What is shaded about them, for the note: "95 % pointwise confidence band".
    pub band: String,
    /// What the targets are, for the note: "target band".
    pub target: String,
    /// Whether the curves are means at ages, each with a marker.
    pub means: bool,
    /// The strains.
    pub strains: Vec<StrainByAge>,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// What the lines of single birds are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Birds {
    /// Values that were observed, each with a dot.
    #[default]
    Values,
    /// Faint lines alone, such as the birds' fitted curves.
    Lines,
}

/// One strain of [`ByAge`].
#[derive(Debug, Clone, Default)]
pub struct StrainByAge {
    /// The strain.
    pub name: String,
    /// Its place among the strains of the study, which gives its colour.
    pub place: usize,
    /// Birds that the curve rests on.
    pub birds: usize,
    /// Lines of single birds.
    pub lines: Vec<BirdLine>,
    /// The curve or the means, ascending in age; empty where there are none.
    pub curve: Vec<BandPoint>,
    /// What is aimed at, with the edges of its band; may be empty.
    pub target: Vec<BandPoint>,
    /// How far the curve can be relied upon.
    pub standing: Standing,
}

/// Up to this many values each gets a separate marker; above, they are drawn
/// as faint lines by bird with small dots.
const FEW_POINTS: usize = 300;
/// Bands of more strains in one panel would hide each other.
const MOST_BANDS: usize = 4;
const LEAST_PANEL_MM: f64 = 32.0;

impl Figure for ByAge {
    fn size(&self, width_mm: f64) -> Result<Size> {
        /// Height over width of a single panel.
        const SHAPE: f64 = 0.6;
        let panels = match self.layout {
            Layout::Overlaid => 1,
            Layout::Facets => self.strains.len(),
        };
        let size = Size::for_panels(width_mm, panels)?;
        Ok(match panels {
            1 => size.at_least(width_mm * SHAPE),
            _ => size,
        })
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let drawn = Drawn::of(self);
        let note = self.note(&drawn);
        let quantity = self.quantity.words();
        let plan = by_age(
            (size, LEAST_PANEL_MM),
            &self.frame,
            quantity,
            self.contents(),
            (self.has_zero(), self.keys(&drawn), note),
        );
        let board = Board::lay(plan)?;
        for (index, panel) in board.panels.iter().enumerate() {
            if !panel.y.ticks.is_empty() {
                self.draw_target(panel, self.members(index))?;
            }
        }
        type Draw = fn(&ByAge, &Panel, &StrainByAge, &Drawn) -> Result<()>;
        let layers: [Draw; 2] = [Self::draw_birds, Self::draw_curve];
        for draw in layers {
            for (index, strain) in self.strains.iter().enumerate().rev() {
                let panel = match self.layout {
                    Layout::Overlaid => &board.panels[0],
                    Layout::Facets => &board.panels[index],
                };
                panel.open("strain", &[("strain", &strain.name)]);
                draw(self, panel, strain, &drawn)?;
                panel.close();
            }
        }
        let title = match self.title.as_str() {
            "" => format!("{} by age", self.quantity.name),
            title => title.to_owned(),
        };
        let named = self.strains.iter().map(|s| (s.name.as_str(), s.birds));
        Ok(board.finish(&title, &self.frame.groups(named)))
    }
}

impl ByAge {
    /// The strains in a panel.
    fn members(&self, panel: usize) -> &[StrainByAge] {
        match self.layout {
            Layout::Overlaid => &self.strains,
            Layout::Facets => {
                let end = (panel + 1).min(self.strains.len());
                &self.strains[panel.min(end)..end]
            }
        }
    }

    /// What stands in each panel.
    fn contents(&self) -> Vec<Content> {
        let places = |strains: &[StrainByAge]| -> Vec<(f64, f64)> {
            strains.iter().flat_map(StrainByAge::places).collect()
        };
        match self.layout {
            Layout::Overlaid => vec![(Head::default(), places(&self.strains))],
            Layout::Facets => self
                .strains
                .iter()
                .map(|strain| {
                    let head = Head {
                        name: strain.name.clone(),
                        n: count(strain.birds),
                        flag: strain.standing.flag().to_owned(),
                        ..Head::default()
                    };
                    (head, places(std::slice::from_ref(strain)))
                })
                .collect(),
        }
    }

    /// Whether zero belongs on the axis: a rate has it, and what falls below it.
    fn has_zero(&self) -> bool {
        self.quantity.is_rate() || self.is_below_zero()
    }

    fn is_below_zero(&self) -> bool {
        let mut all = self.strains.iter().flat_map(StrainByAge::places);
        all.any(|(_, value)| value < 0.0)
    }

    fn keys(&self, drawn: &Drawn) -> Vec<Key> {
        if self.layout == Layout::Facets {
            return Vec::new();
        }
        let line = match (self.means, self.strains.iter().all(|s| s.curve.is_empty())) {
            (true, _) => Sample::LineAndMarker,
            (false, true) => Sample::Marker,
            (false, false) if drawn.few() && drawn.points > 0 => Sample::LineAndMarker,
            (false, false) => Sample::Line,
        };
        let strains = self.strains.iter().filter(|s| s.birds > 0);
        strains
            .map(|strain| Key {
                name: strain.standing.label(&strain.name),
                n: count(strain.birds),
                style: Style::of(strain.place),
                sample: line,
            })
            .collect()
    }

    fn style(&self, strain: &StrainByAge) -> Style {
        match self.layout {
            Layout::Overlaid => Style::of(strain.place),
            Layout::Facets => Style::of(strain.place).whole_line(),
        }
    }

    /// Targets under all else: a dashed line, its band grey.
    fn draw_target(&self, panel: &Panel, members: &[StrainByAge]) -> Result<()> {
        if self.is_below_zero() {
            panel.level(0.0, &Pen::solid(INK, FRAME_PT))?;
        }
        panel.open("target", &[]);
        let mut seen: Vec<&[BandPoint]> = Vec::new();
        for strain in members.iter().filter(|s| !s.target.is_empty()) {
            if seen.contains(&strain.target.as_slice()) {
                continue;
            }
            seen.push(&strain.target);
            draw_target(panel, &strain.target)?;
        }
        panel.close();
        Ok(())
    }

    fn draw_birds(&self, panel: &Panel, strain: &StrainByAge, drawn: &Drawn) -> Result<()> {
        let style = Style::of(strain.place);
        let n = strain.lines.len();
        for index in spread(n, drawn.birds.share(n)) {
            let bird = &strain.lines[index];
            panel.open("bird", &[("bird", &bird.name)]);
            if self.birds == Birds::Lines || !drawn.few() {
                panel.title(&bird.name);
                draw_faint(panel, bird, &style)?;
            }
            if self.birds == Birds::Values {
                let kept = thinned(bird.points.len(), drawn.points_of(bird.points.len()));
                let dots = kept.map(|i| {
                    let (age_d, value) = bird.points[i];
                    let title = if drawn.few() {
                        let age = self.frame.ages.show(age_d);
                        format!(
                            "{}, {age}: {} {}",
                            bird.name,
                            shown(value),
                            self.quantity.unit
                        )
                    } else {
                        String::new()
                    };
                    Dot {
                        place: (age_d, value),
                        title,
                    }
                });
                panel.dots(&dots.collect::<Vec<_>>(), &drawn.marks(&style))?;
            }
            panel.close();
        }
        Ok(())
    }

    /// In a separate panel a fitted curve is dark, so that it stands out from the birds;
    /// where strains share a panel it keeps their colour.
    fn draw_curve(&self, panel: &Panel, strain: &StrainByAge, _: &Drawn) -> Result<()> {
        let style = self.style(strain);
        let kept: Vec<BandPoint> = thinned(strain.curve.len(), MOST_VERTICES)
            .map(|i| strain.curve[i])
            .collect();
        if self.layout == Layout::Facets || self.strains.len() <= MOST_BANDS {
            draw_band(panel, &kept, style.colour)?;
        }
        let colour = match (self.layout, self.means) {
            (Layout::Facets, false) => INK,
            _ => style.colour,
        };
        let dash = match strain.standing {
            Standing::Weak(_) => WEAK_DASH,
            _ => style.dash,
        };
        let pen = Pen::solid(colour, CURVE_PT).dashed(dash);
        panel.line(&BandPoint::line(&kept), &pen)?;
        if !self.means {
            return Ok(());
        }
        let dots = kept.iter().map(|p| Dot {
            place: (p.age_d, p.value),
            title: format!(
                "{}, {}: {} {}",
                strain.name,
                self.frame.ages.show(p.age_d),
                shown(p.value),
                self.quantity.unit
            ),
        });
        let marks = Marks {
            shape: style.shape,
            radius_mm: 0.7,
            colour: style.colour,
            opacity: 1.0,
        };
        panel.dots(&dots.collect::<Vec<_>>(), &marks)
    }

    fn note(&self, drawn: &Drawn) -> Vec<String> {
        let singles = self.frame.subjects();
        let mut note = Vec::new();
        if drawn.birds.all > 0 {
            note.push(match (self.birds, drawn.few()) {
                (Birds::Values, true) => format!("Points: values of single {singles}."),
                (Birds::Values, false) => format!("Faint lines and dots: single {singles}."),
                (Birds::Lines, _) => format!("Faint lines: single {singles}."),
            });
        }
        note.extend(curve_sentence(&self.curve, &self.band, self.means));
        if !self.target.is_empty() && self.strains.iter().any(|s| !s.target.is_empty()) {
            note.push(format!("Dashed: {}.", self.target));
        }
        note.push(self.frame.n());
        note.extend(sample::sentence(
            &singles,
            drawn.birds.drawn,
            drawn.birds.all,
        ));
        note.extend(Standing::sentence(self.strains.iter().map(|s| &s.standing)));
        note
    }
}

/// Dashes of a curve that the data support weakly.
pub(crate) const WEAK_DASH: &[f64] = &[1.2, 0.9];

/// What the lines are and what is shaded about them, as a sentence of the note.
pub(crate) fn curve_sentence(curve: &str, band: &str, means: bool) -> Option<String> {
    let lines = if means { "Markers" } else { "Curves" };
    match (curve.is_empty(), band.is_empty()) {
        (true, true) => None,
        (false, true) => Some(format!("{lines}: {curve}.")),
        (true, false) => Some(format!("Shaded: {band}.")),
        (false, false) => Some(format!("{lines}: {curve}; shaded: {band}.")),
    }
}

impl StrainByAge {
    fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let observed = self.lines.iter().flat_map(|l| l.points.iter().copied());
        observed
            .chain(BandPoint::places(&self.curve))
            .chain(BandPoint::places(&self.target))
    }
}

/// What is aimed at: a dashed line over its grey band.
pub(crate) fn draw_target(panel: &Panel, target: &[BandPoint]) -> Result<()> {
    panel.band(&BandPoint::edges(target), GREY, 0.13)?;
    let pen = Pen::solid(GREY, 0.6).dashed(REFERENCE_DASH);
    panel.line(&BandPoint::line(target), &pen)?;
    let edge = |of: fn(&BandPoint) -> f64| -> Vec<(f64, f64)> {
        target.iter().map(|p| (p.age_d, of(p))).collect()
    };
    let thin = Pen::solid(GREY, 0.35);
    panel.line(&edge(|p| p.lower), &thin)?;
    panel.line(&edge(|p| p.upper), &thin)
}

/// A bird's own values as a faint line.
fn draw_faint(panel: &Panel, bird: &BirdLine, style: &Style) -> Result<()> {
    let points: Vec<(f64, f64)> = thinned(bird.points.len(), MOST_VERTICES)
        .map(|i| bird.points[i])
        .collect();
    let pen = Pen::solid(style.colour, FAINT_PT).opacity(FAINT_OPACITY);
    panel.line(&points, &pen)
}

/// A band, its edges drawn thin so that they show among the lines of birds.
fn draw_band(panel: &Panel, curve: &[BandPoint], colour: Colour) -> Result<()> {
    panel.band(&BandPoint::edges(curve), colour, BAND_OPACITY)?;
    let edge = Pen::solid(colour, 0.3).opacity(0.8);
    let lower: Vec<(f64, f64)> = curve.iter().map(|p| (p.age_d, p.lower)).collect();
    let upper: Vec<(f64, f64)> = curve.iter().map(|p| (p.age_d, p.upper)).collect();
    panel.line(&lower, &edge)?;
    panel.line(&upper, &edge)
}

/// How many birds get a separate line.
struct BirdsDrawn {
    all: usize,
    drawn: usize,
}

impl BirdsDrawn {
    /// From the number of birds in each strain.
    fn of(strains: impl Iterator<Item = usize> + Clone) -> Self {
        let mut birds = Self {
            all: strains.clone().sum(),
            drawn: 0,
        };
        birds.drawn = strains.map(|n| birds.share(n)).sum();
        birds
    }

    /// How many of a strain's birds are drawn.
    fn share(&self, birds: usize) -> usize {
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
    fn of(figure: &ByAge) -> Self {
        let lines = figure.strains.iter().flat_map(|s| &s.lines);
        Self {
            birds: BirdsDrawn::of(figure.strains.iter().map(|s| s.lines.len())),
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
}
