//! The tables of the scanner: repeatability, protocol, agreement, feathers, rejected scans.

use super::Columns;
use super::column::{Column, about, columns};
use crate::composition::agreement::AgreementRow;
use crate::composition::chemistry::ClosureRow;
use crate::composition::feather_ages::FeatherAgeRow;
use crate::composition::feathers::RouteRow;
use crate::composition::quality::{RegionRow, RejectedScan};
use crate::composition::repeatability::{MethodRow, ProtocolRow, RepeatabilityRow};
use crate::report::Table;

/// `repeatability.csv`: precision of each trait by each way of scanning.
#[must_use]
pub fn repeatability(rows: &[RepeatabilityRow]) -> Table {
    columns!("repeatability", |row: &RepeatabilityRow| {
        trait("", "reading of the scanner; total is fat + lean + bone; further readings as study.toml names them") => &row.trait_name,
        method("", "what sets the way of scanning apart from the others, as in restraint=tube; all where there is one way") => &row.method,
        subjects("1", "birds or groups at one age scanned at least twice alike") => row.subjects,
        scans("1", "scans of these subjects") => row.scans,
        df("1", "degrees of freedom of rms_sd") => row.df,
        rms_sd("see unit", "root mean square of the SDs between repeated scans of a subject") => row.rms_sd,
        rms_cv_pct("%", "root mean square coefficient of variation between repeated scans") => row.rms_cv_pct,
        lower("see unit", "lower limit of rms_sd") => row.lower,
        upper("see unit", "upper limit of rms_sd") => row.upper,
        lsc("see unit", "least significant change between two single scans (95 %)") => row.lsc,
        spread("", "form of the SD by mass with the lowest AICc: constant, proportional or power") => row.spread.kind.word(),
        sd_factor("see unit", "SD at a mass of 1: the SD at mass m is sd_factor m^sd_power") => row.spread.factor,
        sd_power("1", "power of the mass in the chosen form") => row.spread.power,
        power_estimate("1", "maximum likelihood estimate of that power, whichever form was chosen") => row.spread.estimated.map(|power| power.power),
        power_lower("1", "lower limit of power_estimate") => row.spread.estimated.map(|power| power.interval.lower),
        power_upper("1", "upper limit of power_estimate") => row.spread.estimated.map(|power| power.interval.upper),
        p_constant("1", "P value of an SD that is the same at any mass (likelihood ratio test)") => row.spread.estimated.map(|power| power.p_value),
        least_mass("see unit", "least mean mass that was scanned repeatedly") => row.at_least.mass,
        lsc_at_least_mass("see unit", "least significant change at that mass") => row.at_least.lsc,
        greatest_mass("see unit", "greatest mean mass that was scanned repeatedly") => row.at_greatest.mass,
        lsc_at_greatest_mass("see unit", "least significant change at that mass") => row.at_greatest.lsc,
        unit => &*row.unit,
    })
    .table(rows)
}

/// `method_ratios.csv`: the variance of one method over that of another.
#[must_use]
pub fn method_ratios(rows: &[MethodRow]) -> Table {
    columns!("method_ratios", |row: &MethodRow| {
        trait("", "reading of the scanner; total is fat + lean + bone") => &row.trait_name,
        method_a("", "first method") => &row.method_a,
        method_b("", "second method") => &row.method_b,
        variance_ratio("1", "variance between repeated scans by the first method over that by the second") => row.variance_ratio,
        lower("1", "lower limit of that ratio") => row.lower,
        upper("1", "upper limit of that ratio") => row.upper,
        p_value("1", "two-sided P value of equal variances (F)") => row.p_value,
    })
    .table(rows)
}

