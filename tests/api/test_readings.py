"""Readings: thinned without losing extremes, with their gaps."""

from __future__ import annotations

import random
from typing import Any

import httpx
import pytest

from model.clock import US, to_datetime
from store.database import Connection
from tests.api.scene import HOUR, Scene
from tests.api.serving import NOON_US


def read(client: httpx.Client, instrument: int, **more: str | int) -> dict[str, Any]:
    """All readings of the last day."""
    answer = client.get("/api/v1/readings", params={"instrument": instrument, **more})
    assert answer.status_code == 200, answer.text
    body: dict[str, Any] = answer.json()
    return body


@pytest.mark.parametrize("points", [4, 60, 501])
def test_thinning_keeps_the_extremes_and_the_ends(
    client: httpx.Client, scene: Scene, rng: random.Random, points: int
) -> None:
    made = scene.job("Harbour", "Rack", NOON_US - HOUR)
    curve = [(NOON_US - HOUR + n * US, rng.lognormvariate(4, 1)) for n in range(3000)]
    curve[1234] = (curve[1234][0], 0.001)
    curve[1700] = (curve[1700][0], 99_000.0)
    scene.readings(made, curve)
    found = read(client, made.gauge.id, points=points)
    assert found["total"] == 3000
    assert found["thinned"]
    assert len(found["time"]) <= points
    assert min(found["value"]) == 0.001
    assert max(found["value"]) == 99_000.0
    assert (found["value"][0], found["value"][-1]) == (curve[0][1], curve[-1][1])
    assert found["time"] == sorted(found["time"])


def test_few_readings_come_as_they_are(client: httpx.Client, scene: Scene) -> None:
    made = scene.job("Harbour", "Rack", NOON_US - HOUR)
    scene.readings(made, [(NOON_US - n * US, float(n)) for n in range(30, 0, -1)])
    found = read(client, made.gauge.id)
    assert not found["thinned"]
    assert found["value"] == [float(n) for n in range(30, 0, -1)]
    assert found["unit"] == "Pa"


def test_a_silence_longer_than_the_rule_allows_is_a_gap(client: httpx.Client, scene: Scene) -> None:
    made = scene.job("Harbour", "Rack", NOON_US - HOUR)
    start = NOON_US - HOUR
    # The gauge reports every 10 s: 60 s apart is no gap, 61 s is one.
    times = [start, start + 60 * US, start + 121 * US, start + 130 * US]
    scene.readings(made, [(at, 50.0) for at in times])
    gaps = read(client, made.gauge.id)["gaps"]
    assert gaps == [
        {
            "since": to_datetime(times[1]).isoformat().replace("+00:00", "Z"),
            "until": to_datetime(times[2]).isoformat().replace("+00:00", "Z"),
        }
    ]


def test_of_two_values_for_one_time_the_smaller_is_shown(
    client: httpx.Client, scene: Scene, conn: Connection
) -> None:
    made = scene.job("Harbour", "Rack", NOON_US - HOUR)
    scene.readings(made, [(NOON_US - US, 70.0), (NOON_US - US, 60.0)])
    assert read(client, made.gauge.id)["value"] == [60.0]


def test_the_span_begins_with_since_and_ends_before_until(client: httpx.Client, scene: Scene) -> None:
    made = scene.job("Harbour", "Rack", NOON_US - HOUR)
    scene.readings(made, [(NOON_US - n * US, float(n)) for n in range(9, 0, -1)])
    span = {
        "since": to_datetime(NOON_US - 5 * US).isoformat(),
        "until": to_datetime(NOON_US - 2 * US).isoformat(),
    }
    assert read(client, made.gauge.id, **span)["value"] == [5.0, 4.0, 3.0]
