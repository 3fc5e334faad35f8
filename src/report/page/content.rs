//! What the page draws itself, as far as an analysis has it: the curves of the traits'
//! models, what was observed, the targets, and how strains deviate from them.

use crate::analysis::{Analysis, Options};
use crate::fit::Estimates;
use crate::fit::interval::{self, Band, Estimate};
use crate::flock::{FlockLevel, target_trajectories};
use crate::growth::Curve;
use crate::report::paper::curve_words;
use crate::report::protocol::Protocol;
use crate::report::text::{Naming, Overview, trait_words};
use crate::study::Study;
use crate::trajectory::TraitModel;

/// Steps of a group's curve from its first age to its last.
const STEPS: u32 = 72;
/// Steps of a bird's curve.
const BIRD_STEPS: u32 = 30;
/// Birds whose curves the page has, a trait: of more an even sample.
const MOST_BIRDS: usize = 400;
/// Groups whose curves the page has.
const MOST_GROUPS: usize = 60;

/// Text and charts of the page.
#[derive(Debug, Clone)]
pub struct Content {
    /// The results of the study.
    pub overview: Overview,
    /// What the groups are called: `strains`, or `groups` where the table does not name them so.
    pub groups: &'static str,
    pub(super) curves: Vec<TraitCurves>,
    pub(super) deviations: Vec<StrainDeviation>,
    /// The scanning protocol, of a study with scans.
    pub(super) protocol: Option<Protocol>,
}

/// An age with a value and its band; NaN where there is none.
#[derive(Debug, Clone, Copy)]
pub(super) struct CurvePoint {
    pub age_d: f64,
    pub value: f64,
    pub lower: f64,
    pub upper: f64,
}

/// The curve of a group's typical bird, and how fast it rises.
#[derive(Debug, Clone)]
pub(super) struct GroupCurve {
    pub name: String,
    /// Place of its colour.
    pub place: usize,
    pub values: Vec<CurvePoint>,
    pub rates: Vec<CurvePoint>,
    /// Age, target, edges (NaN where not given); empty without a target.
    pub target: Vec<[f64; 4]>,
}

/// A bird: what was observed, and its curve.
#[derive(Debug, Clone)]
pub(super) struct BirdCurve {
    pub name: String,
    /// Place of its group among the groups.
    pub group: usize,
    pub observed: Vec<(f64, f64)>,
    /// Age, value and rate.
    pub curve: Vec<[f64; 3]>,
}

/// The curves of one trait.
#[derive(Debug, Clone)]
pub(super) struct TraitCurves {
    pub name: String,
    pub is_main: bool,
    pub unit: &'static str,
    /// The curve in words.
    pub curve: String,
    /// Whether the model is weak.
    pub weak: bool,
    pub groups: Vec<GroupCurve>,
    pub birds: Vec<BirdCurve>,
    /// Birds of the trait, of which `birds` may be a sample.
    pub all_birds: usize,
}

/// How a strain's means deviate from its target.
#[derive(Debug, Clone)]
pub(super) struct StrainDeviation {
    pub name: String,
    /// Place of its colour.
    pub place: usize,
    /// Whether it is off target.
    pub off: bool,
    /// Means, percent.
    pub means: Vec<CurvePoint>,
    /// Age and edges of the band, percent.
    pub band: Vec<(f64, f64, f64)>,
}

impl Content {
    /// Text and charts of the page; `column` is that of the groups where they are not strains.
    #[must_use]
    pub fn of(analysis: &Analysis, options: &Options, column: Option<&str>) -> Self {
        let overview = Overview::of(analysis, options, column);
        let naming = Naming::of(&analysis.study, column);
        let models = analysis.growth.trajectories.models.iter();
        let mut curves: Vec<TraitCurves> = models
            .filter_map(|model| trait_curves((analysis, naming), model, overview.unit))
            .collect();
        curves.sort_by_key(|one| !one.is_main);
        Self {
            deviations: deviations(analysis, &overview),
            protocol: Protocol::of(&analysis.study, &analysis.scans, analysis.scanning.as_ref()),
            groups: column.map_or("strains", |_| "groups"),
            curves,
            overview,
        }
    }
}

/// Values or rates of a curve with their band.
type BandOf = fn(&dyn Curve, &Estimates, &[f64], Band, f64) -> Vec<Estimate>;

impl Content {
    /// Heading of a column of groups.
    pub(super) fn group_heading(&self) -> &'static str {
        match self.groups {
            "strains" => "Strain",
            _ => "Group",
        }
    }
}

fn ages_between((first_d, last_d): (f64, f64), steps: u32) -> Vec<f64> {
    let step = (last_d - first_d) / f64::from(steps);
    (0..=steps).map(|i| first_d + step * f64::from(i)).collect()
}

fn points(ages_d: &[f64], estimates: &[Estimate]) -> Vec<CurvePoint> {
    let point = |(age_d, one): (&f64, &Estimate)| CurvePoint {
        age_d: *age_d,
        value: one.value,
        lower: one.interval.map_or(f64::NAN, |limits| limits.lower),
        upper: one.interval.map_or(f64::NAN, |limits| limits.upper),
    };
    ages_d.iter().zip(estimates).map(point).collect()
}

