"""Which state of its rule file a bench goes by: the lot's own, and the newest there is.

A lot keeps the state it was opened with, also after a restart, until it is told otherwise;
and then from the next piece on, never within one. A new lot takes the newest without faults.
"""

import logging
from dataclasses import dataclass, field
from pathlib import Path

from daemon.config import BenchConfig, Config, misfits
from daemon.errors import StoreError
from daemon.rule_file import RuleText
from daemon.rule_watch import RuleNews
from daemon.store import Store
from daemon.store.lot_query import open_lot_id, rules_begun_with, rules_of
from daemon.store.texts import StoredTexts, TextFaultError
from rules.bench import Judged
from rules.lot import OpenWork
from rules.ruleset import RuleBook

log = logging.getLogger(__name__)


@dataclass(slots=True)
class RulesInForce:
    """What a bench goes by and could go by.

    Attributes:
        newest: The newest state of the rule file without faults.
        file: The rule file's name.
        next: What the lot was told to go by once the piece in work is put away.
        fault: Why the rule file as it lies there now is not taken; "" when it can be.
    """

    newest: RuleText
    file: str
    next: RuleText | None = field(default=None)
    fault: str = ""

    def note(self, bench: str, news: RuleNews) -> None:
        """Take note of the rule file as it is on disk now, and log it."""
        self.fault = "; ".join(news.faults)
        revision = self.newest.book.revision
        if news.good is None:
            for fault in news.faults:
                log.error("%s: rule file not taken: %s", bench, fault)
            log.error("%s: revision %r of %s stays the newest", bench, revision, self.file)
            return
        book = news.good.book
        if book.revision == revision and book.sha256 != self.newest.book.sha256:
            log.warning(
                "%s: %s was changed and is still revision %r", bench, self.file, revision
            )
        self.newest = news.good
        log.info("%s: %s read again: revision %r", bench, self.file, book.revision)

    def judged(self, in_force: RuleBook, lot: str) -> tuple[Judged, Judged]:
        """Return the alarms about the rule file as they have to stand now.

        Args:
            in_force: What the bench goes by now.
            lot: The open lot; "" when none is.
        """
        fault, differs = "", ""
        going_by = self.next.book if self.next is not None else in_force
        if self.fault:
            fault = f"{self.file} is not taken: {self.fault}; " + _stays(going_by)
        elif lot and self.newest.book.sha256 != going_by.sha256:
            book = self.newest.book
            differs = f"{self.file} is {_named(book)} now; lot {lot} goes by {_named(going_by)}"
            if book.revision == going_by.revision:
                differs += ": text changed, revision not"
        return (
            Judged("rule-file-fault", bool(fault), fault),
            Judged("rules-differ", bool(differs), differs),
        )


def _named(book: RuleBook) -> str:
    return f"revision {book.revision!r} ({book.sha256[:12]})"


def _stays(book: RuleBook) -> str:
    return f"{_named(book)} stays in force"


def lot_rules(
    store: Store,
    config: Config,
    one: BenchConfig,
    newest: RuleText,
    article: str | None,
    work: OpenWork | None,
) -> tuple[RuleText, RuleText | None]:
    """Return what the open lot goes by now, and from the next piece on if that is another.

    Args:
        store: The record; it holds the text of every state that was ever in force.
        config: The whole bench file.
        one: The bench.
        newest: The newest state of its rule file: what holds without a lot.
        article: What is in the open lot; None when no lot is open.
        work: The piece that was begun and not put away.

    Raises:
        StoreError: If the record can't be read, has lost that text, or the bench file has
            changed so that the lot's rules don't fit it any more.
    """
    with store.reading() as db:
        lot_id = open_lot_id(db, one.id)
        if lot_id is None or article is None:
            return newest, None
        told = rules_of(db, lot_id)
        now = (rules_begun_with(db, lot_id, work) if work is not None else None) or told
        texts = StoredTexts(db)
        try:
            found = {sha256: _fitting(texts, config, one, sha256) for sha256 in {now, told}}
            for sha256 in found:
                texts.rules(sha256, article)  # it has that article
        except TextFaultError as error:
            raise StoreError(
                store.path, f"{one.id}: the open lot's rules can't be gone by: {error}"
            ) from error
    return found[now], (found[told] if told != now else None)


def _fitting(texts: StoredTexts, config: Config, one: BenchConfig, sha256: str) -> RuleText:
    if sha256 == one.book.sha256:
        return one.rule_text
    read = texts.read_rules(sha256)
    faults = read.faults or misfits(config, one.id, read)
    if read.good is None or faults:
        raise TextFaultError(sha256, f"{Path(read.path).name}: {'; '.join(faults)}")
    return read.good
