"""From a message to readings."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import PayloadError
from monitor.ferment.event import Reading
from monitor.sensors import senml
from monitor.sensors.intake import POSSIBLE
from monitor.sensors.mapping import MappedField, MappedTime, NumberMapping, ObjectMapping
from monitor.sensors.payload import Decoder
from monitor.units import Quantity

NOW_MS = 1_764_000_000_000
TOPIC = "carboyd/readings/float-a"

# ids invented, the check digit of the 1-wire address is right
FLOAT_PACK = b"""[
 {"bn":"urn:dev:ow:01c0ffee12340024_","bt":1764000000,"n":"inclination","u":"rad","v":0.7854},
 {"n":"density","u":"kg/m3","v":1018.2,"ut":900},
 {"n":"temperature","u":"Cel","v":18.3},
 {"n":"battery","u":"%EL","v":87},
 {"n":"rssi","u":"dBW","v":-103},
 {"bn":"urn:dev:ow:28a1b2c3d4e50005_","n":"temperature","u":"Cel","v":18.1,"t":-5}
]"""


def one(pack: bytes, topic: str = TOPIC) -> Reading:
    """The only reading of a message."""
    (reading,) = Decoder().decode(topic, pack, NOW_MS).readings
    return reading


class TestSenml:
    """SenML is understood on every topic."""

    def test_a_float_and_a_thermometer(self):
        """Five quantities of one sensor and one of another, in kept units and order of time."""
        readings = Decoder().decode(TOPIC, FLOAT_PACK, NOW_MS).readings
        assert [(r.sensor, r.quantity, r.time_ms) for r in readings] == [
            ("urn:dev:ow:28a1b2c3d4e50005", Quantity.TEMPERATURE, NOW_MS - 5_000),
            ("urn:dev:ow:01c0ffee12340024", Quantity.ANGLE, NOW_MS),
            ("urn:dev:ow:01c0ffee12340024", Quantity.GRAVITY, NOW_MS),
            ("urn:dev:ow:01c0ffee12340024", Quantity.TEMPERATURE, NOW_MS),
            ("urn:dev:ow:01c0ffee12340024", Quantity.BATTERY, NOW_MS),
            ("urn:dev:ow:01c0ffee12340024", Quantity.SIGNAL, NOW_MS),
        ]
        values = [r.value for r in readings]
        assert values == pytest.approx([18.1, 45.0001, 1.020033, 18.3, 87.0, -73.0], abs=1e-4)

    def test_cbor_gives_the_same(self):
        """The CBOR form of the pack gives equal readings, by first byte and by content type."""
        packed = senml.dump_cbor(senml.parse_json(FLOAT_PACK, NOW_MS))
        expected = Decoder().decode(TOPIC, FLOAT_PACK, NOW_MS)
        assert Decoder().decode(TOPIC, packed, NOW_MS) == expected
        assert Decoder().decode(TOPIC, packed, NOW_MS, "application/senml+cbor") == expected

    @pytest.mark.parametrize(
        ("name", "unit", "sensor", "quantity"),
        [
            ("float-a:density", "kg/m3", "float-a", Quantity.GRAVITY),
            ("float-a:gravity", "/", "float-a", Quantity.GRAVITY),
            ("cellar/float-a/angle", "deg", "cellar/float-a", Quantity.ANGLE),
            ("float-a.ambient_temperature", "Cel", "float-a", Quantity.AMBIENT_TEMPERATURE),
            ("float-a_battery", "V", "float-a", Quantity.BATTERY_VOLTAGE),
            ("float-a:battery", "/", "float-a", Quantity.BATTERY),
            ("float-a:battery_voltage", "mV", "float-a", Quantity.BATTERY_VOLTAGE),
            ("float-a:pressure", "hPa", "float-a", Quantity.PRESSURE),
            ("probe-1", "Cel", "probe-1", Quantity.TEMPERATURE),
            ("probe-1", "K", "probe-1", Quantity.TEMPERATURE),
            ("float-b", "kg/m3", "float-b", Quantity.GRAVITY),
            ("temperature", "Cel", "float-a", Quantity.TEMPERATURE),
            ("cold-temperature", "Cel", "cold-temperature", Quantity.TEMPERATURE),
        ],
    )
    def test_names_and_units_say_whose_and_what(self, name, unit, sensor, quantity):
        """The end of the name is what is measured, the rest the sensor; without, the unit decides."""
        value = {"kg/m3": 1000, "/": 1.0, "K": 290}.get(unit, 3)
        reading = one(json.dumps([{"n": name, "u": unit, "v": value}]).encode())
        assert (reading.sensor, reading.quantity) == (sensor, quantity)

    def test_a_density_is_compared_with_water_at_20_degrees(self):
        """The density of water at 20 degC (998.203 kg/m3, ITS-90 Kell) is a gravity of 1."""
        assert one(b'[{"n":"a:density","u":"kg/m3","v":998.2031}]').value == pytest.approx(1.0, abs=1e-7)

    def test_no_time_is_the_arrival(self):
        """A sender without a clock is dated by its arrival."""
        assert one(b'[{"n":"a:temperature","u":"Cel","v":0}]').time_ms == NOW_MS

    def test_one_failed_sensor_leaves_the_others_good(self):
        """A thermometer's -127 is a fault, the gravity beside it a reading."""
        found = Decoder().decode(
            TOPIC,
            b'[{"bn":"a:","n":"temperature","u":"Cel","v":-127},{"n":"gravity","u":"/","v":1.05}]',
            NOW_MS,
        )
        assert [r.value for r in found.readings] == [1.05]
        assert [(f.kind, f.field) for f in found.faults] == [("range", "a:temperature")]

    def test_what_is_not_kept_is_named(self):
        """Humidity and a label are left out, by name, if there is a reading beside them."""
        found = Decoder().decode(
            TOPIC,
            b'[{"bn":"a:","n":"temperature","u":"Cel","v":20},{"n":"damp","u":"%RH","v":80},{"n":"is","vs":"x"}]',
            NOW_MS,
        )
        assert len(found.readings) == 1
        assert found.left_out == ("a:damp", "a:is")

    @pytest.mark.parametrize(
        ("pack", "kind"),
        [
            (b'[{"n":"a:damp","u":"%RH","v":80}]', "no_reading"),
            (b'[{"bn":"a:"}]', "no_reading"),
            (b'[{"n":"a:temperature","u":"kg/m3","v":80}]', "unit"),
            (b'[{"n":"a:temperature","v":20}]', "unit"),
            (b'[{"n":"a:battery","u":"%","v":20}]', "unit"),
            (b'[{"n":"a:temperature","u":"Cel","vs":"20"}]', "type"),
            (b'[{"n":"a:temperature","u":"Cel","s":20}]', "type"),
            (b'[{"n":"a:gravity","u":"/","v":0}]', "range"),
            (b'[{"n":"a:gravity","u":"/","v":1.05,"t":1e10}]', "time"),
            (b'[{"n":"a:gravity","u":"/","v":1.05,"t":-1e10}]', "time"),
            (b"", "empty"),
            (b"1.050", "unmapped"),
            (b'{"gravity":1.05}', "unmapped"),
        ],
    )
    def test_what_holds_no_reading_is_refused(self, pack, kind):
        """Nothing is dropped in silence: no reading at all is a fault."""
        with pytest.raises(PayloadError) as caught:
            Decoder().decode(TOPIC, pack, NOW_MS)
        assert caught.value.kind == kind

    def test_a_retained_pack_must_say_its_time(self):
        """A retained value without an absolute time is a fault, one with a time a reading."""
        undated = b'[{"n":"a:temperature","u":"Cel","v":20,"t":-5}]'
        with pytest.raises(PayloadError) as caught:
            Decoder().decode(TOPIC, undated, NOW_MS, retained=True)
        assert caught.value.kind == "undated"
        dated = b'[{"n":"a:temperature","u":"Cel","v":20,"t":1763000000}]'
        assert Decoder().decode(TOPIC, dated, NOW_MS, retained=True).readings[0].time_ms == 1_763_000_000_000


