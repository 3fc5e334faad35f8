//! The figures of mixed fits: the population's curves with those of its birds, how the
//! birds' departures are correlated, the residuals from several sides.

use std::collections::BTreeSet;

use crate::figure::{
    Across, BandPoint, BirdLine, Birds, ByAge, Layout, NamedPoint, RandomPairs, ResidualLine,
    ResidualPanel, ResidualPanels, Standing, StrainByAge, StrainEffects, StrainPoints,
};
use crate::fit::diagnostics;
use crate::fit::mixed::{Covariance, MixedFit, RandomEffect};
use crate::report::paper::curve_words;
use crate::report::pictures::{Drawn, Showing, evenly_between, file_name, percent, quantity_of};
use crate::report::text::trait_words;
use crate::stats::distribution::normal_quantile;
use crate::study::{Study, Values};
use crate::trajectory::{Level, Limits, Pooled, PopulationFit, SubjectFits, Trajectories};

/// The population's curve with those of its birds, by each trait's best mixed fit; none
/// where no trait has one.
pub fn population_pictures(
    study: &Study,
    trajectories: &Trajectories,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for scene in scenes(study, trajectories, showing) {
        drawn.add(scene.file("population"), &scene.population(), showing);
    }
}

/// How the birds' departures are correlated, of the same fits.
pub fn random_effect_pictures(
    study: &Study,
    trajectories: &Trajectories,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for scene in scenes(study, trajectories, showing) {
        let pairs = scene.random_pairs();
        if pairs.terms.len() > 1 {
            drawn.add(scene.file("random_effects"), &pairs, showing);
        }
    }
}

/// The residuals of each trait's model from several sides: about the birds' own curves of a
/// mixed fit, about the strains' curves otherwise.
pub fn residual_pictures(
    study: &Study,
    trajectories: &Trajectories,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for (trait_index, records) in study.traits.iter().enumerate() {
        let mut mixed = scenes(study, trajectories, showing);
        let of_trait = |scene: &Scene| scene.fit.cohort.trait_index == trait_index;
        let figure = match mixed.find(of_trait) {
            Some(scene) => Some(scene.residuals()),
            None => pooled_residuals(study, trajectories, trait_index, showing),
        };
        if let Some(figure) = figure {
            drawn.add(
                format!("residuals_{}", file_name(&records.name)),
                &figure,
                showing,
            );
        }
    }
}

fn scenes<'a>(
    study: &'a Study,
    trajectories: &'a Trajectories,
    showing: &'a Showing<'a>,
) -> impl Iterator<Item = Scene<'a>> {
    trajectories.models.iter().filter_map(move |model| {
        let fit = model.fitted()?;
        let mixed = fit.outcome.fit()?;
        Some(Scene {
            study,
            fit,
            mixed,
            showing,
        })
    })
}

/// Steps of a faint line among many, and of the typical curve.
const FAINT_STEPS: u32 = 28;
const TYPICAL_STEPS: u32 = 56;

/// From this shrinkage on the birds' own effects are rounding.
const GONE: f64 = 0.9999;

/// One trait's mixed fit, about to be drawn.
struct Scene<'a> {
    study: &'a Study,
    fit: &'a PopulationFit,
    mixed: &'a MixedFit,
    showing: &'a Showing<'a>,
}

