//! The sheet: panels in rows, with axes, legend, letters and the note below; panels that
//! have no room on one sheet go on over pages, all on the same axes.

use crate::error::Result;
use crate::figure::axes::{Axis, drawable};
use crate::figure::backend::{SceneBackend, SharedScene};
use crate::figure::font::Cut;
use crate::figure::grid::{
    Axes, Cell, EDGE_MM, Grid, Head, LETTER_ASIDE_MM, NOTE_ROW_MM, Plan, Sharing, TICK_MM,
    WEEKS_MM, columns, count, most_note_lines,
};
use crate::figure::legend;
use crate::figure::panel::{Panel, Rect};
use crate::figure::paper::{
    Breaks, CAP_HEIGHT_EM, FRAME_PT, GREY, INK, LETTER_PT, MM_PER_PT, PANEL_LETTER_PT, Pen,
    SMALL_PT, Size, WARNING,
};
use crate::figure::picture::Picture;
use crate::figure::scene::{Anchor, Lettering, Scene, Turn};
use crate::figure::words::{Words, name_and_n, shorten, wrap};
use plotters::coord::Shift;
use plotters::drawing::{DrawingArea, IntoDrawingArea};
use std::cell::RefCell;
use std::rc::Rc;

/// The sheets with their panels ready to be drawn in.
pub(crate) struct Board {
    /// Panels of all pages, in the order of the cells.
    pub panels: Vec<Panel>,
    plan: Plan,
    pages: Vec<Page>,
}

/// One sheet.
struct Page {
    scene: SharedScene,
    grid: Grid,
    legend: Place,
    note: Vec<String>,
    /// Its first panel among those of all pages.
    first: usize,
}

/// Where the legend went.
enum Place {
    Nowhere,
    Inside((f64, f64)),
    Strip { left: f64, width: f64 },
}

impl Board {
    /// Lays out the sheet, or the sheets that the size allows.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where the size leaves no room for the panels.
    pub(crate) fn lay(mut plan: Plan) -> Result<Self> {
        if plan.cells.is_empty() {
            plan.cells.push(Cell {
                head: Head::default(),
                x: Axis::age(crate::figure::series::AgeUnit::Days),
                y: Axis::new(Words::default(), crate::figure::axes::Scale::Number),
                places: Vec::new(),
            });
        }
        if plan.cells.iter().all(|c| c.x.is_empty() || c.y.is_empty()) {
            // A note on points and bands would speak of what is not there.
            plan.note.clear();
            plan.keys.clear();
        }
        let columns = plan.columns.unwrap_or_else(|| {
            columns(plan.cells.len(), plan.size.width_mm(), plan.least_panel_mm)
        });
        plan.columns = Some(columns);
        let rows = plan.cells.len().div_ceil(columns);
        let mut on_page = match plan.size.breaks() {
            Breaks::Never | Breaks::WhereFull => rows,
            Breaks::AfterRows(most) => most.clamp(1, rows),
        };
        loop {
            match Self::pages(&plan, on_page * columns) {
                // The height was given: as many rows as it has room for.
                Err(_) if plan.size.breaks() == Breaks::WhereFull && on_page > 1 => on_page -= 1,
                laid => {
                    let (pages, panels) = laid?;
                    return Ok(Self {
                        panels,
                        plan,
                        pages,
                    });
                }
            }
        }
    }

    /// Pages of this number of panels each; the last may have fewer rows, and is lower.
    fn pages(plan: &Plan, on_page: usize) -> Result<(Vec<Page>, Vec<Panel>)> {
        let (mut pages, mut panels) = (Vec::new(), Vec::new());
        let mut height_mm = plan.size.height_mm();
        for (at, cells) in plan.cells.chunks(on_page).enumerate() {
            let first = at * on_page;
            if let Some(before) = pages.first() {
                let before: &Page = before;
                let rows = |cells: usize| cells.div_ceil(before.grid.columns);
                let missing = rows(on_page) - rows(cells.len());
                height_mm = plan.size.height_mm() - count(missing) * before.grid.row_mm;
            }
            let page = Plan {
                size: Size::new(plan.size.width_mm(), height_mm.max(40.0))?,
                cells: cells.to_vec(),
                ..plan.clone()
            };
            let (page, own) = Page::lay(&page, first)?;
            pages.push(page);
            panels.extend(own);
        }
        Ok((pages, panels))
    }

