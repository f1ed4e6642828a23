"""Which VISA library is taken where a bench file names none; a small one is built here to be the system's."""

from __future__ import annotations

import inspect
import logging
import re
import shutil
import subprocess
from contextlib import closing
from importlib.metadata import version
from pathlib import Path

import pytest
import pyvisa
from pyvisa.ctwrapper import functions
from pyvisa.ctwrapper.highlevel import IVIVisaLibrary

from wavewright.errors import FileFault
from wavewright.instruments import usual_library
from wavewright.instruments.library import list_addresses, open_manager

# VISA's calls that opening the resource manager and looking around take (VPP-4.3, names; statuses from visatype.h as
# PyVISA has them): one instrument, and nothing else
SOURCE = """
#include <string.h>
int viOpenDefaultRM(unsigned *session) { *session = 7; return 0; }
int viClose(unsigned session) { return 0; }
int viFindRsrc(unsigned session, char *wanted, unsigned *list, unsigned *count, char *found) {
    *list = 8; *count = 1; strcpy(found, "GPIB0::9::INSTR"); return 0; }
int viFindNext(unsigned list, char *found) { return 0xBFFF0011; }
"""
PYVISA_PY = f"PyVISA-py {version('pyvisa-py')}"


@pytest.fixture(scope="module")
def native(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A native library with those few calls."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        pytest.skip("NOT TESTED with a native VISA library: no C compiler on this machine")
    folder = tmp_path_factory.mktemp("native")
    names = sorted(set(re.findall(r'"(vi[A-Z]\w+)"', inspect.getsource(functions.set_signatures))))
    others = [name for name in names if f"int {name}(" not in SOURCE]
    unsupported = [f"int {name}(void) {{ return 0xBFFF0067; }}" for name in others]  # VI_ERROR_NSUP_OPER
    (folder / "visa.c").write_text("\n".join([SOURCE, *unsupported]))
    library = folder / "libvisa.so"
    subprocess.run([compiler, "-shared", "-fPIC", "-o", library, folder / "visa.c"], check=True)
    return library


def installed(monkeypatch: pytest.MonkeyPatch, *paths: Path) -> None:
    """Have the system's libraries be these."""
    monkeypatch.setattr(IVIVisaLibrary, "get_library_paths", staticmethod(lambda: paths))


def test_the_systems_library_comes_first(native: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    installed(monkeypatch, native)
    with closing(open_manager("", folder=Path())) as manager:
        assert usual_library.library_shown(manager) == str(native)
        assert list_addresses(manager) == ("GPIB0::9::INSTR",)


def test_without_one_it_is_pyvisa_py(monkeypatch: pytest.MonkeyPatch) -> None:
    installed(monkeypatch)
    with closing(open_manager("", folder=Path())) as manager:
        assert usual_library.library_shown(manager) == PYVISA_PY


def test_one_that_does_not_start_is_named_and_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    broken = tmp_path / "libvisa.so"
    broken.write_bytes(b"not for this processor")
    installed(monkeypatch, broken)
    with caplog.at_level(logging.WARNING), closing(open_manager("", folder=Path())) as manager:
        assert usual_library.library_shown(manager) == PYVISA_PY
    assert f"the VISA library {broken} is passed over: " in caplog.text


def test_one_that_is_named_is_taken_whatever_is_installed(native: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    installed(monkeypatch, native)
    with closing(open_manager("@py", folder=Path())) as manager:
        assert usual_library.library_shown(manager) == PYVISA_PY


def test_with_neither_the_message_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(library: str = "") -> pyvisa.ResourceManager:
        raise ValueError("Wrapper not found: No package named pyvisa_py")

    installed(monkeypatch)
    monkeypatch.setattr(pyvisa, "ResourceManager", none)
    with pytest.raises(FileFault) as caught:
        open_manager("", folder=Path())
    assert "no VISA library of the system is found, and PyVISA-py cannot be opened" in str(caught.value)
    assert "install the VISA library that the maker of your interface offers for this system" in str(caught.value)
    assert "pip install pyvisa-py" in str(caught.value)
