//! The cheapest design of each way and number of repeats, and the cheapest of all.

use super::{Aim, Budget, Cost, Extent, PilotTrait, ScanDesign};
use crate::plan::power::least_number;

/// Most birds a strain, and most carcasses, that are looked at where no limit is lower.
const MOST_BIRDS: usize = 2000;
const MOST_CARCASSES: usize = 400;
/// Numbers of carcasses along a line of precision by cost.
const CARCASS_STEPS: usize = 40;

/// What a way of scanning, with some number of repeats, has to offer.
#[derive(Debug, Clone, PartialEq)]
pub struct Offer {
    /// Place of the way in [`Budget::scans`].
    pub way: usize,
    /// Scans of a bird or group on an occasion.
    pub repeats: usize,
    /// The cheapest design that reaches all requirements, or why there is none.
    pub all: Result<ScanDesign, String>,
    /// The cheapest that reaches those about strain means and equations; none where no
    /// design does.
    pub means: Option<ScanDesign>,
}

/// All offers.
#[derive(Debug, Clone, PartialEq)]
pub struct Offers {
    /// By way and repeats.
    pub offers: Vec<Offer>,
    /// Place of the cheapest offer within the limits that reaches all requirements.
    pub chosen: Option<usize>,
    /// The cheapest that reaches all requirements, limits or not.
    pub cheapest: Option<usize>,
    /// Where none within the limits reaches the requirements: the design within them that comes
    /// nearest, with the greatest ratio of a half width to the one required.
    pub nearest: Option<(ScanDesign, f64)>,
}

/// Weighs all ways and repeats.
#[must_use]
pub fn offers(budget: &Budget, pilots: &[PilotTrait], extent: Extent) -> Offers {
    let search = Search {
        budget,
        pilots,
        extent,
    };
    let mut offers = Vec::new();
    for (way, scan) in budget.scans.iter().enumerate() {
        for repeats in 1..=scan.most_repeats {
            offers.push(search.offer(way, repeats));
        }
    }
    let cost = |offer: &Offer| {
        let design = *offer.all.as_ref().ok()?;
        Some((budget.cost(design, extent), design))
    };
    let cheapest = |allowed: &dyn Fn(&Cost, ScanDesign) -> bool| {
        let costs = offers.iter().enumerate();
        let costs = costs.filter_map(|(at, offer)| Some((at, cost(offer)?)));
        costs
            .filter(|(_, (cost, design))| allowed(cost, *design))
            .min_by(|(_, (a, _)), (_, (b, _))| a.order().total_cmp(&b.order()))
            .map(|(at, _)| at)
    };
    let chosen = cheapest(&|cost, design| budget.passed(design, cost).is_empty());
    let any = cheapest(&|_, _| true);
    let nearest = match chosen {
        Some(_) => None,
        None => search.nearest(),
    };
    Offers {
        chosen,
        cheapest: any,
        nearest,
        offers,
    }
}

/// Birds a strain that a design needs to reach these aims, all else kept; none where no
/// number will do.
#[must_use]
pub fn birds_needed(
    budget: &Budget,
    pilots: &[PilotTrait],
    extent: Extent,
    (design, aims): (ScanDesign, &[Aim]),
) -> Option<usize> {
    let search = Search {
        budget,
        pilots,
        extent,
    };
    let group = budget.scans[design.way].birds;
    let with = |units: usize| ScanDesign {
        birds: units * group,
        ..design
    };
    let reaches = |units: usize| {
        search
            .ratio(with(units), aims)
            .is_some_and(|ratio| ratio <= 1.0)
    };
    least_number(2, (MOST_BIRDS / group).max(2), reaches).map(|units| units * group)
}

/// The least half width (percent) of an aim that money buys with a way and number of
/// repeats: money ascending, half width descending; empty where the pilot does not determine it.
#[must_use]
pub fn least_half_widths(
    (budget, pilot): (&Budget, &PilotTrait),
    extent: Extent,
    (way, repeats, aim): (usize, usize, Aim),
) -> Vec<(f64, f64)> {
    let group = budget.scans[way].birds;
    let most = budget.limits.killed.unwrap_or(MOST_CARCASSES);
    let mut tried = Vec::new();
    for step in 0..=CARCASS_STEPS {
        let carcasses = most * step / CARCASS_STEPS;
        let mut units = 2;
        while units * group <= MOST_BIRDS {
            let design = ScanDesign {
                way,
                repeats,
                birds: units * group,
                carcasses,
            };
            let scope = (extent, budget.level);
            if let Some(widest) = pilot.widest_pct(aim, (design, group), scope) {
                tried.push((budget.cost(design, extent).money, widest));
            }
            units += units.div_ceil(10);
        }
    }
    tried.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let mut least: Vec<(f64, f64)> = Vec::new();
    for (money, widest) in tried {
        if least.last().is_none_or(|(_, best)| widest < *best) {
            least.push((money, widest));
        }
    }
    least
}

impl Cost {
    /// Money, and of designs that cost the same the one with less work.
    fn order(&self) -> f64 {
        self.money + 1e-9 * self.hours
    }
}

struct Search<'a> {
    budget: &'a Budget,
    pilots: &'a [PilotTrait],
    extent: Extent,
}

