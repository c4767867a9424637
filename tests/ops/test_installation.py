"""A data folder: one process at a time, one kind for ever, secrets closed."""

from __future__ import annotations

import socket
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from model.errors import BadInput, Conflict
from ops import installation
from ops.installation import Installation, Login, locked, open_installation
from ops.services import Ports


def test_what_a_folder_remembers_comes_back(tmp_path: Path) -> None:
    first = open_installation(tmp_path, "demo").with_(
        http_port=1, replay="1:2:3.0", login=Login("a", "b"), gateways={"g": "p"}
    )
    installation.write(tmp_path, first)
    assert open_installation(tmp_path, "demo") == first
    assert stat.S_IMODE(installation.file_of(tmp_path).stat().st_mode) == 0o600


def test_a_demo_and_a_real_installation_do_not_mix(tmp_path: Path) -> None:
    open_installation(tmp_path, "demo")
    with pytest.raises(Conflict, match="holds the invented fleet of a demo: set HOLDFAST_DATA_DIR"):
        open_installation(tmp_path, "up")


def test_a_damaged_file_is_named(tmp_path: Path) -> None:
    installation.file_of(tmp_path).write_text('{"kind": "up"')
    with pytest.raises(BadInput, match=r"installation\.json is damaged"):
        open_installation(tmp_path, "up")


def test_a_second_process_is_told_who_has_the_folder(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from ops.installation import locked\n"
        "with locked(Path(sys.argv[1])): print('held', flush=True); sys.stdin.read()\n"
    )
    command = [sys.executable, "-c", code, str(tmp_path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(Conflict, match=f"Process {holder.pid} runs in"), locked(tmp_path):
            pass
        holder.kill()
    with locked(tmp_path):
        assert (tmp_path / "lock").read_text() != str(holder.pid)


def test_a_folder_that_cannot_be_made_is_an_error_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(BadInput, match="cannot be used"), locked(tmp_path / "file" / "data"):
        pass


def test_a_new_installation_has_a_broker_password_of_its_own() -> None:
    assert Installation("up").broker_password != Installation("up").broker_password


def test_a_port_that_was_asked_for_must_be_free_others_need_not(free_port: int) -> None:
    ports = Ports()
    assert ports.choose(None, free_port, 1, "127.0.0.1", "x") == free_port
    ports.release()
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", free_port))
        taken.listen()
        assert ports.choose(None, free_port, free_port, "127.0.0.1", "x") != free_port
        with pytest.raises(BadInput, match=f"Port {free_port} for the pages is taken"):
            ports.choose(free_port, None, 1, "127.0.0.1", "the pages")
    ports.release()


def test_two_installations_never_choose_the_same_port_before_either_listens(free_port: int) -> None:
    one, two = Ports(), Ports()
    assert one.choose(None, None, free_port, "127.0.0.1", "x") == free_port
    assert two.choose(None, None, free_port, "127.0.0.1", "x") != free_port
    one.release()
    two.release()
