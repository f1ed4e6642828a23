"""What must hold under CPython for Windows, in the folder that `place` made: check.py FOLDER.

Both systems run the same recipes on this machine: each reads what the other wrote, and a simulated bench that one of
them serves is used by the other.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

HERE = Path(__file__).parent
PROJECT = HERE.parents[1]
TOO_LONG = 900.0  # s; what hangs fails, what is slow does not
# the suite's quick part: what meets files, sockets, signals and locks
QUICK = (
    *("tests/test_quantities.py", "tests/grammar"),
    *(f"tests/instruments/test_{name}.py" for name in ("waits", "stop_signals", "usual_library")),
    *(f"tests/running/test_{name}.py" for name in ("interruption", "bench_lock")),
    *("tests/test_durable_files.py", "tests/test_path_length.py", "tests/cli/test_code_pages.py"),
)
ALONE = ("--serial", "A1")
BATCH = ("--serials", "serials.txt", "--batch-name", "lot")


@dataclass(frozen=True)
class Ended:
    """How a command ended."""

    status: int
    stdout: str
    stderr: str


def ended_by(command: Sequence[str], *, folder: Path, environment: Mapping[str, str]) -> Ended:
    """Run a command in a folder until it ends."""
    done = subprocess.run(
        command,
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        errors="replace",
        timeout=TOO_LONG,
        check=False,
    )
    return Ended(done.returncode, done.stdout, done.stderr)


class System:
    """One of the two systems, and a folder that both can see."""

    def __init__(self, name: str, python: Sequence[str], folder: Path, seen_as: str) -> None:
        self.name, self.started_by, self.folder, self.seen_as = name, list(python), folder, seen_as
        self.environment = {**os.environ, "XDG_DATA_HOME": str(folder), "THERE": seen_as}

    def path(self, name: str) -> str:
        """How this system calls a file of the folder."""
        return f"{self.seen_as}/{name}"

    def python(self, *arguments: object, names: str = "") -> Ended:
        """Run its Python in the folder; `names` are further ones for the environment of Windows' Python."""
        command = [*self.started_by, *map(str, arguments)]
        return ended_by(command, folder=self.folder, environment={**self.environment, "NAMES": names})

    def __call__(self, *arguments: object, status: int = 0) -> Ended:
        """Run the command; it must end with this status."""
        ended = self.python("-m", "wavewright", *arguments)
        if ended.status != status:
            sys.exit(f"{self.name}: {arguments} ended with {ended.status}\n{ended.stdout}\n{ended.stderr}")
        return ended


def in_cmd(place: Path, *lines: str, folder: Path, whose: str = "root") -> Ended:
    """Lines in Windows' shell, with the Python that `installed` made; the status is the last one's."""
    (folder / "lines.bat").write_text("".join(f"{line}\r\n" for line in lines), encoding="utf-8", newline="")
    there = f"/{folder.relative_to(place / 'root')}"
    command = [str(HERE / "cmd"), str(place), "lines.bat"]
    return ended_by(command, folder=folder, environment={**os.environ, "THERE": there, "WHOSE": whose})


def say(text: str) -> None:
    """A line at once."""
    print(text, flush=True)


def measured(folder: Path) -> list[dict[str, Any]]:
    """All that the one run in a folder measured and judged, as its evidence has it."""
    (file,) = folder.glob("*/outcome.json")
    measurements: list[dict[str, Any]] = json.loads(file.read_text(encoding="utf-8"))["measurements"]
    for one in measurements:
        del one["seconds"], one["times"]  # how long it took
    return measurements


def numbers_in(content: object, at: str = "") -> dict[str, float]:
    """The numbers of a document, by where they stand in it."""
    if isinstance(content, dict | list):
        entries = content.items() if isinstance(content, dict) else enumerate(content)
        return {place: one for key, inner in entries for place, one in numbers_in(inner, f"{at}/{key}").items()}
    return {at: content} if isinstance(content, int | float) and not isinstance(content, bool) else {}


def without_numbers(content: Any) -> Any:
    """The words of a document, with None for each number."""
    if isinstance(content, dict):
        return {key: without_numbers(inner) for key, inner in content.items()}
    if isinstance(content, list):
        return [without_numbers(inner) for inner in content]
    return None if numbers_in(content) else content


