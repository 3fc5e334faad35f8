//! Invented studies of two strains: weekly weights by a two-phase gompertz curve of each
//! bird, and masses of a part of the body by an allometry that bends at one weight.

use nalgebra::DMatrix;
use pinfeather::fit::mixed::{Correlation, Covariance, Criterion, RandomScale};
use pinfeather::fit::{Settings, Variance};
use pinfeather::growth::built_in;
use pinfeather::study::{Bird, Feathers, FixedEffectOf, Records, Scan, Study, WHOLE};
use pinfeather::trajectory::{
    PopulationFit, PopulationRequest, RandomTerms, Request, Trajectories,
};
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};

/// A1, k1, ti1, A2, k2, ti2 of the typical bird of each strain.
pub(crate) const WEIGHT: [[f64; 6]; 2] = [
    [1380.0, 0.0300, 42.4, 400.0, 0.085, 120.0],
    [1180.0, 0.0315, 39.4, 330.0, 0.090, 115.0],
];
/// SD of their logarithms between birds.
const SPREAD: [f64; 6] = [0.06, 0.04, 0.05, 0.10, 0.08, 0.033];
/// Mass at 1 kg of the typical bird of each strain, g.
const AT_1_KG: [f64; 2] = [92.0, 82.0];

/// What is drawn.
#[derive(Debug, Clone)]
pub(crate) struct Design {
    /// Birds of each strain, the first of them followed by scans.
    pub(crate) birds: usize,
    pub(crate) followed: usize,
    pub(crate) scanned_at_d: Vec<f64>,
    /// Birds of each strain scanned once, at these ages in turn, and weighed only there.
    pub(crate) once: usize,
    /// Exponent below and above the break, and the weight of the break, g.
    pub(crate) exponents: (f64, f64),
    pub(crate) break_g: f64,
    /// SD of a weighing, of birds and of scans about the allometry (logarithms), of a mass
    /// about its equation (share of the mass).
    pub(crate) weighing: f64,
    pub(crate) bird: f64,
    pub(crate) scan: f64,
    pub(crate) own: f64,
    /// SD of the equation's constant, g, and of its slope.
    pub(crate) equation: (f64, f64),
    /// The share of scans from 120 d on with an egg in the body, and what it adds.
    pub(crate) egg: Option<(f64, f64)>,
    /// Whether the mass is that of the body beside the part that the allometry describes, as
    /// lean is beside fat: strains and birds then bend unlike.
    pub(crate) rest: bool,
}

impl Design {
    /// As the demo's fat: followed birds, others scanned once.
    pub(crate) fn demo() -> Self {
        Self {
            birds: 24,
            followed: 6,
            scanned_at_d: vec![21.0, 42.0, 63.0, 84.0, 105.0, 126.0, 147.0],
            once: 20,
            exponents: (1.4, 1.4),
            break_g: 1000.0,
            weighing: 0.02,
            bird: 0.15,
            scan: 0.04,
            own: 0.08,
            equation: (1.0, 0.02),
            egg: None,
            rest: false,
        }
    }

    /// Without errors; birds differ in weight only.
    pub(crate) fn noise_free(mut self) -> Self {
        // A weighing error of nothing has no likelihood.
        self.weighing = 1e-4;
        (self.bird, self.scan, self.own) = (0.0, 0.0, 0.0);
        self.equation = (0.0, 0.0);
        self
    }

    /// True mass of a bird of a weight, g, and of a part that is so many times the typical one.
    pub(crate) fn mass_g(&self, strain: usize, weight_g: f64, part: f64) -> f64 {
        let (below, above) = self.exponents;
        let at = |w: f64| {
            if w < self.break_g {
                below * (w / self.break_g).ln()
            } else {
                above * (w / self.break_g).ln()
            }
        };
        let part_g = part * AT_1_KG[strain] * (at(weight_g) - at(1000.0)).exp();
        if self.rest { weight_g - part_g } else { part_g }
    }

    /// True mass of the typical bird, g.
    pub(crate) fn typical_g(&self, strain: usize, age_d: f64) -> f64 {
        self.mass_g(strain, typical_weight_g(strain, age_d), 1.0)
    }
}

pub(crate) fn typical_weight_g(strain: usize, age_d: f64) -> f64 {
    built_in("two-phase-gompertz")
        .unwrap()
        .value(age_d, &WEIGHT[strain])
}

pub(crate) struct Invented {
    pub(crate) study: Study,
    pub(crate) masses: Records,
    /// Records x 2: constant and slope of the equation.
    pub(crate) shared: DMatrix<f64>,
}

