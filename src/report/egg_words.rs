//! Text on the onset of lay by eggs counted in pens.

use crate::age::AgeUnit;
use crate::maturity::{EggEstimate, EggGroup, EggOnset, EggQuantity, Rise, RiseOrigin};
use crate::study::Study;

/// Ages at maturity of each group, and what they rest on.
#[must_use]
pub fn onset(study: &Study, eggs: &EggOnset, ages: AgeUnit) -> Vec<String> {
    let mut lines: Vec<String> = eggs
        .groups
        .iter()
        .map(|group| {
            let name = group
                .strain
                .map_or("pens of several strains", |strain| &study.strains[strain]);
            let pens = match group.pens.len() {
                1 => "1 pen".to_owned(),
                n => format!("{n} pens"),
            };
            format!("  {name} ({pens}): {}", of_group(group, ages))
        })
        .collect();
    let without = eggs.pens.iter().filter_map(|pen| {
        let reason = of(&pen.estimates, EggQuantity::InLay50)?
            .value
            .as_ref()
            .err()?;
        Some(format!("{} ({reason})", study.pens[pen.pen]))
    });
    let without: Vec<String> = without.collect();
    if !without.is_empty() {
        let more = match without.len().saturating_sub(MOST_NAMED) {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        let named = without.iter().take(MOST_NAMED).cloned().collect::<Vec<_>>();
        lines.push(format!(
            "  age at 50 % in lay is not estimable for pens {}{more}",
            named.join(", ")
        ));
    }
    lines.push(format!("  {}", rise(eggs)));
    if let Some(between_d) = eggs.between_pens_d {
        lines.push(format!(
            "  pens of a strain differ by an SD of {between_d:.1} d in their mean age"
        ));
    }
    if !eggs.families.is_empty() {
        // Two digits of a weight below this are zeros.
        let families = eggs.families.iter().filter(|(_, weight)| *weight >= 0.005);
        let families: Vec<String> = families
            .map(|(family, weight)| format!("{} {weight:.2}", family.name()))
            .collect();
        lines.push(format!(
            "  distributions of the age at first egg, with their weights: {}",
            families.join(", ")
        ));
    }
    lines.push(
        "  in lay: has laid its first egg; hen-day production: eggs over hens alive; hen-housed: over hens at the first count"
            .to_owned(),
    );
    lines
}

/// Pens named with their reason; more are counted.
const MOST_NAMED: usize = 5;

fn of(estimates: &[EggEstimate], quantity: EggQuantity) -> Option<&EggEstimate> {
    estimates.iter().find(|one| one.quantity == quantity)
}

fn of_group(group: &EggGroup, ages: AgeUnit) -> String {
    let words = |quantity: EggQuantity, what: &str| -> Option<String> {
        let one = of(&group.estimates, quantity)?.value.as_ref().ok()?;
        Some(match quantity {
            EggQuantity::SdAge => format!("{what} {:.1} d", one.value),
            EggQuantity::PeakProduction => format!("{what} {:.0} %", one.value),
            _ => match one.interval {
                Some(limits) => format!(
                    "{what} {}",
                    ages.show_interval(one.value, (limits.lower, limits.upper))
                ),
                None => format!("{what} {}", ages.show(one.value.round())),
            },
        })
    };
    let pieces = [
        words(EggQuantity::MeanAge, "mean age at first egg"),
        words(EggQuantity::SdAge, "SD"),
        words(EggQuantity::InLay5, "5 % in lay at"),
        words(EggQuantity::InLay50, "50 % at"),
        words(EggQuantity::InLay95, "95 % at"),
        words(EggQuantity::HalfProduction, "50 % hen-day production at"),
        words(EggQuantity::Peak, "peak at"),
        words(EggQuantity::PeakProduction, "with"),
    ];
    let pieces: Vec<String> = pieces.into_iter().flatten().collect();
    if pieces.is_empty() {
        let reason = of(&group.estimates, EggQuantity::InLay50)
            .and_then(|one| one.value.as_ref().err())
            .map_or("no reason", String::as_str);
        return format!("not estimable: {reason}");
    }
    pieces.join(", ")
}

/// Where the rise of a hen's rate comes from, and what it does to the ages.
#[must_use]
pub fn rise(eggs: &EggOnset) -> String {
    let Rise {
        days,
        days_sd,
        begins_at,
        begins_at_sd,
        origin,
    } = eggs.rise;
    let from = match origin {
        RiseOrigin::Assumed => "assumed".to_owned(),
        RiseOrigin::Given => "eggs.rise_d in study.toml".to_owned(),
        RiseOrigin::Ringed(birds) => format!("from the first eggs of {birds} ringed birds"),
    };
    let groups = eggs.groups.iter();
    let change = groups
        .filter_map(|group| of(&group.estimates, EggQuantity::InLay50)?.by_longer_rise)
        .next();
    let change = change.map_or(String::new(), |change_d| {
        format!(
            "; {days_sd:.1} d longer would put 50 % in lay {:.1} d {}",
            change_d.abs(),
            if change_d < 0.0 { "earlier" } else { "later" }
        )
    });
    let begins_at_sd = match begins_at_sd > 0.0 {
        true => format!(" (standard error {:.0} points)", 100.0 * begins_at_sd),
        false => String::new(),
    };
    format!(
        "rate of a hen after her first egg: from {:.0} % of her plateau{begins_at_sd} with a time constant of {days:.1} d, standard error {days_sd:.1} d ({from}), which eggs of pens cannot separate from the spread of ages{change}",
        100.0 * begins_at
    )
}
