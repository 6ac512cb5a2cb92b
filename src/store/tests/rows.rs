//! Rows: live, sealed, late, offline, and after any kill.

use super::*;
use crate::store::reader::Reader;

const END: i64 = 3 * 3600 + 1260;

fn check_all(rig: &Rig, what: &str) {
    // The last minutes are still open.
    let end = END - 300;
    let minutes = rig.expected(-3600, end);
    assert!(minutes.len() > 1000, "{what}");
    assert_eq!(rig.rows(Level::Minute, -3600, end), minutes, "{what}: minutes");
    // Coarser rows may hold the open minutes too, so they are compared with the sums of the minutes.
    let zone = crate::calendar::Zone::new("America/Denver").expect("a zone");
    let minutes = rig.rows(Level::Minute, -86_400, 2 * 86_400);
    let quarter = |minute: Stamp| minute.floor(Span::QUARTER);
    let hour = |minute: Stamp| minute.floor(Span::HOUR);
    let day = |minute: Stamp| zone.day_range(zone.day_of(minute)).start;
    let month = |minute: Stamp| zone.month_range(zone.month_of(minute)).start;
    let all = |level| rig.rows(level, -86_400 * 60, 86_400 * 2);
    assert_eq!(all(Level::Quarter), summed(&minutes, quarter), "{what}: quarters");
    assert_eq!(all(Level::Hour), summed(&minutes, hour), "{what}: hours");
    assert_eq!(all(Level::Day), summed(&minutes, day), "{what}: days");
    assert_eq!(all(Level::Month), summed(&minutes, month), "{what}: months");
}

#[test]
fn sealed_and_recent_minutes_are_one_account_of_the_whole_bit_for_bit() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 3660);
    rig.seal(3600);
    rig.run(3660, 7300);
    rig.seal(7200);
    rig.run(7300, END);
    check_all(&rig, "before the last seal");
    rig.seal(10_800);
    check_all(&rig, "after it");
    // Local days: it was still the 7th in Denver until 07:00Z.
    let days = rig.rows(Level::Day, -86_400 * 3, 86_400 * 2);
    assert!(days.iter().all(|(_, row)| row.start == at(-17 * 3600)), "{:?}", days[0]);
}

#[test]
fn a_reading_that_comes_late_into_a_sealed_hour_changes_its_rows() {
    let mut rig = Rig::new(&["builder"]);
    // A gap of a minute, in the hour that is sealed.
    rig.run(0, 1800);
    rig.run(1860, 7300);
    rig.seal(7200);
    let before = rig.rows(Level::Minute, 1740, 1920);
    let marks = rig.store().outbox().pending("builder", 10_000).expect("marks").len();
    let late = (1800..1860).flat_map(readings_at).collect();
    rig.commit(late, at(7310));
    rig.flush();
    assert_ne!(rig.rows(Level::Minute, 1740, 1920), before);
    assert_eq!(rig.rows(Level::Minute, 0, 7200), rig.expected(0, 7200));
    let marked = rig.store().outbox().pending("builder", 10_000).expect("marks");
    let again = &marked[marks..];
    assert!(again.iter().any(|mark| mark.range.contains(&at(1800))), "{again:?}");
    assert!(again.iter().all(|mark| mark.range.end <= at(2040)), "only what changed: {again:?}");
    // Sealing merges it and changes nothing more.
    let count = marked.len();
    rig.run(7310, 10_900);
    rig.seal(10_800);
    assert_eq!(rig.rows(Level::Minute, 0, 10_800), rig.expected(0, 10_800));
    let marked = rig.store().outbox().pending("builder", 10_000).expect("marks");
    assert!(marked[count..].iter().all(|mark| mark.range.start >= at(7200)), "{:?}", &marked[count..]);
}

#[test]
fn a_corrected_value_holds_over_the_one_before_sealed_or_not() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 3700);
    let corrected = |second: i64| Reading {
        site: SiteIndex(0),
        channel: ChannelIndex(0),
        sample: Sample { at: at(second), value: 77_777 },
    };
    rig.seal(3600);
    rig.commit(vec![corrected(100), corrected(3650)], at(3710));
    rig.flush();
    let mut source = rig.store().reader().source(SiteIndex(0));
    for second in [100, 3650] {
        let found = source.readings(ChannelIndex(0), at(second)..at(second + 1)).expect("readings");
        assert_eq!(found, [Sample { at: at(second), value: 77_777 }]);
    }
    drop(source);
    assert_eq!(rig.rows(Level::Minute, 0, 3600), rig.expected(0, 3600));
}

