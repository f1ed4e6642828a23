"""`persistence:`: all shots of a measurement laid over each other and counted, with masks and rare paths."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Self

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from wavewright.earlier_spellings import MASKS, names_of_today
from wavewright.errors import Misuse
from wavewright.grammar.model import GrammarModel
from wavewright.grammar.model_reading import refusal, refusing
from wavewright.grammar.quantity_fields import QuantityIn, SignedTime, StatedQuantity, Voltage
from wavewright.grammar.word_fields import Count, Line, Name
from wavewright.judgement.limits import Limit


def read_count_limit(value: object) -> Limit:
    """A limit on a number of things: `exactly 0`, `at most 3`.

    Raises
    ------
    Misuse : it is none.
    """
    if isinstance(value, Limit):
        return value
    if not isinstance(value, str):
        raise Misuse("no limit", expected="such as `exactly 0` or `at most 3`")
    return Limit.read(value, unit="count")


CountLimit = Annotated[
    Limit, BeforeValidator(refusing(read_count_limit)), WithJsonSchema({"type": "string", "examples": ["exactly 0"]})
]
MOST_CELLS = 10_000_000  # 80 MB of counts
Point = tuple[SignedTime, Voltage]
Margin = Annotated[StatedQuantity, QuantityIn("V", least=0)]


class MaskEntry(GrammarModel):
    """Where no trace may go: polygons, or everything outside a band around a stored waveform."""

    meant: ClassVar[Mapping[str, str]] = names_of_today(MASKS)

    polygons: tuple[Annotated[tuple[Point, ...], Field(min_length=3)], ...] = Field(
        default=(),
        description="forbidden areas, each a list of three or more points [time, level]",
        examples=[[[["0 s", "1 V"], ["1 us", "1 V"], ["1 us", "2 V"]]]],
    )
    around: Line | None = Field(default=None, description="file of a stored waveform", examples=["reference.npz"])
    time: Annotated[StatedQuantity, QuantityIn("s", least=0)] | None = Field(
        default=None, description="half width of the band along the time axis"
    )
    level: Margin | None = Field(default=None, description="half width of the band along the level axis")

    @model_validator(mode="after")
    def _is_one_kind(self) -> Self:
        band = [value for value in (self.around, self.time, self.level) if value is not None]
        if (
            bool(self.polygons) == (self.around is not None)
            or (self.polygons and band)
            or (self.around and len(band) < 2)
        ):
            expected = "`polygons`, or `around` with `time`, `level` or both"
            raise refusal(Misuse("a mask that is neither polygons nor a band", expected=expected))
        return self


class Persistence(GrammarModel):
    """Exact counts of where the traces of all shots went, time by level."""

    of: Name | None = Field(default=None, description="the channel; the only one if left out", examples=["drive"])
    columns: Count = Field(default=1000, description="cells along the time axis")
    rows: Count = Field(default=256, description="cells along the level axis")
    rare: Count | None = Field(default=None, description="a path is rare if fewer than one shot in this number took it")
    rare_shots: CountLimit | None = Field(default=None, description="limit on the number of shots on rare paths")
    mask: MaskEntry | None = Field(
        default=None, description="where no trace may go", examples=[{"around": "reference.npz", "level": "100 mV"}]
    )
    violations: CountLimit | None = Field(default=None, description="limit on the number of violations of the mask")

    @model_validator(mode="after")
    def _limits_what_it_finds(self) -> Self:
        faults = []
        if self.violations is not None and self.mask is None:
            faults.append(Misuse("`violations` without a mask", expected="`mask:` beside it"))
        if self.rare_shots is not None and self.rare is None:
            faults.append(Misuse("`rare_shots` without `rare`", expected="`rare:` beside it, such as `rare: 500`"))
        if self.columns * self.rows > MOST_CELLS:
            what = f"{self.columns} columns and {self.rows} rows"
            faults.append(Misuse(what, expected=f"at most {MOST_CELLS} cells"))
        if faults:
            raise refusal(*faults)
        return self
