"""SenML packs, resolved by the rules of RFC 8428."""

from __future__ import annotations

import json
from typing import Any

from simulator.clock import US
from simulator.senml import Record, encode

T0 = 1_790_000_000 * US + 123_456


def resolved(payload: bytes) -> list[dict[str, Any]]:
    """Names and times as RFC 8428 section 4.6 resolves them: base values count until replaced."""
    name, time, found = "", 0.0, []
    for record in json.loads(payload):
        name, time = record.get("bn", name), record.get("bt", time)
        rest = {key: value for key, value in record.items() if key not in ("bn", "bt", "n", "t")}
        found.append(
            {"n": name + record.get("n", ""), "time_us": round((time + record.get("t", 0)) * US), **rest}
        )
    return found


def test_pack_resolves_to_its_records_to_the_microsecond() -> None:
    records = [
        Record("pressure", 437.0, T0, "micron"),
        Record("overrange", False, T0 + 1),
        Record("valve", "closed", T0 + 10 * US),
    ]
    pack = resolved(encode("gw/g1/", 7, "a1f3", T0 + 12 * US, records))
    assert [(record["n"], record["time_us"]) for record in pack[3:]] == [
        ("gw/g1/pressure", T0),
        ("gw/g1/overrange", T0 + 1),
        ("gw/g1/valve", T0 + 10 * US),
    ]
    assert pack[3] == {"n": "gw/g1/pressure", "time_us": T0, "v": 437.0, "u": "micron"}
    assert pack[4]["vb"] is False
    assert pack[5]["vs"] == "closed"


def test_pack_says_which_it_is() -> None:
    pack = resolved(encode("gw/g1/", 7, "a1f3", T0, [Record("pressure", 1.0, T0, "Pa")]))
    assert (pack[0]["n"], pack[0]["v"]) == ("gw/g1/seq", 7)
    assert (pack[1]["n"], pack[1]["vs"]) == ("gw/g1/boot", "a1f3")
    assert round(pack[2]["v"] * US) == T0
