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
