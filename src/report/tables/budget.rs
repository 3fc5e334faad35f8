//! The tables of a plan under a budget: designs, their precision, and what it rests on.

use super::Columns;
use super::column::{Column, about, columns};
use crate::analysis::{PilotScans, ScanBudget};
use crate::plan::budget::{Aim, Cost, ScanDesign, Variance};
use crate::report::Table;

/// One way of scanning and number of repeats.
struct DesignLine<'a> {
    plan: &'a ScanBudget,
    at: usize,
    design: Option<ScanDesign>,
    /// What the design reaches.
    reaches: &'static str,
    careful: Option<usize>,
    reason: String,
}

impl DesignLine<'_> {
    fn cost(&self) -> Option<Cost> {
        Some(self.plan.budget.cost(self.design?, self.plan.extent))
    }

    fn passed(&self) -> Option<String> {
        let passed = self.plan.budget.passed(self.design?, &self.cost()?);
        Some(passed.join(", "))
    }
}

/// `scan_designs.csv`: the cheapest design of each way of scanning and number of repeats.
#[must_use]
pub fn designs(plan: &ScanBudget) -> Table {
    let columns = columns!("scan_designs", |line: DesignLine<'_>| {
        way("", "way of scanning") => line.plan.budget.scans[line.plan.offers.offers[line.at].way].way(),
        birds_per_scan("1", "birds in a scan") => line.plan.budget.scans[line.plan.offers.offers[line.at].way].birds,
        repeats("1", "scans of a bird or group on an occasion") => line.plan.offers.offers[line.at].repeats,
        reaches("", "all requirements, or those about strain means and calibration alone; empty where there is no design") => line.reaches,
        chosen("", "whether this is the cheapest design within the limits that reaches all requirements") => line.reaches == "all requirements" && line.plan.offers.chosen == Some(line.at),
        birds_per_strain("1", "birds of each strain that are scanned at every age") => line.design.map(|design| design.birds),
        careful_birds_per_strain("1", "the same with the variance between birds at the upper 80 % limit of the pilot's estimate; empty where none will do") => line.careful,
        carcasses("1", "birds killed for analysis beside those of the pilot") => line.design.map(|design| design.carcasses),
        birds_in_all("1", "birds scanned or analysed") => line.cost().map(|cost| cost.birds),
        scans_in_all("1", "scans, those of the carcasses with them") => line.cost().map(|cost| cost.scans),
        hours("h", "work") => line.cost().map(|cost| cost.hours),
        cost("1", "money, work with it, in the currency of the budget") => line.cost().map(|cost| cost.money),
        currency("", "the currency that the budget names") => &*line.plan.budget.currency,
        limits_passed("", "limits of the budget that the design passes: money, hours, birds, killed") => line.passed(),
        bird_curves("", "whether the scans give curves of single birds, their spread and body regions") => line.plan.budget.scans[line.plan.offers.offers[line.at].way].birds == 1,
        status => if line.design.is_some() { "supported" } else { "not estimable" },
        reason => &*line.reason,
    });
    columns.filled(0, |add| {
        for (at, offer) in plan.offers.offers.iter().enumerate() {
            let line = |design, reaches, reason: &str| DesignLine {
                plan,
                at,
                design,
                reaches,
                careful: design.and_then(|design| plan.careful_birds(design)),
                reason: reason.to_owned(),
            };
            match &offer.all {
                Ok(design) => add(line(Some(*design), "all requirements", "")),
                Err(why) => {
                    add(line(None, "", why));
                    if offer.means.is_some() {
                        add(line(offer.means, "strain means and calibration", ""));
                    }
                }
            }
        }
    })
}

/// What a design makes of one estimate at one strain and age.
struct PrecisionLine<'a> {
    plan: &'a ScanBudget,
    design: ScanDesign,
    pilot: usize,
    aim: Aim,
    place: usize,
    variance: Option<Variance>,
}

impl PrecisionLine<'_> {
    fn half_width_pct(&self) -> Option<f64> {
        let birds = self.plan.budget.scans[self.design.way].birds;
        let scope = (self.place, self.plan.extent, self.plan.budget.level);
        self.plan.pilots[self.pilot].half_width_pct(self.aim, (self.design, birds), scope)
    }

    fn mass_g(&self) -> f64 {
        self.plan.pilots[self.pilot].places[self.place].mass_g
    }

    fn share(&self, of: impl Fn(&Variance) -> f64) -> Option<f64> {
        let variance = self.variance.as_ref()?;
        let total = variance.total();
        (total > 0.0).then(|| 100.0 * of(variance) / total)
    }

    fn reaches(&self) -> Option<bool> {
        Some(self.half_width_pct()? <= self.wanted()?)
    }

    fn wanted(&self) -> Option<f64> {
        let name = &self.plan.pilots[self.pilot].name;
        let mut requirements = self.plan.budget.requirements.iter();
        requirements
            .find(|requirement| requirement.trait_name == *name)?
            .of(self.aim)
    }
}

