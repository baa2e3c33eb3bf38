"""The durable record: SQLite, facts and events in one transaction, the outbox beside them."""

from daemon.store.record import Provenance, Stamp
from daemon.store.store import LotOpening, Store

__all__ = ["LotOpening", "Provenance", "Stamp", "Store"]
