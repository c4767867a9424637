"""What is sent to us is bounded, whoever sends it: in bytes, in numbers, in years and in characters."""

from __future__ import annotations

from collections.abc import Iterator

import httpx
import pytest

from api.app import MOST_BYTES
from store import bulk
from tests.api.scene import Made
from tests.api.serving import LOGIN, Serving

CHUNK = b"x" * 100_000


def too_much() -> Iterator[bytes]:
    """A body whose length nobody announces."""
    for _ in range(MOST_BYTES // len(CHUNK) + 1):
        yield CHUNK


def file_part() -> Iterator[bytes]:
    """A form with a file, which would lie on the disk until all of it is here."""
    yield b'--limit\r\nContent-Disposition: form-data; name="f"; filename="f"\r\n\r\n'
    yield from too_much()
    yield b"\r\n--limit--\r\n"


@pytest.mark.parametrize(
    ("path", "kind"),
    [("/login", "multipart/form-data; boundary=limit"), ("/api/v1/sites/import", "text/csv")],
)
def test_a_body_too_large_is_refused_in_a_sentence(api: Serving, path: str, kind: str) -> None:
    with api.client(None if path == "/login" else LOGIN) as client:
        body = file_part() if kind.startswith("multipart") else too_much()
        answer = client.post(path, content=body, headers={"Content-Type": kind, "Origin": api.address})
        assert answer.status_code == 413
        assert "larger than 8 MB" in answer.text


@pytest.mark.parametrize("act", ["try", "import"])
def test_a_table_of_nearly_the_largest_size_travels_in_the_page(client: httpx.Client, act: str) -> None:
    row = "quay-{:04},UTC," + " " * 5_000 + "\r\n"
    table = "name,time_zone,place\r\n" + "".join(map(row.format, range(bulk.MOST_BYTES // len(row))))
    form = {"table": (None, table), "act": (None, act)}
    origin = str(client.base_url).rstrip("/")
    answer = client.post("/setup/import/site", files=form, headers={"Origin": origin})
    assert answer.status_code == 200, answer.text[:500]


@pytest.mark.parametrize("number", [2**31, 2**63, 10**40])
@pytest.mark.parametrize("path", ["/api/v1/circuits?site={}", "/api/v1/orders?job={}", "/api/v1/jobs/{}"])
def test_a_number_too_large_names_nothing(client: httpx.Client, path: str, number: int) -> None:
    answer = client.get(path.format(number))
    assert answer.status_code in (404, 422)
    assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize("start", ["9999-12-31T23:59:59-12:00", "0001-01-01T00:00:00+14:00"])
def test_a_moment_at_the_end_of_the_calendar_is_refused_at_its_field(
    client: httpx.Client, jobs: dict[str, Made], start: str
) -> None:
    answer = client.patch(f"/api/v1/jobs/{jobs['holding'].job.id}", json={"start": start})
    assert answer.status_code == 422
    (error,) = answer.json()["errors"]
    assert error["field"] == "start"
    assert "cannot be meant" in error["message"]


def test_a_character_that_the_database_cannot_hold_is_refused(
    client: httpx.Client, jobs: dict[str, Made]
) -> None:
    answer = client.post(f"/api/v1/alerts/{jobs['leak'].alert_id}/notes", json={"note": "a\0b"})
    assert answer.status_code == 422
    assert "U+0000" in answer.json()["detail"]
    assert client.get("/api/v1/quarantine?gateway=%00").status_code == 422


def test_a_number_of_thousands_of_digits_is_none_that_a_page_had(
    client: httpx.Client, jobs: dict[str, Made]
) -> None:
    number = client.get("/api/v1/gateways").json()["items"][0]["id"]
    origin = {"Origin": str(client.base_url).rstrip("/")}
    form = {"known": "9" * 5_000}
    answer = client.post(f"/setup/gateways/{number}/rotate", data=form, headers=origin)
    assert answer.status_code == 409
