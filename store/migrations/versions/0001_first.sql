-- People -----------------------------------------------------------------------------------------
CREATE TABLE person (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    login text NOT NULL UNIQUE CHECK (login = lower(login) AND login <> ''),
    name text NOT NULL,
    role text NOT NULL CHECK (role IN ('technician', 'dispatcher', 'manager', 'administrator')),
    password_hash text NOT NULL,               -- argon2id
    created_at timestamptz NOT NULL,
    disabled_at timestamptz
);
CREATE TABLE login_session (
    token_digest bytea PRIMARY KEY,            -- SHA-256 of the cookie; the cookie itself is never stored
    person_id integer NOT NULL REFERENCES person,
    created_at timestamptz NOT NULL,
    expires_at timestamptz NOT NULL
);

-- Places and equipment ---------------------------------------------------------------------------
CREATE TABLE site (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name text NOT NULL UNIQUE CHECK (name <> ''),
    time_zone text NOT NULL,
    place text NOT NULL DEFAULT ''
);
CREATE TABLE circuit (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    site_id integer NOT NULL REFERENCES site,
    name text NOT NULL CHECK (name <> ''),
    volume_m3 double precision CHECK (volume_m3 > 0),
    refrigerant text,
    oil text,
    UNIQUE (site_id, name)
);
CREATE TABLE crew (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name text NOT NULL UNIQUE CHECK (name <> '')
);
CREATE TABLE gateway (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name text NOT NULL UNIQUE CHECK (name ~ '^[a-z0-9][a-z0-9-]{0,38}[a-z0-9]$'),
    site_id integer NOT NULL REFERENCES site,
    secret_bcrypt text NOT NULL,               -- of its broker password; the password is shown once
    created_at timestamptz NOT NULL,
    revoked_at timestamptz
);
-- Apart from gateway, because it is written often and gateway is referred to by everything.
CREATE TABLE gateway_presence (
    gateway_id integer PRIMARY KEY REFERENCES gateway,
    online boolean NOT NULL,
    session text NOT NULL,
    boot text,
    software text,
    reported_at timestamptz,
    arrived_at timestamptz NOT NULL
);
CREATE TABLE instrument (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    gateway_id integer NOT NULL REFERENCES gateway,
    name text NOT NULL CHECK (name ~ '^[a-z0-9][a-z0-9-]{0,38}[a-z0-9]$'),
    role text NOT NULL CHECK (role IN ('gauge', 'valve', 'pump', 'thermometer')),
    position text NOT NULL CHECK (position IN ('circuit', 'pump')),
    principle text NOT NULL DEFAULT '',
    unit text NOT NULL DEFAULT 'Pa',
    range_low_pa double precision,
    range_high_pa double precision,
    accuracy double precision NOT NULL DEFAULT 0.1 CHECK (accuracy >= 0 AND accuracy < 1),
    interval_s double precision NOT NULL DEFAULT 10 CHECK (interval_s > 0),
    serial text NOT NULL DEFAULT '',
    UNIQUE (gateway_id, name)
);
CREATE TABLE place (
    id smallint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name text NOT NULL UNIQUE
);
INSERT INTO place (name) VALUES ('');          -- id 1: no place named

-- Procedures -------------------------------------------------------------------------------------
CREATE TABLE procedure (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name text NOT NULL CHECK (name <> ''),
    version integer NOT NULL DEFAULT 1,
    target_pa double precision NOT NULL CHECK (target_pa > 0),
    dwell_s double precision NOT NULL CHECK (dwell_s >= 0),
    hold_s double precision NOT NULL,
    settle_s double precision NOT NULL CHECK (settle_s >= 0 AND settle_s < hold_s),
    limit_pa double precision CHECK (limit_pa > 0),
    rise_pa double precision CHECK (rise_pa > 0),
    persistence_s double precision NOT NULL DEFAULT 60,
    filter_s double precision NOT NULL DEFAULT 60,
    breaks integer NOT NULL DEFAULT 0 CHECK (breaks >= 0),
    patience_s double precision NOT NULL DEFAULT 86400 CHECK (patience_s >= 0),
    origin text NOT NULL,
    is_default boolean NOT NULL DEFAULT false, -- what walk-up jobs get
    CHECK (limit_pa IS NOT NULL OR rise_pa IS NOT NULL),
    UNIQUE (name, version)
);
CREATE UNIQUE INDEX one_default_procedure ON procedure (is_default) WHERE is_default;

