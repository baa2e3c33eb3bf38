"""Table and views of the register of instruments."""

TABLES = (
    """CREATE TABLE instruments (  -- entries; what an instrument is today is a view over them
        id INTEGER PRIMARY KEY, instrument TEXT NOT NULL,
        kind TEXT NOT NULL CHECK (kind IN ('indicator', 'pin', 'holder', 'mandrel',
            'eccentric-master', 'torque-tool')),
        what TEXT NOT NULL CHECK (what IN ('entered', 'calibrated', 'withdrawn')),
        certificate TEXT, due TEXT, form_nm INTEGER, tir_nm INTEGER,
        expanded_uncertainty_nm INTEGER, diameter_nm INTEGER, gripping_length_nm INTEGER,
        measuring_force_mn INTEGER, reason TEXT NOT NULL, role TEXT NOT NULL,
        bench TEXT NOT NULL, at_utc TEXT NOT NULL, clock_synced TEXT NOT NULL) STRICT""",
    "CREATE INDEX instruments_by_name ON instruments (instrument, id)",
    """CREATE VIEW instrument_uses AS  -- clampings each was used for, counted from the facts
    SELECT instrument, count(*) AS clampings FROM (
        SELECT o.indicator AS instrument FROM clamping_positions o
        UNION ALL
        SELECT l.holder FROM clampings k JOIN cycles c ON c.id = k.cycle
            JOIN pieces p ON p.id = c.piece JOIN lots l ON l.id = p.lot
        UNION ALL
        SELECT j.value FROM clampings k JOIN cycles c ON c.id = k.cycle
            JOIN pieces p ON p.id = c.piece JOIN lots l ON l.id = p.lot, json_each(l.pins) j)
    WHERE instrument <> '' GROUP BY instrument""",
    """CREATE VIEW instruments_now AS  -- each as its last entries have it
    SELECT i.instrument, i.kind,
        (SELECT e.certificate FROM instruments e WHERE e.instrument = i.instrument
            AND e.certificate IS NOT NULL ORDER BY e.id DESC LIMIT 1) AS certificate,
        (SELECT e.due FROM instruments e WHERE e.instrument = i.instrument
            AND e.what <> 'withdrawn' ORDER BY e.id DESC LIMIT 1) AS calibration_due,
        (SELECT e.what = 'withdrawn' FROM instruments e WHERE e.instrument = i.instrument
            ORDER BY e.id DESC LIMIT 1) AS withdrawn,
        (SELECT e.form_nm / 1000.0 FROM instruments e WHERE e.instrument = i.instrument
            AND e.form_nm IS NOT NULL ORDER BY e.id DESC LIMIT 1) AS form_um,
        (SELECT e.tir_nm / 1000.0 FROM instruments e WHERE e.instrument = i.instrument
            AND e.tir_nm IS NOT NULL ORDER BY e.id DESC LIMIT 1) AS tir_um,
        coalesce(u.clampings, 0) AS clampings
    FROM instruments i LEFT JOIN instrument_uses u ON u.instrument = i.instrument
    WHERE i.what = 'entered'""",
)

_COLUMNS = (
    "id, instrument, kind, what, certificate, due, form_nm, tir_nm, expanded_uncertainty_nm,"
    " diameter_nm, gripping_length_nm, measuring_force_mn, reason, role, bench, at_utc,"
    " clock_synced"
)


def _last(column: str) -> str:
    """Return the last value that a certificate gave."""
    return (
        f"(SELECT e.{column} FROM instruments e WHERE e.instrument = i.instrument"
        f" AND e.{column} IS NOT NULL ORDER BY e.id DESC LIMIT 1)"
    )


