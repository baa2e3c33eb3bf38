"""``reclamp check`` and ``reclamp explain``: answers, exit codes, JSON."""

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from daemon.cli import app
from rules.length import um_text

Make = Callable[..., Path]

FINE, ANSWER_IS_NO, WRONG_USE = 0, 1, 2

RULES = """
revision = "7"
[[grade]]
id = "top"
limit_um = 5
clampings = 3
bin = "1"
[[grade]]
id = "ordinary"
limit_um = 10
clampings = 1
bin = "2"
[nonconforming]
bin = "N"
[hold]
bin = "H"
"""


def reclamp(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture
def rules(tmp_path: Path) -> Path:
    path = tmp_path / "rules.toml"
    path.write_text(RULES, encoding="utf-8")
    return path


def explained(rules: Path, *tirs: str) -> dict[str, Any]:
    result = reclamp("explain", rules, *tirs, "--json")
    answer: dict[str, Any] = json.loads(result.stdout)
    assert result.exit_code == (ANSWER_IS_NO if answer["grade"] is None else FINE)
    return answer


class TestTheTradesFacts:
    """Limits 5 and 10 µm, three clampings (common practice, no source)."""

    @pytest.mark.parametrize(
        ("tirs", "grade", "bin_id"),
        [
            (("4.9", "5.0", "5.0"), "top", "1"),
            (("4.9", "5.0", "5.1"), "ordinary", "2"),
            (("5.1", "4.9", "5.0"), "ordinary", "2"),
            (("10.0",), "ordinary", "2"),
            (("10.1",), None, "N"),
            (("4.9", "5.0", "10.1"), None, "N"),
        ],
    )
    def test_three_clampings_give_the_grade_the_trade_gives(
        self, tirs: tuple[str, ...], grade: str | None, bin_id: str, rules: Path
    ) -> None:
        answer = explained(rules, *tirs)
        assert (answer["grade"], answer["bin"]) == (grade, bin_id)

    @pytest.mark.parametrize(
        ("tir", "grade"),
        [
            ("5.0799", "top"),
            ("5.08", "top"),
            ("5.081", "ordinary"),
            ("10.16", "ordinary"),
            ("10.161", None),
        ],
    )
    def test_limits_in_inch_are_exact_to_the_nanometre(
        self, tir: str, grade: str | None, tmp_path: Path
    ) -> None:
        """0.0002 in is 5.08 µm, 0.0004 in is 10.16 µm: 1 in = 25.4 mm exactly (1959)."""
        text = RULES.replace("limit_um = 5\n", "limit_in = 0.0002\n")
        text = text.replace("limit_um = 10\n", "limit_in = 0.0004\n")
        path = tmp_path / "inch.toml"
        path.write_text(text, encoding="utf-8")
        if tir == "5.0799":
            result = reclamp("explain", path, tir)
            assert result.exit_code == WRONG_USE  # finer than a nanometre: refused, not rounded
            return
        answer = explained(path, tir, tir, tir)
        assert answer["grade"] == grade


def test_each_clamping_is_answered_with_its_tir_result_and_what_it_meets(rules: Path) -> None:
    answer = explained(rules, "4.9", "5.1", "invalid", "10.1")
    assert answer["clampings"] == [
        {"tir_um": 4.9, "result": "within", "meets": ["top", "ordinary"]},
        {"tir_um": 5.1, "result": "within", "meets": ["ordinary"]},
        {"tir_um": None, "result": "invalid", "meets": []},
        {"tir_um": 10.1, "result": "beyond", "meets": []},
    ]
    assert answer["reason"] == "10.1 µm is above the last tolerance limit 10.0 µm"
    assert answer["settled_by_clamping"] == 2
    assert answer["rules"]["revision"] == "7"


def test_the_decision_rule_is_stated_with_both_limits(rules: Path) -> None:
    text = rules.read_text().replace("limit_um = 5\n", "limit_um = 5\nguard_um = 0.8\n")
    rules.write_text(text)
    answer = explained(rules, "4.2", "4.2", "4.2")
    assert answer["grade"] == "top"
    assert answer["decision_rule"] == [
        {
            "grade": "top",
            "rule": "guarded-acceptance",
            "tolerance_limit_um": 5.0,
            "acceptance_limit_um": 4.2,
        },
        {
            "grade": "ordinary",
            "rule": "simple-acceptance",
            "tolerance_limit_um": 10.0,
            "acceptance_limit_um": 10.0,
        },
    ]


def test_a_set_that_settles_nothing_asks_for_more(rules: Path) -> None:
    answer = explained(rules, "4.9", "invalid")
    assert (answer["grade"], answer["bin"]) == (None, None)
    assert answer["reason"] == "no verdict yet: top needs 2 more clampings"
    answer = explained(rules, "4.9", "4.9")
    assert answer["reason"] == "no verdict yet: top needs 1 more clamping"


def test_too_many_invalid_clampings_are_a_hold(rules: Path) -> None:
    answer = explained(rules, "invalid", "invalid", "invalid")
    assert (answer["grade"], answer["bin"]) == (None, "H")
    assert answer["reason"] == "3 clampings without a result"


def test_of_several_positions_the_largest_decides(rules: Path) -> None:
    answer = explained(rules, "face=3.1,far=6.0")
    assert answer["clampings"][0]["tir_um"] == 6.0
    assert answer["grade"] == "ordinary"


BY_PLACE = "position = { face = { limit_um = 3, guard_um = 0.5 }, far = { limit_um = 5 } }"


class TestPositions:
    """Each position has a limit of its own: near the face 3 − 0.5, at a distance 5 µm."""

    @pytest.fixture
    def by_place(self, rules: Path) -> Path:
        rules.write_text(RULES.replace("limit_um = 5", BY_PLACE), encoding="utf-8")
        return rules

    @pytest.mark.parametrize(
        ("tir", "grade", "deciding"),
        [
            ("face=2.5,far=5.0", "top", 5.0),
            ("far=5.0,face=2.501", "ordinary", 2.501),
            ("face=2.5,far=5.001", "ordinary", 5.001),
        ],
    )
    def test_every_position_has_to_meet_its_own_limit(
        self, tir: str, grade: str, deciding: float, by_place: Path
    ) -> None:
        answer = explained(by_place, tir, tir, tir)
        assert (answer["grade"], answer["clampings"][0]["tir_um"]) == (grade, deciding)
        assert set(answer["clampings"][0]["positions"]) == {"face", "far"}
        said = reclamp("explain", by_place, tir).stdout
        assert (
            "  top at face: guarded-acceptance, tolerance limit 3 µm, acceptance limit 2.5 µm"
        ) in said.splitlines()

    @pytest.mark.parametrize("tir", ["3.1", "face=3.1", "face=1,far=2,back=3"])
    def test_a_clamping_without_one_of_them_is_refused(self, tir: str, by_place: Path) -> None:
        result = reclamp("explain", by_place, tir)
        assert result.exit_code == WRONG_USE
        assert result.stderr == (
            f"{tir!r}: accepted is a TIR at each position the file limits: face=TIR,far=TIR\n"
        )

    def test_plan_and_risk_are_those_of_one_position(self, by_place: Path) -> None:
        refused = reclamp("explain", by_place, "--plan")
        assert refused.exit_code == WRONG_USE
        assert refused.stderr == "--position: got None; accepted are face, far\n"
        result = reclamp("explain", by_place, "--plan", "--position", "face", "--json")
        assert json.loads(result.stdout)["plan"]["acceptance_um"] == 2.5


class TestArticles:
    """One rule file for several articles."""

    @pytest.fixture
    def two(self, rules: Path) -> Path:
        start, end = RULES.index("[[grade]]"), RULES.index("[nonconforming]")
        grades = RULES[start:end].replace("[[grade]]", "[[article.grade]]")
        wide = grades.replace("limit_um = 5", "limit_um = 7")
        tables = f'[[article]]\nid = "A"\n{grades}[[article]]\nid = "B"\n{wide}'
        rules.write_text(RULES[:start] + tables + RULES[end:], encoding="utf-8")
        return rules

    def test_the_article_s_own_limits_decide(self, two: Path) -> None:
        for name, grade in (("A", "ordinary"), ("B", "top")):
            answer = explained(two, "6.0", "6.0", "6.0", "--article", name)
            assert (answer["grade"], answer["article"]) == (grade, name)

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            ((), "--article: the rule file has several; accepted are A, B\n"),
            (("--article", "C"), "--article: no article 'C'; accepted are A, B\n"),
        ],
    )
    def test_another_article_is_refused_with_those_there_are(
        self, words: tuple[str, ...], said: str, two: Path
    ) -> None:
        result = reclamp("explain", two, "6.0", *words)
        assert (result.exit_code, result.stderr) == (WRONG_USE, said)


