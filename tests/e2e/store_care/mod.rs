//! Looking after the store, from outside: killed in the middle of whatever changes it, on a disk that is
//! full, and read by a reader that shares nothing with it.

mod disk_full;
mod house;
mod kills;
mod reader;
mod retention;
