"""A rule file while the service runs: a changed one is read again and checked.

Looked at by its size and time, read only when those change, and only once they stood still
from one look to the next: an editor may write in several goes.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from daemon.config import Config, misfits
from daemon.errors import ConfigError
from daemon.rule_file import RuleText, read_rules
from rules.instruments import Register

Looks = tuple[int, int, int]
"""Size, time of change and inode: what tells a file from what it was."""


@dataclass(frozen=True, slots=True)
class RuleNews:
    """What a changed rule file says: ``good``, or the faults for which it is not taken."""

    good: RuleText | None
    faults: tuple[str, ...] = ()


_EMPTY: Register = {}


def _nobodys() -> Register:
    return _EMPTY


class RuleWatch:
    """Watches the rule file of one bench."""

    def __init__(
        self, config: Config, bench: str, register: Callable[[], Register] = _nobodys
    ) -> None:
        """Begin with the file as it was read when the service started.

        Args:
            config: The whole bench file.
            bench: Whose rule file is watched.
            register: Returns the register as the bench goes by it: the same object as long
                as nothing was entered. Called from the thread of ``look``.
        """
        one = next(known for known in config.benches if known.id == bench)
        self._config, self._bench = config, bench
        self._path: Path = one.rules_path
        self._said = RuleNews(one.rule_text)
        self._taken = one.rule_text
        self._register, self._by = register, register()
        self._seen: Looks | None = None
        self._read: Looks | None = None

    def look(self) -> RuleNews | None:
        """Return what is new since the last look; None when nothing is."""
        looks = _looks(self._path)
        has_settled, self._seen = looks == self._seen, looks
        register = self._register()
        is_known = looks is not None and looks == self._read and register is self._by
        if not has_settled or is_known:
            return None
        self._read, self._by = looks, register
        news = self._news()
        self._taken = news.good or self._taken
        if news == self._said:
            return None
        self._said = news
        return news

    def _news(self) -> RuleNews:
        try:
            read = read_rules(self._path)
        except ConfigError as error:
            return RuleNews(None, error.faults)
        # What is taken is not taken back: a master that suits it no more is told as unfit.
        register = {} if read.good == self._taken else self._by
        faults = read.faults or misfits(self._config, self._bench, read, register)
        return RuleNews(None if faults else read.good, faults)


def _looks(path: Path) -> Looks | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns, found.st_ino
