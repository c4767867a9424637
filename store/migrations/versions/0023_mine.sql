-- Which crew somebody is in, and what people write down at a job
CREATE TABLE crew_of_person (
    person_id integer PRIMARY KEY REFERENCES person,
    crew_id integer NOT NULL REFERENCES crew
);
CREATE INDEX audit_opened_by ON audit (person_id) WHERE act = 'open-job';
CREATE TABLE job_note (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    job_id integer NOT NULL REFERENCES job,
    person_id integer REFERENCES person,       -- nobody: the command line
    at timestamptz NOT NULL,
    text text NOT NULL CHECK (text <> '')
);
CREATE INDEX job_note_of_job ON job_note (job_id, id);
