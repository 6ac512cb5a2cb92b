-- What was let go by setting, and what people know to be lost.

-- Sealed readings ('readings') and minutes ('minutes') before this moment were let go, because the
-- settings say how long they are kept. No row: nothing was.
CREATE TABLE let_go (
  what     TEXT PRIMARY KEY CHECK (what IN ('readings', 'minutes')),
  before_s INTEGER NOT NULL
) WITHOUT ROWID;

-- 1 where a repair has seen it: what could be made good was, and what was lost was named.
ALTER TABLE set_aside ADD COLUMN repaired INTEGER NOT NULL DEFAULT 0;
