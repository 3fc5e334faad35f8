//! Is the flock on target.
