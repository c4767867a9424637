"""docker-compose.yml against the published Compose schema (carried by check-jsonschema)."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

TOP = Path(__file__).parents[2]


def check(path: Path) -> subprocess.CompletedProcess[str]:
    """Check a compose file."""
    command = [sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.compose-spec", str(path)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_the_compose_file_follows_the_published_schema() -> None:
    found = check(TOP / "docker-compose.yml")
    assert found.returncode == 0, found.stdout + found.stderr


def test_the_schema_refuses_a_service_with_an_unknown_key(tmp_path: Path) -> None:
    broken = tmp_path / "compose.yml"
    broken.write_text("services: {one: {image: x, no_such_key: 1}}\n")
    assert check(broken).returncode != 0