WITH_ALL_MASTERS = (
    "DROP VIEW instruments_now",
    "DROP VIEW instrument_uses",
    # A reference collet is a master too; a CHECK can't be changed in place.
    """CREATE TABLE instruments_anew (  -- entries; what each is today is a view over them
        id INTEGER PRIMARY KEY, instrument TEXT NOT NULL,
        kind TEXT NOT NULL CHECK (kind IN ('indicator', 'pin', 'holder', 'mandrel',
            'reference-collet', 'eccentric-master', 'torque-tool')),
        what TEXT NOT NULL CHECK (what IN ('entered', 'calibrated', 'withdrawn')),
        certificate TEXT, due TEXT, form_nm INTEGER, tir_nm INTEGER,
        expanded_uncertainty_nm INTEGER, diameter_nm INTEGER, gripping_length_nm INTEGER,
        measuring_force_mn INTEGER, reason TEXT NOT NULL, role TEXT NOT NULL,
        bench TEXT NOT NULL, at_utc TEXT NOT NULL, clock_synced TEXT NOT NULL) STRICT""",
    f"INSERT INTO instruments_anew ({_COLUMNS}) SELECT {_COLUMNS} FROM instruments",
    "DROP TABLE instruments",
    "ALTER TABLE instruments_anew RENAME TO instruments",
    "CREATE INDEX instruments_by_name ON instruments (instrument, id)",
    "ALTER TABLE lots ADD COLUMN torque_tool TEXT NOT NULL DEFAULT ''",
    """CREATE VIEW instrument_uses AS  -- clampings each was used for, checks made on each
    SELECT instrument, sum(clampings) AS clampings, sum(checks) AS checks FROM (
        SELECT o.indicator AS instrument, 1 AS clampings, 0 AS checks FROM clamping_positions o
        UNION ALL
        SELECT u.value, 1, 0 FROM clampings k JOIN cycles c ON c.id = k.cycle
            JOIN pieces p ON p.id = c.piece JOIN lots l ON l.id = p.lot,
            json_each(json_array(l.holder, l.torque_tool)) u
        UNION ALL
        SELECT j.value, 1, 0 FROM clampings k JOIN cycles c ON c.id = k.cycle
            JOIN pieces p ON p.id = c.piece JOIN lots l ON l.id = p.lot, json_each(l.pins) j
        UNION ALL
        SELECT k.master, 0, 1 FROM checks k
            WHERE EXISTS (SELECT 1 FROM check_seats s WHERE s.of_check = k.id))
    WHERE instrument <> '' GROUP BY instrument""",
    f"""CREATE VIEW instruments_now AS  -- each as its last entries have it
    SELECT i.instrument, i.kind, {_last("certificate")} AS certificate,
        (SELECT e.due FROM instruments e WHERE e.instrument = i.instrument
            AND e.what <> 'withdrawn' ORDER BY e.id DESC LIMIT 1) AS calibration_due,
        (SELECT e.what = 'withdrawn' FROM instruments e WHERE e.instrument = i.instrument
            ORDER BY e.id DESC LIMIT 1) AS withdrawn,
        {_last("form_nm")} / 1000.0 AS form_um, {_last("tir_nm")} / 1000.0 AS tir_um,
        {_last("expanded_uncertainty_nm")} / 1000.0 AS uncertainty_um,
        {_last("diameter_nm")} / 1000000.0 AS diameter_mm,
        {_last("gripping_length_nm")} / 1000000.0 AS gripping_length_mm,
        coalesce(u.clampings, 0) AS clampings, coalesce(u.checks, 0) AS checks
    FROM instruments i LEFT JOIN instrument_uses u ON u.instrument = i.instrument
    WHERE i.what = 'entered'""",
)
"""Masters and torque tools: kinds, what a lot was tightened with, uses of all of them."""

WITH_GAUGE_BLOCKS = (
    "DROP VIEW instruments_now",
    """CREATE TABLE instruments_anew (  -- entries; what each is today is a view over them
        id INTEGER PRIMARY KEY, instrument TEXT NOT NULL,
        kind TEXT NOT NULL CHECK (kind IN ('indicator', 'pin', 'holder', 'mandrel',
            'reference-collet', 'eccentric-master', 'gauge-block', 'torque-tool')),
        what TEXT NOT NULL CHECK (what IN ('entered', 'calibrated', 'withdrawn')),
        certificate TEXT, due TEXT, form_nm INTEGER, tir_nm INTEGER,
        expanded_uncertainty_nm INTEGER, diameter_nm INTEGER, gripping_length_nm INTEGER,
        measuring_force_mn INTEGER, reason TEXT NOT NULL, role TEXT NOT NULL,
        bench TEXT NOT NULL, at_utc TEXT NOT NULL, clock_synced TEXT NOT NULL,
        height_nm INTEGER) STRICT""",
    f"INSERT INTO instruments_anew ({_COLUMNS}) SELECT {_COLUMNS} FROM instruments",
    "DROP TABLE instruments",
    "ALTER TABLE instruments_anew RENAME TO instruments",
    "CREATE INDEX instruments_by_name ON instruments (instrument, id)",
    f"""CREATE VIEW instruments_now AS  -- each as its last entries have it
    SELECT i.instrument, i.kind, {_last("certificate")} AS certificate,
        (SELECT e.due FROM instruments e WHERE e.instrument = i.instrument
            AND e.what <> 'withdrawn' ORDER BY e.id DESC LIMIT 1) AS calibration_due,
        (SELECT e.what = 'withdrawn' FROM instruments e WHERE e.instrument = i.instrument
            ORDER BY e.id DESC LIMIT 1) AS withdrawn,
        {_last("form_nm")} / 1000.0 AS form_um, {_last("tir_nm")} / 1000.0 AS tir_um,
        {_last("height_nm")} / 1000.0 AS height_um,
        {_last("expanded_uncertainty_nm")} / 1000.0 AS uncertainty_um,
        {_last("diameter_nm")} / 1000000.0 AS diameter_mm,
        {_last("gripping_length_nm")} / 1000000.0 AS gripping_length_mm,
        coalesce(u.clampings, 0) AS clampings, coalesce(u.checks, 0) AS checks
    FROM instruments i LEFT JOIN instrument_uses u ON u.instrument = i.instrument
    WHERE i.what = 'entered'""",
)
"""A gauge block is a master of known height."""
