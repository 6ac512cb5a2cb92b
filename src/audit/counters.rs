//! CTs that have power and a counter: whether the two agree.
//!
//! They are one CT's current and one converter's samples, counted in two ways. So they differ by what a meter's
//! steps hide and by what power samples miss, and neither of these lasts. Where they differ day after day, one of
//! the two is scaled wrongly, or belongs to another CT.

use super::judge::Court;
use super::mend;
use super::picture::Picture;
use super::report::{Finding, Kind};
use crate::said::{count, exact, figure, said, signed};
use crate::site::{ChannelIndex, CircuitEntry, FeedEntry};
use crate::units::{CENTIJOULES_PER_WH, Energy};

/// What one day of both said, in whole stretches between two counts of which both know all.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CountedDay {
    /// Hours that were compared, and how many of them the counter was too far off to be taken.
    pub hours: u32,
    /// Of those.
    pub disbelieved: u32,
    /// Stretches that do not begin where the one before ended.
    pub runs: u32,
    /// What the counter grew.
    pub counter: Energy,
    /// What the power comes to, above 0 W; beside a counter of what flows out, below.
    pub power: Energy,
}

/// A counted CT over the stretch that is audited.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct CounterTally {
    /// The channel whose power it is, and its counter.
    pub power: usize,
    /// The counter.
    pub counter: usize,
    /// Whether it counts what flows out, which is the power below 0.
    pub exports: bool,
    /// The counter's step: what all its differences are multiples of, in 0.1 Wh; 0 where it never moved.
    pub step: i64,
    /// Days of UTC with anything to compare.
    pub days: Vec<CountedDay>,
}

/// Days with so many hours to compare, at least: what lasts shows on every one of them.
const DAYS: usize = 3;
const HOURS: u32 = 6;
/// What instant samples of power may be off in the long run, as a share (common practice, no source).
const SHARE: f64 = 0.02;

/// Counters that do not agree with the power beside them.
pub(super) fn of_counters(court: &Court<'_>, findings: &mut Vec<Finding>) {
    for tally in &court.evidence.counters {
        if let Some(seen) = disagreement(tally)
            && let Some(place) = place(court, tally.power)
        {
            findings.push(finding(court, tally, &seen, &place));
        }
    }
}

struct Seen {
    days: usize,
    hours: u32,
    disbelieved: u32,
    counter: Energy,
    power: Energy,
    /// What steps and the second in which a count is taken explain.
    explained: Energy,
}

/// What lasts: on every day the difference is to the same side, and in all it is more than what the steps explain
/// and a fiftieth.
fn disagreement(tally: &CounterTally) -> Option<Seen> {
    let days: Vec<&CountedDay> = tally.days.iter().filter(|day| day.hours >= HOURS).collect();
    let sum = |of: fn(&CountedDay) -> Energy| days.iter().fold(Energy::ZERO, |sum, day| sum + of(day));
    let (counter, power) = (sum(|day| day.counter), sum(|day| day.power));
    let hours: u32 = days.iter().map(|day| day.hours).sum();
    let runs: u32 = days.iter().map(|day| day.runs.max(1)).sum();
    let step = tally.step * (CENTIJOULES_PER_WH / 10);
    let second = power.0.max(counter.0) / (i64::from(hours.max(1)) * 3600);
    let explained = Energy((step + 2 * second) * i64::from(runs));
    let side = (counter - power).0.signum();
    let lasts = days.iter().filter(|day| (day.counter - day.power).0.signum() == side).count() == days.len();
    let apart = (counter - power).0.abs();
    let share = apart as f64 > SHARE * counter.0.max(power.0) as f64;
    (days.len() >= DAYS && lasts && share && apart > explained.0).then(|| Seen {
        days: days.len(),
        hours,
        disbelieved: days.iter().map(|day| day.disbelieved).sum(),
        counter,
        power,
        explained,
    })
}

/// Where in the map a channel is.
struct Place {
    about: String,
    label: String,
    line: usize,
}

fn place(court: &Court<'_>, channel: usize) -> Option<Place> {
    let is = |of: ChannelIndex| of.0 as usize == channel;
    let in_feed =
        |feed: &&FeedEntry| feed.span.contains(&court.at) && feed.cts.iter().any(|ct| is(ct.channel));
    if let Some(feed) = court.site.feeds.iter().find(in_feed) {
        let bus = &court.site.buses[feed.bus];
        return Some(Place { about: bus.id.clone(), label: bus.name.clone(), line: feed.channels.0 });
    }
    let has = |entry: &&CircuitEntry| entry.cts.iter().any(|ct| is(ct.channel));
    court.site.circuits.iter().find_map(|circuit| {
        let entry = circuit.entry(court.at).filter(has)?;
        Some(Place { about: circuit.id.clone(), label: entry.label.clone(), line: mend::line_of(entry) })
    })
}