def compare(one: Any, other: Any) -> int:
    """How many numbers there are; every one is the same bit for bit."""
    assert without_numbers(one) == without_numbers(other), "the words differ"
    pairs = {place: (first, numbers_in(other)[place]) for place, first in numbers_in(one).items()}
    others = {place: pair for place, pair in pairs.items() if pair[0] != pair[1]}
    assert not others, f"numbers differ: {others}"
    return len(pairs)


def check_numbers(systems: Sequence[System], folder: Path) -> None:
    """The main job passes, and the faulty board fails, with the same numbers on both."""
    for number, (bench, status) in enumerate([("sim/bench.yaml", 0), ("sim/bench_faulty.yaml", 1)]):
        found = []
        for system in systems:
            out = f"run-{number}-{system.name}"
            words = ("--bench", bench, "--seed", "204", "--yes", "--out", out, "--logbook", f"{system.name}.sqlite")
            system("run", "recipes/end_of_line.yaml", *words, "--serial", f"VC204-Ω-{number}", status=status)
            found.append(measured(folder / out))
        say(f"{bench}: exit {status} on both, {compare(*found)} numbers the same bit for bit")


def check_exchange(systems: Sequence[System]) -> None:
    """Each reads, verifies and recomputes what the other wrote."""
    for reader, writer in (systems, systems[::-1]):
        book = ("--logbook", f"{writer.name}.sqlite")
        listed = json.loads(reader("logbook", "list", *book, "--json").stdout)
        assert [run["serial"] for run in listed] == ["VC204-Ω-1", "VC204-Ω-0"], listed
        reader("logbook", "verify", *book)
        reader("recompute", "--all", *book)
        reader("report", "last", *book, "--out", f"by-{reader.name}.html")
        say(f"{reader.name} lists, verifies, recomputes and reports what {writer.name} wrote")


def check_places(place: Path, windows: System) -> None:
    """A drive and a share hold evidence, logbook and tables; a table that is open elsewhere stays as it was."""
    share = windows.folder / "share"
    share.mkdir()
    devices = place / "root/win/prefix/dosdevices"
    (devices / "unc/server").mkdir(parents=True, exist_ok=True)
    for name in ("x:", "n:", "unc/server/share"):
        (devices / name).unlink(missing_ok=True)
        (devices / name).symlink_to(f"{windows.seen_as}/share")
    for number, root in enumerate(("X:", r"\\server\share")):
        book = ("--logbook", rf"{root}\book.sqlite")
        run = ("recipes/rail_ripple.yaml", "--bench", "sim/bench.yaml", "--yes", "--out", rf"{root}\out", *book)
        windows("run", *run, "--serial", ("A1", "a1")[number])
    windows("logbook", "export", r"\\server\share\table.csv", "--logbook", r"X:\book.sqlite")
    table = (share / "table.csv").read_bytes()
    assert table.count(b"\n") == 3, table
    words = ("logbook", "export", r"X:\table.csv", "--logbook", r"X:\book.sqlite")
    holding = f"import wavewright.cli.main as c; f = open(r'X:\\table.csv'); raise SystemExit(c.execute({list(words)}))"
    ended = windows.python("-c", holding)
    assert ended.status == 3, ended
    assert "another program has it open" in ended.stderr, ended
    assert (share / "table.csv").read_bytes() == table, "a table that could not be replaced has changed"
    journal = "import sqlite3, sys; print(*sqlite3.connect(sys.argv[1]).execute('PRAGMA journal_mode').fetchone())"
    kind = "import ctypes; print(ctypes.windll.kernel32.GetDriveTypeW(ctypes.c_wchar_p('N:\\\\')))"
    assert windows.python("-c", kind).stdout.strip() == "4", "N: is to be a drive of another computer"
    run = ("recipes/rail_ripple.yaml", "--bench", "sim/bench.yaml", "--yes", "--out", r"N:\far", "--logbook")
    windows("run", *run, r"N:\far.sqlite")
    windows("logbook", "verify", "--logbook", r"N:\far.sqlite")
    assert windows.python("-c", journal, r"N:\far.sqlite").stdout.strip() == "delete"
    say("what the system calls a drive of another computer has no log that is written ahead")
    say("a drive and a share hold evidence, logbook and tables; one that is open elsewhere is refused and stays")


