"""What has to be the same in two processes so that they compute the same to the last bit."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Mapping
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path

import wavewright

LIBRARIES = ("numpy", "scipy")


@lru_cache(maxsize=1)
def versions() -> Mapping[str, str]:
    """The versions of Python, of the libraries that compute and of this package, and the hash of its code."""
    ours = Path(wavewright.__file__).parent
    digest = hashlib.sha256()
    for path in sorted(ours.rglob("*.py"), key=lambda one: one.relative_to(ours).as_posix()):
        if "examples" not in path.relative_to(ours).parts:
            digest.update(path.relative_to(ours).as_posix().encode() + b"\0")
            digest.update(path.read_bytes().replace(b"\r\n", b"\n"))
    python = ".".join(platform.python_version_tuple()[:2])
    return {
        "wavewright": version("wavewright"),
        "code": digest.hexdigest()[:12],
        "python": python,
        **{name: version(name) for name in LIBRARIES},
    }


def unlike(theirs: Mapping[str, str]) -> str:
    """In what another process differs from this one, in words; empty if in nothing."""
    return ", ".join(
        f"{name} {theirs.get(name, 'unknown')} and not {ours}"
        for name, ours in versions().items()
        if theirs.get(name) != ours
    )
