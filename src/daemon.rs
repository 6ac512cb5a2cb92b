//! Wires the tasks; owns start and ordered shutdown.
