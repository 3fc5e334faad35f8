//! In which way was a bird scanned?

use super::Scan;

/// The mark of a shelled egg in the body.
const EGG: &str = "egg";

/// A way of scanning.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Way {
    /// How the birds were held; empty where not stated.
    pub restraint: String,
    /// Birds in the scan.
    pub birds: usize,
    /// Whether the bird carried a shelled egg.
    pub egg: bool,
}

impl Way {
    /// The way that a scan was made in.
    #[must_use]
    pub fn of(scan: &Scan) -> Self {
        Self {
            restraint: scan.restraint.clone(),
            birds: scan.birds_in_scan(),
            egg: scan.marks.iter().any(|mark| mark == EGG),
        }
    }

    /// Its name: `tube`, `crate of 3 birds`, `tube, with a shelled egg`.
    #[must_use]
    pub fn label(&self) -> String {
        let mut label = match self.restraint.as_str() {
            "" => "restraint not stated".to_owned(),
            restraint => restraint.to_owned(),
        };
        if self.birds > 1 {
            label += &format!(" of {} birds", self.birds);
        }
        if self.egg {
            label += ", with a shelled egg";
        }
        label
    }
}
