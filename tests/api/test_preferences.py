"""Each person's choice of units and locale, over HTTP."""

from __future__ import annotations

from datetime import timedelta

import httpx
import pytest
from psycopg.types.json import Jsonb

from analytics.core.figures import pressure_text
from model.clock import US, to_datetime
from store import tokens
from store.database import Connection
from tests.api.scene import Made, Scene, micron
from tests.api.serving import TECHNICIAN, Serving

CHOICES = "/api/v1/me/preferences"


def choose(client: httpx.Client, **changes: object) -> httpx.Response:
    return client.patch(CHOICES, json=changes)


def test_who_has_chosen_nothing_reads_micron_on_pages_and_pascal_from_the_api(
    client: httpx.Client, jobs: dict[str, Made]
) -> None:
    assert client.get(CHOICES).json() == {
        "pressure_unit": "micron",
        "beside_unit": "Pa",
        "temperature_unit": "°C",
        "volume_unit": "L",
        "locale": None,
        "exact": False,
        "chosen": False,
    }
    assert client.get(f"/api/v1/jobs/{jobs['leak'].job.id}").json()["target"]["unit"] == "Pa"
    assert "micron" in client.get("/").text


def test_one_act_changes_every_pressure_of_the_api_for_this_person_only(
    api: Serving, client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    job, hold = jobs["leak"].job.id, jobs["leak"].hold_id
    before = conn.execute("SELECT detail, text FROM hold_test ORDER BY id").fetchall()
    text = f"Failed: over the permitted {pressure_text(micron(1000))}."
    conn.execute("UPDATE hold_test SET detail = jsonb_set(detail, '{text}', to_jsonb(%s::text))", (text,))
    assert choose(client, pressure_unit="hPa").json()["beside_unit"] is None
    addresses = (f"/api/v1/jobs/{job}", f"/api/v1/hold-tests/{hold}", "/api/v1/procedures", "/api/v1/board")
    for address in addresses:
        answer = client.get(address).text
        assert '"unit":"hPa"' in answer, address
        assert '"unit":"Pa"' not in answer, address
    gauge = jobs["leak"].gauge.id
    readings = client.get(f"/api/v1/readings?instrument={gauge}").json()
    assert (readings["unit"], readings["value"][0] > 1) == ("hPa", True)
    assert (
        client.get(addresses[1]).json()["text"].replace("\u202f", " ")
        == "Failed: over the permitted 1.333 hPa."
    )
    # What is asked for wins; others have their own.
    assert client.get(f"{addresses[1]}?pressure_unit=Torr").json()["limit"]["unit"] == "Torr"
    with api.client(TECHNICIAN) as other:
        assert other.get(addresses[0]).json()["target"]["unit"] == "Pa"
        assert other.get(addresses[1]).json()["text"] == text
    stored = conn.execute("SELECT detail, text FROM hold_test ORDER BY id").fetchall()
    assert [row["detail"]["limit_pa"] for row in stored] == [row["detail"]["limit_pa"] for row in before]


def test_one_act_changes_every_temperature_and_volume_of_the_api(
    api: Serving, client: httpx.Client, scene: Scene, jobs: dict[str, Made], conn: Connection
) -> None:
    circuit = jobs["leak"].job.circuit_id
    conn.execute("UPDATE circuit SET volume_m3 = 0.0283168 WHERE id = %s", (circuit,))
    diagnosis = {"equilibrium_temperature_k": 255.372222}
    conn.execute(
        "UPDATE hold_test SET detail = jsonb_set(detail, '{diagnosis}', detail->'diagnosis' || %s) "
        "WHERE id = %s AND detail->'diagnosis' <> 'null'",
        (Jsonb(diagnosis), jobs["leak"].hold_id),
    )
    scene.temperature(jobs["leak"], [(api.clock.now_us() - US, 299.15)])

    def seen(client: httpx.Client, query: str = "") -> tuple[object, ...]:
        volume = client.get(f"/api/v1/circuits/{circuit}?{query}").json()["volume"]
        hold = client.get(f"/api/v1/hold-tests/{jobs['leak'].hold_id}?{query}").json()
        degrees = hold["diagnosis"]["equilibrium_temperature"]
        address = f"/api/v1/readings?instrument={jobs['leak'].gauge.id}&quantity=temperature&{query}"
        readings = client.get(address).json()
        return (volume["unit"], round(volume["value"], 5), degrees["unit"], round(degrees["value"], 2),
                readings["unit"], readings["value"][-1])  # fmt: skip

    stored = ("m³", 0.02832, "K", 255.37, "K", 299.15)
    assert seen(client) == stored
    choose(client, temperature_unit="°F", volume_unit="ft³")
    assert seen(client) == ("ft³", 1.0, "°F", 0.0, "°F", 78.8)
    # What is asked for wins; others have their own.
    assert seen(client, "temperature_unit=C&volume_unit=L") == ("L", 28.3168, "°C", -17.78, "°C", 26.0)
    with api.client(TECHNICIAN) as other:
        assert seen(other) == stored
    wrong = client.get(f"/api/v1/circuits/{circuit}?volume_unit=gallon")
    assert (wrong.status_code, "gallon" in wrong.text) == (422, True)


def test_a_machines_token_gets_pascal_whatever_people_chose(
    api: Serving, client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    choose(client, pressure_unit="kPa")
    _, secret = tokens.make(
        conn,
        "reports",
        ["look"],
        to_datetime(api.clock.now_us()) + timedelta(days=1),
        to_datetime(api.clock.now_us()),
        None,
    )
    with api.client(None) as machine:
        machine.headers["Authorization"] = f"Bearer {secret}"
        address = f"/api/v1/jobs/{jobs['leak'].job.id}"
        assert machine.get(address).json()["target"]["unit"] == "Pa"
        assert machine.get(f"{address}?pressure_unit=micron").json()["target"]["unit"] == "micron"
        assert machine.patch(CHOICES, json={"pressure_unit": "hPa"}).status_code == 403


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"pressure_unit": "psi"}, "pressure_unit"),
        ({"pressure_unit": None}, "pressure_unit"),
        ({"beside_unit": "barg"}, "beside_unit"),
        ({"temperature_unit": "K"}, "temperature_unit"),
        ({"volume_unit": "gal"}, "volume_unit"),
        ({"locale": "xx-YY"}, "locale"),
        ({"locale": "de-DE\u0000"}, "locale"),
        ({"exact": "perhaps"}, "exact"),
    ],
)
def test_what_cannot_be_chosen_is_refused_at_its_field_and_nothing_changes(
    client: httpx.Client, wrong: dict[str, object], field: str
) -> None:
    kept = choose(client, pressure_unit="hPa", locale="fr-CA").json()
    refused = choose(client, **{"exact": True, **wrong})
    assert refused.status_code == 422
    assert [error["field"] for error in refused.json()["errors"]] == [field]
    assert client.get(CHOICES).json() == kept


