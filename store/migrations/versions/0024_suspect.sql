-- A gauge that a person holds to be oily, wet or drifting, from when and until when: all of them are kept, because
-- holds are judged by them.
CREATE TABLE suspect_mark (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    instrument_id integer NOT NULL REFERENCES instrument,
    since timestamptz NOT NULL,
    marked_by integer REFERENCES person,       -- nobody: the command line
    reason text NOT NULL CHECK (reason <> ''), -- in the person's own words
    until timestamptz,
    trusted_by integer REFERENCES person,
    CHECK (until >= since)
);
CREATE UNIQUE INDEX one_suspect_mark_of_gauge ON suspect_mark (instrument_id) WHERE until IS NULL;
CREATE INDEX suspect_mark_of_gauge ON suspect_mark (instrument_id, since);

-- After an opening so deep that no fall can be asked for
ALTER TABLE valve_order DROP CONSTRAINT valve_order_watch_check;
ALTER TABLE valve_order ADD CONSTRAINT valve_order_watch_check
    CHECK (watch IN ('falls', 'level', 'unsafe', 'shut'));
