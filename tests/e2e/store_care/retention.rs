//! What is kept, and since when, is said by health.

use std::time::Duration;

use panelwright::store::{Keep, LEAST};

use super::house::{self, Open};
use crate::harness::{Setup, eventually};

#[test]
fn health_says_how_long_readings_are_kept_and_since_when_there_are_any() {
    let mut daemon = Setup::new("mqtt://127.0.0.1:1")
        .site("heron-lane", house::MAP)
        .env("PANELWRIGHT__STORE__KEEP_READINGS", "31 days")
        .lay_out();
    let mut open = Open::at(&daemon.store(), &[], Keep { readings: Some(LEAST), minutes: None });
    for day in 0..3 {
        open.run(day * 86_400..day * 86_400 + 600, 600);
    }
    // Two days and an hour after the least that is kept: two of the three days go.
    open.seal(LEAST.0 / 10 + 2 * 86_400 + 3600);
    drop(open);
    daemon.restart();
    let says = || {
        let body = daemon.get("/health").json();
        body["parts"]["store"]["why"].as_str().unwrap_or_default().to_owned()
    };
    eventually(Duration::from_secs(30), || says().starts_with("readings are kept for 31 days"));
    assert_eq!(says(), "readings are kept for 31 days, and there since 2026-03-10; minutes for ever");
}
