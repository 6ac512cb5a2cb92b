//! What hubs are told: Homie devices, announcements, commands in.

mod announcements;
mod commands;
mod controller;
mod homie;

use std::time::Duration;

use crate::harness::Publisher;

/// How long anything here may take; only a failing test ever waits it out.
const SOON: Duration = Duration::from_secs(20);

/// An invented house: mains on two legs and these circuits, one CT each.
fn map(site: &str, circuits: &[&str]) -> String {
    let mut text = format!(
        "site = \"{site}\"\nname = \"Heron Lane (invented)\"\ntime_zone = \"America/Denver\"\n\
         [service]\nsystem = \"split-phase 120/240\"\nmain_breaker_a = 200\n\
         [[device]]\nid = \"meter\"\ntopic = \"{site}/{{channel}}\"\nunit = \"W\"\nreading = \"mean\"\nevery_s = 1\n\
         [[feed]]\nbus = \"main\"\nmeasures = \"panel\"\n\
         channels = [{{ channel = \"meter/m1\", leg = \"A\" }}, {{ channel = \"meter/m2\", leg = \"B\" }}]\n"
    );
    for (index, circuit) in circuits.iter().enumerate() {
        text.push_str(&format!(
            "[[circuit]]\nid = \"{circuit}\"\nlabel = \"The {circuit}\"\nend_use = \"refrigeration\"\n\
             spaces = [{}]\nbreaker_a = 15\nchannels = [\"meter/{circuit}\"]\n",
            2 * index + 1
        ));
    }
    text
}

/// One round of readings: 500 W and 400 W at the mains, `watts` in each circuit.
fn publish(publisher: &mut Publisher, site: &str, circuits: &[&str], watts: i32) {
    for (channel, watts) in [("m1", 500), ("m2", 400)] {
        publisher.publish(&format!("{site}/{channel}"), watts.to_string());
    }
    for circuit in circuits {
        publisher.publish(&format!("{site}/{circuit}"), watts.to_string());
    }
}
