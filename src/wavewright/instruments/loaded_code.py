"""What a bench file makes a run load and execute: to be read before a bench file from somebody else is used.

A native VISA library is executed as soon as it is opened, and a profile can name a Python class of an installed
package: a bench file is to be trusted like a program.
"""

from __future__ import annotations

from collections.abc import Iterator

from wavewright.instruments.bench_file import BenchFile


def loaded_code(bench: BenchFile) -> Iterator[str]:
    """One sentence for each thing that a run on this bench would load; nothing of it is loaded for that."""
    yield _of_library(bench)
    for key in ("board", "faults"):
        if value := bench.simulation_settings().get(key):
            yield f"{key} file `{value}`"
    if bench.corrections is not None:
        yield f"the corrections in `{bench.corrections.path}`"
    for profile in dict.fromkeys(bench.profiles.values()):
        if profile.grammar.python:
            yield f"the Python class `{profile.grammar.python}` of an installed package, for profile `{profile.name}`"


def _of_library(bench: BenchFile) -> str:
    library = bench.grammar.library
    if not library:
        return "the native VISA library of this machine, if it has one, which is executed; else PyVISA-py"
    file, at, name = library.rpartition("@")
    if at and name == "sim":
        return f"simulated instruments from `{file}`" if file else "PyVISA-sim's own instruments"
    if at and name == "replay":
        return f"a recorded dialogue from `{file}`"
    if at and not file and name == "py":
        return "PyVISA-py, over sockets, USB, GPIB or serial lines"
    if at and file and name not in ("ivi", "ni"):
        return f"the PyVISA backend `{name}` with the file `{file}`"
    named = f"`{file or library}`" if file or not at else "of this machine"
    return f"the native VISA library {named}, which is executed: trust it like a program"