#[test]
fn a_counter_bridges_a_gap_over_sealed_hours() {
    let mut rig = Rig::new(&[]);
    let counter = |second: i64| {
        let readings = readings_at(second).into_iter().filter(|reading| reading.channel.0 == 4);
        readings.collect::<Vec<_>>()
    };
    rig.commit((0..=20).flat_map(|minute| counter(minute * 60)).collect(), at(1210));
    rig.run(1260, 3700);
    rig.seal(3600);
    // The counter is silent for two hours, over a seal.
    for second in (3700..10_900).step_by(60) {
        let others = readings_at(second).into_iter().filter(|reading| reading.channel.0 != 4).collect();
        rig.commit(others, at(second + 5));
    }
    rig.seal(10_800);
    rig.commit(counter(10_920), at(10_930));
    rig.run(10_921, 11_400);
    rig.flush();
    assert_eq!(rig.rows(Level::Minute, 0, 10_800), rig.expected(0, 10_800));
    let pump = rig.site.channel("well/count").expect("a channel");
    let bridged = rig.rows(Level::Minute, 5000, 5160);
    let of_pump = bridged.iter().find(|(series, _)| series.0 == pump.0).expect("its energy is known");
    assert!(of_pump.1.energy_in.0 > 0 && of_pump.1.covered == Span::ZERO);
}

#[test]
fn an_offline_reader_sees_what_the_daemon_shows() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 3660);
    rig.seal(3600);
    rig.run(3660, 5000);
    let sites = std::slice::from_ref(&rig.site);
    let check = |directory: &Path, what: &str| {
        let reader = Reader::offline(directory, sites).expect("it opens");
        let mut source = reader.source(SiteIndex(0));
        let rows = source.rows(Level::Minute, at(0)..at(4500)).expect("rows");
        assert_eq!(rows, rig.expected(0, 4500), "{what}");
        let extent = source.extent().expect("an extent").expect("there is something");
        assert_eq!(extent.end, at(4980), "{what}");
    };
    check(rig.directory.path(), "beside the daemon");
    check(rig.copy().path(), "after a kill");
}

#[test]
fn a_seal_killed_after_any_step_is_done_again_without_harm() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 7260);
    let copy = rig.copy();
    drop(rig.store.take());
    let mut steps = 0;
    loop {
        // So many steps, then a kill; then a whole seal on what is left.
        let directory = super::copy(copy.path());
        let mut db = schema::open(&database(directory.path())).expect("it opens");
        let sites = std::slice::from_ref(&rig.site);
        let catalog = catalog::Catalog::register(&mut db, sites).expect("names");
        let spool = outbox::Spool::open(&mut db, Vec::new()).expect("a spool");
        let shared = Arc::new(shared::Shared::new(database(directory.path()), catalog, spool));
        let (_sender, queue) = mpsc::channel(1);
        let mut writer = writer::Writer::new(db, shared, queue, Box::new(|_| {}));
        writer.seal_later(at(7200), Stamp::MIN);
        let mut done = 0;
        while done < steps && writer.step() {
            done += 1;
        }
        let killed = super::copy(directory.path());
        drop(writer);
        let (store, events) = open(killed.path(), &rig.site, &[]);
        store.sender().blocking_send(Command::Seal { before: at(7200) }).expect("the writer is there");
        store.sender().blocking_send(Command::Flush).expect("the writer is there");
        wait(&events, |event| *event == Event::Flushed);
        let rows = store.reader().source(SiteIndex(0)).rows(Level::Minute, at(0)..at(7200)).expect("rows");
        assert_eq!(rows, rig.expected(0, 7200), "after {steps} steps");
        if done < steps {
            break;
        }
        steps += 1;
    }
    assert!(steps > 3, "a seal takes steps: {steps}");
}

#[test]
fn a_late_reading_that_a_kill_kept_from_being_counted_is_counted_after_the_start() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 1800);
    rig.run(1860, 3700);
    rig.seal(3600);
    // Committed, and killed before anything was counted: no flow says that it is late.
    let readings: Vec<Reading> = (1800..1860).flat_map(readings_at).collect();
    for reading in &readings {
        rig.given[reading.channel.0 as usize].push(reading.sample);
    }
    rig.send(Command::Commit(Batch { ticket: 9999, readings, ..Batch::default() }));
    rig.wait(|event| matches!(event, Event::Committed { ticket: 9999, .. }));
    let killed = rig.copy();
    let (store, events) = open(killed.path(), &rig.site, &[]);
    store.sender().blocking_send(Command::Flush).expect("the writer is there");
    wait(&events, |event| *event == Event::Flushed);
    let rows = store.reader().source(SiteIndex(0)).rows(Level::Minute, at(0)..at(3600)).expect("rows");
    assert_eq!(rows, rig.expected(0, 3600));
}

