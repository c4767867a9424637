-- Over which channels people are told, and the mornings. Of whom nothing more is sent to the row stays, as the log's end
CREATE TABLE channel (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    person_id integer REFERENCES person,       -- whose; NULL: the company's
    kind text NOT NULL CHECK (kind IN ('mail', 'service', 'webhook')),
    name text NOT NULL,
    address text,                              -- of a mailbox
    sealed bytea,                              -- an address that may hold secrets, encrypted with the settings' key
    settings_salt bytea,                       -- of the webhook that the settings name; only its digest is kept, to see
    settings_digest bytea,                     -- that it was changed
    shown text NOT NULL,                       -- the address without anything that may be a secret
    tells text[] NOT NULL CHECK (tells <@ ARRAY['alerts', 'plans', 'mornings']),
    time_zone text,                            -- of the browser in which it was entered; NULL: not known
    locale text,
    added_at timestamptz NOT NULL,
    stopped_at timestamptz,                    -- nothing is sent until somebody lets it go on
    stopped_because text NOT NULL DEFAULT '',
    failed_at timestamptz,                     -- the latest message was given up (the database's own clock)
    failure text NOT NULL DEFAULT '',
    removed_at timestamptz,
    CHECK ((settings_salt IS NULL) = (settings_digest IS NULL)),
    CHECK (removed_at IS NOT NULL OR num_nonnulls(address, sealed, settings_digest) = 1)
);
CREATE UNIQUE INDEX channel_one_of_settings ON channel ((true)) WHERE settings_digest IS NOT NULL;
CREATE INDEX channel_of_person ON channel (person_id);

-- What was sent to the webhook of the settings before; which address that was nobody knows any more
INSERT INTO channel (kind, name, shown, tells, settings_salt, settings_digest, added_at)
    SELECT 'webhook', 'Webhook of the settings', 'webhook', '{alerts}', '', '', now()
    WHERE EXISTS (SELECT FROM notification);
ALTER TABLE notification ADD COLUMN channel_id integer REFERENCES channel;
UPDATE notification SET channel_id = (SELECT id FROM channel);
ALTER TABLE notification ALTER COLUMN channel_id SET NOT NULL;
ALTER TABLE notification DROP COLUMN channel;
ALTER TABLE notification ALTER COLUMN alert_id DROP NOT NULL;
ALTER TABLE notification ADD COLUMN key text;  -- what must go out once over a channel
ALTER TABLE notification ADD COLUMN stale_at timestamptz;  -- of no use later; NULL: until the attempts are used up
CREATE UNIQUE INDEX notification_once ON notification (channel_id, key);
CREATE INDEX notification_of_channel ON notification (channel_id, id);

CREATE TABLE morning_time (
    single boolean PRIMARY KEY DEFAULT true CHECK (single),
    at time NOT NULL,
    time_zone text                             -- NULL: the one that most sites are in
);
INSERT INTO morning_time (at) VALUES ('06:30');
