"""One bench at work: events → pure step → one transaction → the state is adopted.

A verdict is noted in a row of its own first, and its lamp waits only for that.

Decides nothing about metal. If the store fails, nothing of the step is kept: the bench is in
fault, its lamps are off and nothing is graded until a record can be kept again.
"""

import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from secrets import token_hex
from zoneinfo import ZoneInfo

from daemon import lot_opening
from daemon.alarm_journal import last_words
from daemon.check_watch import CheckWatch
from daemon.clamping_figures import distances
from daemon.clock import Clock, rfc3339
from daemon.config import BenchConfig, Config
from daemon.errors import StoreError
from daemon.instrument_watch import InstrumentWatch
from daemon.lot_opening import lot_of_file
from daemon.messages import CheckStatus, OrderForecast
from daemon.order_forecast import order_forecast, warning_text
from daemon.rule_file import RuleText
from daemon.rule_watch import RuleNews
from daemon.rules_in_force import RulesInForce, lot_rules
from daemon.run_out_watch import run_out_watch
from daemon.store import LotOpening, Provenance, Stamp, Store
from daemon.store.indicators_seen import replaced_indicators
from daemon.store.note import Note, is_verdict
from daemon.store.vectors import HOLDER_MOVED
from rules import bench, rest_life, rest_prompt
from rules.assurance import why_lot_stays_open
from rules.assurance_model import CHANGES, AssuranceRules
from rules.bench import BenchEvent, BenchState, CommandRefusedError
from rules.capture_model import Edge, Tick
from rules.check_at_bench import CheckAtWork
from rules.check_facts import CheckFact, DisposedFact, DisturbanceFact
from rules.diagnosed import diagnosed
from rules.facts import (
    AlarmCode,
    AlarmNews,
    BoxFact,
    ClampingFact,
    CorrectionFact,
    Fact,
    PutAwayFact,
    RefusedFact,
)  # fmt: skip
from rules.instruments import InstrumentFact
from rules.lot import LotView
from rules.moment import Moment
from rules.ruleset import UnknownArticleError
from rules.signals import Signals, show

log = logging.getLogger(__name__)

_LEAVE_THE_LOT = (AlarmNews, BoxFact, ClampingFact, RefusedFact)
"""Facts after which no draw and no look can be due."""
_ACCEPTED = (
    "accepted are instruments of the register that are in date and fit: enter a new "
    "certificate with 'reclamp instrument add'"
)

NS_PER_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Shown:
    """What a bench shows, and since when.

    Attributes:
        signals: State word, prompt and lamps.
        state: The adopted state they were computed from.
        since: UTC text of the last change of state word, piece or clamping.
    """

    signals: Signals
    state: BenchState
    since: str


def provenance(config: Config, one: BenchConfig) -> Provenance:
    """Return what every record of this bench names."""
    lines = {line.section.id: line for line in config.lines.values()}
    drivers = {
        i.id: (lines[i.line].driver.name, lines[i.line].driver.version)
        for i in one.section.indicator
    }
    return Provenance(
        bench=one.id,
        source=f"/reclamp/{config.file.site.name}/{one.id}",
        bench_sha256=config.source.sha256,
        rules=one.rules.grading,
        proof=one.section.capture.proof or "none",
        drivers=drivers,
        distance_nm=distances(one.section),
        assurance=AssuranceRules(
            one.rules.check.kinds if one.rules.check is not None else frozenset(),
            one.section.put_away.identity,
            CHANGES & frozenset(one.section.check.causes),
        ),
    )


