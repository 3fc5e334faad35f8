//! What stands behind each figure, as text, and what must hold for every picture.
//!
//! With `PINFEATHER_PICTURES=DIR` set, the test `pictures_for_the_eye` also
//! writes SVG and PNG files there to be looked at.

mod invented;

use invented::Flock;
use pinfeather::figure::{
    AgeUnit, BirdLine, BirdPanels, Deviations, Growth, Layout, Picture, Rate, Residuals, Size,
    Standing, StrainGrowth,
};
use resvg::usvg;
use std::path::Path;
use std::sync::{Arc, OnceLock};

/// Each figure, wide and narrow, with usual and unusual input.
fn all_pictures() -> &'static [(String, Picture)] {
    static PICTURES: OnceLock<Vec<(String, Picture)>> = OnceLock::new();
    PICTURES.get_or_init(drawn)
}

fn drawn() -> Vec<(String, Picture)> {
    let flock = Flock::of(&["Line A", "Line B", "Line C"], 20);
    let single = Flock::of(&["Line A"], 8);
    let odd = Flock::of(
        &[
            "An invented line, selected for residual feed intake, generation 14",
            "<script>alert('x')</script>",
            "Hen 🐔 & Söhne, 鶏",
            "Line D",
            "Line E",
            "Line F",
            "Line G",
            "Line H",
        ],
        12,
    );
    let mut weak = flock.growth(Layout::Overlaid);
    weak.strains[1].standing = Standing::Weak("relative standard error of A2 is 0.81".into());
    weak.strains[2].standing = Standing::Failed("the last age lies before the inflection".into());
    weak.strains[2].curve.clear();
    weak.ages = AgeUnit::Weeks;
    weak.letter = Some('b');
    let (narrow, wide) = (Size::SINGLE, Size::DOUBLE);
    let size = |w, h| Size::new(w, h).unwrap();
    let (over, facets) = (Layout::Overlaid, Layout::Facets);
    let mut pictures = vec![
        ("growth-89", flock.growth(over).draw(narrow)),
        ("growth-182", flock.growth(over).draw(wide)),
        (
            "growth-facets-89",
            flock.growth(facets).draw(size(89.0, 95.0)),
        ),
        (
            "growth-facets-182",
            flock.growth(facets).draw(size(182.0, 75.0)),
        ),
        ("growth-single-89", single.growth(over).draw(narrow)),
        ("growth-odd-89", odd.growth(over).draw(size(89.0, 80.0))),
        (
            "growth-odd-facets-182",
            odd.growth(facets).draw(size(182.0, 120.0)),
        ),
        (
            "growth-odd-facets-89",
            odd.growth(facets).draw(size(89.0, 160.0)),
        ),
        ("growth-weak-140", weak.draw(Size::ONE_AND_A_HALF)),
        (
            "deviation-odd-89",
            odd.deviation(over).draw(size(89.0, 80.0)),
        ),
        ("rate-89", flock.rate(over).draw(narrow)),
        (
            "rate-facets-182",
            flock.rate(facets).draw(size(182.0, 70.0)),
        ),
        ("deviation-89", flock.deviation(over).draw(narrow)),
        (
            "deviation-facets-182",
            flock.deviation(facets).draw(size(182.0, 75.0)),
        ),
        ("deviation-182", flock.deviation(over).draw(wide)),
        ("residuals-89", flock.residuals().draw(size(89.0, 120.0))),
        ("residuals-182", flock.residuals().draw(size(182.0, 75.0))),
        ("empty-89", Growth::default().draw(narrow)),
    ]
    .into_iter()
    .map(|(name, picture)| (name.to_owned(), picture.unwrap()))
    .collect::<Vec<_>>();
    for (name, flock, page) in [
        ("birds-182", &flock, Size::PAGE),
        ("birds-89", &flock, size(89.0, 200.0)),
        ("birds-odd-89", &odd, size(89.0, 120.0)),
    ] {
        let pages = flock.birds().draw(page).unwrap();
        for (i, picture) in pages.into_iter().enumerate() {
            pictures.push((format!("{name}-{}", i + 1), picture));
        }
    }
    pictures
}

