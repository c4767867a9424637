"""What a gateway's client is told of the broker."""

from __future__ import annotations

import pytest

from model.errors import BadInput
from model.meeting import Meeting


@pytest.mark.parametrize(
    ("url", "trust", "options"),
    [
        ("mqtt://10.0.0.7:1884", "/ca.pem", "-h 10.0.0.7 -p 1884"),
        ("mqtts://vacuum.example.org", "/ca.pem", "-h vacuum.example.org -p 8883 --cafile /ca.pem"),
        ("mqtts://vacuum.example.org:8884", "", "-h vacuum.example.org -p 8884 --tls-use-os-certs"),
    ],
)
def test_a_client_is_told_host_port_and_whom_to_trust(url: str, trust: str, options: str) -> None:
    assert Meeting.parse(url, trust).options == options


@pytest.mark.parametrize("url", ["vacuum.example.org:8883", "http://vacuum.example.org", "mqtt://x:99999999"])
def test_what_is_no_address_of_a_broker_is_refused(url: str) -> None:
    with pytest.raises(BadInput, match="no address of a broker"):
        Meeting.parse(url)
