//! The animals, the design, what was measured and what was left out.

use std::collections::BTreeMap;

use super::super::Paper;
use super::super::sources::{References, Source};
use super::super::words::{capital, count, number, spaced, span, was};
use crate::age::AgeUnit;
use crate::composition::quality::RejectedScan;
use crate::report::prose::listed;
use crate::study::{BODY_WEIGHT, Records, Unit, Values};
use crate::trajectory::{Because, Blocks, Design};

impl Paper<'_> {
    pub(super) fn animals(&self, cited: &mut References) -> Vec<String> {
        let study = &self.analysis.study;
        if study.birds.is_empty() {
            return Vec::new();
        }
        let strains = study.strains.iter().enumerate();
        let strains: Vec<String> = strains
            .map(|(strain, name)| format!("{name}, n = {}", study.birds_of(strain).count()))
            .collect();
        let mut text = match study.strains.as_slice() {
            [one] => format!(
                "The study comprised {} ({one})",
                count(study.birds.len(), "bird")
            ),
            all => format!(
                "The study comprised {} of {} ({})",
                count(study.birds.len(), "bird"),
                count(all.len(), "strain"),
                strains.join("; ")
            ),
        };
        if !study.treatments.is_empty() {
            text += &format!(
                " under {} ({})",
                count(study.treatments.len(), "treatment"),
                study.treatments.join(", ")
            );
        }
        if !study.pens.is_empty() {
            text += &format!(" in {}", count(study.pens.len(), "pen"));
        }
        let mut hatched: Vec<_> = study
            .birds
            .iter()
            .filter_map(|bird| bird.hatch_date)
            .collect();
        hatched.sort_unstable();
        let day = |date: &chrono::NaiveDate| date.format("%-d %B %Y").to_string();
        text += &match (hatched.first(), hatched.last()) {
            (Some(first), Some(last)) if first == last => format!(", hatched on {}", day(first)),
            (Some(first), Some(last))
                if first.format("%Y%m").to_string() == last.format("%Y%m").to_string() =>
            {
                format!(", hatched from {} to {}", first.format("%-d"), day(last))
            }
            (Some(first), Some(last)) => {
                format!(", hatched between {} and {}", day(first), day(last))
            }
            _ => String::new(),
        };
        text += ". [State the objectives and hypotheses, the source and sex of the birds, housing, light programme, feed and ambient conditions.] [State the ethical approval, and how welfare was monitored with which humane end points.]";
        let mut all = vec![text];
        let models = self.analysis.growth.trajectories.models.iter();
        let design = models.filter_map(|model| model.design.as_ref()).next();
        all.push(format!(
            "{}[State how the number of animals was decided, how birds were allocated to groups (randomisation, order of measurements, confounders controlled) and who was unaware of the allocation at which stage; name the primary outcome.] Reporting follows the ARRIVE guidelines 2.0 {}.",
            design.map_or_else(String::new, |design| self.experimental_unit(design)),
            cited.cite(Source::Arrive)
        ));
        all
    }

    /// The experimental unit, and why.
    fn experimental_unit(&self, design: &Design) -> String {
        let by = self.groups();
        let each = |counts: &[usize], noun: &str| match (counts.iter().min(), counts.iter().max()) {
            (Some(least), Some(most)) if least == most => count(*least, noun),
            (Some(least), Some(most)) => format!("{} to {}", number(*least), count(*most, noun)),
            _ => String::new(),
        };
        let why = match design.because {
            Because::Stated => "as specified in the study design".to_owned(),
            Because::PensCompared => "the pens themselves being compared".to_owned(),
            Because::PensWithinGroups | Because::OnePenAGroup => {
                format!("because no pen housed birds of more than one {by}")
            }
            Because::PensCrossGroups => format!("because pens housed birds of more than one {by}"),
            Because::OnePen => "because all birds were kept in one pen".to_owned(),
            Because::OneBirdAPen => "because pens housed one bird each".to_owned(),
            Because::WithoutPen(birds) => {
                format!(
                    "because the pen of {} was not recorded",
                    count(birds, "bird")
                )
            }
            Because::NoPens => "no pens being recorded".to_owned(),
        };
        let n = match (design.unit, design.units.len()) {
            (_, 0 | 1) => String::new(),
            (Unit::Pen, _) => format!(
                " ({} and {} per {by})",
                each(&design.units, "pen"),
                each(&design.birds, "weighed bird")
            ),
            (Unit::Bird, _) => format!(" ({} per {by})", each(&design.units, "bird")),
        };
        let unit = match design.unit {
            Unit::Pen => "pen",
            Unit::Bird => "bird",
        };
        let blocks = match (&design.blocks, design.unit) {
            (Blocks::Complete(of), Unit::Pen) => {
                let blocks = of.iter().max().map_or(0, |most| most + 1);
                format!(
                    "The pens stood in {}, whose differences were removed from the errors. ",
                    count(blocks, "complete block")
                )
            }
            _ => String::new(),
        };
        format!("The experimental unit was the {unit}{n}, {why}. {blocks}")
    }

    pub(super) fn measurements(&self) -> Vec<String> {
        let study = &self.analysis.study;
        let mut sentences: Vec<String> = Vec::new();
        let is_scanned = |records: &&Records| {
            let masses = self.analysis.scans.masses.iter();
            let mut corrected = masses.flat_map(|masses| &masses.corrections);
            corrected.any(|one| one.trait_name == records.name)
        };
        let (scanned, weighed): (Vec<&Records>, Vec<&Records>) =
            study.traits.iter().partition(is_scanned);
        for records in weighed {
            sentences.extend(self.measured(&[records]));
        }
        // Fat, lean and bone come from the same scans.
        for alike in scanned.chunk_by(|one, next| one.ages_d == next.ages_d) {
            sentences.extend(self.measured(alike));
        }
        let laid = study.onset.iter().filter(|one| one.has_laid()).count();
        if !study.onset.is_empty() {
            sentences.push(format!(
                "Age at first egg was recorded for {}; {} had laid when last seen. [State how often and how first eggs were looked for.]",
                count(study.onset.len(), "bird"),
                laid
            ));
        }
        if sentences.is_empty() {
            return Vec::new();
        }
        vec![sentences.join(" "), self.exclusions()]
    }

    /// What was recorded of some traits of the same birds and ages.
    fn measured(&self, alike: &[&Records]) -> Option<String> {
        let records = alike.first()?;
        let (n, groups) = (records.values.len(), records.groups.len());
        let of_groups = records.groups.iter().map(|group| &group.age_d);
        let ages = records.ages_d.iter().chain(of_groups);
        let (first, last) = ages.fold((f64::INFINITY, f64::NEG_INFINITY), |span, age_d| {
            (span.0.min(*age_d), span.1.max(*age_d))
        });
        if n + groups == 0 {
            return None;
        }
        let study = &self.analysis.study;
        let birds = (0..study.birds.len())
            .filter(|bird| !records.of(*bird).1.is_empty())
            .count();
        let names: Vec<String> = alike.iter().map(|one| spaced(&one.name)).collect();
        let unit = match study.values {
            Values::BirdMasses => " (g)",
            Values::AnyNumber => "",
        };
        let names = capital(&listed(&names));
        let birds = count(birds, "bird");
        let ages = span(self.ages(), first, last);
        let mut text = if alike.len() > 1 {
            format!("{names} masses{unit} of {birds} were estimated from {n} scans {ages}")
        } else if records.name == BODY_WEIGHT {
            format!("Body weight{unit} was recorded {n} times on {birds} {ages}")
        } else {
            format!("{names}{unit} was recorded {n} times on {birds} {ages}")
        };
        if groups > 0 {
            text += &format!(
                "; {} of several birds together gave means, which entered pooled curves only",
                count(groups, "further record")
            );
        }
        Some(format!("{text}."))
    }

    /// Records left out, by reason.
    fn exclusions(&self) -> String {
        let study = &self.analysis.study;
        let mut sentences: Vec<String> = Vec::new();
        for records in study.traits.iter().filter(|records| records.missing > 0) {
            sentences.push(format!(
                "{} of {} had no value and {} left out.",
                capital(&count(records.missing, "record")),
                spaced(&records.name),
                was(records.missing)
            ));
        }
        let rejected = &self.analysis.scans.kept.rejected;
        if !rejected.is_empty() {
            let reasons: Vec<String> = reasons(rejected)
                .into_iter()
                .map(|(reason, n)| format!("{reason}, n = {n}"))
                .collect();
            sentences.push(format!(
                "{} of {} {} excluded ({}).",
                capital(&number(rejected.len())),
                count(study.scans.rows.len(), "scan"),
                was(rejected.len()),
                reasons.join("; ")
            ));
        }
        let without = study.traits.first().map_or(0, |records| {
            let birds = 0..study.birds.len();
            birds.filter(|bird| records.of(*bird).1.is_empty()).count()
        });
        if let Some(records) = study.traits.first().filter(|_| without > 0) {
            sentences.push(format!(
                "No {} was recorded for {}, which contributed to the other analyses only.",
                spaced(&records.name),
                count(without, "bird")
            ));
        }
        if sentences.is_empty() {
            sentences.push("No record was excluded.".to_owned());
        }
        sentences.push("[State the criteria for excluding birds and records, which of them were set beforehand, and which birds died or were removed, when and why.]".to_owned());
        sentences.join(" ")
    }
}

/// Why scans were rejected, without the numbers of each.
fn reasons(rejected: &[RejectedScan]) -> BTreeMap<String, usize> {
    let mut reasons: BTreeMap<String, usize> = BTreeMap::new();
    for scan in rejected {
        let reason = match &scan.reason {
            sum if sum.contains("off the scale weight") => {
                "sum of tissues inconsistent with the scale weight".to_owned()
            }
            region if region.contains("region") => "regions inconsistent with the whole".to_owned(),
            other => other.split(" (").next().unwrap_or_default().to_owned(),
        };
        *reasons.entry(reason).or_default() += 1;
    }
    reasons
}

/// "112, 119 and 168 d", "16 wk, 17 wk and 24 wk".
pub(super) fn ages(unit: AgeUnit, ages_d: &[f64]) -> String {
    let in_days = unit == AgeUnit::Days;
    let ages = ages_d.iter().map(|age_d| match in_days {
        true => unit.show_number(*age_d),
        false => unit.show(*age_d),
    });
    let ages: Vec<String> = ages.collect();
    format!("{}{}", listed(&ages), if in_days { " d" } else { "" })
}
