"""Fixtures for all tests; each kind has a module of its own."""

pytest_plugins = ("tests.fix_run", "tests.fix_postgres", "tests.fix_broker")
