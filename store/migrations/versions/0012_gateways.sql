-- What did not fit into a gateway's share of the quarantine; '': of no registered gateway.
ALTER TABLE quarantine_overflow ADD COLUMN gateway text NOT NULL DEFAULT '';
ALTER TABLE quarantine_overflow DROP CONSTRAINT quarantine_overflow_pkey;
ALTER TABLE quarantine_overflow ADD PRIMARY KEY (gateway, reason);

-- How a gateway's clock goes against ours: the least time from sending to arrival in the window that began
-- at "since", and in the one before.
CREATE TABLE gateway_clock (
    gateway_id integer PRIMARY KEY REFERENCES gateway,
    since timestamptz NOT NULL,
    lag_us bigint NOT NULL,
    before_us bigint,                          -- NULL: nothing came in the window before
    packs integer NOT NULL,                    -- in this window
    at timestamptz NOT NULL                    -- of the last pack
);
-- How far it is ahead of ours [s], as far as is known: from few packs a clock is not said to be behind, for a
-- single one may just have come late.
CREATE VIEW gateway_clock_ahead AS
SELECT gateway_id, (-least(lag_us, before_us) / 1e6)::float8 AS ahead_s FROM gateway_clock
WHERE packs >= 5 OR before_us IS NOT NULL OR lag_us < 0;