fn trait_curves(
    (analysis, naming): (&Analysis, Naming<'_>),
    model: &TraitModel,
    unit: &'static str,
) -> Option<TraitCurves> {
    let study = &analysis.study;
    let records = &study.traits[model.trait_index];
    let curve = model.curve();
    let targets = target_trajectories(study, &records.name).ok().flatten();
    let group_curve = |place: usize| {
        let estimates = model.typical(place)?;
        let span_d = model.age_span(place)?;
        let ages_d = ages_between(span_d, STEPS);
        let of = |band: BandOf| {
            points(
                &ages_d,
                &band(
                    &*curve,
                    &estimates,
                    &ages_d,
                    Band::Pointwise,
                    analysis.confidence,
                ),
            )
        };
        let named = &model.groups()[place];
        let own = named
            .strain
            .and_then(|strain| targets.as_ref()?[strain].as_ref());
        let target = own.map_or(Vec::new(), |own| {
            let at = |age_d: &f64| {
                let point = own.at(*age_d)?;
                let edge = |edge: Option<f64>| edge.unwrap_or(f64::NAN);
                Some([
                    *age_d,
                    point.target_g,
                    edge(point.lower_g),
                    edge(point.upper_g),
                ])
            };
            ages_d.iter().filter_map(at).collect()
        });
        Some(GroupCurve {
            name: naming.name(&named.name),
            place: named
                .strain
                .filter(|_| named.treatment.is_none() && named.pen.is_none())
                .unwrap_or(place),
            values: of(interval::value_band),
            rates: of(interval::rate_band),
            target,
        })
    };
    let all = 0..model.groups().len().min(MOST_GROUPS);
    let groups: Vec<GroupCurve> = all.filter_map(group_curve).collect();
    if groups.is_empty() {
        return None;
    }
    let birds = birds((study, naming), model, &groups);
    Some(TraitCurves {
        name: trait_words(study, &records.name),
        is_main: Some(model.trait_index) == study.main_trait(),
        unit,
        curve: curve_words(curve.name()),
        weak: model.status() == "weak",
        groups,
        birds,
        all_birds: model.cohort().birds.len(),
    })
}

/// The birds of a trait, evenly through the study.
fn birds(
    (study, naming): (&Study, Naming<'_>),
    model: &TraitModel,
    groups: &[GroupCurve],
) -> Vec<BirdCurve> {
    let cohort = model.cohort();
    let records = &study.traits[model.trait_index];
    let curve = model.curve();
    let step = cohort.birds.len().div_ceil(MOST_BIRDS).max(1);
    let subjects = (0..cohort.birds.len()).step_by(step);
    let one = |subject: usize| {
        let bird = cohort.birds[subject];
        let of = &study.birds[bird];
        let own = cohort.groups.iter().find(|group| {
            group.strain.is_none_or(|strain| strain == of.strain)
                && group.treatment.is_none_or(|one| Some(one) == of.treatment)
                && group.pen.is_none_or(|pen| Some(pen) == of.pen)
        })?;
        let group = groups
            .iter()
            .position(|group| group.name == naming.name(&own.name))?;
        let (ages_d, values) = records.of(bird);
        let observed: Vec<(f64, f64)> =
            ages_d.iter().copied().zip(values.iter().copied()).collect();
        let curve = match (model.bird(subject), ages_d) {
            (Some(estimates), [first_d, .., last_d]) if first_d < last_d => {
                let ages_d = ages_between((*first_d, *last_d), BIRD_STEPS);
                let mut gradient = vec![0.0; estimates.terms.len()];
                let mut at = |age_d: &f64| {
                    let value = curve.value(*age_d, &estimates.terms);
                    let rate = curve.slope_and_gradient(*age_d, &estimates.terms, &mut gradient);
                    [*age_d, value, rate]
                };
                ages_d.iter().map(&mut at).collect()
            }
            _ => Vec::new(),
        };
        Some(BirdCurve {
            name: study.birds[bird].name.clone(),
            group,
            observed,
            curve,
        })
    };
    subjects.filter_map(one).collect()
}

/// How the strains that are shown deviate from their targets.
fn deviations(analysis: &Analysis, overview: &Overview) -> Vec<StrainDeviation> {
    let (Some(target), Some(verdict)) = (&overview.target, &analysis.verdict) else {
        return Vec::new();
    };
    let shown = target.shown((4, 4));
    let of_strain = |strain: usize| {
        let rows = verdict.deviations.iter().filter(move |row| {
            (row.level, row.trait_index, row.strain)
                == (FlockLevel::Strain, target.trait_index, strain)
        });
        let (mut means, mut band) = (Vec::new(), Vec::new());
        for row in rows {
            let Ok(against) = &row.against else { continue };
            let target_g = against.target.target_g;
            let (lower, upper) = against.interval_g.unwrap_or((f64::NAN, f64::NAN));
            means.push(CurvePoint {
                age_d: row.age_d,
                value: against.deviation_pct,
                lower: 100.0 * lower / target_g,
                upper: 100.0 * upper / target_g,
            });
            if let (Some(lower_g), Some(upper_g)) = (against.target.lower_g, against.target.upper_g)
            {
                let pct = |edge_g: f64| 100.0 * (edge_g / target_g - 1.0);
                band.push((row.age_d, pct(lower_g), pct(upper_g)));
            }
        }
        (means, band)
    };
    shown
        .into_iter()
        .map(|row| {
            let (means, band) = of_strain(row.strain);
            StrainDeviation {
                name: row.name.clone(),
                place: row.strain,
                off: row.verdict.is_off(),
                means,
                band,
            }
        })
        .filter(|one| !one.means.is_empty())
        .collect()
}
