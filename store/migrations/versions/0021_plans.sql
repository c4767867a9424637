-- Hold plans: all of their state is data, so that any desk goes on where another was killed
CREATE TABLE hold_plan (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    job_id integer NOT NULL REFERENCES job,
    instrument_id integer NOT NULL REFERENCES instrument,  -- the valve
    made_by integer REFERENCES person,         -- nobody: the command line
    made_at timestamptz NOT NULL,
    held_s double precision NOT NULL CHECK (held_s >= 0),
    not_before timestamptz,
    report_at timestamptz NOT NULL,
    accepted text[] NOT NULL DEFAULT '{}',     -- interlocks of a hold that were overridden
    accepted_reason text NOT NULL DEFAULT '',
    state text NOT NULL CHECK (state IN ('waiting', 'closing', 'holding', 'ended', 'called-off')),
    progress jsonb NOT NULL,
    CHECK (state = progress ->> 'state')
);
-- Two plans would give orders against each other
CREATE UNIQUE INDEX one_live_plan_of_valve ON hold_plan (instrument_id)
    WHERE state IN ('waiting', 'closing', 'holding');
CREATE INDEX hold_plan_of_job ON hold_plan (job_id, id);
CREATE TABLE hold_plan_line (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    plan_id integer NOT NULL REFERENCES hold_plan,
    at timestamptz NOT NULL,
    text text NOT NULL
);
CREATE INDEX hold_plan_line_of_plan ON hold_plan_line (plan_id, id);
