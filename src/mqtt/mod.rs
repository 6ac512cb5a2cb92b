//! The broker connection: subscribe, acknowledge after commit, reconnect.

pub mod embedded;
