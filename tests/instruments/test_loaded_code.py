"""What a bench file would load is said, and nothing of it is loaded to say so."""

from __future__ import annotations

from pathlib import Path

import pytest

from wavewright.cli.main import execute
from wavewright.instruments.bench_file import load_bench
from wavewright.instruments.loaded_code import loaded_code

ROOT = Path(__file__).parents[2]
TEXT = """\
wavewright-bench: 1
library: "{library}"
instruments:
  supply: {{resource: "TCPIP0::127.0.0.1::5025::SOCKET", profile: scpi-supply}}
"""


@pytest.mark.parametrize(
    "library, said",
    [
        ("@py", "PyVISA-py"),
        ("@ivi", "the native VISA library of this machine, which is executed"),
        ("evil.so@ivi", "the native VISA library `evil.so`, which is executed"),
        ("/opt/lib/libvisa.so", "the native VISA library `/opt/lib/libvisa.so`, which is executed"),
        ("instruments.yaml@sim", "simulated instruments from `instruments.yaml`"),
        ("wire.log@replay", "a recorded dialogue from `wire.log`"),
        ("file.cfg@other", "the PyVISA backend `other` with the file `file.cfg`"),
    ],
)
def test_the_library_is_named(library: str, said: str, tmp_path: Path) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text(TEXT.format(library=library), encoding="utf-8")
    assert next(loaded_code(load_bench(path))).startswith(said)


def test_the_shipped_bench_names_its_board() -> None:
    assert any("vc204.yaml" in what for what in loaded_code(load_bench(ROOT / "sim" / "bench.yaml")))


def test_validate_says_it_and_executes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # a library that is not a library: opening it would fail, and be told
    (tmp_path / "evil.so").write_bytes(b"\x7fELF")
    path = tmp_path / "bench.yaml"
    path.write_text(TEXT.format(library=f"{(tmp_path / 'evil.so').as_posix()}@ivi"), encoding="utf-8")
    assert execute(["validate", str(path)]) == 0
    assert "which is executed: trust it like a program" in capsys.readouterr().out
