"""Tables and views. INTEGER nanometres and UTC text in tables, micrometres in views.

Facts are only ever added. What a piece counts as today is a view over them. A later change
adds a migration below and tears nothing up.
"""

from sqlite_utils import Database
from sqlite_utils.migrations import Migrations

from daemon.store import (
    instrument_tables,
    note,
    question_views,
    schema_assurance,
    schema_rest,
)

migrations = Migrations("reclamp")

APPLICATION_ID = 0x72636C70
"""Marks the file as ours ("rclp"): no table is laid into anybody else's."""

_TABLES = (
    """CREATE TABLE texts (  -- every bench and rule file ever in use, by the hash of its text
        sha256 TEXT PRIMARY KEY, kind TEXT NOT NULL, name TEXT NOT NULL, text TEXT NOT NULL,
        first_utc TEXT NOT NULL) STRICT""",
    """CREATE TABLE lots (
        id INTEGER PRIMARY KEY, bench TEXT NOT NULL, code TEXT NOT NULL,
        article TEXT NOT NULL, quantity INTEGER, holder TEXT NOT NULL, pins TEXT NOT NULL,
        role TEXT NOT NULL, rules_sha256 TEXT NOT NULL REFERENCES texts(sha256),
        bench_sha256 TEXT NOT NULL REFERENCES texts(sha256), opened_utc TEXT NOT NULL,
        UNIQUE (bench, code)) STRICT""",
    """CREATE TABLE lot_ends (
        lot INTEGER PRIMARY KEY REFERENCES lots(id), closed_utc TEXT NOT NULL,
        reason TEXT NOT NULL, role TEXT NOT NULL, counts TEXT NOT NULL) STRICT""",
    """CREATE TABLE orders (  -- the last row of a grade is its order
        id INTEGER PRIMARY KEY, lot INTEGER NOT NULL REFERENCES lots(id),
        grade TEXT NOT NULL, quantity INTEGER NOT NULL, role TEXT NOT NULL,
        at_utc TEXT NOT NULL) STRICT""",
    """CREATE TABLE boxes (  -- the last row of a bin is the box that stands in it
        id INTEGER PRIMARY KEY, lot INTEGER NOT NULL REFERENCES lots(id),
        bin TEXT NOT NULL, label TEXT NOT NULL, capacity INTEGER, role TEXT NOT NULL,
        at_utc TEXT NOT NULL) STRICT""",
    """CREATE TABLE pieces (  -- the number is given at the first clamping and never reused
        id INTEGER PRIMARY KEY, lot INTEGER NOT NULL REFERENCES lots(id),
        number INTEGER NOT NULL, tray_cell TEXT, began_utc TEXT NOT NULL,
        UNIQUE (lot, number)) STRICT""",
    """CREATE TABLE cycles (
        id INTEGER PRIMARY KEY, piece INTEGER NOT NULL REFERENCES pieces(id),
        number INTEGER NOT NULL,
        kind TEXT NOT NULL
            CHECK (kind IN ('first', 'retry', 'after-interruption', 're-measured')),
        reason TEXT NOT NULL, role TEXT NOT NULL, opened_utc TEXT NOT NULL,
        UNIQUE (piece, number)) STRICT""",
    """CREATE TABLE cycle_ends (
        cycle INTEGER PRIMARY KEY REFERENCES cycles(id),
        how TEXT NOT NULL CHECK (how IN ('graded', 'invalid', 'interrupted', 'abandoned')),
        reason TEXT NOT NULL, at_utc TEXT NOT NULL) STRICT""",
    """CREATE TABLE clampings (
        id INTEGER PRIMARY KEY, cycle INTEGER NOT NULL REFERENCES cycles(id),
        number INTEGER NOT NULL,
        result TEXT NOT NULL CHECK (result IN ('within', 'beyond', 'invalid')),
        tir_nm INTEGER, seen_nm INTEGER, invalid TEXT, meets TEXT NOT NULL,
        mode TEXT NOT NULL, proof TEXT NOT NULL,
        loosening TEXT NOT NULL, loosening_nm INTEGER, loosening_ns INTEGER,
        rules_sha256 TEXT NOT NULL REFERENCES texts(sha256),
        bench_sha256 TEXT NOT NULL REFERENCES texts(sha256),
        evaluation TEXT NOT NULL, started_ns INTEGER NOT NULL, ended_ns INTEGER NOT NULL,
        boot TEXT NOT NULL, at_utc TEXT NOT NULL, clock_synced TEXT NOT NULL,
        seq INTEGER NOT NULL, sweep BLOB NOT NULL,
        CHECK ((result = 'invalid') = (tir_nm IS NULL)),
        UNIQUE (cycle, number)) STRICT""",
    """CREATE TABLE clamping_positions (
        clamping INTEGER NOT NULL REFERENCES clampings(id), position TEXT NOT NULL,
        indicator TEXT NOT NULL, driver TEXT NOT NULL, driver_version TEXT NOT NULL,
        tir_nm INTEGER, seen_nm INTEGER, turns_nm TEXT NOT NULL, samples INTEGER NOT NULL,
        closure_nm INTEGER, invalid TEXT,
        PRIMARY KEY (clamping, position)) STRICT, WITHOUT ROWID""",
    """CREATE TABLE verdicts (
        id INTEGER PRIMARY KEY, cycle INTEGER NOT NULL UNIQUE REFERENCES cycles(id),
        grade TEXT, bin TEXT NOT NULL, why TEXT NOT NULL, reason TEXT NOT NULL,
        decision_rule TEXT NOT NULL, rules_revision TEXT NOT NULL,
        rules_sha256 TEXT NOT NULL REFERENCES texts(sha256),
        loosening_observed INTEGER NOT NULL, at_utc TEXT NOT NULL,
        clock_synced TEXT NOT NULL, seq INTEGER NOT NULL) STRICT""",
    """CREATE TABLE put_aways (  -- wrong bins and confirmations for nothing as well
        id INTEGER PRIMARY KEY, bench TEXT NOT NULL, cycle INTEGER REFERENCES cycles(id),
        bin TEXT NOT NULL, expected TEXT, is_right INTEGER NOT NULL, by TEXT NOT NULL,
        box INTEGER REFERENCES boxes(id), ended_ns INTEGER NOT NULL, boot TEXT NOT NULL,
        at_utc TEXT NOT NULL, clock_synced TEXT NOT NULL, seq INTEGER NOT NULL) STRICT""",
    """CREATE TABLE checks (  -- master checks of the bench
        id INTEGER PRIMARY KEY, bench TEXT NOT NULL, lot INTEGER REFERENCES lots(id),
        kind TEXT NOT NULL, result TEXT NOT NULL, figures TEXT NOT NULL, role TEXT NOT NULL,
        at_utc TEXT NOT NULL, clock_synced TEXT NOT NULL, seq INTEGER NOT NULL) STRICT""",
    """CREATE TABLE corrections (  -- later facts about earlier ones; the earlier ones stay
        id INTEGER PRIMARY KEY, bench TEXT NOT NULL, lot INTEGER REFERENCES lots(id),
        piece INTEGER REFERENCES pieces(id), cycle INTEGER REFERENCES cycles(id),
        what TEXT NOT NULL, reason TEXT NOT NULL, role TEXT NOT NULL,
        at_utc TEXT NOT NULL, clock_synced TEXT NOT NULL, seq INTEGER NOT NULL) STRICT""",
    """CREATE TABLE events (  -- what was published or will be; seq has no gaps within a bench
        bench TEXT NOT NULL, seq INTEGER NOT NULL, id TEXT NOT NULL UNIQUE,
        kind TEXT NOT NULL, at_utc TEXT NOT NULL, boot TEXT NOT NULL,
        mono_ns INTEGER NOT NULL, body TEXT NOT NULL,
        PRIMARY KEY (bench, seq)) STRICT, WITHOUT ROWID""",
    """CREATE TABLE outbox (  -- events no broker has acknowledged yet
        bench TEXT NOT NULL, seq INTEGER NOT NULL,
        PRIMARY KEY (bench, seq)) STRICT, WITHOUT ROWID""",
    """CREATE TABLE inbound (  -- ids of inbound messages, so that none counts twice
        bench TEXT NOT NULL, id TEXT NOT NULL, at_utc TEXT NOT NULL,
        PRIMARY KEY (bench, id)) STRICT, WITHOUT ROWID""",
    "CREATE INDEX put_aways_by_cycle ON put_aways (cycle, is_right)",
    "CREATE INDEX corrections_by_piece ON corrections (piece, what)",
    "CREATE INDEX retries ON cycles (piece) WHERE kind = 'retry'",
    "CREATE INDEX orders_by_lot ON orders (lot, grade)",
    "CREATE INDEX boxes_by_lot ON boxes (lot, bin)",
)

