"""One topic of the reference, and the groups that topics are in."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Group(StrEnum):
    """What a topic is about; the reference lists its topics in this order."""

    GUIDE = "guide"
    COMMAND = "command"
    FILE = "file"
    NODE = "node"
    METRIC = "metric"
    FRAME_METRIC = "frame metric"
    BUS = "bus"
    LAYER = "layer"
    FUNCTION = "function"
    DOUBT = "doubt"
    RULE = "rule"
    ERROR = "error"
    PYTHON = "python"


HEADINGS = {
    Group.GUIDE: "Guide",
    Group.COMMAND: "Commands",
    Group.FILE: "Files and their keys",
    Group.NODE: "Kinds of nodes of a simulated board",
    Group.METRIC: "Metrics of waveforms",
    Group.FRAME_METRIC: "Metrics of decoded lines",
    Group.BUS: "Buses",
    Group.LAYER: "Layers on a bus",
    Group.FUNCTION: "Functions in `derived:`",
    Group.DOUBT: "Doubts",
    Group.RULE: "Rules of fitness",
    Group.ERROR: "Errors",
    Group.PYTHON: "Python",
}


@dataclass(frozen=True, slots=True)
class Topic:
    """A page of the reference.

    Parameters
    ----------
    name : what one asks for, `rise_time` or `logbook find`; unique in its group.
    summary : one line of plain text, for lists.
    text : Markdown with tables, from the second level of headings on.
    """

    group: Group
    name: str
    summary: str
    text: str

    @property
    def key(self) -> str:
        """The name with its group, unique in the reference: `metric rise_time`."""
        return f"{self.group} {self.name}"
