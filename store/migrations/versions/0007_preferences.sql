-- How each person reads figures. Who has no row has chosen nothing. What is stored stays SI, whatever is chosen.
CREATE TABLE preference (
    person_id integer PRIMARY KEY REFERENCES person ON DELETE CASCADE,
    pressure_unit text NOT NULL CHECK (pressure_unit IN ('micron', 'Pa', 'hPa', 'mbar', 'Torr', 'kPa')),
    beside_unit text CHECK (beside_unit IN ('micron', 'Pa', 'hPa', 'mbar', 'Torr', 'kPa')),
                                               -- shown beside the first; NULL: none
    temperature_unit text NOT NULL CHECK (temperature_unit IN ('°C', '°F')),
    volume_unit text NOT NULL CHECK (volume_unit IN ('L', 'ft³')),
    locale text,                               -- BCP 47, or 'si'; NULL: what the browser says
    exact boolean NOT NULL
);
