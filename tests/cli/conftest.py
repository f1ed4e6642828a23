from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest

from wavewright.cli.main import execute


@dataclass(frozen=True)
class Spoken:
    status: int
    stdout: str
    stderr: str

    @property
    def json(self) -> Any:
        return json.loads(self.stdout)


@pytest.fixture
def wavewright(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Spoken]:
    """The command, in this process: call it with its arguments."""
    monkeypatch.delenv("WAVEWRIGHT_TRACEBACK", raising=False)
    monkeypatch.setenv("COLUMNS", "200")

    def call(*arguments: object) -> Spoken:
        capsys.readouterr()
        status = execute([str(argument) for argument in arguments])
        return Spoken(status, *capsys.readouterr())

    return call
