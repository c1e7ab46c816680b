"""Pages as they were drawn, kept until the data change: most visits find one ready."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Hashable
from typing import Any

from dashboard.pages import Door, Page, View
from dashboard.rights import Person

KEPT = 64


class Bodies:
    """Drawn pages by what they were drawn for: the address, the person, the data's version.

    Only pages that say so (KEPT in their module) are kept: those that show nothing but what the
    door answers for the address. A door that cannot tell its version has every page drawn anew.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._drawn: OrderedDict[Hashable, Any] = OrderedDict()

    def body(self, page: Page, data: Door, view: View, person: Person) -> Any:
        """The page, drawn now or before."""
        version = getattr(data, "version", None) if page.kept else None
        if version is None:
            return page.layout(data, view)
        asked = (tuple(view.params.items()), tuple(view.query.items()))
        key = (page.path, asked, person, tuple(version()))
        with self._lock:
            if key in self._drawn:
                self._drawn.move_to_end(key)
                return self._drawn[key]
        drawn = page.layout(data, view)
        with self._lock:
            self._drawn[key] = drawn
            while len(self._drawn) > KEPT:
                self._drawn.popitem(last=False)
        return drawn