pub(crate) fn invent(design: &Design, seed: u64) -> Invented {
    let mut generator = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = || -> f64 { StandardNormal.sample(&mut generator) };
    let curve = built_in("two-phase-gompertz").unwrap();
    let mut study = Study {
        strains: vec!["Alder".to_owned(), "Birch".to_owned()],
        ..Study::default()
    };
    let named = |name: &str| Records {
        name: name.to_owned(),
        starts: vec![0],
        ..Records::default()
    };
    let (mut weights, mut masses) = (named("body_weight"), named("fat"));
    let equation = [design.equation.0 * normal(), design.equation.1 * normal()];
    let mut loadings = Vec::new();
    for (strain, of_strain) in WEIGHT.iter().enumerate() {
        for own in 0..design.birds + design.once {
            let followed = own < design.birds;
            let mut terms = *of_strain;
            for (term, sd) in terms.iter_mut().zip(SPREAD) {
                let by = normal();
                *term *= (sd * by).exp();
            }
            let fatness = design.bird * normal();
            if followed {
                for week in 0..=24 {
                    let age_d = 7.0 * f64::from(week);
                    let weight_g = curve.value(age_d, &terms);
                    weights.ages_d.push(age_d);
                    weights
                        .values
                        .push(weight_g * (1.0 + design.weighing * normal()));
                    weights.rows.push(0);
                }
            }
            weights.starts.push(weights.values.len());
            let place = own.wrapping_sub(design.birds) % design.scanned_at_d.len();
            let ages: &[f64] = if own < design.followed {
                &design.scanned_at_d
            } else if followed {
                &[]
            } else {
                &design.scanned_at_d[place..=place]
            };
            for (at, age_d) in ages.iter().enumerate() {
                let weight_g = curve.value(*age_d, &terms);
                let mut mass_g =
                    design.mass_g(strain, weight_g, fatness.exp()) * (design.scan * normal()).exp();
                let egg = design.egg.filter(|_| *age_d > 120.0 && (own + at) % 2 == 0);
                if let Some((adds, _)) = egg {
                    mass_g *= adds.exp();
                }
                let sd_g = design.own * mass_g;
                loadings.push([design.equation.0, design.equation.1 * mass_g]);
                masses.ages_d.push(*age_d);
                masses
                    .values
                    .push(mass_g + sd_g * normal() + equation[0] + equation[1] * mass_g);
                masses.variances.push(sd_g * sd_g);
                masses.rows.push(0);
                study.scans.rows.push(Scan {
                    name: String::new(),
                    birds: vec![study.birds.len()],
                    age_d: *age_d,
                    repeat: 1,
                    region: WHOLE.to_owned(),
                    restraint: String::new(),
                    laboratory: String::new(),
                    feathers: Feathers::Intact,
                    fat_g: mass_g,
                    lean_g: f64::NAN,
                    bone_g: f64::NAN,
                    further: Vec::new(),
                    scale_weight_g: weight_g * (1.0 + 0.003 * normal())
                        + egg.map_or(0.0, |(_, egg_g)| egg_g),
                    marks: egg.map(|_| "egg".to_owned()).into_iter().collect(),
                    row: 0,
                });
            }
            masses.starts.push(masses.values.len());
            study.birds.push(Bird {
                name: format!("{strain}-{own}"),
                strain,
                pen: None,
                treatment: None,
                block: None,
                hatch_date: None,
            });
        }
    }
    if masses.variances.iter().all(|variance| *variance == 0.0) {
        masses.variances.clear();
    }
    study.traits.push(weights);
    Invented {
        shared: DMatrix::from_fn(loadings.len(), 2, |row, column| loadings[row][column]),
        study,
        masses,
    }
}

/// Body weight of all birds as one population, two-phase, proportional spread.
pub(crate) fn weight_fit(study: &Study, random: &[&str]) -> PopulationFit {
    let request = Request {
        curves: vec![built_in("two-phase-gompertz").unwrap()],
        birds: false,
        strains: false,
        population: Some(PopulationRequest {
            random: RandomTerms::Named(random.iter().map(|term| (*term).to_owned()).collect()),
            scale: Some(RandomScale::Log),
            covariance: Some(Covariance::Diagonal),
            variance: Some(Variance::Proportional),
            correlation: Some(Correlation::None),
            criterion: Some(Criterion::Likelihood),
            pens: false,
            ..PopulationRequest::chosen(vec![FixedEffectOf::Strain])
        }),
        settings: Settings::default(),
        correlation: Correlation::None,
        hatch_weight_g: None,
    };
    let mut weighed = study.clone();
    weighed.traits.truncate(1);
    let models = Trajectories::fit(&weighed, &request, &|_| {}).models;
    models[0].growth().unwrap().clone()
}
