-- Readings that outlive their retention because they served a job: packed by half hour and channel, in one form
-- for every database. What it means is in store/evidence.py.
CREATE TABLE evidence (
    instrument_id integer NOT NULL,
    quantity smallint NOT NULL,
    place_id smallint NOT NULL,
    starts timestamptz NOT NULL,               -- of the half hour, UTC
    n integer NOT NULL CHECK (n > 0),
    steps integer[] NOT NULL,                  -- µs from each reading to the next, in order of time and value;
                                               -- the first from "starts". Equal ones compress to nearly nothing.
    value double precision[] NOT NULL,
    arrived bigint[] NOT NULL,                 -- µs from each arrival to the next, as they stand beside "steps"
    PRIMARY KEY (instrument_id, quantity, place_id, starts),
    CHECK (cardinality(steps) = n AND cardinality(value) = n AND cardinality(arrived) = n)
);

-- The readings are laid out after the migrations, on each database in its own way.
SET LOCAL check_function_bodies = off;
-- A step within half an hour fits an integer. Sums of integers are exact and fast, those of double precision
-- also up to 2^53 µs, which are three centuries.
CREATE FUNCTION unpacked(
    starts timestamptz, steps integer[], value double precision[], arrived bigint[]
) RETURNS TABLE ("time" timestamptz, value double precision, arrived timestamptz)
LANGUAGE sql STABLE PARALLEL SAFE AS $$
    SELECT $1 + sum(p.step) OVER (ORDER BY p.i) * interval '1 microsecond', p.value,
           $1 + sum(p.wait::double precision) OVER (ORDER BY p.i) * interval '1 microsecond'
    FROM unnest($2, $3, $4) WITH ORDINALITY AS p (step, value, wait, i)
$$;
-- The readings of an instrument, both ends included, wherever they are. PostgreSQL puts the body in the place of the
-- call, so that conditions on it reach the indexes of both.
CREATE FUNCTION reading_of(instrument integer, since timestamptz, until timestamptz)
RETURNS TABLE (quantity smallint, place_id smallint, "time" timestamptz, value double precision,
    arrived timestamptz)
LANGUAGE sql STABLE PARALLEL SAFE AS $$
    SELECT r.quantity, r.place_id, r.time, r.value, r.arrived FROM reading r
    WHERE r.instrument_id = $1 AND r.time >= $2 AND r.time <= $3
    UNION ALL
    SELECT e.quantity, e.place_id, u.time, u.value, u.arrived
    FROM evidence e CROSS JOIN LATERAL unpacked(e.starts, e.steps, e.value, e.arrived) u
    WHERE e.instrument_id = $1 AND e.starts > $2 - interval '30 minutes' AND e.starts <= $3
      AND u.time >= $2 AND u.time <= $3
$$;