#[test]
fn pictures_for_the_eye() {
    let Some(folder) = std::env::var_os("PINFEATHER_PICTURES") else {
        return;
    };
    for (name, picture) in all_pictures() {
        let path = Path::new(&folder).join(name);
        picture.write_svg(&path.with_extension("svg")).unwrap();
        picture.write_png(&path.with_extension("png"), 300).unwrap();
    }
}

/// The picture as text, its numbers rounded to a tenth of a millimetre, so that
/// the last digit of a coordinate does not count.
fn rounded(svg: &str) -> String {
    let mut out = String::new();
    let mut rest = svg;
    while let Some(start) = rest.find(|c: char| c.is_ascii_digit()) {
        let (before, number) = rest.split_at(start);
        let end = number
            .find(|c: char| !(c.is_ascii_digit() || c == '.'))
            .unwrap_or(number.len());
        out.push_str(before);
        match number[..end].parse::<f64>() {
            Ok(value) if number[..end].contains('.') => out.push_str(&format!("{value:.1}")),
            _ => out.push_str(&number[..end]),
        }
        rest = &number[end..];
    }
    out + rest
}

#[test]
fn the_scene_behind_each_figure() {
    let small = Flock::every(&["Line A", "Line B"], 2, 8);
    let size = Size::new(89.0, 100.0).unwrap();
    let mut birds = small.birds();
    birds.birds[1].standing = Standing::Weak("relative standard error of A2 is 0.81".into());
    birds.birds[2].standing = Standing::Failed("the last age lies before the inflection".into());
    birds.birds[2].line.clear();
    for (name, picture) in [
        ("growth", small.growth(Layout::Overlaid).draw(size)),
        ("growth_facets", small.growth(Layout::Facets).draw(size)),
        ("birds", Ok(birds.draw(size).unwrap().remove(0))),
        ("rate", small.rate(Layout::Overlaid).draw(size)),
        ("deviation", small.deviation(Layout::Overlaid).draw(size)),
        ("residuals", small.residuals().draw(size)),
        ("no_data", Growth::default().draw(size)),
    ] {
        insta::assert_snapshot!(name, rounded(picture.unwrap().svg()));
    }
}

fn fonts() -> Arc<usvg::fontdb::Database> {
    let mut fonts = usvg::fontdb::Database::new();
    for cut in ["Regular", "Bold", "Italic"] {
        let file = format!("src/figure/fonts/LiberationSans-{cut}.ttf");
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(file);
        fonts.load_font_data(std::fs::read(path).unwrap());
    }
    Arc::new(fonts)
}

fn parsed(picture: &Picture) -> usvg::Tree {
    static FONTS: OnceLock<Arc<usvg::fontdb::Database>> = OnceLock::new();
    let options = usvg::Options {
        font_family: "Liberation Sans".into(),
        fontdb: Arc::clone(FONTS.get_or_init(fonts)),
        ..usvg::Options::default()
    };
    usvg::Tree::from_str(picture.svg(), &options).unwrap()
}

/// Every text in a picture and the box that it takes, in mm.
fn texts(group: &usvg::Group, out: &mut Vec<(String, usvg::Rect)>) {
    for node in group.children() {
        match node {
            usvg::Node::Group(group) => texts(group, out),
            usvg::Node::Text(text) => {
                let words = text.chunks().iter().map(|c| c.text()).collect();
                out.push((words, text.abs_bounding_box()));
            }
            _ => {}
        }
    }
}

#[test]
fn no_text_leaves_the_sheet_or_covers_another() {
    for (name, picture) in all_pictures() {
        let tree = parsed(picture);
        let mut boxes = Vec::new();
        texts(tree.root(), &mut boxes);
        assert!(!boxes.is_empty(), "{name}");
        for (i, (words, a)) in boxes.iter().enumerate() {
            let inside = a.left() >= 0.0
                && a.top() >= 0.0
                && a.right() <= tree.size().width()
                && a.bottom() <= tree.size().height();
            assert!(inside, "{name}: {words} leaves the sheet: {a:?}");
            for (other, b) in &boxes[..i] {
                // Boxes are as tall as the font's line, letters less: two px (half
                // a millimetre) of common height is air, not ink.
                let across = a.right().min(b.right()) - a.left().max(b.left());
                let down = a.bottom().min(b.bottom()) - a.top().max(b.top());
                assert!(
                    across <= 0.0 || down <= 2.0,
                    "{name}: {words:?} covers {other:?}: {a:?} {b:?}"
                );
            }
        }
    }
}

