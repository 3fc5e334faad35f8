//! A drawing in millimetres, as SVG text.
//!
//! The same calls give the same bytes. Numbers have at most three decimals (a
//! thousandth of a millimetre); every text is escaped. Coordinates that are not
//! finite are left out: a line breaks there.

use crate::figure::font::{self, Cut};
use crate::figure::paper::{Colour, MM_PER_PT, Pen, Shape, Size};
use crate::figure::words::{Words, printable, raised_pt};
use std::fmt::Write as _;

/// Where a text stands on its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

/// How a text is set.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lettering {
    pub pt: f64,
    pub colour: Colour,
    pub anchor: Anchor,
    pub turned: Turn,
}

/// Along which way a text runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Turn {
    Level,
    /// Upwards, as the title of a y axis.
    Up,
}

/// What a set of markers looks like.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Marks {
    pub shape: Shape,
    pub radius_mm: f64,
    pub colour: Colour,
    pub opacity: f64,
}

/// The drawing so far.
#[derive(Debug)]
pub(crate) struct Scene {
    size: Size,
    body: String,
    missing: Vec<char>,
}

impl Scene {
    pub(crate) fn new(size: Size) -> Self {
        Self {
            size,
            body: String::new(),
            missing: Vec::new(),
        }
    }

    pub(crate) fn size(&self) -> Size {
        self.size
    }

    /// A line through points.
    pub(crate) fn path(&mut self, points: &[(f64, f64)], pen: &Pen) {
        let d = path_data(points, 2);
        if d.is_empty() {
            return;
        }
        let _ = write!(self.body, "<path d=\"{d}\" fill=\"none\"");
        self.stroke(pen);
        self.body.push_str("/>\n");
    }

    /// A filled outline.
    pub(crate) fn area(&mut self, outline: &[(f64, f64)], colour: Colour, opacity: f64) {
        if outline.len() < 3
            || outline
                .iter()
                .any(|p| !(p.0.is_finite() && p.1.is_finite()))
        {
            return;
        }
        let d = path_data(outline, 3);
        let _ = write!(self.body, "<path d=\"{d}Z\" fill=\"{colour}\"");
        self.fraction("fill-opacity", opacity);
        self.body.push_str("/>\n");
    }

    /// Opens a group of markers that look alike.
    pub(crate) fn open_marks(&mut self, marks: &Marks) {
        let _ = write!(self.body, "<g class=\"points\" fill=\"{}\"", marks.colour);
        self.fraction("fill-opacity", marks.opacity);
        self.body.push_str(">\n");
    }

    /// One marker, with what a pointer on it shows.
    pub(crate) fn mark(&mut self, (x, y): (f64, f64), marks: &Marks, title: &str) {
        if !(x.is_finite() && y.is_finite()) {
            return;
        }
        let r = marks.radius_mm;
        let element = match marks.shape {
            Shape::Disc => {
                let _ = write!(
                    self.body,
                    "<circle cx=\"{}\" cy=\"{}\" r=\"{}\"",
                    number(x),
                    number(y),
                    number(r)
                );
                "circle"
            }
            Shape::Square => {
                // Sides and heights give each shape about the area of the disc.
                let h = 0.886 * r;
                self.shape(&[
                    (x - h, y - h),
                    (x + h, y - h),
                    (x + h, y + h),
                    (x - h, y + h),
                ])
            }
            Shape::Triangle => {
                let h = 1.347 * r;
                self.shape(&[
                    (x, y - 1.155 * h),
                    (x + h, y + 0.577 * h),
                    (x - h, y + 0.577 * h),
                ])
            }
            Shape::Diamond => {
                let h = 1.253 * r;
                self.shape(&[(x, y - h), (x + h, y), (x, y + h), (x - h, y)])
            }
        };
        if title.is_empty() {
            self.body.push_str("/>\n");
        } else {
            let _ = writeln!(self.body, "><title>{}</title></{element}>", escaped(title));
        }
    }

