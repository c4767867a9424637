"""Settings: from environment, files and secret files; whatever cannot be used is said in one sentence."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from ingest.config import BrokerConfig
from model.errors import BadInput
from ops.services import broker_url, database_url
from ops.settings import KNOWN_FILES, SECRETS, Settings, load
from ops.stack import workers

REFERENCE = Path(__file__).parents[2] / "docs" / "reference" / "settings.md"


@pytest.fixture(autouse=True)
def clean_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    for name in list(os.environ):
        if name.startswith("HOLDFAST_") and not name.startswith("HOLDFAST_TEST_"):
            monkeypatch.delenv(name)


def secret(path: Path, text: str, mode: int = 0o600) -> str:
    path.write_text(text)
    path.chmod(mode)
    return str(path)


def test_the_reference_lists_what_the_program_knows() -> None:
    rows = re.findall(r"^\| `(HOLDFAST_\w+)`( †)? \| (\S+) \| (.*) \|$", REFERENCE.read_text(), re.M)
    assert len(rows) == len(Settings.model_fields)
    for (variable, dagger, default, meaning), (name, field) in zip(
        rows, Settings.model_fields.items(), strict=True
    ):
        assert variable == f"HOLDFAST_{name.upper()}"
        assert bool(dagger) == (name in SECRETS)
        assert default == ("–" if field.default is None else f"`{field.default}`")
        assert meaning == field.description


def test_a_misspelt_setting_is_refused_with_the_one_that_was_meant(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("HOLDFAST_WEBHOKO_URL", "x")
    with pytest.raises(
        BadInput, match=r"^There is no setting HOLDFAST_WEBHOKO_URL: did you mean HOLDFAST_WEBHOOK_URL\?$"
    ):
        load()
    monkeypatch.delenv("HOLDFAST_WEBHOKO_URL")
    (tmp_path / "holdfast.env").write_text("OTHER=1\nHOLDFAST_COLOUR=red\n")
    with pytest.raises(BadInput, match=r"^There is no setting HOLDFAST_COLOUR in holdfast\.env: docs/"):
        load()


@pytest.mark.parametrize("name", SECRETS)
def test_each_secret_may_stand_in_a_file(name: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    text = {"webhook_url": "https://h/?token=x", "seal_key": "k" * 40}.get(name, "mqtt://u@h:1")
    if name == "mail_password":
        monkeypatch.setenv("HOLDFAST_MAIL_USER", "holdfast")
    for other in ("database", "mqtt"):
        if name == f"{other}_password":
            monkeypatch.setenv(f"HOLDFAST_{other.upper()}_URL", "mqtt://u@h:1")
    monkeypatch.setenv(f"HOLDFAST_{name.upper()}_FILE", secret(tmp_path / "s", text + "\n", 0o400))
    assert getattr(load(), name) == text
    monkeypatch.setenv(f"HOLDFAST_{name.upper()}", text)
    with pytest.raises(BadInput, match="not both"):
        load()


def test_the_settings_file_may_name_secret_files_and_the_environment_wins(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    path = secret(tmp_path / "s", "from-the-file")
    (tmp_path / "holdfast.env").write_text(f"HOLDFAST_METRICS_TOKEN_FILE={path}\n")
    assert load().metrics_token == "from-the-file"
    monkeypatch.setenv("HOLDFAST_METRICS_TOKEN", "from-the-environment")
    assert load().metrics_token == "from-the-environment"


@pytest.mark.parametrize("variable", KNOWN_FILES)
def test_a_secret_file_that_cannot_be_used_is_said_in_one_sentence(
    variable: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    cases = {
        "is empty": secret(tmp_path / "empty", " \n"),
        "everybody on this machine may read": secret(tmp_path / "open", "x", 0o604),
        "must hold one line": secret(tmp_path / "two", "x\ny\n"),
        "cannot be read: No such file": str(tmp_path / "missing"),
        "cannot be read: Is a directory": str(tmp_path),
    }
    (tmp_path / "binary").write_bytes(b"\xff\xfe")
    (tmp_path / "binary").chmod(0o600)
    cases["holds no text"] = str(tmp_path / "binary")
    for sentence, path in cases.items():
        monkeypatch.setenv(variable, path)
        with pytest.raises(BadInput, match=f"^{variable}: .*{sentence}") as error:
            load()
        assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [
        ({"TLS": "perhaps"}, "HOLDFAST_TLS cannot be used"),
        ({"TLS_CERT": "x.pem"}, "go together"),
        ({"TLS_CERT": "x.pem", "TLS_KEY": "y.pem"}, "HOLDFAST_TLS_CERT: there is no file x.pem"),
        ({"MQTT_PASSWORD": "x"}, "HOLDFAST_MQTT_PASSWORD is of no use without HOLDFAST_MQTT_URL"),
        ({"DATABASE_PASSWORD": "x"}, "HOLDFAST_DATABASE_PASSWORD is of no use"),
        ({"MQTT_CA": "x", "MQTT_URL": "mqtt://h"}, "begins with mqtts://"),
        ({"HTTP_PORT": "70000"}, "HOLDFAST_HTTP_PORT cannot be used"),
        ({"INGEST_PROCESSES": "2"}, "HOLDFAST_INGEST_PROCESSES above 1 needs MQTT 5"),
        ({"INGEST_PROCESSES": "2", "MQTT_URL": "mqtt://h"}, "HOLDFAST_INGEST_PROCESSES above 1 needs MQTT 5"),
        ({"ANALYSE_PROCESSES": "0"}, "HOLDFAST_ANALYSE_PROCESSES cannot be used"),
        ({"PUBLIC_URL": "holdfast.example.org"}, "HOLDFAST_PUBLIC_URL cannot be used"),
        ({"SEAL_KEY": "short"}, "HOLDFAST_SEAL_KEY is too short"),
        ({"MAIL_HOST": "mail.example.org"}, "needs HOLDFAST_MAIL_FROM"),
        ({"MAIL_HOST": "mail.example.org", "MAIL_FROM": "Holdfast"}, "HOLDFAST_MAIL_FROM is no address"),
        ({"MAIL_USER": "holdfast"}, "go together"),
        (
            {"MAIL_USER": "holdfast", "MAIL_PASSWORD": "x", "MAIL_TLS": "off"},
            "HOLDFAST_MAIL_PASSWORD would",
        ),
    ],
)
def test_what_does_not_go_together_is_refused(
    settings: dict[str, str], sentence: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, text in settings.items():
        monkeypatch.setenv(f"HOLDFAST_{name}", text)
    with pytest.raises(BadInput, match=sentence) as error:
        load()
    assert "\n" not in str(error.value)


def test_as_many_processes_are_started_as_are_set() -> None:
    rooms = ("ingest", "analyse", "desk")
    assert workers(rooms, Settings()) == [(room, room) for room in rooms]
    assert workers(rooms, Settings(ingest_processes=2, analyse_processes=3)) == [
        ("ingest", "ingest"),
        ("ingest-2", "ingest"),
        ("analyse", "analyse"),
        ("analyse-2", "analyse"),
        ("analyse-3", "analyse"),
        ("desk", "desk"),
    ]


def test_passwords_and_authorities_get_into_the_addresses(tmp_path: Path) -> None:
    settings = Settings(
        database_url="postgresql://holdfast@database/holdfast",
        database_password="a/b c@'",
        mqtt_url="mqtts://holdfast@broker?version=5",
        mqtt_password="p/w@:1",
        mqtt_ca=tmp_path / "c a.pem",
    )
    from psycopg.conninfo import conninfo_to_dict

    found = conninfo_to_dict(database_url(settings))
    assert (found["password"], found["host"], found["user"]) == ("a/b c@'", "database", "holdfast")
    broker = BrokerConfig.from_url(broker_url(settings) or "")
    assert (broker.host, broker.port, broker.tls, broker.mqtt5) == ("broker", 8883, True, True)
    assert (broker.username, broker.password) == ("holdfast", "p/w@:1")
    assert broker.ca_file == str(tmp_path / "c a.pem")
    with pytest.raises(BadInput, match="names no user"):
        broker_url(Settings(mqtt_url="mqtt://broker", mqtt_password="x"))
