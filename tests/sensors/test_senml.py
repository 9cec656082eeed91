"""SenML read and written, checked against the examples of RFC 8428."""

from __future__ import annotations

import contextlib
import json
import math

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import InputError, PayloadError
from monitor.sensors.senml import MAX_BYTES, Record, dump_cbor, dump_json, parse_cbor, parse_json

NOW_MS = 1_764_000_000_000

# RFC 8428, 5.1.2 and 6: the pack of voltage and current as JSON, as CBOR, and resolved. Read in the working
# group's own source of the RFC.
VOLTAGE_JSON = b"""[
  {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
   "n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2},
  {"n":"current","t":-4,"v":1.3},
  {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5},
  {"n":"current","t":-1,"v":1.6},
  {"n":"current","v":1.7}
]"""
VOLTAGE_CBOR = bytes.fromhex(
    "87 a7 21 78 1b 75 72 6e 3a 64 65 76 3a 6f 77 3a 31 30 65 32 30 37 33 61 30 31 30 38 30 30 36 3a"
    "22 fb 41 d3 03 a1 5b 00 10 62 23 61 41 20 05 00 67 76 6f 6c 74 61 67 65 01 61 56 02 fb 40 5e 06"
    "66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06 24 02 fb 3f f3 33 33 33 33 33 33 a3 00 67 63 75"
    "72 72 65 6e 74 06 23 02 fb 3f f4 cc cc cc cc cc cd a3 00 67 63 75 72 72 65 6e 74 06 22 02 fb 3f"
    "f6 66 66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06 21 02 f9 3e 00 a3 00 67 63 75 72 72 65 6e"
    "74 06 20 02 fb 3f f9 99 99 99 99 99 9a a3 00 67 63 75 72 72 65 6e 74 06 00 02 fb 3f fb 33 33 33"
    "33 33 33"
)
VOLTAGE_RESOLVED = [
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.2, 1_276_020_071_001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.3, 1_276_020_072_001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.4, 1_276_020_073_001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.5, 1_276_020_074_001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.6, 1_276_020_075_001),
    ("urn:dev:ow:10e2073a0108006:voltage", "V", 120.1, 1_276_020_076_001),
    ("urn:dev:ow:10e2073a0108006:current", "A", 1.7, 1_276_020_076_001),
]


