//! What stands behind each figure, as text, and what must hold for every picture.
//!
//! With `PINFEATHER_PICTURES=DIR` set, the test `pictures_for_the_eye` also
//! writes SVG and PNG files there to be looked at.

use crate::invented::{Flock, contrasts, lay, scans};
use pinfeather::figure::*;
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
    weak.frame.ages = AgeUnit::Weeks;
    weak.frame.letter = Some('b');
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
        ("empty-89", ByAge::default().draw(narrow)),
    ]
    .into_iter()
    .map(|(name, picture)| (name.to_owned(), picture.unwrap()))
    .collect::<Vec<_>>();
    for width_mm in [89.0, 182.0] {
        for (name, picture) in at_own_size(width_mm) {
            pictures.push((format!("{name}-{width_mm}"), picture));
        }
    }
    for (name, flock, page) in [
        ("birds-182", &flock, Size::PAGE),
        ("birds-89", &flock, size(89.0, 200.0)),
        ("birds-odd-89", &odd, size(89.0, 120.0)),
    ] {
        let pages = flock.birds().pages(page).unwrap();
        for (i, picture) in pages.into_iter().enumerate() {
            pictures.push((format!("{name}-{}", i + 1), picture));
        }
    }
    pictures
}

/// The figures with a preferred height, at a width.
fn at_own_size(width_mm: f64) -> Vec<(&'static str, Picture)> {
    /// Each figure at its preferred size.
    macro_rules! drawn {
        ($($name:literal: $figure:expr),+ $(,)?) => {
            vec![$({
                let figure = $figure;
                ($name, figure.draw(figure.size(width_mm).unwrap()).unwrap())
            }),+]
        };
    }
    drawn![
        "calibration": scans::calibration(),
        "bland-altman": scans::bland_altman(),
        "method-precision": scans::method_precision(),
        "feather-share": scans::feather_share(),
        "body-parts": scans::body_parts(),
        "residual-panels": scans::residual_panels(),
        "forest": contrasts::forest(),
        "difference-band": contrasts::difference_band(),
        "random-pairs": contrasts::random_pairs(),
        "profile": contrasts::profile(),
        "population": contrasts::population(),
        "forecast-fan": lay::forecast_fan(),
        "uniformity": lay::uniformity(),
        "lay-curve": lay::lay_curve(),
        "value-at-first-egg": lay::value_at_first_egg(),
        "predicted-observed": lay::predicted_observed(),
        "precision-by-birds": lay::precision_by_birds(),
        "precision-by-cost": lay::precision_by_cost(),
    ]
}

#[test]
fn pictures_for_the_eye() {
    let Some(folder) = std::env::var_os("PINFEATHER_PICTURES") else {
        return;
    };
    for (name, picture) in all_pictures() {
        let path = Path::new(&folder).join(name);
        std::fs::write(path.with_extension("svg"), picture.svg()).unwrap();
        std::fs::write(path.with_extension("png"), picture.png(300).unwrap()).unwrap();
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
        ("birds", Ok(birds.pages(size).unwrap().remove(0))),
        ("rate", small.rate(Layout::Overlaid).draw(size)),
        ("deviation", small.deviation(Layout::Overlaid).draw(size)),
        ("residuals", small.residuals().draw(size)),
        ("no_data", ByAge::default().draw(size)),
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
fn a_png_has_the_exact_pixels_and_states_its_resolution() {
    let picture = ByAge::default()
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
        let mut pixels = vec![0; reader.output_buffer_size()];
        reader.next_frame(&mut pixels).unwrap();
        assert_eq!(pixels[..3], [255, 255, 255], "the ground is white");
        assert!(pixels.iter().any(|&p| p < 64), "something is drawn");
    }
    for dpi in [0, 35, 2401, u32::MAX] {
        let message = picture.png(dpi).unwrap_err().to_string();
        assert!(message.contains("expected 36 to 2400 dpi"), "{message}");
    }
}

/// What follows each `key` in a PDF's text: a name, a list or a number.
fn after<'a>(text: &'a str, key: &str) -> Vec<&'a str> {
    text.split(key)
        .skip(1)
        .map(|rest| rest.trim_start().trim_start_matches(['/', '[']))
        .map(|rest| rest.split(['/', ']', '>', '\n']).next().unwrap_or_default())
        .collect()
}

