-- Format 10: the rows of day of a month that is over, all series together, so that a year of days is read from
-- twelve rows. They follow from day, and are made again where they are missing: start_s to end_s is the month,
-- rule a fingerprint of whose rows they are.
CREATE TABLE month_days (
  id      INTEGER PRIMARY KEY,
  site    INTEGER NOT NULL,
  start_s INTEGER NOT NULL,
  end_s   INTEGER NOT NULL,
  rule    INTEGER NOT NULL,
  body    BLOB NOT NULL
);
CREATE UNIQUE INDEX month_days_site ON month_days (site, start_s);