impl Scene<'_> {
    fn trait_name(&self) -> &str {
        &self.study.traits[self.fit.cohort.trait_index].name
    }

    fn file(&self, figure: &str) -> String {
        format!("{figure}_{}", file_name(self.trait_name()))
    }

    fn groups(&self) -> impl Iterator<Item = (usize, &str)> {
        let groups = self.fit.cohort.groups.iter().enumerate();
        groups.map(|(group, named)| (group, named.name.as_str()))
    }

    fn strain(&self, name: &str) -> Option<usize> {
        self.study.strains.iter().position(|known| known == name)
    }

    /// The groups that get a panel.
    fn panels(&self) -> impl Iterator<Item = (usize, &str)> {
        self.groups().filter(|(_, name)| {
            let strain = self.strain(name);
            strain.is_none_or(|strain| self.showing.has_panel(strain))
        })
    }

    /// The groups in the order of an overlaid figure.
    fn overlaid(&self) -> Vec<(usize, &str)> {
        let order = self.showing.overlaid(self.study);
        let mut groups: Vec<(usize, &str)> = self.groups().collect();
        groups.sort_by_key(|(_, name)| {
            let strain = self.strain(name);
            strain.and_then(|strain| order.iter().position(|at| *at == strain))
        });
        groups
    }

    /// Subjects of a group, by their number.
    fn subjects(&self, group: usize) -> impl Iterator<Item = usize> {
        let subjects = self.mixed.subject_groups.iter().enumerate();
        subjects.filter_map(move |(subject, own)| (*own == group).then_some(subject))
    }

    fn bird_name(&self, subject: usize) -> &str {
        &self.study.birds[self.fit.cohort.birds[subject]].name
    }

    fn population(&self) -> ByAge {
        let new_bird = self.fit.new_bird(self.showing.confidence);
        let strains = self.panels().map(|(group, name)| {
            let lines: Vec<BirdLine> = self.subjects(group).map(|s| self.bird_curve(s)).collect();
            StrainByAge {
                name: name.to_owned(),
                place: self.strain(name).unwrap_or(group),
                birds: lines.len(),
                lines,
                curve: self.typical(group, new_bird.as_ref()),
                target: Vec::new(),
                standing: self.standing(),
            }
        });
        let of = match self.study.values {
            Values::BirdMasses => "bird's weighing",
            Values::AnyNumber => "subject's value",
        };
        ByAge {
            quantity: quantity_of(self.study, self.trait_name()),
            layout: Layout::Facets,
            birds: Birds::Lines,
            curve: format!("{}, mixed effects", curve_words(self.fit.curve.name())),
            band: format!(
                "{} prediction band of a new {of}",
                percent(self.showing.confidence)
            ),
            strains: strains.collect(),
            frame: self.showing.frame.clone(),
            ..ByAge::default()
        }
    }

    /// A bird's curve at its conditional mode, over the bird's ages.
    fn bird_curve(&self, subject: usize) -> BirdLine {
        let own = self.fit.cohort.ages_of(subject);
        let ends = own.first().zip(own.last());
        let ages_d = ends.map_or(Vec::new(), |(first, last)| {
            evenly_between((*first, *last), FAINT_STEPS)
        });
        let terms = self.mixed.subject(subject);
        BirdLine {
            name: self.bird_name(subject).to_owned(),
            points: ages_d
                .into_iter()
                .map(|age_d| (age_d, self.fit.curve.value(age_d, terms)))
                .collect(),
        }
    }

    /// A group's typical curve with the limits of a new bird.
    fn typical(
        &self,
        group: usize,
        new_bird: Option<&impl Fn(usize, &[f64]) -> Vec<Limits>>,
    ) -> Vec<BandPoint> {
        let ages_d = evenly_between(self.fit.cohort.age_span(group), TYPICAL_STEPS);
        let limits = new_bird.map_or_else(Vec::new, |limits| limits(group, &ages_d));
        let terms = self.mixed.group(group);
        let points = ages_d.iter().zip(limits).map(|(age_d, limits)| {
            let (lower, upper) = limits.unwrap_or((f64::NAN, f64::NAN));
            BandPoint {
                age_d: *age_d,
                value: self.fit.curve.value(*age_d, terms),
                lower,
                upper,
            }
        });
        points.collect()
    }

    fn standing(&self) -> Standing {
        match self.fit.outcome.reasons() {
            reasons if reasons.is_empty() => Standing::Sound,
            reasons => Standing::Weak(reasons.join("; ")),
        }
    }

    /// Each bird's own terms minus the typical ones of its group.
    fn random_pairs(&self) -> RandomPairs {
        let terms = self.fit.curve.terms();
        // An effect that went to zero is the same for all birds: nothing to draw.
        let varying = |at: &usize| {
            let effect = &self.mixed.random[*at];
            effect.standard_deviation > 0.0 && effect.shrinkage < GONE
        };
        let kept: Vec<usize> = (0..self.mixed.random.len()).filter(varying).collect();
        let effects: Vec<&RandomEffect> = kept.iter().map(|at| &self.mixed.random[*at]).collect();
        let name = |term: usize| match &*terms[term].unit {
            "" => terms[term].name.to_string(),
            unit => format!("{} ({unit})", terms[term].name),
        };
        let strains = self.overlaid().into_iter().map(|(group, name)| {
            let typical = self.mixed.group(group);
            let birds = self.subjects(group).map(|subject| {
                let own = self.mixed.subject(subject);
                let away = effects
                    .iter()
                    .map(|effect| own[effect.term] - typical[effect.term]);
                (self.bird_name(subject).to_owned(), away.collect())
            });
            StrainEffects {
                name: name.to_owned(),
                birds: birds.collect(),
            }
        });
        let correlations = match self.mixed.covariance {
            Covariance::Diagonal => Vec::new(),
            Covariance::Full => kept
                .iter()
                .map(|row| {
                    kept.iter()
                        .map(|column| self.mixed.random_correlation(*row, *column))
                        .collect()
                })
                .collect(),
        };
        RandomPairs {
            terms: effects.iter().map(|effect| name(effect.term)).collect(),
            values: "each bird's own term (conditional mode) less that of its typical bird"
                .to_owned(),
            strains: strains.collect(),
            correlations,
            frame: self.showing.frame.clone(),
        }
    }

    /// Residuals about the birds' own curves.
    fn residuals(&self) -> ResidualPanels {
        let all = self.fit.residuals();
        let of = format!(
            "{} by the mixed {}, about each {}'s own curve",
            trait_words(self.study, self.trait_name()),
            curve_words(self.fit.curve.name()),
            self.showing.frame.subject
        );
        let groups = self.overlaid().into_iter().map(|(group, name)| {
            let mine = all
                .iter()
                .filter(|one| self.mixed.subject_groups[one.subject] == group);
            let mine = mine.map(|one| One {
                name: self.bird_name(one.subject),
                age_d: one.age_d,
                fitted: one.fitted,
                residual: one.normalised,
            });
            (
                name.to_owned(),
                self.subjects(group).count(),
                mine.collect(),
            )
        });
        residual_panels(
            (of, fitted(self.study, self.trait_name()), RESIDUAL),
            &groups.collect::<Vec<_>>(),
            self.showing,
        )
    }
}

