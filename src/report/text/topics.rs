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
    /// How to scan, step by step.
    Protocol,
    /// What was read, and how it was computed.
    Data,
}

impl Topic {
    /// All, in order.
    pub const ALL: [Self; 9] = [
        Self::Growth,
        Self::Composition,
        Self::Differences,
        Self::Target,
        Self::Platform,
        Self::Lay,
        Self::Scanner,
        Self::Protocol,
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
            Self::Protocol => "Scanning protocol",
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
            Self::Protocol => "protocol",
            Self::Data => "data",
        }
    }
}
