//! The answers in words, for the screen and the page.

use crate::flock::{Band, Deviation, FlockUniformity, Gain, Level};
use crate::study::Study;

/// Said once with every verdict that somebody may act on.
pub const VERDICT_CAUTION: &str = "Weight control, light and feed changes affect the birds' welfare: decide them with the \
     flock's veterinarian and under the local welfare code.";

/// Where each strain stands against its target at its last weighing, a line a
/// strain and trait; plain words first, numbers after.
#[must_use]
pub fn verdict(study: &Study, deviations: &[Deviation], uniformities: &[FlockUniformity]) -> Vec<String> {
    let strains = deviations.iter().filter(|row| row.level == Level::Strain);
    let mut last: Vec<&Deviation> = Vec::new();
    for row in strains {
        match last.last_mut() {
            Some(before) if same_flock(before, row) => *before = row,
            _ => last.push(row),
        }
    }
    last.iter().map(|row| sentence(study, row, uniformities)).collect()
}

fn same_flock(a: &Deviation, b: &Deviation) -> bool {
    (a.trait_index, a.strain) == (b.trait_index, b.strain)
}

fn sentence(study: &Study, row: &Deviation, uniformities: &[FlockUniformity]) -> String {
    let name = &study.strains[row.strain];
    let trait_name = study.traits[row.trait_index].name.replace('_', " ");
    let weighed = format!(
        "mean {trait_name} {} g at {} d (n {})",
        whole(row.observed_g),
        whole(row.age_d),
        row.n
    );
    let against = match &row.against {
        Err(reason) => return format!("{name}: no verdict, {reason}; {weighed}"),
        Ok(against) => against,
    };
    let call = match against.band {
        Band::Inside => "on target",
        Band::Outside if against.deviation_g < 0.0 => "below target",
        Band::Outside => "above target",
        Band::Unsure => "at the edge of the target's band: too few birds to call it",
        Band::NotGiven => match against.interval_g {
            Some((lower_g, _)) if lower_g > 0.0 => "above target",
            Some((_, upper_g)) if upper_g < 0.0 => "below target",
            Some(_) => "not distinguishable from target",
            None => "one bird against target",
        },
    };
    let interval = against.interval_g.map_or(String::new(), |(lower_g, upper_g)| {
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
    if let Gain::PerDay { needed_g_per_d, target_g_per_d } = row.gain {
        words += &format!(
            "; to be back on target it must gain {needed_g_per_d:.1} g/d where the target gains {target_g_per_d:.1}"
        );
    }
    let same_age = |flock: &&FlockUniformity| {
        flock.level == Level::Strain
            && (flock.trait_index, flock.strain) == (row.trait_index, row.strain)
            && (flock.age_d - row.age_d).abs() < 0.5
    };
    if let Some(share) = uniformities.iter().find(same_age).and_then(|flock| flock.uniformity.near_mean) {
        words += &format!(
            "; uniformity {:.0} % ({:.0} to {:.0})",
            share.pct, share.lower_pct, share.upper_pct
        );
    }
    words
}

/// To the gram; never "-0".
fn whole(value: f64) -> String {
    format!("{:.0}", value + 0.0)
}

/// With its sign, to the gram; zero without one.
fn signed(value_g: f64) -> String {
    if value_g.abs() < 0.5 { "0".to_owned() } else { format!("{value_g:+.0}") }
}
