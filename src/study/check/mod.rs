//! What a study holds and what in it deserves a second look, in words.

mod scans;

use std::collections::BTreeSet;
use std::path::Path;

pub use scans::{ChemistrySummary, Rejection, ScanSummary};

use super::columns::Columns;
use super::doubt::Doubt;
use super::faults::{Fault, Faults, listed, messages};
use super::plausible::{Doubts, Gap, Jump, OddBird, gaps};
use super::settings::Settings;
use super::{Records, SampleRow, Study, read};
use crate::error::Result;

/// Examples given of each kind of finding.
const EXAMPLES: usize = 10;

/// All that is wrong with a study, and what could be read of it.
#[derive(Debug, Clone)]
pub struct Check {
    /// The faults, by file and row.
    pub faults: Vec<Fault>,
    /// Number of faults beyond those.
    pub more_faults: usize,
    /// What could be read.
    pub summary: Summary,
}

impl Check {
    /// Looks a study folder through.
    ///
    /// # Errors
    /// A `study.toml` that cannot be read. Faults of the tables are no error here.
    pub fn folder(folder: &Path) -> Result<Self> {
        let mut faults = Faults::default();
        let study = read::study(folder, Settings::read(folder)?, None, &mut faults);
        Ok(Self::new(&study, faults))
    }

    /// Looks a bare table through.
    ///
    /// # Errors
    /// Columns that contradict themselves. Faults of the table are no error here.
    pub fn table(path: &Path, columns: &Columns) -> Result<Self> {
        let mut faults = Faults::default();
        let settings = match Study::is_egg_table(path) {
            true => columns.egg_settings(path)?,
            false => columns.settings(path)?,
        };
        let study = read::study(Path::new(""), settings, Some(columns), &mut faults);
        Ok(Self::new(&study, faults))
    }

    fn new(study: &Study, faults: Faults) -> Self {
        let (faults, more_faults) = faults.sorted();
        Self {
            faults,
            more_faults,
            summary: Summary::of(study),
        }
    }

    /// The faults, one line each; none where the study can be read.
    #[must_use]
    pub fn messages(&self) -> Vec<String> {
        messages(&self.faults, self.more_faults)
    }

    /// Whether anything deserves a second look: a fault, a jump, a gap, a warning.
    #[must_use]
    pub fn needs_attention(&self) -> bool {
        !self.faults.is_empty() || self.summary.needs_attention()
    }
}

/// What a study holds.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Summary {
    /// The study's name.
    pub name: String,
    /// Number of birds.
    pub birds: usize,
    /// Each strain.
    pub strains: Vec<StrainSummary>,
    /// Number of pens.
    pub pens: usize,
    /// Number of treatments.
    pub treatments: usize,
    /// The ages at which any bird was weighed, ascending, in days.
    pub ages_d: Vec<f64>,
    /// Number of weighings.
    pub weighings: usize,
    /// Rows without a value.
    pub missing: usize,
    /// Rows that repeat a bird and age; each is also a fault.
    pub duplicates: usize,
    /// Weighing days that a bird missed.
    pub gaps: Vec<Gap>,
    /// Birds all of whose weights are hard to believe.
    pub odd_birds: Vec<OddBird>,
    /// Weights that are hard to believe.
    pub jumps: Vec<Jump>,
    /// Birds without any weighing, scan or analysis.
    pub never_weighed: Vec<String>,
    /// Birds with scans or analyses, but without any weighing.
    pub scanned_only: usize,
    /// Birds weighed without names.
    pub samples: SampleSummary,
    /// Scans.
    pub scans: ScanSummary,
    /// Measurements of the phantom, in words.
    pub phantom: Option<String>,
    /// Records of platform scales: how many, of how many scales, on how many scale days.
    pub platform: Option<(usize, usize, usize)>,
    /// Analyses.
    pub chemistry: ChemistrySummary,
    /// Scans and analyses that are hard to believe.
    pub doubts: Vec<Doubt>,
    /// Birds with some weighings, but fewer than a curve requires.
    pub few_weighings: Vec<String>,
    /// Weighings below which a bird counts among `few_weighings`.
    pub enough_weighings: usize,
    /// Whether there are targets at all.
    pub has_targets: bool,
    /// Birds with a first egg.
    pub first_eggs: usize,
    /// Pens whose eggs were counted, and the first and last age of the counts, d.
    pub eggs: Option<(usize, u32, u32)>,
    /// Changes of day length.
    pub light_changes: usize,
    /// Birds moved between pens, and their moves.
    pub moves: (usize, usize),
    /// Other things to know, one line each.
    pub warnings: Vec<String>,
    /// What was left out or not read, as it should be, one line each.
    pub notes: Vec<String>,
}

