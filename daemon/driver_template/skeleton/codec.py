"""The simulated indicator: a reading in, its frame out. Knows nothing of the driver."""

from drivers import Reading
from rules.length import NM_PER_INCH, NM_PER_MM

_LETTERS = {"mm": "m", "inch": "i"}
_NM_PER_DIGIT = {"mm": NM_PER_MM // 10**4, "inch": NM_PER_INCH // 10**5}
_MOST = 9_999_999


def encode(reading: Reading) -> bytes:
    """Return the frame that says this reading.

    Raises:
        ValueError: If no frame can say it.
    """
    letter, step_nm = _LETTERS[reading.unit], _NM_PER_DIGIT[reading.unit]
    if reading.value_nm is None:
        return f"!+{_MOST}{letter}o\r".encode("ascii")
    count, rest = divmod(abs(reading.value_nm), step_nm)
    if rest or count > _MOST:
        raise ValueError(f"no frame says {reading.value_nm} nm in {reading.unit}")
    sign = "-" if reading.value_nm < 0 else "+"
    status = "b" if "low-battery" in reading.flags else "."
    return f"!{sign}{count:07d}{letter}{status}\r".encode("ascii")
