//! How does a result look on paper.
//!
//! Each figure is a plain struct of what is to be drawn (points, lines, bands,
//! labels, n), one file each: [`Growth`], [`BirdPanels`], [`Rate`],
//! [`Deviations`], [`Residuals`]. The caller fills it, `draw` turns it into a
//! [`Picture`]: SVG text at exact millimetres, or PNG at a given resolution.
//! Nothing here computes a statistic or knows a study.
//!
//! How a picture comes about: `board.rs` lays out the sheet (panels, axes,
//! legend, note), `panel.rs` draws series in it through plotters, whose drawing
//! backend is ours (`backend.rs`) and writes into a scene of our own
//! (`scene.rs`) in millimetres; `raster.rs` makes the PNG. plotters maps the
//! coordinates and draws lines, bands and markers as its series and elements;
//! that is all it is used for. Frame, ticks, letters, dashes and legend are ours,
//! since its own layout is made for screens.

mod axes;
mod backend;
mod birds;
mod board;
mod deviation;
mod font;
mod growth;
mod legend;
mod panel;
mod paper;
mod picture;
mod raster;
mod rate;
mod residuals;
mod sample;
mod scene;
mod series;
mod words;

pub use birds::{BirdPanel, BirdPanels};
pub use deviation::{Deviations, StrainDeviation};
pub use growth::{Growth, StrainGrowth};
pub use paper::{Size, group_look};
pub use picture::Picture;
pub use rate::{Rate, StrainRate};
pub use residuals::{Residual, Residuals, StrainResiduals};
pub use series::{AgeUnit, BandPoint, BirdLine, Layout, Quantity, Standing};
