-- What people have proved with their own hands before a hold is left to itself; added, never changed
CREATE TABLE proof (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    kind text NOT NULL CHECK (kind IN ('rig', 'power')),
    job_id integer NOT NULL REFERENCES job,          -- at which it was proved
    instrument_id integer REFERENCES instrument,     -- the valve
    person_id integer REFERENCES person,             -- nobody: the command line
    at timestamptz NOT NULL,
    passed boolean NOT NULL,
    text text NOT NULL CHECK (text <> ''),
    CHECK ((kind = 'power') = (instrument_id IS NOT NULL))
);
CREATE INDEX proof_of_job ON proof (job_id, kind, id);
CREATE INDEX proof_of_instrument ON proof (instrument_id, id);
