-- Format 7: what the minutes of a local day that is over say of every load: run time, starts, peaks. It
-- follows from minute_block and the map, and is made again where it is missing: start_s to end_s is the
-- day, rule a fingerprint of what was counted.
CREATE TABLE run_day (
  id      INTEGER PRIMARY KEY,
  site    INTEGER NOT NULL,
  start_s INTEGER NOT NULL,
  end_s   INTEGER NOT NULL,
  rule    INTEGER NOT NULL,
  body    BLOB NOT NULL
);
CREATE UNIQUE INDEX run_day_site ON run_day (site, start_s);
