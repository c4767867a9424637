"""SenML against the examples that RFC 8428 itself prints (sections 5.1.1 to 5.1.7 and 6)."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable

import cbor2
import pytest

from ingest import senml
from ingest.senml import MAX_BYTES, MAX_RECORDS, Record, Resolved, decode, is_cbor, resolve
from model.errors import Refused

WIRE = "urn:dev:ow:10e2073a01080063"


def resolved(payload: bytes | str, content_type: str | None = None) -> list[Resolved]:
    raw = payload.encode() if isinstance(payload, str) else payload
    items = list(resolve(decode(raw, content_type)))
    assert all(isinstance(item, Resolved) for item in items), items
    return [item for item in items if isinstance(item, Resolved)]


def code_of(payload: bytes) -> str:
    with pytest.raises(Refused) as caught:
        list(resolve(decode(payload)))
    return caught.value.code


def test_single_data_point_of_5_1_1() -> None:
    [item] = resolved('[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]')
    assert (item.base + item.name, item.unit, item.value, item.time_s) == (WIRE, "Cel", 23.1, 0.0)


def test_names_of_5_1_2_are_base_name_and_name() -> None:
    items = resolved(
        '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]'
    )
    assert [(item.base + item.name, item.unit, item.value) for item in items] == [
        (WIRE + ":voltage", "V", 120.1),
        (WIRE + ":current", "A", 1.2),
    ]


FIVE_SECONDS = """[
  {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2}, {"n":"current","t":-4,"v":1.3}, {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5}, {"n":"current","t":-1,"v":1.6}, {"n":"current","v":1.7}
]"""


def test_times_of_5_1_2_end_at_the_stated_moment() -> None:
    items = resolved(FIVE_SECONDS)
    # "at Tue Jun 8 18:01:16.001 UTC 2010 and at each second for the previous 5 seconds"
    end = 1_276_020_076.001
    assert [round(item.time_s, 3) for item in items] == [
        end,
        *(round(end - n, 3) for n in (5, 4, 3, 2, 1)),
        end,
    ]
    assert [item.unit for item in items] == ["V", *6 * ["A"]]
    assert [item.value for item in items] == [120.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]


SEVERAL = """[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
  {"u":"lon","v":24.30621}, {"u":"lat","v":60.07965},
  {"t":60,"v":20.3}, {"u":"lon","t":60,"v":24.30622}, {"u":"lat","t":60,"v":60.07965},
  {"t":120,"v":20.7}, {"u":"lon","t":120,"v":24.30623}, {"u":"lat","t":120,"v":60.07966},
  {"u":"%EL","t":150,"v":98},
  {"t":180,"v":21.2}, {"u":"lon","t":180,"v":24.30628}, {"u":"lat","t":180,"v":60.07967}
]"""
SEVERAL_RESOLVED = [
    ("%RH", 1.320067464e09, 20), ("lon", 1.320067464e09, 24.30621), ("lat", 1.320067464e09, 60.07965),
    ("%RH", 1.320067524e09, 20.3), ("lon", 1.320067524e09, 24.30622), ("lat", 1.320067524e09, 60.07965),
    ("%RH", 1.320067584e09, 20.7), ("lon", 1.320067584e09, 24.30623), ("lat", 1.320067584e09, 60.07966),
    ("%EL", 1.320067614e09, 98),
    ("%RH", 1.320067644e09, 21.2), ("lon", 1.320067644e09, 24.30628), ("lat", 1.320067644e09, 60.07967),
]  # fmt: skip


def test_5_1_3_resolves_to_5_1_4() -> None:
    items = resolved(SEVERAL)
    assert [(item.unit, item.time_s, item.value) for item in items] == SEVERAL_RESOLVED
    assert {item.base + item.name for item in items} == {WIRE}


def test_data_types_of_5_1_5() -> None:
    items = resolved(
        '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},'
        '{"n":"label","vs":"Machine Room"},'
        '{"n":"open","vb":false},{"n":"nfv-reader","vd":"aGkgCg"}]'
    )
    assert [(item.value, item.text, item.truth, item.data is not None) for item in items] == [
        (23.1, None, None, False),
        (None, "Machine Room", None, False),
        (None, None, False, False),
        (None, None, None, True),
    ]


def test_base_name_of_the_third_record_and_base_time_of_the_first_in_5_1_6() -> None:
    items = resolved(
        '[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},'
        '{"n":"humidity","u":"%RH","v":30},{"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},'
        '{"n":"humidity","u":"%RH","v":67}]'
    )
    assert items[-1].base + items[-1].name == "2001:db8::1/humidity"
    assert items[-1].time_s == 1.320078429e09


def test_record_with_nothing_but_a_base_name_in_5_1_7() -> None:
    items = resolved(
        '[{"bn":"urn:dev:ow:10e2073a01080063:"},{"n":"temp","u":"Cel","v":23.1},{"n":"heat","u":"/","v":1},'
        '{"n":"fan","u":"/","v":0}]'
    )
    assert [item.base + item.name for item in items] == [f"{WIRE}:{name}" for name in ("temp", "heat", "fan")]


# RFC 8428, section 6: the CBOR form of the second example of 5.1.2, printed there as a dump. It begins so:
CBOR_BEGINNING = bytes.fromhex(
    "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b00106223614120050067766f6c7461"
    "676501615602fb405e066666666666a3006763757272656e74062402fb3ff3333333333333a3006763757272656e74062302fb3ff4cc"
    "cccccccccd"
)


def cbor_form(items: list[dict[str, object]]) -> bytes:
    labels = {"bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6, "n": 0, "u": 1, "v": 2, "vs": 3,
              "vb": 4, "s": 5, "t": 6, "ut": 7, "vd": 8}  # fmt: skip
    return cbor2.dumps([{labels[key]: value for key, value in item.items()} for item in items])


def test_cbor_of_section_6_says_the_same_as_json() -> None:
    payload = cbor_form(json.loads(FIVE_SECONDS))
    # The RFC's encoder orders a record's fields otherwise, so only the array's head is compared …
    assert payload[0] == CBOR_BEGINNING[0]
    # … and its own bytes are decoded: three of seven records, so the array's head is set to three.
    assert resolved(b"\x83" + CBOR_BEGINNING[1:]) == resolved(FIVE_SECONDS)[:3]
    assert resolved(payload) == resolved(FIVE_SECONDS)


@pytest.mark.parametrize("text", [FIVE_SECONDS, SEVERAL])
def test_cbor_and_json_are_told_apart_by_the_first_byte_or_the_content_type(text: str) -> None:
    payload = cbor_form(json.loads(text))
    assert resolved(payload) == resolved(text)
    assert resolved(payload, "application/senml+cbor") == resolved(
        text, "application/senml+json;charset=utf-8"
    )
    assert is_cbor(payload, None)
    assert not is_cbor(b" \n[", None)
    assert not is_cbor(payload, "application/senml+json")


def test_base_value_and_base_sum_are_added() -> None:
    # RFC 8428, 4.5.4: a missing part counts as zero
    items = resolved('[{"bv":10,"bs":100,"n":"a","v":1,"s":5},{"n":"b"},{"n":"c","vs":"x"},{"n":"d","s":7}]')
    assert [(item.value, item.sum) for item in items] == [(11, 105), (10, 100), (None, 100), (None, 107)]


def test_sum_alone_is_a_record() -> None:
    [item] = resolved('[{"n":"energy","s":4.5}]')
    assert (item.value, item.sum) == (None, 4.5)


@pytest.mark.parametrize("version", [1, 5, 10, 26])
def test_versions_up_to_ten_and_the_one_with_secondary_units_are_understood(version: int) -> None:
    assert len(resolved(f'[{{"bver":{version},"n":"a","v":1}}]')) == 1


@pytest.mark.parametrize("version", [0, 11, 27, -1, 10.5])
def test_other_versions_refuse_the_pack(version: float) -> None:
    assert code_of(f'[{{"n":"a","v":1}},{{"bver":{version},"n":"a","v":1}}]'.encode()) == "version"


def test_records_of_different_versions_refuse_the_pack() -> None:
    assert code_of(b'[{"bver":10,"n":"a","v":1},{"bver":5,"n":"a","v":1}]') == "version"


@pytest.mark.parametrize(
    "payload",
    [
        b'[{"n":"a","v":1},{"n":"a","v":1,"extra_":1}]',
        b'[{"n":"a","v":1,"extra\\u005f":1}]',
        cbor2.dumps([{0: "a", 2: 1, "extra_": 1}]),
    ],
)
def test_field_that_must_be_understood_refuses_the_pack(payload: bytes) -> None:
    # RFC 8428, 4.4
    assert code_of(payload) == "must-understand"


@pytest.mark.parametrize(
    "payload",
    [b'[{"n":"a","v":1,"extra":[1,{"x_":2}]}]', cbor2.dumps([{0: "a", 2: 1, "extra": [1, 2], 77: 1}])],
)
def test_other_unknown_fields_are_passed_over(payload: bytes) -> None:
    assert resolved(payload)[0].value == 1


@pytest.mark.parametrize(
    "payload",
    [
        b"", b"[", b"{}", b"null", b"17", b'"text"', b'[{"n":"a","v":1}] more', b"\x00", b"[" * 60_000,
        b'[{"x":' + b"[" * 30_000 + b"]" * 30_000 + b"}]",
        cbor2.dumps({0: "a"}), cbor2.dumps([{0: "a", 2: 1}]) + b"\x00", cbor2.dumps([{0: "a", 2: 1}])[:-1],
        b"\x9f\xa0\xff", b"\x81\xbf\x00\x61a\xff", b"\x81\xa1\x00\x7f\x61a\xff", b"\x81" * 60_000,
        b"\x9b" + b"\xff" * 8, b"\x81\x5b" + b"\x7f" * 8, b"\x81\xa2\x00\x61a\x00\x61b",
        b"\x81\xa1\x02\xc4\x82\x01\xc2\x59\x80\x00" + b"\xff" * 0x8000,
    ],
)  # fmt: skip
def test_what_is_no_senml_is_refused_at_once(payload: bytes) -> None:
    assert code_of(payload) == "not-senml"


def test_only_decimal_fractions_are_taken_from_among_the_tags() -> None:
    """The decoder knows many: some compile patterns, read mail or build circles."""
    taken = []
    for tag in (*range(1500), 43_000, 55_799):
        for content in (b"\x01", b"\x61a", b"\x82\x01\x02", b"\x41\x01", b"\xa0", b"\xf9\x3c\x00"):
            try:
                records = decode(b"\x81\xa1\x02" + b"\xd9" + tag.to_bytes(2, "big") + content)
            except Refused:
                continue
            if isinstance(records[0], Record):
                taken.append((tag, records[0].v))
    # 55799 says "this is CBOR" and changes nothing, RFC 8949, 3.4.6
    assert taken == [(4, 20.0), (55_799, 1.0), (55_799, 1.0)]


@pytest.mark.parametrize(
    ("fraction", "value"), [(b"\xc4\x82\x21\x19\x03\xe8", 10.0), (b"\xc4\x82\x3a\x00\x98\x96\x80\x01", 0.0)]
)
def test_decimal_fraction_is_a_number(fraction: bytes, value: float) -> None:
    [record] = decode(b"\x81\xa1\x02" + fraction)
    assert isinstance(record, Record)
    assert record.v == value


def test_pack_over_64_kib_is_refused_and_one_of_just_that_is_not() -> None:
    filler = MAX_BYTES - len(b'[{"n":"a","v":1,"x":""}]')
    payload = b'[{"n":"a","v":1,"x":"' + b"x" * filler + b'"}]'
    assert len(resolved(payload)) == 1
    assert code_of(payload + b" ") == "too-large"


def test_pack_over_2000_records_is_refused_and_one_of_just_that_is_not() -> None:
    assert len(resolved(json.dumps([{"n": "a", "v": 1}] * MAX_RECORDS))) == MAX_RECORDS
    assert code_of(json.dumps([{"n": "a", "v": 1}] * (MAX_RECORDS + 1)).encode()) == "too-many-records"


@pytest.mark.parametrize(
    ("bad", "code"),
    [
        (b'{"n":"a","v":"1"}', "record"), (b'{"n":"a","v":true}', "record"), (b'{"n":1,"v":1}', "record"),
        (b'{"n":"a","vb":1}', "record"), (b'{"n":"a","t":"now","v":1}', "record"), (b"[]", "record"),
        (b"null", "record"), (b'{"n":"\xff","v":1}', "text"), (b'{"n":"a","vs":"\\u0000"}', "text"),
        (b'{"n":"a","vs":"\x00"}', "text"), (b'{"n":"a","vs":"\\ud800"}', "text"),
    ],
)  # fmt: skip
def test_bad_record_does_not_refuse_its_pack(bad: bytes, code: str) -> None:
    items = list(resolve(decode(b'[{"n":"b","v":1},' + bad + b',{"n":"c","v":2}]')))
    assert [item.name for item in items if isinstance(item, Resolved)] == ["b", "c"]
    [(position, error)] = [item for item in items if not isinstance(item, Resolved)]
    assert (position, error.code) == (1, code)


@pytest.mark.parametrize(
    ("bad", "code"),
    [
        ({0: "a", 2: "1"}, "record"), ({0: "a", 2: True}, "record"), ({0: b"a", 2: 1}, "record"),
        ([], "record"),
        ({"n": "a", "v": 1}, "record"), ({0: "a\0", 2: 1}, "text"), ({0: "a", 4: 1}, "record"),
    ],
)  # fmt: skip
def test_bad_record_does_not_refuse_its_cbor_pack(bad: object, code: str) -> None:
    items = list(resolve(decode(cbor2.dumps([{0: "b", 2: 1}, bad, {0: "c", 2: 2}]))))
    assert [item.name for item in items if isinstance(item, Resolved)] == ["b", "c"]
    [(_, error)] = [item for item in items if not isinstance(item, Resolved)]
    assert error.code == code


def test_truth_value_is_no_label_of_cbor() -> None:
    """In Python True equals 1, and 1 is the label of the unit."""
    [record] = decode(cbor2.dumps([{0: "a", 2: 1, True: "Pa"}]))
    assert isinstance(record, Record)
    assert record.u is None


@pytest.mark.parametrize("payload", [b'[{"bt":"x"},{"n":"a","v":1}]', cbor2.dumps([{-4: 1}, {0: "a", 2: 1}])])
def test_bad_base_field_refuses_the_pack_for_what_follows_stands_on_it(payload: bytes) -> None:
    assert code_of(payload) == "base"


def narrow(label: bytes, value: float) -> bytes:
    return b"\x82\xa2\x00\x61b\x02\x01\xa3\x00\x61a\x02\x01" + label + b"\xfa" + struct.pack(">f", value)


def test_absolute_time_in_single_precision_is_refused() -> None:
    items = list(resolve(decode(narrow(b"\x06", 1.7e9))))
    assert isinstance(items[0], Resolved)
    assert not isinstance(items[1], Resolved)
    assert items[1][1].code == "time-float32"
    assert code_of(narrow(b"\x22", 1.7e9)) == "time-float32"


@pytest.mark.parametrize("count", [1, 2, MAX_RECORDS])
def test_a_pack_is_searched_once_for_single_precision_however_many_times_it_holds(
    count: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    searches: list[bytes] = []
    whole = senml._AFTER_SINGLE

    class Counted:
        def findall(self, payload: bytes) -> list[bytes]:
            searches.append(payload)
            return whole.findall(payload)

    monkeypatch.setattr(senml, "_AFTER_SINGLE", Counted())
    times = [float(2**30 + 128 * n) for n in range(count)]  # all of them fit single precision
    wide = (
        b"\x99" + struct.pack(">H", count) + b"".join(b"\xa1\x06\xfb" + struct.pack(">d", t) for t in times)
    )
    assert not any(isinstance(record, Refused) for record in decode(wide))
    single = (
        b"\x99" + struct.pack(">H", count) + b"".join(b"\xa1\x06\xfa" + struct.pack(">f", t) for t in times)
    )
    assert [getattr(record, "code", None) for record in decode(single)] == count * ["time-float32"]
    assert searches == [wide, single]


@pytest.mark.parametrize("form", [cbor_form, lambda items: json.dumps(items).encode()], ids=["cbor", "json"])
def test_records_are_counted_before_any_is_built(
    form: Callable[[list[dict[str, object]]], bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    built: list[object] = []
    build = senml._record

    def counted(item: object, known: Callable[[object], str | None]) -> Record | Refused:
        built.append(item)
        return build(item, known)

    monkeypatch.setattr(senml, "_record", counted)
    bad_base: dict[str, object] = {"bt": "no number"}  # seen at once by whoever looks at the records
    assert code_of(form([bad_base] * MAX_RECORDS)) == "base"
    built.clear()
    assert code_of(form([bad_base] * (MAX_RECORDS + 1))) == "too-many-records"
    assert not built


def test_short_offset_in_single_precision_and_round_time_in_double_are_taken() -> None:
    assert resolved(narrow(b"\x06", -2.5))[1].time_s == -2.5
    round_time = struct.unpack(">f", struct.pack(">f", 1.7e9))[0]
    assert resolved(cbor2.dumps([{0: "a", 2: 1, 6: round_time}]))[0].time_s == round_time
