"""Journals of batches."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.batch.journal import (
    Tasting,
    corrected_sample_sg,
    entry,
    hand_sample,
    require_of_batch,
    tasting_of,
)
from monitor.batch.sheet import Sheet
from monitor.errors import InputError, QuantityError
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.must.alcohol import composition
from monitor.must.density import water_density_kg_m3
from monitor.units import MS_PER_DAY, Quantity

SHEET = Sheet("orchard-session", "Orchard session", 0)


class TestEntry:
    """Entries."""

    def test_it_knows_when_it_was_done_and_when_entered(self) -> None:
        """An entry made three days late keeps both times."""
        made = entry(JournalKind.RACKED, done_ms=0, at_ms=3 * MS_PER_DAY, note=" to glass ")
        assert made == JournalEntry(JournalKind.RACKED, 0, 3 * MS_PER_DAY, "to glass")

    def test_plans_are_no_deeds(self) -> None:
        """A time of doing that lies in the future is refused."""
        with pytest.raises(InputError, match=r"done at .* lies in the future"):
            entry(JournalKind.RACKED, done_ms=MS_PER_DAY, at_ms=0)

    def test_a_clock_that_is_minutes_off_does_no_harm(self) -> None:
        """A deed a minute ahead of the clock counts as done now."""
        assert entry(JournalKind.RACKED, done_ms=60_000, at_ms=1_000).done_ms == 1_000

    def test_notes_have_a_bound(self) -> None:
        """A note of over 2000 characters is refused."""
        with pytest.raises(InputError, match="at most 2000"):
            entry(JournalKind.NOTE, done_ms=0, at_ms=0, note="x" * 2_001)

    def test_a_note_says_something(self) -> None:
        """What was done may stand without words; a note may not."""
        with pytest.raises(InputError, match="a note needs words"):
            entry(JournalKind.NOTE, done_ms=0, at_ms=0, note="  ")


class TestOfBatch:
    """What belongs to a batch by its time."""

    late = replace(SHEET, pitched_ms=400 * MS_PER_DAY)

    def test_what_was_done_to_the_must_before_the_yeast_is_of_the_batch(self) -> None:
        """Pressed a fortnight before, and anything later."""
        for day in (386, 399, 400, 500):
            require_of_batch(self.late, "done", day * MS_PER_DAY)

    def test_a_wrong_year_is_refused(self) -> None:
        """Said by the days, for deeds and for samples: the plan would count a stabilising of last year."""
        with pytest.raises(InputError, match="360 days before 'orchard-session' was pitched"):
            require_of_batch(self.late, "done", 40 * MS_PER_DAY)
        with pytest.raises(InputError, match=r"taken at .* 360 days before"):
            hand_sample(self.late, gravity_sg=1.0, time_ms=40 * MS_PER_DAY, received_ms=401 * MS_PER_DAY)


class TestHandSample:
    """Hydrometer samples."""

    def test_it_is_a_reading_of_the_hand(self) -> None:
        """A sample belongs to the batch's own hand sensor and is the reference quantity."""
        sample = hand_sample(SHEET, gravity_sg=1.0, time_ms=5, received_ms=6)
        assert (sample.sensor, sample.quantity) == ("hand.orchard-session", Quantity.SAMPLE_GRAVITY)
        assert (sample.value, sample.time_ms, sample.received_ms) == (1.0, 5, 6)

    @pytest.mark.parametrize("gravity_sg", [0.0, 0.9, 1.3, 1043.0, float("nan"), float("inf")])
    def test_it_must_be_a_gravity(self, gravity_sg: float) -> None:
        """What no hydrometer can read is refused with the range."""
        with pytest.raises(QuantityError, match=r"0\.97 to 1\.25"):
            hand_sample(SHEET, gravity_sg=gravity_sg, time_ms=0, received_ms=0)

    def test_it_is_not_of_the_future(self) -> None:
        """A slipped year is refused; what a clock is ahead by counts as now."""
        with pytest.raises(InputError, match="in the future"):
            hand_sample(SHEET, gravity_sg=1.01, time_ms=MS_PER_DAY, received_ms=0)
        assert hand_sample(SHEET, gravity_sg=1.01, time_ms=1_000, received_ms=0).time_ms == 0

    @pytest.mark.parametrize(("sample_c", "calibrated_at_c"), [(90.0, 20.0), (-5.0, 20.0), (20.0, 68.0)])
    def test_its_temperature_is_one_it_can_be_read_at(self, sample_c: float, calibrated_at_c: float) -> None:
        """Boiling must and degrees Fahrenheit taken for Celsius correct nothing."""
        with pytest.raises(InputError, match="0 to 50 degC"):
            corrected_sample_sg(1.012, sample_c, calibrated_at_c, None)

    @pytest.mark.parametrize(("gravity_sg", "sample_c"), [(1.0098, 8.0), (0.998, 30.0), (1.060, 12.0)])
    def test_it_expands_as_the_mead_that_it_is(self, gravity_sg: float, sample_c: float) -> None:
        """What a float of glass reads in a mead from 1.120 comes back as its gravity.

        The reading is worked out from the mead's masses: what floats displaces its own mass (Archimedes), at
        the volumes of OIML R 22 and ICUMSA SPS-4, the glass growing by 25e-6 per K (ISO 1768).
        """
        mead = composition(1.120, gravity_sg)
        density_kg_m3 = mead.total_g / mead.volume_at_l(sample_c)
        reading_sg = density_kg_m3 * (1.0 + 25e-6 * (sample_c - 20.0)) / water_density_kg_m3(20.0)
        assert corrected_sample_sg(reading_sg, sample_c, 20.0, 1.120) == pytest.approx(gravity_sg, abs=5e-6)

    @pytest.mark.parametrize("original_gravity_sg", [None, 0.99])
    def test_without_an_original_gravity_it_expands_as_sugar_in_water(
        self, original_gravity_sg: float | None
    ) -> None:
        """10 % sucrose, 1.0400 at 20 degC, reads 1.0388 at 25 degC (ICUMSA SPS-4 and ISO 1768, by hand)."""
        corrected = corrected_sample_sg(1.0388, 25.0, 20.0, original_gravity_sg)
        assert corrected == pytest.approx(1.0400, abs=1e-4)


class TestTasting:
    """Tasting notes."""

    @given(
        st.integers(0, 10) | st.none(),
        st.integers(0, 10) | st.none(),
        st.text(st.characters(categories=["L", "P", "Zs"]), max_size=30).map(str.strip),
    )
    def test_it_survives_being_a_note(self, sweetness: int | None, acid: int | None, words: str) -> None:
        """Scores and words come back from the note they were written into; zero is a score."""
        if sweetness is None and acid is None:
            return
        tasting = Tasting(sweetness, acid, words)
        made = entry(JournalKind.NOTE, done_ms=0, at_ms=0, note=tasting.note())
        assert tasting_of(made) == tasting

    def test_other_notes_are_none(self) -> None:
        """A note without scores, and another kind of entry, hold no tasting."""
        assert tasting_of(JournalEntry(JournalKind.NOTE, 0, 0, "tasted fine")) is None
        assert tasting_of(JournalEntry(JournalKind.NOTE, 0, 0, "tasted ")) is None
        assert tasting_of(JournalEntry(JournalKind.RACKED, 0, 0, "tasted acid 3/10")) is None

    def test_scores_are_on_the_scale(self) -> None:
        """A score of 11, and a tasting without any score, are refused."""
        with pytest.raises(InputError, match="sweetness 11: 0 to 10"):
            Tasting(sweetness=11)
        with pytest.raises(InputError, match="needs a score"):
            Tasting(words="nice")
