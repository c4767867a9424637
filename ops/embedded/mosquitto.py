"""Configuration files of Mosquitto 2 for the same users, so that contract tests run on both brokers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from model.access import mosquitto_access
from ops.embedded.postgres import write_private
from ops.embedded.users import BrokerUser
from store.broker_secrets import mosquitto_hash


def write_configuration(
    folder: Path,
    users: Sequence[BrokerUser],
    passwords: Mapping[str, str],
    port: int,
    *,
    address: str = "127.0.0.1",
    each_change: bool = True,
) -> Path:
    """Write ``mosquitto.conf`` with its password and access files; give back its path.

    ``passwords`` are in clear by user name: Mosquitto has a hash of its own. It saves after ``each_change``,
    which is safe and slow, or every five seconds as in ``deploy/mosquitto.conf``.
    """
    secret = "".join(f"{user.name}:{mosquitto_hash(passwords[user.name])}\n" for user in users)
    write_private(folder / "passwords", secret)
    write_private(folder / "access", access(users))
    (folder / "store").mkdir(exist_ok=True)
    configuration = folder / "mosquitto.conf"
    write_private(
        configuration,
        "\n".join(
            [
                f"listener {port} {address}",
                "allow_anonymous false",
                f"password_file {folder / 'passwords'}",
                f"acl_file {folder / 'access'}",
                # Its defaults lose: 1,000 queued messages per client, saved every half hour.
                "max_queued_messages 0",
                "max_queued_bytes 1000000000",
                "max_inflight_messages 1000",
                # Else packs wait for TCP's acknowledgements: see deploy/mosquitto.conf.
                "set_tcp_nodelay true",
                "persistence true",
                f"persistence_location {folder / 'store'}/",
                f"autosave_on_changes {str(each_change).lower()}",
                f"autosave_interval {1 if each_change else 5}",
                "log_dest stderr",
                "user root",
                "",
            ]
        ),
    )
    return configuration


def access(users: Sequence[BrokerUser]) -> str:
    """The access file: the same table of topics as everywhere."""
    return "\n".join(mosquitto_access(user.name, user.may_publish, user.may_read) for user in users) + "\n"
