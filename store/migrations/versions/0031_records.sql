-- Records of evacuations, signed, as they were handed out; and what they say of the company.

CREATE TABLE company (
    one boolean PRIMARY KEY DEFAULT true CHECK (one),
    name text NOT NULL,
    address text NOT NULL,                       -- lines
    pressure_unit text NOT NULL,
    temperature_unit text NOT NULL,
    volume_unit text NOT NULL,
    locale text NOT NULL,
    paper text NOT NULL CHECK (paper IN ('a4', 'letter'))
);

CREATE TABLE calibration (
    id integer PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    instrument_id integer NOT NULL REFERENCES instrument ON DELETE CASCADE,
    calibrated_on date NOT NULL,
    due_on date CHECK (due_on > calibrated_on),
    certificate text NOT NULL,
    UNIQUE (instrument_id, calibrated_on, certificate)
);

CREATE TABLE record_key (
    id text PRIMARY KEY,
    public_key bytea NOT NULL UNIQUE,            -- Ed25519, RFC 8032
    since timestamptz NOT NULL
);

CREATE TABLE record (
    id integer PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    job_id integer NOT NULL REFERENCES job,
    number integer NOT NULL,                     -- counts the records of a job
    made_at timestamptz NOT NULL,
    made_by integer REFERENCES person,
    body bytea NOT NULL,                         -- canonical, RFC 8785
    digest bytea NOT NULL,                       -- SHA-256 of body
    key_id text NOT NULL REFERENCES record_key,
    signature bytea NOT NULL,
    readings bytea NOT NULL,                     -- as they were then, packed by api.records.packing
    UNIQUE (job_id, number)
);
CREATE INDEX record_by_digest ON record (digest);
