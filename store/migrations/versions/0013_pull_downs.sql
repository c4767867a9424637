-- What is said of the running pull-down of a job; detail is the PullEstimate as JSON. It belongs to the phase that
-- began then; that of an earlier pull-down stays until there is another.
CREATE TABLE pull_down (
    job_id integer PRIMARY KEY REFERENCES job,
    started_at timestamptz NOT NULL,
    at timestamptz NOT NULL,                   -- of the last reading that was looked at
    detail jsonb NOT NULL
);
