"""How long to wait after sign-ins that failed.

The first tries cost nothing; then each failure doubles the wait. It counts by name and address
together, so that nobody can shut a colleague out from elsewhere; by address, so that one machine
cannot try many names; and by name, loosely, so that many machines cannot try one. On a device on
which a name signed in before, only the failures made there count: nobody elsewhere can lock it out.
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

    def begin(self, name: str, address: str, *, known: bool = False) -> int:
        """Return the seconds until the next try counts; 0 when it may be made now.

        A try that may be made counts as a failure until `succeeded`: of many at once no more get
        through than one after the other. known: it comes from a device of the name's own
        """
        now = self._clock()
        with self._lock:
            keys = _keys(name, address, known=known)
            wait = max(self._wait(key, now) for key in keys)
            if not wait:
                self._count(keys, now)
            return wait

    def _wait(self, key: Key, now: float) -> int:
        count, last = self._failures.get(key, (0, now))
        over = count - FREE[key[0]]
        if over < 0 or abs(now - last) > FORGOTTEN_S:
            return 0
        pause = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2 ** min(over, 10))
        since = max(0.0, now - last)  # a clock that was ahead and was set right
        return max(0, int(pause - since + 0.999))

    def _count(self, keys: tuple[Key, ...], now: float) -> None:
        for key in keys:
            count, last = self._failures.pop(key, (0, now))
            self._failures[key] = (1 if abs(now - last) > FORGOTTEN_S else count + 1, now)
        while len(self._failures) > REMEMBERED:
            self._failures.popitem(last=False)

    def succeeded(self, name: str, address: str, *, known: bool = False) -> None:
        """Forget the failures of this name from this address, and this try."""
        with self._lock:
            own, *others = _keys(name, address, known=known)
            self._failures.pop(own, None)
            for key in others:
                count, last = self._failures.get(key, (0, 0.0))
                if count > 1:
                    self._failures[key] = (count - 1, last)
                else:
                    self._failures.pop(key, None)


def _keys(name: str, address: str, *, known: bool) -> tuple[Key, ...]:
    """Return what a try counts for; of a device of the name's own only that it comes from there."""
    short = name[:64]
    if known:
        return (("both", f"own {short}"),)
    return ("both", f"{address} {short}"), ("address", address), ("name", short)
