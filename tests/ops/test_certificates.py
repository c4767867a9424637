"""Certificates of our own making, looked at by OpenSSL, which is not ours."""

from __future__ import annotations

import re
import stat
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from model.clock import US, Clock, HandClock, to_datetime, to_us
from model.errors import BadInput
from ops.certificates import (
    RENEW_BEFORE,
    SERVER_LIFE,
    Authority,
    Pair,
    check_pair,
    checked_name,
    fingerprint,
    load,
    names_in,
)
from ops.settings import Settings
from ops.tls import LOOK_US, Keeper, is_loopback, names, wanted

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
NAMES = ["vacuum.example", "192.0.2.7", "localhost", "127.0.0.1", "::1"]


def openssl(*arguments: str | Path) -> str:
    done = subprocess.run(["openssl", *map(str, arguments)], capture_output=True, text=True, check=False)
    return done.stdout + done.stderr


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    made = Authority(tmp_path / "tls")
    assert made.keep(NAMES, NOW)
    return made


def test_openssl_accepts_what_we_make_by_the_strict_rules(authority: Authority) -> None:
    at = str(round(NOW.timestamp()))
    for good in ("-verify_hostname vacuum.example", "-verify_ip 192.0.2.7", "-verify_ip ::1"):
        said = openssl(
            "verify", "-x509_strict", "-attime", at, "-purpose", "sslserver", *good.split(),
            "-CAfile", authority.trust, authority.pair.certificate,
        )  # fmt: skip
        assert said.endswith(": OK\n"), said
    for wrong in ("-verify_hostname other.example", "-verify_ip 192.0.2.8"):
        said = openssl(
            "verify", "-attime", at, *wrong.split(), "-CAfile", authority.trust, authority.pair.certificate
        )
        assert "mismatch" in said


def test_the_fingerprint_is_the_one_that_openssl_shows(authority: Authority) -> None:
    said = openssl("x509", "-in", authority.trust, "-noout", "-fingerprint", "-sha256")
    assert said.strip().split("=")[1] == fingerprint(authority.trust)
    assert re.fullmatch(r"([0-9A-F]{2}:){31}[0-9A-F]{2}", fingerprint(authority.trust))


def test_keys_are_closed_and_the_authority_is_not(authority: Authority) -> None:
    modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in authority.folder.iterdir()}
    assert modes == {"ca.key": 0o600, "server.pem": 0o600, "ca.pem": 0o644}
    assert stat.S_IMODE(authority.folder.stat().st_mode) == 0o700


def test_it_is_renewed_before_it_ends_and_when_names_change_by_the_same_authority(
    authority: Authority,
) -> None:
    trusted = authority.trust.read_bytes()
    assert not authority.keep(NAMES, NOW + SERVER_LIFE - RENEW_BEFORE - timedelta(hours=1))
    assert authority.keep(NAMES, NOW + SERVER_LIFE - RENEW_BEFORE)
    assert authority.keep([*NAMES, "new.example"], NOW + SERVER_LIFE)
    assert "new.example" in names_in(load(authority.pair.certificate))
    assert authority.trust.read_bytes() == trusted
    authority.pair.certificate.write_text("damaged")
    assert authority.keep(NAMES, NOW + SERVER_LIFE)


def test_a_pair_that_cannot_serve_is_refused_in_one_sentence(authority: Authority, tmp_path: Path) -> None:
    other = Authority(tmp_path / "other")
    other.keep(NAMES, NOW)
    pair = authority.pair
    assert check_pair(pair, NOW)
    (tmp_path / "text").write_text("no certificate")
    cases = {
        "does not belong to": Pair(pair.certificate, other.pair.key),
        "no certificate in PEM form": Pair(tmp_path / "text", pair.key),
        "without a passphrase": Pair(pair.certificate, tmp_path / "text"),
        "cannot be read: No such file": Pair(pair.certificate, tmp_path / "missing"),
    }
    for sentence, wrong in cases.items():
        with pytest.raises(BadInput, match=sentence):
            check_pair(wrong, NOW)
    with pytest.raises(BadInput, match="ended on 2027-12-27: renew it"):
        check_pair(pair, NOW + SERVER_LIFE + timedelta(days=1))


