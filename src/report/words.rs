//! The answers in words, for the screen and the page.

use crate::age::AgeUnit;
use crate::fit::estimable::NotEstimable;
use crate::fit::{Estimates, interval};
use crate::flock::{AmongEarlier, Deviation, FlockLevel, FlockUniformity, Gain, GainsSeen};
use crate::growth::{Curve, Derived};
use crate::maturity::{Cue, CueSummary};
use crate::report::tables::flock::Weigh;
use crate::report::text::Verdict;
use crate::study::{Study, Values};
use crate::trajectory::{self, SubjectFits, Trajectories};

/// Printed once with every verdict or forecast that somebody may act on.
pub const VERDICT_CAUTION: &str = "Weight control, light and feed changes affect the birds' welfare: decide them with the \
     flock's veterinarian and under the local welfare code. A forecast is an estimate with the interval shown.";

/// Where each strain stands against its target at its last weighing, a line a
/// strain and trait; plain words first, numbers after.
#[must_use]
pub fn verdict(
    study: &Study,
    deviations: &[Deviation],
    uniformities: &[FlockUniformity],
    gains: &[Option<GainsSeen>],
) -> Vec<String> {
    let rows = deviations.iter().zip(gains);
    let strains = rows.filter(|(row, _)| row.level == FlockLevel::Strain);
    let mut last: Vec<(&Deviation, &Option<GainsSeen>)> = Vec::new();
    for row in strains {
        match last.last_mut() {
            Some(before) if same_flock(before.0, row.0) => *before = row,
            _ => last.push(row),
        }
    }
    last.iter()
        .map(|(row, seen)| format!("  {}", sentence(study, row, uniformities, seen.as_ref())))
        .collect()
}

/// How many more birds to weigh for the mean and the uniformity to be known as well as
/// asked, a line a strain: of the trait weighed first, at its last age.
#[must_use]
pub fn birds_to_weigh(
    study: &Study,
    uniformities: &[FlockUniformity],
    weigh: &Weigh,
) -> Vec<String> {
    let mut lines = Vec::new();
    let main_trait = study.main_trait();
    for (strain, name) in study.strains.iter().enumerate() {
        let own = |row: &&FlockUniformity| {
            let of_trait = Some(row.trait_index) == main_trait;
            row.level == FlockLevel::Strain && of_trait && row.strain == strain
        };
        let Some(row) = uniformities.iter().rfind(own) else {
            continue;
        };
        let n = row.uniformity.n;
        let more = |needed: usize| match needed.saturating_sub(n) {
            0 => "enough".to_owned(),
            more => format!("{more} more ({needed} in all)"),
        };
        if let (Some(mean), Some(share)) = (weigh.for_mean(row), weigh.for_uniformity(row)) {
            lines.push(format!(
                "  {name}: {n} birds weighed at {}; to know the mean within {} %: {}; the uniformity within {} points: {}",
                study.age_unit().show(row.age_d),
                weigh.mean_within_pct,
                more(mean),
                weigh.share_within_points,
                more(share)
            ));
        }
    }
    lines
}

fn same_flock(a: &Deviation, b: &Deviation) -> bool {
    (a.trait_index, a.strain) == (b.trait_index, b.strain)
}

