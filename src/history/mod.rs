//! Rows into energy per figure per interval, under the dated map.