def test_the_uncertainty_of_the_file_is_what_the_risk_is_told_for(rules: Path) -> None:
    rules.write_text(RULES + "[uncertainty]\nexpanded_um = 0.6\n", encoding="utf-8")
    result = reclamp("explain", rules, "--risk", "--json")
    assert json.loads(result.stdout)["risk"]["expanded_um"] == 0.6
    result = reclamp("explain", rules, "--risk", "--expanded-um", "0.4", "--json")
    assert json.loads(result.stdout)["risk"]["expanded_um"] == 0.4


@pytest.mark.parametrize("tir", ["0", "0.001", "4.999", "5.000", "12345.678"])
def test_the_text_shows_every_digit_that_decides(tir: str, rules: Path) -> None:
    nm = round(float(tir) * 1000)
    said = reclamp("explain", rules, tir).stdout
    assert f"clamping 1  {um_text(nm):>5} µm" in said


def test_the_text_says_grade_bin_and_reason(rules: Path) -> None:
    said = reclamp("explain", rules, "5.1", "4.0").stdout.splitlines()
    assert said[:3] == [
        "grade   ordinary",
        "bin     2",
        "reason  2 clampings, largest 5.1 µm, acceptance limit 10.0 µm",
    ]
    assert said[-1] == "  at the bench clamping 1 would have settled it; the rest is extra"


