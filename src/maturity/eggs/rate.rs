//! A hen's rate of lay after her first egg.

/// How a hen's rate of lay rises after her first egg: 1 - exp(-u / `days`) / 2 of the plateau
/// u days after it.
///
/// The rise and the spread of ages at maturity both stretch the rise of a pen's eggs, and
/// eggs counted by pen alone cannot separate them: the rise is given.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rise {
    /// Time constant, d.
    pub days: f64,
    /// Its standard error, or what it is believed to, d.
    pub days_sd: f64,
    /// Where it comes from.
    pub origin: RiseOrigin,
}

/// Where the rise of a hen's rate comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RiseOrigin {
    /// Assumed: a convention of this program, without a published source.
    Assumed,
    /// Given in the settings.
    Given,
    /// Estimated from this number of ringed birds, whose first eggs are known.
    Ringed(usize),
}

/// Standard errors from the middle to a node of Gauss and Hermite's rule of three.
pub(super) const NODE: f64 = 1.732_050_807_568_877_2;

/// Time constants below this are no rise at all, d.
const SHORTEST_D: f64 = 0.5;

/// Share of the plateau at which a hen begins after her first egg.
const BEGINS_AT: f64 = 0.5;

impl Rise {
    /// 7 d (90 % of the plateau after 11 d, 95 % after 16 d), believed to 2 d. A convention.
    pub const ASSUMED: Self = Self {
        days: 7.0,
        days_sd: 2.0,
        origin: RiseOrigin::Assumed,
    };

    /// Share of the plateau `days_after` the first egg.
    #[must_use]
    pub fn share(self, days_after: f64) -> f64 {
        1.0 - (1.0 - BEGINS_AT) * (-days_after / self.days).exp()
    }

    /// The same with the time constant root 3 standard errors shorter, and longer: with the one
    /// between them the nodes of a normal distribution, weights 1/6, 2/3 and 1/6.
    #[must_use]
    pub fn nodes(self) -> [Self; 2] {
        [-1.0, 1.0].map(|sign| Self {
            days: (self.days + sign * NODE * self.days_sd).max(SHORTEST_D),
            ..self
        })
    }
}