class BenchRunner:
    """Holds the adopted state of one bench and is the only one to change it.

    Attributes:
        config: The bench's tables and the rules in force.
        by: What its records name.
        lot: The open lot as the store has it.
        shown: What it shows now.
        fault: Why no record can be kept; None when all is well.
        instruments: What it measures with, held against the register and the day.
        fitness: Whether its master check is due.
        rules: Which state of the rule file is in force, and which there is.
    """

    def __init__(
        self,
        config: Config,
        one: BenchConfig,
        store: Store,
        clock: Clock,
        boot: str,
        seeds: Callable[[], str] = lambda: token_hex(16),
    ) -> None:
        """Take the bench up where the store left it.

        Args:
            config: The whole bench file.
            one: This bench of it.
            store: The record.
            clock: The clock.
            boot: Id of this boot.
            seeds: Makes the seeds of draws: not to be foreseen by anybody.

        Raises:
            StoreError: If the store can't be read or the start can't be recorded.
        """
        self.config = one.measuring_with(store.register())
        self._file = config
        self.rules = RulesInForce(one.rule_text, one.rules_path.name)
        self.by = provenance(config, one)
        self.fault: str | None = None
        self.lot: LotView | None = None
        self.on_change: Callable[[], None] = lambda: None
        self.on_facts: Callable[[tuple[Fact, ...]], None] = lambda facts: None
        self.lamps_for: Callable[[Signals], Callable[[], None]] = lambda signals: _nobody
        self._store = store
        store.known_by(self.by.bench, self.by.assurance.identity)
        self._clock = clock
        self._boot = boot
        self._seeds = seeds
        zone = ZoneInfo(config.file.site.timezone)
        self.instruments = InstrumentWatch(one, zone, clock, boot, store)
        self.fitness = CheckWatch(one, zone, store)
        self._looked_ns = 0
        self._lot_waits = ""  # why the file's lot could not be opened at the start
        self._register_changes = store.register_changes
        self._state = BenchState()
        self.alarm_since: dict[str, str] = {}
        self.run_out = run_out_watch(one)
        self._open_lot_of_file()
        self._take_up()
        self._take_up_alarms()
        self.shown = Shown(self._signals(self._state), self._state, self._utc())
        self._judge_run_out()
        self.look_at_instruments()
        self._disturb_at_start()
        self._judge_rules()

    # --- start and recovery ---

    def _open_lot_of_file(self) -> None:
        wanted = self.config.section.lot
        if wanted is None or self._store.lot(self.by.bench) is not None:
            return
        if self._store.had_lot(self.by.bench, wanted.code):
            log.warning(
                "%s: lot %s was closed; it is not opened again", self.by.bench, wanted.code
            )
            return
        self._lot_waits = "; ".join(self.instruments.fitness(wanted.instruments).blocks)
        if not self._lot_waits:
            try:
                opening = self._with_rest(lot_of_file(self.config.section, wanted), self.config)
            except CommandRefusedError as error:  # it is put right through the service
                self._lot_waits = str(error)
            else:
                self._store.open_lot(opening, self.by, self._stamp())
                return
        self._log_lot_that_waits(wanted.code)

    def _log_lot_that_waits(self, code: str) -> None:
        log.error(
            "%s: lot %s is not opened before this is put right: %s",
            self.by.bench, code, self._lot_waits,
        )  # fmt: skip

    def _open_lot_that_waits(self) -> None:
        """Open the bench file's lot once what stood against it at the start is put right.

        Not where another lot was opened since: then people are leading, not the file.
        """
        wanted = self.config.section.lot
        is_busy = self.lot is not None or self._state.check is not None or self.fault
        if not self._lot_waits or wanted is None or is_busy:
            return
        before = self._lot_waits
        self._lot_waits = "; ".join(self.instruments.fitness(wanted.instruments).blocks)
        try:
            if not self._lot_waits:
                self.open_lot(lot_of_file(self.config.section, wanted))
                log.info("%s: lot %s is open: put right", self.by.bench, wanted.code)
                return
        except CommandRefusedError as error:
            self._lot_waits = str(error)
        except StoreError:
            self._lot_waits = before  # asked again at the next look
            raise
        if self._lot_waits != before:
            self._log_lot_that_waits(wanted.code)
            self._refresh(())

    def _with_rest(self, opening: LotOpening, config: BenchConfig) -> LotOpening:
        """Return an opening with what the rule file says of its rest, and its draw.

        Raises:
            CommandRefusedError: If the rest of this lot can't be judged so.
        """
        grading = config.rules.grading
        return lot_opening.with_rest(
            opening, grading.rest, grading.grades[-1], self._store.series, self._seeds,
            by_cell=self.config.section.put_away.identity == "tray",
        )  # fmt: skip

    def _take_up(self, note: CorrectionFact | None = None) -> None:
        for number, noted in self._store.notes(self.by.bench):
            facts = diagnosed(noted.facts, noted.indicators)
            self._store.commit(facts, noted.by, noted.at, None, self._due, number)
        self.lot = self._store.lot(self.by.bench)
        work = self._store.open_work(self.by.bench)
        now, self.rules.next = lot_rules(
            self._store, self._file, self.config, self.rules.newest,
            self.lot.article if self.lot is not None else None, work,
        )  # fmt: skip
        self._go_by(now)
        state, facts = bench.resume(work)
        if note is not None:
            facts = (*facts, note)
        if facts:
            self._store.commit(facts, self.by, self._stamp())
        self._state = state
        self.lot = self._store.lot(self.by.bench)
        self._load_run_out()
        self.fitness.load()

    def _disturb_at_start(self) -> None:
        """Nobody knows what was done to the bench while the service was down."""
        if not self.fitness.is_on:
            return
        self.keep_disturbance(DisturbanceFact("restart", ""))
        now = {one.position: one.id for one in self.config.section.indicator}
        with self._store.reading() as db:
            gone = replaced_indicators(db, self.by.bench, now)
        if gone is not None:
            self.keep_disturbance(DisturbanceFact("indicator-change", gone))

    def _take_up_alarms(self) -> None:
        """Take up what the record says of the alarms, and tell it which stand no longer."""
        words = last_words(self._store, self.by.bench, self._clock)
        self.alarm_since = dict(words.since)
        self._state = bench.with_record(self._state, words.known)
        self._settle_alarms("the service started anew")

    def _settle_alarms(self, why: str) -> None:
        """Bring the record's alarms to where they stand now; ``why`` ends those gone."""
        words = last_words(self._store, self.by.bench, self._clock)
        facts = bench.settled(self._state, words.texts, why)
        if facts:
            self._store.commit(facts, self.by, self._stamp())

    # --- the rules in force ---

    def _go_by(self, rules: RuleText) -> None:
        article = self.lot.article if self.lot is not None else None
        self.config, self.by = self._going_by(rules, article)
        self.instruments.one = self.config
        self.run_out.limit_is(self.config.holder_limit_nm)

    def _going_by(self, rules: RuleText, article: str | None) -> tuple[BenchConfig, Provenance]:
        try:
            config = self.config.going_by(rules, article)
        except UnknownArticleError as error:
            raise CommandRefusedError(f"{self.rules.file}: {error}") from error
        return config, replace(self.by, rules=config.rules.grading)

    @property
    def _is_between_pieces(self) -> bool:
        at = self._state
        return at.piece is None and not at.is_measuring and at.check is None

    @property
    def nears_a_verdict(self) -> bool:
        """Return whether the last reading of a sweep is due."""
        now_ns = self._clock.now_ns()
        return self.fault is None and bench.nears_a_verdict(
            self._state, now_ns, self.config.rules
        )

    @property
    def piece_begun(self) -> int | None:
        """Return the piece that was begun, also while its first clamping is measured."""
        if self._state.piece is not None or self.lot is None:
            return self._state.piece
        is_of_piece = self._state.is_measuring and self._state.check is None
        return self.lot.next_piece if is_of_piece else None

    def take_rule_file(self, news: RuleNews) -> None:
        """Take note of the rule file as it is now; an open lot keeps what it goes by."""
        self.rules.note(self.by.bench, news)
        if self.lot is None:
            self._go_by(self.rules.newest)
        self._refresh(())
        self._judge_rules()

    def change_rules(self, facts: tuple[Fact, ...], inbound: str) -> None:
        """Let the open lot go by the newest rules, from the next piece on.

        Raises:
            StoreError: If it can't be kept.
        """
        newest = self.rules.newest
        self._keep_text(newest)
        self._store.commit(facts, self.by, self._stamp(), inbound)
        self.rules.next = newest
        self._turn_to_next_rules()
        self._refresh(facts)
        self._judge_rules()

    def _keep_text(self, rules: RuleText) -> None:
        text = (rules.book.sha256, "rules", self.rules.file, rules.text)
        self._store.keep_texts([text], self._utc())

    def _turn_to_next_rules(self) -> None:
        """Go by what the lot was told, once no piece is in work: never within one."""
        if self.rules.next is not None and self._is_between_pieces:
            self._go_by(self.rules.next)
            self.rules.next = None

    def _judge_rules(self) -> None:
        """Raise or return what the lead has to know of the rule file."""
        lot = self.lot.code if self.lot is not None else ""
        self._tell(self.rules.judged(self.config.book, lot))

    def recover(self) -> bool:
        """Try to keep a record again after a fault; return whether the bench is back.

        As after a restart: an open cycle is interrupted, nothing counts before a loosening.
        """
        if self.fault is None:
            return True
        before = self._state
        note = CorrectionFact(None, None, "store-fault", self.fault, "service")
        try:
            self._take_up(note)
            self._state = bench.with_lines(self._state, before, is_new_lot=False)
            self._settle_alarms("it was gone when records were kept again")
        except StoreError as error:
            self.fault = str(error)
            return False
        log.warning("%s: records are kept again", self.by.bench)
        self.fault = None
        self._refresh((note,))
        self._judge_run_out()
        self._judge_rules()
        self._judge_fitness()
        return True

    # --- what comes ---

    def handle(self, event: BenchEvent, inbound: str | None = None) -> bool:
        """Take one event: step, commit, adopt. Return whether it was taken.

        Args:
            event: A stamped reading, edge, loss, tick, placed piece or command.
            inbound: Id of the inbound message behind it, recorded with the facts.

        Raises:
            CommandRefusedError: If a command makes no sense now.
        """
        if self.fault is not None:
            self._state = bench.note_line(self._state, event)
            return False
        state, facts = bench.step(self._state, event, self.config.rules, self.lot)
        followed: tuple[Fact, ...] = ()
        if facts or inbound is not None:
            at = self._stamp()
            try:
                noted = self._light(state, facts, at) if inbound is None else None
                facts = diagnosed(facts, self.config.rules.capture.indicators)
                followed = self._keep(facts, at, inbound, noted)
                if any(not isinstance(f, AlarmNews | RefusedFact) for f in facts):
                    self.lot = self._store.lot(self.by.bench)
            except StoreError as error:
                self._fail(error, event)
                return False
        before, self._state = self._state, state
        facts = (*facts, *followed)
        self._turn_to_next_rules()
        if facts or _looks_other(before, state):
            self._refresh(facts)
        if any(isinstance(f, ClampingFact | CorrectionFact) for f in facts):
            self.run_out.after(facts, self._lot_code, at.utc)
            self._judge_run_out()
        if any(_moves_counts(fact) for fact in facts):
            self._look_ahead()
        if facts or (isinstance(event, Tick) and event.at_ns - self._looked_ns >= NS_PER_S):
            self._judge_fitness()
        return True

    def rehearse(self) -> None:
        """Go the way of a verdict up to its record, and forget it; see ``daemon.rehearsal``."""
        rules = self.config.rules
        edge = Edge("index", True, self._clock.now_ns())  # of which the last reading tells
        bench.step(self._state, edge, rules, self.lot)
        state, facts = bench.whole_now(self._state, rules, self.lot)
        if is_verdict(facts):
            note = Note(facts, self.by, self._stamp(), rules.capture.indicators)
            self._store.rehearse_note(note)
            self.lamps_for(self._shown(state).signals)

    def _light(self, state: BenchState, facts: tuple[Fact, ...], at: Stamp) -> int | None:
        """Note a verdict, then light its lamp: the lamp does not wait for rows and events.

        Returns:
            The note's number; None for a step without a verdict.

        Raises:
            StoreError: If it can't be kept.
        """
        if not is_verdict(facts):
            return None
        # All that can be is made ready before: the disk's wait leaves the processor cold.
        shown = self._shown(state)
        light = self.lamps_for(shown.signals)
        indicators = self.config.rules.capture.indicators
        number = self._store.note(Note(facts, self.by, at, indicators))
        self.shown = shown
        light()
        return number

    def _judge_fitness(self) -> None:
        """Let the bench know what is due, when that changed."""
        news = self._store.fitness_news(self.by.bench)
        if not self.fitness.is_on or self.fault is not None:
            return
        self._looked_ns = self._clock.now_ns()
        try:
            self.fitness.take(news)
            if self._register_changes != self._store.register_changes:
                self.look_at_instruments()  # another bench's entry
        except StoreError as error:
            log.error("%s: fitness: %s", self.by.bench, error)
            return
        said = self.fitness.judged(self.moment())
        is_begun = bool(said.disturbed) and self._state.check is not None
        if is_begun or said.due != self._state.due or said.standing != self._state.fitness:
            self.handle(said)

    def moment(self) -> Moment:
        """Return this moment, and whether its time of day can be trusted."""
        doubt = self.instruments.clock.doubt()
        return Moment(self._clock.utc(), not doubt, self._boot, self._clock.now_ns())

    def keep_disturbance(self, fact: DisturbanceFact, inbound: str | None = None) -> None:
        """Keep that something happened after which the bench has to be checked again.

        Raises:
            StoreError: If it can't be kept.
        """
        followed = self._keep((fact,), self._stamp(), inbound)
        if fact.cause in self.by.assurance.changes:
            self.lot = self._store.lot(self.by.bench)  # what it left unproved is on hold
        self._judge_fitness()
        self._refresh((fact, *followed))
        if fact.cause in self.by.assurance.changes:
            self._look_ahead()

    def check_status(self) -> CheckStatus:
        """Return whether the bench is fit to judge.

        Raises:
            StoreError: If the store can't be read.
        """
        if not self.fitness.is_on:
            return CheckStatus(asked=[], level="off")
        assured = self._store.assurance(self.by.bench)
        return self.fitness.status(
            self.moment(), self._state.check, assured.unreleased, assured.held()
        )

    @property
    def _lot_code(self) -> str | None:
        return self.lot.code if self.lot is not None else None

    def _load_run_out(self) -> None:
        self.run_out = run_out_watch(self.config)  # its limit is the article's
        with self._store.reading() as db:
            self.run_out.load(db, self._lot_code)

    def _judge_run_out(self) -> None:
        """Raise or return what the run-out of many pieces says, once each."""
        for said in self.run_out.judged():
            if said.is_on != (said.code in self.alarms):
                self.handle(said)

    def _keep(
        self, facts: tuple[Fact, ...], at: Stamp, inbound: str | None, noted: int | None = None
    ) -> tuple[Fact, ...]:
        """Commit facts with those that follow for the rest of the lot; return the latter.

        Raises:
            StoreError: If it can't be kept.
        """
        changes = any(not isinstance(fact, _LEAVE_THE_LOT) for fact in facts)
        following = self._due if changes else None
        return self._store.commit(facts, self.by, at, inbound, following, noted)

    def _due(self, lot: LotView, rest_cells: Callable[[], tuple[int, ...]]) -> tuple[Fact, ...]:
        return rest_life.due(lot, self._seeds, rest_cells)

    def _tell(self, judged: Iterable[bench.Judged]) -> None:
        """Let the bench know what a watch found, where that differs from what is told."""
        for said in judged:
            if said.text != self.alarms.get(said.code, ""):
                self.handle(said)

    def _look_ahead(self) -> None:
        """Raise or return what the lot's record warns of: it runs short, the rest is held.

        After the put-away, not with the verdict: the lamp does not wait for a forecast.
        """
        if self.lot is not None:
            told: dict[AlarmCode, str] = {
                "rest-held": rest_prompt.held_text(self.lot),
                "box-full": rest_prompt.boxes_text(self.lot),
                "box-held": rest_prompt.held_boxes_text(self.lot),
                "span-unproved": rest_prompt.unproved_text(self.lot),
            }
            self._tell(bench.Judged(code, bool(text), text) for code, text in told.items())
        was_short = "order-short" in self.alarms
        try:
            found = self.forecast()
        except StoreError as error:
            log.error("%s: no forecast: %s", self.by.bench, error)
            return
        is_short = found is not None and found.short
        if is_short != was_short:
            text = warning_text(found) if found is not None and is_short else ""
            self.handle(bench.Judged("order-short", is_short, text))

    def forecast(self) -> OrderForecast | None:
        """Return the forecast of the order; None when there is nothing to go by.

        Raises:
            StoreError: If the store can't be read.
        """
        standing = self._store.standing(self.by.bench)
        if self.lot is None or standing is None:
            return None
        return order_forecast(
            self.lot, standing, self.config.rules.grading, "order-short" in self.alarms
        )

    def open_lot(self, opening: LotOpening) -> None:
        """Open a lot.

        Raises:
            CommandRefusedError: If one is open, the bench had one of this code, the rule
                file has no such article, or its rest can't be judged as the rule file says.
            StoreError: If it can't be kept.
        """
        if self.lot is not None:
            raise CommandRefusedError(f"lot {self.lot.code} is open; one lot at a time")
        self._refuse_while_checking()
        if self._store.had_lot(self.by.bench, opening.code):
            raise CommandRefusedError(f"this bench has had a lot {opening.code!r}")
        config, by = self._going_by(self.rules.newest, opening.article)
        blocks = self.instruments.fitness(opening.instruments, config).blocks
        if blocks:
            raise CommandRefusedError(f"lot-open: {'; '.join(blocks)}; {_ACCEPTED}")
        opening = self._with_rest(opening, config)
        self._keep_text(self.rules.newest)
        self._store.open_lot(opening, by, self._stamp())
        self._lot_waits = ""
        self.lot, self.rules.next = self._store.lot(self.by.bench), None
        self._go_by(self.rules.newest)
        self._begin_clear(f"lot {opening.code} was opened")
        self._load_run_out()
        self._judge_run_out()
        self.look_at_instruments()
        self._judge_fitness()
        self._judge_rules()

    def _refuse_while_checking(self) -> None:
        if self._state.check is not None:
            raise CommandRefusedError(
                f"a {self._state.check.kind} check is being made: end it or break it off first"
            )

    def change_lot(self, facts: tuple[Fact, ...], inbound: str) -> None:
        """Keep a change of the open lot and show what follows from it.

        Raises:
            StoreError: If it can't be kept.
        """
        followed = self._keep(facts, self._stamp(), inbound)
        self.lot = self._store.lot(self.by.bench)
        self._refresh((*facts, *followed))
        self._look_ahead()
        self._judge_fitness()

    def resume_sampling(self, article: str, reason: str, role: str, inbound: str) -> None:
        """Keep that a corrective action was taken: an article's series is taken up again.

        Raises:
            StoreError: If it can't be kept.
        """
        self._store.resume_sampling(article, reason, role, self.by, self._stamp(), inbound)
        self._open_lot_that_waits()

    def open_lot_or_refuse(self) -> LotView:
        """Return the open lot.

        Raises:
            CommandRefusedError: If none is open.
        """
        if self.lot is None:
            raise CommandRefusedError("no lot is open on this bench")
        return self.lot

    def close_lot(
        self, reason: str, role: str, account: Mapping[str, int], inbound: str | None = None
    ) -> None:
        """Close the open lot with its account.

        Raises:
            CommandRefusedError: If none is open or a piece is in work or in hand.
            StoreError: If it can't be kept.
        """
        lot = self.open_lot_or_refuse()
        if self._state.piece is not None:
            raise CommandRefusedError(
                f"piece {self._state.piece} is in work or not put away: finish or abandon it"
            )
        self._refuse_while_checking()
        open_span = why_lot_stays_open(self._store.assurance(self.by.bench).state, lot.code)
        if open_span:
            raise CommandRefusedError(open_span)
        self._store.close_lot(reason, role, account, self.by, self._stamp(), inbound)
        self.lot, self.rules.next = None, None
        self._go_by(self.rules.newest)
        self.run_out.lot_is(None)
        self._begin_clear("the lot was closed")
        self._judge_rules()

    def _begin_clear(self, why: str) -> None:
        """Begin with no piece: what the lines and people said goes on."""
        fresh = BenchState(capture=self._state.capture)
        self._state = bench.with_lines(fresh, self._state, is_new_lot=True)
        try:
            self._settle_alarms(why)
        except StoreError as error:
            log.error("%s: no record can be kept: %s", self.by.bench, error)
            self.fault = str(error)
        self._refresh(())

    # --- instruments and the clock ---

    def look_at_instruments(self) -> None:
        """Raise or return the alarms about instruments and clock; measuring goes on."""
        self._take_register()
        self._open_lot_that_waits()
        self._tell(self.instruments.judged())

    def _take_register(self) -> None:
        """Let masters have the values of their last certificates, but never within a check."""
        if self._state.check is not None:
            return
        self._register_changes = self._store.register_changes
        before = self.config.rules.check
        self.config = self.instruments.one = self.config.measuring_with(self._store.register())
        if self.config.rules.check != before:
            self._refresh(())

    def keep_instrument(self, fact: InstrumentFact, inbound: str) -> None:
        """Add an entry to the register.

        Raises:
            InstrumentError: If it does not fit the register.
            StoreError: If it can't be kept.
        """
        self._store.keep_instrument(fact, self.by, self._stamp(), inbound)
        self.look_at_instruments()
        self._refresh(())

    def accept_clock(self, reason: str, role: str, inbound: str) -> None:
        """Take the clock as it stands for right: a person looked.

        Raises:
            CommandRefusedError: If the system itself says that it is not.
            StoreError: If it can't be kept.
        """
        doubt = self.instruments.clock.accept()
        if doubt:
            raise CommandRefusedError(f"{doubt}; set it right in the system first")
        note = CorrectionFact(None, None, "clock-right", reason, role)
        self._store.commit((note,), self.by, self._stamp(), inbound)
        self.look_at_instruments()
        self._refresh((note,))

    def break_down(self, error: Exception) -> None:
        """Be in fault for an error of our own: what may be wrong must grade nothing.

        Taken up again as after a restart, like any other fault.
        """
        self.fault = f"an error of the service itself: {type(error).__name__}: {error}"
        self._refresh(())

    def _fail(self, error: StoreError, event: BenchEvent) -> None:
        """Be in fault. That a line is lost or back stays known: it is not said twice."""
        log.error("%s: no record can be kept: %s", self.by.bench, error)
        self.fault = str(error)
        self._state = bench.note_line(self._state, event)
        self._refresh(())

    # --- what it shows ---

    def _refresh(self, facts: tuple[Fact, ...]) -> None:
        known = [code for code, _ in self._state.alarms]
        known += [shelf.code for shelf in self._state.shelves]
        self.alarm_since = {code: self.alarm_since.get(code, self._utc()) for code in known}
        self.shown = self._shown(self._state)
        self.lamps_for(self.shown.signals)()
        self.on_change()
        self.on_facts(facts)

    def _shown(self, state: BenchState) -> Shown:
        signals, old = self._signals(state), self.shown
        moved = (signals.word, signals.clamping, state.piece) != (
            old.signals.word, old.signals.clamping, old.state.piece
        )  # fmt: skip
        return Shown(signals, state, self._utc() if moved else old.since)

    def _signals(self, state: BenchState) -> Signals:
        shown = show(state, self.config.rules, self.lot, self.fault)
        wanted = self.config.section.lot
        if shown.word != "no-lot" or wanted is None or not self._lot_waits:
            return shown
        why = f"no lot is open: {wanted.code} waits until this is put right: {self._lot_waits}"
        return replace(shown, reason=why)

    def until(self, minutes: int) -> tuple[int, str]:
        """Return a moment so many minutes ahead: on the interval clock, and UTC text."""
        seconds = minutes * 60.0
        at_utc = self._clock.utc() + timedelta(seconds=seconds / self._clock.rate)
        return self._clock.now_ns() + round(seconds * NS_PER_S), rfc3339(at_utc)

    @property
    def alarms(self) -> Mapping[str, str]:
        """Return the alarms that stand, by code, with their texts."""
        return dict(self._state.alarms)

    @property
    def piece_in_work(self) -> int | None:
        """Return the piece in work or in hand; None between pieces."""
        return self._state.piece

    @property
    def is_measuring(self) -> bool:
        """Return whether a clamping is being swept."""
        return self._state.is_measuring

    def utc_now(self) -> datetime:
        """Return the time of day."""
        return self._clock.utc()

    def in_real_seconds(self, bench_s: float | None) -> float | None:
        """Return an interval of the bench's clock as it passes by the wall's."""
        return None if bench_s is None else bench_s / self._clock.rate

    def _utc(self) -> str:
        return rfc3339(self._clock.utc())

    def _stamp(self) -> Stamp:
        synced = self.instruments.clock.synced()
        return Stamp(self._utc(), synced, self._boot, self._clock.now_ns())


def _nobody() -> None:
    """Light no lamp: nobody is connected to any."""


def _moves_counts(fact: Fact) -> bool:
    if isinstance(fact, CorrectionFact):
        return fact.what == HOLDER_MOVED  # it leaves a span unproved
    if isinstance(fact, PutAwayFact):
        return fact.is_right
    return isinstance(fact, CheckFact | DisposedFact)


def _looks_other(before: BenchState, after: BenchState) -> bool:
    """Return whether the change can show: most readings change only the sweep."""
    return (
        before.capture.phase != after.capture.phase
        or before.capture.loosening is not after.capture.loosening
        or before.is_measuring != after.is_measuring
        or before.piece != after.piece
        or before.cycle is not after.cycle
        or before.put_away is not after.put_away
        or before.lost is not after.lost
        or before.seen is not after.seen
        or before.shelves is not after.shelves
        or _is_another(before.check, after.check)
        or before.due != after.due
    )


def _is_another(before: CheckAtWork | None, after: CheckAtWork | None) -> bool:
    """Return whether a check moved on: the readings of a face do not show."""
    if before is None or after is None or before is after:
        return before is not after
    is_other_face = before.face.is_reading != after.face.is_reading
    return is_other_face or replace(before, face=after.face) != after