@pytest.mark.parametrize("mode", [0o644, 0o604, 0o602])
def test_a_key_that_everybody_may_read_or_replace_is_refused(authority: Authority, mode: int) -> None:
    authority.pair.key.chmod(mode)
    with pytest.raises(BadInput, match=r"^Everybody on this machine may read the key \S+: chmod o-rwx it\.$"):
        check_pair(authority.pair, NOW)
    authority.pair.key.chmod(0o640)
    check_pair(authority.pair, NOW)


def test_a_certificate_that_is_not_yet_valid_is_said(authority: Authority) -> None:
    begins = load(authority.pair.certificate).not_valid_before_utc
    check_pair(authority.pair, begins)
    with pytest.raises(BadInput, match=rf"is not valid before {begins:%Y-%m-%d %H:%M} UTC"):
        check_pair(authority.pair, begins - timedelta(seconds=1))


def test_names_are_checked(tmp_path: Path) -> None:
    assert checked_name(" Vacuum.Example. ") == "vacuum.example"
    assert checked_name("[2001:DB8::1]") == "2001:db8::1"
    # RFC 3492 section 7.1 has no such short example; IDNA 2003 of "bücher" is a common one.
    assert checked_name("bücher.example") == "xn--bcher-kva.example"
    for wrong in ("two words", "-x", "a..b", "x_y", "*"):
        with pytest.raises(BadInput, match="neither a host name nor an address"):
            checked_name(wrong)
    found = names(Settings(data_dir=tmp_path, tls_names="b.example, 192.0.2.9", mqtt_address="192.0.2.3"))
    assert found == ["b.example", "192.0.2.9", "127.0.0.1", "192.0.2.3", "localhost", "::1"]


def test_tls_is_on_where_others_can_reach_us_unless_turned_off() -> None:
    assert [is_loopback(a) for a in ("127.0.0.1", "127.1.2.3", "::1", "localhost")] == [True] * 4
    assert [is_loopback(a) for a in ("0.0.0.0", "::", "192.0.2.1", "vacuum.example")] == [False] * 4
    assert not wanted(Settings(), "127.0.0.1")
    assert wanted(Settings(), "0.0.0.0")
    assert wanted(Settings(tls="on"), "127.0.0.1")
    assert not wanted(Settings(tls="off"), "0.0.0.0")
    assert wanted(Settings(tls_cert=Path("x"), tls_key=Path("y")), "127.0.0.1")


def kept(settings: Settings, folder: Path, clock: Clock) -> tuple[Keeper, list[str]]:
    said: list[str] = []
    keeper = Keeper(settings, folder, clock, said.append)
    keeper.begin()
    return keeper, said


def test_a_running_installation_renews_its_certificate(tmp_path: Path) -> None:
    clock = HandClock(to_us(NOW))
    keeper, said = kept(Settings(tls_names="vacuum.example"), tmp_path / "tls", clock)
    before = keeper.pair.certificate.read_bytes()
    clock.advance(LOOK_US / US)
    assert not keeper.look()
    clock.us = to_us(NOW + SERVER_LIFE - RENEW_BEFORE)
    assert keeper.look()
    assert keeper.pair.certificate.read_bytes() != before
    assert said == ["the certificate was renewed and is good until 2028-12-28"]
    assert not keeper.look()


def test_a_certificate_of_the_company_is_followed_and_its_end_announced(tmp_path: Path) -> None:
    company = Authority(tmp_path / "company")
    company.keep(NAMES, NOW)
    settings = Settings(tls_cert=company.pair.certificate, tls_key=company.pair.key)
    clock = HandClock(to_us(NOW))
    keeper, said = kept(settings, tmp_path / "tls", clock)
    assert not (tmp_path / "tls").exists()
    clock.us = to_us(NOW + SERVER_LIFE - timedelta(days=10))
    assert not keeper.look()
    assert said == [f"the certificate {company.pair.certificate} ends on 2027-12-27: renew it"]
    company.pair.certificate.write_text("half a file")
    clock.advance(60)
    assert not keeper.look()
    assert said[-1].startswith("the one before goes on: ")
    company.keep(NAMES, to_datetime(clock.us))
    clock.advance(60)
    assert keeper.look()