#[test]
fn a_pdf_has_the_exact_page_and_its_fonts_in_it() {
    let size = Size::new(89.0, 60.0).unwrap();
    let picture = Flock::of(&["Line A"], 3)
        .growth(Layout::Facets)
        .draw(size)
        .unwrap();
    let bytes = picture.pdf().unwrap();
    assert!(bytes.starts_with(b"%PDF-"), "not a PDF");
    assert!(bytes == picture.pdf().unwrap(), "same picture, same bytes");
    let text = String::from_utf8_lossy(&bytes);
    let page = after(&text, "/MediaBox")[0];
    let corners: Vec<f64> = page
        .split_whitespace()
        .map(|number| number.parse().unwrap())
        .collect();
    // 89 mm x 72 / 25.4 = 252.283 pt, 60 mm = 170.079 pt; PDF numbers are f32.
    for (found, wanted) in corners.iter().zip([0.0, 0.0, 252.283_46, 170.078_74]) {
        assert!((found - wanted).abs() < 1e-3, "{page}");
    }
    assert_eq!(corners.len(), 4, "{page}");
    // Regular, bold (the panel's name) and italic (n), each with its font file.
    for cut in ["", "-Bold", "-Italic"] {
        let named = after(&text, "/FontName");
        let ending = format!("+LiberationSans{cut}");
        assert!(
            named.iter().any(|name| name.trim_end().ends_with(&ending)),
            "{cut}: {named:?}"
        );
    }
    assert_eq!(after(&text, "/FontFile2").len(), 3);
}

#[test]
fn a_tiff_has_the_exact_pixels_of_the_png_and_states_its_resolution() {
    use tiff::decoder::{Decoder, DecodingResult, ifd::Value};
    use tiff::tags::Tag;
    let picture = ByAge::default()
        .draw(Size::new(89.0, 60.0).unwrap())
        .unwrap();
    let bytes = picture.tiff(600).unwrap();
    let mut reader = Decoder::new(std::io::Cursor::new(&bytes)).unwrap();
    assert_eq!(reader.dimensions().unwrap(), (2102, 1417));
    for tag in [Tag::XResolution, Tag::YResolution] {
        assert_eq!(reader.get_tag(tag).unwrap(), Value::Rational(600, 1));
    }
    let unit = reader.get_tag_u32(Tag::ResolutionUnit).unwrap();
    let compression = reader.get_tag_u32(Tag::Compression).unwrap();
    assert_eq!((unit, compression), (2, 5), "inches, LZW");
    let DecodingResult::U8(dots) = reader.read_image().unwrap() else {
        panic!("not eight bits a colour");
    };
    assert!(dots == pixels(&picture.png(600).unwrap()), "as the PNG");
}

/// The RGB values of a PNG.
fn pixels(png: &[u8]) -> Vec<u8> {
    let mut reader = png::Decoder::new(std::io::Cursor::new(png))
        .read_info()
        .unwrap();
    let mut pixels = vec![0; reader.output_buffer_size()];
    reader.next_frame(&mut pixels).unwrap();
    pixels
}

