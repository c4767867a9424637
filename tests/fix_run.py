"""How a run behaves: a printed seed, and a switch that turns every skip into a failure."""

from __future__ import annotations

import os
import random
import secrets
from collections.abc import Generator

import pytest
from hypothesis import settings

SEED = "HOLDFAST_TEST_SEED"
NO_SKIPS = "HOLDFAST_NO_SKIPS"


def pytest_configure() -> None:
    # In the environment, so that every xdist worker has the same.
    os.environ.setdefault(SEED, str(secrets.randbelow(2**32)))
    # A busy machine is no fault of an example; how fast things are is measured in `bench/`.
    settings.register_profile("holdfast", deadline=None)
    settings.load_profile("holdfast")


def pytest_report_header() -> str:
    return f"seed: {SEED}={os.environ[SEED]}"


@pytest.fixture
def seed(request: pytest.FixtureRequest) -> int:
    """A seed of this test's own, from the run's seed, for any generator of random numbers."""
    return random.Random(f"{os.environ[SEED]}:{request.node.nodeid}").getrandbits(32)


@pytest.fixture
def rng(seed: int) -> random.Random:
    """Random numbers that `SEED` repeats."""
    return random.Random(seed)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if report.failed:
        report.sections.append(("seed", f"{SEED}={os.environ[SEED]}"))
    if report.skipped and not hasattr(report, "wasxfail"):
        _refuse_skip(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    report = yield
    if report.skipped:
        _refuse_skip(report)
    return report


def _refuse_skip(report: pytest.TestReport | pytest.CollectReport) -> None:
    if os.environ.get(NO_SKIPS) == "1":
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"{reason} (and {NO_SKIPS}=1 allows no skips)"
