"""What the columns of a foreign table are is guessed from headings and values, or said."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import pytest

from monitor.errors import InputError
from monitor.replay.columns import (
    THOUSANDTHS,
    Columns,
    Measured,
    Tall,
    convert_of,
    guess,
    number_of,
    share_possible,
)
from monitor.replay.grid import Cell, Row
from monitor.replay.moments import Style
from monitor.replay.said import Said, columns_of
from monitor.units import Quantity

GRAVITY, TEMPERATURE = Quantity.GRAVITY, Quantity.TEMPERATURE


@dataclass(frozen=True)
class Rows:
    """A table in memory."""

    headings: tuple[str, ...]
    cells: tuple[Sequence[Cell], ...]
    name: str = "loft"

    def rows(self) -> Iterator[Row]:
        yield from enumerate(self.cells, start=2)

    def sample(self, most: int) -> list[Sequence[Cell]]:
        return list(self.cells[:most])


def table(headings: str, *rows: str) -> Rows:
    return Rows(tuple(headings.split("|")), tuple(row.split("|") for row in rows))


class TestGuess:
    """A guess is what a person would say at first sight."""

    def test_gravity_and_temperature(self) -> None:
        """By their headings; a comment is not used."""
        found = guess(table("Time|SG|Temp|Comment", "2026-03-01 06:00|1.043|18.2|still"))
        assert found == Columns(
            0, Style("iso"), measured=(Measured(1, GRAVITY, "sg"), Measured(2, TEMPERATURE, "degC"))
        )

    @pytest.mark.parametrize(
        ("heading", "value", "unit"),
        [
            ("SG", "1.043", "sg"),
            ("SG", "1043", THOUSANDTHS),
            ("Density", "1041.2", "kg/m3"),
            ("Density g/cm³", "1.041", "g/cm3"),
            ("Gravity", "10.7", "plato"),
            ("Brix", "10.7", "brix"),
            ("Oechsle", "43", "oechsle"),
            ("Extract °P", "10.7", "plato"),
        ],
    )
    def test_the_unit_of_a_gravity(self, heading: str, value: str, unit: str) -> None:
        """The heading names it, or the value tells."""
        (found,) = guess(table(f"Time|{heading}", f"2026-03-01|{value}")).measured
        assert (found.quantity, found.unit) == (GRAVITY, unit)

    @pytest.mark.parametrize(
        ("heading", "value", "unit"),
        [
            ("Temp", "18.2", "degC"),
            ("Temp", "64.8", "degF"),
            ("Temp", "291.3", "K"),
            ("Temp (°F)", "40", "degF"),
        ],
    )
    def test_the_unit_of_a_temperature(self, heading: str, value: str, unit: str) -> None:
        """Nobody ferments at 65 degrees Celsius."""
        (found,) = guess(table(f"Time|{heading}", f"2026-03-01|{value}")).measured
        assert (found.quantity, found.unit) == (TEMPERATURE, unit)

    def test_other_quantities(self) -> None:
        """Room, battery, signal and hand sample are told apart; a sample is not the float's."""
        found = guess(
            table("Time|Room temp|Battery|RSSI|Hand sample SG|SG", "2026-03-01|19.5|3.9|-71|1.044|1.043")
        )
        assert [(each.quantity, each.unit) for each in found.measured] == [
            (Quantity.AMBIENT_TEMPERATURE, "degC"),
            (Quantity.BATTERY, "V"),
            (Quantity.SIGNAL, "dBm"),
            (Quantity.SAMPLE_GRAVITY, "sg"),
            (GRAVITY, "sg"),
        ]
        assert found.measured[3].sensor is not None

    def test_a_second_column_of_a_quantity_is_another_sensor(self) -> None:
        """Else one would pass for a repetition of the other."""
        found = guess(table("Time|SG|SG, spare", "2026-03-01|1.043|1.044"))
        assert [each.sensor for each in found.measured] == [None, "sg-spare"]

    def test_a_tall_table(self) -> None:
        """One value a row, with a column that names the quantity."""
        found = guess(table("time|sensor|quantity|value|unit", "2026-03-01|float-a|gravity|10.7|plato"))
        assert found.tall == Tall(2, 3, 4)
        assert found.sensor == 1
        without = guess(table("time|quantity|value", "2026-03-01|gravity|10.7", "2026-03-01|temperature|65"))
        assert without.tall == Tall(1, 2, None, ((GRAVITY, "plato"), (TEMPERATURE, "degF")))

    def test_a_column_of_words_may_be_the_sensor_and_one_of_numbers_is_not(self) -> None:
        """`Float SG` is a gravity although it says float."""
        found = guess(table("Time|Device|Float SG", "2026-03-01|loft|1.043"))
        assert found.sensor == 1
        assert [each.place for each in found.measured] == [2]

    def test_the_time_of_arrival_is_no_time_of_measuring(self) -> None:
        """It is kept apart."""
        found = guess(table("received at|measured at|SG", "2026-03-01 07:00|2026-03-01 06:00|1.043"))
        assert (found.time, found.received) == (1, 0)

    def test_decimal_commas(self) -> None:
        """Where more numbers have one than a point."""
        assert guess(table("Zeit|Dichte", "2026-03-01|1,043")).decimal_comma
        assert not guess(table("Zeit|Dichte", "2026-03-01|1.043")).decimal_comma

    @pytest.mark.parametrize(
        ("heading", "style"),
        [
            ("time_h", "hours"),
            ("Day", "days"),
            ("t (h)", "hours"),
            ("minutes", "minutes"),
            ("elapsed days", "days"),
        ],
    )
    def test_time_gone_since_the_pitch(self, heading: str, style: str) -> None:
        """Rising numbers under a heading that says what they count."""
        found = guess(table(f"{heading}|SG", "0|1.043", "8|1.041", "16|1.039"))
        assert (found.time, found.style) == (0, Style(style))

    def test_a_table_without_times_is_refused(self) -> None:
        """The hint names the columns."""
        with pytest.raises(InputError) as caught:
            guess(table("SG|Temp", "1.043|18.2"))
        assert "SG, Temp" in caught.value.hint