_VIEWS = (
    """CREATE VIEW piece_status AS  -- what each piece counts as today
    SELECT p.id AS piece, p.lot, p.number, c.id AS cycle, c.number AS cycle_number,
        c.kind AS cycle_kind, v.grade, v.bin, v.why, v.reason, v.at_utc AS graded_utc,
        (SELECT count(*) FROM cycles r WHERE r.piece = p.id AND r.kind = 'retry') AS retries,
        CASE
            WHEN EXISTS (SELECT 1 FROM corrections x
                WHERE x.piece = p.id AND x.what = 'abandoned') THEN 'abandoned'
            WHEN v.id IS NULL THEN 'in-work'
            WHEN NOT EXISTS (SELECT 1 FROM put_aways a
                WHERE a.cycle = c.id AND a.is_right = 1) THEN 'pending'
            WHEN v.grade IS NOT NULL THEN 'put-away'
            WHEN v.why = 'above-all-limits' THEN 'nonconforming'
            ELSE 'hold' END AS status
    FROM pieces p
    JOIN cycles c ON c.piece = p.id
        AND c.number = (SELECT max(number) FROM cycles m WHERE m.piece = p.id)
    LEFT JOIN verdicts v ON v.cycle = c.id""",
    """CREATE VIEW lot_counts AS
    SELECT l.bench, l.code AS lot, l.article, s.status, s.grade, count(*) AS pieces
    FROM piece_status s JOIN lots l ON l.id = s.lot
    GROUP BY l.id, s.status, s.grade""",
    """CREATE VIEW clampings_um AS
    SELECT l.bench, l.code AS lot, p.number AS piece, c.number AS cycle, c.kind,
        k.number AS clamping, k.result, k.tir_nm / 1000.0 AS tir_um,
        k.seen_nm / 1000.0 AS seen_at_least_um, k.invalid, k.meets, k.loosening,
        k.at_utc, k.clock_synced, k.rules_sha256, k.bench_sha256
    FROM clampings k JOIN cycles c ON c.id = k.cycle JOIN pieces p ON p.id = c.piece
    JOIN lots l ON l.id = p.lot""",
    """CREATE VIEW verdicts_um AS
    SELECT l.bench, l.code AS lot, p.number AS piece, c.number AS cycle, c.kind, v.grade,
        v.bin, v.why, v.reason, v.decision_rule, v.rules_revision, v.rules_sha256,
        v.loosening_observed, v.at_utc, v.clock_synced, v.seq
    FROM verdicts v JOIN cycles c ON c.id = v.cycle JOIN pieces p ON p.id = c.piece
    JOIN lots l ON l.id = p.lot""",
)