@contextmanager
def served(system: System, *options: str) -> Iterator[str]:
    """The simulated bench of a system over its loopback; gives the bench file that points at it."""
    name = f"served-by-{system.name}.yaml"
    (system.folder / name).unlink(missing_ok=True)
    words = ["-m", "wavewright", "simulate", "sim/bench.yaml", "--write-bench", name, *options]
    command = [*system.started_by, *words]
    with subprocess.Popen(
        command, cwd=system.folder, env=system.environment, stderr=subprocess.PIPE, text=True, start_new_session=True
    ) as process:
        try:
            assert process.stderr is not None
            assert any("bench file:" in line for line in process.stderr), "the bench is not served"
            yield name
        finally:
            os.killpg(process.pid, 2)
            process.communicate(timeout=TOO_LONG)


def check_wires(systems: Sequence[System]) -> None:
    """A simulated bench that one of them serves is used by the other, over sockets and over HiSLIP."""
    for client, server in (systems, systems[::-1]):
        for options in ((), ("--hislip",)):
            with served(server, *options) as bench:
                out = f"over-{'-'.join(options)}{client.name}"
                client("run", "recipes/end_of_line.yaml", "--bench", bench, "--yes", "--out", out)
            say(f"{client.name} used the bench that {server.name} served over {(*options, 'sockets')[0].strip('-')}")


def supply_of(folder: Path, bench: str) -> int:
    """Where the supply of a served bench listens."""
    grammar = yaml.safe_load((folder / bench).read_text(encoding="utf-8"))
    return int(grammar["instruments"]["supply"]["resource"].split("::")[2])


def check_events(linux: System, windows: System) -> None:
    """Each console event ends a batch, and a run: outputs off, evidence and logbook whole, and the batch goes on."""
    from console_event import is_on

    (windows.folder / "serials.txt").write_text("A1\nA2\nA3\n", encoding="utf-8")
    shutil.copy(HERE / "console_event.py", windows.folder)
    tried = [("Ctrl-C", 0, BATCH), ("Ctrl-Break", 1, BATCH), ("a closed window", 2, BATCH), ("Ctrl-Break", 1, ALONE)]
    with served(linux) as bench:
        port = supply_of(windows.folder, bench)
        for name, event, words in tried:
            what = f"{name} in {'a batch' if words == BATCH else 'a run'}"
            out, book = f"event-{event}-{len(words)}", f"event-{event}-{len(words)}.sqlite"
            run = ("recipes/end_of_line.yaml", "--bench", bench, "--yes", "--out", out, "--logbook", book, *words)
            ended = windows.python("console_event.py", event, port, "run", *run)
            assert ended.status == 0, ended.stderr
            told = json.loads(ended.stdout)
            assert told["was_running"], what
            assert told["status"] == 3, (what, told)
            assert ("the batch was interrupted" if words == BATCH else "outputs are off") in told["stderr"], (
                what,
                told,
            )
            assert not is_on(port), f"{what}: the supply is on"
            assert not list((windows.folder / out).glob(".*")), f"{what}: evidence without its name"
            windows("logbook", "verify", "--logbook", book)
            kept = json.loads(windows("logbook", "list", "--logbook", book, "--json").stdout)
            assert [run["verdict"] for run in kept] == ["error"], (what, kept)
            times = f"outputs off after {told['off_after']} s, ended after {told['ended_after']} s"
            say(f"{what}: {times}, and what was measured is in the logbook")
        book, out = "event-0-4.sqlite", "event-0-4"
        run = ("recipes/end_of_line.yaml", "--bench", bench, "--yes", "--out", out, "--logbook", book, *BATCH)
        windows("run", *run)
        kept = json.loads(windows("logbook", "list", "--logbook", book, "--json").stdout)
        assert sorted((run["serial"], run["verdict"]) for run in kept)[-2:] == [("A2", "pass"), ("A3", "pass")], kept
        say("the batch that Ctrl-C ended went on with the units that were missing")