@pytest.mark.parametrize(
    "tir",
    ["4,9", "nan", "inf", "1e400", "four", "", "-1", "face=3,4", "face=3,face=4", "=3", "face=",
     "0.0001", "5 µm", "Invalid"],
)  # fmt: skip
def test_what_is_no_tir_is_refused_with_what_is_accepted(tir: str, rules: Path) -> None:
    result = reclamp("explain", rules, "--", tir)
    assert result.exit_code == WRONG_USE
    assert result.stdout == ""
    assert result.stderr.startswith(f"{tir!r}: ")
    assert "accepted is a TIR" in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_a_faulty_rule_file_is_told_fault_by_fault(rules: Path) -> None:
    rules.write_text(RULES.replace("limit_um = 10", "limit_um = 4").replace('"7"', "7"))
    result = reclamp("explain", rules, "1")
    assert result.exit_code == WRONG_USE
    assert result.stderr.splitlines() == [
        f"{rules}: revision: got 7; Input should be a valid string",
        f"{rules}: grade.1.limit_um: grades stand best first; "
        "accepted is a limit above that of grade.0 (top)",
        "2 faults",
    ]


class TestCheck:
    def test_a_good_file_is_fine_and_its_warnings_alone_are_too(
        self, bench_folder: Make
    ) -> None:
        path = bench_folder()
        result = reclamp("check", path)
        assert result.exit_code == FINE
        *warnings, last = result.stdout.splitlines()
        assert last == f"{path}: no faults, {len(warnings)} warnings; benches: b1, b2"
        assert all(line.startswith("warning: ") for line in warnings)
        assert result.stderr == ""

    def test_faults_are_exit_2_one_a_line_and_counted(self, bench_folder: Make) -> None:
        path = bench_folder(("b2.port", "b1.port"), ('name = "millrace"', ""))
        result = reclamp("check", path)
        assert result.exit_code == WRONG_USE
        assert result.stdout == ""
        assert result.stderr.splitlines() == [
            f"{path}: site.name: missing; accepted is a text",
            f"{path}: line.1.port: 'b1.port' is the port of line.0 as well; "
            "accepted is one line a port",
            "2 faults",
        ]

    def test_json_holds_faults_or_warnings_and_the_revisions(self, bench_folder: Make) -> None:
        good = reclamp("check", bench_folder(), "--json")
        answer = json.loads(good.stdout)
        assert good.exit_code == FINE
        assert answer["faults"] == []
        assert answer["rules"] == {"b1": "7", "b2": "3"}
        assert len(answer["warnings"]) > 0
        bad = reclamp("check", bench_folder(("b2.port", "b1.port")), "--json")
        assert bad.exit_code == WRONG_USE
        assert [line.split(": ")[1] for line in json.loads(bad.stdout)["faults"]] == [
            "line.1.port"
        ]

    def test_a_driver_file_that_exits_is_a_fault_and_not_the_end_of_the_check(
        self, bench_folder: Make, tmp_path: Path
    ) -> None:
        (tmp_path / "mine.py").write_text("import sys; sys.exit(0)")
        path = bench_folder(('driver = "ascii-line"', 'driver = "mine.py:make"'))
        result = reclamp("check", path)
        assert result.exit_code == WRONG_USE
        assert "line.0.driver: no driver 'mine.py:make' that loads" in result.stderr

    def test_a_file_that_is_not_there_is_exit_2(self, tmp_path: Path) -> None:
        result = reclamp("check", tmp_path / "none.toml")
        assert result.exit_code == WRONG_USE
        assert result.stderr.splitlines() == [
            f"{tmp_path}/none.toml: No such file or directory",
            "1 fault",
        ]