_VISUAL = """CREATE TABLE visual_findings (  -- set aside before the bench, by what was seen
    id INTEGER PRIMARY KEY, lot INTEGER NOT NULL REFERENCES lots(id),
    finding TEXT NOT NULL CHECK (finding IN ('blemish', 'surface', 'burr', 'other')),
    pieces INTEGER NOT NULL CHECK (pieces > 0), reason TEXT NOT NULL, role TEXT NOT NULL,
    at_utc TEXT NOT NULL, clock_synced TEXT NOT NULL, seq INTEGER NOT NULL) STRICT"""


_DIAGNOSES = """CREATE TABLE clamping_diagnoses (  -- beside the TIR; it decides nothing
    clamping INTEGER NOT NULL REFERENCES clampings(id), position TEXT NOT NULL,
    amplitude_nm INTEGER NOT NULL, direction_udeg INTEGER, form_nm INTEGER NOT NULL,
    noise_nm INTEGER NOT NULL, drift_nm INTEGER NOT NULL, gap_udeg INTEGER NOT NULL,
    loss_1_nm INTEGER, loss_2_nm INTEGER, loss_3_nm INTEGER,
    PRIMARY KEY (clamping, position)) STRICT, WITHOUT ROWID"""

_DIAGNOSES_UM = """CREATE VIEW diagnoses_um AS
    SELECT l.bench, l.code AS lot, p.number AS piece, c.number AS cycle,
        k.number AS clamping, d.position, k.result, k.at_utc,
        d.amplitude_nm / 1000.0 AS eccentricity_um,
        d.direction_udeg / 1000000.0 AS direction_deg, d.form_nm / 1000.0 AS form_um,
        d.noise_nm / 1000.0 AS noise_um, d.drift_nm / 1000.0 AS drift_um,
        d.gap_udeg / 1000000.0 AS gap_deg, d.loss_1_nm / 1000.0 AS loss_1_um,
        d.loss_2_nm / 1000.0 AS loss_2_um, d.loss_3_nm / 1000.0 AS loss_3_um
    FROM clamping_diagnoses d JOIN clampings k ON k.id = d.clamping
    JOIN cycles c ON c.id = k.cycle JOIN pieces p ON p.id = c.piece
    JOIN lots l ON l.id = p.lot"""

