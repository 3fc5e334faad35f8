//! Intervals, tests and multiplicity.

use super::super::Paper;
use super::super::sources::{References, Source};
use super::super::words::{SIGNIFICANT, capital};
use super::animals::ages;
use crate::contrast::{Adjust, Source as Joined};
use crate::report::prose::listed;
use crate::trajectory::interval::Method;
use crate::trajectory::{Blocks, Design, Level, TraitModel};

impl Paper<'_> {
    pub(super) fn inference(&self, cited: &mut References) -> Vec<String> {
        let growth = &self.analysis.growth;
        let trajectories = &growth.trajectories;
        let at = |level: Level| {
            trajectories
                .subjects
                .iter()
                .any(|fits| fits.subject.level == level)
        };
        let mixed = trajectories
            .models
            .iter()
            .any(|model| model.status() != "failed");
        if !at(Level::Bird) && !at(Level::Strain) && !mixed {
            return Vec::new();
        }
        let mut text = String::new();
        if mixed {
            text += &format!(
                "Estimates of a {} are those of the typical bird, with all random effects at zero. ",
                self.groups()
            );
            let by = self.groups();
            text += &match self.pens() {
                Some(design) => format!(
                    "Because the pen was the experimental unit, standard errors of {by}s and of their differences are based on the variation between pens {}, with t distributions on {} degrees of freedom{}; ",
                    cited.cite(Source::BellMcCaffrey),
                    design.df(),
                    match design.blocks {
                        Blocks::Complete(_) => format!(" (pens minus {by}s and blocks)"),
                        _ => format!(" (pens minus {by}s)"),
                    },
                ),
                None => format!(
                    "Their confidence intervals use t distributions with Satterthwaite's degrees of freedom {}; ",
                    cited.cite(Source::Satterthwaite)
                ),
            };
            text += &format!(
                "intervals of single birds include the uncertainty of the variance parameters {}. ",
                cited.cite(Source::KassSteffey)
            );
        }
        text += &match self.options.growth.intervals {
            Method::Wald => format!(
                "Standard errors of derived quantities were obtained by the delta method {}, and {} confidence intervals (CI) are Wald intervals.",
                cited.cite(Source::BatesWatts),
                self.percent()
            ),
            Method::Profile => format!(
                "Standard errors of derived quantities were obtained by the delta method {}, and {} confidence intervals (CI) of parameters by profile likelihood.",
                cited.cite(Source::BatesWatts),
                self.percent()
            ),
            Method::Bootstrap { .. } => format!(
                "Standard errors of derived quantities were obtained by the delta method {}, and {} confidence intervals (CI) of parameters by bootstrap {}.",
                cited.cite(Source::BatesWatts),
                self.percent(),
                cited.cite(Source::Efron)
            ),
        };
        if at(Level::Strain) && !mixed {
            text += " Pooled fits treat the records of a strain as independent, so that their intervals are too narrow where birds were measured repeatedly.";
        }
        text += &format!(
            " Bands of curves are pointwise, and simultaneous over all ages by the tube formula {}.",
            cited.cite(Source::SunLoader)
        );
        let mut all = vec![text];
        all.extend(self.compared_how(cited));
        if trajectories.curves.len() > 1 && !mixed {
            all.push(format!(
                "Curves fitted to the same observations were ranked by AICc {}{}. [State why the chosen curve is biologically sensible.]",
                cited.cite(Source::HurvichTsai),
                cited.cite(Source::BurnhamAnderson)
            ));
        }
        all
    }

    /// The design, where groups are compared by the variation between pens.
    fn pens(&self) -> Option<&Design> {
        let mut models = self.analysis.growth.trajectories.models.iter();
        let by_pens = |model: &&TraitModel| {
            model
                .growth()
                .is_some_and(|fit| !fit.options.cluster.is_empty())
        };
        models
            .find(by_pens)?
            .design
            .as_ref()
            .filter(|design| design.has_pen_effects())
    }

    fn compared_how(&self, cited: &mut References) -> Option<String> {
        let comparison = &self.analysis.differences.as_ref()?.comparison;
        let by = self.groups();
        let joints = comparison
            .compared
            .iter()
            .filter_map(|one| one.joint.as_ref());
        let sources: Vec<Joined> = joints.map(|joint| joint.source).collect();
        if sources.is_empty() {
            return Some(format!(
                "{}s could not be compared, since no curve could be fitted to two of them.",
                capital(by)
            ));
        }
        let by_what = match (
            sources.contains(&Joined::Mixed),
            sources.contains(&Joined::Pooled),
        ) {
            (true, true) => {
                "the models of the traits, or pooled fits with standard errors clustered by bird where no model converged"
            }
            (true, false) => "the models of the traits",
            _ => "pooled fits with standard errors clustered by bird",
        };
        let to_mean = self.against_mean();
        let mut text = format!(
            "{}s were compared {}in {by_what}: all parameters, quantities derived from them, and masses at {}. ",
            capital(by),
            if to_mean {
                "with the mean of all, each by itself, "
            } else {
                ""
            },
            match self.analysis.ages_d.as_slice() {
                [] => "the last age".to_owned(),
                named => format!("{} and at the last age", ages(self.ages(), named)),
            }
        );
        text += &self.adjustment().replace(" are ", " were ");
        let adjust = self.options.comparison.as_ref().map(|wanted| wanted.adjust);
        text += &match adjust.unwrap_or_default() {
            Adjust::MaxT if to_mean => format!(" {}", cited.cite(Source::Holm)),
            Adjust::MaxT => format!(" {}", cited.cite(Source::Hothorn)),
            Adjust::Holm => format!(" {}", cited.cite(Source::Holm)),
            Adjust::Tukey if to_mean => format!(" {}", cited.cite(Source::Hothorn)),
            Adjust::Tukey => format!(" {}", cited.cite(Source::Tukey)),
            Adjust::None => String::new(),
        };
        text +=
            &format!("; differences with adjusted P < {SIGNIFICANT} were considered significant.");
        let mut tests: Vec<&str> = Vec::new();
        for test in comparison.compared.iter().flat_map(|one| &one.tests) {
            if !tests.contains(&test.test) {
                tests.push(test.test);
            }
        }
        if !tests.is_empty() {
            let tests: Vec<String> = tests
                .iter()
                .map(|test| match *test {
                    "Wald F of all terms" => match self.pens() {
                        Some(_) => format!(
                            "an F test of all parameters from Hotelling's T\u{b2} {}",
                            cited.cite(Source::Hotelling)
                        ),
                        None => format!(
                            "a Wald F test of all parameters with degrees of freedom by Kenward and Roger {}",
                            cited.cite(Source::KenwardRoger)
                        ),
                    },
                    "Wald F of the interaction of strain and treatment" => {
                        "an F test of the interaction of strain and treatment".to_owned()
                    }
                    other => other.to_owned(),
                })
                .collect();
            text += &format!(
                " Equality of whole curves was tested by {}.",
                listed(&tests)
            );
        }
        if comparison.compared.iter().any(|one| !one.by_age.is_empty()) {
            text += &format!(
                " Two curves were considered to differ at the ages at which the simultaneous {} band of their difference excluded zero {}.",
                self.percent(),
                cited.cite(Source::SunLoader)
            );
        }
        Some(text)
    }
}
