-- States of alerts beside active and acknowledged, after ISA-18.2: out of service, suppressed, shelved. What holds an
-- alert back is written beside it, so that lists need not ask again; `desk.core.pipeline` decides it.
ALTER TABLE alert
    ADD COLUMN instrument_id integer REFERENCES instrument,  -- the one that it is about
    ADD COLUMN held text CHECK (held IN ('out-of-service', 'suppressed', 'shelved')),
    ADD COLUMN held_because text NOT NULL DEFAULT '',
    ADD COLUMN held_until timestamptz,
    ADD COLUMN edition integer NOT NULL DEFAULT 1,           -- how many times it had something new to tell
    ADD COLUMN turns integer NOT NULL DEFAULT 1;             -- how many times it was raised
UPDATE alert SET instrument_id = i.id FROM instrument i JOIN gateway g ON g.id = i.gateway_id
    WHERE i.id = substring(alert.key FROM '/silence:series:(\d+)$')::integer
       OR g.name || '/' || i.name = substring(alert.key FROM '/(?:order|valve):(.+)$');
CREATE INDEX alert_by_key ON alert (key, id);
CREATE INDEX alert_of_instrument ON alert (instrument_id) WHERE state <> 'normal';
CREATE INDEX alert_history_of ON alert_history (alert_id, id);
CREATE INDEX notification_of_alert ON notification (alert_id, id);

-- What people were told last of an alert is read from the log by its key.
UPDATE notification SET key = 'alert:' || alert_id || '/1/' || CASE reason WHEN 'cleared' THEN 'cleared' ELSE 'active' END
    WHERE id IN (SELECT max(id) FROM notification WHERE alert_id IS NOT NULL GROUP BY alert_id, channel_id);

-- By key, not by alert: what is acknowledged, over and told again within the time is another alert and shelved still.
CREATE TABLE alert_shelf (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    key text NOT NULL,
    alert_id integer NOT NULL REFERENCES alert,
    priority text NOT NULL,                    -- as it was then
    reason text NOT NULL CHECK (reason <> ''),
    person_id integer NOT NULL REFERENCES person,
    since timestamptz NOT NULL,
    until timestamptz NOT NULL CHECK (until > since),
    ended_at timestamptz,                      -- by a person before its time
    ended_by integer REFERENCES person
);
CREATE INDEX alert_shelf_by_key ON alert_shelf (key, until) WHERE ended_at IS NULL;

CREATE TABLE out_of_service (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    instrument_id integer REFERENCES instrument,
    gateway_id integer REFERENCES gateway,
    reason text NOT NULL CHECK (reason <> ''),
    person_id integer NOT NULL REFERENCES person,
    since timestamptz NOT NULL,
    ended_at timestamptz,
    ended_by integer REFERENCES person,
    CHECK (num_nonnulls(instrument_id, gateway_id) = 1)
);
CREATE UNIQUE INDEX out_of_service_instrument ON out_of_service (instrument_id) WHERE ended_at IS NULL;
CREATE UNIQUE INDEX out_of_service_gateway ON out_of_service (gateway_id) WHERE ended_at IS NULL;

-- Sites whose switch stands on local hands, as was told.
CREATE TABLE local_hands (
    site_id integer PRIMARY KEY REFERENCES site,
    since timestamptz NOT NULL
);

-- "Was this right?"
CREATE TABLE alert_opinion (
    alert_id integer NOT NULL REFERENCES alert,
    person_id integer NOT NULL REFERENCES person,
    answer text NOT NULL CHECK (answer IN ('yes', 'no', 'cannot-say')),
    note text NOT NULL DEFAULT '',
    at timestamptz NOT NULL,
    PRIMARY KEY (alert_id, person_id)
);
