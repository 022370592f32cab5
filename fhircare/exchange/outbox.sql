-- The outbox's tables. user_version is the number of this layout; raise it with each change of it.
CREATE TABLE IF NOT EXISTS parcel (
  id INTEGER PRIMARY KEY,
  destination TEXT NOT NULL,
  series TEXT NOT NULL,
  digest TEXT NOT NULL,
  body BLOB,
  pdf BLOB,
  state TEXT NOT NULL CHECK (state IN ('waiting', 'sending', 'arrived', 'set-aside')),
  attempts INTEGER NOT NULL DEFAULT 0,
  due REAL NOT NULL,
  holder TEXT NOT NULL DEFAULT '',
  lease REAL NOT NULL DEFAULT 0,
  reason TEXT NOT NULL DEFAULT '',
  queued REAL NOT NULL
) STRICT;
CREATE INDEX IF NOT EXISTS parcel_of_plan ON parcel (destination, series, id);
CREATE TABLE IF NOT EXISTS journal (
  id INTEGER PRIMARY KEY,
  parcel INTEGER NOT NULL REFERENCES parcel (id),
  at REAL NOT NULL,
  state TEXT NOT NULL,
  note TEXT NOT NULL
) STRICT;
CREATE TABLE IF NOT EXISTS arrived (
  destination TEXT NOT NULL,
  name TEXT NOT NULL,
  reference TEXT NOT NULL,
  version TEXT NOT NULL,
  fingerprint TEXT NOT NULL,
  PRIMARY KEY (destination, name)
) STRICT;
PRAGMA user_version = 1;