#[test]
fn a_map_with_another_zone_gets_its_days_cut_anew() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 3 * 3600 + 60);
    rig.seal(3 * 3600);
    // Midnight in Stockholm was an hour before the first reading, in Azores time an hour after it.
    let days = |rig: &Rig| {
        let rows = rig.rows(Level::Day, -86_400, 86_400).into_iter().filter(|(series, _)| series.0 == 0);
        rows.map(|(_, row)| row.start).collect::<Vec<_>>()
    };
    for (zone, starts) in [
        ("Europe/Stockholm", vec![at(-3600)]),
        ("Atlantic/Azores", vec![at(-86_400 + 3600), at(3600)]),
        ("America/Denver", vec![at(-17 * 3600)]),
    ] {
        let moved = site_of(&MAP.replace("America/Denver", zone));
        rig.send(Command::Sites(vec![moved]));
        rig.flush();
        assert_eq!(days(&rig), starts, "{zone}");
        let sum = |level| {
            let rows = rig.rows(level, -86_400 * 40, 86_400);
            rows.iter().map(|(series, row)| i64::from(series.0) * row.net().0).sum::<i64>()
        };
        assert_eq!(sum(Level::Day), sum(Level::Minute), "{zone}");
        assert_eq!(sum(Level::Month), sum(Level::Minute), "{zone}");
    }
}

#[test]
fn a_reader_sees_rows_that_belong_together_whatever_is_written() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 3660);
    let reader = rig.store().reader();
    let (stop, stopped) = channel::<()>();
    let thread = std::thread::spawn(move || {
        let mut looked = 0;
        while stopped.try_recv().is_err() {
            let mut source = reader.source(SiteIndex(0));
            let minutes = source.rows(Level::Minute, at(-3600)..at(86_400)).expect("minutes");
            let quarters = source.rows(Level::Quarter, at(-3600)..at(86_400)).expect("quarters");
            assert_eq!(quarters, summed(&minutes, |minute| minute.floor(Span::QUARTER)));
            let first_hour = at(0)..at(3600);
            let of_mains =
                |(series, row): &&(SeriesIndex, Row)| series.0 == 0 && first_hour.contains(&row.start);
            assert_eq!(minutes.iter().filter(of_mains).count(), 60, "no minute is ever missing");
            looked += 1;
        }
        looked
    });
    rig.seal(3600);
    rig.run(3660, 7300);
    rig.seal(7200);
    stop.send(()).expect("the thread listens");
    assert!(thread.join().expect("rows belonged together") > 0);
}

#[test]
fn a_file_of_the_first_format_gets_its_hours_as_it_is_opened() {
    let mut rig = Rig::new(&[]);
    rig.run(0, END);
    rig.seal(10_800);
    let hours = rig.rows(Level::Hour, 0, END);
    rig.store.take().expect("it is open").close();
    let db = schema::open(&database(rig.directory.path())).expect("it opens");
    db.execute_batch(
        "DROP TABLE month_days; DROP TABLE week_sum; DROP TABLE run_day; DROP VIEW hour_wh; DROP TABLE hour; DROP TABLE let_go; DROP TABLE proof;
         DROP TABLE rule; DROP TABLE rederive; DROP TABLE correction; ALTER TABLE outbox DROP COLUMN figures;
         DROP TABLE map_form; DROP INDEX annotation_start; ALTER TABLE annotation DROP COLUMN origin;
         ALTER TABLE set_aside DROP COLUMN repaired; PRAGMA user_version = 1",
    )
    .expect("format 1");
    drop(db);
    let (store, events) = open(rig.directory.path(), &rig.site, &[]);
    (rig.store, rig.events) = (Some(store), events);
    let sealed = |rows: &[(SeriesIndex, Row)]| -> Vec<(SeriesIndex, Row)> {
        rows.iter().filter(|(_, row)| row.start < at(10_800)).copied().collect()
    };
    // The open hour's minutes come from the journal, which nobody has replayed here.
    assert_eq!(sealed(&rig.rows(Level::Hour, 0, END)), sealed(&hours));
    assert!(!sealed(&hours).is_empty());
}