const RESIDUAL: &str = "Standardised residual";

/// "Fitted (g)".
fn fitted(study: &Study, trait_name: &str) -> String {
    match quantity_of(study, trait_name).unit.as_str() {
        "" => "Fitted".to_owned(),
        unit => format!("Fitted ({unit})"),
    }
}

/// Residuals of the pooled fits of a trait's strains; none without such a fit.
fn pooled_residuals(
    study: &Study,
    trajectories: &Trajectories,
    trait_index: usize,
    showing: &Showing,
) -> Option<ResidualPanels> {
    let records = &study.traits[trait_index];
    let mut curves: Vec<String> = Vec::new();
    let groups = showing.overlaid(study).into_iter().map(|strain| {
        let name = study.strains[strain].clone();
        let mut fits = trajectories.of(Level::Strain, trait_index);
        let best = fits
            .find(|fits| fits.subject.strain == strain)
            .and_then(SubjectFits::best);
        let Some((best, estimates)) = best.and_then(|best| Some((best, best.outcome.estimates()?)))
        else {
            return (name, 0, Vec::new());
        };
        let curve = curve_words(best.curve.name());
        if !curves.contains(&curve) {
            curves.push(curve);
        }
        let pooled = Pooled::of(study, records, strain);
        let all = diagnostics::residuals(&*best.curve, pooled.series(), estimates);
        let all = all.zip(&pooled.birds).map(|(residual, bird)| One {
            name: &study.birds[*bird].name,
            age_d: residual.age_d,
            fitted: residual.fitted,
            residual: residual.standardised,
        });
        let birds: BTreeSet<usize> = pooled.birds.iter().copied().collect();
        (name, birds.len(), all.collect())
    });
    let groups: Vec<_> = groups.collect();
    if groups.iter().all(|(_, _, all)| all.is_empty()) {
        return None;
    }
    let of = format!(
        "{} by {}",
        trait_words(study, &records.name),
        curves.join(", ")
    );
    let named = (of, fitted(study, &records.name), RESIDUAL);
    Some(residual_panels(named, &groups, showing))
}

