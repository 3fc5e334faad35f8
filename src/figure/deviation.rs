//! Deviation from the target trajectory.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::{Board, Cell, Head, Plan, Sharing, on_one_sheet};
use crate::figure::growth::{BirdsDrawn, draw_faint};
use crate::figure::legend::{Key, Sample};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{CURVE_PT, FRAME_PT, GREY, INK, Pen, REFERENCE_DASH, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::sample::{self, MOST_VERTICES, spread, thinned};
use crate::figure::scene::Marks;
use crate::figure::series::{AgeUnit, BandPoint, BirdLine, Layout, count, counted, shown};
use crate::figure::words::Words;

/// Are the strains on target: their deviation in percent of the target at each
/// age, with its interval, single birds behind, and the edges of the target band.
#[derive(Debug, Clone, Default)]
pub struct Deviations {
    /// Days or weeks on the axis.
    pub ages: AgeUnit,
    /// One panel for all, or one each.
    pub layout: Layout,
    /// What the points are, for the note: "strain means".
    pub points: String,
    /// What the bars are, for the note: "95 % confidence interval of the mean".
    pub interval: String,
    /// The strains, in the order of their colours.
    pub strains: Vec<StrainDeviation>,
    /// Panel letter, for a figure of several parts.
    pub letter: Option<char>,
}

/// One strain of [`Deviations`]; all values in percent of the target.
#[derive(Debug, Clone, Default)]
pub struct StrainDeviation {
    /// The strain.
    pub name: String,
    /// Birds that it rests on.
    pub birds: usize,
    /// The strain's deviation with its interval, ascending in age.
    pub mean: Vec<BandPoint>,
    /// Deviations of single birds; may be empty.
    pub lines: Vec<BirdLine>,
    /// Edges of the target band: age in days, lower and upper deviation; may be
    /// empty.
    pub band: Vec<(f64, f64, f64)>,
}

/// From strain to strain, where they share a panel and an age, and from the
/// first to the last: less than a week's width in a narrow figure.
const ASIDE_MM: f64 = 0.5;
const ALL_ASIDE_MM: f64 = 1.8;

impl Deviations {
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
        let birds = BirdsDrawn::of(self.strains.iter().map(|s| s.lines.len()));
        let board = Board::lay(self.plan(size, &birds))?;
        for (index, panel) in board.panels.iter().enumerate() {
            let (members, _) = self.members(index);
            self.draw_target(panel, members)?;
        }
        for (index, strain) in self.strains.iter().enumerate() {
            let panel = &board.panels[self.panel_of(index)];
            panel.open("strain", &[("strain", &strain.name)]);
            for i in spread(strain.lines.len(), birds.share(strain.lines.len())) {
                let bird = &strain.lines[i];
                panel.open("bird", &[("bird", &bird.name)]);
                panel.title(&bird.name);
                draw_faint(panel, bird, &Style::of(index))?;
                panel.close();
            }
            panel.close();
        }
        for (index, strain) in self.strains.iter().enumerate() {
            let panel = &board.panels[self.panel_of(index)];
            panel.open("strain", &[("strain", &strain.name)]);
            self.draw_mean(panel, index)?;
            panel.close();
        }
        let strains = self.strains.iter();
        let names: Vec<String> = strains
            .map(|s| format!("{} ({})", s.name, counted(s.birds, "bird")))
            .collect();
        let title = "Deviation from the target by age";
        Ok(board.finish(title, &format!("Strains: {}.", names.join(", "))))
    }

    fn panel_of(&self, strain: usize) -> usize {
        match self.layout {
            Layout::Overlaid => 0,
            Layout::Facets => strain,
        }
    }

    /// The strains in a panel, and the place of the first among all.
    fn members(&self, panel: usize) -> (&[StrainDeviation], usize) {
        match self.layout {
            Layout::Overlaid => (&self.strains, 0),
            Layout::Facets => {
                let end = (panel + 1).min(self.strains.len());
                (&self.strains[panel.min(end)..end], panel)
            }
        }
    }

    /// Zero line and edges of the band; where the strains of a panel share one
    /// band it is drawn once, in grey.
    fn draw_target(&self, panel: &Panel, members: &[StrainDeviation]) -> Result<()> {
        if panel.y.ticks.is_empty() {
            return Ok(());
        }
        panel.open("target", &[]);
        let same = members.windows(2).all(|pair| pair[0].band == pair[1].band);
        let shown = if same {
            &members[..members.len().min(1)]
        } else {
            members
        };
        for (index, strain) in shown.iter().enumerate() {
            let colour = if same { GREY } else { Style::of(index).colour };
            let pen = Pen::solid(colour, 0.6).dashed(REFERENCE_DASH);
            if same {
                panel.band(&strain.band, colour, 0.1)?;
            }
            let lower: Vec<(f64, f64)> = strain.band.iter().map(|e| (e.0, e.1)).collect();
            let upper: Vec<(f64, f64)> = strain.band.iter().map(|e| (e.0, e.2)).collect();
            panel.line(&lower, &pen)?;
            panel.line(&upper, &pen)?;
        }
        panel.level(0.0, &Pen::solid(INK, FRAME_PT))?;
        panel.close();
        Ok(())
    }

    fn draw_mean(&self, panel: &Panel, index: usize) -> Result<()> {
        let strain = &self.strains[index];
        let overlaid = self.layout == Layout::Overlaid;
        let style = if overlaid {
            Style::of(index)
        } else {
            Style::of(index).whole_line()
        };
        let aside = if overlaid {
            aside_d(panel, index, self.strains.len())
        } else {
            0.0
        };
        let kept: Vec<BandPoint> = thinned(strain.mean.len(), MOST_VERTICES)
            .map(|i| strain.mean[i])
            .map(|p| BandPoint {
                age_d: p.age_d + aside,
                ..p
            })
            .collect();
        let bar = Pen::solid(style.colour, 0.6).opacity(0.7);
        for p in &kept {
            panel.line(&[(p.age_d, p.lower), (p.age_d, p.upper)], &bar)?;
        }
        let line = Pen::solid(style.colour, CURVE_PT).dashed(style.dash);
        panel.line(&BandPoint::line(&kept), &line)?;
        let dots: Vec<Dot> = kept
            .iter()
            .map(|p| Dot {
                place: (p.age_d, p.value),
                title: format!(
                    "{}, {} d: {} %",
                    strain.name,
                    shown(p.age_d - aside),
                    shown(p.value)
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

    fn plan(&self, size: Size, birds: &BirdsDrawn) -> Plan {
        let all = self.strains.iter().flat_map(StrainDeviation::places);
        let (ages, values) = drawn_at(all);
        let x = Axis::age(self.ages).hold(ages);
        let title = Words::plain("Deviation from target (%)");
        let y = Axis::new(title, Scale::Number).hold(values);
        let y = if y.is_empty() { y } else { y.hold([0.0]) };
        let cell = |strains: &[StrainDeviation], head: Head| Cell {
            head,
            x: x.clone(),
            y: y.clone(),
            places: strains.iter().flat_map(StrainDeviation::places).collect(),
        };
        let (cells, keys) = match self.layout {
            Layout::Overlaid => {
                let keys = self.strains.iter().enumerate().map(|(i, s)| Key {
                    name: s.name.clone(),
                    n: count(s.birds),
                    style: Style::of(i),
                    sample: Sample::LineAndMarker,
                });
                (vec![cell(&self.strains, Head::default())], keys.collect())
            }
            Layout::Facets => {
                let cells = self.strains.iter().map(|s| {
                    let head = Head {
                        name: s.name.clone(),
                        n: count(s.birds),
                        flag: String::new(),
                    };
                    cell(std::slice::from_ref(s), head)
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
            note: self.note(birds),
        }
    }

    fn note(&self, birds: &BirdsDrawn) -> Vec<String> {
        let mut note = Vec::new();
        match (self.points.as_str(), self.interval.as_str()) {
            ("", "") => {}
            (points, "") => note.push(format!("Points: {points}.")),
            ("", interval) => note.push(format!("Bars: {interval}.")),
            (points, interval) => note.push(format!("Points: {points}; bars: {interval}.")),
        }
        if birds.drawn > 0 {
            note.push("Faint lines: single birds.".to_owned());
        }
        if self.strains.iter().any(|s| !s.band.is_empty()) {
            note.push("Dashed edges: target band.".to_owned());
        }
        if self.layout == Layout::Overlaid && self.strains.len() > 1 {
            note.push("Points of one age stand side by side.".to_owned());
        }
        note.push("n: birds.".to_owned());
        note.extend(sample::sentence("birds", birds.drawn, birds.all));
        note
    }
}

impl StrainDeviation {
    fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let observed = self.lines.iter().flat_map(|l| l.points.iter().copied());
        let edges = self.band.iter().flat_map(|e| [(e.0, e.1), (e.0, e.2)]);
        observed.chain(edges).chain(BandPoint::places(&self.mean))
    }
}

/// How far strain `index` of `n` stands aside of its age, in days, so that the bars
/// of strains at one age do not hide each other.
pub(crate) fn aside_d(panel: &Panel, index: usize, n: usize) -> f64 {
    let middle = 0.5 * (as_mm(n) - 1.0);
    let per_mm = (panel.x.hi - panel.x.lo) / panel.rect.width();
    let step = ASIDE_MM.min(ALL_ASIDE_MM / as_mm(n));
    (as_mm(index) - middle) * step * per_mm
}

fn as_mm(n: usize) -> f64 {
    n as f64
}
