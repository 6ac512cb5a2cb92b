//! What works and what does not, and the counters: for health, metrics and the log.
