//! Which figures a study gets, filled from its results.
//!
//! `figure/` draws what it is handed; here is decided what that is: the curve of the trait's
//! model (or the best single fit) of each strain and bird, its pointwise band, deviations by age, residuals.

use std::sync::Arc;

use crate::figure::{
    BandPoint, BirdLine, BirdPanel, BirdPanels, Birds, ByAge, Layout, Quantity, Standing,
    StrainByAge,
};
use crate::fit::interval::{self, Band, Estimate};
use crate::fit::{Estimates, Outcome};
use crate::flock::{self, Deviation};
use crate::growth::Curve;
pub(crate) use crate::report::showing::frame_of;
pub(super) use crate::report::showing::whole_name;
pub use crate::report::showing::{Drawn, MOST_PANELS, Named, Showing};
use crate::report::tables::curves::curve_ages_d;
use crate::report::text::trait_words;
use crate::study::{Study, Values};
use crate::trajectory::{CurveFit, Level, Subject, SubjectFits, Trajectories};

/// The figures of the fits, trait by trait: growth, rate of gain, birds.
pub fn growth_pictures(
    study: &Study,
    trajectories: &Trajectories,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for scene in scenes(study, trajectories, showing) {
        let strains: Vec<&SubjectFits> = trajectories
            .of(Level::Strain, scene.trait_index)
            .filter(|fits| showing.has_panel(fits.subject.strain))
            .collect();
        if !strains.is_empty() {
            drawn.add(scene.file("growth"), &scene.growth(&strains), showing);
            drawn.add(scene.file("rate"), &scene.rate(&strains), showing);
        }
    }
}

/// Each bird with a curve in a separate panel, trait by trait.
pub fn bird_pictures(
    study: &Study,
    trajectories: &Trajectories,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for scene in scenes(study, trajectories, showing) {
        let birds: Vec<&SubjectFits> = trajectories.of(Level::Bird, scene.trait_index).collect();
        let figure = scene.birds(&birds);
        if !figure.birds.is_empty() {
            drawn.add(scene.file("birds"), &figure, showing);
        }
    }
}

/// The figures of the deviations from target, one a trait that has targets.
pub fn deviation_pictures(
    study: &Study,
    deviations: &[&Deviation],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for (trait_index, records) in study.traits.iter().enumerate() {
        let mine: Vec<&Deviation> = deviations
            .iter()
            .copied()
            .filter(|row| row.trait_index == trait_index && row.against.is_ok())
            .collect();
        if mine.is_empty() {
            continue;
        }
        let interval = format!(
            "{} confidence interval of the mean",
            percent(showing.confidence)
        );
        let figure = ByAge {
            title: format!(
                "Deviation of {} from target by age",
                trait_words(study, &records.name)
            ),
            quantity: Quantity {
                name: "Deviation from target".to_owned(),
                unit: "%".to_owned(),
            },
            layout: Layout::Facets,
            birds: Birds::Lines,
            curve: "means".to_owned(),
            band: showing.with_choice(study, interval),
            target: "target and its band".to_owned(),
            means: true,
            strains: showing
                .panels(study)
                .map(|strain| strain_deviation(study, &mine, strain))
                .collect(),
            frame: showing.frame.clone(),
        };
        let name = format!("deviation_{}", file_name(&records.name));
        drawn.add(name, &figure, showing);
    }
}

/// A trait's name as part of a file name: what is no letter or digit becomes a dash.
pub(super) fn file_name(words: &str) -> String {
    let plain = |c: char| {
        if c.is_alphanumeric() || c == '_' {
            c
        } else {
            '-'
        }
    };
    words.chars().map(plain).collect()
}

/// Words that begin a label.
pub(super) fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or(String::new(), |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// A curve in the words of a paper.
pub(super) use crate::report::paper::curve_words;

pub(super) fn percent(share: f64) -> String {
    format!("{} %", (share * 1e6).round() / 1e4)
}

/// "body_weight" as "Body weight", "g"; numbers that are no masses have no unit.
pub(super) fn quantity_of(study: &Study, trait_name: &str) -> Quantity {
    Quantity {
        name: capital(&trait_words(study, trait_name)),
        unit: match study.values {
            Values::BirdMasses => "g".to_owned(),
            Values::AnyNumber => String::new(),
        },
    }
}

/// The traits of a study, about to be drawn.
fn scenes<'a>(
    study: &'a Study,
    trajectories: &'a Trajectories,
    showing: &'a Showing<'a>,
) -> impl Iterator<Item = Scene<'a>> {
    (0..study.traits.len()).map(move |trait_index| Scene {
        study,
        trajectories,
        trait_index,
        showing,
    })
}

/// One trait of a study, about to be drawn.
struct Scene<'a> {
    study: &'a Study,
    trajectories: &'a Trajectories,
    trait_index: usize,
    showing: &'a Showing<'a>,
}

