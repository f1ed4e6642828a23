"""Names of measurements and channels as names of HDF5 groups: one with a slash in it would become two groups."""

from __future__ import annotations


def group_name(name: str) -> str:
    """The name of the group; `plain_name` brings it back."""
    return name.replace("%", "%25").replace("/", "%2F")


def plain_name(group: str) -> str:
    """The name that `group_name` made a group's name of."""
    return group.replace("%2F", "/").replace("%25", "%")
