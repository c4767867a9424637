"""The command line: what it prints, and errors as one sentence with status 2."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from model.clock import SystemClock
from ops import cli
from store import clocks, upkeep
from store.database import connect
from store.quarantine import Refusal, Room, put
from tests.ingest.helpers import register
from tests.store import history

Run = Callable[..., str]


@pytest.fixture(autouse=True)
def clean_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("SETTINGS", "DATABASE_URL", "MQTT_URL", "DATA_DIR", "HTTP_PORT", "REPLAY"):
        monkeypatch.delenv(f"HOLDFAST_{name}", raising=False)


def holdfast(monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    monkeypatch.setattr(sys, "argv", ["holdfast", *arguments])
    with pytest.raises(SystemExit) as end:
        cli.main()
    return int(end.value.code or 0)


@pytest.fixture
def run(database: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command on a fresh database and give back what it printed."""
    monkeypatch.setenv("HOLDFAST_DATABASE_URL", database)

    def command(*arguments: str) -> str:
        status = holdfast(monkeypatch, *arguments)
        printed = capsys.readouterr()
        assert status == 0, printed.err
        return printed.out

    return command


@pytest.fixture
def fails(database: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command that must fail with one line and status 2, and give back the line."""
    monkeypatch.setenv("HOLDFAST_DATABASE_URL", database)

    def command(*arguments: str) -> str:
        assert holdfast(monkeypatch, *arguments) == 2
        printed = capsys.readouterr()
        assert printed.out == ""
        assert printed.err.count("\n") == 1
        return printed.err.strip()

    return command


def test_a_site_a_gateway_and_a_gauge_are_registered_and_shown(run: Run) -> None:
    site = json.loads(run("site", "add", "Trial bench", "--time-zone", "Europe/Berlin", "--json"))
    gateway = json.loads(run("gateway", "add", "trial-gw", "--site", "Trial bench", "--json"))
    assert gateway["site_id"] == site["id"]
    assert len(gateway["password"]) >= 24
    gauge = json.loads(
        run(
            "instrument", "add", "trial-gw/gauge-1", "--role", "gauge", "--interval", "10",
            "--unit", "Microns", "--range-high", "20000 micron", "--json",
        )
    )  # fmt: skip
    assert gauge["unit"] == "micron"
    # 20,000 conventional micrometres of mercury at 0.133322387415 Pa
    assert gauge["range_high_pa"] == pytest.approx(2666.4477483, rel=1e-9)
    assert json.loads(run("site", "show", "Trial bench", "--json"))["gateways"] == ["trial-gw"]
    assert json.loads(run("gateway", "show", "trial-gw", "--json"))["instruments"] == ["gauge-1"]
    assert "password" not in run("gateway", "list", "--json")
    assert "gauge-1" in run("instrument", "list", "--gateway", "trial-gw")
    assert "Trial bench" in run("site", "list")


def test_a_gateway_s_clock_is_shown_and_what_is_wrong_with_it(run: Run, database: str) -> None:
    run("site", "add", "Bench", "--time-zone", "UTC")
    run("gateway", "add", "gw-one", "--site", "Bench")
    assert json.loads(run("gateway", "list", "--json"))[0]["clock_ahead_s"] is None
    with connect(database, application="test") as connection:
        clocks.note(connection, {"gw-one": clocks.Lag(-42_000_000, 9, 1_780_000_000_000_000)})
    assert json.loads(run("gateway", "list", "--json"))[0]["clock_ahead_s"] == 42
    assert "42 s or more ahead of ours" in json.loads(run("gateway", "show", "gw-one", "--json"))["clock"]
    assert "42 s or more ahead of ours" in run("gateway", "show", "gw-one")
    assert json.loads(run("gateway", "delete", "gw-one", "--json"))["deleted"] is True


def test_a_revoked_gateway_is_shown_as_revoked(run: Run) -> None:
    run("site", "add", "Bench", "--time-zone", "UTC")
    run("gateway", "add", "gw-one", "--site", "Bench")
    assert json.loads(run("gateway", "revoke", "gw-one", "--json"))["revoked"] is True


def test_a_person_gets_a_password_once(run: Run) -> None:
    made = json.loads(run("user", "add", "Mara", "--role", "dispatcher", "--json"))
    assert made["login"] == "mara"
    assert len(made["password"]) >= 10
    assert made["password"] not in run("user", "show", "mara") + run("user", "list", "--json")


def test_a_procedure_shows_the_smallest_rise_that_it_can_show(run: Run) -> None:
    # Rule page: 10 l, 500 to 2500 micron, 30 min with 2 min settling: 1.59e-3 Pa·m³/s.
    usual = json.loads(run("procedure", "show", "1", "--json"))
    assert usual["smallest_rise_pa_per_s"] * 0.010 == pytest.approx(1.59e-3, rel=0.003)
    assert "smallest_rise_pa_per_s" in run("procedure", "list")


def test_a_procedure_of_the_same_name_is_its_next_version(run: Run) -> None:
    options = ("--target", "500 micron", "--hold", "30 min", "--limit", "1000 micron",
               "--origin", "trial")  # fmt: skip
    first = json.loads(run("procedure", "add", "Bench", *options, "--json"))
    second = json.loads(run("procedure", "add", "Bench", *options, "--rise", "300 micron", "--json"))
    assert (first["version"], second["version"]) == (1, 2)
    assert second["hold_s"] == 1800.0
    assert json.loads(run("procedure", "show", "Bench", "--json"))["version"] == 2
    assert "Bench" in run("procedure", "list")


def test_quarantine_is_listed_and_replayed(run: Run, database: str) -> None:
    now_us = round(datetime(2026, 3, 1, tzinfo=UTC).timestamp()) * 1_000_000
    refusal = Refusal(
        now_us, "hf/1/gw-one/g1/data", "gw-one", "unknown-gateway", "Nobody knows gw-one.",
        b'[{"n":"pressure","u":"Pa","v":40}]',
    )  # fmt: skip
    with connect(database, application="test") as connection:
        put(connection, [refusal], Room(10_000))
    listed = json.loads(run("quarantine", "list", "--json"))
    assert [row["reason"] for row in listed] == ["unknown-gateway"]
    assert (
        json.loads(run("quarantine", "list", "--text", "GW-ONE", "--reason", "unknown-gateway", "--json"))
        == listed
    )
    assert json.loads(run("quarantine", "list", "--text", "%", "--json")) == []
    [share] = json.loads(run("quarantine", "shares", "--json"))
    assert (share["gateway"], share["refusals"], share["only_counted"]) == (None, 1, {})
    assert "(none registered)" in run("quarantine", "shares")
    assert json.loads(run("quarantine", "replay", "--json"))["still_refused"] == 1
    run("site", "add", "Bench", "--time-zone", "UTC")
    run("gateway", "add", "gw-one", "--site", "Bench")
    run("instrument", "add", "gw-one/g1", "--role", "gauge")
    assert json.loads(run("quarantine", "replay", "--json")) == {
        "readings": 1,
        "mended": 1,
        "still_refused": 0,
    }


def test_a_refused_message_is_given_out_byte_for_byte(
    database: str, monkeypatch: pytest.MonkeyPatch, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    monkeypatch.setenv("HOLDFAST_DATABASE_URL", database)
    raw = bytes(range(256)) + b"\r\n\0"
    with connect(database, application="test") as connection:
        put(connection, [Refusal(0, "hf/1/gw-one/g1/data", None, "text", "-", raw)], Room(10_000))
        row = connection.execute("SELECT id FROM quarantine").fetchone()
    assert row is not None
    assert holdfast(monkeypatch, "quarantine", "raw", str(row["id"])) == 0
    assert capsysbinary.readouterr().out == raw
    assert holdfast(monkeypatch, "quarantine", "raw", str(row["id"] + 1)) == 2
    said = capsysbinary.readouterr()
    assert said.out == b""
    assert b"There is no refused message" in said.err


def test_logs_are_judged_one_json_object_a_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    rising = tmp_path / "rising.csv"
    # A straight rise from 400 micron by 2 micron a second: over 1000 micron after five minutes.
    rows = "".join(f"{second},{400 + 2 * second}\n" for second in range(0, 1800, 10))
    rising.write_text("time,pressure\n" + rows)
    options = ("--unit", "micron", "--limit", "1000 micron", "--whole-file-is-hold")
    assert holdfast(monkeypatch, "diagnose", str(rising), str(rising), *options, "--json") == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(line["file"], line["hold"]["verdict"]) for line in lines] == [(str(rising), "failed")] * 2
    assert holdfast(monkeypatch, "diagnose", str(rising), *options) == 0
    assert "1000 micron" in capsys.readouterr().out
    for wrong in (["missing.csv"], [str(rising), "--volume", "12 furlongs"], [str(tmp_path)]):
        assert holdfast(monkeypatch, "diagnose", *wrong) == 2
        assert capsys.readouterr().err.count("\n") == 1


def test_a_log_that_cannot_be_read_does_not_keep_the_others_from_being_judged(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    good, empty, leak = (tmp_path / f"{name}.csv" for name in ("good", "empty", "leak"))
    for file, pa_per_s in ((good, 0.001), (leak, 0.5)):
        rows = (f"{second},{40 + pa_per_s * second}\n" for second in range(0, 1800, 10))
        file.write_text("time,pressure (Pa)\n" + "".join(rows))
    empty.write_text("")
    command = ("diagnose", str(good), str(empty), str(leak), "--whole-file-is-hold")
    assert holdfast(monkeypatch, *command, "--json") == 2
    printed = capsys.readouterr()
    lines = [json.loads(line) for line in printed.out.splitlines()]
    assert [line["file"] for line in lines] == [str(good), str(empty), str(leak)]
    assert [lines[0]["hold"]["verdict"], lines[2]["hold"]["verdict"]] == ["passed", "failed"]
    assert lines[1] == {"file": str(empty), "error": "empty.csv is empty."}
    assert printed.err == "empty.csv is empty.\n"
    assert holdfast(monkeypatch, *command) == 2
    printed = capsys.readouterr()
    assert printed.err == "empty.csv is empty.\n"
    assert [word in printed.out for word in ("Passed", "Failed", "empty")] == [True, True, False]
    # What is wrong with an option names no file by itself.
    assert holdfast(monkeypatch, "diagnose", str(good), "--isolated-at", "9999") == 2
    assert capsys.readouterr().err == f"{good}: '9999' lies outside the times of the file.\n"


def test_migrating_twice_is_harmless(run: Run) -> None:
    assert run("migrate", "--json") == run("migrate", "--json")


@pytest.mark.parametrize(
    ("command", "sentence"),
    [
        (["site", "show", "Nowhere"], "There is no site 'Nowhere'."),
        (["site", "add", "X", "--time-zone", "Mars/Base"], "'Mars/Base' is no time zone"),
        (["gateway", "add", "Bad Name", "--site", "1"], "site"),
        (["instrument", "add", "gauge-1", "--role", "gauge"], "GATEWAY/NAME"),
        (["instrument", "add", "a/b", "--role", "teapot"], "teapot"),
        (["user", "add", "x", "--role", "king"], "'king' is no role"),
        (["procedure", "add", "P", "--target", "500", "--hold", "1 h", "--origin", "x"], "unit"),
        (["frobnicate"], "No such command 'frobnicate'."),
        (["site", "add", "X"], "--time-zone"),
    ],
)
def test_errors_are_one_sentence(fails: Run, command: list[str], sentence: str) -> None:
    assert sentence in fails(*command)


def test_without_anything_running_the_sentence_says_what_to_do(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert holdfast(monkeypatch, "site", "list") == 2
    assert "run `holdfast demo` or `holdfast up`" in capsys.readouterr().err


def test_a_database_that_does_not_answer_is_an_error_in_one_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], free_port: int
) -> None:
    monkeypatch.setenv("HOLDFAST_DATABASE_URL", f"postgresql://u@127.0.0.1:{free_port}/x")
    for command in (["site", "list"], ["migrate"]):
        assert holdfast(monkeypatch, *command) == 2
        error = capsys.readouterr().err
        assert error.startswith("The database does not answer: ")
        assert error.count("\n") == 1


def test_settings_come_from_a_file_too_and_the_environment_wins(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, database: str, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "office.env"
    file.write_text("HOLDFAST_DATABASE_URL=postgresql://u@127.0.0.1:1/nowhere\nOTHER=1\n")
    monkeypatch.setenv("HOLDFAST_SETTINGS", str(file))
    assert holdfast(monkeypatch, "site", "list") == 2
    monkeypatch.setenv("HOLDFAST_DATABASE_URL", database)
    assert holdfast(monkeypatch, "site", "list") == 0
    monkeypatch.setenv("HOLDFAST_SETTINGS", str(tmp_path / "missing"))
    assert holdfast(monkeypatch, "site", "list") == 2
    assert "There is no settings file" in capsys.readouterr().err


def test_a_setting_that_cannot_be_used_is_named(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, value in (
        ("HTTP_PORT", "seventy"),
        ("DATABASE_URL", "not a string of the kind"),
        ("WEBHOOK_URL", "ftp://x"),
    ):
        monkeypatch.setenv(f"HOLDFAST_{name}", value)
        assert holdfast(monkeypatch, "site", "list") == 2
        error = capsys.readouterr().err
        assert error.startswith(f"HOLDFAST_{name} cannot be used")
        assert error.count("\n") == 1
        monkeypatch.delenv(f"HOLDFAST_{name}")


# Upkeep -----------------------------------------------------------------------------------------------


@pytest.fixture
def past(database: str, monkeypatch: pytest.MonkeyPatch) -> int:
    """A database with a day of readings from forty days ago; how many."""
    register(database)
    rows = history.every(1, history.midnight_us(40), history.midnight_us(39))
    with connect(database, application="test", autocommit=True) as conn:
        history.put(conn, rows)
    now_us = SystemClock().now_us()
    monkeypatch.setenv("HOLDFAST_KEEP_DAYS", str((now_us - history.midnight_us(40)) // history.DAY_US - 2))
    return len(rows)


def test_tend_says_first_what_it_would_do_and_then_what_it_did(run: Run, past: int) -> None:
    part = history.part_of(history.midnight_us(40))
    told = run("tend", "--dry-run")
    assert "nothing was done, this is what would be" in told
    done = json.loads(run("tend", "--json"))
    assert done["emptied"] == past
    assert done["made"][0] == part
    assert done["dropped"] == [part]
    assert json.loads(run("tend", "--json"))["dropped"] == []


def test_tend_keeps_everything_unless_it_is_told_otherwise(
    run: Run, past: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("HOLDFAST_KEEP_DAYS")
    assert json.loads(run("tend", "--json"))["dropped"] == []
    monkeypatch.setenv("HOLDFAST_KEEP_DAYS", "30")
    assert len(json.loads(run("tend", "--json", "--dry-run"))["dropped"]) == 1


def test_tend_leaves_a_database_alone_that_somebody_tends(fails: Run, database: str) -> None:
    with connect(database, application="test", autocommit=True) as conn:
        conn.execute("SELECT pg_advisory_lock(%s)", (upkeep.LOCK,))
        assert "being tended already" in fails("tend")
