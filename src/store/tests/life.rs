//! Commits, kills, starts, and the lock.

use super::*;
use crate::store::reader::Reader;

#[test]
fn a_killed_store_has_every_reading_that_was_committed_in_order() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 180);
    let killed = rig.copy();
    let (store, _events) = open(killed.path(), &rig.site, &[]);
    let expected: Vec<Reading> = (0..180).flat_map(readings_at).collect();
    assert_eq!(replayed(&store), expected);
}

#[test]
fn two_processes_cannot_write_one_store() {
    let rig = Rig::new(&[]);
    let options =
        Options { directory: rig.directory.path().to_owned(), centrals: Vec::new(), keep: Keep::default() };
    let second = Store::open(options.clone(), &[], Box::new(|_| {}));
    let Err(error) = second else { panic!("it opened twice") };
    assert!(matches!(error, Error::Held { .. }), "{error}");
    drop(rig.store);
    assert!(Store::open(options, &[], Box::new(|_| {})).is_ok());
}

#[test]
fn a_store_that_is_closed_leaves_one_file() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 60);
    rig.store.take().expect("it is open").close();
    assert!(!rig.directory.path().join(format!("{FILE_NAME}-wal")).exists());
    let reader = Reader::offline(rig.directory.path(), std::slice::from_ref(&rig.site));
    assert!(reader.is_ok());
}

#[test]
fn closing_ends_a_store_whose_queue_others_still_hold() {
    let rig = Rig::new(&[]);
    let sender = rig.store().sender();
    drop(rig.store);
    assert!(sender.is_closed());
}

#[test]
fn a_map_that_is_changed_keeps_what_its_channels_have() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 120);
    // The same channels in another order: their names are what counts.
    let moved = MAP.replace(r#"["m1", "m2", "1", "2"]"#, r#"["2", "1", "m2", "m1"]"#);
    let moved = site_of(&moved);
    rig.send(Command::Sites(vec![Arc::clone(&moved)]));
    rig.flush();
    let of = |site: &Site, name: &str| site.channel(name).expect("a channel");
    let (old, new) = (of(&rig.site, "house/m1"), of(&moved, "house/m1"));
    assert_ne!(old, new);
    let found = rig.store().reader().source(SiteIndex(0)).readings(new, at(0)..at(120)).expect("readings");
    assert_eq!(found, rig.given[old.0 as usize]);
}

#[test]
fn what_stays_in_the_journal_after_a_seal_is_the_open_hour_and_what_reaches_into_it() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 3720);
    rig.seal(3600);
    let left = replayed(rig.store());
    let first = |channel: u32| {
        let of_channel = left.iter().filter(|reading| reading.channel.0 == channel);
        (of_channel.map(|reading| reading.sample.at).min().expect("some") - at(3600)).0
    };
    // A mean reaches three periods back.
    assert_eq!(first(0), -30);
    // The counter is read every minute and reaches three, and one before, to count from.
    assert_eq!(first(4), -2400);
    assert_eq!(left.iter().map(|reading| reading.sample.at).max(), Some(at(3719)));
    // A second seal of the same hours changes nothing.
    rig.seal(3600);
    assert_eq!(replayed(rig.store()), left);
}

#[test]
fn hours_are_sealed_while_commits_come_without_a_pause() {
    let rig = Rig::new(&[]);
    let batch = |minute: i64| {
        let readings = (minute * 60..minute * 60 + 60).flat_map(readings_at).collect();
        Command::Commit(Batch { ticket: minute as u64, readings, ..Batch::default() })
    };
    let last = 180;
    let batches: Vec<Command> = (0..=last).map(batch).collect();
    for (minute, batch) in batches.into_iter().enumerate() {
        rig.send(batch);
        if minute == 60 {
            rig.send(Command::Seal { before: at(3600) });
        }
    }
    // The queue is never empty for long; the seal does not wait for that.
    let first = rig.wait(|event| {
        matches!(event, Event::Sealed { .. })
            || matches!(event, Event::Committed { ticket, .. } if *ticket == last as u64)
    });
    assert_eq!(first, Event::Sealed { until: at(3600) });
}

#[test]
fn a_long_journal_is_sealed_in_slices_and_all_of_it() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 5 * 3600);
    rig.send(Command::Seal { before: at(5 * 3600) });
    rig.send(Command::Flush);
    let mut slices = Vec::new();
    rig.wait(|event| {
        if let Event::Sealed { until } = event {
            slices.push(*until);
        }
        *event == Event::Flushed
    });
    // 14,400 readings an hour are more than fit at once.
    let hours: Vec<Stamp> = (1..=5).map(|hour| at(hour * 3600)).collect();
    assert_eq!(slices, hours);
    assert_eq!(rig.rows(Level::Minute, 0, 5 * 3600), rig.expected(0, 5 * 3600));
}
