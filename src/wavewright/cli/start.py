"""The entry point of the `wavewright` command, before anything that takes time is imported."""

from __future__ import annotations

import sys

from wavewright.cli.stopping import end_while_loading


def main() -> None:
    """Run the command; a signal that comes while it is loaded ends it with a word, and no traceback."""
    end_while_loading()
    from wavewright.cli.main import execute

    sys.exit(execute(sys.argv[1:]))
