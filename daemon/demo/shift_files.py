"""The bench file of the demo's shift: two benches of the scenario, with masters."""

from daemon.demo.shift_plan import (
    BOX_QUANTITY,
    CHIP,
    CRANE,
    CUT_SHORT,
    IN_INCH,
    NORTH,
    NOT_LOOSENED,
    ORDERED,
    QUANTITY,
    WRONG_BIN,
)
from daemon.demo.stage import Stage, start_bench, start_service, wait_for_lines

__all__ = ["lay_out_shift", "start_crane_bench", "start_shift"]

_CHECK = """[bench.check]

[[bench.check.master]]
id = "MM-1"
subject = "solid-mandrel"
tir_um = 0.1
uncertainty_um = 0.1

[[bench.check.master]]
id = "{id}"
subject = "eccentric-master"
tir_um = {tir_um}
uncertainty_um = 0.1

[bench.put_away]
identity = "{identity}"

"""
"""The simulated bench's two masters; the demo's other scenes go without."""

_FIRST_BIN = '[[bench.bin]]\nid = "1"'
# Slower than this a sensitivity check believes 120 %; the drive takes 2.4 s a turn.
_FASTEST = ("fastest_turn_s = 2.0", "fastest_turn_s = 2.2\nsamples_min = 12")

_CHANGES = {
    NORTH: (
        ("quantity = 120", f"quantity = {QUANTITY}"),
        ("cells = 120", f"cells = {QUANTITY}"),
        ('{ "grade-1" = 36 }', f'{{ "grade-1" = {ORDERED} }}'),
        _FASTEST,
        (_FIRST_BIN, _CHECK.format(id="EM-1", tir_um=5.1, identity="tray") + _FIRST_BIN),
    ),
    CRANE: (
        ("quantity = 60", f"quantity = {BOX_QUANTITY}"),
        ("cells = 60\n", ""),
        ('{ "grade-1" = 30 }', f'{{ "grade-1" = {BOX_QUANTITY} }}'),
        _FASTEST,
        (_FIRST_BIN, _CHECK.format(id="EM-2", tir_um=8.0, identity="box") + _FIRST_BIN),
    ),
}
_OTHERS = 'id = "b3"', 'id = "usb3"'


def lay_out_shift(stage: Stage) -> None:
    """Leave two benches in the file, with small lots and small orders."""
    path = stage.folder / "bench.toml"
    head, *parts = path.read_text(encoding="utf-8").split("\n[[")
    kept, is_ours = [head], True
    for part in parts:
        if part.startswith(("line]]", "bench]]")):
            is_ours = not any(other in part for other in _OTHERS)
        if is_ours:
            kept.append(part)
    text = "\n[[".join(kept)
    north, mark, crane = text.partition(f'[[bench]]\nid = "{CRANE}"')
    text = _changed(north, NORTH) + _changed(mark + crane, CRANE)
    path.write_text(text, encoding="utf-8")


def _changed(text: str, bench: str) -> str:
    for old, new in _CHANGES[bench]:
        if old not in text:
            raise AssertionError(f"the scenario's bench file has no {old!r} at {bench}")
        text = text.replace(old, new, 1)
    return text


def start_shift(stage: Stage, seed: int, speed: float) -> None:
    """Start the North bench with its planned mistakes, and the service.

    Raises:
        PortError: If the bench doesn't come up.
    """
    planned = (
        f"three-quarter-turn@{CUT_SHORT}", f"no-loosening@{NOT_LOOSENED}", f"chip@{CHIP}",
        f"wrong-bin@{WRONG_BIN}",
    )  # fmt: skip
    mistakes = [word for text in planned for word in ("--mistake", text)]
    more = [*mistakes, "--inch-check", str(IN_INCH)]
    start_bench(stage, NORTH, QUANTITY, seed, speed, more)
    wait_for_lines(stage, (NORTH,))
    start_service(stage, speed)


def start_crane_bench(stage: Stage, seed: int, speed: float) -> None:
    """Start the Crane bench, whose operator takes words.

    Raises:
        PortError: If the bench doesn't come up.
    """
    start_bench(stage, CRANE, BOX_QUANTITY, seed, speed, ["--control"], takes_words=True)
    wait_for_lines(stage, (CRANE,))
