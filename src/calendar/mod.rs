//! Instants and local intervals.
