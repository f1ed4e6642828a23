"""`wavewright density FILES`: stored shots laid over each other, rare paths, and a band around a reference waveform."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.answering import AnswersWanted, with_answers
from wavewright.cli.options import number_or_name
from wavewright.cli.output import AsJson, print_json
from wavewright.cli.picture_option import PictureAt, show_pictures
from wavewright.durable_files import write_whole
from wavewright.errors import Misuse, StorageFault

if TYPE_CHECKING:
    from wavewright.analysis.statistics.masks import Violation
    from wavewright.analysis.statistics.rare_paths import RarePath
    from wavewright.archive.density_files import FilesDensity
    from wavewright.reporting.picture import Picture

MOST_FAULTS = 500  # that are printed
MOST_MARKED = 100


@with_answers
def density(
    files: Annotated[
        list[Path],
        typer.Argument(
            help="One file per shot, CSV, WAV, HDF5, NPZ or SCPI DIF; folders, or patterns such as `'shots/*.npz'`. "
            "The first that can be read gives the time axis and the levels."
        ),
    ],
    *,
    channel: Annotated[str, typer.Option(help="Channel by number, from 1, or name.")] = "1",
    columns: Annotated[int, typer.Option(min=1, help="Columns along the time axis.")] = 1000,
    rows: Annotated[int, typer.Option(min=1, help="Rows along the level axis.")] = 256,
    rare: Annotated[
        int | None,
        typer.Option(min=2, help="List shots that took a path which fewer than one in this many shots took."),
    ] = None,
    around: Annotated[
        Path | None, typer.Option(help="Reference waveform; samples must stay within the band around it.")
    ] = None,
    time: Annotated[str, typer.Option(help="Half-width of the band in time.")] = "0 s",
    level: Annotated[str, typer.Option(help="Half-width of the band in level.")] = "0 V",
    interval: Annotated[
        str | None, typer.Option(help="Time between samples, `1 us`, where the files have none.")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Draw the histogram into this HTML file.")] = None,
    picture: PictureAt = None,
    answering: AnswersWanted,
    as_json: AsJson = False,
) -> int:
    """Histogram of stored shots over time and level.

    Exit status 1 if a shot takes a rare path or leaves the band, 3 if a file cannot be read; the others are counted.
    """
    from wavewright.archive.collecting import worst
    from wavewright.archive.density_files import DensityFiles, FilesDensity
    from wavewright.archive.pile import files_of
    from wavewright.quantities import read_quantity

    items = files_of(files)
    step = None if interval is None else read_quantity(interval, unit="s").value
    query = DensityFiles.of_first(
        items, channel=number_or_name(channel), interval=step, grid=(columns, rows),
    )  # fmt: skip
    if around is not None:
        query = replace(query, around=_band(around, time, level, unit=query.unit))
    query.check()
    if out is not None:
        _check_page(out)
    with answering.answers(query, items) as answers:
        found = FilesDensity(query, answers, rare=rare)
        answers.tabled = found.tabled()
        print_json(_plain(found)) if as_json else _tell(found)
        if out is not None or picture is not None:
            drawn = _picture(found, found.name or channel)
            if out is not None:
                _write_page(drawn, out)
            if picture is not None:
                show_pictures([drawn], picture, as_json=as_json)
    return worst(found.statuses)


def _band(around: Path, time: str, level: str, *, unit: str) -> tuple[str, str, float, float]:
    from wavewright.archive.pile import stamp_of
    from wavewright.quantities import read_quantity

    path = str(around.absolute())
    return path, stamp_of(path), read_quantity(time, unit="s").value, read_quantity(level, unit=unit).value


def _plain(found: FilesDensity) -> dict[str, Any]:
    counted = found.density
    return {
        "shots": counted.shots,
        "samples": counted.samples,
        "left_out": counted.left_out.total,
        "other_scale": found.unlike,
        "rare": [_placed(one, found.files) for one in found.rare],
        "violations": [{**_placed(one, found.files), "excess": one.excess} for one in found.violations],
        "faults": [{"file": one.item, "fault": one.fault} for one in found.faults],
    }


def _placed(one: RarePath | Violation, files: Sequence[str]) -> dict[str, Any]:
    return {"file": files[one.shot], "time": one.time, "level": one.level}


def _tell(found: FilesDensity) -> None:
    from wavewright.quantities import show_quantity

    plain, unit = _plain(found), found.unit
    print(f"{plain['shots']} shots, {plain['samples']} samples, {plain['left_out']} of them outside the plot")
    if found.unlike:
        print(f"{found.unlike} shots have another time axis or scale than the first: counted by their times and levels")
    for word, listed in (("took a rare path", plain["rare"]), ("left the band", plain["violations"])):
        for one in listed:
            where = f"{show_quantity(one['time'], 's')}, {show_quantity(one['level'], unit)}"
            by = f", by {show_quantity(one['excess'], unit)}" if "excess" in one else ""
            print(f"{one['file']} {word} at {where}{by}")
    for fault in found.faults[:MOST_FAULTS]:
        print(fault.fault if fault.item in fault.fault else f"{fault.item}: {fault.fault}")
    if found.faults:
        print(f"{len(found.faults)} files are not counted, since they have a fault")


def _picture(found: FilesDensity, channel: str) -> Picture:
    """The counts, and a frame around each place that is reported."""
    import numpy as np

    from wavewright.reporting.count_picture import count_picture, described_counts
    from wavewright.reporting.marks import MarkRole, OutlineMark

    counted, unit = found.density, found.unit
    wide = (counted.window[1] - counted.window[0]) / counted.columns
    high = (counted.levels[1] - counted.levels[0]) / counted.rows
    marked: list[tuple[RarePath | Violation, MarkRole]] = [(one, MarkRole.RARE) for one in found.rare]
    marked += [(one, MarkRole.FAILED) for one in found.violations]
    marks = [
        OutlineMark(np.array([one.time - wide / 2]), wide, np.array([one.level - high / 2]),
                    np.array([one.level + high / 2]), f"shot {one.shot + 1}", role)
        for one, role in marked[:MOST_MARKED]
    ]  # fmt: skip
    return count_picture(
        counted.counts, window=counted.window, levels=counted.levels, channel=channel, unit=unit, name="density",
        title=f"Persistence: {channel}, {counted.shots} shots", marks=marks,
        description=described_counts(counted.counts, counted.shots, counted.levels, unit),
    )  # fmt: skip


def _check_page(out: Path) -> None:
    """Refuse another kind of file before anything is counted."""
    if out.suffix.lower() not in (".html", ".htm"):
        raise Misuse(f"file extension `{out.suffix}` of {out}", expected=".html", do="--picture writes .svg and .png")


def _write_page(picture: Picture, out: Path) -> None:
    from wavewright.reporting.html import render

    page = render("picture.html.j2", title=picture.title, picture=picture, has_pictures=True)
    try:
        write_whole(out, page)
    except OSError as fault:
        raise StorageFault(f"the picture cannot be written: {fault.strerror or fault}", where=str(out)) from fault
