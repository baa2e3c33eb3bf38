"""The andon page: every bench on a broker, live in a browser, read-only.

    broker ─messages→ inbox ─heard→ shop ─patches→ server → browser (static/)

``inbox`` decides what is ours and readable, ``bench_view`` and ``shop`` what is true now (pure,
time as an argument), ``feed`` keeps the connection, ``server`` and ``serving`` speak HTTP.
"""
