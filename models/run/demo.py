"""The demo team's store."""

from ingest.schema import UserError
from ingest.store import Store
from models.run.fitting import refit
from models.run.known import Fleet
from models.run.recordings import evaluate_pairs, take_in

OWN_STORE = (
    "{store} is a store of your own, and the demo would get into it: "
    "name another file (--store FILE), which the demo makes for itself"
)


def build_demo(fleet: Fleet) -> None:
    """Load the demo team's tables and recordings and fit them; its today is its data's last day.

    Nothing is done where that was done; what was broken off is finished, since rows that are there
    already change nothing. UserError for a store of anybody else's.
    """
    from pathlib import Path

    import seeds
    from ingest.load import load_paths
    from seeds.scenario import LAST

    store = fleet.store
    if store.exists():
        with store.reading() as db:
            theirs = str(db.setting("today")) != LAST.isoformat()
        if theirs:
            raise UserError(OWN_STORE.format(store=store.path))
        if _is_fitted(store):
            return
    fleet.say("building the demo fleet (once)")
    with store.writing() as db:
        db.set_setting("today", LAST.isoformat())
    folder = Path(seeds.__file__).parent
    loaded = load_paths(store, [folder / "tables", folder / "recordings"])
    take_in(store, loaded.recordings, say=fleet.say)
    evaluate_pairs(store, say=fleet.say)
    refit(fleet)


def _is_fitted(store: Store) -> bool:
    with store.reading() as db:
        return db.derived("fit_info") is not None
