"""How long to wait after sign-ins that failed.

The first tries cost nothing; then each failure doubles the wait. It counts by name and address
together, so that nobody can shut a colleague out from elsewhere; by address, so that one machine
cannot try many names; and by name, loosely, so that many machines cannot try one.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable

FREE = {"both": 5, "address": 20, "name": 50}  # failures before the first wait
FIRST_WAIT_S, LONGEST_WAIT_S = 15, 900
FORGOTTEN_S = 3600  # after so long without a failure
REMEMBERED = 10_000  # names and addresses; the longest unused go first
Key = tuple[str, str]


class Throttle:
    """Failures so far, in memory. clock: seconds, as time.time gives them."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._failures: OrderedDict[Key, tuple[int, float]] = OrderedDict()

    def wait_s(self, name: str, address: str) -> int:
        """Return the seconds until the next try counts; 0 when it may be made now."""
        now = self._clock()
        with self._lock:
            return max(self._wait(key, now) for key in _keys(name, address))

    def _wait(self, key: Key, now: float) -> int:
        count, last = self._failures.get(key, (0, now))
        over = count - FREE[key[0]]
        if over < 0 or now - last > FORGOTTEN_S:
            return 0
        pause = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2 ** min(over, 10))
        return max(0, int(last + pause - now + 0.999))

    def failed(self, name: str, address: str) -> None:
        """Count a failure."""
        now = self._clock()
        with self._lock:
            for key in _keys(name, address):
                count, last = self._failures.pop(key, (0, now))
                self._failures[key] = (1 if now - last > FORGOTTEN_S else count + 1, now)
            while len(self._failures) > REMEMBERED:
                self._failures.popitem(last=False)

    def succeeded(self, name: str, address: str) -> None:
        """Forget the failures of this name from this address."""
        with self._lock:
            self._failures.pop(_keys(name, address)[0], None)


def _keys(name: str, address: str) -> tuple[Key, Key, Key]:
    return ("both", f"{address} {name[:64]}"), ("address", address), ("name", name[:64])
