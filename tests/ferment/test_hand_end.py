"""Hand samples that read the same: an end, a stall, a slow fall, a must that never began."""

from __future__ import annotations

import pytest

from monitor.ferment.event import Event, JournalEntry, JournalKind, Reading, Tick
from monitor.ferment.hand_end import ended_ms
from monitor.ferment.pipeline import Pipeline, Snapshot
from monitor.ferment.premise import Must, MustKind, Premise, Yeast
from monitor.ferment.wording import by_hand_warning
from monitor.units import MS_PER_DAY, Quantity

HONEY = Must(MustKind.HONEY, 1.100)
OWN_SIGN = "the maker's own sign of an end"
STUCK = ((0.0, 1.100), (5.0, 1.075), (10.0, 1.060), (16.0, 1.060))


def stands(
    *samples: tuple[float, float],
    must: Must = HONEY,
    yeast: Yeast | None = None,
    more: tuple[Event, ...] = (),
) -> Snapshot:
    """Where a batch stands an hour after the last of samples (day, specific gravity)."""
    pipeline = Pipeline(Premise(0, must, Yeast() if yeast is None else yeast))
    events: list[Event] = [*more]
    for day, value in samples:
        at_ms = round(day * MS_PER_DAY)
        events.append(Reading("hand.porch", Quantity.SAMPLE_GRAVITY, at_ms, value, at_ms))
    for event in sorted(events, key=lambda one: one.at_ms):
        pipeline.step(event)
    pipeline.step(Tick(round((samples[-1][0] + 1 / 24) * MS_PER_DAY) + 1))
    return pipeline.snapshot


def test_what_stands_far_above_its_end_is_likelier_stalled() -> None:
    """1.060 twice from 1.100: such a must ends at 0.994 (the mass balance), 66 points below."""
    found = stands(*STUCK)
    assert OWN_SIGN not in found.reason
    assert "hand samples 6 days apart are equal within a point: it stands still, 65.8 points" in found.reason
    for words in (
        "above where such a must usually ends",
        "likelier stalled than finished",
        "do not bottle",
        "Warm it slowly",
        "in the journal whether it was fed",
        "sample again",
        "No float is heard",
    ):
        assert words in found.reason
    assert "likelier stalled" in by_hand_warning(found.evidence)


