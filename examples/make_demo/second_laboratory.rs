//! A second invented laboratory: birds of one line in common and of one of its own, scanned by
//! another scanner and analysed. Its scanner makes of each reading r of the first
//! constant + slope x r, which stands in its truth.

use std::fmt::Write as _;

use super::{Design, LINES, scans};

/// What the other scanner reads, of fat, lean and bone: constant in g, slope.
const OTHER: [(&str, f64, f64); 3] = [("fat", 6.0, 1.0), ("lean", -9.0, 1.0), ("bone", 0.0, 1.06)];
/// The line that the first laboratory does not have: it grows as the first one's second.
const OWN_LINE: &str = "Dogwood";

/// Three birds of each of the two lines at each of three ages.
const DESIGN: Design = Design {
    name: "second laboratory",
    lines: 2,
    analysed: 3,
    analysed_at_d: &[35, 70, 119],
    ..Design::DEMO
};

/// Pairs of scan and chemistry, and the truth of the scanner.
pub(crate) fn tables() -> Vec<(&'static str, String)> {
    let scanned = scans::scan(&DESIGN, &[], 77);
    vec![
        ("pairs.csv", pairs(&scanned)),
        ("truth_scanner.csv", truth()),
    ]
}

fn pairs(scanned: &scans::Scanned) -> String {
    let mut text = "bird,strain,age,restraint,feathers,part,basis,body_weight,fat_scan,lean_scan,bone_scan,fat_chem,lean_chem,bone_chem\n".to_owned();
    for bird in &scanned.analysed {
        let row_of = |table: &str, is: &dyn Fn(&[&str]) -> bool| -> Vec<f64> {
            let mut rows = table
                .lines()
                .map(|line| line.split(',').collect::<Vec<_>>());
            let row = rows
                .find(|cells| is(cells))
                .expect("every bird was scanned and analysed");
            row.iter()
                .map(|cell| cell.parse().unwrap_or(f64::NAN))
                .collect()
        };
        let scan = row_of(&scanned.scans, &|cells| {
            cells[1] == bird.name && cells[7] == "intact"
        });
        let body = row_of(&scanned.chemistry, &|cells| {
            cells[0] == bird.name && cells[1] == "body"
        });
        let strain = match bird.line {
            0 => LINES[0].name,
            _ => OWN_LINE,
        };
        let (mass_g, part) = (body[2], |percent: f64| body[2] * percent / 100.0);
        let chemistry = [
            part(body[5]),
            mass_g - part(body[3]) + part(body[4]),
            part(body[6]),
        ];
        write!(
            text,
            "L{},{strain},{},tube,intact,body,as-is,{:.0}",
            bird.name, scan[2], scan[11]
        )
        .expect("writing to a string");
        for (reading, (_, constant, slope)) in scan[8..11].iter().zip(OTHER) {
            write!(text, ",{:.2}", constant + slope * reading).expect("writing to a string");
        }
        for mass in chemistry {
            write!(text, ",{mass:.2}").expect("writing to a string");
        }
        text.push('\n');
    }
    text
}

fn truth() -> String {
    let mut text = "reading,constant_g,slope\n".to_owned();
    for (name, constant, slope) in OTHER {
        writeln!(text, "{name},{constant},{slope}").expect("writing to a string");
    }
    text
}