#[test]
fn in_greys_there_is_no_colour_and_strains_stay_apart() {
    for (name, picture) in all_pictures() {
        let grey = picture.in_theme(Theme::Grayscale);
        for part in grey.svg().split("=\"#").skip(1) {
            let code = &part[..6];
            assert!(
                code[..2] == code[2..4] && code[2..4] == code[4..],
                "{name}: #{code}"
            );
        }
        assert_eq!(
            picture.in_theme(Theme::Plain).svg(),
            picture.svg(),
            "{name}"
        );
    }
    let overlaid = Flock::of(&["A", "B", "C", "D"], 4).growth(Layout::Overlaid);
    let picture = overlaid.draw(Size::SINGLE).unwrap();
    let grey = picture.in_theme(Theme::Grayscale);
    let mut looks: Vec<&str> = grey
        .svg()
        .split("<g class=\"key\"")
        .skip(1)
        .map(|key| {
            let stroke = key.split(" stroke=\"").nth(1).unwrap();
            stroke.split("/>").next().unwrap()
        })
        .collect();
    looks.sort_unstable();
    looks.dedup();
    assert_eq!(looks.len(), 4, "{looks:?}");
}

/// The pictures of some figures at 100 dpi, as kept in tests/pictures/. Written anew
/// with `PINFEATHER_KEEP_PICTURES=1`.
#[test]
fn pictures_are_those_that_were_looked_at() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/pictures");
    let kept = [
        "growth-89",
        "calibration-89",
        "bland-altman-89",
        "method-precision-89",
        "body-parts-89",
        "forest-89",
        "difference-band-89",
        "random-pairs-89",
        "profile-89",
        "population-89",
        "forecast-fan-89",
        "uniformity-89",
        "lay-curve-89",
        "value-at-first-egg-89",
        "precision-by-birds-89",
    ];
    for name in kept {
        let (_, picture) = all_pictures().iter().find(|p| p.0 == name).unwrap();
        let path = folder.join(name).with_extension("png");
        if std::env::var_os("PINFEATHER_KEEP_PICTURES").is_some() {
            std::fs::write(&path, picture.png(100).unwrap()).unwrap();
        }
        let (now, then) = (
            pixels(&picture.png(100).unwrap()),
            pixels(&std::fs::read(&path).unwrap()),
        );
        assert_alike(name, &now, &then);
    }
}

/// Draws by the program into a separate folder, which it returns.
fn draw(arguments: &[&str]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_pinfeather"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .arg("draw")
        .args(arguments)
        .arg("--out")
        .arg(folder.path())
        .output()
        .unwrap();
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{errors}");
    folder
}

#[test]
fn draw_gives_each_format_at_the_size_asked_for() {
    let table = tempfile::tempdir().unwrap();
    let path = table.path().join("weights.csv");
    let mut rows = "bird,strain,age,weight\n".to_owned();
    for bird in 1..=3 {
        for week in 0..=16 {
            let age_d = 7.0 * f64::from(week);
            let weight_g =
                1500.0 * (-(3.6 * (-age_d / 40.0).exp())).exp() * (1.0 + 0.03 * f64::from(bird));
            // A little scatter, or the fit has nothing to weigh.
            let weight_g = weight_g + 3.0 * f64::from((week * bird) % 5 - 2);
            rows += &format!("{bird},Line A,{age_d},{weight_g:.1}\n");
        }
    }
    std::fs::write(&path, rows).unwrap();
    let out = draw(&[
        path.to_str().unwrap(),
        "--bird=bird",
        "--age=age",
        "--value=weight",
        "--group=strain",
        "--curve=gompertz",
        "--width=140",
        "--height=80",
        "--format=svg,pdf,png,tiff,png",
        "--dpi=150",
        "--theme=grayscale",
        "--letters",
    ]);
    let read = |ending: &str| {
        let name = format!("figures/growth_body_weight.{ending}");
        std::fs::read(out.path().join(name)).unwrap()
    };
    let svg = String::from_utf8(read("svg")).unwrap();
    assert!(svg.contains("width=\"140mm\" height=\"80mm\""), "{svg}");
    assert!(svg.contains("font-weight=\"bold\">a</tspan>"), "{svg}");
    assert!(!svg.contains("#0072B2"), "grey has no blue");
    // 140 / 25.4 x 150 = 826.8, 80 / 25.4 x 150 = 472.4.
    assert_eq!(pixels(&read("png")).len(), 827 * 472 * 3);
    let mut tiff = tiff::decoder::Decoder::new(std::io::Cursor::new(read("tiff"))).unwrap();
    assert_eq!(tiff.dimensions().unwrap(), (827, 472));
    assert!(read("pdf").starts_with(b"%PDF-"));
}

