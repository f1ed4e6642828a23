"""The query for the cells of one density that each file of a pile visits, and the density of them all."""

from __future__ import annotations

import base64
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any, Self

import numpy as np

from wavewright.analysis.statistics.density import Density
from wavewright.analysis.statistics.density_grid import Counts, DensityGrid, LeftOut, ShotCells, grid_of
from wavewright.analysis.statistics.masks import MOST_LISTED, MaskTest, ToleranceBand, Violation
from wavewright.analysis.statistics.rare_paths import RarePath
from wavewright.archive.answer import ItemAnswer
from wavewright.archive.pile import stamp_of
from wavewright.errors import Misuse, NotMeasurable, WavewrightError
from wavewright.logbook.formats.catalogue import read_waveform

FAILED = 1
COLUMNS: Mapping[str, type] = {
    "what": str, "file": str, "time": float, "level": float, "unit": str, "samples": int, "shots": int,
    "excess": float, "fault": str,
}  # fmt: skip
CELL, RARE, OUTSIDE, FAULT = "cell", "rare path", "outside the band", "fault"


@dataclass(frozen=True, slots=True)
class DensityFiles:
    """Where the samples of stored shots fall, on one grid; an item is the whole path of a file.

    Parameters
    ----------
    window, levels : of the grid, s and in `unit`; grid : its columns and rows.
    channel : by number, from 1, or name; interval : s, for files that do not state it.
    around : whole path of a reference waveform, its stamp, and the half-widths of the band in s and in `unit`.
    """

    window: tuple[float, float]
    levels: tuple[float, float]
    unit: str
    grid: tuple[int, int] = (1000, 256)
    channel: int | str = 1
    interval: float | None = None
    around: tuple[str, str, float, float] | None = None

    @classmethod
    def of_first(cls, files: Sequence[str], *, channel: int | str, interval: float | None, **options: Any) -> Self:
        """The query with the time axis and the levels of the first file that can be read.

        Raises
        ------
        WavewrightError : none can be; the fault of the first.
        """
        why: WavewrightError | None = None
        for file in files:
            try:
                wave = read_waveform(file, channel=channel, interval=interval)
                window, levels = grid_of(wave)
            except WavewrightError as fault:
                why = why or fault
            else:
                return cls(window, levels, wave.unit, channel=channel, interval=interval, **options)
        raise why or Misuse("no file is named", expected="files of waveforms")

    @property
    def columns(self) -> Mapping[str, type]:
        """One row per cell that was visited, then one per place that is reported, then one per fault."""
        return COLUMNS

    def words(self) -> Mapping[str, Any]:
        """All that was asked for."""
        return {"asked": "density", **asdict(self)}

    def check(self) -> None:
        """See whether this process reaches the reference waveform."""
        _grid(self)
        _band(self)

    def stamp(self, item: str) -> str:
        """Size and time of the file."""
        return stamp_of(item)

    def answer(self, item: str) -> ItemAnswer:
        """The cells that one file visits, how many of its samples fall into each, and where it leaves the band."""
        stamp = stamp_of(item)
        wave = read_waveform(item, channel=self.channel, interval=self.interval)
        if wave.unit != self.unit:
            raise Misuse(f"{item}: `{wave.label}` is in {wave.unit}", expected=f"{self.unit}, as the first file")
        seen = _grid(self).seen(wave)
        if not seen.cells.size:
            raise NotMeasurable(
                f"{item}: none of its {seen.samples} samples is within the times and levels of the first file",
                expected="shots of the same signal",
                do="name a typical shot first",
            )
        band = _band(self)
        violations = () if band is None else MaskTest(band).add(0, wave)
        document = {
            "cells": _packed(np.diff(seen.cells, prepend=0)),
            "counts": _packed(seen.counts),
            "samples": seen.samples,
            "left_out": asdict(seen.left_out),
            "scale": [wave.interval, wave.start, wave.gain, wave.offset],
            "name": wave.name,
            "violations": [[one.start, one.end, one.time, one.level, one.excess] for one in violations],
        }
        return ItemAnswer(item, document=document, stamp=stamp)

    def close(self) -> None:
        """Let go of grid and band."""
        _grid.cache_clear()
        _band.cache_clear()