-- Jobs -------------------------------------------------------------------------------------------
CREATE TABLE job (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    title text NOT NULL,
    state text NOT NULL CHECK (state IN ('planned', 'running', 'finished', 'unproven', 'closed')),
    walk_up boolean NOT NULL DEFAULT false,
    site_id integer NOT NULL REFERENCES site,
    circuit_id integer REFERENCES circuit,
    crew_id integer REFERENCES crew,
    procedure_id integer NOT NULL REFERENCES procedure,
    opened_at timestamptz NOT NULL,
    closed_at timestamptz,
    closed_by_rule boolean NOT NULL DEFAULT false, -- by the judgement, which late readings may correct; else by a person
    failures integer NOT NULL DEFAULT 0,       -- of its judgement, in a row; three park it
    parked_at timestamptz,
    note text NOT NULL DEFAULT ''
);
CREATE INDEX job_open ON job (id) WHERE closed_at IS NULL;
-- Which instrument served which job when: [since, until)
CREATE TABLE assignment (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    job_id integer NOT NULL REFERENCES job,
    instrument_id integer NOT NULL REFERENCES instrument,
    since timestamptz NOT NULL,
    until timestamptz CHECK (until > since),
    deciding boolean NOT NULL DEFAULT false    -- the gauge that gives the verdict
);
CREATE UNIQUE INDEX assignment_one_at_a_time ON assignment (instrument_id) WHERE until IS NULL;
CREATE INDEX assignment_of_job ON assignment (job_id);
CREATE INDEX assignment_of_instrument ON assignment (instrument_id, since);

-- Readings: the table itself is made by ensure_layout (hypertable, or declarative partitions) ------
-- What has come of each instrument's numbered packs, per boot: receipts are computed from it.
CREATE TABLE pack_ledger (
    instrument_id integer NOT NULL REFERENCES instrument,
    boot text NOT NULL,
    have int8multirange NOT NULL DEFAULT '{}',
    refused int8multirange NOT NULL DEFAULT '{}',
    PRIMARY KEY (instrument_id, boot)
);
-- Last reading of each channel by event time: the board reads this and never the readings.
CREATE TABLE latest (
    instrument_id integer NOT NULL REFERENCES instrument,
    quantity smallint NOT NULL,
    place_id smallint NOT NULL DEFAULT 1,
    time timestamptz NOT NULL,
    value double precision NOT NULL,
    arrived timestamptz NOT NULL,
    PRIMARY KEY (instrument_id, quantity, place_id)
) WITH (fillfactor = 50);
CREATE TABLE rollup_minute (
    instrument_id integer NOT NULL,
    quantity smallint NOT NULL,
    place_id smallint NOT NULL DEFAULT 1,
    minute timestamptz NOT NULL,
    n integer NOT NULL,
    low double precision NOT NULL,
    high double precision NOT NULL,
    total double precision NOT NULL,
    PRIMARY KEY (instrument_id, quantity, place_id, minute)
);
-- Minutes whose rollup must be made anew; due is by the database's own clock, it only spreads the load
CREATE TABLE rollup_todo (
    instrument_id integer NOT NULL,
    minute timestamptz NOT NULL,
    due timestamptz NOT NULL,
    PRIMARY KEY (instrument_id, minute)
);
CREATE INDEX rollup_todo_due ON rollup_todo (due);
-- Which series have new readings, and since when (earliest event time touched)
CREATE TABLE work (
    id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    instrument_id integer NOT NULL,
    since timestamptz NOT NULL,                -- earliest event time touched
    until timestamptz NOT NULL                 -- latest event time touched
);
CREATE INDEX work_of_instrument ON work (instrument_id);
CREATE TABLE timer (
    id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    due timestamptz NOT NULL,
    kind text NOT NULL,
    subject text NOT NULL,
    data jsonb NOT NULL DEFAULT '{}',
    UNIQUE (kind, subject)
);
CREATE INDEX timer_due ON timer (due);

