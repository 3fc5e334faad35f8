//! What the scanner reads.

use super::{Scan, in_region};

/// A tissue that the scanner reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Tissue {
    /// Fat: the ether extract.
    Fat,
    /// Lean: protein + water.
    Lean,
    /// Bone mineral: the ash.
    Bone,
}

impl Tissue {
    /// All three.
    pub const ALL: [Self; 3] = [Self::Fat, Self::Lean, Self::Bone];

    /// Its name as a trait.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Fat => "fat",
            Self::Lean => "lean",
            Self::Bone => "bone",
        }
    }

    /// The trait of a region: `fat` for the whole body, `fat_leg` for the leg.
    #[must_use]
    pub fn trait_of(self, region: &str) -> String {
        in_region(self.name(), region)
    }

    /// Its reading in a scan, g per bird; NaN where there is none.
    #[must_use]
    pub fn reading(self, scan: &Scan) -> f64 {
        match self {
            Self::Fat => scan.fat_g,
            Self::Lean => scan.lean_g,
            Self::Bone => scan.bone_g,
        }
    }
}