class TestParseJson:
    """The JSON form."""

    def test_single_datapoint(self):
        """RFC 8428, 5.1.1: a temperature about now, dated by its arrival."""
        pack = b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
        assert parse_json(pack, NOW_MS) == [
            Record("urn:dev:ow:10e2073a01080063", "Cel", 23.1, NOW_MS, dated=False)
        ]

    def test_multiple_datapoints_resolved(self):
        """RFC 8428, 5.1.2: base fields and relative times, in chronological order."""
        assert [tuple(record[:4]) for record in parse_json(VOLTAGE_JSON, NOW_MS)] == VOLTAGE_RESOLVED

    def test_multiple_measurements_resolved(self):
        """RFC 8428, 5.1.3 and 5.1.4: names from the base alone, a base unit that is overridden."""
        pack = b"""[
          {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
          {"u":"lon","v":24.30621},
          {"u":"lat","v":60.07965},
          {"t":60,"v":20.3},
          {"u":"lon","t":60,"v":24.30622},
          {"u":"%EL","t":150,"v":98},
          {"t":120,"v":20.7}
        ]"""
        records = parse_json(pack, NOW_MS)
        assert {record.name for record in records} == {"urn:dev:ow:10e2073a01080063"}
        assert [(record.unit, record.value, record.time_ms) for record in records] == [
            ("%RH", 20, 1_320_067_464_000),
            ("lon", 24.30621, 1_320_067_464_000),
            ("lat", 60.07965, 1_320_067_464_000),
            ("%RH", 20.3, 1_320_067_524_000),
            ("lon", 24.30622, 1_320_067_524_000),
            ("%RH", 20.7, 1_320_067_584_000),
            ("%EL", 98, 1_320_067_614_000),
        ]

    def test_multiple_data_types(self):
        """RFC 8428, 5.1.5: number, text, truth value and data."""
        pack = b"""[
          {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
          {"n":"label","vs":"Machine Room"},
          {"n":"open","vb":false},
          {"n":"nfc-reader","vd":"aGkgCg"}
        ]"""
        assert [record.value for record in parse_json(pack, NOW_MS)] == [
            23.1,
            "Machine Room",
            False,
            b"hi \n",
        ]

    @pytest.mark.parametrize(
        ("time_s", "expected_ms"),
        [
            (0, NOW_MS),
            (-5, NOW_MS - 5_000),
            (-0.25, NOW_MS - 250),
            (2**28 - 1, NOW_MS + (2**28 - 1) * 1_000),
            (2**28, 268_435_456_000),
            (1_320_067_464.5, 1_320_067_464_500),
        ],
    )
    def test_times_below_2_to_the_28_are_relative(self, time_s, expected_ms):
        """RFC 8428, 4.5.3: relative to now below 2^28 (268435456), Unix time from there on."""
        (record,) = parse_json(json.dumps([{"n": "a", "v": 1, "t": time_s}]).encode(), NOW_MS)
        assert record.time_ms == expected_ms
        assert record.dated == (time_s >= 2**28)

    def test_base_time_and_time_are_added_before_judging(self):
        """A relative base that its record lifts to 2^28 has turned absolute."""
        pack = b'[{"bt":268435450,"n":"a","v":1},{"n":"a","v":2,"t":6}]'
        first, second = parse_json(pack, NOW_MS)
        assert (first.time_ms, first.value) == (268_435_456_000, 2)
        assert second.time_ms == NOW_MS + 268_435_450_000

    def test_base_fields_last_until_replaced(self):
        """RFC 8428, 4.1: a base applies up to the next record that has the same base."""
        pack = b"""[
          {"bn":"a:","bu":"V","bv":10,"bs":100},
          {"n":"x","v":1},
          {"bn":"b:","n":"x","v":2,"s":5},
          {"n":"y","u":"K","bv":0,"v":3},
          {"n":"z"}
        ]"""
        records = parse_json(pack, NOW_MS)
        assert [(r.name, r.unit, r.value, r.integral) for r in records] == [
            ("a:x", "V", 11, None),
            ("b:x", "V", 12, 105),
            ("b:y", "K", 3, None),
            ("b:z", "V", 0, None),
        ]

    def test_a_sum_needs_no_value(self):
        """RFC 8428, 4.2: a record may carry a sum alone."""
        (record,) = parse_json(b'[{"n":"flow","s":3.5}]', NOW_MS)
        assert (record.value, record.integral) == (None, 3.5)

    def test_update_time_is_kept(self):
        """`ut` says how long to wait for the next reading."""
        (record,) = parse_json(b'[{"n":"a","v":0,"ut":900}]', NOW_MS)
        assert (record.value, record.update_s) == (0, 900)

    def test_unknown_labels_are_ignored(self):
        """RFC 8428, 4.4: what is not known is passed over."""
        assert len(parse_json(b'[{"n":"a","v":1,"colour":"blue","z":{"deep":[1]}}]', NOW_MS)) == 1

    @pytest.mark.parametrize(
        ("pack", "kind"),
        [
            ("[]", "not_a_pack"),
            ('{"n":"a","v":1}', "not_a_pack"),
            ("[1]", "not_a_pack"),
            ("null", "not_a_pack"),
            ("", "not_json"),
            ('[{"n":"a","v":1}', "not_json"),
            ('[{"n":"a","v":1}] x', "not_json"),
            ('[{"n":"a","v":01}]', "not_json"),
            ('[{"n":"a","v":NaN}]', "not_finite"),
            ('[{"n":"a","v":-Infinity}]', "not_finite"),
            ('[{"n":"a","v":1e999}]', "not_finite"),
            ('[{"n":"a","v":1%s}]' % ("0" * 400), "not_finite"),
            ('[{"n":"a","v":1%s}]' % ("0" * 5_000), "not_json"),
            ('[{"n":"a","bv":1e308,"v":1e308}]', "not_finite"),
            ('[{"n":"a","t":1e300,"v":1}]', "time"),
            ('[{"n":"a","bt":17N,"t":17N,"v":1}]'.replace("N", "0" * 307), "not_finite"),
            ('[{"n":"a","v":true}]', "type"),
            ('[{"n":"a","v":"1.05"}]', "type"),
            ('[{"n":"a","v":null}]', "type"),
            ('[{"n":1,"v":1}]', "type"),
            ('[{"n":"a","vb":1}]', "type"),
            ('[{"n":"a","vd":"**"}]', "type"),
            ('[{"n":"a","v":1,"v":2}]', "duplicate_key"),
            ('[{"n":"a","v":1,"vs":"b"}]', "value"),
            ('[{"n":"a","u":"V"}]', "value"),
            ('[{"v":1}]', "name"),
            ('[{"n":"_a","v":1}]', "name"),
            ('[{"n":"a b","v":1}]', "name"),
            ('[{"n":"a","v":1,"must_":1}]', "label"),
            ('[{"n":"a","v":1,"bver":11}]', "version"),
            ('[{"n":"a","v":1,"bver":42}]', "version"),
            ('[{"n":"a","v":1,"bver":10.5}]', "version"),
            ('[{"n":"a","v":1,"bver":true}]', "version"),
            ('[{"n":"a","v":1},{"bver":26,"n":"b","v":1}]', "version"),
            ("[" * 60_000, "nesting"),
            ('[{"n":"a","v":1,"x":' + "[" * 30_000 + "]" * 30_000 + "}]", "nesting"),
            ("[" + " " * MAX_BYTES + "]", "too_large"),
        ],
    )
    def test_what_the_standard_forbids_is_refused(self, pack, kind):
        """Each fault is a PayloadError of its own kind."""
        with pytest.raises(PayloadError) as caught:
            parse_json(pack.encode(), NOW_MS)
        assert caught.value.kind == kind

    def test_the_field_at_fault_is_named_by_pointer(self):
        """The fault names record and label as a JSON Pointer does."""
        with pytest.raises(PayloadError) as caught:
            parse_json(b'[{"n":"a","v":1},{"n":"b","v":"1"}]', NOW_MS)
        assert caught.value.field == "/1/v"

    def test_versions_with_secondary_units_are_known(self):
        """RFC 9100: 26 is version 10 with feature bit 4."""
        assert len(parse_json(b'[{"bver":26,"n":"a","u":"dBm","v":-70}]', NOW_MS)) == 1

    def test_a_byte_order_mark_is_passed_over(self):
        """Some senders put one first; RFC 8259, 8.1 lets a reader ignore it."""
        assert len(parse_json(b'\xef\xbb\xbf[{"n":"a","v":1}]', NOW_MS)) == 1