impl Search<'_> {
    /// The greatest ratio of a half width to the one required, over these aims; none where the
    /// pilot does not determine one of them.
    fn ratio(&self, design: ScanDesign, aims: &[Aim]) -> Option<f64> {
        let birds = self.budget.scans[design.way].birds;
        let mut most = 0.0_f64;
        for requirement in &self.budget.requirements {
            let pilot = self
                .pilots
                .iter()
                .find(|own| own.name == requirement.trait_name)?;
            for aim in aims {
                if let Some(required) = requirement.of(*aim) {
                    let scope = (self.extent, self.budget.level);
                    let widest = pilot.widest_pct(*aim, (design, birds), scope)?;
                    most = most.max(widest / required);
                }
            }
        }
        Some(most)
    }

    fn most_carcasses(&self) -> usize {
        self.budget
            .limits
            .killed
            .unwrap_or(MOST_CARCASSES)
            .min(MOST_CARCASSES)
    }

    /// The cheapest design of a way that reaches these aims.
    fn cheapest(&self, way: usize, repeats: usize, aims: &[Aim]) -> Option<ScanDesign> {
        let group = self.budget.scans[way].birds;
        let design = |units: usize, carcasses: usize| ScanDesign {
            way,
            repeats,
            birds: units * group,
            carcasses,
        };
        let reaches = |design| self.ratio(design, aims).is_some_and(|ratio| ratio <= 1.0);
        let most_units = (MOST_BIRDS / group).max(2);
        // With too few carcasses no number of birds will do.
        let fewest = least_number(0, self.most_carcasses(), |carcasses| {
            reaches(design(most_units, carcasses))
        })?;
        let mut best: Option<(f64, ScanDesign)> = None;
        for carcasses in fewest..=self.most_carcasses() {
            let alone = self.budget.cost(design(2, carcasses), self.extent);
            if best.is_some_and(|(money, _)| alone.order() > money) {
                break;
            }
            let units = least_number(2, most_units, |units| reaches(design(units, carcasses)));
            let Some(units) = units else { continue };
            let found = design(units, carcasses);
            let money = self.budget.cost(found, self.extent).order();
            if best.is_none_or(|(least, _)| money < least) {
                best = Some((money, found));
            }
        }
        best.map(|(_, design)| design)
    }

    fn offer(&self, way: usize, repeats: usize) -> Offer {
        let scan = &self.budget.scans[way];
        let known = self.pilots.iter().find_map(|pilot| {
            let errors = match &pilot.ways[way] {
                Ok(errors) => errors,
                Err(why) => return Some(format!("{}: {why}", pilot.name)),
            };
            let repeated = errors.iter().all(|error| error.repeat.is_some());
            (repeats > 1 && !repeated).then(|| {
                format!(
                    "{}: the pilot did not repeat scans made so ({}), so that what repeats average is not known",
                    pilot.name, scan.way()
                )
            })
        });
        if let Some(why) = known {
            return Offer {
                way,
                repeats,
                all: Err(why),
                means: None,
            };
        }
        let required = |aim: Aim| {
            let mut requirements = self.budget.requirements.iter();
            requirements.any(|requirement| requirement.of(aim).is_some())
        };
        let of_birds = required(Aim::BirdCurve);
        let means = self.cheapest(way, repeats, &[Aim::StrainMean, Aim::Calibration]);
        let all = if of_birds && scan.birds > 1 {
            Err("a scan of several birds gives no curve of a single one".to_owned())
        } else {
            let found = match of_birds {
                true => self.cheapest(way, repeats, &Aim::ALL),
                false => means,
            };
            found.ok_or_else(|| self.out_of_reach(way, repeats))
        };
        Offer {
            way,
            repeats,
            all,
            means,
        }
    }

    /// Which aim no number of birds and carcasses reaches.
    fn out_of_reach(&self, way: usize, repeats: usize) -> String {
        let birds = self.budget.scans[way].birds;
        let design = ScanDesign {
            way,
            repeats,
            birds: MOST_BIRDS / birds * birds,
            carcasses: self.most_carcasses(),
        };
        for requirement in &self.budget.requirements {
            let pilot = self
                .pilots
                .iter()
                .find(|own| own.name == requirement.trait_name);
            for aim in Aim::ALL {
                let (Some(required), Some(pilot)) = (requirement.of(aim), pilot) else {
                    continue;
                };
                let scope = (self.extent, self.budget.level);
                let name = format!("{} of {}", aim.word(), requirement.trait_name);
                match pilot.widest_pct(aim, (design, birds), scope) {
                    None => return format!("the pilot does not determine the {name}"),
                    Some(reached) if reached > required => {
                        return format!(
                            "{} birds a strain and {} carcasses reach {reached:.2} % for the {name}, not {required} %",
                            design.birds, design.carcasses
                        );
                    }
                    Some(_) => {}
                }
            }
        }
        "the requirements together are not reached".to_owned()
    }

    /// The design within the limits that comes nearest to all requirements.
    fn nearest(&self) -> Option<(ScanDesign, f64)> {
        let mut best: Option<(ScanDesign, f64)> = None;
        for (way, scan) in self.budget.scans.iter().enumerate() {
            for repeats in 1..=scan.most_repeats {
                for carcasses in 0..=self.most_carcasses() {
                    let design = |units: usize| ScanDesign {
                        way,
                        repeats,
                        birds: units * scan.birds,
                        carcasses,
                    };
                    let passes = |units| {
                        let cost = self.budget.cost(design(units), self.extent);
                        !self.budget.passed(design(units), &cost).is_empty()
                    };
                    let most = (MOST_BIRDS / scan.birds).max(2);
                    let units = match least_number(2, most, passes) {
                        Some(2) => break,
                        Some(first) => first - 1,
                        None => most,
                    };
                    let found = design(units);
                    if let Some(ratio) = self.ratio(found, &Aim::ALL)
                        && best.is_none_or(|(_, least)| ratio < least)
                    {
                        best = Some((found, ratio));
                    }
                }
            }
        }
        best
    }
}
