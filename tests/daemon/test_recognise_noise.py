"""What is no indicator is not taken for one: random bytes, and garbage that repeats."""

from random import Random

import pytest

from daemon.recognise.judge import recognise
from daemon.recognise.sample import Piece, Sample

ALPHABETS = {
    "any byte": bytes(range(256)),
    "seven bits": bytes(range(128)),
    "printable lines": bytes(range(0x20, 0x7F)) + b"\r\n" * 5,
    "signs of numbers": b"0123456789+-.,\r\n mm",
    "half bytes of digits and signs": bytes(
        high << 4 | low for high in range(10) for low in (*range(10), 0xC, 0xD)
    ),
    "what a wrong speed makes of text": bytes.fromhex("00 80 E0 F8 FF 66 9E"),
}


def proposals(letters: bytes, seeds: range) -> list[tuple[int, str]]:
    """Return what is more than a guess, by seed."""
    found = []
    for seed in seeds:
        rng = Random(seed)
        shapes = [bytes(rng.choices(letters, k=rng.randint(5, 16))) for _ in range(4)]
        for data in (
            bytes(rng.choices(letters, k=400)),
            b"".join(rng.choice(shapes) for _ in range(40)),
        ):
            finding = recognise(Sample((Piece(0, False, data),)))
            if finding is not None and finding.sureness != "a guess":
                found.append((seed, finding.outcome.candidate.driver))
    return found


@pytest.mark.parametrize("name", ALPHABETS)
def test_nothing_random_is_more_than_a_guess(name: str) -> None:
    assert proposals(ALPHABETS[name], range(12)) == []


@pytest.mark.long
@pytest.mark.parametrize("name", ALPHABETS)
def test_nothing_random_is_more_than_a_guess_in_thousands(name: str) -> None:
    assert proposals(ALPHABETS[name], range(12, 312)) == []
