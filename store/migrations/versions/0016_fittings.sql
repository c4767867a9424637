-- What a pull-down is pumped with: a registered pump's rating is the instrument's, hose and hired pump are the job's.
ALTER TABLE instrument
    ADD COLUMN pump_m3_s double precision CHECK (pump_m3_s > 0),     -- rated pumping speed
    ADD COLUMN ultimate_pa double precision CHECK (ultimate_pa > 0), -- rated ultimate pressure
    ADD CHECK (ultimate_pa IS NULL OR pump_m3_s IS NOT NULL);

ALTER TABLE job
    ADD COLUMN pump_m3_s double precision CHECK (pump_m3_s > 0),     -- in place of the registered pumps'
    ADD COLUMN ultimate_pa double precision CHECK (ultimate_pa > 0),
    ADD COLUMN hose_bore_m double precision CHECK (hose_bore_m > 0),
    ADD COLUMN hose_length_m double precision CHECK (hose_length_m > hose_bore_m),
    ADD CHECK (ultimate_pa IS NULL OR pump_m3_s IS NOT NULL),
    ADD CHECK ((hose_bore_m IS NULL) = (hose_length_m IS NULL));