def test_a_thermometer_and_the_yeast_tell_why_it_stands() -> None:
    """Cold where it was cold; what the yeast bears where the alcohol has come to that."""
    cold = tuple(
        Reading("probe", Quantity.TEMPERATURE, hour * MS_PER_DAY // 24, 9.0, hour * MS_PER_DAY // 24)
        for hour in range(12 * 24, 16 * 24)
    )
    yeast = Yeast(temperature_c=(14.0, 24.0))
    assert "likely stalled by cold" in stands(*STUCK, yeast=yeast, more=cold).reason
    # 70 points make some 9.2 % (common practice: 0.131 a point)
    spent = stands((0, 1.1), (9, 1.05), (14, 1.03), (20, 1.03), yeast=Yeast(alcohol_tolerance_abv=9.5))
    assert "about what the yeast is said to bear" in spent.reason
    assert "stabilise it" in spent.reason


def test_what_has_not_fallen_since_pitching_has_not_begun() -> None:
    """Four days later it needs its maker, two days later it may wait; the sheet's gravity counts as well."""
    for samples in (((0.0, 1.100), (4.0, 1.100)), ((4.0, 1.099),)):
        found = stands(*samples)
        assert "it has not begun to ferment, 4 days after pitching at 1.1000" in found.reason
        assert "Do not bottle" in found.reason
        assert OWN_SIGN not in found.reason
        assert "has not begun" in by_hand_warning(found.evidence)
    assert "that is no worry" in stands((0, 1.100), (2, 1.100)).reason
    assert "has not begun" in stands((0, 1.1), (4, 1.1), must=Must()).reason
    assert "has not begun" not in stands((0.2, 1.1)).reason


@pytest.mark.parametrize(("first", "days"), [(1.020, 3.0), (1.004, 3.0), (1.006, 10.0)])
def test_a_point_at_a_time_still_falls(first: float, days: float) -> None:
    """However near its end: a week or longer is compared."""
    course = [(20.0 + days * place, first - 0.001 * place) for place in range(10)]
    found = stands((0, 1.100), *course)
    assert "and still falls" in found.reason
    assert "that is no end" in found.reason
    assert OWN_SIGN not in found.reason
    assert "still falls" in by_hand_warning(found.evidence)
    if days == 3.0:
        assert "it fell 3.0 points in 9 days" in found.reason


def test_a_real_end_keeps_its_words() -> None:
    """1.000 twice from 1.100; 1.013 twice from an ale's wort of 1.050, which leaves a quarter."""
    for found in (
        stands((0, 1.1), (10, 1.01), (16, 1.000), (19, 1.000)),
        stands((0, 1.05), (4, 1.02), (8, 1.013), (11, 1.013), must=Must(MustKind.MALT, 1.050)),
    ):
        assert f"3 days apart are equal within a point: that is {OWN_SIGN}. No float" in found.reason
        assert by_hand_warning(found.evidence) == ""


def test_without_kind_and_gravity_an_end_is_not_told_from_a_stall() -> None:
    """What is missing on the sheet is named; a kind that is not known leaves a wide range."""
    bare = stands(*STUCK[1:], must=Must())
    assert "cannot be told by this alone" in bare.reason
    assert "does not say what its gravity was at pitching" in bare.reason
    vague = stands((5, 1.03), (10, 1.006), (16, 1.006), must=Must(None, 1.050))
    assert "7.3 points above where most such musts end, and its sheet says too little" in vague.reason
    fed = JournalEntry(JournalKind.SUGAR_ADDITION, 2 * MS_PER_DAY, 2 * MS_PER_DAY)
    assert "by how much sugar raised" in stands(*STUCK, more=(fed,)).reason
    for one in (bare, vague):
        assert OWN_SIGN not in one.reason
        assert "cannot be told" in by_hand_warning(one.evidence)


def test_what_was_put_to_rest_sweet_is_no_stall() -> None:
    """Stabilised and sweetened to 1.060, it is to stand there."""
    deeds = tuple(
        JournalEntry(kind, day * MS_PER_DAY, day * MS_PER_DAY)
        for kind, day in ((JournalKind.STABILISED, 20), (JournalKind.SWEETENED, 22))
    )
    found = stands((0, 1.1), (10, 1.0), (15, 1.0), (23, 1.060), (33, 1.060), more=deeds)
    assert OWN_SIGN in found.reason
    assert by_hand_warning(found.evidence) == ""


def test_samples_of_an_ended_batch_tell_since_when_it_had_ended() -> None:
    """Of a stall, of a slow fall and of what has not begun they tell nothing."""
    premise = Premise(0, HONEY)

    def since(*samples: tuple[float, float]) -> int | None:
        taken = [(round(day * MS_PER_DAY), (value - 1.0) * 1000.0) for day, value in samples]
        return ended_ms(premise, taken)

    assert since((0, 1.1), (10, 1.01), (16, 1.0), (19, 1.0)) == 16 * MS_PER_DAY
    assert since(*STUCK) is None
    assert since((0, 1.1), (4, 1.1)) is None
    assert since((0, 1.1), *((20 + 3 * n, 1.004 - 0.001 * n) for n in range(8))) is None
    assert since() is None
    spent = Premise(0, HONEY, Yeast(alcohol_tolerance_abv=9.5))
    taken = [(0, 100.0), (9 * MS_PER_DAY, 50.0), (14 * MS_PER_DAY, 30.0), (20 * MS_PER_DAY, 30.0)]
    assert ended_ms(spent, taken) == 14 * MS_PER_DAY