impl Scene<'_> {
    fn quantity(&self) -> Quantity {
        quantity_of(self.study, &self.study.traits[self.trait_index].name)
    }

    fn file(&self, figure: &str) -> String {
        let trait_name = &self.study.traits[self.trait_index].name;
        format!("{figure}_{}", file_name(trait_name))
    }

    fn band(&self) -> String {
        let share = percent(self.showing.confidence);
        let band = format!("{share} pointwise confidence band");
        self.showing.with_choice(self.study, band)
    }

    /// The curve of the trait's model, where it has one: a strain's typical bird, or a bird.
    fn modelled(&self, fits: &SubjectFits) -> Option<(Arc<dyn Curve>, Estimates)> {
        let model = self.trajectories.model(self.trait_index)?;
        let Subject { strain, bird, .. } = fits.subject;
        let estimates = match bird {
            // Birds stand in the order of the study.
            Some(bird) => model.bird(model.cohort().birds.binary_search(&bird).ok()?),
            None => {
                let groups = model.groups().iter();
                let mut own = groups
                    .enumerate()
                    .filter(|(_, of)| of.strain == Some(strain));
                match (own.next(), own.next()) {
                    (Some((group, _)), None) => model.typical(group),
                    _ => None,
                }
            }
        };
        Some((model.curve(), estimates?))
    }

    /// The curve that is drawn: of the trait's model, or else the best single fit.
    fn drawn(&self, fits: &SubjectFits) -> Option<(Arc<dyn Curve>, Estimates)> {
        self.modelled(fits).or_else(|| {
            let CurveFit { curve, outcome } = fits.best()?;
            Some((curve.clone(), outcome.estimates()?.clone()))
        })
    }

    fn standing(&self, fits: &SubjectFits) -> Standing {
        let model = self.trajectories.model(self.trait_index);
        match model.filter(|_| self.modelled(fits).is_some()) {
            Some(model) if model.status() == "weak" => Standing::Weak(model.reasons().join("; ")),
            Some(_) => Standing::Sound,
            None => standing(fits),
        }
    }

    /// The curve's name for the note: one for all strains, or that each has its best.
    fn curve(&self, fits: &[&SubjectFits]) -> String {
        let drawn: Vec<_> = fits.iter().filter_map(|fits| self.drawn(fits)).collect();
        let mut names: Vec<&str> = drawn.iter().map(|(curve, _)| curve.name()).collect();
        names.sort_unstable();
        names.dedup();
        match (names.as_slice(), self.trajectories.curves.len()) {
            ([], _) => "no curve".to_owned(),
            ([one], _) => curve_words(one),
            (several, _) => {
                let several: Vec<String> = several.iter().map(|name| curve_words(name)).collect();
                format!("best by AICc of {}", several.join(", "))
            }
        }
    }

    fn growth(&self, strains: &[&SubjectFits]) -> ByAge {
        ByAge {
            quantity: self.quantity(),
            strains: strains
                .iter()
                .map(|fits| StrainByAge {
                    lines: self.bird_lines(fits.subject.strain),
                    ..self.strain(fits, interval::value_band)
                })
                .collect(),
            ..self.by_age(strains)
        }
    }

    fn rate(&self, strains: &[&SubjectFits]) -> ByAge {
        let Quantity { name, unit } = self.quantity();
        ByAge {
            quantity: Quantity {
                name: format!("Rate of gain in {}", name.to_lowercase()),
                unit: match unit.as_str() {
                    "" => "1/d".to_owned(),
                    unit => format!("{unit}/d"),
                },
            },
            strains: strains
                .iter()
                .map(|fits| self.strain(fits, interval::rate_band))
                .collect(),
            ..self.by_age(strains)
        }
    }

    fn by_age(&self, strains: &[&SubjectFits]) -> ByAge {
        ByAge {
            layout: Layout::for_strains(strains.len()),
            curve: self.curve(strains),
            band: self.band(),
            frame: self.showing.frame.clone(),
            ..ByAge::default()
        }
    }

    fn strain(&self, fits: &SubjectFits, of: BandOf) -> StrainByAge {
        let records = &self.study.traits[self.trait_index];
        let birds = self.study.birds_of(fits.subject.strain);
        StrainByAge {
            name: self.study.strains[fits.subject.strain].clone(),
            place: fits.subject.strain,
            birds: birds.filter(|bird| !records.of(*bird).0.is_empty()).count(),
            curve: self.line(fits, of),
            standing: self.standing(fits),
            ..StrainByAge::default()
        }
    }

    fn birds(&self, birds: &[&SubjectFits]) -> BirdPanels {
        let with_curve = |fits: &&&SubjectFits| self.drawn(fits).is_some();
        let with: Vec<&&SubjectFits> = birds.iter().filter(with_curve).collect();
        let panel = |fits: &SubjectFits| {
            let bird = fits.subject.bird?;
            let (ages_d, values) = self.study.traits[self.trait_index].of(bird);
            Some(BirdPanel {
                name: self.study.birds[bird].name.clone(),
                strain: self.study.strains[fits.subject.strain].clone(),
                strain_index: fits.subject.strain,
                points: ages_d.iter().copied().zip(values.iter().copied()).collect(),
                line: self.line(fits, interval::value_band),
                standing: self.standing(fits),
            })
        };
        let drawn = BirdPanels::drawn_of(with.len());
        BirdPanels {
            quantity: self.quantity(),
            curve: self.curve(birds),
            band: format!(
                "{} pointwise confidence band",
                percent(self.showing.confidence)
            ),
            without: birds.len() - with.len(),
            birds: drawn.filter_map(|at| panel(with[at])).collect(),
            with: with.len(),
            frame: self.showing.frame.clone(),
        }
    }

    /// What was observed on each bird of a strain.
    fn bird_lines(&self, strain: usize) -> Vec<BirdLine> {
        let records = &self.study.traits[self.trait_index];
        let lines = self.study.birds_of(strain).map(|bird| {
            let (ages_d, values) = records.of(bird);
            BirdLine {
                name: self.study.birds[bird].name.clone(),
                points: ages_d.iter().copied().zip(values.iter().copied()).collect(),
            }
        });
        lines.filter(|line| !line.points.is_empty()).collect()
    }

    /// The best curve's values or rates with their band.
    fn line(&self, fits: &SubjectFits, of: BandOf) -> Vec<BandPoint> {
        let Some((curve, estimates)) = self.drawn(fits) else {
            return Vec::new();
        };
        let ages_d = match fits.subject.level {
            Level::Strain => curve_ages_d(self.study, fits.subject),
            Level::Bird => evenly_between(fits.subject.age_span(self.study), STEPS),
        };
        let band = of(
            &*curve,
            &estimates,
            &ages_d,
            Band::Pointwise,
            self.showing.confidence,
        );
        ages_d
            .iter()
            .zip(band)
            .map(|(age_d, estimate)| BandPoint {
                age_d: *age_d,
                value: estimate.value,
                lower: estimate.interval.map_or(f64::NAN, |limits| limits.lower),
                upper: estimate.interval.map_or(f64::NAN, |limits| limits.upper),
            })
            .collect()
    }
}