class TestSaid:
    """What the maker says goes before every guess."""

    def test_columns_by_heading(self) -> None:
        """Quantity, unit and sensor; headings fit in either case."""
        said = Said(measured=("b=gravity plato float-a", "C=temperature degF"))
        found = columns_of(table("Time|B|C|SG", "2026-03-01|10.7|65|1.1"), said)
        assert found.measured == (
            Measured(1, GRAVITY, "plato", "float-a"),
            Measured(2, TEMPERATURE, "degF"),
        )

    def test_a_unit_left_out_is_guessed(self) -> None:
        """From the values."""
        found = columns_of(table("Time|B", "2026-03-01|1043"), Said(measured=("B=gravity",)))
        assert found.measured == (Measured(1, GRAVITY, THOUSANDTHS),)

    def test_time_and_style(self) -> None:
        """A column that would not be guessed, in a pattern that would not."""
        said = Said(time="B", time_format="%Y%m%d%H%M", measured=("A=gravity sg",), decimal_comma=True)
        found = columns_of(table("A|B", "1,043|202603010600"), said)
        assert (found.time, found.style.name, found.decimal_comma) == (1, "%Y%m%d%H%M", True)

    @pytest.mark.parametrize(
        ("said", "word"),
        [
            (Said(time="Never"), "Never"),
            (Said(time="SG"), "does not read as a time"),
            (Said(measured=("SG",)), "does not say"),
            (Said(measured=("SG=cloudiness sg",)), "cloudiness"),
            (Said(measured=("SG=gravity degF",)), "degF"),
            (Said(measured=("Note=gravity",)), "no number"),
            (Said(sensor="Never"), "Never"),
        ],
    )
    def test_what_cannot_be_is_refused(self, said: Said, word: str) -> None:
        """With the name that is wrong."""
        with pytest.raises(InputError, match=word):
            columns_of(table("Time|SG|Note", "2026-03-01|1.043|still"), said)

    def test_nothing_measured_is_refused(self) -> None:
        """With the columns there are."""
        with pytest.raises(InputError, match="no column is known"):
            columns_of(table("Time|Note", "2026-03-01|still"), Said())


class TestNumbers:
    """A cell is a number or a fault."""

    @pytest.mark.parametrize(
        ("cell", "comma", "value"),
        [
            ("1.043", False, 1.043),
            (" 18.2 °C", False, 18.2),
            ("1,043", True, 1.043),
            ("1.043", True, 1.043),
            ("-3", False, -3.0),
            ("0", False, 0.0),
            (0.0, False, 0.0),
            ("1e3", False, 1000.0),
        ],
    )
    def test_what_is_one(self, cell: Cell, comma: bool, value: float) -> None:
        """Zero is a number; a unit behind is not looked at."""
        assert number_of(cell, decimal_comma=comma) == value

    @pytest.mark.parametrize("cell", ["", "1,043", "1.0.4", "1 043", "1_043", "still", "nan", "inf", True])
    def test_what_is_none(self, cell: Cell) -> None:
        """Groups of digits among it: nobody knows what 1,043 is where points are decimal."""
        with pytest.raises(ValueError, match="number"):
            number_of(cell, decimal_comma=False)

    def test_a_unit_that_does_not_belong_is_refused(self) -> None:
        """And the shares of possible values tell which unit fits."""
        with pytest.raises(InputError):
            convert_of(TEMPERATURE, "sg")
        assert share_possible([1043.0, 1020.0], GRAVITY, "sg") == 0.0
        assert share_possible([1043.0, 1020.0], GRAVITY, THOUSANDTHS) == 1.0
