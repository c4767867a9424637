-- Walk-up jobs

-- Where late readings put the beginning elsewhere, a job stays with the evacuation that people know it by.
ALTER TABLE job
    ADD COLUMN known_at timestamptz,           -- the low reading that first opened it; NULL: opened_at still
    ADD COLUMN withdrawn_at timestamptz;       -- late readings showed that there was no such walk-up job

-- A fact moves with what it is about; beyond some minutes it is told again.
ALTER TABLE fact ADD COLUMN told_at timestamptz; -- the subject_at that was told; NULL: the present one

-- That a walk-up job was opened, or a job closed by the rule, is a fact that late readings may move.
INSERT INTO fact (job_id, kind, subject_at, happened_at, text, data)
SELECT e.job_id, e.kind, e.happened_at, e.happened_at, e.text, e.data FROM event e JOIN job j ON j.id = e.job_id
WHERE e.subject = 'job:' || j.id AND (e.kind = 'job-opened' AND j.walk_up AND e.happened_at = j.opened_at
   OR e.kind = 'job-closed' AND j.closed_by_rule AND e.happened_at = j.closed_at)
ON CONFLICT DO NOTHING;
