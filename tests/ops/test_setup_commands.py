"""Setting up from the command line: changing, deleting, secrets, tables, volumes."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from store.database import connect
from tests.ops.test_cli import clean_environment, fails, run  # noqa: F401 - fixtures

Run = Callable[..., str]


@pytest.fixture
def company(run: Run, tmp_path: Path) -> Path:  # noqa: F811
    """A folder with a table of each kind, of which sites and gateways are imported."""
    tables = {
        "site": "name,time_zone\nQuay,Europe/Oslo\nMill,Europe/Berlin\n",
        "gateway": "name,site\nvan-7,Quay\n",
        "instrument": "gateway,name,role,range_high\nvan-7,g1,gauge,25000 micron\n",
        "circuit": "site,name,volume\nQuay,Rack 2,38 l\n",
        "crew": "name\nCrew North\n",
        "procedure": "name,target,hold,limit,origin\nCold rooms,300 micron,1 h,500 micron,own practice\n",
    }
    for kind, text in tables.items():
        (tmp_path / f"{kind}.csv").write_text(text)
    return tmp_path


def test_a_company_is_imported_after_a_dry_run(run: Run, company: Path) -> None:  # noqa: F811
    for kind in ("site", "gateway", "instrument", "circuit", "crew", "procedure"):
        file = str(company / f"{kind}.csv")
        dry: dict[str, Any] = json.loads(run(kind, "import", file, "--dry-run", "--json"))
        assert not dry["applied"]
        assert "dry run" in run(kind, "import", file, "--dry-run")
        real = json.loads(run(kind, "import", file, "--json"))
        assert (real["applied"], real["made"]) == (True, dry["made"])
        assert json.loads(run(kind, "import", file, "--json"))["left"] == dry["made"]
        secrets = [row["password"] for row in real["rows"]]
        assert all(secrets) if kind == "gateway" else not any(secrets)


def test_every_bad_cell_is_a_line_and_nothing_is_imported(
    run: Run,  # noqa: F811
    company: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    from tests.ops.test_cli import holdfast

    file = company / "bad.csv"
    file.write_text("name,time_zone\nQuay,Europe/Oslo\nMill,Mars/Base\n,UTC\n")
    assert holdfast(monkeypatch, "site", "import", str(file)) == 2
    lines = capsys.readouterr().err.splitlines()
    assert [line.split(": ")[1] for line in lines[:2]] == ["line 3, time_zone", "line 4, name"]
    assert lines[2] == "Nothing was changed."
    assert json.loads(run("site", "list", "--json")) == []


def test_things_are_changed_and_deleted_and_who_did_it_is_written_down(
    run: Run,  # noqa: F811
    database: str,
) -> None:
    run("site", "add", "Quay", "--time-zone", "UTC")
    run("site", "change", "Quay", "--time-zone", "Europe/Oslo", "--place", "Berth 4")
    assert json.loads(run("site", "show", "Quay", "--json"))["time_zone"] == "Europe/Oslo"
    run("circuit", "add", "Quay/Rack", "--volume", "38 l", "--refrigerant", "R-290")
    changed = json.loads(run("circuit", "change", "Quay/Rack", "--volume", "", "--oil", "POE 32", "--json"))
    assert (changed["volume_m3"], changed["refrigerant"], changed["oil"]) == (None, "R-290", "POE 32")
    run("crew", "add", "North")
    assert json.loads(run("crew", "change", "North", "--new-name", "South", "--json"))["name"] == "South"
    run("gateway", "add", "van-7", "--site", "Quay")
    added = run("instrument", "add", "van-7/g1", "--role", "gauge", "--accuracy", "8 %", "--json")
    assert json.loads(added)["accuracy"] == 0.08
    gauge = json.loads(
        run("instrument", "change", "van-7/g1", "--range-high", "25000 micron", "--accuracy", "5 %", "--json")
    )
    assert gauge["accuracy"] == 0.05
    assert gauge["range_high_pa"] == pytest.approx(25000 * 0.133322387415)
    doubted = json.loads(run("instrument", "suspect", "van-7/g1", "--reason", "Oil in it", "--json"))
    assert (doubted["suspect"], doubted["judged_again"]) == ("Oil in it", [])
    assert json.loads(run("instrument", "trust", "van-7/g1", "--json"))["suspect"] is None
    run("instrument", "retire", "van-7/g1")
    run("instrument", "restore", "van-7/g1")
    for command in (
        ("instrument", "delete", "van-7/g1"),
        ("gateway", "delete", "van-7"),
        ("circuit", "delete", "Quay/Rack"),
        ("crew", "delete", "South"),
        ("site", "delete", "Quay"),
    ):
        assert json.loads(run(*command, "--json"))["deleted"] is True
    with connect(database, application="test") as conn:
        acts = [row["act"] for row in conn.execute("SELECT act FROM audit ORDER BY id")]
    assert acts == [
        "add-site", "change-site", "add-circuit", "change-circuit", "add-crew", "change-crew", "add-gateway",
        "add-instrument", "change-instrument", "mark-suspect", "trust-gauge", "retire-instrument",
        "restore-instrument",
        "delete-instrument", "delete-gateway", "delete-circuit", "delete-crew", "delete-site",
    ]  # fmt: skip


def test_a_secret_is_printed_once_with_what_brokers_need(run: Run) -> None:  # noqa: F811
    run("site", "add", "Quay", "--time-zone", "UTC")
    first = json.loads(run("gateway", "add", "van-7", "--site", "Quay", "--json"))
    assert first["mosquitto_password_line"].startswith("van-7:$7$")
    second = json.loads(run("gateway", "rotate", "van-7", "--json"))
    assert first["password"] != second["password"]
    run("gateway", "revoke", "van-7")
    printed = run("gateway", "reinstate", "van-7")
    assert "mosquitto_pub" in printed
    assert "authorization.users" in printed
    assert second["password"] not in printed
    assert second["password"] not in run("gateway", "show", "van-7")


def test_the_default_procedure_is_chosen_and_an_unused_one_deleted(run: Run) -> None:  # noqa: F811
    assert json.loads(run("procedure", "default", "2", "--json"))["id"] == 2
    assert json.loads(run("procedure", "delete", "1", "--json"))["deleted"] is True
    assert len(json.loads(run("procedure", "list", "--json"))) == 6


def test_the_volume_of_pipes_and_vessels(run: Run) -> None:  # noqa: F811
    # 10 m of 20 mm bore: π/4 · 0.02² · 10 m³, and a receiver of 8 l.
    answer = json.loads(run("circuit", "volume", "--pipe", ",20 mm,10 m", "--vessel", "8 l", "--json"))
    assert answer["litres"] == pytest.approx(3.14159265 + 8)
    assert answer["low_m3"] == pytest.approx(0.9 * answer["volume_m3"])
    known = json.loads(run("circuit", "volume", "--pipe", "7/8 in,,1 ft", "--json"))
    # Copper Tube Handbook, table 14.2f: 0.00336 cubic feet a foot.
    assert known["volume_m3"] / 0.3048**3 == pytest.approx(0.00336, abs=5e-6)


@pytest.mark.parametrize(
    ("command", "sentence"),
    [
        (["site", "delete", "Nowhere"], "There is no site 'Nowhere'."),
        (["site", "import", "missing.csv"], "missing.csv cannot be read"),
        (["circuit", "add", "Rack"], "SITE/NAME"),
        (["circuit", "volume"], "--pipe"),
        (["circuit", "volume", "--pipe", "20 mm,10 m"], "two commas"),
        (["circuit", "volume", "--pipe", ",20,10 m"], "lacks its unit"),
        (["circuit", "volume", "--pipe", "33 mm,,10 m"], "no usual copper tube"),
        (["circuit", "volume", "--vessel", "-1 l"], "above zero"),
        (["gateway", "rotate", "nobody"], "There is no gateway 'nobody'."),
        (["procedure", "delete", "1"], "walk-up jobs get it"),
        (["crew", "add", " "], "A crew needs a name."),
    ],
)
def test_errors_are_one_sentence(fails: Run, command: list[str], sentence: str) -> None:  # noqa: F811
    assert sentence in fails(*command)