fn sentence(
    study: &Study,
    row: &Deviation,
    uniformities: &[FlockUniformity],
    seen: Option<&GainsSeen>,
) -> String {
    let name = &study.strains[row.strain];
    let trait_name = study.traits[row.trait_index].name.replace('_', " ");
    let weighed = format!(
        "mean {trait_name} {} g at {} (n {})",
        whole(row.observed_g),
        study.age_unit().show(row.age_d),
        row.n
    );
    let against = match &row.against {
        Err(reason) => return format!("{name}: no verdict, {reason}; {weighed}"),
        Ok(against) => against,
    };
    let call = Verdict::of(row).words();
    let interval = against
        .interval_g
        .map_or(String::new(), |(lower_g, upper_g)| {
            format!(" ({} to {})", signed(lower_g), signed(upper_g))
        });
    let days = match &against.days {
        Ok(days) if days.abs() < 0.5 => "less than half a day off".to_owned(),
        Ok(days) if *days < 0.0 => format!("{:.1} days behind", -days),
        Ok(days) => format!("{days:.1} days ahead"),
        Err(reason) => format!("days not stated: {reason}"),
    };
    let mut words = format!(
        "{name}: {call}; {weighed}, {} g{interval} or {:+.1} % from target, {days}",
        signed(against.deviation_g),
        against.deviation_pct
    );
    match row.gain {
        Gain::PerDay {
            needed_g_per_d,
            target_g_per_d,
        } if needed_g_per_d >= 0.0 => {
            words += &format!(
                "; to be back on target in time it must gain {needed_g_per_d:.1} g/d where the target gains {target_g_per_d:.1}"
            );
            words += &ever_gained(needed_g_per_d, seen);
        }
        Gain::PerDay { target_g_per_d, .. } => {
            words += &format!(
                "; it is heavier than the target will be: the target gains {target_g_per_d:.1} g/d"
            );
        }
        Gain::NotAsked | Gain::AgePassed | Gain::BeyondTarget => {}
    }
    let same_age = |flock: &&FlockUniformity| {
        flock.level == FlockLevel::Strain
            && (flock.trait_index, flock.strain) == (row.trait_index, row.strain)
            && (flock.age_d - row.age_d).abs() < 0.5
    };
    if let Some(share) = uniformities
        .iter()
        .find(same_age)
        .and_then(|flock| flock.uniformity.near_mean)
    {
        words += &format!(
            "; uniformity {:.0} % ({:.0} to {:.0})",
            share.pct, share.lower_pct, share.upper_pct
        );
    }
    words
}

/// Whether the strain has ever gained so fast.
fn ever_gained(needed_g_per_d: f64, seen: Option<&GainsSeen>) -> String {
    let Some(seen) = seen else {
        return ", and no gain of this strain at such a weight was seen to compare with".to_owned();
    };
    let means = if seen.n == 1 {
        "the one mean gain".to_owned()
    } else {
        format!("{} mean gains", seen.n)
    };
    if needed_g_per_d <= seen.fastest_g_per_d {
        format!(
            ", which it has done before ({:.0} % of {means} at such weights were as fast)",
            seen.as_fast_pct
        )
    } else {
        format!(
            ", which it has never done at such a weight in this study (fastest of {means}: {:.1} g/d)",
            seen.fastest_g_per_d
        )
    }
}

/// How each strain grows, a line a strain and trait, and how its birds' fits ended.
#[must_use]
pub fn growth(study: &Study, trajectories: &Trajectories, confidence: f64) -> Vec<String> {
    let mut lines = Vec::new();
    for trait_index in 0..study.traits.len() {
        let strains: Vec<&SubjectFits> = trajectories
            .of(trajectory::Level::Strain, trait_index)
            .collect();
        lines.extend(
            strains
                .iter()
                .map(|fits| strain_sentence(study, fits, confidence)),
        );
        let birds = trajectories.of(trajectory::Level::Bird, trait_index);
        let (mut converged, mut weak, mut failed) = (0, 0, 0);
        for fits in birds {
            match fits.best().map(|fit| fit.outcome.status()) {
                Some("converged") => converged += 1,
                Some(_) => weak += 1,
                None => failed += 1,
            }
        }
        if converged + weak + failed > 0 {
            lines.push(birds_by_their_best(converged, weak, failed));
        }
    }
    lines
}

/// How the fits of single birds ended, each bird's by its best curve.
pub(super) fn birds_by_their_best(converged: usize, weak: usize, failed: usize) -> String {
    format!("  birds, each by its best curve: {converged} converged, {weak} weak, {failed} failed")
}

