"""``holdfast job``: what it prints, and mistakes as sentences with status 2."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from ops import cli
from store.database import connect


@pytest.fixture(autouse=True)
def clean_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, database: str) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("HOLDFAST_DATABASE_URL", database)


@pytest.fixture
def holdfast(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Any]:
    """Run a command; gives back what its JSON says, or the sentence with which it fails."""

    def command(*arguments: str, fails: bool = False) -> Any:
        monkeypatch.setattr(sys, "argv", ["holdfast", *arguments])
        with pytest.raises(SystemExit) as end:
            cli.main()
        printed = capsys.readouterr()
        assert int(end.value.code or 0) == (2 if fails else 0), printed
        if fails:
            assert printed.out == ""
            return printed.err.strip()
        return json.loads(printed.out) if "--json" in arguments else printed.out

    return command


@pytest.fixture
def equipped(holdfast: Callable[..., Any]) -> Callable[..., Any]:
    """A site with a gateway, a gauge and a valve."""
    holdfast("site", "add", "Quay", "--time-zone", "Europe/Berlin")
    holdfast("gateway", "add", "gw-1", "--site", "Quay")
    holdfast("instrument", "add", "gw-1/g1", "--role", "gauge")
    holdfast("instrument", "add", "gw-1/v1", "--role", "valve")
    return holdfast


def test_a_job_from_its_opening_to_its_end(equipped: Callable[..., Any]) -> None:
    job = equipped(
        "job", "add", "Rack 2", "--site", "Quay", "--start", "2025-11-24 18:30",
        "--instrument", "gw-1/g1", "--instrument", "gw-1/v1", "--json",
    )  # fmt: skip
    assert job["state"] == "planned"
    assert [one["deciding"] for one in job["assignments"]] == [True, False]
    # 18:30 in Berlin in November (UTC+1).
    since = datetime.fromisoformat(job["assignments"][0]["since"])
    assert since == datetime(2025, 11, 24, 17, 30, tzinfo=UTC)
    number = str(job["id"])
    gauge = str(job["assignments"][0]["assignment_id"])
    again = equipped("job", "correct", gauge, "--until", "2025-11-24 20:00", "--json")
    assert again["assignments"][0]["until"] is not None
    other = equipped("job", "add", "Rack 3", "--site", "Quay", "--json")
    merged = equipped("job", "merge", number, str(other["id"]), "--json")
    assert merged["id"] == job["id"]
    assert equipped("job", "show", str(other["id"]), "--json")["merged_into"] == job["id"]
    assert equipped("job", "close", number, "--note", "Done.", "--json")["note"] == "Done."
    assert equipped("job", "reopen", number, "--json")["closed_at"] is None
    assert equipped("job", "change", number, "--title", "Rack 2a", "--json")["title"] == "Rack 2a"
    listed = equipped("job", "list", "--state", "closed", "--json")
    assert [row["id"] for row in listed] == [other["id"]]
    assert "gw-1" in equipped("job", "show", number)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("add", "", "--site", "Quay"), "A job needs a title."),
        (("add", "X", "--site", "Nowhere"), "There is no site 'Nowhere'."),
        (("add", "X", "--site", "Quay", "--crew", "Nobody"), "There is no crew 'Nobody'."),
        (("add", "X", "--site", "Quay", "--start", "soon"), "'soon' is no date and time"),
        (("add", "X", "--site", "Quay", "--start", "2026-03-29 02:30"), "does not exist in Europe/Berlin"),
        (("assign", "9", "gw-1/g1", "--since", "2025-11-24 18:30"), "There is no job 9."),
        (("correct", "9", "--remove"), "There is no assignment 9."),
        (("merge", "9", "9"), "There is no job 9."),
        (("close", "9"), "There is no job 9."),
        (("import", "missing.csv"), "missing.csv cannot be read"),
    ],
)
def test_mistakes_are_one_sentence(
    equipped: Callable[..., Any], arguments: tuple[str, ...], sentence: str
) -> None:
    assert sentence in equipped("job", *arguments, fails=True)


def test_a_valve_cannot_decide(equipped: Callable[..., Any]) -> None:
    number = str(equipped("job", "add", "X", "--site", "Quay", "--json")["id"])
    told = equipped(
        "job", "assign", number, "gw-1/v1", "--since", "2025-11-24 18:30", "--deciding", fails=True
    )
    assert told == "Only a vacuum gauge can decide; gw-1/v1 is none."


def test_a_table_of_planned_jobs_is_taken_whole_or_not_at_all(
    equipped: Callable[..., Any], database: str
) -> None:
    table = Path("jobs.csv")
    table.write_text(
        "title,site,circuit,start,instruments\n"
        "Rack 2,Quay,,2027-01-10 08:00,gw-1/g1 gw-1/v1\n"
        ",Quay,,2027-01-11 08:00,\n"
        "Rack 4,Quay,Rack 4,tomorrow,gw-1/g9\n"
        "Rack 5,Harbour,,2027-01-11 08:00,\n"
        "Rack 6,Quay,,2027-01-12 08:00,gw-1/g1\n",
        encoding="utf-8",
    )
    told = equipped("job", "import", "jobs.csv", fails=True).splitlines()
    assert told[0] == "line 3, title: This is needed."
    assert [line.split(":")[0] for line in told[1:4]] == [
        "line 4, start",
        "line 4, circuit",
        "line 4, instruments",
    ]
    assert told[4] == "line 5, site: There is no site 'Harbour'."
    assert told[5].startswith("line 6, instruments: gw-1/g1 serves job ")
    assert "Take it over" in told[5]
    with connect(database, application="test") as conn:
        assert conn.execute("SELECT FROM job").fetchone() is None
        assert conn.execute("SELECT FROM event").fetchone() is None
    table.write_text(
        "title;site;start;instruments\nRack 2;Quay;2027-01-10 08:00;gw-1/g1 gw-1/v1\n"
        "Rack 3;Quay;2027-01-10T08:00:00+00:00;\n",
        encoding="utf-8",
    )
    dry = equipped("job", "import", "jobs.csv", "--dry-run", "--json")
    assert [(row["title"], row["job"]) for row in dry] == [("Rack 2", None), ("Rack 3", None)]
    assert equipped("job", "list", "--json") == []
    made = equipped("job", "import", "jobs.csv", "--json")
    listed = {row["id"]: row for row in equipped("job", "list", "--json")}
    assert set(listed) == {row["job"] for row in made}
    assert {row["state"] for row in listed.values()} == {"planned"}
