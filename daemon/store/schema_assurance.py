"""Tables and views of the bench's fitness: checks, what disturbed it, holds and decisions."""

CHECK_COLUMNS = (
    "master TEXT NOT NULL DEFAULT ''",
    "reason TEXT NOT NULL DEFAULT ''",
    "what_to_do TEXT NOT NULL DEFAULT ''",
    "begun_by TEXT NOT NULL DEFAULT ''",
    "asked TEXT NOT NULL DEFAULT ''",  # kinds that make one good check together
    "ends_span TEXT CHECK (ends_span IN ('good', 'failed'))",
    "opens_span INTEGER NOT NULL DEFAULT 0",
    "trusted INTEGER NOT NULL DEFAULT 1",  # nothing spoke against the time of day
    "rules_sha256 TEXT REFERENCES texts(sha256)",
    "bench_sha256 TEXT REFERENCES texts(sha256)",
    "evaluation TEXT NOT NULL DEFAULT ''",
)
"""Added to ``checks``; no release wrote into that table before."""

TABLES = (
    """CREATE TABLE disturbances (  -- after each of these the bench has to be checked again
        id INTEGER PRIMARY KEY, bench TEXT NOT NULL, lot INTEGER REFERENCES lots(id),
        cause TEXT NOT NULL, text TEXT NOT NULL, role TEXT NOT NULL, at_utc TEXT NOT NULL,
        clock_synced TEXT NOT NULL, trusted INTEGER NOT NULL, seq INTEGER NOT NULL) STRICT""",
    """CREATE TABLE dispositions (  -- decisions on pieces and boxes; the verdict stays
        id INTEGER PRIMARY KEY, bench TEXT NOT NULL, lot INTEGER NOT NULL REFERENCES lots(id),
        action TEXT NOT NULL CHECK (action IN
            ('re-measure', 'regrade', 'scrap', 'concession', 'release')),
        piece INTEGER REFERENCES pieces(id), box TEXT NOT NULL, grade TEXT,
        role TEXT NOT NULL, reason TEXT NOT NULL, at_utc TEXT NOT NULL,
        clock_synced TEXT NOT NULL, seq INTEGER NOT NULL,
        CHECK ((piece IS NULL) = (box != ''))) STRICT""",
    """CREATE TABLE piece_marks (  -- what a check or a decision made of a piece
        id INTEGER PRIMARY KEY, piece INTEGER NOT NULL REFERENCES pieces(id),
        seq INTEGER NOT NULL, status TEXT NOT NULL CHECK (status IN
            ('held', 're-measure', 'open', 'released', 'regraded', 'replaced', 'scrapped',
             'concession')),
        grade TEXT, is_put_away INTEGER NOT NULL, why TEXT NOT NULL) STRICT""",
    """CREATE TABLE check_seats (  -- what was swept on the master, as with a clamping
        of_check INTEGER NOT NULL REFERENCES checks(id), number INTEGER NOT NULL,
        started_ns INTEGER NOT NULL, ended_ns INTEGER NOT NULL, loosening TEXT NOT NULL,
        sweep BLOB NOT NULL, PRIMARY KEY (of_check, number)) STRICT""",
    "CREATE INDEX piece_marks_by_piece ON piece_marks (piece, seq)",
    "CREATE INDEX checks_by_bench ON checks (bench, seq)",
    "CREATE INDEX disturbances_by_bench ON disturbances (bench, seq)",
    "CREATE INDEX dispositions_by_lot ON dispositions (lot, seq)",
    # '' = no master check was asked for; kinds by words else
    "ALTER TABLE verdicts ADD COLUMN checks_asked TEXT NOT NULL DEFAULT ''",
    # grades that it may be regraded to: their limits and their clampings are met
    "ALTER TABLE verdicts ADD COLUMN meets TEXT NOT NULL DEFAULT ''",
)

_NATURAL = """
            WHEN v.grade IS NOT NULL THEN 'put-away'
            WHEN v.why = 'above-all-limits' THEN 'nonconforming'
            ELSE 'hold'"""

