"""`wavewright density FILES`: stored shots laid over each other, rare paths, and a band around a reference waveform."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wavewright.cli.options import number_or_name
from wavewright.cli.output import AsJson, print_json
from wavewright.cli.picture_option import PictureAt, show_pictures
from wavewright.durable_files import write_whole
from wavewright.errors import Misuse, StorageFault

if TYPE_CHECKING:
    from wavewright.analysis.statistics.density import Density
    from wavewright.analysis.statistics.masks import Violation
    from wavewright.analysis.statistics.rare_paths import RarePath
    from wavewright.reporting.picture import Picture

FAILED = 1
MOST_MARKED = 100


def density(
    files: Annotated[list[Path], typer.Argument(help="One file per shot: CSV, WAV, HDF5, NPZ or SCPI DIF.")],
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
    as_json: AsJson = False,
) -> int:
    """Histogram of stored shots over time and level.

    Exit status 1 if a shot takes a rare path or leaves the band.
    """
    from wavewright.analysis.statistics.density import Density
    from wavewright.analysis.statistics.masks import MaskTest, ToleranceBand
    from wavewright.logbook.formats.catalogue import read_waveform
    from wavewright.quantities import read_quantity

    step = None if interval is None else read_quantity(interval, unit="s").value
    waves = [read_waveform(file, channel=number_or_name(channel), interval=step) for file in files]
    counted = Density.of(waves[0], columns=columns, rows=rows)
    test = None
    if around is not None:
        golden = read_waveform(around, channel=number_or_name(channel), interval=step)
        half = read_quantity(time, unit="s").value, read_quantity(level, unit=golden.unit).value
        test = MaskTest(ToleranceBand(golden, time=half[0], level=half[1]))
    for number, wave in enumerate(waves):
        counted.add(number, wave)
        if test is not None:
            test.add(number, wave)
    paths = counted.rare(rare, beyond_noise=True) if rare is not None else ()
    violations = test.violations if test is not None else ()
    drawn = None
    if out is not None or picture is not None:
        drawn = _picture(counted, waves[0].name or channel, waves[0].unit, rare=paths, violations=violations)
    if out is not None and drawn is not None:
        _write_page(drawn, out)
    found = {
        "shots": counted.shots,
        "samples": counted.samples,
        "left_out": counted.left_out.total,
        "rare": [_placed(one, files, excess=None) for one in paths],
        "violations": [_placed(one, files, excess=one.excess) for one in violations],
    }
    print_json(found) if as_json else _tell(found, waves[0].unit)
    if picture is not None and drawn is not None:
        show_pictures([drawn], picture, as_json=as_json)
    return FAILED if paths or violations else 0


def _placed(one: Any, files: list[Path], *, excess: float | None) -> dict[str, Any]:
    plain = {"file": str(files[one.shot]), "time": one.time, "level": one.level}
    return plain if excess is None else {**plain, "excess": excess}


def _tell(found: dict[str, Any], unit: str) -> None:
    from wavewright.quantities import show_quantity

    print(f"{found['shots']} shots, {found['samples']} samples, {found['left_out']} of them outside the plot")
    for word, listed in (("took a rare path", found["rare"]), ("left the band", found["violations"])):
        for one in listed:
            where = f"{show_quantity(one['time'], 's')}, {show_quantity(one['level'], unit)}"
            by = f", by {show_quantity(one['excess'], unit)}" if "excess" in one else ""
            print(f"{one['file']} {word} at {where}{by}")


def _picture(
    counted: Density, channel: str, unit: str, *, rare: Sequence[RarePath], violations: Sequence[Violation]
) -> Picture:
    """The counts, and a frame around each place that is reported."""
    import numpy as np

    from wavewright.reporting.count_picture import count_picture, described_counts
    from wavewright.reporting.marks import MarkRole, OutlineMark

    wide = (counted.window[1] - counted.window[0]) / counted.columns
    high = (counted.levels[1] - counted.levels[0]) / counted.rows
    found: list[tuple[RarePath | Violation, MarkRole]] = [(one, MarkRole.RARE) for one in rare]
    found += [(one, MarkRole.FAILED) for one in violations]
    marks = [
        OutlineMark(np.array([one.time - wide / 2]), wide, np.array([one.level - high / 2]),
                    np.array([one.level + high / 2]), f"shot {one.shot + 1}", role)
        for one, role in found[:MOST_MARKED]
    ]  # fmt: skip
    return count_picture(
        counted.counts, window=counted.window, levels=counted.levels, channel=channel, unit=unit, name="density",
        title=f"Persistence: {channel}, {counted.shots} shots", marks=marks,
        description=described_counts(counted.counts, counted.shots, counted.levels, unit),
    )  # fmt: skip


def _write_page(picture: Picture, out: Path) -> None:
    from wavewright.reporting.html import render

    if out.suffix.lower() not in (".html", ".htm"):
        raise Misuse(f"file extension `{out.suffix}` of {out}", expected=".html", do="--picture writes .svg and .png")
    page = render("picture.html.j2", title=picture.title, picture=picture, has_pictures=True)
    try:
        write_whole(out, page)
    except OSError as fault:
        raise StorageFault(f"the picture cannot be written: {fault.strerror or fault}", where=str(out)) from fault