-- Judgement --------------------------------------------------------------------------------------
-- How far each job is judged, and a persisted state of the recogniser: what it knows from all readings up to a moment
-- of event time. The state lags behind by some seconds, so that readings a little out of order cost little.
CREATE TABLE track (
    job_id integer PRIMARY KEY REFERENCES job,
    settings text NOT NULL,                    -- digest of what the job was judged by; another one: begin anew
    head_at timestamptz NOT NULL,              -- judged up to here
    goal_at timestamptz NOT NULL,              -- to be judged up to here; later than head_at while readings are left
    epoch integer NOT NULL DEFAULT 0,          -- goes up when late readings rewind: states kept in memory are then void
    state_at timestamptz NOT NULL,
    state bytea NOT NULL,                      -- JSON; bytea, because nobody queries it and jsonb costs parsing
    seen text NOT NULL DEFAULT '',             -- digest of the view that the tables below were last brought in line with
    written_at timestamptz NOT NULL,           -- when that was, by the database's own clock
    wake_at timestamptz,                       -- when its timer goes off, by the injected clock
    silent integer[] NOT NULL DEFAULT '{}'     -- instruments that were told silent
) WITH (fillfactor = 50);
-- Older states, every ten minutes and thinned with age: late readings rewind to the one before them
CREATE TABLE checkpoint (
    job_id integer NOT NULL REFERENCES job,
    time timestamptz NOT NULL,
    state bytea NOT NULL,
    PRIMARY KEY (job_id, time)
);
CREATE TABLE phase (
    job_id integer NOT NULL REFERENCES job,
    kind text NOT NULL,
    started_at timestamptz NOT NULL,
    ended_at timestamptz,
    start_pa double precision,
    end_pa double precision,
    lowest_pa double precision,
    start_uncertainty_s double precision NOT NULL DEFAULT 0,
    PRIMARY KEY (job_id, started_at, kind)
);
-- One row a hold; detail is the HoldTest as JSON. withdrawn: late readings showed there was no such hold
CREATE TABLE hold_test (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    job_id integer NOT NULL REFERENCES job,
    started_at timestamptz NOT NULL,
    ended_at timestamptz,
    revision integer NOT NULL DEFAULT 0,       -- 0: no verdict yet
    verdict text NOT NULL,
    reason text NOT NULL,
    text text NOT NULL,
    decided_at timestamptz,
    detail jsonb NOT NULL,
    stale boolean NOT NULL DEFAULT false,      -- its readings changed since the cause was estimated
    withdrawn_at timestamptz,
    UNIQUE (job_id, started_at)
);
CREATE TABLE hold_test_revision (
    hold_test_id integer NOT NULL REFERENCES hold_test,
    revision integer NOT NULL,
    verdict text NOT NULL,
    reason text NOT NULL,
    text text NOT NULL,
    cause text,
    detail jsonb NOT NULL,
    because text NOT NULL,                     -- why it was made: first verdict, late readings, …
    at timestamptz NOT NULL,
    PRIMARY KEY (hold_test_id, revision)
);

-- What is true of a job now. Each was told as an event once; withdrawn_at: late readings showed otherwise
CREATE TABLE fact (
    job_id integer NOT NULL REFERENCES job,
    kind text NOT NULL,
    subject_at timestamptz NOT NULL,           -- start of what it is about
    happened_at timestamptz NOT NULL,
    text text NOT NULL,
    data jsonb NOT NULL,
    withdrawn_at timestamptz,
    PRIMARY KEY (job_id, kind, subject_at)
);