VIEWS = (
    f"""CREATE VIEW piece_status AS  -- what each piece counts as today
    SELECT p.id AS piece, p.lot, p.number, c.id AS cycle, c.number AS cycle_number,
        c.kind AS cycle_kind, CASE WHEN m.id IS NULL THEN v.grade ELSE m.grade END AS grade,
        v.bin, v.why, v.reason, v.at_utc AS graded_utc,
        (SELECT count(*) FROM cycles r WHERE r.piece = p.id AND r.kind = 'retry') AS retries,
        CASE
            WHEN m.status IN ('replaced', 'scrapped', 'concession') THEN m.status
            WHEN EXISTS (SELECT 1 FROM corrections x
                WHERE x.piece = p.id AND x.what = 'abandoned') THEN 'abandoned'
            WHEN v.id IS NULL THEN 'in-work'
            WHEN NOT EXISTS (SELECT 1 FROM put_aways a
                WHERE a.cycle = c.id AND a.is_right = 1) THEN 'pending'
            WHEN m.status IN ('held', 're-measure') THEN 'hold'
            WHEN m.status = 'regraded' AND m.is_put_away = 0 AND NOT EXISTS (
                SELECT 1 FROM put_aways a
                WHERE a.cycle = c.id AND a.is_right = 1 AND a.seq > m.seq) THEN 'hold'
            WHEN m.grade IS NOT NULL THEN 'put-away'
            WHEN m.status IN ('released', 'open', 'regraded') AND v.why != 'above-all-limits'
                THEN 'released'{_NATURAL} END AS status,
        (SELECT b.label FROM put_aways a LEFT JOIN boxes b ON b.id = a.box
            WHERE a.cycle = c.id AND a.is_right = 1 ORDER BY a.id DESC LIMIT 1) AS box,
        coalesce(m.why, '') AS held_why
    FROM pieces p
    JOIN cycles c ON c.piece = p.id
        AND c.number = (SELECT max(number) FROM cycles m WHERE m.piece = p.id)
    LEFT JOIN verdicts v ON v.cycle = c.id
    LEFT JOIN piece_marks m ON m.id = (SELECT x.id FROM piece_marks x
        WHERE x.piece = p.id AND (v.id IS NULL OR x.seq >= v.seq) ORDER BY x.id DESC LIMIT 1)
    """,
    """CREATE VIEW on_hold AS  -- what may neither be counted nor leave, and why
    SELECT l.bench, l.code AS lot, s.number AS piece, s.why,
        CASE s.held_why WHEN '' THEN s.reason ELSE s.held_why END AS reason, b.bin, b.box,
        b.cell, s.graded_utc AS at_utc
    FROM piece_status s JOIN lots l ON l.id = s.lot
    LEFT JOIN piece_boxes b ON b.bench = l.bench AND b.lot = l.code AND b.piece = s.number
    WHERE s.status = 'hold'""",
    """CREATE VIEW lot_counts AS
    SELECT l.bench, l.code AS lot, l.article, s.status, s.grade, count(*) AS pieces
    FROM piece_status s JOIN lots l ON l.id = s.lot
    GROUP BY l.id, s.status, s.grade""",
    """CREATE VIEW piece_spans AS  -- between which master checks each verdict was given
    SELECT s.*, CASE WHEN s.checks_asked = '' THEN 'unassured' WHEN s.closed_by IS NULL
            THEN 'open' ELSE (SELECT k.ends_span FROM checks k
                WHERE k.bench = s.bench AND k.seq = s.closed_by) END AS span
    FROM (SELECT l.bench, l.code AS lot, p.number AS piece, c.number AS cycle, v.seq,
            v.at_utc, v.checks_asked,
            (SELECT max(k.seq) FROM checks k WHERE k.bench = l.bench
                AND k.ends_span IS NOT NULL AND k.seq < v.seq) AS opened_by,
            (SELECT min(k.seq) FROM checks k WHERE k.bench = l.bench
                AND k.ends_span IS NOT NULL AND k.seq > v.seq) AS closed_by
        FROM verdicts v JOIN cycles c ON c.id = v.cycle JOIN pieces p ON p.id = c.piece
        JOIN lots l ON l.id = p.lot) s""",
    """CREATE VIEW checks_um AS  -- every master check, in the order they were made
    SELECT k.bench, l.code AS lot, k.kind, k.result, k.master, k.reason, k.what_to_do,
        k.begun_by, k.role, k.ends_span, k.opens_span,
        json_extract(f.value, '$.position') AS position,
        json_extract(f.value, '$.indicator') AS indicator,
        json_extract(f.value, '$.reading_nm') / 1000.0 AS reading_um,
        json_extract(f.value, '$.low_nm') / 1000.0 AS low_um,
        json_extract(f.value, '$.high_nm') / 1000.0 AS high_um,
        json_extract(f.value, '$.vector_nm') / 1000.0 AS vector_um,
        json_extract(f.value, '$.zero_nm') / 1000.0 AS zero_um,
        json_extract(f.value, '$.drift_nm') / 1000.0 AS drift_um,
        k.at_utc, k.clock_synced, k.trusted, k.rules_sha256, k.bench_sha256, k.seq
    FROM checks k LEFT JOIN lots l ON l.id = k.lot LEFT JOIN json_each(k.figures) f""",
)

WITH_CHANGES = (
    # NULL: it ended none, or was recorded before a change of instruments ended one
    "ALTER TABLE disturbances ADD COLUMN ends_span TEXT CHECK (ends_span IN ('unproved'))",
    "DROP VIEW piece_spans",
    """CREATE VIEW span_ends AS  -- checks that closed a span, changes that left one unproved
    SELECT bench, seq, ends_span FROM checks WHERE ends_span IS NOT NULL
    UNION ALL
    SELECT bench, seq, ends_span FROM disturbances WHERE ends_span IS NOT NULL""",
    """CREATE VIEW piece_spans AS  -- between which checks, or changes, each verdict was given
    SELECT s.*, CASE WHEN s.checks_asked = '' THEN 'unassured' WHEN s.closed_by IS NULL
            THEN 'open' ELSE (SELECT e.ends_span FROM span_ends e
                WHERE e.bench = s.bench AND e.seq = s.closed_by) END AS span
    FROM (SELECT v.bench, v.lot, v.piece, v.cycle, v.seq, v.at_utc, v.checks_asked,
            (SELECT max(e.seq) FROM span_ends e WHERE e.bench = v.bench
                AND e.seq < v.began) AS opened_by,
            (SELECT min(e.seq) FROM span_ends e WHERE e.bench = v.bench
                AND e.seq > CASE e.ends_span WHEN 'good' THEN v.seq ELSE v.began END)
                AS closed_by
        FROM (SELECT l.bench, l.code AS lot, p.number AS piece, c.number AS cycle, v.seq,
                v.at_utc, v.checks_asked, coalesce((SELECT min(k.seq) FROM clampings k
                    WHERE k.cycle = c.id), v.seq) AS began
            FROM verdicts v JOIN cycles c ON c.id = v.cycle JOIN pieces p ON p.id = c.piece
            JOIN lots l ON l.id = p.lot) v) s""",
)
"""Laid anew: a change of pin, holder or indicator ends a span as well."""
