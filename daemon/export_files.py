"""Records of an export as files: one of JSON Lines, or a folder of CSV tables and texts."""

import csv
import json
from collections.abc import Iterable
from contextlib import ExitStack
from pathlib import Path
from typing import Any, TextIO

from daemon.errors import ExportError
from daemon.store.export import ExportRecord

__all__ = ["write_csv", "write_json_lines"]

Records = Iterable[tuple[str, ExportRecord]]


def write_json_lines(path: Path, records: Records) -> dict[str, int]:
    """Write a new file, one object a line; return how many of each kind.

    Raises:
        ExportError: If the name is taken or the file can't be written.
    """
    counts: dict[str, int] = {}
    try:
        with path.open("x", encoding="utf-8") as file:
            for kind, record in records:
                counts[kind] = counts.get(kind, 0) + 1
                line = {"record": kind, **record}
                file.write(json.dumps(line, ensure_ascii=False) + "\n")
    except FileExistsError as error:
        raise ExportError(
            f"{path}: there is a file already; accepted is a free name"
        ) from error
    except OSError as error:
        raise ExportError(f"{path}: {error.strerror}") from error
    return counts


def write_csv(folder: Path, records: Records) -> dict[str, int]:
    """Write a new folder with a table a kind, and each text as the file it was.

    Lists and tables inside a field are JSON. Returns how many of each kind.

    Raises:
        ExportError: If the folder is there already or can't be written.
    """
    try:
        folder.mkdir()
        with ExitStack() as files:
            return _tables(folder, records, files)
    except FileExistsError as error:
        raise ExportError(
            f"{folder}: there is something already; accepted is a new folder"
        ) from error
    except OSError as error:
        raise ExportError(f"{folder}: {error.strerror}") from error


def _tables(folder: Path, records: Records, files: ExitStack) -> dict[str, int]:
    tables: dict[str, csv.DictWriter[str]] = {}
    counts: dict[str, int] = {}
    for kind, record in records:
        counts[kind] = counts.get(kind, 0) + 1
        row = _with_file(folder, record) if kind == "text" else record
        if kind not in tables:
            # utf-8-sig: a spreadsheet takes a plain UTF-8 file for one in its own code page.
            file: TextIO = files.enter_context(
                (folder / f"{kind}.csv").open("x", encoding="utf-8-sig", newline="")
            )
            tables[kind] = csv.DictWriter(file, list(row))
            tables[kind].writeheader()
        tables[kind].writerow({name: _field(value) for name, value in row.items()})
    return counts


def _with_file(folder: Path, record: ExportRecord) -> ExportRecord:
    """Write a text as a file of its own; its hash still names it, byte for byte."""
    name = f"{record['sha256'][:12]}-{Path(record['name']).name}"
    (folder / name).write_bytes(record["text"].encode("utf-8"))
    return {key: value for key, value in record.items() if key != "text"} | {"file": name}


def _field(value: Any) -> Any:
    return json.dumps(value, ensure_ascii=False) if isinstance(value, list | dict) else value
