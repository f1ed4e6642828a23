"""Ending a process at once, without a word to it: SIGKILL, and what Windows has in its place."""

from __future__ import annotations

import os
import signal

# Python ends a process on Windows with the number of any other signal as its status
AT_ONCE = getattr(signal, "SIGKILL", signal.SIGTERM)
STATUS = -AT_ONCE if os.name == "posix" else int(AT_ONCE)
