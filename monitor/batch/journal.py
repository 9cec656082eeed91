"""The journal of a batch: what was done, what was measured by hand, how it tasted."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.errors import InputError, QuantityError
from monitor.ferment.event import JournalEntry, JournalKind, Reading
from monitor.must.alcohol import corrected_ferment_sg
from monitor.must.density import corrected_sg
from monitor.units import MS_PER_DAY, Quantity, rfc3339_from_ms

LONGEST_NOTE: Final = 2_000
SAMPLE_C: Final = (0.0, 50.0)
"""Where a hydrometer's reading can be corrected; a hotter sample is drawn wrongly, steams and rises."""
SAMPLE_SG: Final = (0.970, 1.250)
"""What a hydrometer in a must, a mead or a liqueur can read."""
TASTE_SCORE: Final = (0, 10)
"""0 none at all, 10 as much as can be borne."""

BEFORE_DAYS: Final = 14
"""What is done to a must before the yeast goes in: pressed, sulfited, left to settle."""

_CLOCK_SLACK_MS: Final = 5 * 60_000


def past_ms(what: str, moment_ms: int, at_ms: int) -> int:
    """A moment at which something was done, the time of entry at the latest.

    Raises InputError where it lies ahead by more than clocks differ, or before 1970 as no pitching can.
    """
    if moment_ms < 0:  # at the calendar's edge it could not even be shown in the reader's zone
        raise InputError(f"{what} at a time before 1970", hint="check the year")
    if moment_ms > at_ms + _CLOCK_SLACK_MS:
        raise InputError(
            f"{what} at {rfc3339_from_ms(moment_ms)} lies in the future",
            hint="write down what was done, not what is planned",
        )
    return min(moment_ms, at_ms)


def require_of_batch(sheet: Sheet, what: str, moment_ms: int) -> None:
    """Raise InputError for what lies long before the pitching: another batch's, or another year's."""
    if moment_ms < sheet.pitched_ms - BEFORE_DAYS * MS_PER_DAY:
        days = (sheet.pitched_ms - moment_ms) // MS_PER_DAY
        raise InputError(
            f"{what} at {rfc3339_from_ms(moment_ms)}, {days} days before {sheet.slug!r} was pitched:"
            f" {BEFORE_DAYS} days at the most",
            hint="check the year and the batch; a wrong pitching is changed on the batch's sheet",
        )


def entry(kind: JournalKind, *, done_ms: int, at_ms: int, note: str = "") -> JournalEntry:
    """A journal entry, checked.

    Raises InputError for a note that is too long or says nothing, and a deed that lies in the future.
    """
    done_ms = past_ms("done", done_ms, at_ms)
    if kind is JournalKind.NOTE and not note.strip():
        raise InputError("a note needs words", hint="write down what is to be remembered")
    if len(note) > LONGEST_NOTE:
        raise InputError(f"note of {len(note)} characters: at most {LONGEST_NOTE}")
    return JournalEntry(kind=kind, done_ms=done_ms, at_ms=at_ms, note=note.strip())


def corrected_sample_sg(
    reading_sg: float, sample_c: float, calibrated_at_c: float, original_gravity_sg: float | None
) -> float:
    """Specific gravity 20/20 degC of a hydrometer's reading.

    Where the original gravity is known, the sample is taken to expand as the water, alcohol and extract that
    a ferment from it holds, else as sugar in water. Raises InputError for a temperature that no sample is
    read at.
    """
    low, high = SAMPLE_C
    for what, temperature_c in (("sample", sample_c), ("hydrometer's own", calibrated_at_c)):
        if not low <= temperature_c <= high:
            raise InputError(
                f"{what} temperature {temperature_c:g} degC: {low:g} to {high:g} degC",
                hint="let the sample come near room temperature first",
            )
    if original_gravity_sg is None or original_gravity_sg < 1.0:
        return corrected_sg(reading_sg, sample_c, calibrated_at_c)
    return corrected_ferment_sg(reading_sg, sample_c, original_gravity_sg, calibrated_at_c)


def hand_sample(sheet: Sheet, *, gravity_sg: float, time_ms: int, received_ms: int) -> Reading:
    """A hydrometer sample as a reading of the batch's hand sensor.

    `gravity_sg` is specific gravity 20/20 degC, already corrected for the sample's temperature.
    Raises QuantityError outside what a hydrometer can read, InputError for a sample of the future or of long
    before the pitching.
    """
    low, high = SAMPLE_SG
    if not math.isfinite(gravity_sg) or not low <= gravity_sg <= high:
        raise QuantityError(
            f"sample gravity {gravity_sg:g} sg: {low:g} to {high:g} is possible", hint="write it as 1.012"
        )
    taken_ms = past_ms("taken", time_ms, received_ms)
    require_of_batch(sheet, "taken", taken_ms)
    return Reading(
        sensor=sheet.hand_sensor,
        quantity=Quantity.SAMPLE_GRAVITY,
        time_ms=taken_ms,
        value=gravity_sg,
        received_ms=received_ms,
    )


@dataclass(frozen=True, slots=True)
class Tasting:
    """How a sample tasted, by scores from 0 to 10; None where it was not scored.

    It is kept as a note whose first words are the scores, so that it stays readable wherever notes go.
    """

    sweetness: int | None = None
    acid: int | None = None
    words: str = ""

    def __post_init__(self) -> None:
        """Refuse scores off the scale and a tasting that says nothing."""
        low, high = TASTE_SCORE
        for what, score in (("sweetness", self.sweetness), ("acid", self.acid)):
            if score is not None and not low <= score <= high:
                raise InputError(f"{what} {score}: {low} to {high}")
        if self.sweetness is None and self.acid is None:
            raise InputError("a tasting needs a score for sweetness or for acid")

    def note(self) -> str:
        """The note that holds this tasting."""
        scores = [
            f"{what} {score}/{TASTE_SCORE[1]}"
            for what, score in (("sweetness", self.sweetness), ("acid", self.acid))
            if score is not None
        ]
        tail = f": {self.words.strip()}" if self.words.strip() else ""
        return f"tasted {', '.join(scores)}{tail}"


_TASTED = re.compile(
    r"tasted (?:sweetness (?P<sweetness>10|\d)/10)?(?:, )?(?:acid (?P<acid>10|\d)/10)?(?:: (?P<words>.*))?\Z",
    re.DOTALL,
)


def tasting_of(journal_entry: JournalEntry) -> Tasting | None:
    """The tasting that a note holds, or None where it is another kind of entry or another note."""
    found = _TASTED.match(journal_entry.note)
    if journal_entry.kind is not JournalKind.NOTE or found is None:
        return None
    sweetness, acid = found["sweetness"], found["acid"]
    if sweetness is None and acid is None:
        return None
    return Tasting(
        sweetness=None if sweetness is None else int(sweetness),
        acid=None if acid is None else int(acid),
        words=found["words"] or "",
    )
