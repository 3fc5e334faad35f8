//! When will they lay: timing cues and onset of lay.
