//! Who is scanned when, and what the invented scanner makes of a bird.
//!
//! A reading of a tissue x (fat, lean or bone) of a bird of weight W at age t is
//!
//! (1 + h) (c + s x + d + a t + f F) + W (u + e)
//!
//! c, s and a belong to the reading, d to reading and line, f to the feathers (F
//! of them, none on a plucked bird), h to the way of holding; u is the bird's on
//! that day (what it ate, how it lies), e new with each positioning.

use std::fmt::Write as _;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::body::{self, Makeup, Masses};
use super::{Bird, Design, LINES, bird, pens};

const SEED: u64 = 20_250_324;
/// All followed birds are scanned three times in both ways of holding.
const REPEATED_AT_D: u32 = 63;
/// Three followed birds of a line are scanned together.
const GROUPED_AT_D: [u32; 2] = [42, 84];
const GROUP: usize = 3;
/// Two followed birds of a line are also read by region.
const READ_BY_REGION_AT_D: u32 = 126;
const READ_BY_REGION: usize = 2;
/// Share of routine scans in which the bird moved, and what that does to a reading.
const MOVED: f64 = 0.05;
const MOVED_READS: [f64; 3] = [1.3, 0.93, 0.9];
/// Part of the bird lay outside the field: line, bird, age. Nobody marked it.
const CUT_OFF: [(usize, usize, u32); 3] = [(0, 3, 84), (1, 2, 105), (2, 4, 42)];
const CUT_OFF_READS: f64 = 0.8;
/// Share of laying birds with a shelled egg in the oviduct, what it weighs and adds.
const WITH_EGG: f64 = 0.6;
const EGG_G: f64 = 56.0;
const EGG_READS_G: [f64; 3] = [4.0, 43.0, 3.0];
/// SD of the scale beside the scanner, as a share of the weight.
const SCALE_SD: f64 = 0.003;
/// Share of each reading in legs and breast; the rest is the rest.
const REGIONS: [(&str, [f64; 3]); 2] =
    [("legs", [0.18, 0.27, 0.40]), ("breast", [0.14, 0.22, 0.12])];

/// How the scanner reads one tissue.
struct Reading {
    name: &'static str,
    constant_g: f64,
    slope: f64,
    line_g: [f64; 3],
    age_g_per_d: f64,
    feathers: f64,
    /// SD of the bird's day, as a share of its weight.
    day_sd: f64,
    digits: usize,
}

/// Feathers pass for fat, and fat for more than it is.
const READINGS: [Reading; 3] = [
    Reading {
        name: "fat",
        constant_g: 4.0,
        slope: 1.12,
        line_g: [0.0, 4.0, -3.0],
        age_g_per_d: 0.05,
        feathers: 0.45,
        day_sd: 0.002,
        digits: 1,
    },
    Reading {
        name: "lean",
        constant_g: 5.0,
        slope: 0.97,
        line_g: [0.0, -6.0, 4.0],
        age_g_per_d: -0.03,
        feathers: 0.30,
        day_sd: 0.004,
        digits: 1,
    },
    Reading {
        name: "bone",
        constant_g: 0.3,
        slope: 0.74,
        line_g: [0.0, 0.5, -0.4],
        age_g_per_d: 0.01,
        feathers: 0.01,
        day_sd: 0.000_2,
        digits: 2,
    },
];

/// A way of holding: SD of a positioning as a share of the weight, and the shift
/// of the whole reading as a share of it, for fat, lean and bone.
struct Restraint {
    name: &'static str,
    sd: [f64; 3],
    shift: [f64; 3],
}

const TUBE: Restraint = Restraint {
    name: "tube",
    sd: [0.003, 0.005, 0.000_3],
    shift: [0.0, 0.0, 0.0],
};
const SLING: Restraint = Restraint {
    name: "sling",
    sd: [0.006, 0.009, 0.000_5],
    shift: [0.0, -0.01, 0.0],
};
/// Several birds at once lie partly over each other.
const CRATE: Restraint = Restraint {
    name: "crate",
    sd: [0.005, 0.008, 0.000_5],
    shift: [0.04, -0.02, -0.03],
};

