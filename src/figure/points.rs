//! Named points of strains, and a value with its interval: what the figures of
//! several panels have in common.

use crate::error::Result;
use crate::figure::frame::Frame;
use crate::figure::legend::{self, Key, Sample};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{Looks, Style};
use crate::figure::sample::spread;
use crate::figure::scene::Marks;
use crate::figure::series::shown;

/// A point with the name that a pointer on it shows, mostly a bird's.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct NamedPoint {
    /// The bird, carcass or row.
    pub name: String,
    /// Across; what is not finite is left out.
    pub x: f64,
    /// Up; what is not finite is left out.
    pub y: f64,
}

/// The points of one strain in one panel.
///
/// The panels of a figure may hold different strains: one name has one colour in
/// all of them, in the order in which the names first come; of more names than
/// [`crate::figure::MOST_COLOURED`] the first seven, and the others are grey.
#[derive(Debug, Clone, Default)]
pub struct StrainPoints {
    /// The strain.
    pub name: String,
    /// Birds that the points are from.
    pub birds: usize,
    /// Its points, or of very many a sample ([`StrainPoints::of`]).
    pub points: Vec<NamedPoint>,
    /// Points that a sample leaves out.
    pub left_out: usize,
}

/// A value with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ranged {
    /// The value; NaN where there is none.
    pub value: f64,
    /// Lower end of the interval; NaN where there is none.
    pub lower: f64,
    /// Upper end of the interval; NaN where there is none.
    pub upper: f64,
}

impl Ranged {
    /// No value.
    pub const NONE: Ranged = Ranged {
        value: f64::NAN,
        lower: f64::NAN,
        upper: f64::NAN,
    };

    /// The value and both ends.
    pub(crate) fn all(self) -> [f64; 3] {
        [self.value, self.lower, self.upper]
    }

    /// "12.3 (10.1 to 14.6)", or the value alone.
    pub(crate) fn words(self) -> String {
        if self.lower.is_finite() && self.upper.is_finite() {
            let (lower, upper) = (signed(self.lower), signed(self.upper));
            format!("{} ({lower} to {upper})", signed(self.value))
        } else {
            signed(self.value)
        }
    }
}

impl Default for Ranged {
    fn default() -> Self {
        Self::NONE
    }
}

/// A value for print, with a true minus.
pub(crate) fn signed(value: f64) -> String {
    shown(value).replace('-', "−")
}

impl StrainPoints {
    /// Of `count` points those that a panel has room for, spread over them.
    pub fn of(
        (name, birds): (String, usize),
        count: usize,
        point: impl FnMut(usize) -> NamedPoint,
    ) -> Self {
        let points: Vec<NamedPoint> = spread(count, MOST_IN_PANEL).map(point).collect();
        Self {
            name,
            birds,
            left_out: count - points.len(),
            points,
        }
    }

    /// Points, with those that are left out.
    fn count(&self) -> usize {
        self.points.len() + self.left_out
    }

    /// Its places in data units.
    pub(crate) fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.points.iter().map(|p| (p.x, p.y))
    }
}

/// The strains of all panels, each once, with the most birds that any panel has.
pub(crate) struct Strains<'a>(pub Vec<(&'a str, usize)>);

/// Markers in one panel.
const MOST_IN_PANEL: usize = 2000;

impl<'a> Strains<'a> {
    pub(crate) fn of(all: impl Iterator<Item = &'a StrainPoints>) -> Self {
        let mut strains: Vec<(&str, usize)> = Vec::new();
        for strain in all {
            match strains.iter_mut().find(|s| s.0 == strain.name) {
                Some(known) => known.1 = known.1.max(strain.birds),
                None => strains.push((&strain.name, strain.birds)),
            }
        }
        Self(strains)
    }

    fn looks(&self) -> Looks {
        Looks::of(self.0.len())
    }

    /// The look of a strain.
    pub(crate) fn style(&self, name: &str) -> Style {
        let known = self.0.iter().position(|s| s.0 == name);
        self.looks().style(known.unwrap_or(0))
    }

    /// The legend; a single strain without a name needs none, nor one without birds, which
    /// only keeps its place.
    pub(crate) fn keys(&self, sample: Sample) -> Vec<Key> {
        legend::keys(self.0.iter().map(|(name, birds)| {
            let birds = if name.is_empty() { 0 } else { *birds };
            (*name, birds, sample)
        }))
    }

    /// "Groups: Line A (20 birds), Line B (18 birds)."
    pub(crate) fn words(&self, frame: &Frame) -> String {
        frame.groups(self.0.iter().copied())
    }

    /// Draws the points of a panel; from very many a sample.
    pub(crate) fn draw(&self, panel: &Panel, strains: &[StrainPoints]) -> Result<()> {
        let n: usize = strains.iter().map(StrainPoints::count).sum();
        let most = n.min(MOST_IN_PANEL);
        // The strains of a panel in the order of all, grey ones below the others.
        let own = self.looks().own();
        let is_grey = |strain: &&StrainPoints| {
            let known = self.0.iter().position(|s| s.0 == strain.name);
            known.is_some_and(|at| at >= own)
        };
        let (grey, coloured): (Vec<_>, Vec<_>) = strains.iter().partition(is_grey);
        for strain in grey.into_iter().chain(coloured) {
            let kept = (strain.count() * most).div_ceil(n.max(1));
            let style = self.style(&strain.name);
            panel.open("strain", &[("strain", &strain.name)]);
            let dots: Vec<Dot> = spread(strain.points.len(), kept)
                .map(|i| &strain.points[i])
                .map(|p| Dot {
                    place: (p.x, p.y),
                    title: format!("{}: {}, {}", p.name, signed(p.x), signed(p.y)),
                })
                .collect();
            let marks = Marks {
                shape: style.shape,
                radius_mm: if most > 150 { 0.45 } else { 0.7 },
                colour: style.colour,
                opacity: if most > 150 { 0.45 } else { 0.75 },
            };
            panel.dots(&dots, &marks)?;
            panel.close();
        }
        Ok(())
    }

    /// The note's sentence, where any panel shows only a sample.
    pub(crate) fn sampled<'b>(panels: impl Iterator<Item = &'b [StrainPoints]>) -> Option<String> {
        let n = panels
            .map(|strains| strains.iter().map(StrainPoints::count).sum())
            .max()
            .unwrap_or(0);
        crate::figure::sample::sentence("points", n.min(MOST_IN_PANEL), n)
    }
}