/// `scan_precision.csv`: how precisely each design estimates strain means, birds' curves and
/// the calibration.
#[must_use]
pub fn precision(plan: &ScanBudget) -> Table {
    let columns = columns!("scan_precision", |line: PrecisionLine<'_>| {
        way("", "way of scanning") => line.plan.budget.scans[line.design.way].way(),
        repeats("1", "scans of a bird or group on an occasion") => line.design.repeats,
        birds_per_strain("1", "birds of each strain that are scanned at every age") => line.design.birds,
        carcasses("1", "birds killed for analysis beside those of the pilot") => line.design.carcasses,
        estimate("", "strain mean; bird's curve: what a bird keeps at all ages above or below its strain; calibration: what the equation's error leaves in all scans alike") => line.aim.word(),
        trait => &*line.plan.pilots[line.pilot].name,
        strain => &*line.plan.pilots[line.pilot].places[line.place].strain,
        age_d => line.plan.pilots[line.pilot].places[line.place].age_d,
        mean_g("g", "mean corrected mass of the pilot's birds, between the ages scanned on either side") => line.mass_g(),
        std_error_pct("%", "expected standard error, of the mean mass") => line.variance.map(|variance| 100.0 * variance.total().sqrt()),
        half_width_pct("%", "half width of the interval, of the mean mass") => line.half_width_pct(),
        half_width_g("g", "the same in grams") => line.half_width_pct().map(|pct| 0.01 * pct * line.mass_g()),
        wanted_pct("%", "required half width; empty where none is required") => line.wanted(),
        reaches("", "whether the half width is no greater than the required one") => line.reaches(),
        birds_share_pct("%", "share of the variance that comes from differences between birds") => line.share(|variance| variance.birds),
        scans_share_pct("%", "share that comes from the scans individually") => line.share(|variance| variance.scans),
        offset_share_pct("%", "share that comes from the offset of the way, the same for all its scans") => line.share(|variance| variance.offset),
        equation_share_pct("%", "share that comes from the equation, the same for all scans") => line.share(|variance| variance.equation),
        status => if line.variance.is_some() { "supported" } else { "not estimable" },
        reason => if line.variance.is_some() { "" } else { "the way gives no curve of a single bird, or the pilot shows no lasting difference between birds" },
    });
    columns.filled(0, |add| {
        for offer in &plan.offers.offers {
            let Some(design) = offer.all.as_ref().ok().copied().or(offer.means) else {
                continue;
            };
            for (pilot, own) in plan.pilots.iter().enumerate() {
                for aim in Aim::ALL {
                    for place in 0..own.places.len() {
                        let birds = plan.budget.scans[design.way].birds;
                        let scope = (place, plan.extent);
                        let variance = own.variance(aim, (design, birds), scope);
                        add(PrecisionLine {
                            plan,
                            design,
                            pilot,
                            aim,
                            place,
                            variance,
                        });
                    }
                }
            }
        }
    })
}

/// One component of the error.
#[derive(Default)]
struct ComponentLine<'a> {
    trait_name: &'a str,
    component: &'static str,
    way: String,
    strain: &'a str,
    age_d: Option<f64>,
    sd_pct: Option<f64>,
    n: Option<usize>,
    reason: &'a str,
}

/// `scan_components.csv`: the pilot's estimates of the errors that a plan under a budget rests on.
#[must_use]
pub fn components(pilot: &PilotScans, ways: &[String]) -> Table {
    let columns = columns!("scan_components", |line: ComponentLine<'_>| {
        trait => line.trait_name,
        component("", "between birds (of a strain at one age); bird (the part that it keeps at all ages); scan (what repeats do not average); repeat (what differs between repeats, by the spread of repeats at any mass and no more than all of the scan's error); offset (of the way, common to its scans); equation (common to all scans)") => line.component,
        way("", "way of scanning; empty where the component does not depend on it") => &*line.way,
        strain => line.strain,
        age_d => line.age_d,
        sd_pct("%", "standard deviation, of the strain's mean mass") => line.sd_pct,
        n("1", "birds behind it: those with corrected scans, or those that the equation was fitted to") => line.n,
        status => if line.sd_pct.is_some() { "supported" } else { "not estimable" },
        reason => line.reason,
    });
    columns.filled(0, |add| {
        for own in &pilot.components {
            let line = |component, variance: Option<f64>| ComponentLine {
                trait_name: &own.trait_name,
                component,
                sd_pct: variance.map(|variance| 100.0 * variance.max(0.0).sqrt()),
                n: Some(own.birds),
                ..ComponentLine::default()
            };
            add(line("between birds", Some(own.between_variance)));
            add(ComponentLine {
                reason: match own.bird_variance {
                    Some(_) => "",
                    None => "no bird was scanned at two ages",
                },
                ..line("bird", own.bird_variance)
            });
            for (way, errors) in ways.iter().zip(&own.ways) {
                let of_way = |component, variance| ComponentLine {
                    way: way.clone(),
                    n: None,
                    ..line(component, variance)
                };
                match errors {
                    Err(why) => add(ComponentLine {
                        reason: why,
                        ..of_way("scan", None)
                    }),
                    Ok(errors) => {
                        for (error, age_d) in errors.iter().zip(&pilot.ages_d) {
                            let parts = [
                                ("scan", Some(error.steady), ""),
                                (
                                    "repeat",
                                    error.repeat,
                                    "the pilot did not repeat scans made so",
                                ),
                                ("offset", Some(error.offset), ""),
                            ];
                            for (component, variance, why) in parts {
                                add(ComponentLine {
                                    age_d: Some(*age_d),
                                    reason: if variance.is_some() { "" } else { why },
                                    ..of_way(component, variance)
                                });
                            }
                        }
                    }
                }
            }
            for place in &own.places {
                add(ComponentLine {
                    strain: &place.strain,
                    age_d: Some(place.age_d),
                    n: Some(own.equation_birds),
                    ..line("equation", Some(place.equation_variance))
                });
            }
        }
    })
}
