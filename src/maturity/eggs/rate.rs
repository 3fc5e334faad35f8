//! A hen's rate of lay after her first egg.

/// How a hen's rate of lay rises after her first egg: 1 - (1 - `begins_at`) exp(-u / `days`) of
/// the plateau u days after it.
///
/// The rise and the spread of ages at maturity both stretch the rise of a pen's eggs, and
/// eggs counted by pen alone cannot separate them: the rise is given. Its likelihood is no
/// guide where the rise has another form: of hens whose rate rises in a straight line it
/// prefers a rise with ages 2 d late to one with ages 1 d late.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rise {
    /// Time constant, d.
    pub days: f64,
    /// Its standard error, or what it is believed to, d.
    pub days_sd: f64,
    /// Share of the plateau on the days after the first egg, 0 to 1.
    pub begins_at: f64,
    /// Its standard error, or what it is believed to; 0 where the error of `days` has it too.
    pub begins_at_sd: f64,
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

impl Rise {
    /// From half of the plateau, believed to 20 points, with 7 d, believed to 2.5 d (90 % of the
    /// plateau after 11 d, 95 % after 16 d). A convention: no published rise was found.
    pub const ASSUMED: Self = Self {
        days: 7.0,
        days_sd: 2.5,
        begins_at: 0.5,
        begins_at_sd: 0.2,
        origin: RiseOrigin::Assumed,
    };

    /// Share of the plateau `days_after` the first egg.
    #[must_use]
    pub fn share(self, days_after: f64) -> f64 {
        1.0 - (1.0 - self.begins_at) * (-days_after / self.days).exp()
    }

    /// The same with the time constant root 3 standard errors shorter, and longer, then with the
    /// share at first as much smaller, and greater: with the one between them the nodes of a
    /// normal distribution, weights 1/6, 2/3 and 1/6. None of a share without error.
    #[must_use]
    pub fn nodes(self) -> Vec<[Self; 2]> {
        let days = [-1.0, 1.0].map(|sign| Self {
            days: (self.days + sign * NODE * self.days_sd).max(SHORTEST_D),
            ..self
        });
        let begins_at = [-1.0, 1.0].map(|sign| Self {
            begins_at: (self.begins_at + sign * NODE * self.begins_at_sd).clamp(0.0, 1.0),
            ..self
        });
        let both = [days, begins_at].into_iter();
        both.take(if self.begins_at_sd > 0.0 { 2 } else { 1 })
            .collect()
    }
}
