-- Messages of a gateway are being refused: an episode, kept up by whoever takes messages in, until it has been
-- quiet for a while. '': names of no registered gateway, all together.
CREATE TABLE refusal_episode (
    gateway text PRIMARY KEY,
    since timestamptz NOT NULL,
    at timestamptz NOT NULL,                   -- of the last refused message
    messages bigint NOT NULL,
    beyond bigint NOT NULL,                    -- of them only counted, or laid aside unread
    reason text NOT NULL,                      -- of the last one, with its sentence
    sentence text NOT NULL,
    told bigint NOT NULL DEFAULT 0,            -- how many there were when it was told last
    told_beyond boolean NOT NULL DEFAULT false
);

-- Since when a gateway's clock has seemed wrong, and how far ahead it was when that was told last [s].
ALTER TABLE gateway_clock ADD COLUMN suspected_at timestamptz, ADD COLUMN told_s float8;
