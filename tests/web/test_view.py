"""What needs the maker comes first."""

from __future__ import annotations

from monitor.ferment.emission import AlertKind, Phase, Severity
from monitor.web.view import AlertView, BatchView, DueView, Need, by_need


def an_alert(severity: Severity = Severity.ACT, **values: object) -> AlertView:
    given: dict[str, object] = {
        "number": 1, "batch": "a", "batch_name": "A", "kind": AlertKind.STALLED, "severity": severity,
        "subject": "", "message": "", "fired_ms": 0,
    }  # fmt: skip
    return AlertView(**{**given, **values})  # type: ignore[arg-type]


def a_batch(slug: str, phase: Phase = Phase.ACTIVE, **values: object) -> BatchView:
    return BatchView(slug, slug, "", 0, None, phase, "", **values)  # type: ignore[arg-type]


def test_an_unheard_alert_needs_the_maker_now() -> None:
    """An open alert asks until it was seen or hushed; an acknowledged stall still asks for attention soon."""
    assert a_batch("a", alerts=(an_alert(),)).need is Need.NOW
    assert a_batch("a", alerts=(an_alert(acknowledged_ms=0),)).need is Need.QUIET
    assert a_batch("a", alerts=(an_alert(silenced_until_ms=9),)).need is Need.QUIET
    assert a_batch("a", alerts=(an_alert(resolved_ms=0),)).need is Need.QUIET
    assert a_batch("a", Phase.STALLED, alerts=(an_alert(acknowledged_ms=0),)).need is Need.SOON
    assert a_batch("a", alerts=(an_alert(Severity.NOTE),)).need is Need.SOON
    assert a_batch("a", due=(DueView(5, "feed"),)).need is Need.SOON


def test_danger_is_first_even_when_it_was_seen() -> None:
    """Bottles that may burst stay on top until it is over."""
    batches = (
        a_batch("quiet"),
        a_batch("due", due=(DueView(5, "feed"),)),
        a_batch("act", alerts=(an_alert(),)),
        a_batch("danger", Phase.REFERMENTING, alerts=(an_alert(Severity.DANGER, acknowledged_ms=0),)),
    )
    assert [batch.slug for batch in by_need(batches)] == ["danger", "act", "due", "quiet"]