/// One row of the table, before the scan has a number.
struct Row {
    age_d: u32,
    /// Scans of one positioning share a number.
    positioning: usize,
    cells: String,
}

/// Birds that are taken for analysis: they follow the curves of their line, and
/// are weighed on their last day only, beside the scanner.
pub(crate) struct Scanned {
    pub(crate) analysed: Vec<Bird>,
    pub(crate) scans: String,
    pub(crate) chemistry: String,
    pub(crate) truth: String,
}

/// Scans the first of `birds` of each line, and further birds for analysis.
pub(crate) fn scan(design: &Design, birds: &[Bird], copy: u64) -> Scanned {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED + 1_000_003 * copy);
    let analysed = taken(&mut rng, (design, &pens(design, copy)));
    let mut session = Session {
        rng,
        rows: Vec::new(),
        positionings: 0,
    };
    let mut known: Vec<(&Bird, u32, Masses)> = Vec::new();
    for line in 0..design.lines {
        let followed: Vec<&Bird> = birds
            .iter()
            .filter(|bird| bird.line == line)
            .take(design.followed)
            .collect();
        session.follow(design, &followed, &mut known);
    }
    let mut analyses: Vec<(&str, Masses)> = Vec::new();
    for (i, bird) in analysed.iter().enumerate() {
        let ages_d = design.analysed_at_d;
        let age_d = ages_d[i / design.analysed % ages_d.len()];
        let masses = Masses::of(design, bird, Makeup::draw(&mut session.rng), age_d);
        session.intact_and_plucked(bird, age_d, &masses);
        analyses.push((&bird.name, masses));
        known.push((bird, age_d, masses));
    }
    let truth = body::truth_table(&known);
    let chemistry = body::chemistry_table(&mut session.rng, &analyses);
    Scanned {
        scans: session.table(),
        chemistry,
        truth,
        analysed,
    }
}

/// Birds numbered on from those of their line that are weighed.
fn taken(rng: &mut ChaCha8Rng, from: (&Design, &[f64])) -> Vec<Bird> {
    let (design, _) = from;
    let mut taken = Vec::new();
    for line in 0..design.lines {
        for i in 0..design.analysed * design.analysed_at_d.len() {
            taken.push(Bird {
                died_d: None,
                weighings: Vec::new(),
                ..bird(rng, from, line, design.birds_per_line + i)
            });
        }
    }
    taken
}

struct Session {
    rng: ChaCha8Rng,
    rows: Vec<Row>,
    positionings: usize,
}

/// A bird on the day of its scan.
struct Subject<'a> {
    bird: &'a Bird,
    age_d: u32,
    masses: Masses,
    /// What the day adds to each reading, as a share of the weight.
    day: [f64; 3],
    scale_g: f64,
    egg: bool,
}