    fn shape(&mut self, corners: &[(f64, f64)]) -> &'static str {
        let _ = write!(self.body, "<path d=\"{}Z\"", path_data(corners, 3));
        "path"
    }

    /// A text whose baseline starts, centres or ends on a point.
    pub(crate) fn text(&mut self, (x, y): (f64, f64), words: &Words, lettering: &Lettering) {
        if words.is_empty() || !(x.is_finite() && y.is_finite()) {
            return;
        }
        let size = lettering.pt * MM_PER_PT;
        let (x, y) = (number(x), number(y));
        let _ = write!(
            self.body,
            "<text x=\"{x}\" y=\"{y}\" font-size=\"{}\" fill=\"{}\"",
            number(size),
            lettering.colour
        );
        match lettering.anchor {
            Anchor::Start => {}
            Anchor::Middle => self.body.push_str(" text-anchor=\"middle\""),
            Anchor::End => self.body.push_str(" text-anchor=\"end\""),
        }
        if lettering.turned == Turn::Up {
            let _ = write!(self.body, " transform=\"rotate(-90 {x} {y})\"");
        }
        self.body.push('>');
        self.runs(words, lettering.pt);
        self.body.push_str("</text>\n");
    }

    fn runs(&mut self, words: &Words, pt: f64) {
        let lift = 0.36 * pt * MM_PER_PT;
        let mut raised = false;
        for run in &words.0 {
            for character in run.text.chars() {
                if !font::has_glyph(character) && !self.missing.contains(&character) {
                    self.missing.push(character);
                }
            }
            let mut attributes = String::new();
            if run.raised != raised {
                let shift = if run.raised { -lift } else { lift };
                let _ = write!(attributes, " dy=\"{}\"", number(shift));
                raised = run.raised;
            }
            if run.raised {
                let size = number(raised_pt(pt) * MM_PER_PT);
                let _ = write!(attributes, " font-size=\"{size}\"");
            }
            match run.cut {
                Cut::Regular => {}
                Cut::Bold => attributes.push_str(" font-weight=\"bold\""),
                Cut::Italic => attributes.push_str(" font-style=\"italic\""),
            }
            let text = escaped(&run.text);
            if attributes.is_empty() {
                self.body.push_str(&text);
            } else {
                let _ = write!(self.body, "<tspan{attributes}>{text}</tspan>");
            }
        }
    }

    /// Opens a group: `class` and the names of the data attributes are ours,
    /// their values may be a user's.
    pub(crate) fn open(&mut self, class: &str, data: &[(&str, &str)]) {
        let _ = write!(self.body, "<g class=\"{class}\"");
        for (name, value) in data {
            let _ = write!(self.body, " data-{name}=\"{}\"", escaped(&printable(value)));
        }
        self.body.push_str(">\n");
    }

    /// Gives the open group a title, which a pointer on it shows.
    pub(crate) fn title(&mut self, words: &str) {
        let _ = writeln!(self.body, "<title>{}</title>", escaped(&printable(words)));
    }

    /// Closes the group opened last.
    pub(crate) fn close(&mut self) {
        self.body.push_str("</g>\n");
    }

    /// Characters in texts that the shipped font lacks, in order of appearance.
    pub(crate) fn missing(&self) -> &[char] {
        &self.missing
    }

    /// The whole drawing, with a title and a description for readers by ear.
    pub(crate) fn svg(&self, title: &str, description: &str) -> String {
        let (w, h) = (number(self.size.width_mm()), number(self.size.height_mm()));
        let (title, description) = (escaped(&printable(title)), escaped(&printable(description)));
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}mm\" height=\"{h}mm\" \
             viewBox=\"0 0 {w} {h}\" role=\"img\" aria-label=\"{title}\" \
             font-family=\"{}\">\n<title>{title}</title>\n<desc>{description}</desc>\n{}</svg>\n",
            font::FAMILY,
            self.body
        )
    }

    fn stroke(&mut self, pen: &Pen) {
        let width = number(pen.width_pt * MM_PER_PT);
        let _ = write!(
            self.body,
            " stroke=\"{}\" stroke-width=\"{width}\"",
            pen.colour
        );
        self.fraction("stroke-opacity", pen.opacity);
        if pen.dash.is_empty() {
            self.body.push_str(" stroke-linejoin=\"round\"");
        } else {
            let dash: Vec<String> = pen.dash.iter().map(|&mm| number(mm)).collect();
            let _ = write!(self.body, " stroke-dasharray=\"{}\"", dash.join(" "));
        }
    }

    fn fraction(&mut self, attribute: &str, value: f64) {
        if value < 1.0 {
            let _ = write!(self.body, " {attribute}=\"{}\"", number(value));
        }
    }
}

/// A coordinate with at most three decimals.
pub(crate) fn number(value: f64) -> String {
    trimmed(format!("{value:.3}"))
}

/// A number's text without needless zeros behind the point.
pub(crate) fn trimmed(mut text: String) -> String {
    if text.contains('.') {
        let kept = text.trim_end_matches('0').trim_end_matches('.').len();
        text.truncate(kept);
    }
    if text == "-0" {
        text.remove(0);
    }
    text
}

/// The d attribute of a path; stretches shorter than `least` points are left out.
fn path_data(points: &[(f64, f64)], least: usize) -> String {
    let mut d = String::new();
    for stretch in points.split(|p| !(p.0.is_finite() && p.1.is_finite())) {
        if stretch.len() < least {
            continue;
        }
        for (i, (x, y)) in stretch.iter().enumerate() {
            let letter = if i == 0 { 'M' } else { 'L' };
            let _ = write!(d, "{letter}{} {}", number(*x), number(*y));
        }
    }
    d
}

/// Words as text or attribute value of SVG or HTML.
pub(crate) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figure::paper::INK;

    #[test]
    fn numbers_are_cut_to_three_decimals() {
        for (value, text) in [
            (1.0, "1"),
            (-0.0001, "0"),
            (2.5, "2.5"),
            (100.0, "100"),
            (0.12345, "0.123"),
        ] {
            assert_eq!(number(value), text);
        }
    }

    #[test]
    fn a_line_breaks_where_a_coordinate_is_not_finite() {
        let points = [
            (0.0, 0.0),
            (1.0, 1.0),
            (f64::NAN, 2.0),
            (3.0, 3.0),
            (4.0, 4.0),
        ];
        assert_eq!(path_data(&points, 2), "M0 0L1 1M3 3L4 4");
        assert_eq!(path_data(&points[1..3], 2), "");
    }

    #[test]
    fn a_users_text_stays_text() {
        let mut scene = Scene::new(Size::SINGLE);
        scene.open("strain", &[("name", "\"><script>")]);
        let lettering = Lettering {
            pt: 7.0,
            colour: INK,
            anchor: Anchor::Start,
            turned: Turn::Level,
        };
        scene.text(
            (1.0, 1.0),
            &Words::plain("<script>alert('x')</script>"),
            &lettering,
        );
        scene.close();
        let svg = scene.svg("a & b", "\"c\"");
        assert!(!svg.contains("<script"), "{svg}");
        assert!(resvg::usvg::Tree::from_str(&svg, &resvg::usvg::Options::default()).is_ok());
    }
}
