//! The tables of the scanner: repeatability, protocol, agreement, feathers,
//! rejected scans.

use crate::composition::agreement::AgreementRow;
use crate::composition::chemistry::ClosureRow;
use crate::composition::feather_ages::FeatherAgeRow;
use crate::composition::feathers::RouteRow;
use crate::composition::quality::{RegionRow, RejectedScan};
use crate::composition::repeatability::{MethodRow, ProtocolRow, RepeatabilityRow};
use crate::report::Table;

/// `repeatability.csv`: precision of each trait by each way of scanning.
///
/// `lower` and `upper` are limits of the RMS-SD; `lsc` is the least significant change
/// between two single scans (95 percent), in the unit of the trait. `spread` says how the
/// SD depends on the mass, as `sd_factor` times mass to the power `sd_power`;
/// `power_estimate` and its limits are estimated whichever form was chosen.
#[must_use]
pub fn repeatability(rows: &[RepeatabilityRow]) -> Table {
    let mut table = Table::new(
        "repeatability",
        &[
            "trait",
            "method",
            "subjects",
            "scans",
            "df",
            "rms_sd",
            "rms_cv_pct",
            "lower",
            "upper",
            "lsc",
            "spread",
            "sd_factor",
            "sd_power",
            "power_estimate",
            "power_lower",
            "power_upper",
            "p_constant",
            "least_mass",
            "lsc_at_least_mass",
            "greatest_mass",
            "lsc_at_greatest_mass",
        ],
    );
    for row in rows {
        let power = row.spread.estimated;
        table
            .row()
            .text(&row.trait_name)
            .text(&row.method)
            .whole(row.subjects)
            .whole(row.scans)
            .whole(row.df)
            .number(row.rms_sd)
            .number(row.rms_cv_pct)
            .number(row.lower)
            .number(row.upper)
            .number(row.lsc)
            .text(row.spread.kind.word())
            .number(row.spread.factor)
            .number(row.spread.power)
            .number(power.map(|power| power.power))
            .number(power.map(|power| power.interval.lower))
            .number(power.map(|power| power.interval.upper))
            .number(power.map(|power| power.p_value))
            .number(row.at_least.mass)
            .number(row.at_least.lsc)
            .number(row.at_greatest.mass)
            .number(row.at_greatest.lsc);
    }
    table
}

/// `method_ratios.csv`: the variance of one method over that of another.
#[must_use]
pub fn method_ratios(rows: &[MethodRow]) -> Table {
    let mut table = Table::new(
        "method_ratios",
        &[
            "trait",
            "method_a",
            "method_b",
            "variance_ratio",
            "lower",
            "upper",
            "p_value",
        ],
    );
    for row in rows {
        table
            .row()
            .text(&row.trait_name)
            .text(&row.method_a)
            .text(&row.method_b)
            .number(row.variance_ratio)
            .number(row.lower)
            .number(row.upper)
            .number(row.p_value);
    }
    table
}

/// `protocol.csv`: what a scanning protocol is written from, a row a method and trait.
///
/// The precision cells are empty for a method without repeats; the bias cells for
/// the reference method itself and for fewer than two pairs.
#[must_use]
pub fn protocol(rows: &[ProtocolRow]) -> Table {
    let mut table = Table::new(
        "protocol",
        &[
            "trait",
            "method",
            "subjects",
            "df",
            "rms_sd",
            "rms_sd_lower",
            "rms_sd_upper",
            "rms_cv_pct",
            "lsc",
            "reference",
            "pairs",
            "bias",
            "bias_lower",
            "bias_upper",
            "scans",
            "rejected",
            "rejected_pct",
        ],
    );
    for row in rows {
        let precision = row.precision.as_ref();
        table
            .row()
            .text(&row.trait_name)
            .text(&row.method)
            .whole(precision.map(|precision| precision.subjects))
            .whole(precision.map(|precision| precision.df))
            .number(precision.map(|precision| precision.rms_sd))
            .number(precision.map(|precision| precision.lower))
            .number(precision.map(|precision| precision.upper))
            .number(precision.and_then(|precision| precision.rms_cv_pct))
            .number(precision.map(|precision| precision.lsc))
            .text(&row.reference)
            .whole(row.pairs)
            .number(row.bias)
            .number(row.bias_lower)
            .number(row.bias_upper)
            .whole(row.scans)
            .whole(row.rejected)
            .number(row.rejected_pct);
    }
    table
}

