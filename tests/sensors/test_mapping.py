"""JSON of other shapes, and bare numbers."""

from __future__ import annotations

import json

import pytest

from monitor.errors import InputError, PayloadError, QuantityError
from monitor.ferment.event import Reading
from monitor.sensors.mapping import (
    MappedField,
    MappedNumber,
    MappedObject,
    MappedTime,
    NumberMapping,
    ObjectMapping,
)
from monitor.units import Quantity

NOW_MS = 1_764_000_000_000
TOPIC = "cellar/float-a/state"


def mapped(*fields: tuple[str, Quantity, str], time: MappedTime | None = None) -> MappedObject:
    return MappedObject(ObjectMapping("cellar/+/state", "{2}", tuple(MappedField(*f) for f in fields), time))


GRAVITY = ("/liquid/extract", Quantity.GRAVITY, "plato")
WARMTH = ("/liquid/warmth", Quantity.TEMPERATURE, "degF")


class TestMappedObject:
    """Members of a JSON text by JSON Pointer."""

    def test_members_become_readings(self):
        """Each pointer gives a reading in its kept unit, all with one time."""
        payload = b'{"liquid": {"extract": 0, "warmth": 68}, "other": [1]}'
        assert mapped(GRAVITY, WARMTH).decode(TOPIC, payload, NOW_MS, False).readings == (
            Reading("float-a", Quantity.GRAVITY, NOW_MS, 1.0, NOW_MS),
            Reading("float-a", Quantity.TEMPERATURE, NOW_MS, 20.0, NOW_MS),
        )

    @pytest.mark.parametrize(
        ("pointer", "value"),
        # RFC 6901, 5: the pointers of the standard's example that lead to a number
        [
            ("/", 0),
            ("/a~1b", 1),
            ("/c%d", 2),
            ("/e^f", 3),
            ("/g|h", 4),
            ("/i\\j", 5),
            ('/k"l', 6),
            ("/ ", 7),
            ("/m~0n", 8),
        ],
    )
    def test_pointers_of_the_standard(self, pointer, value):
        """The example document of RFC 6901 gives the values that the standard lists."""
        document = {
            "foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6,
            " ": 7, "m~n": 8,
        }  # fmt: skip
        found = mapped((pointer, Quantity.TEMPERATURE, "degC")).decode(
            TOPIC, json.dumps(document).encode(), NOW_MS, False
        )
        assert found.readings[0].value == value

    @pytest.mark.parametrize(
        ("unit", "value", "expected_ms"),
        [
            ("s", 1_763_999_995, NOW_MS - 5_000),
            ("s", 1_763_999_995.25, NOW_MS - 4_750),
            ("ms", 1_763_999_995_001, NOW_MS - 4_999),
            ("us", 1_763_999_995_000_000, NOW_MS - 5_000),
            ("rfc3339", "2025-11-24T16:59:55+01:00", NOW_MS - 5_000 - 3_600_000 * 0),
            ("rfc3339", "2025-11-24T15:59:55Z", NOW_MS - 5_000),
        ],
    )
    def test_times_are_read_in_their_declared_unit(self, unit, value, expected_ms):
        """Seconds, milliseconds, microseconds and RFC 3339 with an offset."""
        way = mapped(WARMTH, time=MappedTime("/at", unit))
        payload = json.dumps({"liquid": {"warmth": 68}, "at": value}).encode()
        assert way.decode(TOPIC, payload, NOW_MS, False).readings[0].time_ms == expected_ms

    @pytest.mark.parametrize(
        ("unit", "value", "kind"),
        [
            ("s", 1_764_000_000_000, "time"),
            ("s", 1e300, "time"),
            ("s", -1, "time"),
            ("s", True, "type"),
            ("s", "1764000000", "type"),
            ("rfc3339", "2025-11-24T15:59:55", "time"),
            ("rfc3339", "0001-01-01T00:00:00+14:00", "time"),
            ("rfc3339", 1_764_000_000, "time"),
            ("rfc3339", "yesterday", "time"),
        ],
    )
    def test_what_is_no_time_is_refused_and_the_unit_not_guessed(self, unit, value, kind):
        """Milliseconds declared as seconds, local times and words are faults."""
        way = mapped(WARMTH, time=MappedTime("/at", unit))
        payload = json.dumps({"liquid": {"warmth": 68}, "at": value}).encode()
        with pytest.raises(PayloadError) as caught:
            way.decode(TOPIC, payload, NOW_MS, False)
        assert (caught.value.kind, caught.value.field) == (kind, "/at")

    def test_one_failed_member_leaves_the_others_good(self):
        """A thermometer that failed does not take the gravity with it."""
        found = mapped(GRAVITY, WARMTH).decode(
            TOPIC, b'{"liquid": {"extract": 10, "warmth": -196.6}}', NOW_MS, False
        )
        assert [reading.quantity for reading in found.readings] == [Quantity.GRAVITY]
        assert [(fault.kind, fault.field) for fault in found.faults] == [("range", "/liquid/warmth")]

    @pytest.mark.parametrize(
        ("payload", "kind", "field"),
        [
            (b'{"liquid": {}}', "missing", "/liquid/extract"),
            (b'{"liquid": null}', "missing", "/liquid/extract"),
            (b"[]", "missing", "/liquid/extract"),
            (b"7", "missing", "/liquid/extract"),
            (b'{"liquid": {"extract": null}}', "missing", "/liquid/extract"),
            (b'{"liquid": {"extract": "10"}}', "type", "/liquid/extract"),
            (b'{"liquid": {"extract": true}}', "type", "/liquid/extract"),
            (b'{"liquid": {"extract": [10]}}', "type", "/liquid/extract"),
            (b'{"liquid": {"extract": NaN}}', "not_finite", ""),
            (b'{"liquid": {"extract": 1e999}}', "range", "/liquid/extract"),
            (b'{"liquid": {"extract": 1%s}}' % (b"0" * 400), "not_finite", "/liquid/extract"),
            (b'{"liquid": {"extract": 1, "extract": 2}}', "duplicate_key", "extract"),
            (b"{", "not_json", ""),
            (b"\xff", "not_utf8", ""),
        ],
    )
    def test_faults_are_named(self, payload, kind, field):
        """Each fault has its kind and the pointer at fault."""
        with pytest.raises(PayloadError) as caught:
            mapped(GRAVITY).decode(TOPIC, payload, NOW_MS, False)
        assert (caught.value.kind, caught.value.field) == (kind, field)

    def test_a_retained_object_must_say_its_time(self):
        """Without a time a retained value may be weeks old."""
        payload = b'{"liquid": {"warmth": 68}}'
        way = mapped(WARMTH, time=MappedTime("/at", "s"))
        with pytest.raises(PayloadError) as caught:
            way.decode(TOPIC, payload, NOW_MS, True)
        assert caught.value.kind == "undated"
        assert way.decode(TOPIC, b'{"liquid":{"warmth":68},"at":1763000000}', NOW_MS, True).readings

    def test_a_topic_without_the_level_names_no_sensor(self):
        """An empty level cannot name a sensor."""
        with pytest.raises(PayloadError) as caught:
            mapped(WARMTH).decode("cellar//state", b'{"liquid": {"warmth": 68}}', NOW_MS, False)
        assert caught.value.kind == "sensor"

    @pytest.mark.parametrize(
        ("mapping", "error"),
        [
            (ObjectMapping("a/#/b", "s", (MappedField("", Quantity.ANGLE, "deg"),)), InputError),
            (ObjectMapping("a", "{x}", (MappedField("", Quantity.ANGLE, "deg"),)), InputError),
            (ObjectMapping("a", "s", (MappedField("no-slash", Quantity.ANGLE, "deg"),)), InputError),
            (ObjectMapping("a", "s", (MappedField("/v", Quantity.ANGLE, "sg"),)), QuantityError),
            (ObjectMapping("a", "s", ()), InputError),
        ],
    )
    def test_a_mapping_that_cannot_work_is_refused_at_once(self, mapping, error):
        """Filter, template, pointer and unit are checked when the mapping is compiled."""
        with pytest.raises(error):
            MappedObject(mapping)