/// One residual.
pub(super) struct One<'a> {
    pub name: &'a str,
    pub age_d: f64,
    pub fitted: f64,
    pub residual: f64,
}

/// Residuals by group (its name, its birds) against the fitted value, age and normal quantiles,
/// with their means in tenths of the fitted values and at each age.
pub(super) fn residual_panels(
    (of, fitted, up): (String, String, &str),
    groups: &[(String, usize, Vec<One<'_>>)],
    showing: &Showing,
) -> ResidualPanels {
    let all = || groups.iter().flat_map(|(_, _, all)| all);
    let mut sorted: Vec<f64> = all().map(|one| one.residual).collect();
    sorted.sort_by(f64::total_cmp);
    let scores = normal_scores(&sorted);
    let score = |one: &One| {
        let place = sorted.partition_point(|other| *other < one.residual);
        scores[place.min(scores.len() - 1)]
    };
    let along = |x: &dyn Fn(&One) -> f64| -> Vec<(f64, f64)> {
        let mut along: Vec<(f64, f64)> = all().map(|one| (x(one), one.residual)).collect();
        along.sort_by(|a, b| a.0.total_cmp(&b.0));
        along
    };
    let by_fitted = along(&|one| one.fitted);
    let tenth = by_fitted.len().div_ceil(10).max(1);
    let by_age = along(&|one| one.age_d);
    let panel = |across, reference, x: &dyn Fn(&One) -> f64, means| ResidualPanel {
        across,
        up: up.to_owned(),
        reference,
        strains: groups
            .iter()
            .map(|(name, birds, all)| {
                StrainPoints::of((name.clone(), *birds), all.len(), |at| NamedPoint {
                    name: all[at].name.to_owned(),
                    x: x(&all[at]),
                    y: all[at].residual,
                })
            })
            .collect(),
        means,
    };
    ResidualPanels {
        of,
        panels: vec![
            panel(
                Across::Named(fitted),
                ResidualLine::Zero,
                &|one| one.fitted,
                by_fitted.chunks(tenth).map(mean_point).collect(),
            ),
            panel(
                Across::Age,
                ResidualLine::Zero,
                &|one| one.age_d,
                by_age.chunk_by(|a, b| a.0 >= b.0).map(mean_point).collect(),
            ),
            panel(
                Across::Named("Normal quantile".to_owned()),
                ResidualLine::Equality,
                &score,
                Vec::new(),
            ),
        ],
        frame: showing.frame.clone(),
    }
}

fn mean_point(points: &[(f64, f64)]) -> (f64, f64) {
    let n = points.len().max(1) as f64;
    let sum = points
        .iter()
        .fold((0.0, 0.0), |sum, point| (sum.0 + point.0, sum.1 + point.1));
    (sum.0 / n, sum.1 / n)
}

/// Quantiles of the standard normal at (i - 3/8) / (n + 1/4), in the order of the
/// sorted values (Blom 1958, from memory).
fn normal_scores(sorted: &[f64]) -> Vec<f64> {
    let n = sorted.len() as f64;
    (1..=sorted.len())
        .map(|place| normal_quantile((place as f64 - 0.375) / (n + 0.25)))
        .collect()
}