fn strain_sentence(study: &Study, fits: &SubjectFits, confidence: f64) -> String {
    let name = &study.strains[fits.subject.strain];
    let trait_name = study.traits[fits.subject.trait_index]
        .name
        .replace('_', " ");
    let Some(best) = fits.best() else {
        let reason = fits
            .fits
            .first()
            .map_or_else(String::new, |fit| fit.outcome.reason());
        return format!("  {name}: no curve fits its {trait_name} ({reason})");
    };
    let Some(estimates) = best.outcome.estimates() else {
        return format!("  {name}: no curve fits its {trait_name}");
    };
    let of_curve = curve_words(study, &*best.curve, (estimates, confidence));
    let mut words = format!("  {name}: {trait_name} by {}", best.curve.name());
    for piece in of_curve {
        words += &format!(", {piece}");
    }
    if best.outcome.status() == "weak" {
        words += &format!("; weak: {}", best.outcome.reason());
    }
    words
}

/// What a reader wants of a curve, each with its interval: the upper asymptote, the greatest gain
/// with its age, and of two phases the peaks of gain.
pub(super) fn curve_words(
    study: &Study,
    curve: &dyn Curve,
    (estimates, confidence): (&Estimates, f64),
) -> Vec<String> {
    let (mature, gram, gain) = match study.values {
        Values::BirdMasses => ("mature", " g", " g/d"),
        Values::AnyNumber => ("upper asymptote", "", " per day"),
    };
    let ages = study.age_unit();
    let quantity = |what: Derived, unit: &str| {
        let estimate = match interval::derived(curve, estimates, what, confidence) {
            Ok(estimate) => estimate,
            Err(NotEstimable::Absent) => return None,
            Err(NotEstimable::Undetermined(_)) => return Some("not estimable".to_owned()),
        };
        let limits = estimate.interval;
        if let (AgeUnit::Weeks, " d", Some(limits)) = (ages, unit, limits) {
            return Some(ages.show_interval(estimate.value, (limits.lower, limits.upper)));
        }
        let limits = limits.map_or(String::new(), |limits| {
            let (lower, upper) = (three_digits(limits.lower), three_digits(limits.upper));
            format!(" ({lower} to {upper})")
        });
        Some(format!("{}{unit}{limits}", three_digits(estimate.value)))
    };
    let greatest = quantity(Derived::InflectionRate, gain).map(|rate| {
        match quantity(Derived::InflectionAge, " d") {
            Some(age) => format!("{rate} at {age}"),
            None => rate,
        }
    });
    [
        (mature, quantity(Derived::Mature, gram)),
        ("maximum growth rate", greatest),
        (
            "first peak of gain at",
            quantity(Derived::FirstPeakAge, " d"),
        ),
        (
            "second peak of gain at",
            quantity(Derived::SecondPeakAge, " d"),
        ),
    ]
    .into_iter()
    .filter_map(|(name, value)| Some(format!("{name} {}", value?)))
    .collect()
}

/// The cue ages of each strain's best curve.
#[must_use]
pub fn cues(
    study: &Study,
    trajectories: &Trajectories,
    cues: &[Cue],
    summaries: &[CueSummary],
) -> Vec<String> {
    let mut lines = Vec::new();
    for trait_index in 0..study.traits.len() {
        for (strain, name) in study.strains.iter().enumerate() {
            let of_strain: Vec<&Cue> = cues
                .iter()
                .filter(|cue| cue.bird.is_none())
                .filter(|cue| (cue.trait_index, cue.strain) == (trait_index, strain))
                .collect();
            // Of several curves the strain's best.
            let best = best_curve(trajectories, trait_index, strain);
            let Some(curve) = best.or_else(|| Some(of_strain.first()?.curve.clone())) else {
                continue;
            };
            let ages = of_strain.iter().filter(|cue| cue.curve == curve);
            let pieces: Vec<String> = ages
                .filter_map(|cue| cue_words(cue, study.age_unit()))
                .collect();
            if !pieces.is_empty() {
                let whose = if study.traits.len() > 1 {
                    let trait_name = study.traits[trait_index].name.replace('_', " ");
                    format!("{name}, {trait_name}")
                } else {
                    name.clone()
                };
                lines.push(format!("  {whose}, by {curve}: {}", pieces.join(", ")));
            }
        }
    }
    if !summaries.is_empty() {
        lines.push(
            "  These ages come from all weights, those after the first egg too: they describe the birds, and none is offered as a cue of it (cues.csv). Cues are judged at the landmark, from earlier weights alone."
                .to_owned(),
        );
    }
    lines
}

