-- Jobs: merging, corrected assignments

ALTER TABLE job
    ADD COLUMN merged_into integer REFERENCES job CHECK (merged_into <> id), -- its instruments went there
    ADD COLUMN kept_open boolean NOT NULL DEFAULT false; -- a person opened it again: only a person closes it

-- Without a job: a person took the instrument away for that span, and no walk-up job opens there by itself.
-- The fixed ends were given by a person: the rule for walk-up jobs moves the others only.
ALTER TABLE assignment
    ALTER COLUMN job_id DROP NOT NULL,
    ADD COLUMN since_fixed boolean NOT NULL DEFAULT false,
    ADD COLUMN until_fixed boolean NOT NULL DEFAULT false,
    ADD CHECK (job_id IS NOT NULL OR NOT deciding);
UPDATE assignment a SET since_fixed = true FROM job j WHERE j.id = a.job_id AND NOT j.walk_up;

-- An instrument serves one job at a time. Until now only two open ends were refused: of two that overlap the
-- later one stays whole, as if the earlier one had ended there.
DELETE FROM assignment a USING assignment b
WHERE b.instrument_id = a.instrument_id AND b.since = a.since AND b.id > a.id;
UPDATE assignment a SET until = b.since
FROM (SELECT id, lead(since) OVER (PARTITION BY instrument_id ORDER BY since) AS since FROM assignment) b
WHERE b.id = a.id AND (a.until IS NULL OR a.until > b.since);
DROP INDEX assignment_one_at_a_time;
-- The number stands as a range of one, so that no extension is needed. Deferrable, so that an end and the
-- beginning that lies on it can be moved one after the other (SET CONSTRAINTS … DEFERRED).
ALTER TABLE assignment ADD CONSTRAINT assignment_one_at_a_time EXCLUDE USING gist (
    int4range(instrument_id, instrument_id, '[]') WITH &&, tstzrange(since, until) WITH &&
) DEFERRABLE INITIALLY IMMEDIATE;

-- Why a job is judged anew, until that is done: the reason of the verdicts that change by it
ALTER TABLE track ADD COLUMN because text NOT NULL DEFAULT '';
