"""Fills the outputs in DEVELOPERS.md from real runs: `.venv/bin/python -m tests.developers.refill`."""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests.developers.document import DOCUMENT, blocks
from tests.developers.play import played
from tests.developers.test_own_package import SECTION as PACKAGE
from tests.developers.test_own_package import furnish_with_pip
from tests.run_to_run import plain

PLAYED = ("A new instrument, from the manual page to a passed exercise", PACKAGE)


def refill() -> int:
    """Replace each output that is no longer what is printed; returns how many there were."""
    document = DOCUMENT.read_text(encoding="utf-8")
    fresh = []
    for section in PLAYED:
        with tempfile.TemporaryDirectory() as folder:
            environment = furnish_with_pip(Path(folder))
            for _, shown, printed in played(blocks(section, document=document), Path(folder), **environment):
                if plain(shown.text) != plain(printed):
                    fresh.append((shown, "\n".join(line.rstrip() for line in printed.strip().splitlines()) + "\n"))
    for shown, printed in sorted(fresh, key=lambda each: -each[0].begin):
        document = document[: shown.begin] + printed + document[shown.end :]
    DOCUMENT.write_text(document, encoding="utf-8")
    return len(fresh)


if __name__ == "__main__":
    print(f"{refill()} outputs were others")
