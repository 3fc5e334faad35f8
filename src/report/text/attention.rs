//! What needs attention, the most pressing first.

use super::words::{count, some_of, trait_words};
use super::{Overview, Topic};
use crate::analysis::Analysis;
use crate::study::Summary;

/// Birds that a line names.
const MOST_NAMED: usize = 3;

/// Something that needs attention.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Attention {
    /// Whom or what it is about.
    pub who: String,
    /// What it is; follows `who`.
    pub what: String,
    /// The same in a few words, for the terminal; empty where another line there states it.
    pub short: String,
    /// Where the details are.
    pub topic: Topic,
}

impl Attention {
    /// The line about the warnings; `None` without any.
    #[must_use]
    pub fn of_warnings(warnings: usize) -> Option<Self> {
        (warnings > 0).then(|| Self {
            who: count(warnings, "warning"),
            what: " about data and models, each with its reason.".to_owned(),
            short: format!("{} (--details)", count(warnings, "warning")),
            topic: Topic::Data,
        })
    }
}

/// What an analysis has that needs attention.
pub(super) fn of(analysis: &Analysis, overview: &Overview) -> Vec<Attention> {
    let mut all = Vec::new();
    off_target(overview, &mut all);
    departures(analysis, overview, &mut all);
    let read = Summary::of(&analysis.study);
    doubtful(&read, &mut all);
    models(analysis, &mut all);
    units(analysis, &mut all);
    if let Some(scanner) = &overview.scanner
        && scanner.rejected > 0
    {
        all.push(Attention {
            who: format!("{} of {} scans", scanner.rejected, scanner.scans),
            what: " rejected by the study's rules for scans.".to_owned(),
            short: format!("{} rejected", count(scanner.rejected, "scan")),
            topic: Topic::Scanner,
        });
    }
    phantom(analysis, &mut all);
    missed(&read, &mut all);
    all
}

/// Scans on days on which the phantom was out of control.
fn phantom(analysis: &Analysis, all: &mut Vec<Attention>) {
    let phantom = analysis.scans.phantom.as_ref();
    let Some(scans) = phantom.map(|found| &found.scans) else {
        return;
    };
    if scans.out_of_control > 0 {
        let n = count(scans.out_of_control, "scan");
        all.push(Attention {
            who: n.clone(),
            what: " on days on which the phantom was out of control.".to_owned(),
            short: format!("{n} while the phantom was out of control"),
            topic: Topic::Scanner,
        });
    }
}

fn off_target(overview: &Overview, all: &mut Vec<Attention>) {
    let Some(target) = &overview.target else {
        return;
    };
    let needs = target.needs();
    if let Some((who, first)) = needs.first() {
        let more = match needs.len() {
            1 => String::new(),
            n => format!("; {} more strains are off target", n - 1),
        };
        all.push(Attention {
            who: (*who).to_owned(),
            what: format!(" {first}{more}."),
            short: String::new(),
            topic: Topic::Target,
        });
    }
    let missing = target.rows.iter().filter(|row| row.target.is_none());
    let missing: Vec<String> = missing.map(|row| row.name.clone()).collect();
    if !missing.is_empty() {
        all.push(Attention {
            who: some_of(&missing, MOST_NAMED),
            what: ": no target at the age of the last weighing.".to_owned(),
            short: format!("{} without a target", count(missing.len(), "strain")),
            topic: Topic::Target,
        });
    }
}