-- Events, in the order of commit (inserted under one advisory lock, so id order is commit order) -----
CREATE TABLE event (
    id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    kind text NOT NULL,
    happened_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL,
    site_id integer REFERENCES site,
    job_id integer REFERENCES job,
    subject text NOT NULL,
    text text NOT NULL,
    data jsonb NOT NULL DEFAULT '{}'
);
CREATE INDEX event_of_job ON event (job_id, id);
-- How far each reader of the events has come ('desk')
CREATE TABLE event_cursor (
    reader text PRIMARY KEY,
    event_id bigint NOT NULL
);
CREATE TABLE alert (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    key text NOT NULL,
    kind text NOT NULL,
    priority text NOT NULL CHECK (priority IN ('urgent', 'high', 'medium', 'low')),
    state text NOT NULL CHECK (state IN ('active-unacknowledged', 'active-acknowledged',
                                         'cleared-unacknowledged', 'normal')),
    text text NOT NULL,
    action text NOT NULL,
    site_id integer REFERENCES site,
    job_id integer REFERENCES job,
    raised_at timestamptz NOT NULL,
    updated_at timestamptz NOT NULL,
    cleared_at timestamptz,
    acknowledged_at timestamptz,
    acknowledged_by integer REFERENCES person,
    note text NOT NULL DEFAULT '',
    count integer NOT NULL DEFAULT 1,
    happened_at timestamptz NOT NULL,          -- event time of the fact behind it
    event_id bigint NOT NULL DEFAULT 0         -- the latest event that changed it
);
CREATE UNIQUE INDEX alert_one_live ON alert (key) WHERE state <> 'normal';
CREATE INDEX alert_of_job ON alert (job_id);
CREATE TABLE alert_history (
    id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    alert_id integer NOT NULL REFERENCES alert,
    at timestamptz NOT NULL,
    what text NOT NULL,                        -- raised, raised-again, changed, repeated, cleared, acknowledged, note
    state text NOT NULL,
    person_id integer REFERENCES person,
    event_id bigint,
    note text NOT NULL DEFAULT ''
);
-- Outbox and notification log in one. created_at is of the injected clock; due, sent and given up are wall time
-- (the database's own clock): trying again is a matter of networks, whatever time is being replayed.
CREATE TABLE notification (
    id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    alert_id integer NOT NULL REFERENCES alert,
    channel text NOT NULL,
    reason text NOT NULL,                      -- raised, cleared, …
    body jsonb NOT NULL,
    created_at timestamptz NOT NULL,
    due_at timestamptz NOT NULL,
    attempts integer NOT NULL DEFAULT 0,
    last_error text NOT NULL DEFAULT '',
    sent_at timestamptz,
    given_up_at timestamptz
);
CREATE INDEX notification_due ON notification (due_at) WHERE sent_at IS NULL AND given_up_at IS NULL;

-- Nothing is dropped silently ------------------------------------------------------------------------
CREATE TABLE quarantine (
    id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    arrived_at timestamptz NOT NULL,
    topic text NOT NULL,
    gateway text,
    reason text NOT NULL,
    message text NOT NULL,
    record integer,                            -- index in the pack; NULL: the whole pack
    raw bytea NOT NULL,
    digest bytea NOT NULL UNIQUE,              -- of what makes it the same refusal; a repetition is counted
    times integer NOT NULL DEFAULT 1,
    replayed_at timestamptz
);
CREATE INDEX quarantine_arrived ON quarantine (arrived_at);
CREATE TABLE quarantine_overflow (             -- what did not fit any more, counted
    reason text PRIMARY KEY,
    messages bigint NOT NULL,
    bytes bigint NOT NULL
);
CREATE TABLE unknown_name (                    -- SenML names we do not know: counted, never refused
    instrument_id integer NOT NULL REFERENCES instrument,
    name text NOT NULL,
    n bigint NOT NULL,
    last_at timestamptz NOT NULL,
    PRIMARY KEY (instrument_id, name)
);
CREATE TABLE audit (
    id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    at timestamptz NOT NULL,
    person_id integer REFERENCES person,       -- NULL: the command line or the system itself
    act text NOT NULL,
    subject text NOT NULL,
    data jsonb NOT NULL DEFAULT '{}'
);
-- Each running process says here that its main loop goes round, by the database's own clock
CREATE TABLE beat (
    process text NOT NULL,                     -- ingest, analyse, desk
    instance text NOT NULL,
    at timestamptz NOT NULL,                   -- now() of the database
    detail jsonb NOT NULL DEFAULT '{}',
    PRIMARY KEY (process, instance)
);
