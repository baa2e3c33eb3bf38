"""Tables of the proof of the rest: what was fixed at the opening, draws, looks, cells.

What a look says today is computed from the facts; its row is what it said, with its event.
"""

STATEMENTS = (
    """CREATE TABLE rest_plans (  -- how the rest of a lot is judged, fixed when it opened
        lot INTEGER PRIMARY KEY REFERENCES lots(id),
        plan TEXT NOT NULL CHECK (plan IN ('sample', 'measured', 'aql')),
        grade TEXT NOT NULL, tolerance_nm INTEGER NOT NULL, acceptance_nm INTEGER NOT NULL,
        is_drawn INTEGER NOT NULL, limiting_quality REAL NOT NULL,
        consumers_risk REAL NOT NULL, looks INTEGER NOT NULL,
        acceptance_number INTEGER NOT NULL, further INTEGER NOT NULL,
        edition TEXT NOT NULL, aql TEXT NOT NULL, level TEXT NOT NULL,
        severity TEXT NOT NULL) STRICT""",
    """CREATE TABLE rest_limits (  -- of a plan whose rule file limits positions
        lot INTEGER NOT NULL REFERENCES lots(id), position TEXT NOT NULL,
        tolerance_nm INTEGER NOT NULL, acceptance_nm INTEGER NOT NULL,
        PRIMARY KEY (lot, position)) STRICT, WITHOUT ROWID""",
    """CREATE TABLE trays (  -- lots whose tray has numbered cells, and seeds given
        lot INTEGER PRIMARY KEY REFERENCES lots(id), cells INTEGER,
        given_seed TEXT NOT NULL) STRICT""",
    """CREATE TABLE draws (  -- seed and algorithm repeat it: rules/draw.py
        id INTEGER PRIMARY KEY, lot INTEGER NOT NULL REFERENCES lots(id),
        purpose TEXT NOT NULL CHECK (purpose IN ('order', 'sample')),
        by_record INTEGER NOT NULL, algorithm TEXT NOT NULL, seed TEXT NOT NULL,
        seed_given INTEGER NOT NULL, cells TEXT NOT NULL, pieces INTEGER NOT NULL,
        size INTEGER NOT NULL, acceptance_number INTEGER NOT NULL,
        after_piece INTEGER NOT NULL, at_utc TEXT NOT NULL, clock_synced TEXT NOT NULL,
        seq INTEGER NOT NULL) STRICT""",
    """CREATE TABLE looks (  -- the last row of a look is what it says
        id INTEGER PRIMARY KEY, lot INTEGER NOT NULL REFERENCES lots(id),
        look INTEGER NOT NULL, after_piece INTEGER NOT NULL, judged INTEGER NOT NULL,
        pieces INTEGER NOT NULL, beyond INTEGER NOT NULL, doubtful INTEGER NOT NULL,
        rest INTEGER NOT NULL, at_most INTEGER, outcome TEXT NOT NULL
            CHECK (outcome IN ('proved', 'accepted', 'short', 'hold', 'nothing-left')),
        at_utc TEXT NOT NULL, clock_synced TEXT NOT NULL, seq INTEGER NOT NULL) STRICT""",
    """CREATE TABLE empty_cells (  -- numbered cells of a tray that were found empty
        lot INTEGER NOT NULL REFERENCES lots(id), cell INTEGER NOT NULL,
        reason TEXT NOT NULL, role TEXT NOT NULL, at_utc TEXT NOT NULL,
        clock_synced TEXT NOT NULL, seq INTEGER NOT NULL,
        PRIMARY KEY (lot, cell)) STRICT, WITHOUT ROWID""",
    """CREATE TABLE sampling_resumed (  -- corrective action after discontinued AQL sampling
        id INTEGER PRIMARY KEY, bench TEXT NOT NULL, article TEXT NOT NULL,
        after_look INTEGER NOT NULL, reason TEXT NOT NULL, role TEXT NOT NULL,
        at_utc TEXT NOT NULL, clock_synced TEXT NOT NULL, seq INTEGER NOT NULL) STRICT""",
    "ALTER TABLE visual_findings ADD COLUMN cell INTEGER",
    "ALTER TABLE visual_findings ADD COLUMN is_drawn INTEGER NOT NULL DEFAULT 0",
    "CREATE INDEX draws_by_lot ON draws (lot)",
    "CREATE INDEX looks_by_lot ON looks (lot, look)",
    "CREATE INDEX put_aways_by_box ON put_aways (box) WHERE is_right = 1",
)