class TestMappedNumber:
    """A bare number on a topic."""

    @pytest.mark.parametrize(
        ("payload", "value"),
        [
            (b"18.5", 18.5),
            (b" 18.5 \r\n", 18.5),
            (b"0", 0.0),
            (b"-2", -2.0),
            (b"+.5e1", 5.0),
            (b"\xef\xbb\xbf18.", 18.0),
        ],
    )
    def test_numbers_are_read(self, payload, value):
        """A decimal point, blanks around, a byte-order mark before."""
        way = MappedNumber(NumberMapping("t/+", "{2}", Quantity.TEMPERATURE, "degC"))
        assert way.decode("t/a", payload, NOW_MS, False).readings == (
            Reading("a", Quantity.TEMPERATURE, NOW_MS, value, NOW_MS),
        )

    @pytest.mark.parametrize("payload", [b"65 degF", b"65degF"])
    def test_the_declared_unit_may_follow(self, payload):
        """The unit behind the number is accepted if it is the declared one."""
        way = MappedNumber(NumberMapping("t", "a", Quantity.TEMPERATURE, "degF"))
        assert way.decode("t", payload, NOW_MS, False).readings[0].value == pytest.approx(18.3333, abs=1e-4)

    @pytest.mark.parametrize(
        ("payload", "kind"),
        [
            (b"1,050", "decimal_comma"),
            (b"1,050 sg", "decimal_comma"),
            (b"1.05 plato", "unit"),
            (b"nan", "not_a_number"),
            (b"inf", "not_a_number"),
            (b"1e999", "range"),
            (b"1_050", "unit"),
            (b"0x1", "unit"),
            ("١.٠٥".encode(), "not_a_number"),
            (b"", "not_a_number"),
            (b"true", "not_a_number"),
            (b"\xff\xfe", "not_utf8"),
            (b"1" * 100, "not_a_number"),
        ],
    )
    def test_what_is_no_number_is_refused(self, payload, kind):
        """The comma gets a fault of its own, with a hint."""
        way = MappedNumber(NumberMapping("t", "a", Quantity.GRAVITY, "sg"))
        with pytest.raises(PayloadError) as caught:
            way.decode("t", payload, NOW_MS, False)
        assert caught.value.kind == kind

    def test_a_retained_number_is_refused(self):
        """A bare number has no time of its own."""
        way = MappedNumber(NumberMapping("t", "a", Quantity.GRAVITY, "sg"))
        with pytest.raises(PayloadError) as caught:
            way.decode("t", b"1.05", NOW_MS, True)
        assert caught.value.kind == "undated"
