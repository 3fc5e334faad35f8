//! Which figures a study gets, filled from its results.
//!
//! `figure/` draws what it is handed; here is decided what that is: the curve of the trait's
//! model (or the best single fit) of each strain and bird, its pointwise band, deviations by age, residuals.

use std::sync::Arc;

use crate::figure::{
    AgeUnit, BandPoint, BirdLine, BirdPanel, BirdPanels, Deviations, Growth, Layout, Quantity,
    Rate, Residual, Residuals, Standing, StrainDeviation, StrainGrowth, StrainRate,
    StrainResiduals,
};
use crate::fit::interval::{self, Band, Estimate};
use crate::fit::{Estimates, Outcome, diagnostics};
use crate::flock::{self, Deviation};
use crate::growth::Curve;
pub(super) use crate::report::showing::whole_name;
pub use crate::report::showing::{Drawn, MOST_PANELS, Named, Showing};
use crate::report::tables::curves::curve_ages_d;
use crate::study::Study;
use crate::trajectory::{CurveFit, Level, Pooled, Subject, SubjectFits, Trajectories};

/// The figures of the fits, trait by trait: growth, rate of gain, birds.
pub fn growth_pictures(
    study: &Study,
    trajectories: &Trajectories,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for (trait_index, records) in study.traits.iter().enumerate() {
        let scene = Scene {
            study,
            trajectories,
            trait_index,
            showing,
        };
        let strains: Vec<&SubjectFits> = trajectories
            .of(Level::Strain, trait_index)
            .filter(|fits| showing.has_panel(fits.subject.strain))
            .collect();
        let file = |figure: &str| format!("{figure}_{}", file_name(&records.name));
        let panels = match Layout::for_strains(strains.len()) {
            Layout::Overlaid => 1,
            Layout::Facets => strains.len(),
        };
        if !strains.is_empty() {
            let size = || showing.size(0.6, panels);
            drawn.add(file("growth"), || scene.growth(&strains).pages(size()?));
            drawn.add(file("rate"), || scene.rate(&strains).pages(size()?));
        }
        let birds: Vec<&SubjectFits> = trajectories.of(Level::Bird, trait_index).collect();
        if !birds.is_empty() {
            match showing
                .page()
                .and_then(|page| scene.birds(&birds).draw(page))
            {
                // Always with a number: there are as many pages as birds ask for.
                Ok(pages) => {
                    drawn
                        .pictures
                        .extend(pages.into_iter().enumerate().map(|(page, picture)| Named {
                            name: format!("{}_{:02}", file("birds"), page + 1),
                            picture,
                        }))
                }
                Err(error) => drawn.add(file("birds"), || Err(error)),
            }
        }
    }
}

/// How the strains' fits miss what was observed, a figure a trait.
pub fn residual_pictures(
    study: &Study,
    trajectories: &Trajectories,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for (trait_index, records) in study.traits.iter().enumerate() {
        let mut strains: Vec<&SubjectFits> = trajectories.of(Level::Strain, trait_index).collect();
        if strains.is_empty() {
            continue;
        }
        let order = showing.overlaid(study);
        strains.sort_by_key(|fits| order.iter().position(|at| *at == fits.subject.strain));
        let scene = Scene {
            study,
            trajectories,
            trait_index,
            showing,
        };
        drawn.add_sheet(format!("residuals_{}", file_name(&records.name)), || {
            let size = showing.sized(Residuals::size(showing.width_mm)?)?;
            scene.residuals(&strains).draw(size)
        });
    }
}

