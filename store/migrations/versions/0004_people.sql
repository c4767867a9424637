-- People: invitations, tokens for machines, passwords

-- A machine's token acts under its own name wherever a person is named: it has a row of role 'machine' here,
-- without a password. A person who was invited has none either until the invitation is used.
ALTER TABLE person ALTER COLUMN password_hash DROP NOT NULL;
ALTER TABLE person DROP CONSTRAINT person_role_check;
ALTER TABLE person ADD CONSTRAINT person_role_check
    CHECK (role IN ('technician', 'dispatcher', 'manager', 'administrator', 'machine'));
ALTER TABLE person ADD CONSTRAINT person_machine_has_no_password
    CHECK (role <> 'machine' OR password_hash IS NULL);
ALTER TABLE person ADD COLUMN password_set_at timestamptz;

ALTER TABLE login_session ADD COLUMN id bigint GENERATED ALWAYS AS IDENTITY UNIQUE;
ALTER TABLE login_session ADD COLUMN last_seen_at timestamptz;
ALTER TABLE login_session ADD COLUMN browser text NOT NULL DEFAULT '';
CREATE INDEX login_session_person ON login_session (person_id);

-- A link by which somebody sets a password of their own: an invitation, or after a forgotten password. Used once.
CREATE TABLE password_link (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    token_digest bytea NOT NULL UNIQUE,        -- SHA-256; the link itself is never stored
    person_id integer NOT NULL REFERENCES person,
    kind text NOT NULL CHECK (kind IN ('invitation', 'reset')),
    made_by integer REFERENCES person,         -- NULL: the command line
    created_at timestamptz NOT NULL,
    expires_at timestamptz NOT NULL,
    used_at timestamptz,
    withdrawn_at timestamptz
);
CREATE UNIQUE INDEX password_link_one_open ON password_link (person_id)
    WHERE used_at IS NULL AND withdrawn_at IS NULL;

CREATE TABLE machine_token (
    id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    person_id integer NOT NULL UNIQUE REFERENCES person, -- its own row, under whose name it acts
    name text NOT NULL CHECK (name <> ''),
    short text NOT NULL UNIQUE,                -- the beginning of the token, to recognise it by
    token_digest bytea NOT NULL UNIQUE,        -- SHA-256; the token itself is never stored
    scopes text[] NOT NULL CHECK (cardinality(scopes) > 0),
    made_by integer REFERENCES person,         -- NULL: the command line
    created_at timestamptz NOT NULL,
    expires_at timestamptz NOT NULL,
    last_used_at timestamptz,
    revoked_at timestamptz
);
CREATE UNIQUE INDEX machine_token_name ON machine_token (lower(name)) WHERE revoked_at IS NULL;