#[test]
fn letters_are_never_under_six_points_nor_lines_under_a_quarter() {
    for (name, picture) in all_pictures() {
        for (attribute, least_pt) in [("font-size", 6.0), ("stroke-width", 0.25)] {
            let marker = format!(" {attribute}=\"");
            for part in picture.svg().split(marker.as_str()).skip(1) {
                let mm: f64 = part.split('"').next().unwrap().parse().unwrap();
                // Three decimals of a millimetre are kept: 0.002 pt.
                assert!(
                    mm * 72.0 / 25.4 >= least_pt - 0.002,
                    "{name}: {attribute} {mm}"
                );
            }
        }
    }
}

#[test]
fn every_letter_of_ours_is_in_the_font() {
    for (name, picture) in all_pictures() {
        let missing = picture.missing_glyphs();
        if name.contains("birds-odd") {
            // Only some of the pages hold birds of that strain.
            assert!(
                missing.iter().all(|c| ['🐔', '鶏'].contains(c)),
                "{name}: {missing:?}"
            );
        } else if name.contains("odd") {
            assert_eq!(missing, ['🐔', '鶏'], "{name}");
        } else {
            assert!(missing.is_empty(), "{name}: {missing:?}");
        }
    }
}

#[test]
fn a_users_words_never_become_markup() {
    for (name, picture) in all_pictures() {
        assert!(!picture.svg().contains("<script"), "{name}");
        for word in ["NaN", "inf"] {
            assert!(
                !picture.svg().contains(&format!("{word} ")),
                "{name}: {word}"
            );
            assert!(
                !picture.svg().contains(&format!("\"{word}")),
                "{name}: {word}"
            );
        }
    }
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let flock = || Flock::of(&["Line A", "Line B"], 12).growth(Layout::Overlaid);
    let (first, second) = (
        flock().draw(Size::SINGLE).unwrap(),
        flock().draw(Size::SINGLE).unwrap(),
    );
    assert_eq!(first.svg(), second.svg());
    assert!(first.png(150).unwrap() == second.png(150).unwrap());
}

#[test]
fn a_png_has_the_exact_pixels_and_says_its_resolution() {
    let picture = Growth::default()
        .draw(Size::new(89.0, 60.0).unwrap())
        .unwrap();
    // 89 / 25.4 x 300 = 1051.2, 60 / 25.4 x 300 = 708.7; 300 / 0.0254 = 11811.0.
    for (dpi, width, height, per_metre) in [(300, 1051, 709, 11811), (600, 2102, 1417, 23622)] {
        let bytes = picture.png(dpi).unwrap();
        let mut reader = png::Decoder::new(std::io::Cursor::new(&bytes))
            .read_info()
            .unwrap();
        let info = reader.info();
        assert_eq!((info.width, info.height), (width, height));
        assert_eq!(info.color_type, png::ColorType::Rgb);
        assert_eq!(info.bit_depth, png::BitDepth::Eight);
        let dims = info.pixel_dims.unwrap();
        assert_eq!((dims.xppu, dims.yppu), (per_metre, per_metre));
        assert!(matches!(dims.unit, png::Unit::Meter));
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut pixels).unwrap();
        assert_eq!(pixels[..3], [255, 255, 255], "the ground is white");
        assert!(pixels.iter().any(|&p| p < 64), "something is drawn");
    }
    for dpi in [0, 35, 2401, u32::MAX] {
        let message = picture.png(dpi).unwrap_err().to_string();
        assert!(message.contains("expected 36 to 2400 dpi"), "{message}");
    }
}

