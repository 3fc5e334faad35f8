//! Figures of birds weighed without names: samples against the curve and the target, and their
//! deviation from it.

use super::pictures::{
    Drawn, Showing, curve_words, evenly_between, file_name, percent, quantity_of,
};
use super::text::trait_words;
use crate::figure::{BandPoint, BirdLine, Birds, ByAge, Layout, Quantity, StrainByAge};
use crate::flock::{
    CONTROL_LIMIT, Deviation, FlockLevel, GainPoint, TargetCurve, target_trajectories,
};
use crate::stats::distribution::t_two_sided_quantile;
use crate::study::Study;
use crate::trajectory::sampled::{SampledModel, SampledTrait};

/// Steps of a curve.
const STEPS: u32 = 80;

/// Weight by age with the samples' means, and the samples' deviation from the target.
pub fn sampled_pictures(
    (study, of): (&Study, &SampledTrait),
    deviations: &[Deviation],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let rows = deviations
        .iter()
        .filter(|row| row.trait_index == of.trait_index);
    let rows: Vec<&Deviation> = rows.collect();
    let trait_name = &study.traits[of.trait_index].name;
    let strains: Vec<usize> = showing
        .panels(study)
        .filter(|strain| of.group_of(*strain).is_some())
        .collect();
    let targets = target_trajectories(study, trait_name)
        .ok()
        .flatten()
        .unwrap_or_default();
    let scene = Scene {
        study,
        of,
        rows,
        confidence: showing.confidence,
    };
    let growth = ByAge {
        title: format!(
            "Samples of unnamed birds: {} by age",
            trait_words(study, trait_name)
        ),
        quantity: quantity_of(study, trait_name),
        layout: Layout::Facets,
        birds: Birds::Values,
        curve: of
            .model
            .as_ref()
            .map_or(String::new(), |model| curve_words(model.curve.name())),
        band: format!("{} pointwise confidence band", percent(showing.confidence)),
        target: "target and its band".to_owned(),
        strains: strains
            .iter()
            .map(|strain| scene.growth(*strain, targets.get(*strain).and_then(Option::as_ref)))
            .collect(),
        frame: showing.frame.counting("sample"),
        ..ByAge::default()
    };
    if growth.strains.iter().any(|strain| strain.birds > 0) {
        drawn.add(
            format!("samples_{}", file_name(trait_name)),
            &growth,
            showing,
        );
    }
    let deviation = ByAge {
        title: format!(
            "Samples of unnamed birds: deviation of {} from target by age",
            trait_words(study, trait_name)
        ),
        quantity: Quantity {
            name: "Deviation from target".to_owned(),
            unit: "%".to_owned(),
        },
        layout: Layout::Facets,
        birds: Birds::Lines,
        curve: "means of the flock".to_owned(),
        band: format!(
            "{} confidence interval of the mean",
            percent(showing.confidence)
        ),
        target: "target and its band".to_owned(),
        means: true,
        strains: strains
            .iter()
            .map(|strain| scene.deviation(*strain))
            .collect(),
        frame: showing.frame.counting(scene.finest_name(&strains)),
    };
    if deviation
        .strains
        .iter()
        .any(|strain| !strain.curve.is_empty())
    {
        let name = format!("deviation_samples_{}", file_name(trait_name));
        drawn.add(name, &deviation, showing);
    }
}

/// House and pen.
type Place = (Option<usize>, Option<usize>);

/// The control chart of the gains of flocks of unnamed birds, a panel a strain.
pub fn gain_picture(
    (study, of): (&Study, &SampledTrait),
    points: &[GainPoint],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let strains: Vec<StrainByAge> = showing
        .panels(study)
        .filter(|strain| of.group_of(*strain).is_some())
        .map(|strain| {
            let of_flock =
                |point: &&GainPoint| point.strain == strain && point.level == FlockLevel::Strain;
            let own: Vec<&GainPoint> = points.iter().filter(of_flock).collect();
            let gain = |point: &&GainPoint| BandPoint {
                age_d: point.to_d,
                value: point.gain_g_per_d,
                lower: f64::NAN,
                upper: f64::NAN,
            };
            let expected = |point: &&GainPoint| {
                let (lower, upper) = point.limits()?;
                let value = point.expected_g_per_d?;
                Some(BandPoint {
                    age_d: point.to_d,
                    value,
                    lower,
                    upper,
                })
            };
            StrainByAge {
                name: study.strains[strain].clone(),
                place: strain,
                birds: own.len(),
                curve: own.iter().map(gain).collect(),
                target: own.iter().filter_map(expected).collect(),
                ..StrainByAge::default()
            }
        })
        .collect();
    if strains.iter().all(|strain| strain.target.is_empty()) {
        return;
    }
    let trait_name = &study.traits[of.trait_index].name;
    let figure = ByAge {
        title: format!(
            "Control chart of gain in {} by age",
            trait_words(study, trait_name)
        ),
        quantity: Quantity {
            name: "Gain since the weighing before".to_owned(),
            unit: "g/d".to_owned(),
        },
        layout: Layout::Facets,
        birds: Birds::Lines,
        curve: "gain of the flock's mean".to_owned(),
        target: format!(
            "gain expected by the growth curve, with control limits of {CONTROL_LIMIT} standard errors"
        ),
        means: true,
        strains,
        frame: showing.frame.counting("gain"),
        ..ByAge::default()
    };
    drawn.add(
        format!("gain_samples_{}", file_name(trait_name)),
        &figure,
        showing,
    );
}