def test_the_form_keeps_what_was_typed_and_says_what_is_wrong_at_the_field(
    api: Serving, client: httpx.Client
) -> None:
    form = {
        "pressure_unit": "Torr",
        "beside_unit": "none",
        "temperature_unit": "°F",
        "volume_unit": "ft³",
        "locale": "other",
        "other_locale": "tlh-<b>",
    }
    origin = {"Origin": api.address}
    refused = client.post("/me/figures", data=form, headers=origin)
    assert refused.status_code == 422
    assert "names no known locale" in refused.text.split('id="other_locale"')[1]
    assert 'value="tlh-&lt;b&gt;"' in refused.text
    assert '<option value="Torr" selected>' in refused.text
    assert not client.get(CHOICES).json()["chosen"]
    saved = client.post("/me/figures", data={**form, "other_locale": "pt-PT"}, headers=origin)
    assert (saved.status_code, saved.headers["location"]) == (303, "/me/figures")
    assert client.get(CHOICES).json()["locale"] == "pt-PT"
    page = client.get("/me/figures").text
    assert "0,50\u202fTorr" in page
    assert "0,4238\u202fft³" in page


def test_pages_follow_the_browsers_locale_until_another_is_chosen(
    client: httpx.Client, jobs: dict[str, Made]
) -> None:
    asks = {"Accept-Language": "de-DE,de;q=0.9"}
    address = f"/jobs/{jobs['leak'].job.id}"
    assert "(133,3\u202fPa)" in client.get(address, headers=asks).text
    choose(client, locale="en-US")
    assert "(133.3\u202fPa)" in client.get(address, headers=asks).text
    assert "Thu, May 28, " in client.get(address, headers=asks).text


def test_a_cookie_that_names_no_zone_is_as_none(client: httpx.Client, jobs: dict[str, Made]) -> None:
    address = f"/jobs/{jobs['leak'].job.id}"
    for zone in ("../../etc/passwd", "Mars/Olympus", "%00", "x" * 3000, "Europe%2FLisbon"):
        client.cookies.set("holdfast_zone", zone)
        page = client.get(address)
        assert page.status_code == 200
        assert ("UTC+1" in page.text) == (zone != "Europe%2FLisbon"), zone
        client.cookies.delete("holdfast_zone")


def test_exact_figures_can_be_asked_for_on_any_page(client: httpx.Client, jobs: dict[str, Made]) -> None:
    address = f"/jobs/{jobs['leak'].job.id}"
    assert "data-figures" in client.get(address).text
    assert '"exact": true' in client.get(f"{address}?exact=true").text
    choose(client, exact=True)
    assert '"exact": true' in client.get(address).text
    assert '"exact": false' in client.get(f"{address}?exact=false").text
