"""The process that serves the demo beside a team's dashboard: `demo.py` begins it."""

import json
import os
import sys
import threading
from pathlib import Path

from dashboard.service import calculate_with_one_thread
from dashboard.web.demo import Entered, WayBack
from dashboard.web.server import serve
from ingest.schema import UserError
from models import run


def main(store: Path, back: str) -> int:
    """Build the demo and serve it until it is left, or the process that began it has ended."""
    calculate_with_one_thread()
    way_back = WayBack(back, served=_tell_address)
    threading.Thread(target=_end_with_parent, args=(way_back,), daemon=True).start()
    try:
        run.build_demo(run.Fleet.at(store, say=tell))
        serve(store, host="127.0.0.1", port=0, say=tell, way_back=way_back)
    except (UserError, OSError) as problem:
        tell(str(problem))
        return 2
    return 0


def tell(said: str, address: str | None = None) -> None:
    """Print one line for the process that began this one. address: of the demo, once served."""
    print(json.dumps(Entered(address=address, said=said)), flush=True)


def _tell_address(address: str | None) -> None:
    tell("served" if address else "ending", address)


def _end_with_parent(way_back: WayBack) -> None:
    """Wait until what this process was given to read ends: nothing is ever written to it."""
    os.read(0, 1)
    way_back.left.set()


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), sys.argv[2]))