_LOT_RULES = """CREATE TABLE lot_rules (  -- the last row is what the lot goes by
    id INTEGER PRIMARY KEY, lot INTEGER NOT NULL REFERENCES lots(id),
    rules_sha256 TEXT NOT NULL REFERENCES texts(sha256), revision TEXT NOT NULL,
    before_sha256 TEXT NOT NULL REFERENCES texts(sha256), before_revision TEXT NOT NULL,
    piece INTEGER,  -- number of the piece that was in work and kept the rules before
    reason TEXT NOT NULL, role TEXT NOT NULL,
    at_utc TEXT NOT NULL, clock_synced TEXT NOT NULL, seq INTEGER NOT NULL) STRICT"""


_ALARM_JOURNAL = """CREATE VIEW alarm_journal AS  -- every alarm that came, was seen to, or went
    SELECT bench, seq, at_utc,
        json_extract(body, '$.clocksync') AS clock_synced,
        json_extract(body, '$.data.code') AS code,
        json_extract(body, '$.data.state') AS state,
        coalesce(json_extract(body, '$.data.stands'),
            json_extract(body, '$.data.state') <> 'returned') AS stands,
        json_extract(body, '$.data.text') AS text,
        json_extract(body, '$.data.role') AS role,
        json_extract(body, '$.data.reason') AS reason,
        json_extract(body, '$.data.until') AS until_utc
    FROM events WHERE kind = 'alarm'"""


@migrations()
def m001_records(db: Database) -> None:
    """Lay every table and view of the record."""
    for statement in (*_TABLES, *_VIEWS):
        db.execute(statement)


@migrations()
def m002_visual_findings(db: Database) -> None:
    """Keep what visual inspection set aside: the lot has to add up."""
    db.execute(_VISUAL)
    db.execute("CREATE INDEX visual_findings_by_lot ON visual_findings (lot)")


@migrations()
def m003_diagnoses(db: Database) -> None:
    """Keep what a sweep shows beside its TIR: the holder's share is read from it."""
    db.execute(_DIAGNOSES)
    db.execute(_DIAGNOSES_UM)


@migrations()
def m004_rest(db: Database) -> None:
    """Keep what proves the rest: plan, tray cells, draws, looks."""
    for statement in schema_rest.STATEMENTS:
        db.execute(statement)


