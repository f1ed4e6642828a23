"""The entry point of the `wavewright` command, before anything that takes time is imported."""

from __future__ import annotations

import signal
import sys


def main() -> None:
    """Run the command. Until it can be broken off in good order, Ctrl-C just ends it: nothing has been touched yet."""
    raises = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if raises:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from wavewright.cli.main import execute

    if raises:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    sys.exit(execute(sys.argv[1:]))
