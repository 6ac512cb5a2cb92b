//! The broker connection: subscribe, acknowledge after commit, reconnect.