class TestParseCbor:
    """The CBOR form."""

    def test_the_example_of_the_standard(self):
        """RFC 8428, 6: the bytes given there mean what the JSON does, half-precision number included."""
        assert parse_cbor(VOLTAGE_CBOR, NOW_MS) == parse_json(VOLTAGE_JSON, NOW_MS)

    def test_decimal_fractions_are_numbers(self):
        """RFC 8428, 6: tag 4 stands for a JSON number; 273.15 is the example of RFC 8949, 3.4.4."""
        pack = bytes.fromhex("81 a2 00 61 61 02 c4 82 21 19 6a b3")
        assert parse_cbor(pack, NOW_MS)[0].value == 273.15

    def test_data_is_bytes(self):
        """vd is a byte string."""
        assert parse_cbor(cbor2.dumps([{0: "a", 8: b"\x00\xff"}]), NOW_MS)[0].value == b"\x00\xff"

    @pytest.mark.parametrize(
        ("pack", "kind"),
        [
            (b"", "not_cbor"),
            (VOLTAGE_CBOR[:-1], "not_cbor"),
            (VOLTAGE_CBOR + b"\x00", "not_cbor"),
            (b"\x81" * 5_000 + b"\x01", "not_cbor"),
            (bytes.fromhex("81 a3 00 61 61 02 01 02 02"), "duplicate_key"),
            (cbor2.dumps([{0: "a", 2: 1, "v": 2}]), "duplicate_key"),
            (cbor2.dumps([{0: "a", 2: math.nan}]), "not_finite"),
            (cbor2.dumps([{0: "a", 2: math.inf}]), "not_finite"),
            (bytes.fromhex("81 a2 00 61 61 02 c4 82 19 03 e7 01"), "not_finite"),
            (bytes.fromhex("81 a2 00 61 61 02 c5 82 1b 00 00 00 00 ff ff ff ff 01"), "not_cbor"),
            (cbor2.dumps([{0: "a", 2: True}]), "type"),
            (cbor2.dumps([{0: "a", 8: "aGk"}]), "type"),
            (cbor2.dumps([{-1: 11, 0: "a", 2: 1}]), "version"),
            (cbor2.dumps([{-1: 2**20_000, 0: "a", 2: 1}]), "version"),
            (cbor2.dumps([{0: "a", 2: 2**20_000}]), "not_finite"),
            (cbor2.dumps([{0: "a", 6: 2**20_000, 2: 1}]), "not_finite"),
            (cbor2.dumps([{0: "a", 2: 1, "must_": 1}]), "label"),
            (cbor2.dumps({0: "a"}), "not_a_pack"),
            (b"\x00" * (MAX_BYTES + 1), "too_large"),
        ],
    )
    def test_what_the_standard_forbids_is_refused(self, pack, kind):
        """Each fault is a PayloadError of its own kind."""
        with pytest.raises(PayloadError) as caught:
            parse_cbor(pack, NOW_MS)
        assert caught.value.kind == kind