/// Values or rates of a curve with their band.
type BandOf = fn(&dyn Curve, &Estimates, &[f64], Band, f64) -> Vec<Estimate>;

/// This many steps suffice for a curve in a small panel.
const STEPS: u32 = 40;

/// Ages from the first to the last, in equal steps.
pub(super) fn evenly_between((first_d, last_d): (f64, f64), steps: u32) -> Vec<f64> {
    let step = (last_d - first_d) / f64::from(steps);
    (0..=steps).map(|i| first_d + step * f64::from(i)).collect()
}

fn standing(fits: &SubjectFits) -> Standing {
    match fits.best().map(|best| &best.outcome) {
        Some(Outcome::Converged(_)) => Standing::Sound,
        Some(weak) => Standing::Weak(weak.reason()),
        None => Standing::Failed(
            fits.fits
                .first()
                .map_or_else(String::new, |fit| fit.outcome.reason()),
        ),
    }
}

fn strain_deviation(study: &Study, rows: &[&Deviation], strain: usize) -> StrainByAge {
    let of_level = |level: flock::FlockLevel| {
        rows.iter()
            .filter(move |row| row.strain == strain && row.level == level)
    };
    let mut mean = Vec::new();
    let mut band = Vec::new();
    for row in of_level(flock::FlockLevel::Strain) {
        let Ok(against) = &row.against else { continue };
        let target_g = against.target.target_g;
        let (lower_g, upper_g) = against.interval_g.unwrap_or((f64::NAN, f64::NAN));
        mean.push(BandPoint {
            age_d: row.age_d,
            value: against.deviation_pct,
            lower: 100.0 * lower_g / target_g,
            upper: 100.0 * upper_g / target_g,
        });
        let pct = |edge_g: Option<f64>| {
            edge_g.map_or(f64::NAN, |edge_g| 100.0 * (edge_g / target_g - 1.0))
        };
        band.push(BandPoint {
            age_d: row.age_d,
            value: 0.0,
            lower: pct(against.target.lower_g),
            upper: pct(against.target.upper_g),
        });
    }
    let mut lines: Vec<BirdLine> = Vec::new();
    let mut last = None;
    for row in of_level(flock::FlockLevel::Bird) {
        let (Ok(against), Some(bird)) = (&row.against, row.bird) else {
            continue;
        };
        if last != Some(bird) {
            lines.push(BirdLine {
                name: study.birds[bird].name.clone(),
                points: Vec::new(),
            });
            last = Some(bird);
        }
        if let Some(line) = lines.last_mut() {
            line.points.push((row.age_d, against.deviation_pct));
        }
    }
    StrainByAge {
        name: study.strains[strain].clone(),
        place: strain,
        birds: lines.len(),
        curve: mean,
        lines,
        target: band,
        standing: Standing::Sound,
    }
}
