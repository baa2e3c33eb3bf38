"""Views that answer what a customer or an auditor asks of the record.

One a question; README lists them beside the commands. Lengths in micrometres, times UTC.
"""

_OF = (
    "JOIN cycles c ON c.id = v.cycle JOIN pieces p ON p.id = c.piece"
    " JOIN lots l ON l.id = p.lot"
)

VIEWS = (
    f"""CREATE VIEW graded_with AS  -- which verdicts rest on which instrument
    SELECT DISTINCT l.bench, o.indicator AS instrument, l.code AS lot, p.number AS piece,
        c.number AS cycle, v.grade, v.at_utc, v.clock_synced
    FROM clamping_positions o JOIN clampings k ON k.id = o.clamping
    JOIN verdicts v ON v.cycle = k.cycle {_OF}
    UNION ALL
    SELECT l.bench, l.holder, l.code, p.number, c.number, v.grade, v.at_utc, v.clock_synced
    FROM verdicts v {_OF} WHERE l.holder <> ''
    UNION ALL
    SELECT l.bench, j.value, l.code, p.number, c.number, v.grade, v.at_utc, v.clock_synced
    FROM verdicts v {_OF}, json_each(l.pins) j""",
    """CREATE VIEW piece_boxes AS  -- where each piece lies that was put away
    SELECT l.bench, l.code AS lot, s.number AS piece, a.bin, coalesce(b.label, '') AS box,
        coalesce(p.tray_cell, '') AS cell, s.status, s.grade, a.at_utc
    FROM piece_status s JOIN lots l ON l.id = s.lot JOIN pieces p ON p.id = s.piece
    JOIN put_aways a ON a.id = (SELECT max(x.id) FROM put_aways x
        JOIN cycles c ON c.id = x.cycle WHERE c.piece = s.piece AND x.is_right = 1)
    LEFT JOIN boxes b ON b.id = a.box""",
    """CREATE VIEW on_hold AS  -- what may neither be counted nor leave, and why
    SELECT l.bench, l.code AS lot, s.number AS piece, s.why, s.reason, b.bin, b.box, b.cell,
        s.graded_utc AS at_utc
    FROM piece_status s JOIN lots l ON l.id = s.lot
    LEFT JOIN piece_boxes b ON b.bench = l.bench AND b.lot = l.code AND b.piece = s.number
    WHERE s.status = 'hold'""",
    f"""CREATE VIEW limits_in_force AS  -- limits and decision rule as they were at the verdict
    SELECT l.bench, l.code AS lot, p.number AS piece, c.number AS cycle, v.grade AS graded,
        json_extract(d.value, '$.grade') AS grade, json_extract(d.value, '$.rule') AS rule,
        json_extract(d.value, '$.tolerance_limit_um') AS tolerance_limit_um,
        json_extract(d.value, '$.acceptance_limit_um') AS acceptance_limit_um,
        v.rules_revision, v.rules_sha256, v.at_utc
    FROM verdicts v {_OF}, json_each(v.decision_rule) d""",
    """CREATE VIEW grade_changes AS  -- what a piece's grade was, what became of it, by whom
    SELECT l.bench, l.code AS lot, p.number AS piece, c.kind AS what, w.grade AS grade_before,
        v.grade AS grade_after, c.reason, c.role, v.at_utc
    FROM cycles c JOIN pieces p ON p.id = c.piece JOIN lots l ON l.id = p.lot
    JOIN verdicts w ON w.cycle = (SELECT e.id FROM cycles e JOIN verdicts y ON y.cycle = e.id
        WHERE e.piece = p.id AND e.number < c.number ORDER BY e.number DESC LIMIT 1)
    LEFT JOIN verdicts v ON v.cycle = c.id
    WHERE c.kind IN ('retry', 're-measured')
    UNION ALL
    SELECT l.bench, l.code, p.number, x.what, v.grade, NULL, x.reason, x.role, x.at_utc
    FROM corrections x JOIN pieces p ON p.id = x.piece JOIN lots l ON l.id = p.lot
    JOIN verdicts v ON v.cycle = (SELECT e.id FROM cycles e JOIN verdicts y ON y.cycle = e.id
        WHERE e.piece = p.id ORDER BY e.number DESC LIMIT 1)
    WHERE x.what = 'abandoned'""",
    """CREATE VIEW last_good_checks AS  -- of each bench and kind of master check
    SELECT k.bench, k.kind, coalesce(l.code, '') AS lot, k.figures, k.role, k.at_utc,
        k.clock_synced
    FROM checks k LEFT JOIN lots l ON l.id = k.lot
    WHERE k.seq = (SELECT max(x.seq) FROM checks x
        WHERE x.bench = k.bench AND x.kind = k.kind AND x.result = 'good')""",
    """CREATE VIEW retries_by_role AS  -- whole sets taken again, beside the pieces of the lot
    SELECT l.bench, l.code AS lot, c.role, count(*) AS retries,
        count(DISTINCT c.piece) AS retried_pieces,
        (SELECT count(*) FROM pieces q WHERE q.lot = l.id) AS pieces,
        max(c.opened_utc) AS at_utc
    FROM cycles c JOIN pieces p ON p.id = c.piece JOIN lots l ON l.id = p.lot
    WHERE c.kind = 'retry' GROUP BY l.id, c.role""",
    """CREATE VIEW lot_balance AS  -- does in = out; until it is closed, by the books
    SELECT t.*, CASE WHEN t.closed_utc IS NULL THEN t.quantity - t.begun - t.set_aside
            ELSE t.left_at_closing END AS unmeasured,
        t.accounted - t.quantity AS difference
    FROM (SELECT l.bench, l.code AS lot, l.quantity, l.opened_utc AS at_utc, e.closed_utc,
            count(s.piece) AS begun,
            coalesce(sum(s.status = 'put-away'), 0) AS put_away,
            coalesce(sum(s.status = 'nonconforming'), 0) AS nonconforming,
            coalesce(sum(s.status = 'hold'), 0) AS hold,
            coalesce(sum(s.status = 'abandoned'), 0) AS abandoned,
            coalesce(sum(s.status NOT IN ('put-away', 'nonconforming', 'hold', 'abandoned')),
                0) AS in_hand,
            (SELECT coalesce(sum(f.pieces), 0) FROM visual_findings f WHERE f.lot = l.id)
                AS set_aside,
            json_extract(e.counts, '$.unmeasured') AS left_at_closing,
            (SELECT sum(j.value) FROM json_each(e.counts) j) AS accounted,
            coalesce(e.reason, '') AS closed_because
        FROM lots l LEFT JOIN piece_status s ON s.lot = l.id
        LEFT JOIN lot_ends e ON e.lot = l.id GROUP BY l.id) t""",
    f"""CREATE VIEW graded_while_unfit AS  -- verdicts given while such an alarm stood
    WITH stood AS (SELECT bench, code, text, stands, seq,
            lead(seq) OVER (PARTITION BY bench, code ORDER BY seq) AS until
        FROM alarm_journal WHERE code IN ('instrument-unfit', 'clock-doubt'))
    SELECT l.bench, l.code AS lot, p.number AS piece, c.number AS cycle, v.grade, a.code,
        a.text, v.at_utc, v.clock_synced
    FROM stood a JOIN events g ON g.bench = a.bench AND g.kind = 'verdict'
        AND g.seq > a.seq AND (a.until IS NULL OR g.seq < a.until)
    JOIN verdicts v ON v.seq = g.seq {_OF} AND l.bench = a.bench
    WHERE a.stands""",
)

