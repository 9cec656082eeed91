"""What was written down by mistake, taken back on the page of its batch."""

from __future__ import annotations

import re
from collections.abc import Callable

from monitor.web.app import create_app
from monitor.web.options import WebSettings

from .rooms import Cellar, Visit, words_of

SLUG = "hedgerow-session"
BATCH = f"/batches/{SLUG}"


def test_a_line_of_the_journal_is_taken_back(visit: Visit, busy: Cellar) -> None:
    """A button behind a question, without script; then the line is struck through and says so in words."""
    visit.post(f"{BATCH}/sample", {"reading_sg": "1.100", "sample_temperature": "20"})
    visit.post(f"{BATCH}/journal", {"kind": "sweetened", "note": "800 g"})
    page = visit.get(BATCH).text
    forms = re.findall(
        rf'<details[^>]*><summary>Take back.*?action="({BATCH}/journal/[a-z0-9-]+/take-back)"', page, re.S
    )
    assert len(forms) == 2
    for path in forms:
        assert visit.post(path, {}, token="0" * 64).status_code == 403
        assert visit.post(path, {}).headers["location"] == BATCH
        assert "is taken back." in words_of(visit.get(BATCH).text)
    page = visit.get(BATCH).text
    assert "take-back" not in page
    struck = re.findall(
        r'<li class="struck"><s><b>([^<]+)</b>.*?</s> <span class="tag">Taken back</span>', page
    )
    assert struck == ["Sweetened", "Hand sample 1.1000"]
    assert busy.store.batches.journal(SLUG) == []
    assert visit.get(f"{BATCH}/chart.json").json()["samples"]["time_ms"] == []
    said = words_of(visit.get(f"{BATCH}/report").text)
    assert "Sweetened" not in said
    assert "1.1000" not in said
    again = visit.post(forms[0], {})
    assert again.status_code == 404
    assert "taken back already" in words_of(again.text)


def test_a_guest_sees_what_was_taken_back_and_takes_nothing_back(
    visit: Visit, busy: Cellar, visiting: Callable[..., Visit]
) -> None:
    """The shared page has the same lines without the button, and the button's address is not the guest's."""
    visit.post(f"{BATCH}/journal", {"kind": "sweetened", "note": "800 g"})
    visit.post(f"{BATCH}/journal", {"kind": "racked", "note": ""})
    first, second = (one.name for one in busy.store.notebook.listed(SLUG))
    visit.post(f"{BATCH}/journal/{first}/take-back", {})
    found = re.search(
        r'href="http://127\.0\.0\.1:8417(/shared/[^"]+)"', visit.post(f"{BATCH}/shares", {}).text
    )
    assert found is not None
    guest = visiting(create_app(busy.ports(), WebSettings(tokens=("t" * 24,))))
    text = guest.get(found[1]).text
    assert "Sweetened , 800 g Taken back" in words_of(text)
    assert "take-back" not in text
    assert guest.post(f"{BATCH}/journal/{second}/take-back", {}, token="x").status_code in (401, 403)
    assert len(busy.store.batches.journal(SLUG)) == 1


def test_a_sample_in_doubt_is_marked_until_it_is_taken_back(visit: Visit, busy: Cellar) -> None:
    """At its line of the journal, in the reason and above the plan, not only as it is entered."""
    level_sg = 1.0 + busy.snapshots()[SLUG].evidence.level_points / 1000.0
    visit.post(f"{BATCH}/sample", {"reading_sg": f"{level_sg + 0.008:.4f}", "sample_temperature": "20"})
    visit.get(BATCH)  # what is said once has been said
    page = words_of(visit.get(BATCH).text)
    assert re.search(r"Hand sample 1\.\d+ in doubt \d+ points above what the float reads", page)
    assert page.count("points above the float: take another, or take this one back") >= 2
    (name,) = (one.name for one in busy.store.notebook.listed(SLUG))
    visit.post(f"{BATCH}/journal/{name}/take-back", {})
    visit.get(BATCH)
    page = words_of(visit.get(BATCH).text)
    assert "in doubt" not in page
    assert "take another" not in page
