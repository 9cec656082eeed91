"""`/metrics`, read as a scraper reads it: by the text format's own grammar, and by its naming conventions.

The format and the conventions are those of prometheus.io ("Exposition formats", "Metric and label naming"),
from memory; the reference parser is that of prometheus_client.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as read_openmetrics
from prometheus_client.parser import text_string_to_metric_families as read_text

from monitor.ferment.emission import Phase, Severity
from monitor.units import MS_PER_DAY, MS_PER_SECOND
from monitor.web.app import create_app
from monitor.web.metrics import ChannelVitals, Vitals
from monitor.web.options import WebSettings

from .rooms import Cellar, Visit

TOKEN = "k3Jf9sQp2Lm8Xw4Zt7Vb1Nc6"
VITALS = Vitals(
    connected=True,
    connections=2,
    received=41,
    readings=39,
    duplicates=1,
    quarantined=3,
    heartbeat_ms=1_772_000_000_500,
    channels={"phone": ChannelVitals(5, 0, False), "mail": ChannelVitals(0, 7, True)},
)
SAMPLE = re.compile(r'([a-zA-Z_:][a-zA-Z0-9_:]*)(?:\{((?:[a-z_]+="(?:[^"\\]|\\.)*",?)*)\})? (\S+)')

Samples = dict[tuple[str, frozenset[tuple[str, str]]], float]


def parsed(text: str) -> Samples:
    """Every sample by the grammar of the text format: name, labels, value."""
    found: Samples = {}
    for line in text.splitlines():
        if not line or line.startswith("#"):
            continue
        match = SAMPLE.fullmatch(line)
        assert match is not None, line
        labels = frozenset(re.findall(r'([a-z_]+)="((?:[^"\\]|\\.)*)"', match[2] or ""))
        key = (match[1], labels)
        assert key not in found, f"{key} twice"
        found[key] = float(match[3])
    return found


@pytest.fixture
def scraped(busy: Cellar, visiting: Callable[..., Visit]) -> str:
    """What is told of the busy cellar; its store is out of reach, so nothing can be asked of it."""
    ports = replace(busy.ports(), vitals=lambda: VITALS, store=None)  # type: ignore[arg-type]
    answer = visiting(create_app(ports, WebSettings())).get("/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/plain; version=")
    return answer.text


def value(text: str, name: str, **labels: str) -> float:
    """One sample."""
    return parsed(text)[name, frozenset(labels.items())]


def test_it_says_what_is_known_without_asking_the_store(busy: Cellar, scraped: str) -> None:
    """Counts since the start, where each batch stands, how each channel fares."""
    assert value(scraped, "carboyd_mqtt_connected") == 1
    assert value(scraped, "carboyd_readings_stored_total") == 39
    assert value(scraped, "carboyd_messages_quarantined_total") == 3
    assert value(scraped, "carboyd_notices_failed_total", channel="mail") == 7
    assert value(scraped, "carboyd_channel_in_trouble", channel="mail") == 1
    assert value(scraped, "carboyd_heartbeat_timestamp_seconds") == 1_772_000_000.5
    snapshot = busy.snapshots()["hedgerow-session"]
    assert value(scraped, "carboyd_batch_gravity_ratio", batch="hedgerow-session") == pytest.approx(
        1.0 + snapshot.evidence.level_points / 1_000
    )
    assert value(scraped, "carboyd_batch_temperature_celsius", batch="hedgerow-session") == pytest.approx(
        19.0, abs=1.0
    )
    heard_s = value(scraped, "carboyd_batch_heard_timestamp_seconds", batch="hedgerow-session")
    assert abs(heard_s - busy.now_ms / MS_PER_SECOND) <= 2 * 3_600


def test_counters_begin_at_zero_for_every_label(scraped: str) -> None:
    """A first failure is an increase: the series was there before. Each phase and severity has a series."""
    assert value(scraped, "carboyd_notices_failed_total", channel="phone") == 0
    samples = parsed(scraped)
    phases = {
        dict(labels)["phase"]: number
        for (name, labels), number in samples.items()
        if name == "carboyd_batch_phase" and ("batch", "hedgerow-session") in labels
    }
    assert set(phases) == {phase.value for phase in Phase}
    assert sum(phases.values()) == 1
    alerts = [dict(labels)["severity"] for name, labels in samples if name == "carboyd_batch_alerts"]
    assert set(alerts) == {severity.value for severity in Severity}


def test_the_reference_parser_reads_the_same(scraped: str) -> None:
    """prometheus_client's own parser finds the same samples, each with a type and a line of help."""
    families = list(read_text(scraped))
    theirs: dict[Any, float] = {
        (one.name, frozenset(one.labels.items())): one.value for family in families for one in family.samples
    }
    assert theirs == parsed(scraped)
    assert all(family.documentation and family.type in ("counter", "gauge") for family in families)


def test_names_follow_the_conventions(scraped: str) -> None:
    """One prefix besides the process's own, base units, `_total` on counters and on nothing else."""
    for family in read_text(scraped):
        assert re.fullmatch(r"(carboyd|process)(_[a-z]+)+", family.name), family.name
        assert not re.search(r"minute|hour|day|_ms|milli|fahrenheit|points|percent", family.name)
        names = {sample.name for sample in family.samples}
        assert all(name.endswith("_total") == (family.type == "counter") for name in names), names
        labels = {label for sample in family.samples for label in sample.labels}
        assert labels <= {"batch", "phase", "severity", "channel", "version"}


def test_the_newer_format_is_spoken_where_it_is_asked_for(
    busy: Cellar, visiting: Callable[..., Visit]
) -> None:
    """OpenMetrics by content negotiation, readable by its reference parser."""
    visit = visiting(create_app(busy.ports(), WebSettings()))
    answer = visit.get("/metrics", headers={"accept": "application/openmetrics-text; version=1.0.0"})
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    assert {"carboyd_build", "carboyd_batch_phase"} & {one.name for one in read_openmetrics(answer.text)}


def test_a_batch_that_has_ended_has_no_series(busy: Cellar, visiting: Callable[..., Visit]) -> None:
    """They would stay flat for ever."""
    known = dict(busy.snapshots())
    ports = replace(busy.ports(), snapshots=lambda: known)
    visit = visiting(create_app(ports, WebSettings()))
    assert 'batch="plum-batch"' in visit.get("/metrics").text
    del known["plum-batch"]
    assert 'batch="plum-batch"' not in visit.get("/metrics").text


def test_what_is_not_known_is_left_out(busy: Cellar, visiting: Callable[..., Visit]) -> None:
    """Six hours after pitching there is no forecast, and none is made up; zero is no stand-in for unknown."""
    text = visiting(create_app(busy.ports(), WebSettings())).get("/metrics").text
    assert "NaN" not in text
    assert "carboyd_heartbeat_timestamp_seconds" not in text
    assert busy.now_ms > MS_PER_DAY


def test_strangers_are_told_nothing(busy: Cellar, visiting: Callable[..., Visit]) -> None:
    """With sign-in on it takes a token, as any program does; no redirect to a page for people."""
    locked = create_app(busy.ports(), WebSettings(tokens=(TOKEN,)))
    refused = visiting(locked).get("/metrics")
    assert refused.status_code == 401
    assert "edgerow" not in refused.text
    answer = visiting(locked).get("/metrics", headers={"authorization": f"Bearer {TOKEN}"})
    assert answer.status_code == 200
    assert "hedgerow-session" in answer.text