DECIDED = (
    """CREATE VIEW grade_changes AS  -- what a piece's grade was, what became of it, by whom
    SELECT l.bench, l.code AS lot, p.number AS piece, c.kind AS what, w.grade AS grade_before,
        v.grade AS grade_after, c.reason, c.role, v.at_utc
    FROM cycles c JOIN pieces p ON p.id = c.piece JOIN lots l ON l.id = p.lot
    JOIN verdicts w ON w.cycle = (SELECT e.id FROM cycles e JOIN verdicts y ON y.cycle = e.id
        WHERE e.piece = p.id AND e.number < c.number ORDER BY e.number DESC LIMIT 1)
    LEFT JOIN verdicts v ON v.cycle = c.id
    WHERE c.kind IN ('retry', 're-measured')
    UNION ALL
    SELECT l.bench, l.code, p.number, x.what, v.grade, NULL, x.reason, x.role, x.at_utc
    FROM corrections x JOIN pieces p ON p.id = x.piece JOIN lots l ON l.id = p.lot
    JOIN verdicts v ON v.cycle = (SELECT e.id FROM cycles e JOIN verdicts y ON y.cycle = e.id
        WHERE e.piece = p.id ORDER BY e.number DESC LIMIT 1)
    WHERE x.what = 'abandoned'
    UNION ALL
    SELECT l.bench, l.code, p.number, d.action,
        coalesce((SELECT x.grade FROM piece_marks x WHERE x.piece = p.id
            AND x.seq < m.seq AND x.seq > v.seq ORDER BY x.id DESC LIMIT 1), v.grade),
        CASE d.action WHEN 'regrade' THEN m.grade WHEN 'release' THEN m.grade END,
        d.reason, d.role, d.at_utc
    FROM dispositions d JOIN lots l ON l.id = d.lot JOIN pieces p ON p.lot = l.id
    JOIN piece_marks m ON m.piece = p.id AND m.seq = d.seq
    JOIN verdicts v ON v.id = (SELECT max(y.id) FROM verdicts y JOIN cycles c ON c.id = y.cycle
        WHERE c.piece = p.id AND y.seq < d.seq)
    WHERE d.action <> 're-measure' OR d.piece IS NULL""",
    """CREATE VIEW lot_balance AS  -- does in = out; until it is closed, by the books
    SELECT t.*, CASE WHEN t.closed_utc IS NULL THEN t.quantity - t.begun - t.set_aside
            ELSE t.left_at_closing END AS unmeasured,
        t.accounted - t.quantity AS difference
    FROM (SELECT l.bench, l.code AS lot, l.quantity, l.opened_utc AS at_utc, e.closed_utc,
            count(s.piece) - coalesce(sum(s.status = 'replaced'), 0) AS begun,
            coalesce(sum(s.status = 'put-away'), 0) AS put_away,
            coalesce(sum(s.status = 'nonconforming'), 0) AS nonconforming,
            coalesce(sum(s.status = 'hold'), 0) AS hold,
            coalesce(sum(s.status = 'abandoned'), 0) AS abandoned,
            coalesce(sum(s.status = 'released'), 0) AS released,
            coalesce(sum(s.status = 'scrapped'), 0) AS scrapped,
            coalesce(sum(s.status = 'concession'), 0) AS concession,
            coalesce(sum(s.status IN ('pending', 'in-work')), 0) AS in_hand,
            (SELECT coalesce(sum(f.pieces), 0) FROM visual_findings f WHERE f.lot = l.id)
                AS set_aside,
            json_extract(e.counts, '$.unmeasured') AS left_at_closing,
            (SELECT sum(j.value) FROM json_each(e.counts) j) AS accounted,
            coalesce(e.reason, '') AS closed_because
        FROM lots l LEFT JOIN piece_status s ON s.lot = l.id
        LEFT JOIN lot_ends e ON e.lot = l.id GROUP BY l.id) t""",
)
"""Laid anew where decisions on pieces are recorded; the views of these names go first."""

