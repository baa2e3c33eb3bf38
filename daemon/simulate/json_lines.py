"""Files of one JSON object a line, written through at once."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Self


class JsonLines:
    """A file that grows by one object a line; readers see whole lines only."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("w", encoding="utf-8", buffering=1)

    def append(self, record: Mapping[str, object]) -> None:
        """Write one object."""
        self._file.write(json.dumps(record, ensure_ascii=False) + "\n")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()
