"""Topic filters and sensor names."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from monitor.errors import InputError
from monitor.sensors.topics import is_sensor_name, sensor_template, topic_filter

levels = st.sampled_from(["", "a", "b", "a+", "$SYS", "carboyd", "\n"])
topics = st.lists(levels, min_size=1, max_size=5).map("/".join).filter(bool)
filters = st.tuples(
    st.lists(st.sampled_from(["", "a", "b", "+", "$SYS", "carboyd"]), min_size=1, max_size=4),
    st.booleans(),
).map(lambda made: "/".join([*made[0], "#"] if made[1] else made[0]))


@given(filters.filter(bool), topics)
@example("a/#", "a")
@example("#", "$SYS/load")
@example("+/a", "$SYS/a")
@example("a.c", "abc")
def test_filters_match_as_mqtt_says(text, topic):
    """The same verdict as paho's matcher, for which MQTT 5, 4.7 is the rule."""
    assert bool(topic_filter(text).fullmatch(topic)) == topic_matches_sub(text, topic)


@pytest.mark.parametrize("text", ["", "a/#/b", "a#", "a/b+", "#/a", "++"])
def test_what_is_no_filter_is_refused(text):
    """A wildcard is a whole level, and # the last."""
    with pytest.raises(InputError):
        topic_filter(text)


@pytest.mark.parametrize(
    ("template", "topic", "name"),
    [
        ("{2}", "cellar/float-a/state", "float-a"),
        ("{-1}", "cellar/float-a", "float-a"),
        ("{1}-{2}", "cellar/float-a", "cellar-float-a"),
        ("float-a", "any/topic", "float-a"),
        ("{3}", "a/b", ""),
        ("x{2}", "a//b", ""),
    ],
)
def test_names_are_made_from_levels(template, topic, name):
    """Levels count from 1, or from the end; a missing or empty level gives no name."""
    assert sensor_template(template)(topic) == name


@pytest.mark.parametrize("template", ["", "{0}", "{}", "{name}", "{2!r}", "{2.real}"])
def test_what_is_no_template_is_refused(template):
    """Only numbers of levels have a place."""
    with pytest.raises(InputError):
        sensor_template(template)


@pytest.mark.parametrize(
    ("name", "good"),
    [
        ("float-a", True),
        ("Fass 3 (Süd)", True),
        ("", False),
        ("a,b", False),
        (" a", False),
        ("a\n", False),
        ("a" * 201, False),
    ],
)
def test_sensor_names(name, good):
    """Printable text without a comma and without blanks at its ends."""
    assert is_sensor_name(name) is good
