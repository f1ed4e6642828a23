"""The catalogue of report formats, which command line and API read. A format is one file of this folder."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from wavewright.durable_files import write_whole
from wavewright.errors import Misuse, StorageFault
from wavewright.nearest import unknown
from wavewright.registry import Registry
from wavewright.running.outcome import Outcome

Writer = Callable[[Outcome], str | bytes]
Written = TypeVar("Written", bound=Writer)


@dataclass(frozen=True, slots=True)
class ReportFormat:
    """One way to write an outcome: its name, its file extensions, what it is for, what writes it."""

    name: str
    extensions: tuple[str, ...]
    about: str
    write: Writer


FORMATS: Registry[ReportFormat] = Registry(
    "report format", package="wavewright.reporting", group="wavewright.report_formats"
)


def report_format(name: str, *extensions: str) -> Callable[[Written], Written]:
    """Enter the decorated function, from an outcome to the text or the bytes of a file, into the catalogue."""

    def enter(function: Written) -> Written:
        taken = {extension for known in FORMATS.entered.values() for extension in known.extensions}
        if doubly := taken & set(extensions):
            raise Misuse(f"file extension `{min(doubly)}` of report format `{name}` is already taken")
        about = (function.__doc__ or "").split("\n", 1)[0]
        FORMATS.enter(name, ReportFormat(name, extensions, about, function), made_in=function.__module__)
        return function

    return enter


def report_formats() -> Mapping[str, ReportFormat]:
    """Every format by name: the modules of this package, then what other packages bring."""
    return FORMATS.everything()


def write_report(outcome: Outcome, path: Path, *, kind: str | None = None) -> ReportFormat:
    """Write an outcome to a file in the format that its file extension stands for, or in the one that is named.

    Raises
    ------
    Misuse : no such format.
    StorageFault : the file cannot be written.
    """
    table = report_formats()
    by_extension = {extension: known for known in table.values() for extension in known.extensions}
    known = table.get(kind) if kind else by_extension.get(path.suffix.lower())
    if known is None:
        what = f"report format `{kind}`" if kind else f"file extension `{path.suffix}` of {path}"
        raise unknown(what, kind or path.suffix, table if kind else by_extension)
    content = known.write(outcome)
    try:
        write_whole(path, content)
    except OSError as fault:
        raise StorageFault(f"the report cannot be written: {fault.strerror or fault}", where=str(path)) from fault
    return known
