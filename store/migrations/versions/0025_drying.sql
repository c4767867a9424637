-- Drying rounds of hold plans: what was chosen, and the states in which a plan opens a valve and pumps
ALTER TABLE hold_plan
    ADD COLUMN drying jsonb,                   -- null: off; model.hold_plan.Drying
    DROP CONSTRAINT hold_plan_state_check,
    ADD CONSTRAINT hold_plan_state_check CHECK (state IN (
        'waiting', 'closing', 'holding', 'weighing', 'opening', 'drying', 'ended', 'called-off'));
DROP INDEX one_live_plan_of_valve;
CREATE UNIQUE INDEX one_live_plan_of_valve ON hold_plan (instrument_id)
    WHERE state NOT IN ('ended', 'called-off');
