//! Other invented laboratories: a second one with birds of one common and one further line,
//! and six with birds of one line. Their scanners make of each reading r of the first
//! constant + slope x r, which stands in the truth beside their pairs.

use std::fmt::Write as _;

use super::{Design, LINES, scans};

/// What the other scanner reads, of fat, lean and bone: constant in g, slope.
const OTHER: Readings = [(6.0, 1.0), (-9.0, 1.0), (0.0, 1.06)];
/// Constant in g and slope of fat, lean and bone.
type Readings = [(f64, f64); 3];
const TISSUES: [&str; 3] = ["fat", "lean", "bone"];
/// Six laboratories: the first is that of the demo, the second that of `second_laboratory/`.
const LABORATORIES: [(&str, Readings); 6] = [
    ("L1", [(0.0, 1.0), (0.0, 1.0), (0.0, 1.0)]),
    ("L2", OTHER),
    ("L3", [(-7.0, 1.05), (4.0, 0.99), (0.5, 0.97)]),
    ("L4", [(3.0, 0.94), (11.0, 1.0), (-0.6, 1.03)]),
    ("L5", [(-4.0, 0.98), (-6.0, 1.01), (0.3, 1.0)]),
    ("L6", [(9.0, 1.02), (2.0, 0.98), (-0.2, 0.95)]),
];
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

/// Birds of one line at each of the three ages, in each of the six laboratories.
const ONE_LINE: Design = Design {
    name: "one of six laboratories",
    lines: 1,
    ..DESIGN
};

const HEADER: &str = "bird,strain,age,restraint,feathers,part,basis,body_weight,fat_scan,lean_scan,bone_scan,fat_chem,lean_chem,bone_chem\n";

/// Pairs of scan and chemistry of the second laboratory, and the truth of its scanner.
pub(crate) fn tables() -> Vec<(&'static str, String)> {
    let scanned = scans::scan(&DESIGN, &[], 77);
    vec![
        (
            "pairs.csv",
            HEADER.to_owned() + &pairs(&scanned, "L", &OTHER),
        ),
        (
            "truth_scanner.csv",
            format!("reading,constant_g,slope\n{}", truth("", &OTHER)),
        ),
    ]
}

/// The same of six laboratories.
pub(crate) fn six() -> Vec<(&'static str, String)> {
    let mut all = format!("laboratory,{HEADER}");
    let mut scanners = "laboratory,reading,constant_g,slope\n".to_owned();
    for (place, (name, readings)) in (0..).zip(&LABORATORIES) {
        let scanned = scans::scan(&ONE_LINE, &[], 101 + place);
        for line in pairs(&scanned, name, readings).lines() {
            writeln!(all, "{name},{line}").expect("writing to a string");
        }
        scanners += &truth(&format!("{name},"), readings);
    }
    vec![("pairs.csv", all), ("truth_scanner.csv", scanners)]
}

fn pairs(scanned: &scans::Scanned, prefix: &str, readings: &Readings) -> String {
    let mut text = String::new();
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
            "{prefix}{},{strain},{},tube,intact,body,as-is,{:.0}",
            bird.name, scan[2], scan[11]
        )
        .expect("writing to a string");
        for (reading, (constant, slope)) in scan[8..11].iter().zip(readings) {
            write!(text, ",{:.2}", constant + slope * reading).expect("writing to a string");
        }
        for mass in chemistry {
            write!(text, ",{mass:.2}").expect("writing to a string");
        }
        text.push('\n');
    }
    text
}

fn truth(prefix: &str, readings: &Readings) -> String {
    let mut text = String::new();
    for (name, (constant, slope)) in TISSUES.iter().zip(readings) {
        writeln!(text, "{prefix}{name},{constant},{slope}").expect("writing to a string");
    }
    text
}
