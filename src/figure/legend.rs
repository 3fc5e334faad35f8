//! The key to colours and lines: inside the panel in the corner that covers
//! nothing, in a strip above it where no corner is free.

use crate::figure::font::Cut;
use crate::figure::panel::Rect;
use crate::figure::paper::{CAP_HEIGHT_EM, CURVE_PT, INK, LETTER_PT, Looks, MM_PER_PT, Pen, Style};
use crate::figure::scene::{Anchor, Lettering, Marks, Scene, Turn};
use crate::figure::series::count;
use crate::figure::words::{Words, name_and_n};

/// What stands for a group in the key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sample {
    Line,
    LineAndMarker,
    Marker,
    /// A filled rectangle, for stacked areas.
    Patch,
}

/// One entry.
#[derive(Debug, Clone)]
pub(crate) struct Key {
    pub name: String,
    pub n: String,
    pub style: Style,
    pub sample: Sample,
}

/// The key to groups in the order of their looks ([`Looks`]): name, n and sample of each;
/// those in grey have one entry together. A group of nothing only keeps its place.
pub(crate) fn keys<'a>(groups: impl Iterator<Item = (&'a str, usize, Sample)>) -> Vec<Key> {
    let groups: Vec<_> = groups.collect();
    let looks = Looks::of(groups.len());
    let (own, others) = groups.split_at(looks.own());
    let named = own.iter().enumerate().filter(|(_, (_, n, _))| *n > 0);
    let mut keys: Vec<Key> = named
        .map(|(index, (name, n, sample))| Key {
            name: (*name).to_owned(),
            n: count(*n),
            style: looks.style(index),
            sample: *sample,
        })
        .collect();
    let others: Vec<_> = others.iter().filter(|(_, n, _)| *n > 0).collect();
    if let Some((_, _, sample)) = others.first() {
        keys.push(Key {
            name: format!("{} others", others.len()),
            n: count(others.iter().map(|(_, n, _)| n).sum()),
            style: looks.style(looks.own()),
            sample: *sample,
        });
    }
    keys
}

/// Length of a line sample in mm.
const SAMPLE_MM: f64 = 7.6;
/// From sample to words.
const GAP_MM: f64 = 1.2;
/// From baseline to baseline.
pub(crate) const ROW_MM: f64 = 3.3;
/// Between the entries of a strip.
const BETWEEN_MM: f64 = 3.0;

impl Key {
    /// Its words, cut to the room there is.
    fn words(&self, room_mm: f64) -> Words {
        let room = room_mm - SAMPLE_MM - GAP_MM;
        name_and_n(&self.name, &self.n, Cut::Regular, LETTER_PT, room)
    }

    fn width(&self, room_mm: f64) -> f64 {
        SAMPLE_MM + GAP_MM + self.words(room_mm).width_mm(LETTER_PT)
    }

    fn draw(&self, scene: &mut Scene, x: f64, baseline: f64, room_mm: f64) {
        let middle = baseline - 0.5 * CAP_HEIGHT_EM * LETTER_PT * MM_PER_PT;
        scene.open("key", &[("name", &self.name)]);
        scene.title(&self.name);
        if self.sample == Sample::Patch {
            let (top, bottom) = (middle - 0.9, middle + 0.9);
            let right = x + SAMPLE_MM;
            let outline = [(x, top), (right, top), (right, bottom), (x, bottom)];
            scene.area(&outline, self.style.colour, 1.0);
        }
        if matches!(self.sample, Sample::Line | Sample::LineAndMarker) {
            let pen = Pen::solid(self.style.colour, CURVE_PT).dashed(self.style.dash);
            scene.path(&[(x, middle), (x + SAMPLE_MM, middle)], &pen);
        }
        if matches!(self.sample, Sample::Marker | Sample::LineAndMarker) {
            let marks = Marks {
                shape: self.style.shape,
                radius_mm: 0.8,
                colour: self.style.colour,
                opacity: 1.0,
            };
            scene.open_marks(&marks);
            scene.mark((x + 0.5 * SAMPLE_MM, middle), &marks, "");
            scene.close();
        }
        let lettering = Lettering {
            pt: LETTER_PT,
            colour: INK,
            anchor: Anchor::Start,
            turned: Turn::Level,
        };
        let words = self.words(room_mm);
        scene.text((x + SAMPLE_MM + GAP_MM, baseline), &words, &lettering);
        scene.close();
    }
}

/// Where in the panel the key covers none of `places` (in mm), if anywhere: its
/// top left.
pub(crate) fn free_corner(keys: &[Key], rect: &Rect, places: &[(f64, f64)]) -> Option<(f64, f64)> {
    const CLEAR_MM: f64 = 1.5;
    let room = 0.62 * rect.width();
    let width = keys.iter().map(|key| key.width(room)).fold(0.0, f64::max);
    let rows: f64 = keys.iter().map(|_| ROW_MM).sum();
    if width > room || rows > 0.6 * rect.height() {
        return None;
    }
    let (left, right) = (rect.left + CLEAR_MM, rect.right - width - 0.5);
    let (top, bottom) = (rect.top, rect.bottom - rows - CLEAR_MM);
    [(left, top), (right, bottom), (right, top), (left, bottom)]
        .into_iter()
        .find(|&(x, y)| {
            places.iter().all(|p| {
                let beside = p.0 < x - CLEAR_MM || p.0 > x + width + CLEAR_MM;
                let off = p.1 < y - CLEAR_MM || p.1 > y + rows + CLEAR_MM;
                beside || off
            })
        })
}

/// Draws the key as a column from its top left.
pub(crate) fn draw_column(scene: &mut Scene, keys: &[Key], (x, y): (f64, f64), rect: &Rect) {
    let mut baseline = y + 0.78 * ROW_MM;
    for key in keys {
        key.draw(scene, x, baseline, 0.62 * rect.width());
        baseline += ROW_MM;
    }
}

/// The key as rows of a strip `width_mm` wide: x and row of each entry.
fn strip(keys: &[Key], width_mm: f64) -> Vec<(f64, f64)> {
    let (mut x, mut row) = (0.0, 0.0);
    let mut places = Vec::with_capacity(keys.len());
    for key in keys {
        let width = key.width(width_mm);
        if x > 0.0 && x + width > width_mm {
            x = 0.0;
            row += 1.0;
        }
        places.push((x, row));
        x += width + BETWEEN_MM;
    }
    places
}

/// Height of the strip in mm.
pub(crate) fn strip_height(keys: &[Key], width_mm: f64) -> f64 {
    strip(keys, width_mm)
        .last()
        .map_or(0.0, |&(_, row)| (row + 1.0) * ROW_MM + 0.8)
}

/// Draws the strip from its top left.
pub(crate) fn draw_strip(scene: &mut Scene, keys: &[Key], (x, y): (f64, f64), width_mm: f64) {
    for (key, (dx, row)) in keys.iter().zip(strip(keys, width_mm)) {
        let baseline = y + (row + 0.78) * ROW_MM;
        key.draw(scene, x + dx, baseline, width_mm);
    }
}