    /// Draws frames, letters, legend and note over what stands in the panels; a sheet a
    /// page.
    pub(crate) fn finish(self, title: &str, description: &str) -> Vec<Picture> {
        let description = match self.plan.note.join(" ").as_str() {
            "" => format!("{description} No data."),
            note => format!("{description} {note}"),
        };
        let several = self.pages.len();
        let pages = self.pages.iter().enumerate().map(|(at, page)| {
            let panels = &self.panels[page.first..page.first + page.grid.rects.len()];
            let title = if several > 1 {
                format!("{title}. Page {} of {several}", at + 1)
            } else {
                title.to_owned()
            };
            page.finish(&self.plan, panels);
            let scene = page.scene.borrow();
            Picture::new(&scene, title, description.trim().to_owned())
        });
        pages.collect()
    }
}

impl Page {
    /// The sheet of a plan whose cells are all of this page.
    fn lay(plan: &Plan, first: usize) -> Result<(Self, Vec<Panel>)> {
        let note = note_lines(plan);
        let (mut grid, mut axes) = Grid::lay(plan, note.len(), 0.0)?;
        let mut legend = Place::Nowhere;
        if !plan.keys.is_empty() {
            let corner = (plan.cells.len() == 1)
                .then(|| {
                    let places = on_sheet(&plan.cells[0].places, &grid.rects[0], &axes[0]);
                    legend::free_corner(&plan.keys, &grid.rects[0], &places)
                })
                .flatten();
            legend = match corner {
                Some(corner) => Place::Inside(corner),
                None => {
                    // In line with the frame if one row does, else from the edge.
                    let sheet = plan.size.width_mm();
                    let mut left = grid.rects[0].left;
                    let one_row = legend::strip_height(&plan.keys[..1], sheet);
                    if legend::strip_height(&plan.keys, sheet - left - EDGE_MM) > one_row {
                        left = EDGE_MM;
                    }
                    let width = sheet - left - EDGE_MM;
                    let height = legend::strip_height(&plan.keys, width);
                    (grid, axes) = Grid::lay(plan, note.len(), height)?;
                    Place::Strip { left, width }
                }
            };
        }
        let scene: SharedScene = Rc::new(RefCell::new(Scene::new(plan.size)));
        let (backend, dash) = SceneBackend::new(Rc::clone(&scene));
        let root: DrawingArea<SceneBackend, Shift> = backend.into_drawing_area();
        let panels = grid
            .rects
            .iter()
            .zip(axes)
            .map(|(rect, axes)| Panel::new(&root, &dash, &scene, *rect, axes))
            .collect();
        let page = Self {
            scene,
            grid,
            legend,
            note,
            first,
        };
        Ok((page, panels))
    }

    fn finish(&self, plan: &Plan, panels: &[Panel]) {
        let scene = &mut *self.scene.borrow_mut();
        for (index, panel) in panels.iter().enumerate() {
            scene.open("axes", &[]);
            self.frame(scene, plan, panels.len(), (index, panel));
            scene.close();
        }
        self.titles(scene, plan, panels);
        match self.legend {
            Place::Nowhere => {}
            Place::Inside(corner) => {
                legend::draw_column(scene, &plan.keys, corner, &self.grid.rects[0]);
            }
            Place::Strip { left, width } => {
                legend::draw_strip(scene, &plan.keys, (left, EDGE_MM), width);
            }
        }
        if self.note.is_empty() {
            return;
        }
        scene.open("note", &[]);
        let lines = self.note.iter().rev();
        let mut baseline = scene.size().height_mm() - EDGE_MM - 0.4;
        for line in lines {
            let lettering = set(SMALL_PT, GREY, Anchor::Start);
            scene.text((EDGE_MM, baseline), &Words::plain(line), &lettering);
            baseline -= NOTE_ROW_MM;
        }
        scene.close();
    }

