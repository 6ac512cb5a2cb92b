-- Who wrote a note: 'person', or 'map' for the program itself as a map changed.
ALTER TABLE annotation ADD COLUMN origin TEXT NOT NULL DEFAULT 'person';
CREATE INDEX annotation_start ON annotation (site, from_s);

-- Each site's map as it was last in force, a fact a line: what the next one is compared with.
CREATE TABLE map_form (site INTEGER PRIMARY KEY, form TEXT NOT NULL);
