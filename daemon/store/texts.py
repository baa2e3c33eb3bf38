"""Bench and rule files as they were when a piece was measured: the texts in the store.

The files on disk may have been changed since. Each text is read once, held to its own hash,
and parsed by the same models as a file.
"""

import sqlite3
from collections.abc import Callable, Mapping
from hashlib import sha256 as hash_of
from pathlib import Path
from typing import Generic, TypeVar

from daemon.config import capture_rules
from daemon.config_sections import BenchFile, BenchSection
from daemon.errors import ConfigError
from daemon.rule_file import ReadRules, rules_of
from daemon.toml_file import Faults, TomlText, toml_of
from rules.capture_model import CaptureRules
from rules.ruleset import RuleBook, RuleSet, UnknownArticleError

__all__ = ["StoredTexts", "TextFaultError"]

K = TypeVar("K")
T = TypeVar("T")


class TextFaultError(Exception):
    """A stored text that can't be gone by.

    Attributes:
        sha256: The hash that names it.
        why: What is wrong with it.
    """

    def __init__(self, sha256: str, why: str) -> None:
        super().__init__(f"text {sha256[:12]}…: {why}")
        self.sha256 = sha256
        self.why = why


class StoredTexts:
    """The texts of one store, parsed when first asked for."""

    def __init__(self, db: sqlite3.Connection) -> None:
        """Read from this connection."""
        self._db = db
        self._books_of = _Kept(self._read_book)
        self._benches_of = _Kept(self._read_benches)
        self._capture_of = _Kept(self._make_capture)

    def book(self, sha256: str) -> RuleBook:
        """Return a whole rule file.

        Raises:
            TextFaultError: If the text is missing, altered or faulty.
        """
        return self._books_of(sha256)

    def rules(self, sha256: str, article: str) -> RuleSet:
        """Return what a rule file says about an article.

        Raises:
            TextFaultError: If the text is missing, altered or faulty, or has no such article.
        """
        try:
            return self.book(sha256).of(article)
        except UnknownArticleError as error:
            raise TextFaultError(sha256, str(error)) from error

    def read_rules(self, sha256: str) -> ReadRules:
        """Return a rule file as it was read, faults included.

        Raises:
            TextFaultError: If the text is missing or altered.
        """
        return rules_of(self._toml(sha256, "rules"))

    def capture(
        self, bench_sha256: str, rules_sha256: str, bench: str, article: str
    ) -> CaptureRules:
        """Return what a bench's sweeps of an article were held to.

        Raises:
            TextFaultError: If a text is missing, altered or faulty, or has no such bench.
        """
        return self._capture_of((bench_sha256, rules_sha256, bench, article))

    def bench(self, sha256: str, bench: str) -> BenchSection:
        """Return a bench's table of a bench file.

        Raises:
            TextFaultError: If the text is missing, altered or faulty, or has no such bench.
        """
        found = self._benches_of(sha256).get(bench)
        if found is None:
            raise TextFaultError(sha256, f"this bench file has no bench {bench!r}")
        return found

    def _make_capture(self, key: tuple[str, str, str, str]) -> CaptureRules:
        bench_sha256, rules_sha256, bench, article = key
        section = self.bench(bench_sha256, bench)
        rules = self.rules(rules_sha256, article)
        return capture_rules(section.capture, section.indicator, rules)

    def _read_book(self, sha256: str) -> RuleBook:
        read = self.read_rules(sha256)
        if read.rules is None:
            raise TextFaultError(sha256, "; ".join(read.faults))
        return read.rules

    def _read_benches(self, sha256: str) -> Mapping[str, BenchSection]:
        source = self._toml(sha256, "bench")
        faults = Faults(source.path)
        file = faults.model(BenchFile, source.raw, "")
        if file is None:
            raise TextFaultError(sha256, "; ".join(faults.lines))
        return {section.id: section for section in file.bench}

    def _toml(self, sha256: str, kind: str) -> TomlText:
        row = self._db.execute(
            "SELECT kind, name, text FROM texts WHERE sha256 = ?", (sha256,)
        ).fetchone()
        if row is None:
            raise TextFaultError(sha256, "the store does not have this text")
        stored_kind, name, text = row
        data = text.encode("utf-8")
        if hash_of(data).hexdigest() != sha256:
            raise TextFaultError(sha256, f"{name} was altered: it no longer has this hash")
        if stored_kind != kind:
            raise TextFaultError(sha256, f"{name} is a {stored_kind} file, not a {kind} file")
        try:
            return toml_of(data, Path(name))
        except ConfigError as error:
            raise TextFaultError(sha256, str(error)) from error


class _Kept(Generic[K, T]):
    """Answers kept, faults included: a text is judged once, not once a clamping."""

    def __init__(self, ask: Callable[[K], T]) -> None:
        self._ask = ask
        self._known: dict[K, T | TextFaultError] = {}

    def __call__(self, key: K) -> T:
        if key not in self._known:
            try:
                self._known[key] = self._ask(key)
            except TextFaultError as error:
                self._known[key] = error
        found = self._known[key]
        if isinstance(found, TextFaultError):
            raise found
        return found