#[test]
fn odd_numbers_are_drawn_or_left_out() {
    let line = |points: Vec<(f64, f64)>| BirdLine {
        name: "1".into(),
        points,
    };
    for (name, points, has_data) in [
        ("nothing", vec![], false),
        (
            "only NaN",
            vec![(f64::NAN, 1.0), (1.0, f64::INFINITY)],
            false,
        ),
        ("beyond any range", vec![(1e300, 1.0)], false),
        ("one point", vec![(7.0, 60.0)], true),
        ("all equal", vec![(7.0, 60.0); 5], true),
        ("zeros", vec![(0.0, 0.0), (1.0, 0.0)], true),
        ("huge range", vec![(0.0, -1e100), (1e6, 1e100)], true),
        (
            "a hole",
            vec![(0.0, 1.0), (1.0, f64::NAN), (2.0, 3.0)],
            true,
        ),
    ] {
        let strain = StrainGrowth {
            name: "A".into(),
            birds: 1,
            lines: vec![line(points)],
            ..StrainGrowth::default()
        };
        let figure = Growth {
            strains: vec![strain],
            ..Growth::default()
        };
        for layout in [Layout::Overlaid, Layout::Facets] {
            let picture = Growth {
                layout,
                ..figure.clone()
            }
            .draw(Size::SINGLE)
            .unwrap();
            assert_eq!(picture.svg().contains("no data"), !has_data, "{name}");
            assert!(!picture.svg().contains("NaN"), "{name}");
            assert_eq!(picture.svg().contains("<circle"), has_data, "{name}");
            parsed(&picture);
        }
    }
}

#[test]
fn every_figure_without_data_says_so() {
    let pictures = [
        Growth::default().draw(Size::SINGLE).unwrap(),
        Rate::default().draw(Size::SINGLE).unwrap(),
        Deviations::default().draw(Size::SINGLE).unwrap(),
        Residuals::default().draw(Size::ONE_AND_A_HALF).unwrap(),
        BirdPanels::default().draw(Size::PAGE).unwrap().remove(0),
    ];
    for picture in pictures {
        assert!(picture.svg().contains(">no data<"), "{}", picture.title());
        assert!(
            picture.description().contains("No data"),
            "{}",
            picture.title()
        );
    }
}

#[test]
fn a_hundred_thousand_birds_give_a_small_file_that_says_it_is_a_sample() {
    let flock = Flock::every(&["Line A", "Line B"], 50_000, 4);
    let size = Size::new(89.0, 120.0).unwrap();
    for (picture, of) in [
        (
            flock.growth(Layout::Overlaid).draw(size).unwrap(),
            "Of 100,000 birds a sample",
        ),
        (
            flock.deviation(Layout::Facets).draw(size).unwrap(),
            "Of 100,000 birds a sample",
        ),
        (flock.residuals().draw(size).unwrap(), "values a sample"),
    ] {
        assert!(
            picture.svg().len() < 1_000_000,
            "{} bytes",
            picture.svg().len()
        );
        assert!(
            picture.description().contains(of),
            "{}",
            picture.description()
        );
    }
    let pages = Flock::every(&["Line A"], 1000, 4)
        .birds()
        .draw(Size::PAGE)
        .unwrap();
    assert_eq!(pages.len(), 10);
    assert!(
        pages[0].description().contains("a sample of 300"),
        "{}",
        pages[0].description()
    );
}

#[test]
fn a_sheet_too_small_is_refused_with_what_to_do() {
    let message = Size::new(10.0, 60.0).unwrap_err().to_string();
    assert!(message.contains("figure width: 10 mm"), "{message}");
    let flock = Flock::every(&["A", "B", "C", "D", "E", "F", "G", "H"], 1, 1);
    let refused = flock.growth(Layout::Facets).draw(Size::SINGLE).unwrap_err();
    let message = refused.to_string();
    assert!(message.contains("no room for 8 panels"), "{message}");
    let height: f64 = message
        .split("at least ")
        .nth(1)
        .and_then(|rest| rest.split(' ').next())
        .and_then(|mm| mm.parse().ok())
        .unwrap();
    let advised = Size::new(89.0, height).unwrap();
    assert!(flock.growth(Layout::Facets).draw(advised).is_ok());
    let roomy = Size::for_panels(89.0, 8).unwrap();
    assert!(flock.growth(Layout::for_strains(8)).draw(roomy).is_ok());
}
