//! How does a result look on paper.
