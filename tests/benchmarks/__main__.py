"""`python -m tests.benchmarks`: every figure of speed in one run; `--write` puts the table into the guide's page.

python -m tests.benchmarks                    all of it, 10 to 20 minutes on a machine that does nothing else
python -m tests.benchmarks --only link,bus    of these programs; the page is left alone
python -m tests.benchmarks --write            and write src/wavewright/guide/speed.md
"""

from __future__ import annotations

import argparse
import os
import platform
from datetime import UTC, datetime
from importlib.metadata import version

from tests.benchmarks.speed_table import PAGE, everything, written


def main() -> None:
    """Measure, print, and write if asked."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--only", default="", help="names of programs, with commas between them")
    parser.add_argument("--write", action="store_true", help="write the table into the guide's page")
    given = parser.parse_args()
    if given.only and given.write:
        parser.error("a part of the table is not written: leave out --only")
    before = os.getloadavg()[0]
    rows = everything([name for name in given.only.split(",") if name])
    about = (
        f"in one run on {datetime.now(UTC):%Y-%m-%d}, {os.cpu_count()} processors, load {before:.1f} before and "
        f"{os.getloadavg()[0]:.1f} after, Python {platform.python_version()}, NumPy {version('numpy')}: "
        "`python -m tests.benchmarks --write`"
    )
    print(f"measured {about}")
    if given.write:
        PAGE.write_text(written(PAGE.read_text(encoding="utf-8"), rows, about=about), encoding="utf-8")
        print(f"written: {PAGE}")


if __name__ == "__main__":
    main()