    fn frame(
        &self,
        scene: &mut Scene,
        plan: &Plan,
        panels: usize,
        (index, panel): (usize, &Panel),
    ) {
        let rect = panel.rect;
        let pen = Pen::solid(INK, FRAME_PT);
        let sharing = plan.sharing;
        let empty = panel.x.ticks.is_empty() || panel.y.ticks.is_empty();
        if empty && sharing == Sharing::Matrix && index > 0 {
            return;
        }
        let corner = [
            (rect.left, rect.top),
            (rect.left, rect.bottom),
            (rect.right, rect.bottom),
        ];
        scene.path(&corner, &pen);
        if empty {
            let lettering = set(LETTER_PT, GREY, Anchor::Middle);
            scene.text(rect.middle(), &Words::plain("no data"), &lettering);
        }
        let own_x = matches!(sharing, Sharing::Own | Sharing::Rows);
        let own_y = sharing == Sharing::Own;
        let lowest = index + self.grid.columns >= panels;
        let leftmost = index.is_multiple_of(self.grid.columns);
        for tick in &panel.x.ticks {
            let x = panel.place((tick.at, panel.y.lo)).0;
            scene.path(&[(x, rect.bottom), (x, rect.bottom + TICK_MM)], &pen);
            if lowest || own_x {
                let baseline = rect.bottom + TICK_MM + 0.7 + cap(LETTER_PT);
                let lettering = set(LETTER_PT, INK, Anchor::Middle);
                scene.text((x, baseline), &tick.label, &lettering);
                if let Some(weeks) = &tick.weeks {
                    let lettering = set(SMALL_PT, GREY, Anchor::Middle);
                    scene.text((x, baseline + WEEKS_MM), weeks, &lettering);
                }
            }
        }
        for tick in &panel.y.ticks {
            let y = panel.place((panel.x.lo, tick.at)).1;
            scene.path(&[(rect.left - TICK_MM, y), (rect.left, y)], &pen);
            if leftmost || own_y {
                let x = rect.left - TICK_MM - 0.7;
                let lettering = set(LETTER_PT, INK, Anchor::End);
                scene.text((x, y + 0.5 * cap(LETTER_PT)), &tick.label, &lettering);
            }
        }
        self.head(scene, plan, index, rect);
    }

    fn head(&self, scene: &mut Scene, plan: &Plan, index: usize, rect: Rect) {
        let head = &plan.cells[self.first + index].head;
        let baseline = rect.top - 1.0;
        let flag = Words::plain(&head.flag);
        let room = rect.width() - flag.width_mm(SMALL_PT) - 0.8;
        if !head.name.is_empty() {
            let mut words = name_and_n(&head.name, &head.n, Cut::Bold, LETTER_PT, room);
            if !head.fact.is_empty() {
                let room = room - words.width_mm(LETTER_PT);
                let fact = shorten(&format!("  {}", head.fact), Cut::Regular, LETTER_PT, room);
                words = words.then(fact);
            }
            let lettering = set(LETTER_PT, INK, Anchor::Start);
            scene.text((rect.left, baseline), &words, &lettering);
        }
        let lettering = set(SMALL_PT, WARNING, Anchor::End);
        scene.text((rect.right, baseline), &flag, &lettering);
        let first = plan
            .letter
            .filter(|_| index == 0 || plan.sharing != Sharing::Matrix);
        let letter = first.and_then(|letter| letter_after(letter, self.first + index));
        if let Some(letter) = letter {
            let inner = plan.sharing != Sharing::Own && !index.is_multiple_of(self.grid.columns);
            let x = if inner {
                rect.left - LETTER_ASIDE_MM
            } else {
                rect.left - self.grid.left_mm + EDGE_MM
            };
            let lettering = set(PANEL_LETTER_PT, INK, Anchor::Start);
            scene.text((x, baseline), &Words::bold(letter), &lettering);
        }
    }