def check_readme(place: Path) -> None:
    """README's first command for `cmd`, as printed, in a fresh copy of the checkout, with an installed Python."""
    fresh = Path(tempfile.mkdtemp(prefix="fresh-", dir=place / "root/win/temp"))
    shutil.copytree(place / "root/win/project", fresh, dirs_exist_ok=True)
    lines = (PROJECT / "README.md").read_text(encoding="utf-8").partition("```bat\n")[2].partition("\n```")[0]
    command = lines.splitlines()[0]
    ended = in_cmd(place, command, folder=fresh)
    assert ended.status == 0, ended
    last = ended.stdout.strip().splitlines()[-1]
    assert "verdict: pass, on a simulated bench" in last, ended
    say(f"{command}: {last}")


def check_profile(place: Path) -> None:
    """A user whose profile is write-protected reads the logbook there; a run is refused before it measures."""
    root = place / "root"
    own, there = root / "win/prefix-bench", Path(tempfile.mkdtemp(prefix="bench-", dir=root / "win/temp"))
    subprocess.run(["chroot", root, "useradd", "--create-home", "bench"], check=False, capture_output=True)
    subprocess.run(["cp", "-a", root / "win/prefix", own], check=True)
    (own / "wineserver").unlink(missing_ok=True)
    for name in ("recipes", "sim"):
        shutil.copytree(PROJECT / name, there / name)
    subprocess.run(["chroot", root, "chown", "-R", "bench:bench", "/win/prefix-bench"], check=True)
    subprocess.run(["chroot", root, "chown", "-R", "bench:bench", f"/{there.relative_to(root)}"], check=True)
    command = next((root / "win/temp").glob("fresh-*/.venv/Scripts/wavewright.exe"))
    (command.parents[2]).chmod(0o755)
    for folder in (root / "tmp", root / "win/temp"):
        folder.chmod(0o1777)
    wavewright = "Z:\\" + str(command.relative_to(root)).replace("/", "\\")
    run = rf"{wavewright} run recipes\rail_ripple.yaml --bench sim\bench.yaml --yes --serial"
    ended = in_cmd(place, f"{run} N1", folder=there, whose="bench")
    assert ended.status == 0, ended
    local = own / "drive_c/users/bench/AppData/Local"
    assert (local / "wavewright/logbook.sqlite").is_file(), list(local.rglob("*"))
    subprocess.run(["chmod", "-R", "a-w", local], check=True)
    for words in ("logbook list", "logbook verify", "recompute last", "report last --out report.html"):
        ended = in_cmd(place, f"{wavewright} {words}", folder=there, whose="bench")
        assert ended.status == 0, (words, ended)
    ended = in_cmd(place, f"{run} N2", folder=there, whose="bench")
    assert ended.status == 3, ended
    assert "name another --logbook" in ended.stderr, ended
    assert not list((there / "outcomes").glob("*N2*")), ended
    say("a profile that is write-protected is read from; a run there is refused before it measures")


def check_suite(windows: System) -> None:
    """The suite's quick part; its tests leave the encoding of texts open, and another test holds that we do not."""
    words = ("-m", "pytest", "-q", "-n", "2", "-p", "no:cacheprovider", "-m", "not slow and not browser")
    ended = System("Windows", windows.started_by, windows.folder, "/win/project").python(
        *words, *QUICK, names="PYTHONUTF8=1"
    )
    lines = ended.stdout.strip().splitlines()
    say("\n".join(line for line in lines if line.startswith(("SKIPPED", "FAILED", "ERROR"))))
    if ended.status:
        sys.exit("\n".join(lines[-200:]))
    say(f"the suite's quick part under Windows' Python: {lines[-1]}")


def main(place: Path) -> None:
    """Check everything, and tell what was tried."""
    shared = Path(tempfile.mkdtemp(prefix="both-", dir=place / "root/win/temp"))
    for name in ("recipes", "sim"):
        shutil.copytree(PROJECT / name, shared / name)
    linux = System("Linux", [sys.executable], shared, str(shared))
    windows = System("Windows", [str(HERE / "python"), str(place)], shared, f"/win/temp/{shared.name}")
    check_numbers((linux, windows), shared)
    check_exchange((linux, windows))
    check_wires((linux, windows))
    check_places(place, windows)
    check_events(linux, windows)
    check_readme(place)
    check_profile(place)
    if "--without-suite" not in sys.argv:
        check_suite(windows)


if __name__ == "__main__":
    main(Path(sys.argv[1]).resolve())