struct Scene<'a> {
    study: &'a Study,
    of: &'a SampledTrait,
    rows: Vec<&'a Deviation>,
    confidence: f64,
}

impl Scene<'_> {
    /// The finest level at which a strain was sampled.
    fn finest(&self, strain: usize) -> FlockLevel {
        let has = |level: FlockLevel| {
            self.rows
                .iter()
                .any(|row| row.strain == strain && row.level == level)
        };
        [FlockLevel::Pen, FlockLevel::House]
            .into_iter()
            .find(|level| has(*level))
            .unwrap_or(FlockLevel::Strain)
    }

    fn finest_name(&self, strains: &[usize]) -> &'static str {
        let levels = strains.iter().map(|strain| self.finest(*strain));
        match levels.fold(
            FlockLevel::Pen,
            |one, other| if one == other { one } else { other },
        ) {
            FlockLevel::House => "house",
            FlockLevel::Strain => "flock",
            _ => "pen",
        }
    }

    /// A line a pen, house or flock, of a value of its rows.
    fn lines(&self, strain: usize, value: impl Fn(&Deviation) -> Option<f64>) -> Vec<BirdLine> {
        let level = self.finest(strain);
        let mut lines: Vec<(Place, BirdLine)> = Vec::new();
        for row in self
            .rows
            .iter()
            .filter(|row| row.strain == strain && row.level == level)
        {
            let Some(value) = value(row) else { continue };
            let key = (row.house, row.pen);
            let at = lines
                .iter()
                .position(|(known, _)| *known == key)
                .unwrap_or_else(|| {
                    let name = match (row.pen, row.house) {
                        (Some(pen), _) => self.study.pens[pen].clone(),
                        (None, Some(house)) => self.study.houses[house].clone(),
                        (None, None) => self.study.strains[strain].clone(),
                    };
                    lines.push((
                        key,
                        BirdLine {
                            name,
                            points: Vec::new(),
                        },
                    ));
                    lines.len() - 1
                });
            lines[at].1.points.push((row.age_d, value));
        }
        lines.into_iter().map(|(_, line)| line).collect()
    }

    fn growth(&self, strain: usize, target: Option<&TargetCurve>) -> StrainByAge {
        let lines = self.lines(strain, |row| Some(row.observed_g));
        let ages: Vec<f64> = lines
            .iter()
            .flat_map(|line| &line.points)
            .map(|p| p.0)
            .collect();
        let span = (
            ages.iter().copied().fold(f64::INFINITY, f64::min),
            ages.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        );
        let curve = match (&self.of.model, self.of.group_of(strain)) {
            (Ok(model), Some(group)) if span.0 < span.1 => self.curve(model, group, span),
            _ => Vec::new(),
        };
        StrainByAge {
            name: self.study.strains[strain].clone(),
            place: strain,
            birds: lines.iter().map(|line| line.points.len()).sum(),
            lines,
            curve,
            target: target.map_or(Vec::new(), |target| target_points(target, span)),
            ..StrainByAge::default()
        }
    }

    fn curve(&self, model: &SampledModel, group: usize, span: (f64, f64)) -> Vec<BandPoint> {
        let point = |age_d: f64| {
            let log = model.typical(group, age_d);
            let reach = t_two_sided_quantile(self.confidence, log.df) * log.std_error;
            BandPoint {
                age_d,
                value: log.value.exp(),
                lower: (log.value - reach).exp(),
                upper: (log.value + reach).exp(),
            }
        };
        evenly_between(span, STEPS).into_iter().map(point).collect()
    }

    fn deviation(&self, strain: usize) -> StrainByAge {
        let lines = match self.finest(strain) {
            FlockLevel::Strain => Vec::new(),
            _ => self.lines(strain, |row| Some(row.against.as_ref().ok()?.deviation_pct)),
        };
        let (mut curve, mut target) = (Vec::new(), Vec::new());
        let whole = self.rows.iter();
        for row in whole.filter(|row| row.strain == strain && row.level == FlockLevel::Strain) {
            let Ok(against) = &row.against else { continue };
            let goal = against.target.target_g;
            let (lower, upper) = against.interval_g.unwrap_or((f64::NAN, f64::NAN));
            curve.push(BandPoint {
                age_d: row.age_d,
                value: against.deviation_pct,
                lower: 100.0 * lower / goal,
                upper: 100.0 * upper / goal,
            });
            let edge =
                |edge: Option<f64>| edge.map_or(f64::NAN, |edge| 100.0 * (edge / goal - 1.0));
            target.push(BandPoint {
                age_d: row.age_d,
                value: 0.0,
                lower: edge(against.target.lower_g),
                upper: edge(against.target.upper_g),
            });
        }
        StrainByAge {
            name: self.study.strains[strain].clone(),
            place: strain,
            birds: lines.len().max(1),
            lines,
            curve,
            target,
            ..StrainByAge::default()
        }
    }
}

/// The target over the ages that are drawn.
fn target_points(target: &TargetCurve, span: (f64, f64)) -> Vec<BandPoint> {
    let first_d = span.0.max(target.first_age_d());
    let last_d = span.1.min(target.last_age_d());
    if first_d >= last_d {
        return Vec::new();
    }
    let ages = evenly_between((first_d, last_d), STEPS).into_iter();
    ages.filter_map(|age_d| {
        let point = target.at(age_d)?;
        Some(BandPoint {
            age_d,
            value: point.target_g,
            lower: point.lower_g.unwrap_or(f64::NAN),
            upper: point.upper_g.unwrap_or(f64::NAN),
        })
    })
    .collect()
}