fn finding(court: &Court<'_>, tally: &CounterTally, seen: &Seen, place: &Place) -> Finding {
    let name = |channel: usize| court.site.channels[channel].name.clone();
    let (counter, power) = (seen.counter.kwh(), seen.power.kwh());
    let mut evidence = said!(
        "in {} hours of {} days the counter grew by {} kWh, and the power comes to {} kWh: ",
        exact(seen.hours),
        count(seen.days),
        figure(counter, 2),
        figure(power, 2)
    );
    evidence.push(&match power > 0.0 {
        true => said!("{} %, every day to the same side", signed((counter / power - 1.0) * 100.0, 1)),
        false => "the power shows nothing".into(),
    });
    let step = exact(tally.step as f64 / 10.0);
    let explained = figure(seen.explained.kwh(), 2);
    evidence.push(&said!("; the counter's steps of {step} Wh explain {explained} kWh"));
    if seen.disbelieved > 0 {
        evidence.push(&said!("; in {} hours the power's energy was taken", exact(seen.disbelieved)));
    }
    let kind = Kind::CounterDiffers;
    Finding {
        kind,
        what: said!(
            "{} ({}): its counter{} and its power disagree",
            place.label,
            name(tally.power),
            if tally.exports { " of export" } else { "" }
        ),
        channels: vec![name(tally.power), name(tally.counter)],
        evidence,
        picture: Picture::default(),
        confidence: 0.9,
        certain: "a load of known power left on for some hours, read from the device's own display".to_owned(),
        line: place.line,
        edits: Vec::new(),
        advice: "see that the counter is of this CT and in the unit that the map says, and that power and counter \
                 have the same CT ratio in the device; if the counter is wrong, take it (`counter`, `export_counter`) out of the device, and \
                 all history follows the power"
            .to_owned(),
        accepted: court.site.accepted(kind.as_str(), &place.about).map(|accept| accept.reason.clone()),
        about: place.about.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Days of (hours, counter, power) in Wh.
    fn check(step: i64, days: &[(u32, i64, i64)], found: bool) {
        let wh = |wh: i64| Energy(wh * CENTIJOULES_PER_WH);
        let day = |&(hours, counter, power): &(u32, i64, i64)| CountedDay {
            hours,
            disbelieved: 0,
            runs: 1,
            counter: wh(counter),
            power: wh(power),
        };
        let tally =
            CounterTally { power: 0, counter: 1, exports: false, step, days: days.iter().map(day).collect() };
        assert_eq!(disagreement(&tally).is_some(), found, "{days:?} in steps of {step}");
    }

    #[test]
    fn only_what_lasts_and_what_no_step_explains_is_a_disagreement() {
        check(10, &[(24, 1000, 1030), (24, 1000, 1030), (24, 1000, 1030)], true);
        check(10, &[(24, 1030, 1000), (24, 1030, 1000), (24, 1030, 1000)], true);
        // Too short, or too few hours of each day.
        check(10, &[(24, 1000, 1030), (24, 1000, 1030)], false);
        check(10, &[(24, 1000, 1030), (24, 1000, 1030), (5, 1000, 1030)], false);
        // A hundredth; to and fro; one day only.
        check(10, &[(24, 1000, 1010), (24, 1000, 1010), (24, 1000, 1010)], false);
        check(10, &[(24, 1000, 1090), (24, 1060, 1000), (24, 1000, 1090)], false);
        check(10, &[(24, 1000, 1300), (24, 1000, 1000), (24, 1000, 1000)], false);
        // Steps of 100 Wh hide 30; nothing is nothing.
        check(1000, &[(24, 1000, 1030), (24, 1000, 1030), (24, 1000, 1030)], false);
        check(1000, &[(24, 5000, 5300), (24, 5000, 5300), (24, 5000, 5300)], true);
        check(0, &[(24, 0, 0), (24, 0, 0), (24, 0, 0)], false);
        check(0, &[(24, 0, 900), (24, 0, 900), (24, 0, 900)], true);
    }
}