class FilesDensity:
    """The density of all files that were read, each added once and in the order of the answers.

    Parameters
    ----------
    query : that was asked.
    answers : about each of the files.
    rare : as `one_in` of `Density.rare`; None looks for no rare paths.
    """

    def __init__(self, query: DensityFiles, answers: Iterable[ItemAnswer], *, rare: int | None = None) -> None:
        columns, rows = query.grid
        self.density = Density(columns=columns, rows=rows, window=query.window, levels=query.levels)
        self.files: list[str] = []
        self.faults: list[ItemAnswer] = []
        self.violations: list[Violation] = []
        self.name, self.unit = "", query.unit
        self.unlike = 0  # files with another time axis or another vertical scale than the first
        scale = None
        for answer in answers:
            if answer.fault:
                self.faults.append(answer)
                continue
            found, shot = answer.document, len(self.files)
            self.density.put(shot, _seen(found, query.unit))
            room = MOST_LISTED - len(self.violations)
            self.violations += [Violation(shot, *one) for one in found["violations"][:room]]
            scale, self.name = scale or found["scale"], self.name or found["name"]
            self.unlike += found["scale"] != scale
            self.files.append(answer.item)
        self.rare: tuple[RarePath, ...] = () if rare is None else self.density.rare(rare, beyond_noise=True)

    @property
    def statuses(self) -> set[int]:
        """The exit status that is due to each thing that was found."""
        return {answer.status for answer in self.faults} | ({FAILED} if self.rare or self.violations else set())

    def tabled(self) -> Iterator[ItemAnswer]:
        """The rows of the table, as answers: the cells of one column of the picture at a time, then the rest."""
        density = self.density
        counts, visits = density.counts, density.visits
        wide, high = (density.window[1] - density.window[0], density.levels[1] - density.levels[0])
        for column in range(density.columns):
            time = density.window[0] + wide * (column + 0.5) / density.columns
            rows = tuple(
                {"what": CELL, "time": time, "level": density.levels[0] + high * (row + 0.5) / density.rows,
                 "unit": self.unit, "samples": int(counts[row, column]), "shots": int(visits[row, column])}
                for row in np.flatnonzero(counts[:, column]).tolist()
            )  # fmt: skip
            if rows:
                yield ItemAnswer("", rows=rows)
        for path in self.rare:
            yield self._placed(RARE, path, shots=path.visits)
        for violation in self.violations:
            yield self._placed(OUTSIDE, violation, excess=violation.excess)
        for answer in self.faults:
            yield ItemAnswer("", rows=({"what": FAULT, "file": answer.item, "fault": answer.fault},))

    def _placed(self, what: str, one: RarePath | Violation, **figures: float) -> ItemAnswer:
        row = {"what": what, "file": self.files[one.shot], "time": one.time, "level": one.level, "unit": self.unit}
        return ItemAnswer("", rows=({**row, **figures},))


def _seen(found: Mapping[str, Any], unit: str) -> ShotCells:
    cells = np.cumsum(_unpacked(found["cells"]))
    return ShotCells(cells, _unpacked(found["counts"]), found["samples"], LeftOut(**found["left_out"]), unit)


def _packed(numbers: Counts) -> str:
    """Whole numbers as text, most of them small."""
    return base64.b64encode(zlib.compress(numbers.astype("<i8").tobytes(), 1)).decode()


def _unpacked(text: str) -> Counts:
    return np.frombuffer(zlib.decompress(base64.b64decode(text)), dtype="<i8").astype(np.int64)


@lru_cache(maxsize=1)
def _grid(query: DensityFiles) -> DensityGrid:
    """The cells, made once per process."""
    columns, rows = query.grid
    return DensityGrid(columns=columns, rows=rows, window=query.window, levels=query.levels)


@lru_cache(maxsize=1)
def _band(query: DensityFiles) -> ToleranceBand | None:
    if query.around is None:
        return None
    file, _, time, level = query.around
    golden = read_waveform(file, channel=query.channel, interval=query.interval)
    if golden.unit != query.unit:
        raise Misuse(f"{file}: `{golden.label}` is in {golden.unit}", expected=f"{query.unit}, as the first file")
    return ToleranceBand(golden, time=time, level=level)
