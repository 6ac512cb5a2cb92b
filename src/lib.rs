//! Panelwright turns the current-transformer channels of a home's panel into figures that can be
//! trusted. This page is the tour: one line a module, floor by floor; a module uses only those
//! listed before it.
//!
//! **Core** (pure: no clock, no file, no socket, no async; time comes in as an argument):
//! - [`units`]: quantities with their units
//! - [`said`]: sentences that know where their numbers stand
//! - [`site`]: the channel map: file shape, rules, and the plan that every figure follows
//! - [`reading`]: topic + payload + arrival time into a reading, or a reason why not
//! - [`flow`]: readings into ticks and minute rows; the one law; coverage
//! - [`calendar`]: instants and local intervals
//! - [`history`]: rows into energy per figure per interval, under the dated map
//! - [`exchange`]: figures and readings as text that other programs read and write
//! - [`surplus`]: EV current from solar surplus and service headroom; breakers that carry too much
//! - [`audit`]: is the map true? Readings held against it: findings, and the line to change
//! - [`verify`]: one circuit proven on the spot, by switching its load on and off
//! - [`engine`]: the state of all sites: an event in, effects out
//!
//! **Shell** (does all the touching):
//! - [`clock`]: where time enters
//! - [`status`]: what works and what does not, counted
//! - [`settings`]: defaults < file < environment
//! - [`mqtt`]: the broker connection: subscribe, acknowledge after commit, reconnect
//! - [`store`]: SQLite: journal, blocks, rows, outbox
//! - [`central`]: the outbox to central stores
//! - [`publish`]: topics out
//! - [`schedule`]: the panel schedule and CT directory, to print
//! - [`chart`]: drawings as SVG text
//! - [`web`]: API, live stream, metrics, health, pages
//! - [`sim`]: a simulated site with known truth, for the demo, tests and benchmarks
//! - [`daemon`]: wires the tasks; owns start and ordered shutdown
//! - [`cli`]: one file per subcommand
//!
//! It never switches anything, and its advice on loading protects nothing: that is the work of
//! breakers and of listed equipment.
#![warn(missing_docs)]

pub mod units;

pub mod said;

pub mod site;

pub mod reading;

pub mod flow;

pub mod calendar;

pub mod history;

pub mod exchange;

pub mod surplus;

pub mod audit;

pub mod verify;

pub mod engine;

pub mod clock;
pub mod status;

pub mod settings;

pub mod mqtt;

pub mod store;

pub mod central;

pub mod publish;

pub mod schedule;

pub mod chart;

pub mod web;

pub mod sim;

pub mod daemon;

pub mod cli;
