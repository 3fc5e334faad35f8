//! The figures of mixed fits: the population's curves with those of its birds, how the
//! birds' departures go together, the residuals from several sides.

use crate::figure::{
    AgeUnit, BandPoint, BirdLine, NamedPoint, Population as PopulationFigure, RandomPairs,
    ResidualLine, ResidualPanel, ResidualPanels, Standing, StrainCurves, StrainEffects,
    StrainPoints,
};
use crate::fit::mixed::{Covariance, MixedFit, MixedResidual, RandomEffect};
use crate::report::pictures::{Drawn, Showing, evenly_between, file_name, grams_of, percent};
use crate::stats::distribution::normal_quantile;
use crate::study::Study;
use crate::trajectory::{Limits, PopulationFit, Trajectories};

/// The population's curve with those of its birds, by each trait's best mixed fit; none
/// where no trait has one.
pub fn population_pictures(
    study: &Study,
    trajectories: &Trajectories,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for scene in scenes(study, trajectories, showing) {
        let figure = scene.population();
        drawn.add(scene.file("population"), || {
            figure.pages(showing.sized(figure.size(showing.width_mm)?)?)
        });
    }
}

/// How the birds' departures go together, and the residuals, of the same fits.
pub fn mixed_diagnostic_pictures(
    study: &Study,
    trajectories: &Trajectories,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    for scene in scenes(study, trajectories, showing) {
        let pairs = scene.random_pairs();
        if pairs.terms.len() > 1 {
            drawn.add_sheet(scene.file("random_effects"), || {
                pairs.draw(showing.sized(pairs.size(showing.width_mm)?)?)
            });
        }
        let residuals = scene.residuals();
        drawn.add_sheet(scene.file("mixed_residuals"), || {
            residuals.draw(showing.sized(residuals.size(showing.width_mm)?)?)
        });
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

    fn bird_name(&self, subject: usize) -> String {
        self.study.birds[self.fit.cohort.birds[subject]]
            .name
            .clone()
    }

    fn population(&self) -> PopulationFigure {
        let new_bird = self.fit.new_bird(self.showing.confidence);
        let strains = self.panels().map(|(group, name)| {
            let bird_curves: Vec<BirdLine> =
                self.subjects(group).map(|s| self.bird_curve(s)).collect();
            StrainCurves {
                name: name.to_owned(),
                birds: bird_curves.len(),
                bird_curves,
                population: self.typical(group, new_bird.as_ref()),
                standing: self.standing(),
            }
        });
        PopulationFigure {
            quantity: grams_of(self.trait_name()),
            ages: AgeUnit::Days,
            curve: format!("{}, mixed effects", self.fit.curve.name()),
            band: format!(
                "{} prediction band of a new bird's weighing",
                percent(self.showing.confidence)
            ),
            strains: strains.collect(),
            letter: self.showing.letter,
        }
    }

    /// A bird's curve at its conditional mode, over its own ages.
    fn bird_curve(&self, subject: usize) -> BirdLine {
        let own = self.fit.cohort.ages_of(subject);
        let ends = own.first().zip(own.last());
        let ages_d = ends.map_or(Vec::new(), |(first, last)| {
            evenly_between((*first, *last), FAINT_STEPS)
        });
        let terms = self.mixed.subject(subject);
        BirdLine {
            name: self.bird_name(subject),
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
                (self.bird_name(subject), away.collect())
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
            letter: self.showing.letter,
        }
    }

    /// Residuals about the birds' own curves: against the fitted value, age and normal
    /// quantiles.
    fn residuals(&self) -> ResidualPanels {
        let all = self.fit.residuals();
        let sorted = {
            let mut sorted: Vec<f64> = all.iter().map(|one| one.normalised).collect();
            sorted.sort_by(f64::total_cmp);
            sorted
        };
        let quantiles = normal_scores(&sorted);
        let at_quantile = |one: &MixedResidual| {
            let place = sorted.partition_point(|other| *other < one.normalised);
            quantiles[place.min(quantiles.len() - 1)]
        };
        let panel = |across: String, reference, x: &dyn Fn(&MixedResidual) -> f64| ResidualPanel {
            across,
            up: "Standardised residual".to_owned(),
            reference,
            strains: self.points(&all, x),
        };
        ResidualPanels {
            of: format!(
                "{} by the mixed {}, about each bird's own curve",
                self.trait_name().replace('_', " "),
                self.fit.curve.name()
            ),
            panels: vec![
                panel("Fitted (g)".to_owned(), ResidualLine::Zero, &|one| {
                    one.fitted
                }),
                panel("Age (days)".to_owned(), ResidualLine::Zero, &|one| {
                    one.age_d
                }),
                panel(
                    "Normal quantile".to_owned(),
                    ResidualLine::Equality,
                    &at_quantile,
                ),
            ],
            letter: self.showing.letter,
        }
    }

    fn points(
        &self,
        all: &[MixedResidual],
        x: &dyn Fn(&MixedResidual) -> f64,
    ) -> Vec<StrainPoints> {
        let strains = self.overlaid().into_iter().map(|(group, name)| {
            let mine = all
                .iter()
                .filter(|one| self.mixed.subject_groups[one.subject] == group);
            StrainPoints {
                name: name.to_owned(),
                birds: self.subjects(group).count(),
                points: mine
                    .map(|one| NamedPoint {
                        name: self.bird_name(one.subject),
                        x: x(one),
                        y: one.normalised,
                    })
                    .collect(),
            }
        });
        strains.collect()
    }
}

/// Quantiles of the standard normal at (i - 3/8) / (n + 1/4), in the order of the
/// sorted values (Blom 1958, from memory).
pub(super) fn normal_scores(sorted: &[f64]) -> Vec<f64> {
    let n = sorted.len() as f64;
    (1..=sorted.len())
        .map(|place| normal_quantile((place as f64 - 0.375) / (n + 0.25)))
        .collect()
}
