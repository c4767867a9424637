"""A PostgreSQL and an MQTT broker of our own, run as child processes."""