    fn titles(&self, scene: &mut Scene, plan: &Plan, panels: &[Panel]) {
        let whole = [(0, self.grid.whole())];
        let each: Vec<(usize, Rect)> = self.grid.rects.iter().copied().enumerate().collect();
        let (columns, n) = (self.grid.columns, each.len());
        let lowest: Vec<_> = each.iter().filter(|(i, _)| i + columns >= n).collect();
        let leftmost = each.iter().filter(|(i, _)| i.is_multiple_of(columns));
        let leftmost: Vec<_> = leftmost.collect();
        // A letter at the left of each row leaves no room for a title along all rows.
        let along = match plan.letter {
            Some(_) => leftmost.clone(),
            None => whole.iter().collect(),
        };
        let (across, up): (Vec<_>, Vec<_>) = match plan.sharing {
            Sharing::Own => (each.iter().collect(), each.iter().collect()),
            Sharing::Common => (whole.iter().collect(), along),
            Sharing::Rows => (each.iter().collect(), along),
            Sharing::Matrix => (lowest, leftmost),
        };
        let level = set(LETTER_PT, INK, Anchor::Middle);
        let turned = Lettering {
            turned: Turn::Up,
            ..level
        };
        for (index, rect) in across {
            let place = (rect.middle().0, rect.bottom + self.grid.below_mm - 0.9);
            scene.text(place, &panels[*index].x.title, &level);
        }
        for (index, rect) in up {
            let beside = rect.left - self.grid.left_mm + EDGE_MM + cap(LETTER_PT) + 0.3;
            let place = (beside, rect.middle().1);
            scene.text(place, &panels[*index].y.title, &turned);
        }
    }
}

/// The letter of a panel by its place after the first: after z come aa, ab and so on.
fn letter_after(first: char, steps: usize) -> Option<String> {
    let (start, letters) = match first {
        'a'..='z' => ('a', 26),
        'A'..='Z' => ('A', 26),
        _ => {
            return char::from_u32(u32::from(first) + u32::try_from(steps).ok()?).map(String::from);
        }
    };
    let at = u32::from(first) - u32::from(start) + u32::try_from(steps).ok()?;
    let letter = |at: u32| char::from_u32(u32::from(start) + at % letters);
    let last = letter(at)?;
    match at / letters {
        0 => Some(last.to_string()),
        round => Some(format!("{}{last}", letter(round - 1)?)),
    }
}

/// Height of a capital in mm.
fn cap(pt: f64) -> f64 {
    CAP_HEIGHT_EM * pt * MM_PER_PT
}

fn set(pt: f64, colour: crate::figure::paper::Colour, anchor: Anchor) -> Lettering {
    Lettering {
        pt,
        colour,
        anchor,
        turned: Turn::Level,
    }
}

fn note_lines(plan: &Plan) -> Vec<String> {
    let width = plan.size.width_mm() - 2.0 * EDGE_MM;
    let mut lines = wrap(&plan.note.join(" "), SMALL_PT, width);
    let most = most_note_lines(plan.size.width_mm());
    if lines.len() > most {
        lines.truncate(most);
        if let Some(last) = lines.last_mut() {
            last.push_str(" …");
        }
    }
    lines
}

fn on_sheet(places: &[(f64, f64)], rect: &Rect, (x, y): &Axes) -> Vec<(f64, f64)> {
    places
        .iter()
        .filter(|p| drawable(p.0) && drawable(p.1))
        .map(|p| {
            (
                rect.left + (p.0 - x.lo) / (x.hi - x.lo) * rect.width(),
                rect.bottom - (p.1 - y.lo) / (y.hi - y.lo) * rect.height(),
            )
        })
        .collect()
}