/// What a study holds of birds weighed without names.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SampleSummary {
    /// Pens of which birds were weighed.
    pub pens: usize,
    /// Houses, as far as they are written down.
    pub houses: usize,
    /// Pens, houses or flocks, each on one day.
    pub occasions: usize,
    /// Birds weighed, at all occasions together.
    pub birds: usize,
    /// Of these, birds weighed several at once.
    pub together: usize,
    /// Ages at which birds were weighed, ascending, d.
    pub ages_d: Vec<f64>,
    /// Rows without a weight.
    pub missing: usize,
}

impl SampleSummary {
    fn of(study: &Study) -> Self {
        let samples = &study.samples;
        let several = samples.rows.iter().filter(|row| row.together.is_some());
        let pens: BTreeSet<usize> = samples.units.iter().filter_map(|unit| unit.pen).collect();
        Self {
            pens: pens.len(),
            houses: study.houses.len(),
            occasions: samples.occasions().count(),
            birds: samples.birds_weighed(),
            together: several.map(SampleRow::birds).sum(),
            ages_d: samples.ages_d(),
            missing: samples.missing,
        }
    }

    /// In words; empty where no bird was weighed without a name.
    fn line(&self) -> Option<String> {
        let (first, last) = (self.ages_d.first()?, self.ages_d.last()?);
        let mut places = Vec::new();
        if self.pens > 0 {
            places.push(count(self.pens, "pen"));
        }
        if self.houses > 0 {
            places.push(count(self.houses, "house"));
        }
        let of = if places.is_empty() {
            String::new()
        } else {
            format!(" of {}", places.join(" in "))
        };
        let when = if first < last {
            format!(
                "at {} from {first} to {last} d",
                count(self.ages_d.len(), "age")
            )
        } else {
            format!("at {first} d")
        };
        let together = match self.together {
            0 => String::new(),
            birds => format!(", {birds} of them weighed several at once"),
        };
        Some(format!(
            "{} on {}{of}, {when}: {} weighed{together}",
            "samples of unnamed birds",
            count(self.occasions, "occasion"),
            count(self.birds, "bird")
        ))
    }
}

/// What a study holds of one strain.
#[derive(Debug, Clone, PartialEq)]
pub struct StrainSummary {
    /// Its name.
    pub name: String,
    /// Its birds.
    pub birds: usize,
    /// The first age at which one was weighed, and how many then.
    pub first: Option<(f64, usize)>,
    /// The last age at which one was weighed, and how many then.
    pub last: Option<(f64, usize)>,
    /// Whether it has a target for body weight.
    pub has_target: bool,
}

impl Summary {
    /// Sums a study up: its body weights, or the bare table's values.
    #[must_use]
    pub fn of(study: &Study) -> Self {
        let mut summary = Self {
            name: study.name.clone(),
            birds: study.birds.len(),
            pens: study.pens.len(),
            treatments: study.treatments.len(),
            enough_weighings: study.settings.plausible.few_weighings,
            has_targets: !study.targets.is_empty(),
            first_eggs: study.onset.iter().filter(|onset| onset.has_laid()).count(),
            samples: SampleSummary::of(study),
            eggs: egg_span(study),
            light_changes: study.light.len(),
            moves: (study.birds_moved(), study.moves.len()),
            scans: ScanSummary::of(study),
            phantom: scans::phantom_line(study),
            chemistry: ChemistrySummary::of(study),
            platform: (!study.stream.days.is_empty()).then(|| {
                let stream = &study.stream;
                (stream.records, stream.scales.len(), stream.days.len())
            }),
            warnings: study.warnings.clone(),
            notes: study.notes.clone(),
            ..Self::default()
        };
        let Doubts {
            units,
            birds,
            weights,
            rows,
        } = study.doubts();
        summary.warnings.extend(units);
        summary.odd_birds = birds;
        summary.jumps = weights;
        summary.doubts = rows;
        let Some(records) = study.main_trait().map(|at| &study.traits[at]) else {
            return summary;
        };
        summary.ages_d = records.ages_d.clone();
        summary.ages_d.sort_by(f64::total_cmp);
        summary.ages_d.dedup();
        summary.weighings = records.values.len();
        summary.missing = records.missing;
        summary.duplicates = records.duplicates;
        summary.gaps = gaps(study, records);
        let scanned = scanned(study);
        for (index, bird) in study.birds.iter().enumerate() {
            match records.of(index).0.len() {
                0 if scanned[index] => summary.scanned_only += 1,
                0 => summary.never_weighed.push(bird.name.clone()),
                few if few < summary.enough_weighings => {
                    summary.few_weighings.push(bird.name.clone());
                }
                _ => {}
            }
        }
        summary.strains = strains(study, records);
        summary
    }