impl Session {
    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.rng)
    }

    fn subject<'a>(&mut self, bird: &'a Bird, age_d: u32, masses: Masses) -> Subject<'a> {
        let day = READINGS
            .each_ref()
            .map(|reading| reading.day_sd * self.normal());
        let scale_g = masses.weight_g() * (1.0 + SCALE_SD * self.normal());
        Subject {
            bird,
            age_d,
            masses,
            day,
            scale_g,
            egg: false,
        }
    }

    /// The birds of one line that are scanned throughout.
    fn follow<'a>(
        &mut self,
        design: &Design,
        birds: &[&'a Bird],
        known: &mut Vec<(&'a Bird, u32, Masses)>,
    ) {
        let makeups: Vec<Makeup> = birds.iter().map(|_| Makeup::draw(&mut self.rng)).collect();
        for age_d in design.followed_at_d.iter().copied() {
            let mut present = Vec::new();
            for (i, (bird, makeup)) in birds.iter().zip(&makeups).enumerate() {
                if bird.died_d.is_some_and(|died_d| died_d <= age_d) {
                    continue;
                }
                let masses = Masses::of(design, bird, *makeup, age_d);
                known.push((bird, age_d, masses));
                let mut subject = self.subject(bird, age_d, masses);
                let laying = bird.first_egg_d <= f64::from(age_d);
                subject.egg = laying && self.rng.random_bool(WITH_EGG);
                subject.scale_g += if subject.egg { EGG_G } else { 0.0 };
                let by_region = age_d == READ_BY_REGION_AT_D && present.len() < READ_BY_REGION;
                let (read, quality) = self.routine(&subject, i);
                if by_region {
                    self.regions(&subject, read, quality);
                }
                present.push(subject);
            }
            if GROUPED_AT_D.contains(&age_d) {
                for group in present.chunks_exact(GROUP) {
                    self.together(group);
                }
            }
        }
    }

    /// The scan of the day, which is returned, and its repeats where it is their day.
    fn routine(&mut self, subject: &Subject<'_>, i: usize) -> ([f64; 3], &'static str) {
        let cut_off = CUT_OFF.contains(&(subject.bird.line, i, subject.age_d));
        let repeated = subject.age_d == REPEATED_AT_D;
        let moved = self.rng.random_bool(MOVED) && !repeated && !cut_off;
        let mut read = self.read(subject, &TUBE, true);
        let mut quality = if subject.egg { "egg" } else { "ok" };
        if moved {
            quality = "movement";
        }
        for (reading, moved_reads) in read.iter_mut().zip(MOVED_READS) {
            *reading *= if moved { moved_reads } else { 1.0 };
            *reading *= if cut_off { CUT_OFF_READS } else { 1.0 };
        }
        self.write(subject, 1, &TUBE, "intact", read, quality);
        if repeated {
            for repeat in 2..=3 {
                let read = self.read(subject, &TUBE, true);
                self.write(subject, repeat, &TUBE, "intact", read, quality);
            }
            for repeat in 1..=3 {
                let read = self.read(subject, &SLING, true);
                self.write(subject, repeat, &SLING, "intact", read, quality);
            }
        }
        (read, quality)
    }

    /// A carcass as it is and then without its feathers.
    fn intact_and_plucked(&mut self, bird: &Bird, age_d: u32, masses: &Masses) {
        let mut subject = self.subject(bird, age_d, *masses);
        let read = self.read(&subject, &TUBE, true);
        self.write(&subject, 1, &TUBE, "intact", read, "ok");
        let read = self.read(&subject, &TUBE, false);
        subject.scale_g -= masses.feathers_g;
        self.write(&subject, 1, &TUBE, "plucked", read, "ok");
    }

    /// The total of several birds, as a scanner prints it.
    fn together(&mut self, group: &[Subject<'_>]) {
        let mut total = [0.0; 3];
        for subject in group {
            for (total, reading) in total.iter_mut().zip(self.read(subject, &CRATE, true)) {
                *total += reading;
            }
        }
        let names: Vec<&str> = group
            .iter()
            .map(|subject| subject.bird.name.as_str())
            .collect();
        let scale_g: f64 = group.iter().map(|subject| subject.scale_g).sum();
        self.positionings += 1;
        self.rows.push(Row {
            age_d: group[0].age_d,
            positioning: self.positionings,
            cells: format!(
                "{},{},1,whole,{},{},intact,{},{scale_g:.0},ok",
                names.join("+"),
                group[0].age_d,
                CRATE.name,
                group.len(),
                written(total)
            ),
        });
    }

    fn read(&mut self, subject: &Subject<'_>, restraint: &Restraint, feathered: bool) -> [f64; 3] {
        let weight_g = subject.masses.weight_g();
        let feathers_g = if feathered {
            subject.masses.feathers_g
        } else {
            0.0
        };
        let mut read = [0.0; 3];
        for (k, reading) in READINGS.iter().enumerate() {
            let expected_g = reading.constant_g
                + reading.slope * subject.masses.tissues_g()[k]
                + reading.line_g[subject.bird.line]
                + reading.age_g_per_d * f64::from(subject.age_d)
                + reading.feathers * feathers_g;
            let scatter = subject.day[k] + restraint.sd[k] * self.normal();
            let egg_g = if subject.egg { EGG_READS_G[k] } else { 0.0 };
            let read_g = (1.0 + restraint.shift[k]) * expected_g + weight_g * scatter + egg_g;
            read[k] = read_g.max(0.0);
        }
        read
    }

    fn write(
        &mut self,
        subject: &Subject<'_>,
        repeat: u32,
        restraint: &Restraint,
        feathers: &str,
        read: [f64; 3],
        quality: &str,
    ) {
        self.positionings += 1;
        self.rows.push(Row {
            age_d: subject.age_d,
            positioning: self.positionings,
            cells: format!(
                "{},{},{repeat},whole,{},1,{feathers},{},{:.0},{quality}",
                subject.bird.name,
                subject.age_d,
                restraint.name,
                written(read),
                subject.scale_g
            ),
        });
    }

    /// The reading that was just written, divided: the regions add up to it but for
    /// their last digit.
    fn regions(&mut self, subject: &Subject<'_>, whole: [f64; 3], quality: &str) {
        let mut rest = whole;
        let mut parts = Vec::new();
        for (region, shares) in REGIONS {
            let part: [f64; 3] =
                std::array::from_fn(|k| whole[k] * shares[k] * (1.0 + 0.03 * self.normal()));
            for (rest, part) in rest.iter_mut().zip(part) {
                *rest -= part;
            }
            parts.push((region, part));
        }
        parts.push(("rest", rest));
        for (region, part) in parts {
            self.rows.push(Row {
                age_d: subject.age_d,
                positioning: self.positionings,
                cells: format!(
                    "{},{},1,{region},{},1,intact,{},,{quality}",
                    subject.bird.name,
                    subject.age_d,
                    TUBE.name,
                    written(part)
                ),
            });
        }
    }

    /// By age, as they were made; numbered so.
    fn table(mut self) -> String {
        self.rows.sort_by_key(|row| row.age_d);
        let mut text = "scan,bird,age_d,repeat,region,restraint,birds_in_scan,feathers,\
                        fat_g,lean_g,bone_g,scale_weight_g,quality\n"
            .to_owned();
        let (mut number, mut positioning) = (0, 0);
        for row in &self.rows {
            if row.positioning != positioning {
                number += 1;
                positioning = row.positioning;
            }
            writeln!(text, "s{number:03},{}", row.cells).expect("writing to a string");
        }
        text
    }
}

fn written(read: [f64; 3]) -> String {
    let cells: Vec<String> = read
        .iter()
        .zip(&READINGS)
        .map(|(read, Reading { digits, .. })| format!("{read:.digits$}"))
        .collect();
    cells.join(",")
}

/// What the scanner does, number by number.
pub(crate) fn truth_table() -> String {
    let mut text = "reading,term,value\n".to_owned();
    for (k, reading) in READINGS.iter().enumerate() {
        let mut row = |term: &str, value: f64| {
            writeln!(text, "{},{term},{value}", reading.name).expect("writing to a string");
        };
        row("constant_g", reading.constant_g);
        row("slope", reading.slope);
        for (line, shift_g) in LINES.iter().zip(reading.line_g) {
            row(&format!("{}_g", line.name), shift_g);
        }
        row("age_g_per_d", reading.age_g_per_d);
        row("feathers_g_per_g", reading.feathers);
        row("day_sd_share", reading.day_sd);
        for restraint in [&TUBE, &SLING, &CRATE] {
            row(&format!("{}_sd_share", restraint.name), restraint.sd[k]);
            row(
                &format!("{}_shift_share", restraint.name),
                restraint.shift[k],
            );
        }
        row("egg_g", EGG_READS_G[k]);
    }
    text
}
