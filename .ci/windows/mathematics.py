"""Bring the mathematics that wheels for Windows import and Wine lacks: mathematics.py PACKAGES RUNTIME TARGET.

PACKAGES is the folder with the installed packages, RUNTIME is Wine's ucrtbase.dll, TARGET the folder that gets the
library. The packages are made to import it in place of the system's; what the runtime has is passed on to it.
With `--in-wheels WHEELS` the wheels of a folder are made to import it, before they are installed.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

SYSTEMS = b"api-ms-win-crt-math-l1-1-0.dll"
OURS = b"mathematics-for-wine-l1-10.dll"  # as long as the other: it is written in its place
assert len(OURS) == len(SYSTEMS)
TOOLS = "x86_64-w64-mingw32-"


def said_by(tool: str, *arguments: object) -> str:
    """What one of the tools for Windows' files prints."""
    return subprocess.run([TOOLS + tool, *map(str, arguments)], check=True, capture_output=True, text=True).stdout


def imported_from_us(library: Path) -> set[str]:
    """The names that a library imports from ours."""
    _, _, behind = said_by("objdump", "-p", library).partition(f"DLL Name: {OURS.decode()}")
    table = behind.partition("\n\n")[0]
    return set(re.findall(r"^\s+[0-9a-f]+\s+(?:<none>|\d+)\s+(?:[0-9a-f]+\s+)?(\w+)$", table, re.MULTILINE))


def exported_by(library: Path) -> set[str]:
    """The names that a library has for others."""
    _, _, table = said_by("objdump", "-p", library).partition("[Ordinal/Name Pointer] Table")
    return set(re.findall(r"\[\s*\d+\]\s+(?:\+base\[\s*\d+\]\s+[0-9a-f]+\s+)?(\w+)$", table, re.MULTILINE))


def change_wheels(folder: Path) -> None:
    """Let the libraries in wheels import from ours."""
    for wheel in sorted(folder.glob("*.whl")):
        with zipfile.ZipFile(wheel) as archive:
            files = {entry: archive.read(entry) for entry in archive.infolist()}
        if not any(SYSTEMS in content for content in files.values()):
            continue
        with zipfile.ZipFile(wheel, "w", zipfile.ZIP_STORED) as archive:
            for entry, content in files.items():
                archive.writestr(entry, content.replace(SYSTEMS, OURS))


def main(packages: Path, runtime: Path, target: Path) -> None:
    """Make the library."""
    wanted: set[str] = set()
    for library in sorted([*packages.rglob("*.pyd"), *packages.rglob("*.dll")]):
        content = library.read_bytes()
        if SYSTEMS in content:
            library.write_bytes(content.replace(SYSTEMS, OURS))
        if SYSTEMS in content or OURS in content:
            wanted |= imported_from_us(library)
    with tempfile.TemporaryDirectory() as name:
        built, definitions = Path(name) / "complex.o", Path(name) / "mathematics.def"
        compiler = [TOOLS + "gcc", "-O1", "-c", str(Path(__file__).with_name("complex_functions.c")), "-o", str(built)]
        subprocess.run(compiler, check=True)
        ours = set(re.findall(r" T ours_(\w+)$", said_by("nm", built), re.MULTILINE))
        theirs = exported_by(runtime)
        lines, missing = [], []
        for one in sorted(wanted):
            short = one.removesuffix("l")  # long double is double there
            if one in ours or short in ours:
                lines.append(f"{one} = ours_{one if one in ours else short}")
            elif one in theirs or short in theirs:
                lines.append(f"{one} = ucrtbase.{one if one in theirs else short}")
            else:
                missing.append(one)
        if missing or not lines:
            sys.exit(f"mathematics that nobody has: {', '.join(missing) or 'no package imports any'}")
        definitions.write_text(f"LIBRARY {OURS.decode()}\nEXPORTS\n" + "".join(f"  {line}\n" for line in lines))
        made = target / OURS.decode()
        linker = [TOOLS + "gcc", "-shared", "-static-libgcc", "-o", str(made), str(built), str(definitions), "-lm"]
        subprocess.run(linker, check=True)
    print(f"{len(lines)} functions of mathematics, {sum('ours_' in line for line in lines)} of them ours")


if __name__ == "__main__":
    if sys.argv[1] == "--in-wheels":
        change_wheels(Path(sys.argv[2]))
    else:
        main(*map(Path, sys.argv[1:]))
