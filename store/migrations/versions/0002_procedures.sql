-- Procedures to start from; pressures in Pa from micron (0.133322387415 Pa). Each names its origin.
-- Contract, local code and the equipment maker come first.
INSERT INTO procedure (name, target_pa, dwell_s, hold_s, settle_s, limit_pa, origin, is_default) VALUES
('Usual: 500, at most 2500 micron after 30 min', 66.6611937075, 60, 1800, 120, 333.3059685375,
 'Common practice, no source. A lax rule: see the smallest leak it can show.', true),
('Strict: 500, at most 1000 micron after 30 min', 66.6611937075, 60, 1800, 120, 133.322387415,
 'From memory of codes and manuals, not read.', false),
('Guide specification: 300, at most 500 micron after 1 h', 39.9967162245, 60, 3600, 120, 66.6611937075,
 'UFGS 15182, section 3.3.3: reach 300 micron, stand 1 h; over 500 micron: evacuate again.', false),
('Makers'' manuals: 500, at most 700 micron after 15 min', 66.6611937075, 60, 900, 120, 93.3256711905,
 'Range found in makers'' installation manuals: reach 250 to 500 micron, 15 min, 500 to 700 micron permitted.', false),
('Overnight: 500, at most 1000 micron after 10 h', 66.6611937075, 60, 36000, 600, 133.322387415,
 'Our own choice: the strict pair over a night, which sees a leak twenty times smaller than half an hour does.', false),
('Short check: 500, at most 1000 micron after 10 min', 66.6611937075, 60, 600, 60, 133.322387415,
 'Our own choice, for a first look only: ten minutes show large leaks.', false);
INSERT INTO procedure (name, target_pa, dwell_s, hold_s, settle_s, limit_pa, breaks, origin) VALUES
('Triple evacuation: 500, at most 1000 micron after 30 min, two breaks', 66.6611937075, 60, 1800, 120,
 133.322387415, 2, 'Common practice, no source: three pulls with dry nitrogen between them.');
