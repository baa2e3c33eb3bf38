"""Every verdict of a store against the rule file's text, by the oracle."""

from pathlib import Path

from tests.system.oracle import Known, RuleText
from tests.system.record_reader import clampings, verdicts
from tests.system.shop import RULES, SCENARIO


def check_verdicts(store: Path) -> int:
    """Check every verdict of a store; return how many there are.

    Each is what the rule file says of the clampings of its cycle, and not one clamping more
    was asked for than settled it.
    """
    of_cycle: dict[tuple[str, int, int], list[Known]] = {}
    for k in clampings(store):
        known = of_cycle.setdefault((k["bench"], k["piece"], k["cycle"]), [])
        known.append((k["tir_nm"], k["seen_nm"]))
    found = verdicts(store)
    for v in found:
        rules = RuleText(SCENARIO / RULES[v["bench"]])
        told = of_cycle[v["bench"], v["piece"], v["cycle"]]
        said = rules.settled(told)
        assert said is not None, f"{v}: not settled by exactly these clampings: {told}"
        assert (v["grade"], v["bin"]) == (said.grade, said.bin), (v, told)
    return len(found)
