"""The path or URL of a logbook or a store as it may be printed."""

from __future__ import annotations

import re

_USER = re.compile(r"^([\w+.-]+:/+[^:/@?#]*):.*@")
SECRET_WORD = re.compile(r"([?&;]\w*(?:password|passwd|pwd)=)[^&;]*", re.IGNORECASE)


def shown_address(where: str) -> str:
    """A path or URL as it may be printed: `***` stands for whatever may be a password, also in a URL that is none."""
    return SECRET_WORD.sub(r"\1***", _USER.sub(r"\1:***@", where))
