-- Equipment: what setting up needs
-- Goes up with every new secret, so that a form sent twice does not make two.
ALTER TABLE gateway ADD COLUMN secret_number integer NOT NULL DEFAULT 1;
-- Out of service: opens no walk-up job and can be assigned to none; what it sends is kept still.
ALTER TABLE instrument ADD COLUMN retired_at timestamptz;
CREATE INDEX audit_of_subject ON audit (subject, id);
