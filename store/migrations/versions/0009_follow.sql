-- Who follows which job, what each is told, and with which sound
CREATE TABLE follow (
    person_id integer NOT NULL REFERENCES person,
    job_id integer NOT NULL REFERENCES job,
    target boolean NOT NULL,                   -- told when the target is reached
    over boolean NOT NULL,                     -- told when a hold goes over its limit
    since_event bigint NOT NULL,               -- what was recorded up to here was no news any more
    PRIMARY KEY (person_id, job_id)
);
CREATE INDEX follow_of_job ON follow (job_id);
CREATE TABLE signal_choice (
    person_id integer PRIMARY KEY REFERENCES person,
    target_sound text NOT NULL DEFAULT 'rise',
    over_sound text NOT NULL DEFAULT 'warble',
    volume smallint NOT NULL DEFAULT 60 CHECK (volume BETWEEN 0 AND 100),
    until_seen boolean NOT NULL DEFAULT true   -- a hold that went over sounds again until somebody says "seen"
);
CREATE TABLE told_seen (
    person_id integer NOT NULL REFERENCES person,
    event_id bigint NOT NULL REFERENCES event,
    at timestamptz NOT NULL,
    PRIMARY KEY (person_id, event_id)
);
