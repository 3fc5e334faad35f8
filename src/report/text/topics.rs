//! The parts of a report, in the order in which it is read.

/// A part of the report.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Topic {
    /// How birds grow.
    Growth,
    /// Fat, lean and bone.
    Composition,
    /// Whether groups differ.
    Differences,
    /// Whether they are on target, and where they go.
    Target,
    /// Platform scales.
    Platform,
    /// When they lay.
    Lay,
    /// How well the scanner measures.
    Scanner,
    /// What was read, and how it was computed.
    Data,
}

impl Topic {
    /// All, in order.
    pub const ALL: [Self; 8] = [
        Self::Growth,
        Self::Composition,
        Self::Differences,
        Self::Target,
        Self::Platform,
        Self::Lay,
        Self::Scanner,
        Self::Data,
    ];

    /// Its heading.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Self::Growth => "Growth",
            Self::Composition => "Composition",
            Self::Differences => "Differences",
            Self::Target => "Target",
            Self::Platform => "Platform scales",
            Self::Lay => "Lay",
            Self::Scanner => "Scanner",
            Self::Data => "Data and methods",
        }
    }

    /// Its place in the page.
    #[must_use]
    pub fn anchor(self) -> &'static str {
        match self {
            Self::Growth => "growth",
            Self::Composition => "composition",
            Self::Differences => "differences",
            Self::Target => "target",
            Self::Platform => "platform",
            Self::Lay => "lay",
            Self::Scanner => "scanner",
            Self::Data => "data",
        }
    }
}
