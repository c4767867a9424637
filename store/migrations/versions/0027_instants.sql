-- Moments in the log of a plan are instants of RFC 3339 from now on; so far they were written as the site's clocks
-- had them, without a year: the one nearest to the line is meant.
CREATE FUNCTION pg_temp.with_instants(said text, near timestamptz, zone text) RETURNS text LANGUAGE plpgsql AS $$
DECLARE
    one text[];
    moment timestamptz;
BEGIN
    FOR one IN SELECT regexp_matches(said, '((?:Mon|Tue|Wed|Thu|Fri|Sat|Sun) (\d+) ([A-Z][a-z]{2}), (\d\d:\d\d))', 'g') LOOP
        SELECT at INTO moment FROM (
            SELECT to_timestamp(concat_ws(' ', extract(year FROM near) + year, one[3], one[2], one[4]), 'YYYY Mon DD HH24:MI')
                   AT TIME ZONE 'UTC' AT TIME ZONE zone AS at FROM generate_series(-1, 1) AS year) years
        ORDER BY abs(extract(epoch FROM at - near)) LIMIT 1;
        said := replace(said, one[1], to_char(moment AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"Z"'));
    END LOOP;
    RETURN said;
END $$;

UPDATE hold_plan_line l SET text = pg_temp.with_instants(l.text, l.at, s.time_zone)
FROM hold_plan h JOIN instrument i ON i.id = h.instrument_id JOIN gateway g ON g.id = i.gateway_id
JOIN site s ON s.id = g.site_id WHERE h.id = l.plan_id;

UPDATE hold_plan h SET progress = pg_temp.with_instants(h.progress::text, h.report_at, s.time_zone)::jsonb
FROM instrument i JOIN gateway g ON g.id = i.gateway_id JOIN site s ON s.id = g.site_id WHERE i.id = h.instrument_id;