/// `protocol.csv`: bias and rejected scans of each way of scanning and of each of its
/// features, with the precision of those that were repeated.
#[must_use]
pub fn protocol(rows: &[ProtocolRow]) -> Table {
    columns!("protocol", |row: &ProtocolRow| {
        trait("", "reading of the scanner; total is fat + lean + bone") => &row.trait_name,
        method("", "what sets the scans apart, as in restraint=tube") => &row.method,
        subjects("1", "birds or groups at one age scanned at least twice alike; empty without repeats, as is all precision") => row.precision.as_ref().map(|one| one.subjects),
        df("1", "degrees of freedom of rms_sd") => row.precision.as_ref().map(|one| one.df),
        rms_sd("g", "root mean square of the SDs between repeated scans of a subject") => row.precision.as_ref().map(|one| one.rms_sd),
        rms_sd_lower("g", "lower limit of rms_sd") => row.precision.as_ref().map(|one| one.lower),
        rms_sd_upper("g", "upper limit of rms_sd") => row.precision.as_ref().map(|one| one.upper),
        rms_cv_pct("%", "root mean square coefficient of variation between repeated scans") => row.precision.as_ref().and_then(|one| one.rms_cv_pct),
        lsc("g", "least significant change between two single scans (95 %)") => row.precision.as_ref().map(|one| one.lsc),
        reference("", "what the bias is against: scale weight for total, otherwise the method of the same kind with the most scans") => &row.reference,
        pairs("1", "pairs of this method and the reference behind the bias") => row.pairs,
        bias("g", "mean of this method minus the reference; empty for the reference itself and for fewer than two pairs") => row.bias,
        bias_lower("g", "lower limit of the bias") => row.bias_lower,
        bias_upper("g", "upper limit of the bias") => row.bias_upper,
        scans("1", "whole-body scans by this method, kept or rejected") => row.scans,
        rejected("1", "scans rejected") => row.rejected,
        rejected_pct("%", "share of the scans rejected") => row.rejected_pct,
    })
    .table(rows)
}

/// `agreement.csv`: reading and prediction against chemistry, or one way of scanning against
/// another.
#[must_use]
pub fn agreement(rows: &[AgreementRow]) -> Table {
    columns!("agreement", |row: &AgreementRow| {
        trait("", "what is compared; total is fat + lean + bone") => &row.trait_name,
        stage("", "before: reading (second) against chemistry (first); after: prediction of birds left out against chemistry; or what is compared") => &row.stage,
        n("1", "pairs") => row.n,
        bias("g", "mean of second minus first") => row.bias,
        sd("g", "standard deviation of the differences") => row.sd,
        lower_limit("g", "lower limit of agreement: 95 % of the differences lie between the two") => row.lower_limit,
        upper_limit("g", "upper limit of agreement") => row.upper_limit,
        concordance("1", "Lin's concordance coefficient") => row.concordance,
        concordance_lower("1", "lower limit of the concordance") => row.concordance_lower,
        concordance_upper("1", "upper limit of the concordance") => row.concordance_upper,
        deming_slope("1", "slope of Deming's line of second on first") => row.deming_slope,
        deming_intercept("g", "intercept of Deming's line") => row.deming_intercept,
        calibration_slope("1", "least-squares slope of first on second: 1 where the second is calibrated") => row.calibration_slope,
        rmse("g", "root mean square difference; after correction that of birds left out whole") => row.rmse,
        rmse_pct("%", "root mean square difference, percent of the mean of the first") => row.rmse_pct,
        bias_lower("g", "lower limit of the bias") => row.bias_interval.lower,
        bias_upper("g", "upper limit of the bias") => row.bias_interval.upper,
        lower_limit_lower("g", "lower end of the interval of the lower limit of agreement") => row.lower_limit_interval.lower,
        lower_limit_upper("g", "upper end of the interval of the lower limit of agreement") => row.lower_limit_interval.upper,
        upper_limit_lower("g", "lower end of the interval of the upper limit of agreement") => row.upper_limit_interval.lower,
        upper_limit_upper("g", "upper end of the interval of the upper limit of agreement") => row.upper_limit_interval.upper,
        deming_slope_lower("1", "lower limit of Deming's slope (jackknife, t on n - 2)") => row.deming_slope_interval.map(|limits| limits.lower),
        deming_slope_upper("1", "upper limit of Deming's slope") => row.deming_slope_interval.map(|limits| limits.upper),
        deming_intercept_lower("g", "lower limit of Deming's intercept") => row.deming_intercept_interval.map(|limits| limits.lower),
        deming_intercept_upper("g", "upper limit of Deming's intercept") => row.deming_intercept_interval.map(|limits| limits.upper),
        proportional_slope("1", "change of the difference per unit of the mean of both (least squares); empty with fewer than 3 pairs or no spread") => row.proportional_bias.map(|line| line.slope),
        proportional_slope_lower("1", "lower limit of that slope") => row.proportional_bias.map(|line| line.slope_interval.lower),
        proportional_slope_upper("1", "upper limit of that slope") => row.proportional_bias.map(|line| line.slope_interval.upper),
        unit("", "unit of biases, limits and errors: g; of a density that of its readings") => &row.unit,
    })
    .table(rows)
}

/// A scan that was not used, with the equations that it was not used by (empty:
/// rejected before any).
pub type NotUsed = (RejectedScan, String);

