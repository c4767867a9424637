"""The commands of the page on setting up, run one after the other as they stand there."""

from __future__ import annotations

import re
import shlex
import sys
from pathlib import Path

import pytest

from ops import cli
from store.database import connect

PAGE = Path(__file__).parents[2] / "docs" / "how-to" / "set-up-the-company.md"


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)


def commands() -> list[list[str]]:
    lines = "".join(blocks("sh")).replace("\\\n", " ").splitlines()
    return [shlex.split(line) for line in lines if line.strip()]


def test_the_commands_of_the_page_set_a_company_up(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, database: str, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("HOLDFAST_DATABASE_URL", database)
    (tmp_path / "sites.csv").write_text(blocks("csv")[0], encoding="utf-8")
    for command in commands():
        monkeypatch.setattr(sys, "argv", command)
        with pytest.raises(SystemExit) as end:
            cli.main()
        assert not end.value.code, (command, capsys.readouterr().err)
    with connect(database, application="test") as conn:
        counts = conn.execute(
            "SELECT (SELECT count(*) FROM site) AS sites, (SELECT count(*) FROM instrument) AS instruments, "
            "(SELECT count(*) FROM assignment) AS assignments, "
            "(SELECT name FROM procedure WHERE is_default) AS procedure"
        ).fetchone()
    assert counts == {
        "sites": 3,
        "instruments": 3,
        "assignments": 3,
        "procedure": "Ours: 300, at most 500 micron after 8 h",
    }
