-- Since when work waits, by the database's own clock: how old the oldest is, and how long it took.
ALTER TABLE work ADD COLUMN at timestamptz NOT NULL DEFAULT clock_timestamp();
