-- Format 6: corrections of a map.

-- What the splits and the figures of a site follow from, by stretch of its map: print is a
-- fingerprint of the sum that holds from from_ds up to the next row of that name; 0, or no row,
-- where there is none. name is 'split:grid', 'site/import', 'circuit/well-pump', 'bus/main/feed', …
CREATE TABLE rule (
  site    INTEGER NOT NULL,
  name    TEXT NOT NULL,
  from_ds INTEGER NOT NULL,
  print   INTEGER NOT NULL,
  PRIMARY KEY (site, name, from_ds)
) WITHOUT ROWID;

-- UTC days, counted from 1970, of which a split has to be derived again from the readings:
-- from_day up to, not including, to_day. The last day is done first, and to_day moves down.
CREATE TABLE rederive (
  id       INTEGER PRIMARY KEY,
  series   INTEGER NOT NULL,
  from_day INTEGER NOT NULL,
  to_day   INTEGER NOT NULL
);

-- Minutes of which central stores were told figures that follow from another map than the one in
-- force; the last ones go to the outbox first, and to_minute moves down. figures are the names of
-- those that changed, one a line.
CREATE TABLE correction (
  id          INTEGER PRIMARY KEY,
  site        INTEGER NOT NULL,
  from_minute INTEGER NOT NULL,
  to_minute   INTEGER NOT NULL,
  figures     TEXT NOT NULL
);

-- Of a correction, the figures that changed; NULL for minutes that closed or were counted again.
ALTER TABLE outbox ADD COLUMN figures TEXT;
