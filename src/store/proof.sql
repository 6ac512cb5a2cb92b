-- Load steps that came to a verdict: of which circuit, when, what was seen, and what of the map it rests
-- on. `moved` is JSON: an array of [name, W]. `line` and `write` are the line of the map to change and what
-- to write there, null where nothing follows.
CREATE TABLE proof (
  id         INTEGER PRIMARY KEY,
  site       INTEGER NOT NULL,
  circuit    TEXT NOT NULL,
  at_s       INTEGER NOT NULL,
  kind       TEXT NOT NULL,
  what       TEXT NOT NULL,
  moved      TEXT NOT NULL,
  switchings INTEGER NOT NULL,
  line       INTEGER,
  write      TEXT,
  next       TEXT NOT NULL,
  basis      TEXT NOT NULL
);
CREATE INDEX proof_circuit ON proof (site, circuit, id);