class TestWarnings:
    """What is allowed and still worth a look; each row is one line that comes or goes."""

    @pytest.mark.parametrize(
        ("replacement", "warning"),
        [
            (
                ("projection_mm = 25\nstep_um = 0.1", "projection_mm = 25\nstep_um = 0.5"),
                "bench b1: indicator IND-21: its step is above a tenth of the tightest limit "
                "4.0 µm; a clamping near the limit is a matter of one step",
            ),
            (
                ("mqtt://127.0.0.1:1883", "mqtt://broker.mill"),
                "mqtt.url: broker.mill:1883 is not this machine and mqtt:// is not encrypted: "
                "who can write there can falsify the sorting",
            ),
            (
                ("[mqtt]", '[mqtt]\npassword_file = "secret"'),
                "mqtt.password_file: there is no file {folder}/secret on this machine",
            ),
            (
                ('"millrace.db"', '"none/b.db"'),
                "store.path: there is no folder {folder}/none on this machine",
            ),
            (
                ('turning = "driven"\nproof = "index"',
                 'turning = "driven"\nproof = "speed"\nturn_s = 3\nspeed_tolerance_percent=8'),
                "bench b1: capture: a speed known to no better than 5 % refuses good collets "
                "for closure",
            ),
            (
                ('turning = "driven"\nproof = "index"',
                 'turning = "driven"\nproof = "speed"\nturn_s = 3\nrun_contact = true'),
                "bench b1: capture: by its known speed a turn is as whole as the spindle is "
                "steady: one that swings by more than 5 % within a turn refuses good collets; "
                "an index is better",
            ),
            (
                ('port = "b2.port"', 'port = "b2.port"\nanswer_wait_s = 1'),
                "line usb2: one missed answer takes up to 2.05 s, and the indicator is lost "
                "after silent_s = 1.5",
            ),
            (
                ("projection_mm = 25\nstep_um = 0.1\nwindow_um = [-400, 400]",
                 "projection_mm = 25\nstep_um = 0.1"),
                "bench b1: indicator IND-21: without window_um a lifted stylus is seen only "
                "where the indicator itself says over-range",
            ),
        ],
    )  # fmt: skip
    def test_a_doubtful_choice_is_named(
        self, replacement: tuple[str, str], warning: str, bench_folder: Make, tmp_path: Path
    ) -> None:
        before = json.loads(reclamp("check", bench_folder(), "--json").stdout)["warnings"]
        result = reclamp("check", bench_folder(replacement), "--json")
        after = json.loads(result.stdout)["warnings"]
        assert result.exit_code == FINE
        assert set(after) - set(before) >= {warning.replace("{folder}", str(tmp_path))}

    def test_finished_values_that_are_asked_for_again_and_again_are_named(
        self, bench_folder: Make
    ) -> None:
        path = bench_folder(
            (
                'mode = "sweep"\nturning = "driven"\nproof = "speed"\nturn_s = 2.4',
                'mode = "single-value"\nloosening = "not-observed"',
            )
        )
        warnings = json.loads(reclamp("check", path, "--json").stdout)["warnings"]
        assert (
            "line usb2: its indicator is asked again and again, and every answer would be "
            "taken as the finished value of a clamping" in warnings
        )


