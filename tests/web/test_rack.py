"""The order of a long list: what needs the maker, told without a look at each batch."""

from __future__ import annotations

from dataclasses import replace

from monitor.batch.sheet import Sheet
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Phase, Severity
from monitor.ferment.pipeline import Pipeline
from monitor.ferment.premise import Premise
from monitor.store.values import FiringCount, Silence
from monitor.units import MS_PER_DAY
from monitor.untold import TOLD_SOON
from monitor.web.app import create_app
from monitor.web.gather import batch_views, standings_of
from monitor.web.leaf import ON_A_PAGE
from monitor.web.options import WebSettings
from monitor.web.pages_batch import headline
from monitor.web.rack import in_order, rack
from monitor.web.view import Need, by_need

PITCHED_MS = 1_772_000_000_000
SLUGS = [f"batch-{n}" for n in (4, 3, 2, 1, 0)]
COLD = AlertKind.TEMPERATURE_LOW


def _slugs(*firing: FiringCount, silences: tuple[Silence, ...] = ()) -> list[str]:
    return list(in_order(SLUGS, {}, firing, silences).slugs)


def test_danger_comes_first_then_what_needs_somebody_then_the_youngest() -> None:
    """A danger stays in front when it was seen; a note comes behind what is to be acted on."""
    firing = (
        FiringCount("batch-0", COLD, Severity.ACT, 1, 1),
        FiringCount("batch-1", AlertKind.REFERMENTING, Severity.DANGER, 0, 1),
        FiringCount("batch-2", AlertKind.NUTRIENT_DUE, Severity.NOTE, 1, 1),
    )
    assert _slugs(*firing) == ["batch-1", "batch-0", "batch-2", "batch-4", "batch-3"]


def test_what_was_seen_or_hushed_needs_nobody() -> None:
    """An acknowledged alert, one of a silent batch and one of a silent kind put nothing forward."""
    seen = FiringCount("batch-0", COLD, Severity.ACT, 0, 1)
    loud = FiringCount("batch-1", COLD, Severity.ACT, 2, 2)
    youngest_first = ["batch-4", "batch-3", "batch-2", "batch-1", "batch-0"]
    assert _slugs(seen) == youngest_first
    assert _slugs(loud)[0] == "batch-1"
    for batch, kind in (("batch-1", None), (None, COLD), (None, None)):
        assert _slugs(loud, silences=(Silence(1, batch, kind, 0, 9),)) == youngest_first
    assert _slugs(loud, silences=(Silence(1, "batch-2", None, 0, 9),))[0] == "batch-1"


def test_a_long_list_has_pages_and_a_short_one_the_order_it_always_had(cellar) -> None:
    """Every batch is on one page, alerts are those of the store, a page beyond the end is the last."""
    for number in range(ON_A_PAGE + 3):
        cellar.store.batches.start(
            Sheet(f"batch-{number}", f"Batch {number}", PITCHED_MS + number), at_ms=PITCHED_MS
        )
    fired = AlertChange(PITCHED_MS, COLD, AlertState.FIRING, PITCHED_MS, Severity.ACT, "cold", "probe-1")
    cellar.store.alerts.record("batch-7", fired, now_ms=PITCHED_MS)
    first, second = rack(cellar.ports(), 1), rack(cellar.ports(), 99)
    assert (first.leaf.pages, second.leaf.page, first.waiting) == (2, 2, 1)
    assert len(first.shown) == ON_A_PAGE
    assert first.shown[0] == "batch-7"
    assert [(one.slug, one.need) for one in first.pressing] == [("batch-7", Need.NOW)]
    shown = {*first.shown, *second.shown}
    assert shown == {sheet.slug for sheet in cellar.store.batches.listed(only_open=True)}


def test_the_order_is_that_of_the_batches_looked_at_whole(busy) -> None:
    """On a cellar with alerts, one acknowledged: need and danger are the same by both ways."""
    ports = busy.ports()
    if found := busy.store.alerts.listed(only_firing=True):
        busy.store.alerts.acknowledge(found[0].id, at_ms=busy.now_ms)
    stands = standings_of(ports, busy.store.batches.listed(only_open=True))
    whole = {view.slug: (view.need, view.danger) for view in by_need(batch_views(ports, stands))}
    found = rack(ports, 1)
    counted = dict.fromkeys(found.quiet, (Need.QUIET, False))
    counted |= {one.slug: (one.need, one.danger) for one in found.pressing}
    assert whole.keys() == counted.keys()
    for slug, (need, danger) in whole.items():
        assert counted[slug][1] == danger
        # what is merely due puts a batch forward within its page only
        assert counted[slug][0] in (need, Need.QUIET if need is Need.SOON else need)


def test_the_page_says_how_many_there_are(cellar, visiting) -> None:
    """Previous and next lead through the whole list."""
    for number in range(ON_A_PAGE + 1):
        sheet = Sheet(f"batch-{number}", f"Batch {number}", PITCHED_MS - number * MS_PER_DAY)
        cellar.store.batches.start(sheet, at_ms=PITCHED_MS)
    visitor = visiting(create_app(cellar.ports(), WebSettings()))
    first = visitor.get("/").text
    assert f"Page 1 of 2, {ON_A_PAGE + 1} batches" in first
    assert 'rel="next" href="/?page=2"' in first
    assert first.count('id="batch-batch-') == ON_A_PAGE
    assert 'rel="prev" href="/?page=1"' in visitor.get("/?page=2").text


def test_what_waits_to_be_told_is_not_denied(cellar) -> None:
    """A stall found in a backlog has no alert yet: the headline names the batch, until the alert is there."""
    cellar.store.batches.start(Sheet("porch", "Porch", PITCHED_MS), at_ms=PITCHED_MS)
    cellar.store.batches.start(Sheet("attic", "Attic", PITCHED_MS), at_ms=PITCHED_MS)
    found = AlertChange(PITCHED_MS, AlertKind.STALLED, AlertState.FIRING, PITCHED_MS, Severity.ACT, "stalled")
    stands = replace(Pipeline(Premise(PITCHED_MS)).snapshot, phase=Phase.STALLED, open_alerts=(found,))

    def said(*firing: FiringCount) -> str:
        placed = in_order(("porch", "attic"), {"porch": stands}, firing, ())
        return headline(placed, lambda slug: cellar.store.batches.get(slug).name)

    assert said() == f"Porch has something from a backlog: {TOLD_SOON}."
    # one of two silent floats is told, the other one not yet
    silent = tuple(
        replace(found, kind=AlertKind.SENSOR_SILENT, subject=name, severity=Severity.ACT)
        for name in ("a", "b")
    )
    told = FiringCount("porch", AlertKind.SENSOR_SILENT, Severity.ACT, 0, 1)
    both = {"porch": replace(stands, open_alerts=silent)}
    assert in_order(("porch",), both, [told], ()).untold == ["porch"]
    assert in_order(("porch",), both, [replace(told, count=2)], ()).untold == []
    assert said(FiringCount("porch", AlertKind.STALLED, Severity.ACT, 1, 1)).startswith("Porch needs you.")