    /// Whether anything deserves a second look.
    #[must_use]
    pub fn needs_attention(&self) -> bool {
        self.duplicates > 0
            || !self.gaps.is_empty()
            || !self.odd_birds.is_empty()
            || !self.jumps.is_empty()
            || !self.never_weighed.is_empty()
            || !self.doubts.is_empty()
            || !self.warnings.is_empty()
            || !self.without_target().is_empty()
    }

    /// Strains without a target, where there are targets at all.
    #[must_use]
    pub fn without_target(&self) -> Vec<&str> {
        self.strains
            .iter()
            .filter(|strain| self.has_targets && !strain.has_target)
            .map(|strain| strain.name.as_str())
            .collect()
    }

    /// The summary in words, a line a statement.
    #[must_use]
    pub fn lines(&self) -> Vec<String> {
        let unnamed = self.samples.line();
        let mut lines = match (self.birds, &unnamed) {
            (0, Some(line)) => vec![format!("{}: {line}", self.name)],
            _ => vec![self.who(), self.when()],
        };
        lines.extend(unnamed.filter(|_| self.birds > 0));
        if self.strains.len() > 1 || self.strains.iter().any(StrainSummary::shrinks) {
            lines.extend(self.strains.iter().filter_map(StrainSummary::line));
        }
        if self.first_eggs > 0 {
            lines.push(format!(
                "first egg seen of {}",
                count(self.first_eggs, "bird")
            ));
        }
        if let Some((pens, first_d, last_d)) = self.eggs {
            lines.push(format!(
                "eggs counted in {} from {first_d} to {last_d} d",
                count(pens, "pen")
            ));
        }
        if self.light_changes > 0 {
            lines.push(format!(
                "light programme of {}",
                count(self.light_changes, "row")
            ));
        }
        if let (birds @ 1.., moves) = self.moves {
            lines.push(format!(
                "{} of {} between pens",
                count(moves, "move"),
                count(birds, "bird")
            ));
        }
        self.scans.describe(&mut lines);
        lines.extend(self.phantom.clone());
        self.chemistry.describe(&mut lines);
        if let Some((records, scales, days)) = self.platform {
            lines.push(format!(
                "{} of {}, {} of one scale",
                count(records, "record"),
                count(scales, "platform scale"),
                count(days, "day")
            ));
        }
        self.describe_records(&mut lines);
        self.describe_birds(&mut lines);
        lines.extend(self.notes.iter().cloned());
        lines.extend(self.warnings.iter().cloned());
        if !self.needs_attention() && self.weighings + self.samples.birds > 0 {
            lines.push("nothing stands out: no gaps, no duplicates, no implausible weights".into());
        }
        lines
    }

    fn who(&self) -> String {
        let mut line = format!("{}: {}", self.name, count(self.birds, "bird"));
        if self.strains.len() > 1 {
            let strains = self
                .strains
                .iter()
                .map(|strain| format!("{} {}", strain.birds, strain.name));
            line += &format!(
                " of {} ({})",
                count(self.strains.len(), "strain"),
                listed(strains)
            );
        }
        if self.pens > 0 {
            line += &format!(", in {}", count(self.pens, "pen"));
        }
        if self.treatments > 0 {
            line += &format!(", {}", count(self.treatments, "treatment"));
        }
        line
    }

    fn when(&self) -> String {
        match (self.ages_d.first(), self.ages_d.last()) {
            (Some(first), Some(last)) if self.ages_d.len() > 1 => format!(
                "{} at {} from {first} to {last} d",
                count(self.weighings, "weighing"),
                count(self.ages_d.len(), "age"),
            ),
            (Some(only), _) => format!("{}, all at {only} d", count(self.weighings, "weighing")),
            _ => "no weighings".to_owned(),
        }
    }

    fn describe_records(&self, lines: &mut Vec<String>) {
        if self.duplicates > 0 {
            lines.push(format!(
                "{} a bird and age that stood before",
                if self.duplicates == 1 {
                    "1 row repeats".to_owned()
                } else {
                    format!("{} rows repeat", self.duplicates)
                }
            ));
        }
        if !self.odd_birds.is_empty() {
            lines.push(format!(
                "{} hard to believe at every age:",
                count(self.odd_birds.len(), "bird")
            ));
            list_first(&self.odd_birds, lines);
        }
        if !self.jumps.is_empty() {
            lines.push(format!(
                "{} hard to believe:",
                count(self.jumps.len(), "weight")
            ));
            list_first(&self.jumps, lines);
        }
        if !self.gaps.is_empty() {
            lines.push(format!(
                "{}, where most birds of the strain were weighed and one was not:",
                count(self.gaps.len(), "gap")
            ));
            list_first(&self.gaps, lines);
        }
        if !self.doubts.is_empty() {
            lines.push(format!(
                "{} of scans and chemistry hard to believe:",
                count(self.doubts.len(), "row")
            ));
            list_first(&self.doubts, lines);
        }
    }

