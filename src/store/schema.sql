-- Format 1. Times: *_ds in tenths of a second, *_s in seconds since 1970-01-01T00:00:00Z.
-- Powers in 0.1 W, energies in 0.01 J (360,000 of them are 1 Wh), coverage in 0.1 s.

-- A home. Minutes before sealed_ds are in minute_block; the outbox has been told of those
-- before marked_ds. The rows of `day` and `month` are local to time_zone.
CREATE TABLE site (
  id        INTEGER PRIMARY KEY,
  name      TEXT NOT NULL UNIQUE,
  time_zone TEXT NOT NULL,
  sealed_ds INTEGER NOT NULL DEFAULT 0,
  marked_ds INTEGER NOT NULL DEFAULT 0
);

-- A channel ('device/channel') or a sign-split sum ('split:name') of a site.
CREATE TABLE series (
  id   INTEGER PRIMARY KEY,
  site INTEGER NOT NULL REFERENCES site(id),
  name TEXT NOT NULL,
  kind TEXT NOT NULL CHECK (kind IN ('channel', 'split')),
  UNIQUE (site, name)
);

-- One row a commit, until its hours are sealed.
CREATE TABLE journal (
  seq     INTEGER PRIMARY KEY,
  from_ds INTEGER NOT NULL,
  to_ds   INTEGER NOT NULL,
  body    BLOB NOT NULL
);

-- Rows and blocks that did not decode, as they were: origin is their table, key their key.
CREATE TABLE set_aside (
  id     INTEGER PRIMARY KEY,
  origin TEXT NOT NULL,
  key    INTEGER NOT NULL,
  why    TEXT NOT NULL,
  body   BLOB NOT NULL
);

-- Sealed readings: of the open UTC day by the hour, of a day that is over by the day.
-- The key is hour × 2^24 + series, or day × 2^24 + series, counted from 1970.
CREATE TABLE reading_hour (key INTEGER PRIMARY KEY, body BLOB NOT NULL);
CREATE TABLE reading_day (key INTEGER PRIMARY KEY, body BLOB NOT NULL);

-- Sealed minutes of one series and UTC day; key as in reading_day. `rule` tells which rule of the
-- map a split was made by; 0 for channels.
CREATE TABLE minute_block (key INTEGER PRIMARY KEY, rule INTEGER NOT NULL, body BLOB NOT NULL);

-- Sums of the sealed minutes. A missing row means that nothing is known.
CREATE TABLE quarter (
  series INTEGER NOT NULL, start_s INTEGER NOT NULL, rule INTEGER NOT NULL,
  energy_in INTEGER NOT NULL, energy_out INTEGER NOT NULL, covered INTEGER NOT NULL,
  low INTEGER, high INTEGER,
  PRIMARY KEY (series, start_s)
) WITHOUT ROWID;
CREATE TABLE day (
  series INTEGER NOT NULL, start_s INTEGER NOT NULL, rule INTEGER NOT NULL,
  energy_in INTEGER NOT NULL, energy_out INTEGER NOT NULL, covered INTEGER NOT NULL,
  low INTEGER, high INTEGER, date TEXT NOT NULL,
  PRIMARY KEY (series, start_s)
) WITHOUT ROWID;
CREATE TABLE month (
  series INTEGER NOT NULL, start_s INTEGER NOT NULL, rule INTEGER NOT NULL,
  energy_in INTEGER NOT NULL, energy_out INTEGER NOT NULL, covered INTEGER NOT NULL,
  low INTEGER, high INTEGER, date TEXT NOT NULL,
  PRIMARY KEY (series, start_s)
) WITHOUT ROWID;

-- Minutes that closed or changed, for the central stores: from_minute up to, not including,
-- to_minute, in minutes since 1970. Each central store has read up to its cursor.
CREATE TABLE outbox (
  seq         INTEGER PRIMARY KEY AUTOINCREMENT,
  site        INTEGER NOT NULL,
  from_minute INTEGER NOT NULL,
  to_minute   INTEGER NOT NULL
);
CREATE TABLE central_cursor (central TEXT PRIMARY KEY, seq INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE outbox_refused (
  id      INTEGER PRIMARY KEY,
  central TEXT NOT NULL,
  at_s    INTEGER NOT NULL,
  record  TEXT NOT NULL,
  answer  TEXT NOT NULL
);

-- What people wrote beside a stretch of time.
CREATE TABLE annotation (
  id     INTEGER PRIMARY KEY,
  site   INTEGER NOT NULL,
  from_s INTEGER NOT NULL,
  to_s   INTEGER NOT NULL,
  text   TEXT NOT NULL
);

-- For people and SQL tools.
CREATE VIEW quarter_wh AS
  SELECT site.name AS site, series.name AS series,
         strftime('%Y-%m-%dT%H:%M:%SZ', start_s, 'unixepoch') AS start,
         energy_in / 360000.0 AS in_wh, energy_out / 360000.0 AS out_wh,
         covered / 10.0 AS covered_s, low / 10.0 AS low_w, high / 10.0 AS high_w
  FROM quarter JOIN series ON series.id = quarter.series JOIN site ON site.id = series.site;
CREATE VIEW day_wh AS
  SELECT site.name AS site, series.name AS series, date,
         strftime('%Y-%m-%dT%H:%M:%SZ', start_s, 'unixepoch') AS start,
         energy_in / 360000.0 AS in_wh, energy_out / 360000.0 AS out_wh,
         covered / 10.0 AS covered_s, low / 10.0 AS low_w, high / 10.0 AS high_w
  FROM day JOIN series ON series.id = day.series JOIN site ON site.id = series.site;
CREATE VIEW month_wh AS
  SELECT site.name AS site, series.name AS series, date,
         strftime('%Y-%m-%dT%H:%M:%SZ', start_s, 'unixepoch') AS start,
         energy_in / 360000.0 AS in_wh, energy_out / 360000.0 AS out_wh,
         covered / 10.0 AS covered_s, low / 10.0 AS low_w, high / 10.0 AS high_w
  FROM month JOIN series ON series.id = month.series JOIN site ON site.id = series.site;