GRADED_WITH = (
    "DROP VIEW graded_with",
    f"""CREATE VIEW graded_with AS  -- which verdicts rest on which instrument
    SELECT DISTINCT l.bench, o.indicator AS instrument, l.code AS lot, p.number AS piece,
        c.number AS cycle, v.grade, v.at_utc, v.clock_synced
    FROM clamping_positions o JOIN clampings k ON k.id = o.clamping
    JOIN verdicts v ON v.cycle = k.cycle {_OF}
    UNION ALL
    SELECT l.bench, u.value, l.code, p.number, c.number, v.grade, v.at_utc, v.clock_synced
    FROM verdicts v {_OF}, json_each(json_array(l.holder, l.torque_tool)) u
    WHERE u.value <> ''
    UNION ALL
    SELECT l.bench, j.value, l.code, p.number, c.number, v.grade, v.at_utc, v.clock_synced
    FROM verdicts v {_OF}, json_each(l.pins) j
    UNION  -- masters of the good checks on both sides of it
    SELECT l.bench, k.master, l.code, p.number, c.number, v.grade, v.at_utc, v.clock_synced
    FROM verdicts v {_OF} JOIN checks k ON k.bench = l.bench AND k.seq IN (
        (SELECT max(x.seq) FROM checks x WHERE x.bench = l.bench AND x.kind = k.kind
            AND x.result = 'good' AND x.seq < v.seq),
        (SELECT min(x.seq) FROM checks x WHERE x.bench = l.bench AND x.kind = k.kind
            AND x.result = 'good' AND x.seq > v.seq))
    WHERE v.checks_asked <> ''""",
)
"""Laid anew: torque tools and masters are instruments as well."""

WHERE_IT_LIES = (
    """CREATE VIEW piece_boxes AS  -- where each piece lies that was put away, and not taken out
    SELECT l.bench, l.code AS lot, s.number AS piece, a.bin, coalesce(b.label, '') AS box,
        coalesce(p.tray_cell, '') AS cell, s.status, s.grade, a.at_utc
    FROM piece_status s JOIN lots l ON l.id = s.lot JOIN pieces p ON p.id = s.piece
    JOIN put_aways a ON a.id = (SELECT max(x.id) FROM put_aways x
        JOIN cycles c ON c.id = x.cycle WHERE c.piece = s.piece AND x.is_right = 1)
    LEFT JOIN boxes b ON b.id = a.box
    WHERE NOT EXISTS (SELECT 1 FROM piece_marks m WHERE m.piece = s.piece AND m.seq > a.seq
        AND (m.status IN ('re-measure', 'replaced', 'scrapped')
            OR (m.status = 'regraded' AND m.is_put_away = 0)))""",
    """CREATE VIEW last_good_checks AS  -- of each bench and kind of master check
    SELECT k.bench, k.kind, coalesce(l.code, '') AS lot, k.figures, k.role, k.at_utc,
        k.clock_synced, k.master, json_extract(f.value, '$.position') AS position,
        json_extract(f.value, '$.reading_nm') / 1000.0 AS reading_um,
        json_extract(f.value, '$.low_nm') / 1000.0 AS low_um,
        json_extract(f.value, '$.high_nm') / 1000.0 AS high_um
    FROM checks k LEFT JOIN lots l ON l.id = k.lot LEFT JOIN json_each(k.figures) f
    WHERE k.seq = (SELECT max(x.seq) FROM checks x
        WHERE x.bench = k.bench AND x.kind = k.kind AND x.result = 'good')""",
)
"""Laid anew: a piece in hand or scrapped lies in no box, and a check says what it read."""
