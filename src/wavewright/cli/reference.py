"""The reference with what only the command line knows: its commands."""

from __future__ import annotations

from wavewright.file_kinds import FILE_KINDS
from wavewright.reference.reference import Reference


def whole_reference() -> Reference:
    """All topics."""
    from wavewright.cli.command_help import command_topics
    from wavewright.cli.main import root_command

    schemas = {kind.value: entry.schema() for kind, entry in FILE_KINDS.items()}
    return Reference(command_topics(root_command()), schemas)
