"""What stands for a driver on a line without an indicator: only its modem lines speak."""

from collections.abc import Mapping, Sequence

from daemon.registry import FoundDriver
from drivers import BadFrame, Driver, LineSettings, OptionError, Reading


class NoIndicator:
    """Makes nothing of bytes and asks for none."""

    line = LineSettings()

    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        """Return nothing."""
        return ()

    def next_request(self) -> bytes | None:
        """Return None."""
        return None

    def timed_out(self) -> None:
        """Do nothing."""


def make(options: Mapping[str, object]) -> Driver:
    """Return what stands for a driver.

    Raises:
        OptionError: If there are options: nothing would heed them.
    """
    if options:
        raise OptionError(next(iter(options)), "an option", "none without a driver")
    return NoIndicator()


NO_DRIVER = FoundDriver("none", make, "no indicator on this line", "")