/// `rejected_scans.csv`: every scan that was not used, and why.
#[must_use]
pub fn rejected_scans(rows: &[NotUsed]) -> Table {
    columns!("rejected_scans", |(row, equation): &NotUsed| {
        scan => &row.scan,
        birds => &row.bird,
        age_d => row.age_d,
        region("", "region of the body that was read") => &row.region,
        restraint("", "how the bird was held") => &row.restraint,
        row => row.row,
        equation("", "equations that the scan was not used by; empty where it was rejected before any") => equation,
        reason("", "why the scan was not used") => &row.reason,
    })
    .table(rows)
}

/// `closure.csv`: whether the laboratory's parts add up to the fresh mass.
#[must_use]
pub fn closure(rows: &[ClosureRow]) -> Table {
    columns!("closure", |row: &ClosureRow| {
        bird => &row.bird,
        part("", "part that was analysed: whole, body or feathers") => row.part.word(),
        mass_g("g", "its fresh mass") => row.masses.mass_g,
        water_g("g", "water") => row.masses.water_g,
        protein_g("g", "crude protein") => row.masses.protein_g,
        fat_g("g", "ether extract") => row.masses.fat_g,
        ash_g("g", "ash") => row.masses.ash_g,
        closure_pct("%", "water + protein + fat + ash, percent of the fresh mass") => row.closure_pct,
        within_tolerance("", "yes where that is within the tolerance of 100 %") => row.within,
        row => row.row,
    })
    .table(rows)
}

/// `regions.csv`: whether the regions of a scan add up to its whole.
#[must_use]
pub fn regions(rows: &[RegionRow]) -> Table {
    columns!("regions", |row: &RegionRow| {
        scan => &row.scan,
        birds => &row.bird,
        age_d => row.age_d,
        trait("", "tissue read: fat, lean or bone") => row.tissue.name(),
        regions("", "regions that were added") => row.regions.join("+"),
        whole_g("g", "reading of the whole") => row.whole_g,
        sum_g("g", "sum of the regions' readings") => row.sum_g,
        sum_pct("%", "that sum, percent of the whole") => row.sum_pct,
        within_tolerance("", "yes where the sum is within the tolerance of 100 % and no region is missing") => row.within,
        row => row.row,
    })
    .table(rows)
}

/// `feathers.csv`: feathers by strain and age: their mass and share of the bird, and what
/// they add to each reading.
#[must_use]
pub fn feathers(rows: &[FeatherAgeRow]) -> Table {
    columns!("feathers", |row: &FeatherAgeRow| {
        strain => &row.strain,
        age_d => row.age_d,
        n("1", "birds whose feathers were analysed") => row.n,
        feathers_g("g", "mean mass of the feathers") => row.feathers_g.map(|mean| mean.value),
        share_pct("%", "mean share of feathers in the whole bird") => row.share_pct.map(|mean| mean.value),
        share_std_error("%", "standard error of that mean share") => row.share_pct.and_then(|mean| mean.std_error),
        pairs("1", "carcasses scanned intact and plucked") => row.pairs,
        fat_effect_g("g", "what feathers add to the fat reading: mean of intact minus plucked") => row.effects_g[0].map(|mean| mean.value),
        fat_effect_std_error("g", "standard error of that mean") => row.effects_g[0].and_then(|mean| mean.std_error),
        lean_effect_g("g", "what feathers add to the lean reading: mean of intact minus plucked") => row.effects_g[1].map(|mean| mean.value),
        lean_effect_std_error("g", "standard error of that mean") => row.effects_g[1].and_then(|mean| mean.std_error),
        bone_effect_g("g", "what feathers add to the bone reading: mean of intact minus plucked") => row.effects_g[2].map(|mean| mean.value),
        bone_effect_std_error("g", "standard error of that mean") => row.effects_g[2].and_then(|mean| mean.std_error),
    })
    .table(rows)
}

/// `feather_routes.csv`: an explicit feather step against one regression on intact scans, by
/// the error of birds left out of every step.
#[must_use]
pub fn feather_routes(rows: &[RouteRow]) -> Table {
    columns!("feather_routes", |row: &RouteRow| {
        trait => &row.trait_name,
        route("", "feather step: reading without the feathers' effect, then an equation for plucked birds; one regression: an equation for intact birds") => &row.route,
        n("1", "birds predicted while left out") => row.n,
        unpredictable("1", "birds without which the route cannot be fitted") => row.unpredictable,
        bias("g", "mean of predicted minus chemistry, birds left out") => row.bias,
        cross_validated_rmse("g", "root mean square error of birds left out") => row.cross_validated_rmse,
        cross_validated_rmse_pct("%", "root mean square error of birds left out, percent of the mean chemistry") => row.cross_validated_rmse_pct,
    })
    .table(rows)
}
