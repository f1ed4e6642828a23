"""What makes an editor complete keys: schema files, and the comment in a YAML file that says which one is its own.

The comment is that of the YAML language server (`# yaml-language-server: $schema=…`), which most editors use.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

from wavewright.durable_files import write_whole
from wavewright.errors import StorageFault
from wavewright.file_kinds import FILE_KINDS, KindOfFile, kind_of
from wavewright.running.shipped_files import example_files, shipped

SCHEMAS = "schemas"
ONE_OF_EACH, BENCH_OF_IT, PLAYED = "one_of_each.yaml", "bench_one_of_each.yaml", "start_up.csv"


def schema_file(kind: KindOfFile, folder: Path) -> Path:
    """Where the schema of a kind of file lies in a folder."""
    return folder / f"{kind}.schema.json"


def schema_text(kind: KindOfFile) -> str:
    """The schema of a kind of file, as it stands in its own."""
    return json.dumps(FILE_KINDS[kind].schema(), indent=1, ensure_ascii=False) + "\n"


def editor_line(file: Path, schema: Path) -> str:
    """The comment at the head of a file that leads an editor to its schema, by a relative path."""
    way = os.path.relpath(schema, file.parent).replace(os.sep, "/")
    return f"# yaml-language-server: $schema={way}\n"


def write_examples(target: Path, *, overwrite: bool = False) -> list[Path]:
    """Write the shipped recipes and the simulated bench into a folder, and beside them what editors need.

    Returns
    -------
    What was written.

    Raises
    ------
    StorageFault : the folder does not take them, or has one of the files already and `overwrite` is false.
    """
    contents = {copy: source.read_bytes() for source, copy in example_files(target)}
    kinds = {copy: kind_of(content.decode(), str(copy)) for copy, content in contents.items() if copy.suffix == ".yaml"}
    for copy, kind in kinds.items():
        if kind is not None:
            line = editor_line(copy, schema_file(kind, target / SCHEMAS))
            contents[copy] = line.encode() + contents[copy]
    for kind in KindOfFile:
        contents[schema_file(kind, target / SCHEMAS)] = schema_text(kind).encode()
    return _write_new(contents, target, overwrite=overwrite)


def write_board(path: Path, *, overwrite: bool = False) -> list[Path]:
    """Write a board of one's own to be changed, and beside it a bench with simulated instruments that has it.

    Returns
    -------
    Board, bench, and what else was written.

    Raises
    ------
    StorageFault : the folder does not take them, or has one of the files already and `overwrite` is false.
    """
    sim, folder = shipped("sim"), path.parent
    bench = folder / f"{path.stem}_bench.yaml"
    texts = {
        path: (sim / ONE_OF_EACH).read_text(encoding="utf-8"),
        bench: (sim / BENCH_OF_IT).read_text(encoding="utf-8").replace(ONE_OF_EACH, path.name),
    }
    contents = {
        path: (editor_line(path, schema_file(KindOfFile.BOARD, folder)) + texts[path]).encode(),
        bench: (editor_line(bench, schema_file(KindOfFile.BENCH, folder)) + texts[bench]).encode(),
        folder / "instruments.yaml": (sim / "instruments.yaml").read_bytes(),
        folder / PLAYED: (sim / PLAYED).read_bytes(),
        **{schema_file(kind, folder): schema_text(kind).encode() for kind in (KindOfFile.BOARD, KindOfFile.BENCH)},
    }
    return _write_new(contents, folder, overwrite=overwrite)


def write_with_schema(path: Path, text: str, kind: KindOfFile) -> None:
    """Write a file that somebody goes on with, and the schema of its kind beside it.

    Raises
    ------
    StorageFault : the folder does not take them.
    """
    schema = schema_file(kind, path.parent)
    _write({path: (editor_line(path, schema) + text).encode(), schema: schema_text(kind).encode()}, path)


def _write_new(contents: dict[Path, bytes], target: Path, *, overwrite: bool) -> list[Path]:
    if not overwrite and (there := [str(copy) for copy in contents if copy.exists()]):
        raise StorageFault(f"already there: {', '.join(there)}", do="name another folder, or give --force")
    _write(contents, target)
    return list(contents)


def _write(contents: dict[Path, bytes], target: Path) -> None:
    try:
        for path, content in contents.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(path, content)
    except OSError as fault:
        where = str(fault.filename or target)
        raise StorageFault(f"cannot be written: {fault.strerror or fault}", where=where) from fault
