"""The entry point of the `wavewright` command, before anything that takes time is imported."""

from __future__ import annotations

import gc
import os
import sys

from wavewright.cli.stopping import end_while_loading


def main() -> None:
    """Run the command; a signal that comes while it is loaded ends it with a word, and no traceback."""
    end_while_loading()
    gc.disable()  # until a command begins: of what is loaded nothing goes
    # our own files alone are read: to look for plug-ins, pydantic would open a file of every package that is installed
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "1")
    from wavewright.cli.main import execute

    try:
        status = execute(sys.argv[1:])
    except KeyboardInterrupt as late:  # in the instant in which the handlers go back
        print(late, file=sys.stderr)
        status = 3
    # everything is written and closed; Python would look through all that was loaded once more before it ends
    gc.freeze()
    sys.exit(status)
