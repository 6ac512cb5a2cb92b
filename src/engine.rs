//! The state of all sites: an event in, effects out.
