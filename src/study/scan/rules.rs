//! How scans are read and which are rejected: `[scans]` in `study.toml`.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::{ReadingUnit, RegionColumn, Scan, ScanName, WHOLE};

/// What the masses of a scan of several birds are.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum GroupMasses {
    /// The total over its birds, as a scanner prints it.
    #[default]
    Total,
    /// Already divided by their number.
    Mean,
}

/// Settings under `[scans]` in `study.toml`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ScanSettings {
    /// What the masses of a scan of several birds are.
    pub group_masses: GroupMasses,
    /// A scan whose fat + lean + bone is further than this from the scale
    /// weight, in percent of it, is rejected.
    pub mass_tolerance_pct: f64,
    /// Regions may miss the whole by this, in percent of it.
    pub region_tolerance_pct: f64,
    /// A scan with one of these marks is rejected.
    pub reject: Vec<String>,
    /// Readings beside fat, lean and bone, each with its unit.
    pub readings: BTreeMap<String, ReadingUnit>,
    /// Regions as the table writes them, and their names here.
    pub regions: BTreeMap<String, String>,
    /// Headers of columns that hold one reading of one region.
    pub region_columns: BTreeMap<String, RegionColumn>,
    /// How the names of scans give bird, age and repeat.
    pub names: Option<ScanName>,
    /// Difference of body weight between scanned and unscanned birds that would not matter,
    /// percent; the half width of the targets' ranges where left out.
    pub weight_margin_pct: Option<f64>,
    /// The same of the age at first egg, d; 3.5 where left out.
    pub first_egg_margin_d: Option<f64>,
}

impl Default for ScanSettings {
    /// Ten and two percent, and a bird that moved: common practice, no source.
    fn default() -> Self {
        Self {
            group_masses: GroupMasses::Total,
            mass_tolerance_pct: 10.0,
            region_tolerance_pct: 2.0,
            reject: vec!["movement".to_owned()],
            readings: BTreeMap::new(),
            regions: BTreeMap::new(),
            region_columns: BTreeMap::new(),
            names: None,
            weight_margin_pct: None,
            first_egg_margin_d: None,
        }
    }
}

impl ScanSettings {
    /// Why a scan falls by these rules, in words; `None` where it passes.
    ///
    /// A scan falls by a mark in `reject`, and one of the whole body where fat +
    /// lean + bone is further from the scale weight than `mass_tolerance_pct`.
    #[must_use]
    pub fn rejection(&self, scan: &Scan) -> Option<String> {
        let marked = |mark: &&String| scan.marks.contains(&mark.to_lowercase());
        if let Some(mark) = self.reject.iter().find(marked) {
            return Some(format!("marked {mark}"));
        }
        let (total_g, scale_g) = (scan.total_g(), scan.scale_weight_g);
        let off_pct = 100.0 * (total_g / scale_g - 1.0);
        let off = scan.region == WHOLE && off_pct.abs() > self.mass_tolerance_pct;
        off.then(|| {
            format!(
                "fat + lean + bone of {total_g:.1} g is {off_pct:+.1} percent off the scale weight of {scale_g:.1} g (tolerance {} percent)",
                self.mass_tolerance_pct
            )
        })
    }
}
