-- Orders to valves. An order is committed before it is sent; the outcome is what its gateway says, and where the
-- valve stands is told by the valve's own readings alone.
CREATE TABLE valve_order (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    token text NOT NULL UNIQUE,                -- its id towards the gateway
    instrument_id integer NOT NULL REFERENCES instrument,
    job_id integer REFERENCES job,             -- that the valve served when it was asked for
    action text NOT NULL CHECK (action IN ('open', 'close')),
    state text NOT NULL CHECK (state IN ('asked', 'sent', 'done', 'refused', 'failed', 'expired')),
    reason text NOT NULL DEFAULT '',           -- why, in the words of who asked
    asked_by integer REFERENCES person,        -- NULL: the system itself
    asked_at timestamptz NOT NULL,
    session text NOT NULL,                     -- presence session and boot of the gateway it was made for
    boot text,
    ttl_s double precision NOT NULL CHECK (ttl_s > 0),
    expires_at timestamptz NOT NULL,
    require jsonb NOT NULL DEFAULT '{}',       -- what the gateway must find confirmed
    send_at timestamptz NOT NULL,              -- next due at the broker, by the database's own clock
    sends integer NOT NULL DEFAULT 0,
    sent_at timestamptz,                       -- the broker had it first
    result text CHECK (result IN ('done', 'refused', 'failed')),
    result_reason text NOT NULL DEFAULT '',
    result_at timestamptz,                     -- by the gateway's clock, never after it arrived
    result_arrived_at timestamptz,
    expired_at timestamptz,
    CHECK ((result IS NULL) = (state IN ('asked', 'sent', 'expired')))
);
CREATE UNIQUE INDEX valve_order_one_open ON valve_order (instrument_id) WHERE state IN ('asked', 'sent');
CREATE INDEX valve_order_of_instrument ON valve_order (instrument_id, id);
CREATE INDEX valve_order_of_job ON valve_order (job_id, id);
