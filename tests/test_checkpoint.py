"""Checkpoints: what is taken up goes on as the whole fold, and nothing but our own values is made."""

from __future__ import annotations

import math
import os
import pickle
import zlib
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.checkpoint import LARGEST_BYTES, digest_of, sealed, unsealed
from monitor.ferment.emission import Emission, Phase, PhaseChange
from monitor.ferment.event import Event, JournalEntry, JournalKind, Reading, Tick
from monitor.ferment.pipeline import Analysis, Pipeline
from monitor.ferment.premise import Must, MustKind
from monitor.ferment.verdict import Thresholds
from monitor.units import MS_PER_HOUR, Quantity

from .porch import PITCHED_MS, PORCH


def _events(hours: int) -> list[Event]:
    """A ferment that goes cold half-way, with a sample and an entry."""
    found: list[Event] = []
    for hour in range(hours):
        at_ms = PITCHED_MS + hour * MS_PER_HOUR + 60_000
        gravity = 1.000 + 0.040 * math.exp(-hour / 40.0)
        found.append(Reading("float-a", Quantity.GRAVITY, at_ms, gravity, at_ms))
        warm_c = 20.0 if hour < hours // 2 else 6.0
        found.append(Reading("float-a", Quantity.TEMPERATURE, at_ms, warm_c, at_ms))
        if hour == hours // 3:
            found.append(JournalEntry(JournalKind.NUTRIENT, at_ms, at_ms + 1))
            found.append(
                Reading(PORCH.hand_sensor, Quantity.SAMPLE_GRAVITY, at_ms, gravity + 0.002, at_ms + 2)
            )
    return [*found, Tick(PITCHED_MS + hours * MS_PER_HOUR)]


EVENTS = _events(72)


def _fold(pipeline: Pipeline, events: list[Event]) -> list[Emission]:
    return [emission for event in events for emission in pipeline.step(event)]


WHOLE = Pipeline(PORCH.premise())
SAID = _fold(WHOLE, EVENTS)


@settings(max_examples=15)
@given(st.integers(0, len(EVENTS)))
def test_a_pipeline_taken_up_goes_on_as_if_nothing_had_been(cut: int) -> None:
    """Put aside anywhere, it says what the whole fold says, word for word, and stands where that stands."""
    first = Pipeline(PORCH.premise())
    said = _fold(first, EVENTS[:cut])
    phases = [one for one in said if isinstance(one, PhaseChange)]
    found = unsealed(sealed(first, phases))
    assert found is not None
    second, remembered = found
    assert remembered == phases
    assert repr(said + _fold(second, EVENTS[cut:])) == repr(SAID)
    assert repr(second.snapshot) == repr(WHOLE.snapshot)


class Hostile:
    """What somebody with access to the database might put there."""

    def __reduce__(self) -> tuple[object, tuple[str]]:
        return os.mkdir, ("/nonexistent/carboyd",)


def _packed(value: object) -> bytes:
    return zlib.compress(pickle.dumps(value))


def test_nothing_but_our_own_values_is_made() -> None:
    """A body that names a function of the system, a function of ours or another shape gives nothing."""
    assert unsealed(_packed((Hostile(), []))) is None
    assert unsealed(_packed((digest_of, []))) is None
    assert unsealed(_packed((1, 2))) is None
    assert unsealed(_packed(WHOLE)) is None
    dotted = b"\x80\x04\x8c\x14monitor.ferment.gauge\x8c\x06np.loadq\x00\x93."
    assert unsealed(zlib.compress(dotted)) is None


def test_bytes_that_are_cut_or_no_bytes_of_ours_give_nothing() -> None:
    """A damaged checkpoint is as good as none."""
    body = sealed(WHOLE, [])
    for wrong in (b"", b"\x00", body[: len(body) // 2], zlib.compress(b"\x00" * (LARGEST_BYTES + 1))):
        assert unsealed(wrong) is None


def test_the_digest_changes_with_whatever_decides_the_verdict() -> None:
    """Must, sensors and thresholds count; the name of the batch does not."""
    usual = digest_of(PORCH, Analysis())
    assert digest_of(replace(PORCH, name="Veranda"), Analysis()) == usual
    others = {
        digest_of(replace(PORCH, must=Must(MustKind.HONEY, 1.041)), Analysis()),
        digest_of(replace(PORCH, other_sensors=("probe-2",)), Analysis()),
        digest_of(PORCH, Analysis(thresholds=replace(Thresholds(), **_one_more()))),
    }
    assert len(others) == 3
    assert usual not in others


def _one_more() -> dict[str, float]:
    name = next(iter(Thresholds.__dataclass_fields__))
    return {name: getattr(Thresholds(), name) + 1.0}


def test_phases_are_kept_with_the_pipeline() -> None:
    """They are what a chart is shaded by."""
    phase = PhaseChange(5, Phase.LAG, "nothing falls")
    found = unsealed(sealed(WHOLE, [phase]))
    assert found is not None
    assert found[1] == [phase]
