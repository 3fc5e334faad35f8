//! What stands behind each figure, as text, and what must hold for every picture.
//!
//! With `PINFEATHER_PICTURES=DIR` set, the test `pictures_for_the_eye` also
//! writes SVG and PNG files there to be looked at.

mod invented;

use invented::Flock;
use pinfeather::figure::{Layout, Picture, Size};

fn for_the_eye() -> Vec<(&'static str, Picture)> {
    let flock = Flock::of(&["Line A", "Line B", "Line C"], 20);
    let tall = Size::new(182.0, 75.0).unwrap();
    vec![
        (
            "growth-89",
            flock.growth(Layout::Overlaid).draw(Size::SINGLE).unwrap(),
        ),
        (
            "growth-182",
            flock.growth(Layout::Overlaid).draw(Size::DOUBLE).unwrap(),
        ),
        (
            "growth-facets-182",
            flock.growth(Layout::Facets).draw(tall).unwrap(),
        ),
    ]
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
