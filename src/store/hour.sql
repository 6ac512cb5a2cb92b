-- Format 2: sums of the sealed minutes by UTC hour, as in `quarter`. A file of format 1 gets them when
-- its sites are registered.
CREATE TABLE hour (
  series INTEGER NOT NULL, start_s INTEGER NOT NULL, rule INTEGER NOT NULL,
  energy_in INTEGER NOT NULL, energy_out INTEGER NOT NULL, covered INTEGER NOT NULL,
  low INTEGER, high INTEGER,
  PRIMARY KEY (series, start_s)
) WITHOUT ROWID;
CREATE VIEW hour_wh AS
  SELECT site.name AS site, series.name AS series,
         strftime('%Y-%m-%dT%H:%M:%SZ', start_s, 'unixepoch') AS start,
         energy_in / 360000.0 AS in_wh, energy_out / 360000.0 AS out_wh,
         covered / 10.0 AS covered_s, low / 10.0 AS low_w, high / 10.0 AS high_w
  FROM hour JOIN series ON series.id = hour.series JOIN site ON site.id = series.site;
