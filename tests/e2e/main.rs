//! End-to-end tests: the built program against real brokers and real stores.
//!
//! One binary, so that everything links once. A test that needs a server which is not installed
//! says so and passes, except in CI (`CI` set), where it fails: see [`harness::require`].
#![allow(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "the bans keep clock, files and sockets out of the core; tests live outside of it"
)]

mod access;
mod architecture;
mod books;
mod central;
mod charging;
mod commands;
mod corrected;
mod counters;
mod day_lengths;
mod demo;
mod demo_faults;
mod demo_load_step;
mod deploy;
mod documents;
mod harness;
mod harness_works;
mod history_command;
mod history_notes;
mod history_views;
mod hubs;
mod interval_data;
mod licences;
mod load_step;
mod mqtt;
mod pages;
mod power_cut;
mod pv_at_night;
mod real_house;
mod real_house_audit;
mod real_house_corrected;
mod real_house_replay;
mod service;
mod set_up;
mod store_care;
mod viewers;
