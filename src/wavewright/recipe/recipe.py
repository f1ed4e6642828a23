"""The recipe: what is to be measured, as its file says it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import PurePath
from typing import Annotated

from pydantic import Field

from wavewright.grammar.model import GrammarModel
from wavewright.grammar.quantity_fields import QuantityIn, StatedQuantity
from wavewright.grammar.word_fields import Line, Name, Pattern, Value, VersionOne
from wavewright.recipe.ask import AskEntries, AskEntry
from wavewright.recipe.calibration import CalibrationEntry, Calibrations
from wavewright.recipe.doubts import ABOUT_DOUBTS, Doubts
from wavewright.recipe.golden_units import GoldenCheck
from wavewright.recipe.judging import ABOUT_JUDGE, JUDGE_EXAMPLES, Judging
from wavewright.recipe.measurement import Measurement
from wavewright.recipe.needs import Needs
from wavewright.recipe.picture_file import PlacePicture
from wavewright.recipe.retesting import QuarantineCause, Retesting
from wavewright.recipe.stop_rules import StopRule, StopRules


class ParameterEntry(GrammarModel):
    """A value that the recipe uses as `$name`, and that a run may set."""

    default: Value = Field(description="what it is unless the run says otherwise", examples=["40 %"])
    about: Line | None = Field(default=None, description="what it is", examples=["coil drive set by the controller"])


class SerialNumber(GrammarModel):
    """How serial numbers of the unit under test look."""

    pattern: Pattern = Field(
        description="regular expression that the whole serial number must match", examples=["VC204-[0-9]{4}"]
    )


TIME_LIMIT = 86400.0  # s; a day
MOST_TIME = 1e7  # s; a third of a year


class Fitness(StrEnum):
    """What a run makes of a limit that its set-up cannot decide."""

    NOTED = "noted"
    REQUIRED = "required"


class RecipeHead(GrammarModel):
    """Everything but the measurements themselves."""

    wavewright: VersionOne = Field(description="version of the grammar: 1")
    title: Line = Field(description="what the recipe does, in a line", examples=["VC-204 end-of-line check"])
    cautions: tuple[Line, ...] = Field(
        default=(),
        description="what can hurt someone; shown before the run, to be confirmed",
        examples=[["The coil terminals fly back to 60 V at switch-off. Keep the cover closed."]],
    )
    part: Line | None = Field(default=None, description="the type of the unit under test", examples=["VC-204"])
    needs: Needs | None = Field(
        default=None,
        description="the instruments that are needed, by role",
        examples=[{"digitizer": {"inputs": 2, "bandwidth": "50 MHz"}, "supply": {}}],
    )
    serial: SerialNumber | None = Field(
        default=None, description="how serial numbers look", examples=[{"pattern": "VC204-[0-9]{4}"}]
    )
    ask: AskEntries
    time_limit: Annotated[StatedQuantity, QuantityIn("s", least=1e-3, most=MOST_TIME)] | None = Field(
        default=None,
        description="longest time from the first message to the last, waiting for a person left out; 24 h if left out",
    )
    cross_check: bool = Field(
        default=False, description="whether the instrument's built-in measurements are listed beside ours"
    )
    fitness: Fitness = Field(
        default=Fitness.NOTED,
        description="required: a run does not start where the set-up cannot decide a limit; noted: it says so",
        examples=["required"],
    )
    doubts: Doubts = Field(default_factory=dict, description=ABOUT_DOUBTS, examples=[{"clipped": "allow"}])
    judge: Judging | None = Field(default=None, description=ABOUT_JUDGE, examples=JUDGE_EXAMPLES)
    parameters: dict[Name, ParameterEntry] = Field(
        default_factory=dict,
        description="values used as $name",
        examples=[{"duty": {"default": "40 %", "about": "coil drive set by the controller"}}],
    )
    calibration: Calibrations
    stop_when: StopRules
    retest: Retesting | None = Field(
        default=None,
        description="which units are run again, how often, and what they are then; without it as often as one likes, "
        "and the last run decides",
        examples=[{"at_most": 2, "when": ["inconclusive", "error"], "verdict": "2 of 3 pass"}],
    )
    quarantine: tuple[QuarantineCause, ...] = Field(
        default=(),
        description="what sets units apart by itself, until somebody releases them",
        examples=[["not passed after retests", "golden unit failed"]],
    )
    golden: GoldenCheck | None = Field(
        default=None,
        description="units whose readings are known, which a station measures before a batch",
        examples=[{"every": "8 h", "units": {"VC204-9001": {"expect": {"rail_noise.ripple": "30 mV ± 4 mV"}}}}],
    )
    measurements: Mapping[Name, object] = Field(
        min_length=1,
        description="the measurements, in the order they are made",
        examples=[{"rail_noise": {"channels": {"rail": {"input": 1}}, "timebase": {"span": "2 ms", "points": "50k"}}}],
    )


class RecipeFile(RecipeHead):
    """A recipe: what to set, what to wait for, what to compute and what is acceptable."""

    measurements: Mapping[Name, Measurement] = Field(
        min_length=1,
        description="the measurements, in the order they are made",
        examples=[{"rail_noise": {"channels": {"rail": {"input": 1}}, "timebase": {"span": "2 ms", "points": "50k"}}}],
    )


@dataclass(frozen=True)
class Recipe:
    """A recipe that has been read and checked, with its parameters put in.

    Parameters
    ----------
    measurements : in the order they are made; one for every condition of a `for_each`.
    parameters : the text that each parameter stands for in this run.
    text, sha256 : of the file as it stands, and its hash, hexadecimal.
    serial_pattern : what a whole serial number must match; empty where any will do.
    cross_check : whether the instrument's own values are asked for.
    time_limit : s; longest time that a run may take.
    calibration : the corrections that its readings are for, by name.
    ask : what is declared of each run, by name.
    pictures : of where the probes go, by measurement, as they were when the recipe was read from its file.
    requires_fitness : a run does not start where its set-up cannot decide a limit.
    stop_when : rules that call while a batch runs, by name.
    retest : which units are run again; None where nothing is said of it.
    quarantine : what sets units apart by itself; golden : units that are measured before a batch.
    path : of the file; a name for messages if it does not come from one.
    """

    title: str
    measurements: tuple[Measurement, ...]
    text: str = field(repr=False)
    sha256: str
    path: str
    cautions: tuple[str, ...] = ()
    part: str = ""
    needs: Needs | None = None
    parameters: Mapping[str, str] = field(default_factory=dict)
    serial_pattern: str = ""
    cross_check: bool = False
    time_limit: float = TIME_LIMIT
    calibration: Mapping[str, CalibrationEntry] = field(default_factory=dict)
    requires_fitness: bool = False
    ask: Mapping[str, AskEntry] = field(default_factory=dict)
    pictures: Mapping[str, tuple[PlacePicture, ...]] = field(default_factory=dict)
    stop_when: Mapping[str, StopRule] = field(default_factory=dict)
    retest: Retesting | None = None
    quarantine: tuple[QuarantineCause, ...] = ()
    golden: GoldenCheck | None = None

    @property
    def name(self) -> str:
        """The file's name without its extension."""
        return PurePath(self.path).stem

    def __iter__(self) -> Iterator[Measurement]:
        return iter(self.measurements)

    def __getitem__(self, name: str) -> tuple[Measurement, ...]:
        """The measurement of that name under all of its conditions; KeyError if there is none."""
        found = tuple(measurement for measurement in self.measurements if name in (measurement.name, measurement.label))
        if not found:
            raise KeyError(name)
        return found