    fn describe_birds(&self, lines: &mut Vec<String>) {
        if !self.never_weighed.is_empty() {
            lines.push(format!(
                "{} without any weighing: {}",
                count(self.never_weighed.len(), "bird"),
                listed(&self.never_weighed)
            ));
        }
        if self.scanned_only > 0 {
            lines.push(format!(
                "{} scanned or analysed and not among the weighings",
                count(self.scanned_only, "bird")
            ));
        }
        if !self.few_weighings.is_empty() {
            lines.push(format!(
                "{} with fewer than {} weighings, too few for an individual curve: {}",
                count(self.few_weighings.len(), "bird"),
                self.enough_weighings,
                listed(&self.few_weighings)
            ));
        }
        let without = self.without_target();
        if !without.is_empty() {
            lines.push(format!(
                "no target for {}: no deviation can be computed for it",
                listed(without)
            ));
        }
    }
}

impl StrainSummary {
    /// Whether fewer birds were weighed at the end than at the start.
    fn shrinks(&self) -> bool {
        matches!((self.first, self.last), (Some(first), Some(last)) if last.1 < first.1)
    }

    fn line(&self) -> Option<String> {
        let ((first_d, first), (last_d, last)) = (self.first?, self.last?);
        Some(format!(
            "{}: {} weighed at {first_d} d, {last} at {last_d} d",
            self.name,
            count(first, "bird")
        ))
    }
}

/// Pens with counts of eggs, and the ages of these.
fn egg_span(study: &Study) -> Option<(usize, u32, u32)> {
    let counts = || study.eggs.iter().flat_map(|pen| &pen.counts);
    let first_d = counts().map(|count| count.age_d).min()?;
    let last_d = counts().map(|count| count.age_d).max()?;
    Some((study.eggs.len(), first_d, last_d))
}

/// Which birds have a scan or an analysis.
fn scanned(study: &Study) -> Vec<bool> {
    let mut scanned = vec![false; study.birds.len()];
    let scans = study.scans.rows.iter().flat_map(|scan| &scan.birds);
    let analysed = study.chemistry.rows.iter().map(|analysis| &analysis.bird);
    for bird in scans.chain(analysed) {
        scanned[*bird] = true;
    }
    scanned
}

/// Counts each strain's birds and those at its first and last age.
fn strains(study: &Study, records: &Records) -> Vec<StrainSummary> {
    let mut strains: Vec<StrainSummary> = study
        .strains
        .iter()
        .enumerate()
        .map(|(index, name)| StrainSummary {
            name: name.clone(),
            birds: 0,
            first: None,
            last: None,
            has_target: study.targets.iter().any(|target| {
                target.trait_name == records.name
                    && target.strain.is_none_or(|strain| strain == index)
            }),
        })
        .collect();
    for (index, bird) in study.birds.iter().enumerate() {
        let strain = &mut strains[bird.strain];
        strain.birds += 1;
        let (ages_d, _) = records.of(index);
        if let (Some(first), Some(last)) = (ages_d.first(), ages_d.last()) {
            tally(&mut strain.first, *first, |age, known| age < known);
            tally(&mut strain.last, *last, |age, known| age > known);
        }
    }
    strains
}

/// Counts one bird at an age that may be the most extreme so far.
fn tally(extreme: &mut Option<(f64, usize)>, age_d: f64, beyond: impl Fn(f64, f64) -> bool) {
    match extreme {
        Some((known, _)) if beyond(age_d, *known) => *extreme = Some((age_d, 1)),
        Some((known, _)) if beyond(*known, age_d) => {}
        Some((_, birds)) => *birds += 1,
        None => *extreme = Some((age_d, 1)),
    }
}

/// The first few findings, indented, and how many more there are.
fn list_first<T: std::fmt::Display>(findings: &[T], lines: &mut Vec<String>) {
    lines.extend(
        findings
            .iter()
            .take(EXAMPLES)
            .map(|finding| format!("  {finding}")),
    );
    if findings.len() > EXAMPLES {
        lines.push(format!("  and {} more", findings.len() - EXAMPLES));
    }
}

/// A number with its noun: `1 bird`, `2 birds`.
fn count(number: usize, noun: &str) -> String {
    if number == 1 {
        format!("1 {noun}")
    } else {
        format!("{number} {noun}s")
    }
}
