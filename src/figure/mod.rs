//! How does a result look on paper.
//!
//! Each figure is a plain struct of what is to be drawn (points, lines, bands,
//! labels, n), one file each. The caller fills it, `draw` turns it into a
//! [`Picture`]: SVG or PDF at exact millimetres, PNG or TIFF at a given resolution,
//! in colour or in greys ([`Theme`]).
//!
//! | question | figures |
//! | --- | --- |
//! | how do they grow, are they on target, how even are they | [`ByAge`], [`BirdPanels`], [`ForecastFan`], [`PlatformDays`] |
//! | is the scanner right and stable, does a prediction come true | [`Identity`], [`BlandAltman`], [`MethodPrecision`], [`ControlChart`], [`BodyParts`] |
//! | does a model miss something | [`ResidualPanels`], [`RandomPairs`], [`Profile`] |
//! | how do strains differ | [`Forest`], [`DifferenceBand`] |
//! | when will they lay | [`LayCurve`], [`ValueAtFirstEgg`] |
//! | how few birds suffice, and for what money | [`Precision`] |
//!
//! Each has a preferred height at a width: `figure.draw(figure.size(89.0)?)`
//! ([`Figure`]). `frame.rs` and `row_frame.rs` hold what figures by age, and figures of named
//! rows, have in common.
//! Nothing here computes a statistic or depends on a study.
//!
//! How a picture comes about: `board.rs` lays out the sheet (panels, axes,
//! legend, note), `panel.rs` draws series in it through plotters, whose drawing
//! backend is ours (`backend.rs`) and writes into a scene of our own
//! (`scene.rs`) in millimetres; `raster.rs` makes PNG and TIFF, `pdf.rs` the PDF. plotters maps the
//! coordinates and draws lines, bands and markers as its series and elements;
//! that is all it is used for. Frame, ticks, letters, dashes and legend are ours,
//! since the plotters layout is made for screens.

mod axes;
mod backend;
mod birds;
mod bland_altman;
mod board;
mod body_parts;
mod by_age;
mod control_chart;
mod difference_band;
mod egg_production;
mod first_egg;
mod font;
mod forecast_fan;
mod frame;
mod grid;
mod identity;
mod lay_curve;
mod legend;
mod panel;
mod paper;
mod pdf;
mod picture;
mod platform_days;
mod points;
mod precision;
mod profile;
mod random_pairs;
mod raster;
mod residual_panels;
mod row_frame;
mod rows;
mod sample;
mod scene;
pub(crate) use scene::escaped;
mod series;
mod words;

pub use birds::{BirdPanel, BirdPanels};
pub use bland_altman::{AgreementPanel, BlandAltman};
pub use body_parts::{BodyParts, PartsAt, StrainParts};
pub use by_age::{Birds, ByAge, StrainByAge};
pub use control_chart::{ControlChart, ControlPanel};
pub use difference_band::{DifferenceBand, DifferencePoint, StrainPair};
pub use egg_production::{EggProduction, StrainProduction};
pub use first_egg::{FirstEggGroup, TraitAtFirstEgg, ValueAtFirstEgg};
pub use forecast_fan::{FanPoint, FlockForecast, ForecastFan};
pub use frame::{Figure, Frame};
pub use identity::{Identity, IdentityPanel};
pub use lay_curve::{LayCurve, StrainLay};
pub use paper::{MOST_COLOURED, Size, Theme};
pub use picture::Picture;
pub use platform_days::{PlatformDays, ScaleDays};
pub use points::{NamedPoint, Ranged, StrainPoints};
pub use precision::{DesignPrecision, Precision, PrecisionPanel};
pub use profile::{Profile, ProfileTerm};
pub use random_pairs::{RandomPairs, StrainEffects};
pub use residual_panels::{Across, ResidualLine, ResidualPanel, ResidualPanels};
pub use rows::{Forest, Method, MethodPrecision, RowsPanel};
pub use series::{AgeUnit, BandPoint, BirdLine, Layout, Quantity, Standing};
