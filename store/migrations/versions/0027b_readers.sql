-- Who is told how a hold plan went; so far that was who made it
CREATE TABLE hold_plan_reader (
    plan_id integer NOT NULL REFERENCES hold_plan,
    person_id integer NOT NULL REFERENCES person,
    PRIMARY KEY (plan_id, person_id)
);
INSERT INTO hold_plan_reader (plan_id, person_id)
    SELECT h.id, h.made_by FROM hold_plan h JOIN person p ON p.id = h.made_by WHERE p.role <> 'machine';
