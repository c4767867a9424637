"""The demo: the company is registered once, and its clock and passwords stay."""

from __future__ import annotations

import stat
from pathlib import Path

import bcrypt
import pytest

from model.clock import US, ReplayClock, SystemClock
from ops import company
from ops.demo import Progress
from ops.fleet import RESUME_US, last_reading_us, pages_of, resume_from
from ops.installation import Installation, file_of, read
from ops.rooms import Wiring
from ops.settings import Settings
from simulator import scenario as scenarios
from store import equipment, people
from store.database import connect


def prepared(database: str, folder: Path, installation: Installation) -> Installation:
    return company.prepare(Settings(data_dir=folder), database, installation)


def test_the_company_is_registered_once_with_the_passwords_that_are_remembered(
    database: str, tmp_path: Path
) -> None:
    first = prepared(database, tmp_path, Installation("demo"))
    assert read(tmp_path) == first
    assert prepared(database, tmp_path, first) == first
    with connect(database, application="test") as connection:
        logins = {login.name: login.secret_bcrypt for login in equipment.gateway_logins(connection)}
        assert set(logins) == set(first.gateways)
        for name, digest in logins.items():
            assert bcrypt.checkpw(first.gateways[name].encode(), digest.encode())
        assert first.login is not None
        person = people.check_password(connection, first.login.login, first.login.password)
        assert person is not None
        assert person.role == "administrator"
        (counts,) = connection.execute(
            "SELECT (SELECT count(*) FROM site) AS sites, (SELECT count(*) FROM job) AS jobs, "
            "(SELECT count(DISTINCT job_id) FROM assignment WHERE deciding) AS judged"
        ).fetchall()
    assert counts == {"sites": 6, "jobs": 6, "judged": 6}


def test_a_start_that_was_killed_before_the_company_was_registered_goes_on_with_its_passwords(
    database: str, tmp_path: Path
) -> None:
    remembered = prepared(database, tmp_path, Installation("demo"))
    with connect(database, application="test") as connection:
        connection.execute(
            "TRUNCATE person, site, circuit, crew, gateway, instrument, job, assignment CASCADE"
        )
    assert prepared(database, tmp_path, remembered) == remembered
    with connect(database, application="test") as connection:
        assert len(equipment.gateway_logins(connection)) == len(remembered.gateways)


def test_the_clock_begins_on_an_evening_and_meets_the_present_soon(database: str, tmp_path: Path) -> None:
    installation = prepared(database, tmp_path, Installation("demo"))
    assert installation.replay is not None
    clock = ReplayClock.parse(installation.replay)
    assert clock.start_us == scenarios.demo_start_us(clock.real0_us)
    assert clock.meets_us - clock.real0_us == pytest.approx(company.CATCH_UP_S * US, abs=US)


def test_the_technician_has_a_login_also_in_a_folder_of_before(database: str, tmp_path: Path) -> None:
    first = prepared(database, tmp_path, Installation("demo"))
    assert first.technician is not None
    with connect(database, application="test") as connection:
        person = people.check_password(connection, first.technician.login, first.technician.password)
        assert person is not None
        assert person.role == "technician"
        connection.execute("DELETE FROM audit")
        connection.execute("DELETE FROM person WHERE role = 'technician'")
    assert stat.S_IMODE(file_of(tmp_path).stat().st_mode) == 0o600
    again = prepared(database, tmp_path, first.with_(technician=None))
    assert again.technician is not None
    assert read(tmp_path) == again
    with connect(database, application="test") as connection:
        assert people.check_password(connection, again.technician.login, again.technician.password)


@pytest.mark.parametrize(
    ("wiring", "address"),
    [
        (Wiring("", technician=["t", "secret"]), "http://127.0.0.1:8080"),
        (Wiring("", http_address="0.0.0.0", http_port=81, technician=["t", "secret"]), "http://127.0.0.1:81"),
        (Wiring("", http_address="::1", technician=["t", "secret"]), "http://[::1]:8080"),
        (Wiring(""), None),
    ],
)
def test_where_the_technician_finds_the_pages(wiring: Wiring, address: str | None) -> None:
    pages = pages_of(wiring)
    assert (pages.address if pages else None) == address
    assert "secret" not in repr(pages)


HOUR_US = 3600 * US


@pytest.mark.parametrize(
    ("began_h_ago", "last_h_ago", "resumed_h_ago"),
    [
        # Nothing was stored yet: from the beginning.
        (0.0, None, None),
        # Killed while the night ran past: from the last reading.
        (2.0, 10.0, 10.0),
        # The present was met, and it was away for a moment: nothing is left out.
        (2.0, 0.1, 0.1),
        # It was away for an hour: a gap.
        (2.0, 1.0, 0.0),
    ],
)
def test_where_the_fleet_goes_on(
    began_h_ago: float, last_h_ago: float | None, resumed_h_ago: float | None
) -> None:
    now_us = SystemClock().now_us()
    real0_us = now_us - round(began_h_ago * HOUR_US)
    clock = ReplayClock(real0_us, real0_us - 20 * HOUR_US, 1801.0)
    last_us = None if last_h_ago is None else now_us - round(last_h_ago * HOUR_US)
    found = resume_from(clock, last_us)
    if resumed_h_ago is None:
        assert found is None
    else:
        assert found == pytest.approx(now_us - resumed_h_ago * HOUR_US, abs=RESUME_US / 10)


def test_without_readings_there_is_no_last_one(database: str) -> None:
    assert last_reading_us(database) is None


def test_a_wiring_survives_being_handed_over() -> None:
    wiring = Wiring(
        "postgresql:///x", "mqtt://u:p@h:1", "::1", 80, webhook_url="http://w/", replay="2:1:3.0",
        gateways={"gw": "ß\n"}, seed=7, technician=["ines", "ß\n"],
    )  # fmt: skip
    assert "\n" not in wiring.text()
    assert Wiring.parse(wiring.text()) == wiring


def test_progress_ends_when_the_present_is_met(capsys: pytest.CaptureFixture[str]) -> None:
    now_us = SystemClock().now_us()
    running = Installation("demo", replay=ReplayClock(now_us, now_us - HOUR_US, 2.0).text())
    past = ReplayClock(now_us - HOUR_US, now_us - HOUR_US - US, 2.0)
    progress = Progress()
    progress.show(running)
    progress.show(running)
    assert capsys.readouterr().out.count("\n") == 1
    over = Progress()
    over.show(Installation("demo", replay=past.text()))
    over.show(Installation("demo", replay=past.text()))
    assert capsys.readouterr().out == "The night is over: the clock goes with the present now.\n"
