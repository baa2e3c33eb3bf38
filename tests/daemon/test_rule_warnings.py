"""``check`` on rule files: each warning a metrologist would give, shown and gone again."""

from collections.abc import Callable
from pathlib import Path

import pytest

from daemon.bench_warnings import warnings_of
from daemon.config import load
from tests.daemon.measured import Bench, measured

Make = Callable[..., Path]

TOP = 'limit_um = 4.0\nguard_um = 0.8\nclampings = 3\nbin = "1"'
ORDINARY = 'limit_um = 12.0\nclampings = 1\nbin = "2"'
REST = 'plan = "sample"'
U = "\n[uncertainty]\nexpanded_um = {}\n"
LOT = 'quantity = 120\norder = { "grade-1" = 36 }'

Rules = tuple[tuple[str, str], ...]


def warned(make: Make, *rules: tuple[str, str], more: str = "", bench: Rules = ()) -> list[str]:
    """Return the warnings about bench b1 with texts of its rule file replaced."""
    path = make(*bench)
    file = path.parent / "mr-10-med.rules.toml"
    text = file.read_text(encoding="utf-8")
    for old, new in rules:
        assert old in text
        text = text.replace(old, new)
    file.write_text(text + more, encoding="utf-8")
    found = warnings_of(load(path))
    return [line.removeprefix("bench b1: ") for line in found if line.startswith("bench b1: ")]


BY_PLACE = 'position.far = { limit_um = 4.0, guard_um = 2.5 }\nclampings = 3\nbin = "1"'
TIGHT = (TOP, TOP.replace("4.0", "0.9").replace("0.8", "0.1"))

# One row: the warning, the edit that brings it, and one close by that does not.
ROWS: dict[str, tuple[str, tuple[Rules, str], tuple[Rules, str]]] = {
    "guard band above half the limit": (
        "grade-1: its guard band is above half its limit",
        (((TOP, TOP.replace("0.8", "2.001")),), ""),
        (((TOP, TOP.replace("0.8", "2.000")),), ""),
    ),
    "guard band above half the limit of a position": (
        "grade-1 at far: its guard band is above half its limit",
        (((TOP, BY_PLACE),), ""),
        (((TOP, BY_PLACE.replace("2.5", "2.0")),), ""),
    ),
    "guard band below one step": (
        "grade-1: its guard band is below one step of the indicator",
        (((TOP, TOP.replace("0.8", "0.099")),), ""),
        (((TOP, TOP.replace("0.8", "0.1")),), ""),
    ),
    "step above a tenth of the limit": (
        "indicator IND-21: its step is above a tenth of the tightest limit 0.9 µm; a clamping "
        "near the limit is a matter of one step",
        ((TIGHT,), ""),
        (((TOP, TOP.replace("4.0", "1.0").replace("0.8", "0.1")),), ""),
    ),
    "step above the share the file sets": (
        "indicator IND-21: its step is above 2 % of the tightest limit 4.0 µm; a clamping "
        "near the limit is a matter of one step",
        ((), "\n[resolution]\nwarn_percent = 2\n"),
        ((), "\n[resolution]\nwarn_percent = 3\n"),
    ),
    "limit not above the uncertainty": (
        "grade-1: its limit is not above the expanded uncertainty U = 4.0 µm: no reading "
        "proves it",
        ((), U.format(4)),
        ((), U.format(3.999)),
    ),
    "limits closer than the uncertainty": (
        "grade-2: its limit is 8.0 µm above that of grade-1, closer than the expanded "
        "uncertainty U = 8.001 µm: a reading can't tell the two grades",
        ((), U.format(8.001)),
        ((), U.format(8)),
    ),
    "limits closer than the uncertainty at a position": (
        "grade-2 at far: its limit is 0.5 µm above that of grade-1, closer than the expanded "
        "uncertainty U = 0.6 µm: a reading can't tell the two grades",
        (
            (
                (TOP, BY_PLACE.replace("2.5", "0.5")),
                (ORDINARY, 'position.far = { limit_um = 4.5 }\nbin = "2"'),
            ),
            U.format(0.6),
        ),
        (
            (
                (TOP, BY_PLACE.replace("2.5", "0.5")),
                (ORDINARY, 'position.far = { limit_um = 4.6 }\nbin = "2"'),
            ),
            U.format(0.6),
        ),
    ),
    "ordinary grade from one clamping": (
        "grade-2: graded by one clamping, which can hide the holder's whole run-out; the "
        "master's TIR has to be at most 1.2 µm, or give it a guard band of that TIR",
        ((), ""),
        (((ORDINARY, ORDINARY.replace("clampings = 1", "clampings = 3")),), ""),
    ),
    "the same with a guard band": (
        "grade-2: graded by one clamping, which can hide the holder's whole run-out; the "
        "master's TIR has to be at most 1.2 µm, or give it a guard band of that TIR",
        ((), ""),
        (((ORDINARY, "guard_um = 1.2\n" + ORDINARY),), ""),
    ),
}


@pytest.mark.parametrize("name", ROWS)
def test_a_doubtful_rule_is_named_and_a_sound_one_is_not(name: str, bench_folder: Make) -> None:
    warning, (shows, shown_more), (hides, hidden_more) = ROWS[name]
    assert warning in warned(bench_folder, *shows, more=shown_more)
    assert warning not in warned(bench_folder, *hides, more=hidden_more)


def rest(said: list[str]) -> list[str]:
    return [line for line in said if line.startswith("rest: ")]