names = st.from_regex(r"[A-Za-z0-9][-A-Za-z0-9:./_]{0,20}", fullmatch=True)
numbers = st.floats(allow_nan=False, allow_infinity=False)
values = st.one_of(numbers, st.booleans(), st.text(max_size=10), st.binary(max_size=10))
records = st.builds(
    Record,
    name=names,
    unit=st.sampled_from(["", "Cel", "kg/m3", "V"]),
    value=values,
    time_ms=st.integers(2**28 * 1_000, 7_000_000_000_000),
    dated=st.booleans(),
    integral=st.one_of(st.none(), numbers),
    update_s=st.one_of(st.none(), st.floats(0, 1e6)),
)


@given(st.lists(records, min_size=1, max_size=8))
def test_both_forms_give_back_what_was_written(given_records):
    """Writing and reading is the identity, but for the order of time and the arrival of what is undated."""
    arrived = [record if record.dated else record._replace(time_ms=NOW_MS) for record in given_records]
    expected = sorted(arrived, key=lambda record: record.time_ms)
    assert parse_json(dump_json(given_records), NOW_MS) == expected
    assert parse_cbor(dump_cbor(given_records), NOW_MS) == expected


def test_what_is_written_is_compact():
    """Name and time are said once; a lone record keeps the last part of its name."""
    sent = [
        Record("float-a:density", "kg/m3", 1018.2, NOW_MS),
        Record("float-a:temperature", "Cel", 18.3, NOW_MS + 500),
    ]
    assert dump_json(sent) == (
        b'[{"bn":"float-a:","bt":1764000000,"n":"density","u":"kg/m3","v":1018.2},'
        b'{"n":"temperature","u":"Cel","v":18.3,"t":0.5}]'
    )
    assert b'"n":"density"' in dump_json(sent[:1])


def test_a_time_that_would_read_as_relative_is_not_written():
    """Before 2^28 s a time cannot be absolute."""
    with pytest.raises(InputError):
        dump_json([Record("a", "V", 1.0, 1_000)])


@given(st.binary(max_size=200))
def test_any_bytes_are_records_or_a_payload_error(payload):
    """No bytes make a reader fail in another way."""
    for parse in (parse_json, parse_cbor):
        with contextlib.suppress(PayloadError):
            assert parse(payload, NOW_MS) is not None
