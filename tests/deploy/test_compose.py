"""docker-compose.yml: against the published Compose schema, and against what is really there."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer
import yaml

from ops import cli
from ops.broker_files import ACCESS, CERTIFICATE, PASSWORDS, RELOAD
from ops.health import PARTS
from ops.settings import KNOWN, KNOWN_FILES, read_secret

TOP = Path(__file__).parents[2]
COMPOSE = TOP / "docker-compose.yml"
OURS = ("migrate", "broker-files", "ingest", "analyse", "desk", "serve")
SERVICES: dict[str, dict[str, Any]] = yaml.safe_load(COMPOSE.read_text())["services"]


def check(path: Path) -> subprocess.CompletedProcess[str]:
    """Check a compose file."""
    command = [sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.compose-spec", str(path)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def volumes_of(service: dict[str, Any]) -> dict[str, tuple[str, bool]]:
    """What is mounted where, and whether it can be written."""
    mounted = {}
    for text in service.get("volumes", ()):
        source, target, *mode = text.split(":")
        mounted[target] = (source, mode != ["ro"])
    return mounted


@pytest.mark.parametrize("file", ["docker-compose.yml", "deploy/webhook.yml"])
def test_the_compose_file_follows_the_published_schema(file: str) -> None:
    found = check(TOP / file)
    assert found.returncode == 0, found.stdout + found.stderr


def test_the_schema_refuses_a_service_with_an_unknown_key(tmp_path: Path) -> None:
    broken = tmp_path / "compose.yml"
    broken.write_text("services: {one: {image: x, no_such_key: 1}}\n")
    assert check(broken).returncode != 0


def test_every_service_of_ours_is_a_command_that_runs_on_one_machine_too() -> None:
    group = typer.main.get_command(cli.app)
    commands = set(group.list_commands(typer.Context(group)))  # type: ignore[attr-defined]
    ours = {name: service for name, service in SERVICES.items() if service["image"] == "holdfast"}
    assert set(ours) == set(OURS)
    for name, service in ours.items():
        assert service["command"] == [name]
        assert name in commands


def test_every_setting_exists_and_every_secret_is_a_file_that_is_mounted() -> None:
    secrets = yaml.safe_load(COMPOSE.read_text())["secrets"]
    prepared = re.search(r"for name in (.*); do", (TOP / "deploy/prepare.sh").read_text())
    assert prepared is not None
    assert set(prepared.group(1).split()) == set(secrets)
    for name, secret in secrets.items():
        assert secret["file"] == f"./deploy/secrets/{name}"
    for service in SERVICES.values():
        mounted = {f"/run/secrets/{name}" for name in service.get("secrets", ())}
        named = {v for k, v in service.get("environment", {}).items() if k.endswith("_FILE")}
        assert named == mounted
        for variable in service.get("environment", {}):
            if variable.startswith("HOLDFAST_"):
                assert variable in KNOWN or variable in KNOWN_FILES, variable
    text = COMPOSE.read_text()
    assert not re.search(r"(PASSWORD|TOKEN|SECRET): ", text), "a secret in the environment"


def test_every_volume_is_declared_and_every_file_that_is_mounted_is_there() -> None:
    declared = set(yaml.safe_load(COMPOSE.read_text())["volumes"])
    used = set()
    for service in SERVICES.values():
        for source, _ in volumes_of(service).values():
            if source.startswith("./"):
                assert (TOP / source).exists(), source
            else:
                used.add(source)
    assert used == declared


def test_every_service_says_whether_it_is_well() -> None:
    for name, service in SERVICES.items():
        health = service["healthcheck"]
        if name == "migrate":
            assert health == {"disable": True}
        elif name in OURS:
            assert health["test"] == ["CMD", "holdfast", "check", name]
            assert name in PARTS
        else:
            assert health["test"]


def test_dependencies_wait_for_what_their_condition_can_tell() -> None:
    for service in SERVICES.values():
        for other, condition in service.get("depends_on", {}).items():
            ends = other == "migrate"
            expected = "service_completed_successfully" if ends else "service_healthy"
            assert condition == {"condition": expected}
            assert ends or "disable" not in SERVICES[other]["healthcheck"]


def test_only_tls_is_reachable_from_outside() -> None:
    published = {name: service["ports"] for name, service in SERVICES.items() if "ports" in service}
    assert published == {
        "broker": ["${HOLDFAST_GATEWAYS_PORT:-8883}:8883"],
        "serve": ["${HOLDFAST_PAGES_PORT:-443}:8443"],
    }
    serve = SERVICES["serve"]["environment"]
    assert serve["HOLDFAST_HTTP_PORT"] == "8443"
    assert serve["HOLDFAST_TLS_CERT"] == serve["HOLDFAST_TLS_KEY"] == f"/access/{CERTIFICATE}"


def test_nobody_is_root_and_nothing_but_volumes_can_be_written() -> None:
    for name in (*OURS, "broker"):
        service = SERVICES[name]
        assert service["user"] == "1883:1883"
        assert service["read_only"] is True
        assert service["cap_drop"] == ["ALL"]
    for service in SERVICES.values():
        assert service["security_opt"] == ["no-new-privileges:true"]
        assert service["restart"] in ("unless-stopped", "on-failure:5")
        assert service["logging"]["options"] == {"max-size": "10m", "max-file": "5"}
    writers = [name for name, s in SERVICES.items() if volumes_of(s).get("/access", ("", False))[1]]
    assert writers == ["broker-files"]
    image = (TOP / "Dockerfile").read_text()
    assert "--uid 1883" in image
    assert "owner=1883" in (TOP / "deploy/prepare.sh").read_text()


def test_mosquitto_reads_the_files_that_are_written_for_it_and_drops_nothing() -> None:
    text = (TOP / "deploy/mosquitto.conf").read_text()
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    settings = dict(line.split(" ", 1) for line in lines)
    assert settings["password_file"] == f"/access/{PASSWORDS}"
    assert settings["acl_file"] == f"/access/{ACCESS}"
    assert settings["certfile"] == settings["keyfile"] == f"/access/{CERTIFICATE}"
    assert SERVICES["broker"]["command"] == ["/deploy/mosquitto.conf", f"/access/{RELOAD}"]
    # mosquitto.conf(5): 0 means no limit of number; the limit in bytes bounds the memory.
    assert settings["max_queued_messages"] == "0"
    assert int(settings["max_queued_bytes"]) == 1_000_000_000
    # mosquitto.conf(5): by default false, so that Nagle's algorithm holds packets back.
    assert settings["set_tcp_nodelay"] == "true"
    assert settings["persistence"] == "true"
    # Seconds, unless autosave_on_changes is set.
    assert (settings["autosave_on_changes"], settings["autosave_interval"]) == ("false", "5")
    assert settings["allow_anonymous"] == "false"


def test_the_secrets_are_made_once_and_only_their_user_may_read_them(tmp_path: Path) -> None:
    script = tmp_path / "deploy" / "prepare.sh"
    script.parent.mkdir()
    script.write_text((TOP / "deploy/prepare.sh").read_text())

    def prepare() -> subprocess.CompletedProcess[str]:
        return subprocess.run(["sh", str(script)], capture_output=True, text=True, check=False)

    done = prepare()
    if os.geteuid() != 0:
        assert (done.returncode, done.stderr[:15]) == (2, "Run it as root: ")
        return
    assert done.returncode == 0, done.stderr
    made = {file.name: file.read_text() for file in (script.parent / "secrets").iterdir()}
    assert set(made) == {"database-password", "broker-password", "metrics-token", "seal-key", "record-key"}
    assert len(set(made.values())) == 5
    for name, text in made.items():
        file = script.parent / "secrets" / name
        assert re.fullmatch("[0-9a-f]{48}|[A-Za-z0-9+/]{43}=", text)
        assert (file.stat().st_uid, file.stat().st_mode & 0o777) == (1883, 0o400)
        assert read_secret(file, "HOLDFAST_X_FILE") == text
    assert prepare().stdout == ""
    assert {file.name: file.read_text() for file in (script.parent / "secrets").iterdir()} == made


def test_the_handbook_names_services_commands_and_files_that_exist() -> None:
    text = (TOP / "docs/how-to/deploy-with-containers.md").read_text()
    lines = re.findall(r"^docker compose exec (\S+) holdfast (.*)$", text, re.MULTILINE)
    assert len(lines) >= 5
    for service, line in lines:
        assert service in OURS
        group: Any = typer.main.get_command(cli.app)
        for word in shlex.split(line):
            if not hasattr(group, "get_command"):
                break
            group = group.get_command(typer.Context(group), word)
            assert group is not None, line
        options = re.findall(r"--[a-z-]+", line)
        known = {name for parameter in group.params for name in parameter.opts}
        assert set(options) <= known, line
    for file in re.findall(r"deploy/[a-z.]+\.(?:sh|yml)", text):
        assert (TOP / file).is_file()
    in_dotenv = set(re.findall(r"HOLDFAST_[A-Z_]+", text))
    assert in_dotenv <= set(re.findall(r"\$\{(HOLDFAST_[A-Z_]+)", COMPOSE.read_text()))
    volumes = set(yaml.safe_load(COMPOSE.read_text())["volumes"])
    assert set(re.findall(r"^\| `([a-z]+)` \|", text, re.MULTILINE)) == volumes
