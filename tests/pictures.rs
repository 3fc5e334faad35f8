//! What stands behind each figure, as text, and what must hold for every picture.
//!
//! With `PINFEATHER_PICTURES=DIR` set, the test `pictures_for_the_eye` also
//! writes SVG and PNG files there to be looked at.

mod invented;

use invented::Flock;
use pinfeather::figure::{Growth, Layout, Picture, Size};

fn for_the_eye() -> Vec<(String, Picture)> {
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
    for (name, page) in [("birds-182", Size::PAGE), ("birds-89", size(89.0, 200.0))] {
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
    for (name, picture) in for_the_eye() {
        let path = std::path::Path::new(&folder).join(name);
        picture.write_svg(&path.with_extension("svg")).unwrap();
        picture.write_png(&path.with_extension("png"), 300).unwrap();
    }
}
