"""The AsyncAPI document and the code say the same, and the document is one."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import msgspec
import pytest
from jsonschema import Draft7Validator

from ingest import outcomes, pack, report, senml, topics
from ingest.courier import payload as order_payload
from ingest.receipts import MAX_RUNS, Receipt
from model.equipment import NAME
from model.errors import Refused
from model.order import Order, OrderAction, OrderResult, OrderState, Require
from model.reading import Valve
from ops.embedded.users import BrokerUser
from physics.units import PRESSURE_UNITS
from simulator import gateway as simulated
from simulator.senml import Record
from simulator.valve import Outcome
from store.packs import Ledger
from tests.gateways.contract import document, faults, validator

NOW_US = 1_780_000_000_000_000
PUBLISHED = Path(__file__).parents[1] / "contract" / "node_modules" / "@asyncapi" / "specs" / "schemas"


def schemas() -> dict[str, Any]:
    found = document()["components"]["schemas"]
    assert isinstance(found, dict)
    return found


# Source: AsyncAPI Initiative, JSON schema of AsyncAPI 3.0.0, in the npm package @asyncapi/specs.
@pytest.mark.node
def test_the_document_is_asyncapi_3() -> None:
    if not PUBLISHED.exists():
        pytest.skip("npm has not installed @asyncapi/specs")
    published = json.loads((PUBLISHED / "3.0.0-without-$id.json").read_text())
    errors = list(Draft7Validator(published).iter_errors(document()))
    assert [f"{error.json_path}: {error.message[:200]}" for error in errors] == []


def test_every_example_keeps_its_own_schema() -> None:
    seen = 0
    for name, message in document()["components"]["messages"].items():
        for example in message["examples"]:
            assert list(validator(name).iter_errors(example["payload"])) == [], (name, example)
            seen += 1
    assert seen >= 7


def test_topics_are_those_that_the_code_parses_and_publishes_on() -> None:
    written = {name: channel["address"] for name, channel in document()["channels"].items()}
    received = {
        name
        for name, address in written.items()
        if not isinstance(_parsed(address.format(gateway="gw1", instrument="g1")), Refused)
    }
    assert received == {str(kind) for kind in topics.Kind}
    sent = {topics.receipt_topic("{gateway}"), topics.order_topic("{gateway}", "{instrument}")}
    assert {address for name, address in written.items() if name not in received} == sent
    actions = {
        operation["channel"]["$ref"].rsplit("/", 1)[1]: operation["action"]
        for operation in document()["operations"].values()
    }
    assert actions == {name: "receive" if name in received else "send" for name in written}
    filters = set(topics.LIVE_FILTERS + topics.LATE_FILTERS)
    assert {re.sub(r"\{\w+\}", "+", written[name]) for name in received} == filters


def test_the_brokers_let_gateways_use_the_documents_channels_and_no_others() -> None:
    user = BrokerUser("gw1", "")
    receives = {
        op["channel"]["$ref"].rsplit("/", 1)[1]: op["action"] for op in document()["operations"].values()
    }
    for action, allowed in (("receive", user.may_publish), ("send", user.may_read)):
        channels = [c["address"] for name, c in document()["channels"].items() if receives[name] == action]
        assert {each.format(gateway="gw1", instrument="+") for each in channels} == set(allowed)


def _parsed(topic: str) -> topics.Topic | Refused:
    try:
        return topics.parse(topic)
    except Refused as error:
        return error


def test_limits_are_the_codes() -> None:
    messages, found = document()["components"]["messages"], schemas()
    assert found["pack"]["maxItems"] == senml.MAX_RECORDS
    assert messages["pack"]["x-max-bytes"] == senml.MAX_BYTES
    assert messages["presence"]["x-max-bytes"] == report.MAX_BYTES
    assert messages["outcome"]["x-max-bytes"] == outcomes.MAX_BYTES
    assert found["seq"]["properties"]["v"]["maximum"] == pack.MAX_SEQ
    assert found["boot"]["properties"]["vs"]["maxLength"] == pack.MAX_TEXT
    assert found["pressure"]["x-pa"] == {"minimum": pack.LOWEST_PA, "maximum": pack.HIGHEST_PA}
    assert {
        found["presence"]["properties"][field]["maxLength"] for field in ("session", "boot", "software")
    } == {report.MAX_TEXT}
    assert {found["outcome"]["properties"][field]["maxLength"] for field in ("id", "reason")} == {
        outcomes.MAX_TEXT
    }
    assert set(found["record"]["properties"]["bver"]["enum"]) == senml.VERSIONS
    for at in (
        found["presence"]["properties"]["at"],
        found["outcome"]["properties"]["at"],
        found["sent"]["properties"]["v"],
    ):
        assert at["minimum"] == senml.ABSOLUTE_S
    assert f"at most {MAX_RUNS} " in found["receipt"]["properties"]["have"]["description"]
    words = document()["components"]["x-refusals"]
    assert f"{pack.AHEAD_US // 60_000_000} minutes ahead" in words["time-ahead"]
    assert NAME.fullmatch("a" * 40)
    assert not NAME.fullmatch("a" * 41)
    assert "2 to 40 small letters" in document()["info"]["description"]
    assert f"`{outcomes.REPEATED}`" in document()["channels"]["outcome"]["description"]


def test_fields_are_those_that_the_code_reads_and_writes() -> None:
    found = schemas()
    assert set(found["record"]["properties"]) == {
        field.name for field in msgspec.structs.fields(senml.Record)
    }
    for name, kind in (("presence", report.Report), ("outcome", outcomes.Told)):
        fields = msgspec.structs.fields(kind)
        assert set(found[name]["properties"]) == {field.name for field in fields}
        assert set(found[name]["required"]) == {field.name for field in fields if field.required}
    full, least = (
        json.loads(order_payload(_order(), 0)),
        json.loads(order_payload(_order(boot=None, require=Require()), 0)),
    )
    assert set(found["order"]["properties"]) == set(full)
    assert set(found["order"]["required"]) == set(least)
    assert set(found["order"]["properties"]["require"]["properties"]) == set(full["require"])
    body = json.loads(Receipt("gw1", "g1", Ledger(1, "b", ((1, 2), (4, 6)), ((3, 3),)), ()).payload)
    assert set(found["receipt"]["properties"]) == set(found["receipt"]["required"]) == set(body)
    for topic, sent in (
        ("hf/1/gw1/receipt", body),
        ("hf/1/gw1/v1/order", full),
        ("hf/1/gw1/v1/order", least),
    ):
        assert faults(topic, json.dumps(sent).encode()) == []


def _order(**changed: Any) -> Order:
    values = {
        "boot": "b", "require": Require(pump_running_s=1.0, max_circuit_pa=2.0, position=Valve.CLOSED),
        **changed,
    }  # fmt: skip
    at = {"token": "t", "instrument_id": 1, "gateway": "gw1", "valve": "v1", "session": "s", "ttl_s": 5.0}
    at["expires_us"] = 5_000_000
    known: dict[str, Any] = dict.fromkeys(Order.__dataclass_fields__)
    more = {"id": 1, "action": OrderAction.OPEN, "state": OrderState.ASKED}
    return Order(**{name: {**known, **at, **more, **values}[name] for name in known})


def test_words_are_those_that_the_code_knows() -> None:
    found = schemas()
    assert set(found["order"]["properties"]["action"]["enum"]) == {str(each) for each in OrderAction}
    assert set(found["outcome"]["properties"]["result"]["enum"]) == {str(each) for each in OrderResult}
    positions = {position.name.lower() for position in Valve}
    assert set(found["valve"]["properties"]["vs"]["enum"]) == positions
    assert set(found["order"]["properties"]["require"]["properties"]["position"]["enum"]) == positions


VALUES: dict[str, list[dict[str, Any]]] = {
    "number": [{"v": v} for v in (1.0, 300_000_000, 1.5, -1, -5, -5.1, -273.15, -273.2, 1.5e6, 1.6e6, 2e11)],
    "text": [{"vs": "open"}, {"vs": "sideways"}, {"vs": "x" * 65}],
    "other": [{"vb": True}, {"vd": ""}, {"v": 1.0, "vb": True}],
}  # fmt: skip
NAMES = (
    "pressure", "temperature", "temperature.oil", "temperature.", "temperature.a b", "ambient", "battery",
    "valve", "pump", "hands", "overrange", "fault", "seq", "boot", "sent", "weather",
)  # fmt: skip
UNITS = (None, *PRESSURE_UNITS, "Cel", "K", "%EL", "V", "A", "m")


def test_names_values_and_units_are_taken_by_the_code_as_by_the_document() -> None:
    """Each name with each kind of value and unit: refused by both or by none."""
    different = []
    for name in NAMES:
        for value in (each for values in VALUES.values() for each in values):
            for unit in UNITS:
                record = {"n": name, **value, **({"u": unit} if unit else {})}
                taken = _taken(record)
                if name == "pressure" and unit not in schemas()["pressure"]["x-units"]:
                    # The document leaves the registered unit open; here none is.
                    assert not taken
                    continue
                if taken != (not list(validator("pack").iter_errors([record]))):
                    different.append((record, taken))
    # A schema sees one record: whether the base unit stands in for one that is left out, it cannot.
    needy = {"temperature", "temperature.oil", "ambient", "battery"}
    assert [each for each in different if "u" in each[0] or each[0]["n"] not in needy or each[1]] == []


def _taken(record: dict[str, Any]) -> bool:
    return not pack.read(json.dumps([record]).encode(), NOW_US, pack.ALWAYS_UNITS).refused


def test_units_are_the_codes() -> None:
    for schema, name in (("pressure", "pressure"), ("temperature", "ambient"), ("battery", "battery")):
        taken = {unit for unit in UNITS if _taken({"n": name, "v": 1.0, **({"u": unit} if unit else {})})}
        assert taken == set(schemas()[schema]["x-units"])


def test_reasons_of_refusal_are_the_codes() -> None:
    """Those in the text of the programs: each call of ``Refused`` and ``RecordRefused``, or of the first by a
    kind of it, with a word in it."""
    used = set()
    for file in Path(senml.__file__).parent.glob("*.py"):
        tree = ast.parse(file.read_text())
        kinds = {
            id(inner): getattr(node.bases[0], "id", "")
            for node in ast.walk(tree)
            if isinstance(node, ast.ClassDef) and node.bases
            for inner in ast.walk(node)
        }
        for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call)):
            called = getattr(call.func, "id", "") or _base_of(call, kinds)
            if called in ("Refused", "RecordRefused"):
                used |= set(_words(call.args[called == "RecordRefused"]))
    assert used == set(document()["components"]["x-refusals"])


def _base_of(call: ast.Call, kinds: Mapping[int, str]) -> str:
    """Of the class in which ``super().__init__`` is called."""
    return kinds.get(id(call), "") if ast.unparse(call.func) == "super().__init__" else ""


def _words(node: ast.expr) -> Iterator[str]:
    if isinstance(node, ast.IfExp):
        yield from (*_words(node.body), *_words(node.orelse))
    elif isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value


def test_messages_of_the_simulated_gateway_are_the_documents() -> None:
    gateway = simulated.Gateway("gw1", "b1", batch_us=0)
    will = gateway.will("s1")
    gateway.connected("s1", NOW_US)
    for instrument, record in (
        ("g1", Record("pressure", 66.1, NOW_US, "Pa")),
        ("g1", Record("temperature", 21.5, NOW_US, "Cel")),
        ("g1", Record("overrange", True, NOW_US)),
        ("v1", Record("valve", "closed", NOW_US - 3_600_000_000)),
        ("p1", Record("pump", False, NOW_US)),
    ):
        gateway.collect(instrument, record)
    gateway.outcome("v1", Outcome("o1", "refused", "pump is not running"), NOW_US)
    messages = [will, gateway.farewell(), *gateway.due(NOW_US, 0.0)]
    assert {message.topic.rsplit("/", 1)[1] for message in messages} == {
        "presence",
        "data",
        "late",
        "outcome",
    }
    for message in messages:
        assert faults(message.topic, message.payload) == []
        kind = message.topic.rsplit("/", 1)[1]
        assert message.retain == document()["channels"][kind]["x-retained"]


def test_a_message_that_is_not_the_documents_is_found() -> None:
    assert faults("hf/1/gw1/g1/data", b'[{"n": "pressure", "u": "Pa", "vs": "much"}]')
    assert faults("hf/1/gw1/g1/data", b"[]")
    assert faults("hf/1/gw1/presence", b'{"online": true}')
    assert faults("hf/1/gw1/g1/weather", b"[]") == ["hf/1/gw1/g1/weather: no such topic"]
