"""When to send a polled driver's next request, and when its answer is overdue: pure steps."""

from drivers import Driver


class Asking:
    """Keeps a polled driver's pace; a driver that only listens never asks.

    Args:
        driver: The driver of the open port.
        every_ns: Least time between two requests.
        answer_ns: How long an answer may take, above 0.
    """

    def __init__(self, driver: Driver, every_ns: int, answer_ns: int) -> None:
        self._driver = driver
        self._every_ns = every_ns
        self._answer_ns = answer_ns
        self._is_polled = False
        self._is_due = False
        self._since_ns = 0
        self._next_ns = 0

    def answered(self, now_ns: int) -> None:
        """Take note that the driver gave a result."""
        self._is_due = False
        self._since_ns = now_ns

    def request(self, now_ns: int) -> bytes | None:
        """Return what to send now, if it is time for it."""
        if self._is_overdue(now_ns):
            self._time_out(now_ns)
        if self._is_due or now_ns < self._next_ns:
            return None
        request = self._driver.next_request()
        if request is not None:
            self._take(now_ns)
        return request

    def was_asked(self, at_ns: int) -> None:
        """Take note of a request that a recording shows, and of the timeouts before it."""
        self.passed_until(at_ns)
        self._driver.next_request()
        self._take(at_ns)

    def passed_until(self, at_ns: int) -> None:
        """Let the timeouts pass that a service would have told the driver of."""
        while self._is_overdue(at_ns):
            self._time_out(self._since_ns + self._answer_ns)

    def _is_overdue(self, now_ns: int) -> bool:
        return self._is_polled and now_ns - self._since_ns >= self._answer_ns

    def _time_out(self, now_ns: int) -> None:
        self._driver.timed_out()
        self._is_due = False
        self._since_ns = now_ns

    def _take(self, now_ns: int) -> None:
        self._is_polled = self._is_due = True
        self._since_ns = now_ns
        self._next_ns = now_ns + self._every_ns
