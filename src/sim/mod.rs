//! A simulated site with known truth.