class TestAsAProcess:
    """The command as a shop runs it: another process, its own exit code and streams."""

    @staticmethod
    def run(*words: object) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "daemon.cli", *map(str, words)]
        return subprocess.run(command, capture_output=True, text=True, timeout=60)

    def test_explain_and_check_end_as_the_contract_says(
        self, bench_folder: Make, rules: Path
    ) -> None:
        good = self.run("explain", rules, "4.9", "5.0", "5.0", "--json")
        assert (good.returncode, json.loads(good.stdout)["grade"]) == (FINE, "top")
        assert self.run("explain", rules, "10.1").returncode == ANSWER_IS_NO
        bad = self.run("check", bench_folder(("b2.port", "b1.port")))
        assert (bad.returncode, bad.stdout) == (WRONG_USE, "")
        assert "line.1.port" in bad.stderr
        assert "Traceback" not in bad.stderr

    def test_wrong_use_is_exit_2(self) -> None:
        assert self.run("explain").returncode == WRONG_USE
        assert self.run("chekc", "bench.toml").returncode == WRONG_USE

    def test_a_service_that_can_not_lock_its_store_is_exit_3_with_one_line(
        self, bench_folder: Make
    ) -> None:
        path = bench_folder(('"millrace.db"', '"/proc/none/b.db"'))
        result = self.run("run", path)
        assert result.returncode == 3
        assert result.stderr.startswith("/proc/none/b.db: can't lock it: ")
        assert len(result.stderr.splitlines()) == 1

    def test_a_command_without_a_running_service_is_exit_3_and_says_where_it_looked(
        self, bench_folder: Make, tmp_path: Path
    ) -> None:
        result = self.run("lot", "show", "--config", bench_folder())
        assert result.returncode == 3
        assert f"no service answers at {tmp_path}/millrace.db.socket" in result.stderr
        assert result.stderr.rstrip().endswith("start 'reclamp run'")


@pytest.mark.parametrize(("mode", "is_told"), [(0o600, False), (0o640, False), (0o644, True)])
def test_a_password_that_everybody_can_read_is_told(
    mode: int, is_told: bool, bench_folder: Callable[..., Path]
) -> None:
    path = bench_folder(("[mqtt]", '[mqtt]\npassword_file = "secret"'))
    secret = path.with_name("secret")
    secret.write_text("hidden\n", encoding="ascii")
    secret.chmod(mode)
    warnings = json.loads(reclamp("check", path, "--json").stdout)["warnings"]
    told = [text for text in warnings if "everybody" in text]
    said = f"mqtt.password_file: everybody on this machine can read {secret}; "
    assert told == ([f"{said}chmod 600 keeps the secret"] if is_told else [])