/// The dots of an SVG at 100 dpi.
fn rendered(svg: &str) -> Vec<u8> {
    let options = usvg::Options {
        font_family: "Liberation Sans".into(),
        fontdb: fonts(),
        ..usvg::Options::default()
    };
    let tree = usvg::Tree::from_str(svg, &options).unwrap();
    let scale = 100.0 / 96.0;
    let size = tree.size().to_int_size().scale_by(scale).unwrap();
    let mut dots = resvg::tiny_skia::Pixmap::new(size.width(), size.height()).unwrap();
    dots.fill(resvg::tiny_skia::Color::WHITE);
    let transform = resvg::tiny_skia::Transform::from_scale(scale, scale);
    resvg::render(&tree, transform, &mut dots.as_mut());
    dots.take()
}

#[test]
fn the_demos_figures_are_those_in_the_readme() {
    let out = draw(&["data-demo", "--format=svg"]);
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("figures");
    let mut compared = 0;
    for entry in std::fs::read_dir(kept).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|ending| ending != "svg") {
            continue;
        }
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let then = rendered(&std::fs::read_to_string(&path).unwrap());
        let now = std::fs::read_to_string(out.path().join("figures").join(&name)).unwrap();
        assert_alike(&name, &rendered(&now), &then);
        compared += 1;
    }
    assert!(compared >= 4, "only {compared} figures are kept");
}

/// Fails where two pictures differ by more than the shade of some rims.
fn assert_alike(name: &str, now: &[u8], then: &[u8]) {
    assert_eq!(now.len(), then.len(), "{name}: another size");
    let far = now
        .iter()
        .zip(then)
        .filter(|(a, b)| a.abs_diff(**b) > 48)
        .count();
    // Rounding elsewhere may shade the rim of a line otherwise; a moved line or
    // another word changes far more than one value in two thousand.
    assert!(
        far * 2000 <= now.len(),
        "{name}: {far} of {} values differ",
        now.len()
    );
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
        let strain = StrainByAge {
            name: "A".into(),
            birds: 1,
            lines: vec![line(points)],
            ..StrainByAge::default()
        };
        let figure = ByAge {
            strains: vec![strain],
            ..ByAge::default()
        };
        for layout in [Layout::Overlaid, Layout::Facets] {
            let picture = ByAge {
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
fn every_figure_without_data_states_so() {
    let pictures = [
        ByAge::default().draw(Size::SINGLE).unwrap(),
        BirdPanels::default().draw(Size::PAGE).unwrap(),
        Identity::default().draw(Size::SINGLE).unwrap(),
        BlandAltman::default().draw(Size::SINGLE).unwrap(),
        MethodPrecision::default().draw(Size::SINGLE).unwrap(),
        Forest::default().draw(Size::SINGLE).unwrap(),
        BodyParts::default().draw(Size::SINGLE).unwrap(),
        ResidualPanels::default().draw(Size::SINGLE).unwrap(),
        DifferenceBand::default().draw(Size::SINGLE).unwrap(),
        RandomPairs::default().draw(Size::SINGLE).unwrap(),
        Profile::default().draw(Size::SINGLE).unwrap(),
        ForecastFan::default().draw(Size::SINGLE).unwrap(),
        LayCurve::default().draw(Size::SINGLE).unwrap(),
        ValueAtFirstEgg::default().draw(Size::SINGLE).unwrap(),
        Precision::default().draw(Size::SINGLE).unwrap(),
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
fn a_hundred_thousand_birds_give_a_small_file_that_is_marked_as_a_sample() {
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
        (flock.residuals().draw(size).unwrap(), "points a sample"),
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
        .pages(Size::PAGE)
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
