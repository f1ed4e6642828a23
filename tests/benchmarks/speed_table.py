"""All figures of speed in one table, and the guide's page that shows it."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

PAGE = Path(__file__).parents[2] / "src" / "wavewright" / "guide" / "speed.md"
HEAD = "| what | measured | target |"
MISSED = "Missed: "
OWN = frozenset({"tests", "wavewright"})  # what must be there; anything else may not be installed
_TARGET = re.compile(r"(?P<side>at least|at most|well under|under) (?P<number>[\d.]+)")


@dataclass(frozen=True)
class SpeedRow:
    """One figure, and what it should be in words: `at least 12`, `at most 2.5`, or nothing."""

    what: str
    figure: float
    target: str = ""

    @property
    def is_missed(self) -> bool:
        """Whether the figure is on the wrong side of its target."""
        found = _TARGET.match(self.target)
        if found is None:
            return False
        number = float(found["number"])
        return self.figure < number if found["side"] == "at least" else self.figure > number

    @property
    def line(self) -> str:
        """The row in Markdown."""
        return f"| {self.what} | {shown(self.figure)} | {self.target} |"


def shown(figure: float) -> str:
    """Three digits of a figure, without an exponent."""
    if figure >= 100:
        return f"{figure:,.0f}"
    return f"{figure:.1f}" if figure >= 10 else f"{figure:.2f}"


def everything(only: Sequence[str] = (), *, say: Callable[[str], None] = print) -> list[SpeedRow]:
    """The rows of every program, or of those that are named, one program after the other.

    Raises
    ------
    ValueError : there is no program of that name.
    """
    programs = rows_of_programs()
    for name in only:
        if name not in programs:
            raise ValueError(f"no program `{name}`; there are {', '.join(programs)}")
    found: list[SpeedRow] = []
    for name in only or programs:
        say(f"{name}: load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
        try:
            for row in programs[name]():
                say(row.line)
                found.append(row)
        except ModuleNotFoundError as missing:
            if (missing.name or "").partition(".")[0] in OWN:
                raise
            say(f"{name}: SKIPPED, its rows are not in the table: {missing.name} is not installed")
    return found


def rows_of_programs() -> Mapping[str, Callable[[], Iterable[SpeedRow]]]:
    """Each program of this folder by name; they are loaded when one is asked for."""
    return {
        "analysis": _analysis,
        "cores": _cores,
        "spectrum": _spectrum,
        "density": _density,
        "bus": _bus,
        "link": _link,
        "overlap": _overlap,
        "latency": _latency,
        "start": _start,
        "watch": _watch,
        "logbook": _logbook,
        "archive": _archive,
        "serve": _serve,
    }


def written(page: str, rows: Sequence[SpeedRow], *, about: str) -> str:
    """The page with these rows in place of its table, the line about the run above it and what was missed below.

    Raises
    ------
    ValueError : the page has no such table.
    """
    lines = page.splitlines()
    if HEAD not in lines:
        raise ValueError(f"the page has no table that begins with `{HEAD}`")
    begin = lines.index(HEAD)
    end = next((number for number in range(begin, len(lines)) if not lines[number].startswith("|")), len(lines))
    after = lines[end:]
    while after and (not after[0] or after[0].startswith(MISSED)):
        after.pop(0)
    before = lines[:begin]
    while before and (not before[-1] or before[-1].startswith("Measured ")):
        before.pop()
    missed = [f"{row.what} ({shown(row.figure)})" for row in rows if row.is_missed]
    told = [f"{MISSED}{'; '.join(missed)}."] if missed else []
    table = [HEAD, "|---|--:|--:|", *(row.line for row in rows)]
    return "\n".join([*before, "", f"Measured {about}", "", *table, "", *told, *(["", *after] if after else [])]) + "\n"


def _analysis() -> Iterable[SpeedRow]:
    from tests.benchmarks.test_analysis_speed import measure_ratios

    return (SpeedRow(*row) for row in measure_ratios())


def _cores() -> Iterable[SpeedRow]:
    from tests.benchmarks.test_cores_speed import TARGET, table

    for what, figure in table():
        yield SpeedRow(f"{what}: rate on two cores over that on one", figure, f"at least {TARGET}")


def _spectrum() -> Iterable[SpeedRow]:
    from tests.benchmarks.test_spectrum_speed import long_records, table

    for what, figure, target in table():
        yield SpeedRow(
            f"{what}, over one `scipy.fft.rfft` in float32" if "memory" not in what else what, figure, target
        )
    yield from (SpeedRow(*row) for row in long_records())


def _density() -> Iterable[SpeedRow]:
    from tests.benchmarks.test_density_speed import plain_shots_per_second, shots, shots_per_second

    many = shots(300)
    speed, picture = shots_per_second(many)
    yield SpeedRow("shots of 10 k samples into one 1000 × 256 histogram, per second", speed, "at least 200")
    plain = plain_shots_per_second(many[:50], picture)
    yield SpeedRow("the same, times `numpy.histogram2d`", speed / plain)


def _bus() -> Iterable[SpeedRow]:
    from tests.benchmarks.test_bus_speed import measure_ratios

    for what, figure, about in measure_ratios():
        target = "at least 50" if what.startswith("decode ") else ""
        told = "times a plain decoder" if target else about.split(";")[0]
        target = "at least 100" if what.startswith("CAN FD") else target
        yield SpeedRow(f"{what}: {told}", figure, target)


def _link() -> Iterable[SpeedRow]:
    from tests.benchmarks.test_link_speed import HISLIP_PEER as HISLIP
    from tests.benchmarks.test_link_speed import MEGABYTE, hislip_address, measure, peak_memory, peer, socket_address

    for what, figure, least in measure():
        yield SpeedRow(what, figure, f"at least {least:g}")
    with peer() as port, peer(HISLIP) as hislip:
        for wire, address in (("a socket", socket_address(port)), ("HiSLIP", hislip_address(hislip))):
            share = peak_memory(address, "RANDom10?") / (10 * MEGABYTE)
            yield SpeedRow(f"peak memory of a 10 MB block over {wire}, times the block", share, "at most 1.1")


def _overlap() -> Iterable[SpeedRow]:
    from tests.benchmarks.test_overlap_speed import TARGET, table

    for words, one in table():
        yield SpeedRow(
            f"shots of 1 M samples, ten metrics, over a socket, {words}: share of the rate of the slower of transfer "
            f"({1e3 * one.transfer:.0f} ms) and evaluation ({1e3 * one.evaluation:.0f} ms)",
            one.ratio,
            f"at least {TARGET}",
        )


def _latency() -> Iterable[SpeedRow]:
    from tests.benchmarks.test_latency_speed import table, turns

    return (SpeedRow(*row) for row in table(turns()))


def _start() -> Iterable[SpeedRow]:
    from tests.benchmarks.test_start_speed import table

    return (SpeedRow(*row) for row in table())


def _watch() -> Iterable[SpeedRow]:
    from tests.benchmarks.test_watch_speed import RECORDS, alone

    for points, span in RECORDS:
        what = f"`watch`: shots of {points} samples evaluated and drawn per second, without a bench"
        yield SpeedRow(what, alone(points, span), "at least 10")


def _archive() -> Iterable[SpeedRow]:
    from tests.benchmarks.test_archive_speed import table

    for what, figure in table():
        yield SpeedRow(what, figure, "at least 1.8" if "two workers over one" in what else "")


def _logbook() -> Iterable[SpeedRow]:
    from tests.benchmarks.test_logbook_speed import measure_ratios

    return (SpeedRow(*row) for row in measure_ratios())


def _serve() -> Iterable[SpeedRow]:
    import aiohttp  # noqa: F401  readers need it, in a process of their own

    from tests.benchmarks.test_serve_speed import table

    return (SpeedRow(*row) for row in table())
