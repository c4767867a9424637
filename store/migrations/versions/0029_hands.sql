-- On which side of the valve a gauge sat while it served: what a person said of this assignment. NULL: where
-- the instrument is registered, as for all that were made before.
ALTER TABLE assignment ADD COLUMN side text CHECK (side IN ('circuit', 'pump'));

-- How far the guided checks of a job have come, press by press: a press that is undone stays, struck out.
CREATE TABLE check_step (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    job_id integer NOT NULL REFERENCES job,
    kind text NOT NULL CHECK (kind IN ('rig', 'find')),
    act text NOT NULL CHECK (act IN ('name', 'begin', 'read', 'again', 'keep', 'anew')),
    at timestamptz NOT NULL,
    person_id integer REFERENCES person,
    sections text[] NOT NULL DEFAULT '{}',      -- of 'name'
    undone_at timestamptz,
    undone_by integer REFERENCES person
);
CREATE INDEX check_step_of_job ON check_step (job_id, kind, id);
