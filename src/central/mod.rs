//! The outbox to central stores.