class TestPlanOfTheRest:
    """Lots that the plan can never be satisfied by."""

    def test_a_sample_that_takes_the_whole_rest(self, bench_folder: Make) -> None:
        """LQ 10 % of 10 pieces is one piece: only all ten are sure to find it at 5 %."""
        small = ((LOT, LOT.replace("120", "46")),)
        strict = ("consumers_risk = 0.10", "consumers_risk = 0.05")
        assert rest(warned(bench_folder, strict, bench=small)) == [
            "rest: plan sample can never be satisfied by a lot of 46: of at most 10 unmeasured "
            "pieces the sample is 10, all of them; nothing is left to prove 0.1 of at a risk "
            "of 0.05"
        ]
        assert rest(warned(bench_folder, strict)) == []

    def test_measured_pieces_that_never_suffice(self, bench_folder: Make) -> None:
        """LQ 1 % of 60 allows no piece: nothing short of all of them excludes one at 1 %."""
        measured = (REST, 'plan = "measured"')
        strict = (
            ("limiting_quality = 0.10", "limiting_quality = 0.01"),
            ("consumers_risk = 0.10", "consumers_risk = 0.01"),
        )
        small = ((LOT, LOT.replace("120", "60")),)
        assert rest(warned(bench_folder, measured, *strict, bench=small)) == [
            "rest: plan measured can never be satisfied by a lot of 60: only measuring every "
            "piece proves 0.01 at a risk of 0.01"
        ]
        assert rest(warned(bench_folder, measured, bench=small)) == []

    def test_of_two_looks_each_has_half_the_risk(self, bench_folder: Make) -> None:
        """LQ 20 % of a lot of 2: one good piece leaves 2 bad ones at 0 %, 1 bad at 50 %."""
        measured = (REST, 'plan = "measured"\nfurther = 1')
        strict = (
            ("limiting_quality = 0.10", "limiting_quality = 0.20"),
            ("consumers_risk = 0.10", "consumers_risk = 0.60"),
        )
        pair = ((LOT, 'quantity = 2\norder = { "grade-1" = 1 }'),)
        assert len(rest(warned(bench_folder, measured, *strict, bench=pair))) == 1
        one_look = (REST, 'plan = "measured"')
        assert rest(warned(bench_folder, one_look, *strict, bench=pair)) == []

    def test_an_aql_plan_that_takes_the_whole_rest(self, bench_folder: Make) -> None:
        """MIL-STD-105E: 10 pieces are letter B, AQL 1.0 leads down to E: 13 of them."""
        tail = (
            'plan = "sample"\nlimiting_quality = 0.10\nconsumers_risk = 0.10',
            'plan = "aql"\nedition = "mil-std-105e-1989"\naql = 1.0',
        )
        small = ((LOT, LOT.replace("120", "46")),)
        assert rest(warned(bench_folder, tail, bench=small)) == [
            "rest: plan aql can never be satisfied by a lot of 46: of at most 10 unmeasured "
            "pieces the sample is 10, all of them; nothing is left to judge"
        ]
        assert rest(warned(bench_folder, tail)) == []

    def test_a_lot_that_nobody_counted_is_not_judged(self, bench_folder: Make) -> None:
        uncounted = (("quantity = 120\n", ""), ("cells = 120\n", ""))
        strict = ("consumers_risk = 0.10", "consumers_risk = 0.0001")
        assert rest(warned(bench_folder, strict, bench=uncounted)) == []


HOLDER = '[bench.holder]\nshare_limit_um = {}\n\n[bench.lot]\ncode = "W-2611-A"'


@pytest.mark.parametrize(
    ("share_um", "guard", "is_told"),
    [("1.2", "", False), ("1.3", "", True), ("1.5", "guard_um = 1.5\n", False),
     ("1.6", "guard_um = 1.5\n", True)],
)  # fmt: skip
def test_a_holder_that_may_add_more_than_one_clamping_bears(
    bench_folder: Make, share_um: str, guard: str, is_told: bool
) -> None:
    lot = ('[bench.lot]\ncode = "W-2611-A"', HOLDER.format(share_um))
    said = warned(bench_folder, (ORDINARY, guard + ORDINARY), bench=(lot,))
    told = [line for line in said if line.startswith("holder.share_limit_um: the holder may")]
    assert bool(told) == is_told
    assert all(f"may add {share_um} µm" in line for line in told)


@pytest.mark.parametrize(("holder_um", "is_told"), [(0.2, False), (2.0, True)])
def test_a_holder_that_is_too_large_by_the_record(
    bench_folder: Make, holder_um: float, is_told: bool
) -> None:
    shop = measured(bench_folder(), 40, kind=Bench(holder_um=complex(holder_um)))
    said = [line for line in warnings_of(shop.config) if "given from one clamping" in line]
    assert bool(said) == is_told
    if is_told:
        assert said[0].startswith(
            "bench b1: a grade is given from one clamping, and by the record "
            "the holder's share is "
        )
        assert "limit 1.2 µm: position far, 40 first clampings" in said[0]


def test_a_warning_names_its_article_where_the_file_has_several(bench_folder: Make) -> None:
    path = bench_folder()
    file = path.parent / "mr-10-med.rules.toml"
    text = file.read_text(encoding="utf-8")
    start, end = text.index("[[grade]]"), text.index("[nonconforming]")
    grades = text[start:end].replace("[[grade]]", "[[article.grade]]")
    two = "".join(f'[[article]]\nid = "{name}"\n{grades}' for name in ("MR-10-MED", "OTHER"))
    file.write_text(text[:start] + two + text[end:], encoding="utf-8")
    said = [line for line in warnings_of(load(path)) if "graded by one clamping" in line]
    assert [line.split(": ")[1] for line in said if line.startswith("bench b1")] == [
        "article MR-10-MED", "article OTHER",
    ]  # fmt: skip