/// The figures of the deviations from target, one a trait that has targets.
pub fn deviation_pictures(
    study: &Study,
    deviations: &[Deviation],
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for (trait_index, records) in study.traits.iter().enumerate() {
        let mine: Vec<&Deviation> = deviations
            .iter()
            .filter(|row| row.trait_index == trait_index && row.against.is_ok())
            .collect();
        if mine.is_empty() {
            continue;
        }
        let strains: Vec<usize> = showing.panels(study).collect();
        let figure = Deviations {
            ages: AgeUnit::Days,
            layout: Layout::Facets,
            points: "strain means".to_owned(),
            interval: showing.with_choice(
                study,
                format!(
                    "{} confidence interval of the mean",
                    percent(showing.confidence)
                ),
            ),
            strains: strains
                .iter()
                .map(|strain| strain_deviation(study, &mine, *strain))
                .collect(),
            letter: showing.letter,
        };
        drawn.add(format!("deviation_{}", file_name(&records.name)), || {
            figure.pages(showing.size(0.6, strains.len())?)
        });
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

pub(super) fn percent(share: f64) -> String {
    format!("{} %", (share * 1e6).round() / 1e4)
}

/// "body_weight" as "Body weight", "g".
pub(super) fn grams_of(trait_name: &str) -> Quantity {
    Quantity {
        name: capital(&trait_name.replace('_', " ")),
        unit: "g".to_owned(),
    }
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
        grams_of(&self.study.traits[self.trait_index].name)
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
            ([one], _) => (*one).to_owned(),
            (several, _) => format!("best by AICc of {}", several.join(", ")),
        }
    }

    fn growth(&self, strains: &[&SubjectFits]) -> Growth {
        let strain_growth = |fits: &&SubjectFits| {
            let lines = self.bird_lines(fits.subject.strain);
            StrainGrowth {
                name: self.study.strains[fits.subject.strain].clone(),
                birds: lines.len(),
                lines,
                curve: self.line(fits, interval::value_band),
                standing: self.standing(fits),
            }
        };
        Growth {
            layout: Layout::for_strains(strains.len()),
            quantity: self.quantity(),
            curve: self.curve(strains),
            band: self.band(),
            strains: strains.iter().map(strain_growth).collect(),
            letter: self.showing.letter,
            ..Growth::default()
        }
    }

    fn rate(&self, strains: &[&SubjectFits]) -> Rate {
        let strain_rate = |fits: &&SubjectFits| StrainRate {
            name: self.study.strains[fits.subject.strain].clone(),
            birds: self.bird_lines(fits.subject.strain).len(),
            rate: self.line(fits, interval::rate_band),
            standing: self.standing(fits),
        };
        Rate {
            layout: Layout::for_strains(strains.len()),
            quantity: self.quantity(),
            curve: self.curve(strains),
            band: self.band(),
            strains: strains.iter().map(strain_rate).collect(),
            letter: self.showing.letter,
            ..Rate::default()
        }
    }

    fn birds(&self, birds: &[&SubjectFits]) -> BirdPanels {
        let panel = |fits: &&SubjectFits| {
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
        BirdPanels {
            quantity: self.quantity(),
            ages: AgeUnit::Days,
            curve: self.curve(birds),
            band: format!(
                "{} pointwise confidence band",
                percent(self.showing.confidence)
            ),
            birds: birds.iter().filter_map(panel).collect(),
        }
    }

    fn residuals(&self, strains: &[&SubjectFits]) -> Residuals {
        Residuals {
            quantity: self.quantity(),
            ages: AgeUnit::Days,
            label: "Standardised residual".to_owned(),
            curve: self.curve(strains),
            smooth: "means by age and by tenths of the fitted values".to_owned(),
            strains: strains
                .iter()
                .filter_map(|fits| self.strain_residuals(fits))
                .collect(),
        }
    }

    fn strain_residuals(&self, fits: &SubjectFits) -> Option<StrainResiduals> {
        let best = fits.best()?;
        let estimates = best.outcome.estimates()?;
        let records = &self.study.traits[self.trait_index];
        let pooled = Pooled::of(self.study, records, fits.subject.strain);
        let all: Vec<_> =
            diagnostics::residuals(&*best.curve, pooled.series(), estimates).collect();
        let by = |of: fn(&diagnostics::Residual) -> f64| {
            let mut pairs: Vec<(f64, f64)> = all
                .iter()
                .map(|residual| (of(residual), residual.standardised))
                .collect();
            pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
            pairs
        };
        let by_age = by(|residual| residual.age_d);
        let by_fitted = by(|residual| residual.fitted);
        let tenth = by_fitted.len().div_ceil(10).max(1);
        Some(StrainResiduals {
            name: self.study.strains[fits.subject.strain].clone(),
            residuals: all
                .iter()
                .zip(&pooled.birds)
                .map(|(residual, bird)| Residual {
                    bird: self.study.birds[*bird].name.clone(),
                    age_d: residual.age_d,
                    fitted: residual.fitted,
                    residual: residual.standardised,
                })
                .collect(),
            smooth_by_age: by_age.chunk_by(|a, b| a.0 >= b.0).map(mean_point).collect(),
            smooth_by_fitted: by_fitted.chunks(tenth).map(mean_point).collect(),
        })
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

fn mean_point(points: &[(f64, f64)]) -> (f64, f64) {
    let n = points.len().max(1) as f64;
    let sum = points
        .iter()
        .fold((0.0, 0.0), |sum, point| (sum.0 + point.0, sum.1 + point.1));
    (sum.0 / n, sum.1 / n)
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

fn strain_deviation(study: &Study, rows: &[&Deviation], strain: usize) -> StrainDeviation {
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
        if let (Some(lower_g), Some(upper_g)) = (against.target.lower_g, against.target.upper_g) {
            let pct = |edge_g: f64| 100.0 * (edge_g / target_g - 1.0);
            band.push((row.age_d, pct(lower_g), pct(upper_g)));
        }
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
    StrainDeviation {
        name: study.strains[strain].clone(),
        birds: lines.len(),
        mean,
        lines,
        band,
    }
}
