//! What several figures draw: names, lines of birds, curves with a band.

pub use crate::age::AgeUnit;
use crate::figure::words::Words;

/// What is drawn against age, with its unit: "Body weight", "g".
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Quantity {
    /// Its name, as written on the axis.
    pub name: String,
    /// Its unit.
    pub unit: String,
}

impl Quantity {
    /// "Body weight (g)"; the unit `g/d` as "g d−1", the exponent raised.
    pub(crate) fn words(&self) -> Words {
        match self.unit.strip_suffix("/d") {
            _ if self.unit.is_empty() => Words::plain(&self.name),
            None => Words::plain(format!("{} ({})", self.name, self.unit)),
            Some(unit) => {
                let unit = if unit == "1" {
                    "d"
                } else {
                    &format!("{unit} d")
                };
                Words::plain(format!("{} ({unit}", self.name))
                    .raised("−1")
                    .then(")")
            }
        }
    }

    /// Whether it is a rate, whose axis has zero.
    pub(crate) fn is_rate(&self) -> bool {
        self.unit.ends_with("/d")
    }
}

/// One panel for all strains, or a panel each.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Layout {
    /// All in one panel, distinguished by colour, line and marker.
    #[default]
    Overlaid,
    /// A panel each, with common axes.
    Facets,
}

impl Layout {
    /// What reads well: up to four strains in one panel, more in a panel each.
    #[must_use]
    pub fn for_strains(strains: usize) -> Self {
        if strains <= 4 {
            Layout::Overlaid
        } else {
            Layout::Facets
        }
    }
}

/// What was observed on one bird.
#[derive(Debug, Clone, PartialEq)]
pub struct BirdLine {
    /// The bird.
    pub name: String,
    /// Ages in days and values; what is not finite is left out.
    pub points: Vec<(f64, f64)>,
}

/// One place on a curve, with the edges of its band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BandPoint {
    /// Age in days.
    pub age_d: f64,
    /// The curve.
    pub value: f64,
    /// Lower edge of the band; NaN where there is none.
    pub lower: f64,
    /// Upper edge of the band; NaN where there is none.
    pub upper: f64,
}

impl BandPoint {
    pub(crate) fn line(points: &[BandPoint]) -> Vec<(f64, f64)> {
        points.iter().map(|p| (p.age_d, p.value)).collect()
    }

    pub(crate) fn edges(points: &[BandPoint]) -> Vec<(f64, f64, f64)> {
        points.iter().map(|p| (p.age_d, p.lower, p.upper)).collect()
    }

    /// The curve and both edges, as places that a figure must show.
    pub(crate) fn places(points: &[BandPoint]) -> impl Iterator<Item = (f64, f64)> + '_ {
        points
            .iter()
            .flat_map(|p| [(p.age_d, p.value), (p.age_d, p.lower), (p.age_d, p.upper)])
    }
}

/// How far a fitted curve can be relied upon.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Standing {
    /// The fit converged and is supported by the data.
    #[default]
    Sound,
    /// It converged, but a term is not supported by the data: why.
    Weak(String),
    /// There is no curve: why.
    Failed(String),
}

impl Standing {
    /// The flag on a panel's head or in a legend.
    pub(crate) fn flag(&self) -> &'static str {
        match self {
            Standing::Sound => "",
            Standing::Weak(_) => "weak fit",
            Standing::Failed(_) => "no curve",
        }
    }

    /// The name in a legend, with the flag if there is one.
    pub(crate) fn label(&self, name: &str) -> String {
        match self.flag() {
            "" => name.to_owned(),
            flag => format!("{name}, {flag}"),
        }
    }

    /// What the flags of a figure mean, as a sentence of the note; none without a flag. The
    /// reasons are longer than a note: they are in the tables.
    pub(crate) fn sentence<'a>(mut all: impl Iterator<Item = &'a Standing>) -> Option<String> {
        all.any(|standing| *standing != Standing::Sound)
            .then(|| "Weak fit or no curve: the reasons are in curve_fits.csv.".to_owned())
    }
}

/// A count as a reader likes it: 1380 as "1380", 100000 as "100,000".
pub(crate) fn count(n: usize) -> String {
    let digits = n.to_string();
    if digits.len() < 5 {
        return digits;
    }
    let mut out = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// "1 bird", "20 birds".
pub(crate) fn counted(n: usize, noun: &str) -> String {
    let ending = if n == 1 { "" } else { "s" };
    format!("{} {noun}{ending}", count(n))
}

/// A value in the words of a pointer's label: four significant digits at most.
pub(crate) fn shown(value: f64) -> String {
    let decimals = match value.abs() {
        v if v >= 1000.0 => 0,
        v if v >= 100.0 => 1,
        v if v >= 10.0 => 2,
        _ => 3,
    };
    crate::figure::scene::trimmed(format!("{value:.decimals$}"))
}