OBJECT = ObjectMapping("cellar/+/state", "{2}", (MappedField("/warmth", Quantity.TEMPERATURE, "degC"),))
NUMBER = NumberMapping("cellar/#", "{-1}", Quantity.TEMPERATURE, "degC")


class TestForms:
    """Which form a message is taken for."""

    def test_objects_come_before_numbers(self):
        """The first mapping that fits the topic is used."""
        decoder = Decoder([OBJECT], [NUMBER])
        assert decoder.decode("cellar/a/state", b'{"warmth":20}', NOW_MS).readings[0].sensor == "a"
        assert decoder.decode("cellar/a/warmth", b"20", NOW_MS).readings[0].sensor == "warmth"

    def test_a_senml_content_type_comes_before_the_topic(self):
        """A message that says it is SenML is read as SenML wherever it comes."""
        pack = b'[{"n":"x:temperature","u":"Cel","v":20}]'
        decoder = Decoder([OBJECT])
        for content_type in ("application/senml+json", "application/senml+json; charset=utf-8"):
            assert decoder.decode("cellar/a/state", pack, NOW_MS, content_type).readings[0].sensor == "x"

    def test_a_pack_may_begin_with_blanks(self):
        """Blanks, line ends and a byte-order mark before the bracket do not hide a pack."""
        pack = b' \r\n\t[{"n":"x:temperature","u":"Cel","v":20}]'
        assert one(pack).sensor == "x"
        assert one(b"\xef\xbb\xbf" + pack).sensor == "x"


