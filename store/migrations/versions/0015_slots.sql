-- Sessions at the broker that ingest processes lease from each other, so that each is served by one at a time.
CREATE TABLE ingest_slot (
    session text PRIMARY KEY,
    -- alone: one process takes everything; share: a share of the packs; word: presence and outcomes.
    kind text NOT NULL CHECK (kind IN ('alone', 'share', 'word')),
    -- joining: the broker may not know it yet; serving: it brings messages; leaving: it is to be emptied and
    -- ended; gone: the broker has been told to forget it.
    state text NOT NULL DEFAULT 'joining' CHECK (state IN ('joining', 'serving', 'leaving', 'gone')),
    holder text NOT NULL,
    leased_until timestamptz NOT NULL
);

-- That of the process that takes everything alone, as it is called since the first release.
INSERT INTO ingest_slot VALUES ('holdfast-ingest', 'alone', 'serving', '', '-infinity');
