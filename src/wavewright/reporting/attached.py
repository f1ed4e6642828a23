"""Attachments of a run as reports show them: pictures in the page itself, anything else by name, size and hash."""

from __future__ import annotations

import base64
from dataclasses import dataclass

from wavewright.errors import StorageFault
from wavewright.recipe.picture_file import picture_media
from wavewright.running.attachment import Attachment
from wavewright.running.outcome import Outcome

LARGEST_SHOWN = 5 << 20  # bytes of one picture in a page
LARGEST_PAGE = 20 << 20  # bytes of all of them


@dataclass(frozen=True, slots=True)
class Shown:
    """One attachment in a page.

    Parameters
    ----------
    source : of a picture: a data URL; empty for anything else.
    missing : why a picture is not shown.
    """

    one: Attachment
    source: str = ""
    missing: str = ""

    @property
    def line(self) -> str:
        """What it is, in one line."""
        return attachment_line(self.one)


def attachment_line(one: Attachment) -> str:
    """A note as it stands, a file by name, size and hash, with who attached it and when."""
    by = f" ({', '.join(word for word in (one.by, one.at[:16].replace('T', ' ') + ' UTC') if word)})"
    if one.is_note:
        return f"note: {one.text}{by}"
    of = f" of {one.of}" if one.of else ""
    return f"file{of}: {one.name}, {one.size} bytes, SHA-256 {one.sha256}{by}"


def shown_attachments(outcome: Outcome) -> list[Shown]:
    """Everything that is attached to a run; pictures as long as there is room for them in the page."""
    room = LARGEST_PAGE
    found = []
    for one in (*outcome.attachments, *outcome.added):
        if not one.media or one.size > min(LARGEST_SHOWN, room):
            found.append(Shown(one, missing="too large to be shown" if one.media else ""))
            continue
        try:
            content = one.read()
        except StorageFault as fault:
            found.append(Shown(one, missing=fault.what))
            continue
        media = picture_media(content)  # what it says of itself is not trusted
        room -= len(content)
        source = f"data:{media};base64,{base64.b64encode(content).decode('ascii')}" if media else ""
        found.append(Shown(one, source))
    return found
