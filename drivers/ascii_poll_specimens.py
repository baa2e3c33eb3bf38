"""ascii-poll for the conformance kit: answers written by hand from the pattern's text."""

from dataclasses import replace

from drivers.ascii_line_specimens import COMMA_AND_XOR, CRC, PLAIN
from drivers.ascii_poll import make
from drivers.conformance import Specimen


def _polled(streamed: Specimen, request: str) -> Specimen:
    """Return the same frames as answers: the two drivers share their grammar."""
    return replace(
        streamed,
        name=streamed.name.replace("ascii-line", "ascii-poll"),
        make=make,
        options={**streamed.options, "request": request},
    )


SPECIMENS = (
    _polled(PLAIN, "say\r"),
    _polled(COMMA_AND_XOR, "how far"),
    _polled(CRC, "show me\r\n"),
)
