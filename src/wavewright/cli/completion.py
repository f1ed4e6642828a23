"""What a shell completes: names of metrics, buses, layers, topics, readings and runs, and files of the right kind.

Nothing is reported here: where a logbook or a file cannot be read, there is nothing to offer.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import suppress
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from wavewright.logbook.book import Logbook

MOST_RUNS = 50  # the newest
_MOST_FILES = 200
_HEAD = 4096  # characters of a file in which its kind is stated


def complete_metric(incomplete: str) -> list[str]:
    """Metrics of waveforms that begin so."""
    from wavewright.analysis.catalogue import metrics

    return _beginning(metrics(), incomplete)


def complete_metric_of_any(incomplete: str) -> list[str]:
    """Metrics of waveforms and of decoded lines that begin so."""
    from wavewright.analysis.catalogue import metrics
    from wavewright.buses.frame_metrics import frame_metrics

    return _beginning([*metrics(), *frame_metrics()], incomplete)


def complete_bus(incomplete: str) -> list[str]:
    """Buses that begin so."""
    from wavewright.buses.catalogue import buses

    return _beginning(buses(), incomplete)


def complete_layer(incomplete: str) -> list[str]:
    """Layers that begin so."""
    from wavewright.buses.catalogue import layers

    return _beginning(layers(), incomplete)


def complete_bus_or_layer(incomplete: str) -> list[str]:
    """Buses and layers that begin so."""
    return complete_bus(incomplete) + complete_layer(incomplete)


def complete_topic(incomplete: str) -> list[str]:
    """Topics of the reference that begin so."""
    from wavewright.cli.reference import whole_reference

    return _beginning((topic.name for topic in whole_reference().topics), incomplete)


def complete_verdict(incomplete: str) -> list[str]:
    """Verdicts that begin so."""
    from wavewright.judgement.verdict import Verdict

    return _beginning(map(str, Verdict), incomplete)


def complete_recipe(incomplete: str) -> list[str]:
    """Recipes whose path begins so, those that come with the package included."""
    return _files(incomplete, "wavewright")


def complete_bench(incomplete: str) -> list[str]:
    """Bench files whose path begins so, those that come with the package included."""
    return _files(incomplete, "wavewright-bench")


def complete_profile(incomplete: str) -> list[str]:
    """Names of the shipped profiles, and profile files, that begin so."""
    from wavewright.instruments.profile import shipped_profiles

    return _beginning(shipped_profiles(), incomplete) + _files(incomplete, "wavewright-profile")


def complete_run(context: typer.Context, incomplete: str) -> list[str]:
    """Ids of the newest runs in the logbook that begin so, the newest first, and `last`."""
    from wavewright.logbook.queries import entries

    with suppress(Exception), _logbook(context) as book:
        ids = ["last", *(entry.id for entry in entries(book, most=MOST_RUNS))]
        return [one for one in ids if one.startswith(incomplete)]
    return []


def complete_reading(context: typer.Context, incomplete: str) -> list[str]:
    """Names of readings in the logbook that begin so."""
    from wavewright.logbook.queries import reading_names

    with suppress(Exception), _logbook(context) as book:
        return _beginning(reading_names(book), incomplete)
    return []


def _logbook(context: typer.Context) -> Logbook:
    """The logbook that the words before name, or one's own."""
    from wavewright.logbook.book import Logbook

    return Logbook.existing(context.params.get("logbook"))


def _beginning(names: Iterable[str], incomplete: str) -> list[str]:
    return sorted({name for name in names if name.startswith(incomplete)})


def _files(incomplete: str, kind: str) -> list[str]:
    """YAML files of a kind, `wavewright-bench: 1` for one, in the folder that was begun and in those right below it."""
    from wavewright.running.shipped_files import FOLDERS, shipped

    here = Path(incomplete).parent if incomplete and not incomplete.endswith("/") else Path(incomplete)
    written = str if "\\" in incomplete else Path.as_posix  # as it was begun: Windows takes both signs
    found = [written(path) for folder in (here, *_folders(here)) for path in _of_kind(folder, kind)]
    packaged = (f"{name}/{path.name}" for name in FOLDERS for path in _of_kind(shipped(name), kind))
    return _beginning([*found, *packaged], incomplete)


def _folders(here: Path) -> list[Path]:
    with suppress(OSError):
        return sorted(path for path in here.iterdir() if path.is_dir() and not path.name.startswith("."))
    return []


def _of_kind(folder: Path, kind: str) -> Iterator[Path]:
    mark = re.compile(rf"^{kind}\s*:", re.MULTILINE)
    for path in islice(sorted([*folder.glob("*.yaml"), *folder.glob("*.yml")]), _MOST_FILES):
        with suppress(OSError, UnicodeDecodeError), path.open(encoding="utf-8") as file:
            if mark.search(file.read(_HEAD)):
                yield path