/// `agreement.csv`: reading and prediction against chemistry, or one way of
/// scanning against another.
///
/// `bias` is the second less the first (reading less chemistry); `rmse` of the
/// stage `after` is that of birds left out whole.
#[must_use]
pub fn agreement(rows: &[AgreementRow]) -> Table {
    let mut table = Table::new(
        "agreement",
        &[
            "trait",
            "stage",
            "n",
            "bias",
            "sd",
            "lower_limit",
            "upper_limit",
            "concordance",
            "concordance_lower",
            "concordance_upper",
            "deming_slope",
            "deming_intercept",
            "calibration_slope",
            "rmse",
            "rmse_pct",
            "bias_lower",
            "bias_upper",
            "lower_limit_lower",
            "lower_limit_upper",
            "upper_limit_lower",
            "upper_limit_upper",
            "deming_slope_lower",
            "deming_slope_upper",
            "deming_intercept_lower",
            "deming_intercept_upper",
        ],
    );
    for row in rows {
        table
            .row()
            .text(&row.trait_name)
            .text(&row.stage)
            .whole(row.n)
            .number(row.bias)
            .number(row.sd)
            .number(row.lower_limit)
            .number(row.upper_limit)
            .number(row.concordance)
            .number(row.concordance_lower)
            .number(row.concordance_upper)
            .number(row.deming_slope)
            .number(row.deming_intercept)
            .number(row.calibration_slope)
            .number(row.rmse)
            .number(row.rmse_pct)
            .number(row.bias_interval.lower)
            .number(row.bias_interval.upper)
            .number(row.lower_limit_interval.lower)
            .number(row.lower_limit_interval.upper)
            .number(row.upper_limit_interval.lower)
            .number(row.upper_limit_interval.upper)
            .number(row.deming_slope_interval.map(|interval| interval.lower))
            .number(row.deming_slope_interval.map(|interval| interval.upper))
            .number(row.deming_intercept_interval.map(|interval| interval.lower))
            .number(row.deming_intercept_interval.map(|interval| interval.upper));
    }
    table
}

/// A scan that was not used, with the equations that it was not used by (empty:
/// rejected before any).
pub type NotUsed = (RejectedScan, String);

/// `rejected_scans.csv`: every scan that was not used, and why.
#[must_use]
pub fn rejected_scans(rows: &[NotUsed]) -> Table {
    let mut table = Table::new(
        "rejected_scans",
        &[
            "scan",
            "bird",
            "age_d",
            "region",
            "restraint",
            "row",
            "equation",
            "reason",
        ],
    );
    for (row, equation) in rows {
        table
            .row()
            .text(&row.scan)
            .text(&row.bird)
            .number(row.age_d)
            .text(&row.region)
            .text(&row.restraint)
            .whole(row.row as usize)
            .text(equation)
            .text(&row.reason);
    }
    table
}

/// `closure.csv`: whether the laboratory's parts add up to the fresh mass.
#[must_use]
pub fn closure(rows: &[ClosureRow]) -> Table {
    let mut table = Table::new(
        "closure",
        &[
            "bird",
            "part",
            "mass_g",
            "water_g",
            "protein_g",
            "fat_g",
            "ash_g",
            "closure_pct",
            "within",
            "row",
        ],
    );
    for row in rows {
        table
            .row()
            .text(&row.bird)
            .text(row.part.word())
            .number(row.masses.mass_g)
            .number(row.masses.water_g)
            .number(row.masses.protein_g)
            .number(row.masses.fat_g)
            .number(row.masses.ash_g)
            .number(row.closure_pct)
            .text(yes(row.within))
            .whole(row.row as usize);
    }
    table
}

/// `regions.csv`: whether the regions of a scan add up to its whole.
#[must_use]
pub fn regions(rows: &[RegionRow]) -> Table {
    let mut table = Table::new(
        "regions",
        &[
            "scan", "bird", "age_d", "trait", "regions", "whole_g", "sum_g", "sum_pct", "within",
            "row",
        ],
    );
    for row in rows {
        table
            .row()
            .text(&row.scan)
            .text(&row.bird)
            .number(row.age_d)
            .text(row.tissue.name())
            .text(&row.regions.join("+"))
            .number(row.whole_g)
            .number(row.sum_g)
            .number(row.sum_pct)
            .text(yes(row.within))
            .whole(row.row as usize);
    }
    table
}

/// `feathers.csv`: feathers by strain and age: their mass and share of the bird,
/// and what they add to each reading (intact less plucked, g).
#[must_use]
pub fn feathers(rows: &[FeatherAgeRow]) -> Table {
    let mut table = Table::new(
        "feathers",
        &[
            "strain",
            "age_d",
            "n",
            "feathers_g",
            "share_pct",
            "share_std_error",
            "pairs",
            "fat_effect_g",
            "fat_effect_std_error",
            "lean_effect_g",
            "lean_effect_std_error",
            "bone_effect_g",
            "bone_effect_std_error",
        ],
    );
    for row in rows {
        let mut cells = table.row();
        cells
            .text(&row.strain)
            .number(row.age_d)
            .whole(row.n)
            .number(row.feathers_g.map(|mean| mean.value))
            .number(row.share_pct.map(|mean| mean.value))
            .number(row.share_pct.and_then(|mean| mean.std_error))
            .whole(row.pairs);
        for effect in &row.effects_g {
            cells
                .number(effect.map(|mean| mean.value))
                .number(effect.and_then(|mean| mean.std_error));
        }
    }
    table
}

/// `feather_routes.csv`: an explicit feather step against one regression on intact
/// scans, by the error of birds left out of every step.
#[must_use]
pub fn feather_routes(rows: &[RouteRow]) -> Table {
    let mut table = Table::new(
        "feather_routes",
        &[
            "trait",
            "route",
            "n",
            "unpredictable",
            "bias",
            "cross_validated_rmse",
            "cross_validated_rmse_pct",
        ],
    );
    for row in rows {
        table
            .row()
            .text(&row.trait_name)
            .text(&row.route)
            .whole(row.n)
            .whole(row.unpredictable)
            .number(row.bias)
            .number(row.cross_validated_rmse)
            .number(row.cross_validated_rmse_pct);
    }
    table
}

fn yes(is: bool) -> &'static str {
    if is { "yes" } else { "no" }
}
