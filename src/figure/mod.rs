//! How does a result look on paper.
//!
//! Each figure is a plain struct of what is to be drawn (points, lines, bands,
//! labels, n), one file each. The caller fills it, `draw` turns it into a
//! [`Picture`]: SVG or PDF at exact millimetres, PNG or TIFF at a given resolution,
//! in colour or in greys ([`Theme`]).
//!
//! | question | figures |
//! | --- | --- |
//! | how do they grow | [`Growth`], [`BirdPanels`], [`Rate`], [`Residuals`], [`Population`] |
//! | is the scanner right | [`Calibration`], [`BlandAltman`], [`MethodPrecision`], [`ResidualPanels`], [`FeatherShare`], [`BodyParts`] |
//! | how do strains differ | [`Forest`], [`DifferenceBand`], [`RandomPairs`], [`Profile`] |
//! | is the flock on target | [`Deviations`], [`ForecastFan`], [`Uniformity`] |
//! | when will they lay | [`LayCurve`], [`ValueAtFirstEgg`], [`PredictedObserved`] |
//! | how few birds suffice, and for what money | [`PrecisionByBirds`], [`PrecisionByCost`] |
//!
//! Most know the height that they need at a width: `figure.draw(figure.size(89.0)?)`.
//! Nothing here computes a statistic or knows a study.
//!
//! How a picture comes about: `board.rs` lays out the sheet (panels, axes,
//! legend, note), `panel.rs` draws series in it through plotters, whose drawing
//! backend is ours (`backend.rs`) and writes into a scene of our own
//! (`scene.rs`) in millimetres; `raster.rs` makes PNG and TIFF, `pdf.rs` the PDF. plotters maps the
//! coordinates and draws lines, bands and markers as its series and elements;
//! that is all it is used for. Frame, ticks, letters, dashes and legend are ours,
//! since its own layout is made for screens.

mod axes;
mod backend;
mod birds;
mod bland_altman;
mod board;
mod body_parts;
mod deviation;
mod difference_band;
mod feather_share;
mod first_egg;
mod font;
mod forecast_fan;
mod grid;
mod growth;
mod identity;
mod lay_curve;
mod legend;
mod panel;
mod paper;
mod pdf;
mod picture;
mod points;
mod population;
mod precision;
mod precision_by_cost;
mod profile;
mod random_pairs;
mod raster;
mod rate;
mod residual_panels;
mod residuals;
mod rows;
mod sample;
mod scene;
pub(crate) use scene::escaped;
mod series;
mod uniformity;
mod words;

pub use birds::{BirdPanel, BirdPanels};
pub use bland_altman::{AgreementPanel, BlandAltman};
pub use body_parts::{BodyParts, PartsAt, StrainParts};
pub use deviation::{Deviations, StrainDeviation};
pub use difference_band::{DifferenceBand, DifferencePoint, StrainPair};
pub use feather_share::FeatherShare;
pub use first_egg::{FirstEggGroup, TraitAtFirstEgg, ValueAtFirstEgg};
pub use forecast_fan::{FanPoint, FlockForecast, ForecastFan};
pub use growth::{Growth, StrainGrowth};
pub use identity::{Calibration, IdentityPanel, PredictedObserved};
pub use lay_curve::{LayCurve, StrainLay};
pub use paper::{MOST_COLOURED, Size, Theme};
pub use picture::Picture;
pub use points::{NamedPoint, Ranged, StrainPoints};
pub use population::{Population, StrainCurves};
pub use precision::{DesignPrecision, PrecisionByBirds, PrecisionPanel};
pub use precision_by_cost::{CostLine, CostPanel, PrecisionByCost};
pub use profile::{Profile, ProfileTerm};
pub use random_pairs::{RandomPairs, StrainEffects};
pub use rate::{Rate, StrainRate};
pub use residual_panels::{ResidualLine, ResidualPanel, ResidualPanels};
pub use residuals::{Residual, Residuals, StrainResiduals};
pub use rows::{Forest, Method, MethodPrecision, RowsPanel};
pub use series::{AgeUnit, BandPoint, BirdLine, Layout, Quantity, Standing};
pub use uniformity::{StrainUniformity, Uniformity};