/// Birds that departed from their predicted growth and have not returned.
fn departures(analysis: &Analysis, overview: &Overview, all: &mut Vec<Attention>) {
    let verdict = analysis.verdict.as_ref();
    let ahead = verdict.and_then(|verdict| verdict.ahead.as_ref());
    let birds = &analysis.study.birds;
    let mut found: Vec<(&str, f64)> = Vec::new();
    for watch in ahead.iter().flat_map(|ahead| &ahead.departures) {
        let lasting = watch.departures.iter().filter(|one| one.lasting);
        for one in lasting {
            let name = birds[one.bird].name.as_str();
            if found.iter().all(|(other, _)| *other != name) {
                found.push((name, one.since_d));
            }
        }
    }
    found.sort_by(|a, b| a.0.cmp(b.0));
    let names: Vec<String> = found.iter().map(|(name, _)| (*name).to_owned()).collect();
    let what = match found.as_slice() {
        [] => return,
        [(_, since_d)] => format!(
            " has departed from its predicted growth since {}.",
            overview.ages.show(*since_d)
        ),
        _ => " have departed from their predicted growth.".to_owned(),
    };
    let noun = match names.len() {
        1 => super::capital(&overview.subject),
        _ => format!("{}s", super::capital(&overview.subject)),
    };
    let short = match names.as_slice() {
        [first, second, rest @ ..] if rest.len() > 1 => {
            format!("look at {first}, {second} and {} more", rest.len())
        }
        few => format!("look at {}", few.join(", ")),
    };
    all.push(Attention {
        who: format!("{noun} {}", some_of(&names, MOST_NAMED)),
        what,
        short,
        topic: Topic::Growth,
    });
}

/// Records that are hard to believe.
fn doubtful(read: &Summary, all: &mut Vec<Attention>) {
    for (n, one, many) in [
        (read.odd_birds.len(), "bird", "birds"),
        (read.jumps.len(), "weight", "weights"),
        (
            read.doubts.len(),
            "row of scans or chemistry",
            "rows of scans or chemistry",
        ),
    ] {
        if n > 0 {
            let who = format!("{n} {}", if n == 1 { one } else { many });
            all.push(Attention {
                short: format!("{who} hard to believe"),
                who,
                what: " hard to believe; check them against the records.".to_owned(),
                topic: Topic::Data,
            });
        }
    }
}

/// Models that the data do not support.
fn models(analysis: &Analysis, all: &mut Vec<Attention>) {
    let models = &analysis.growth.trajectories.models;
    for status in ["failed", "weak"] {
        let of_status = models.iter().filter(|model| model.status() == status);
        let names: Vec<String> = of_status
            .clone()
            .map(|model| {
                let study = &analysis.study;
                trait_words(study, &study.traits[model.trait_index].name)
            })
            .collect();
        if names.is_empty() {
            continue;
        }
        let reasons: Vec<&str> = of_status.flat_map(|model| model.reasons()).collect();
        let reason = match reasons.first() {
            Some(reason) if names.len() == 1 => format!(": {reason}."),
            _ => ".".to_owned(),
        };
        let noun = if names.len() == 1 { "Model" } else { "Models" };
        let verb = if names.len() == 1 { "is" } else { "are" };
        let names = some_of(&names, MOST_NAMED);
        all.push(Attention {
            who: format!("{noun} of {names}"),
            what: format!(" {verb} {status}{reason}"),
            short: format!("the model of {names} is {status}"),
            topic: Topic::Growth,
        });
    }
}

/// Groups that cannot be compared, since each is in one pen.
fn units(analysis: &Analysis, all: &mut Vec<Attention>) {
    if analysis.differences.is_none() {
        return;
    }
    let Some(at) = analysis.study.main_trait() else {
        return;
    };
    let model = analysis.growth.trajectories.model(at);
    let Some(design) = model.and_then(|model| model.design.as_ref()) else {
        return;
    };
    if let Some(reason) = design.untestable().first() {
        all.push(Attention {
            who: "Not testable".to_owned(),
            what: format!(": {reason}."),
            short: "groups in one pen are not testable".to_owned(),
            topic: Topic::Differences,
        });
    }
}

/// Weighings that were missed, and birds without any.
fn missed(read: &Summary, all: &mut Vec<Attention>) {
    let gaps = read.gaps.len();
    if gaps > 0 {
        let verb = if gaps == 1 { "was" } else { "were" };
        all.push(Attention {
            who: count(gaps, "weighing"),
            what: format!(" {verb} missed, where most birds of the strain were weighed."),
            short: format!("{} missed", count(gaps, "weighing")),
            topic: Topic::Data,
        });
    }
    let never = &read.never_weighed;
    if !never.is_empty() {
        let verb = if never.len() == 1 { "was" } else { "were" };
        all.push(Attention {
            who: some_of(never, MOST_NAMED),
            what: format!(" {verb} never weighed."),
            short: format!("{} never weighed", count(never.len(), "bird")),
            topic: Topic::Data,
        });
    }
}
