-- Opening a valve from afar: off until an administrator turns it on for a site, and names who may.
ALTER TABLE site ADD COLUMN opening_from_afar boolean NOT NULL DEFAULT false;
CREATE TABLE site_opener (
    site_id integer NOT NULL REFERENCES site,
    person_id integer NOT NULL REFERENCES person,
    PRIMARY KEY (site_id, person_id)
);

ALTER TABLE valve_order
    ADD COLUMN overridden text[] NOT NULL DEFAULT '{}',     -- interlocks that hindered, by id
    ADD COLUMN override_reason text NOT NULL DEFAULT '',    -- why it was given all the same, in the person's words
    ADD COLUMN holds boolean,                  -- of a closing that is done: the pressure agrees. NULL: not known (yet)
    ADD COLUMN watch text CHECK (watch IN ('falls', 'unsafe', 'shut')), -- of an opening: what its watch has seen
    ADD CHECK ((overridden = '{}') = (override_reason = '')),
    ADD CHECK (action = 'close' OR (require ? 'pump_running_s' AND require ? 'position'));
