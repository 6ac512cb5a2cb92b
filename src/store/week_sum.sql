-- Format 8: the quarter hours of local days, months and years that are over, added up by slot of the week (the
-- weekday and the quarter-hour that the clock shows). They follow from quarter and the zone, and are made again
-- where they are missing: stretch is 0 for a day, 1 for a month, 2 for a year, start_s to end_s is from when to
-- when, rule a fingerprint of whose rows were added up.
CREATE TABLE week_sum (
  id      INTEGER PRIMARY KEY,
  site    INTEGER NOT NULL,
  stretch INTEGER NOT NULL,
  start_s INTEGER NOT NULL,
  end_s   INTEGER NOT NULL,
  rule    INTEGER NOT NULL,
  body    BLOB NOT NULL
);
CREATE UNIQUE INDEX week_sum_site ON week_sum (site, stretch, start_s);