@migrations()
def m005_instruments(db: Database) -> None:
    """Keep the register of instruments: an overdue calibration blocks a new lot."""
    for statement in instrument_tables.TABLES:
        db.execute(statement)


@migrations()
def m006_alarm_journal(db: Database) -> None:
    """Let the alarms be asked for: what stands now is the last line of each code."""
    db.execute("CREATE INDEX alarm_events ON events (bench, seq) WHERE kind = 'alarm'")
    db.execute(_ALARM_JOURNAL)


@migrations()
def m007_pin_moves(db: Database) -> None:
    """Keep what the pin goes along with, and when a loosening was; NULL where nobody said."""
    db.execute("ALTER TABLE lots ADD COLUMN pin_moves TEXT")
    db.execute("ALTER TABLE clampings ADD COLUMN loosening_at_ns INTEGER")


@migrations()
def m008_questions(db: Database) -> None:
    """Lay the views that answer what an auditor asks."""
    for statement in question_views.VIEWS:
        db.execute(statement)


@migrations()
def m009_assurance(db: Database) -> None:
    """Keep checks, spans and decisions: what a piece counts as rests on them."""
    for column in schema_assurance.CHECK_COLUMNS:
        db.execute(f"ALTER TABLE checks ADD COLUMN {column}")
    for statement in schema_assurance.TABLES:
        db.execute(statement)
    for view in ("on_hold", "lot_counts", "piece_status"):
        db.execute(f"DROP VIEW {view}")
    for statement in schema_assurance.VIEWS:
        db.execute(statement)


@migrations()
def m010_decided(db: Database) -> None:
    """Let decisions on pieces be among the changes of a grade, and in the balance of a lot."""
    for view in ("grade_changes", "lot_balance"):
        db.execute(f"DROP VIEW {view}")
    for statement in question_views.DECIDED:
        db.execute(statement)


@migrations()
def m011_lot_rules(db: Database) -> None:
    """Keep which state of its rule file a lot was told to go by, and since when."""
    db.execute(_LOT_RULES)
    db.execute("CREATE INDEX lot_rules_by_lot ON lot_rules (lot)")


@migrations()
def m012_regrade_bin(db: Database) -> None:
    """Keep where a regraded piece has to be carried: a restart lights that bin again."""
    db.execute("ALTER TABLE dispositions ADD COLUMN bin TEXT")


@migrations()
def m013_masters(db: Database) -> None:
    """Keep masters and torque tools as other instruments are: in date, their uses known."""
    for statement in (*instrument_tables.WITH_ALL_MASTERS, *question_views.GRADED_WITH):
        db.execute(statement)


@migrations()
def m014_where_it_lies(db: Database) -> None:
    """Let a piece that was taken out lie in no box, and the last good check say its reading."""
    for view in ("piece_boxes", "last_good_checks"):
        db.execute(f"DROP VIEW {view}")
    for statement in question_views.WHERE_IT_LIES:
        db.execute(statement)


@migrations()
def m015_gauge_blocks(db: Database) -> None:
    """Keep gauge blocks with their height: a static step is read over them."""
    for statement in instrument_tables.WITH_GAUGE_BLOCKS:
        db.execute(statement)


@migrations()
def m016_unproved(db: Database) -> None:
    """Let a change of pin, holder or indicator end a span: no later check proves its pieces."""
    for statement in schema_assurance.WITH_CHANGES:
        db.execute(statement)


@migrations()
def m017_noted(db: Database) -> None:
    """Keep a verdict in one row until its own are written: the lamp waits for no more."""
    db.execute(note.TABLE)


@migrations()
def m018_torque(db: Database) -> None:
    """Keep what the torque tool was set to, in N·mm; NULL where nobody said."""
    db.execute("ALTER TABLE lots ADD COLUMN torque_nmm INTEGER CHECK (torque_nmm > 0)")


@migrations()
def m019_noted_under(db: Database) -> None:
    """Keep what is the same for many notes in a row of its own: a note is written sooner."""
    for statement in note.UNDER:
        db.execute(statement)