@pytest.mark.parametrize("label", ["bn", "n", "u", "vs", "vd", "t", "bver", "x" * 60_000 + "_"])
def test_a_fault_repeats_little_of_what_came(label):
    """However long a text is that a sender gives, the message about it is short."""
    record = {"n": "a:temperature", "u": "Cel", label: "x" * 60_000}
    with pytest.raises(PayloadError) as caught:
        Decoder().decode(TOPIC, json.dumps([record])[:65_000].encode(), NOW_MS)
    assert len(str(caught.value)) + len(caught.value.field) < 400


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=4),
    max_leaves=10,
)
senml_like = st.lists(
    st.fixed_dictionaries(
        {},
        optional={
            "bn": st.sampled_from(["a:", "float-a/", ""]),
            "n": st.sampled_from(["temperature", "a:gravity", "x", "", "é"]),
            "u": st.sampled_from(["Cel", "kg/m3", "/", "%RH", ""]),
            "v": st.one_of(st.floats(), st.integers(), st.booleans(), st.none()),
            "t": st.floats(),
            "bt": st.floats(),
            "bv": st.floats(),
            "vs": st.text(max_size=3),
            "s": st.floats(),
            "x_": st.none(),
        },
    ),
    max_size=4,
)
payloads = st.one_of(
    st.binary(max_size=120),
    st.one_of(json_values, senml_like).map(lambda value: json.dumps(value).encode()),
    json_values.map(lambda value: json.dumps({"warmth": value, "at": value}).encode()),
    st.text("0123456789.,eE+- degC", max_size=12).map(str.encode),
    senml_like.filter(bool).map(senml.cbor2.dumps),
)
DECODER = Decoder(
    [
        OBJECT,
        ObjectMapping("timed/#", "{-1}", OBJECT.fields, MappedTime("/at", "rfc3339")),
        ObjectMapping("counted/#", "{-1}", OBJECT.fields, MappedTime("/at", "us")),
        ObjectMapping(
            "whole/#",
            "{-1}",
            (MappedField("", Quantity.ANGLE, "rad"), MappedField("/0", Quantity.ANGLE, "deg")),
        ),
    ],
    [NumberMapping("plain/#", "{-1}", Quantity.TEMPERATURE, "degC")],
)


@given(
    topic=st.one_of(
        st.text(max_size=12),
        st.sampled_from(["cellar/a/state", "timed/b", "counted/b", "plain/a,b", "plain/c", "whole/a", TOPIC]),
    ),
    payload=payloads,
    content_type=st.sampled_from(["", "application/senml+json", "application/senml+cbor", "text/plain"]),
    retained=st.booleans(),
)
def test_any_bytes_on_any_topic_are_readings_or_a_payload_error(topic, payload, content_type, retained):
    """Never another exception, never silence, never an impossible value."""
    try:
        found = DECODER.decode(topic, payload, NOW_MS, content_type, retained=retained)
    except PayloadError:
        return
    assert found.readings
    for reading in found.readings:
        low, high = POSSIBLE[reading.quantity]
        assert low <= reading.value <= high
        assert type(reading.value) is float
        assert type(reading.time_ms) is int
        assert reading.sensor
        assert "," not in reading.sensor
