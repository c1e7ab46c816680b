"""The demo's store is built once, and finished where building it was broken off."""

from __future__ import annotations

from typing import Any

import pytest

from ingest.schema import UserError
from models import run
from models.run import demo


def test_what_was_broken_off_is_finished_and_what_is_there_stays(
    tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    built: list[str] = []
    monkeypatch.setattr(demo, "take_in", lambda *_, **__: [])
    monkeypatch.setattr(demo, "evaluate_pairs", lambda *_, **__: [])
    monkeypatch.setattr("ingest.load.load_paths", _stopped)
    fleet = run.Fleet.at(tmp_path / "demo.duckdb")
    with pytest.raises(KeyboardInterrupt):
        run.build_demo(fleet)
    monkeypatch.setattr("ingest.load.load_paths", lambda *_: _Loaded())
    monkeypatch.setattr(demo, "refit", lambda _fleet: built.append("fit"))
    run.build_demo(fleet)
    run.build_demo(fleet)  # still not fitted: the fit was only pretended
    monkeypatch.setattr(demo, "_is_fitted", lambda _store: True)
    run.build_demo(fleet)
    assert built == ["fit", "fit"]


def test_a_store_of_the_teams_own_is_refused(tmp_path: Any) -> None:
    fleet = run.Fleet.at(tmp_path / "team.duckdb")
    run.set_setting(fleet, "tolerance_pct", "2")
    with pytest.raises(UserError, match="a store of your own"):
        run.build_demo(fleet)
    with fleet.store.reading() as db:
        assert db.setting("today") is None
        assert db.frame("meters").is_empty()


class _Loaded:
    recordings: tuple[str, ...] = ()


def _stopped(*_: object) -> None:
    raise KeyboardInterrupt
