//! API, live stream, metrics, health.