/// The curve of the trait's model, or else the best single one of a strain.
fn best_curve(trajectories: &Trajectories, trait_index: usize, strain: usize) -> Option<String> {
    let model = trajectories.model(trait_index);
    if let Some(model) = model.filter(|model| model.typical(0).is_some()) {
        return Some(model.curve().name().to_owned());
    }
    let mut fits = trajectories.of(trajectory::Level::Strain, trait_index);
    let fits = fits.find(|fits| fits.subject.strain == strain)?;
    Some(fits.best()?.curve.name().to_owned())
}

fn cue_words(cue: &Cue, ages: AgeUnit) -> Option<String> {
    let age = cue.age.as_ref().ok()?;
    let when = match age.interval_d {
        Some(limits_d) => ages.show_interval(age.estimate_d, limits_d),
        None => ages.show(age.estimate_d.round()),
    };
    let doubt = match cue.status() {
        "supported" => "",
        "extrapolated" => ", beyond the data",
        _ => ", weak",
    };
    let name = cue.cue.name().replace('_', " ");
    Some(format!("{name} {when}{doubt}"))
}

/// Three significant digits, or whole numbers above a hundred.
pub(super) fn three_digits(value: f64) -> String {
    let magnitude = value.abs();
    if magnitude >= 100.0 {
        whole(value)
    } else if magnitude >= 10.0 {
        format!("{value:.1}")
    } else {
        format!("{value:.2}")
    }
}

/// To the gram; never "-0".
fn whole(value: f64) -> String {
    format!("{:.0}", value + 0.0)
}

/// With its sign, to the gram; zero without one.
fn signed(value_g: f64) -> String {
    if value_g.abs() < 0.5 {
        "0".to_owned()
    } else {
        format!("{value_g:+.0}")
    }
}

/// Where each strain stands among earlier flocks: with few of them the count alone.
#[must_use]
pub fn among_earlier(study: &Study, all: &[AmongEarlier], confidence: f64) -> Vec<String> {
    let mut lines = Vec::new();
    for among in all {
        let strain = &study.strains[among.strain];
        let n = among.earlier.len();
        if n == 0 {
            lines.push(format!("  {strain}: no earlier flock to compare with"));
        } else {
            let relative = among.deviation_pct(among.typical_g);
            let relative = relative.map_or(String::new(), |pct| format!(", {pct:+.1} % of target"));
            let (least, greatest) = among.heavier_than_range();
            let range = match least == greatest {
                true => String::new(),
                false => format!(" ({least} to {greatest} over the interval of its weight)"),
            };
            let percentile = among.percentile(confidence).map(|(share, interval)| {
                format!(
                    "; percentile {share:.0} ({:.0} % interval {:.0} to {:.0})",
                    100.0 * confidence,
                    interval.lower,
                    interval.upper
                )
            });
            lines.push(format!(
                "  {strain} at {} (typical weight {:.0} g{relative}): heavier than {} of {n} earlier {}{range}{}",
                study.age_unit().show(among.age_d),
                among.typical_g,
                among.heavier_than(),
                if n == 1 { "flock" } else { "flocks" },
                percentile.unwrap_or_default()
            ));
        }
        let left_out = among.left_out.iter();
        lines.extend(left_out.map(|reason| format!("    not compared: {reason}")));
    }
    lines
}
