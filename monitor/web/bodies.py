"""What programs send to the API: checked values; an unknown member is a fault."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from monitor.batch.sheet import LONGEST_SENSOR, LONGEST_SLUG
from monitor.ferment.emission import AlertKind
from monitor.ferment.event import JournalKind

Slug = Annotated[str, Field(min_length=1, max_length=LONGEST_SLUG)]
SensorName = Annotated[str, Field(min_length=1, max_length=LONGEST_SENSOR)]
TimeMs = Annotated[int, Field(ge=0, le=253_402_300_799_999, description="Unix milliseconds, UTC")]


class Body(BaseModel):
    """Base of all bodies."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class SampleBody(Body):
    """A hydrometer sample, as it was read; it is corrected to 20 degC."""

    reading_sg: float
    sample_c: float = 20.0
    calibrated_at_c: float = Field(20.0, description="temperature that the hydrometer was made for")
    taken_ms: TimeMs | None = None


class DeedBody(Body):
    """Something that was done."""

    kind: JournalKind
    note: str = Field("", max_length=2_000)
    done_ms: TimeMs | None = None


class TastingBody(Body):
    """How a sample tasted, from 0 to 10."""

    sweetness: int | None = Field(None, ge=0, le=10)
    acid: int | None = Field(None, ge=0, le=10)
    words: str = Field("", max_length=1_900)
    done_ms: TimeMs | None = None


class EndBody(Body):
    """The end of a batch."""

    ended_ms: TimeMs | None = None


class TieBody(Body):
    """A sensor for a batch."""

    sensor: SensorName
    role: Literal["gravity", "temperature", "both", "other"]


class SilenceBody(Body):
    """Quiet for a time; without batch for all, without kind about everything."""

    hours: float = Field(gt=0, le=720)
    batch: Slug | None = None
    kind: AlertKind | None = None
    note: str = Field("", max_length=200)


class TuneBody(Body):
    """Thresholds to try."""

    thresholds: dict[str, float] = Field(max_length=20)


class PairBody(Body):
    """An angle and the gravity of the liquid that the float stood in."""

    angle_deg: float = Field(ge=0, le=180)
    gravity_sg: float = Field(ge=0.97, le=1.25)


class CalibrationBody(Body):
    """Pairs for a calibration that holds from a time on."""

    pairs: list[PairBody] = Field(min_length=2, max_length=50)
    valid_from_ms: TimeMs | None = None


class SheetBody(BaseModel):
    """The sheet of a batch; see the answer of a batch's sheet for its members."""

    model_config = ConfigDict(extra="allow")

    def plain(self) -> dict[str, Any]:
        """As it came."""
        return self.model_dump()
