"""A team's own sheets on the intake page: proposed, asked about, accepted, loaded."""

import shutil

import pytest

from dashboard.pages.intake.sheet_calls import answers_given
from dashboard.pages.intake.sheets import grouped, sheets_section
from dashboard.service import Service
from models import run
from tests.dashboard.people import make_store
from tests.dashboard.reading import text

OWN = (
    "Kalibrierlog\n\nDatum;Messgerät;Gewicht;Kurbel;Null;gross L;klein;Abw. %\n"
    "03/04/25;N1;20,01 kg;172,5;0,1;34,6;34,5;0,1\n"
    "05/06/25;N2;20,01 kg;172,5;0,1;33,8;33,7;0,1\n"
)


@pytest.fixture(scope="module")
def team(tmp_path_factory):
    return make_store(tmp_path_factory.mktemp("team"), fit=False)


@pytest.fixture
def data(team, tmp_path, followed):
    service = Service(shutil.copy(team, tmp_path / "team.duckdb"))
    yield service
    assert service.settled()


def dropped(data):
    data.begin(run.load_files, [("Kalibrierung.csv", OWN.encode())])
    assert data.settled()
    answer = data.work()["ended"]["load_files"]["answer"]
    assert answer["files"] == []
    return answer["sheets"]


def test_a_dropped_sheet_is_asked_about_then_accepted_and_loaded(data):
    drop = dropped(data)
    found = data.ask(run.match_sheets, drop, {})
    shown = text(sheets_section(found))
    assert "Which day is 03/04/25?" in shown
    [question] = found["sheets"][0]["undecided"]
    assert question["examples"] == ["3 April 2025", "4 March 2025"]
    answers = answers_given({}, ["day_month_year", None], [{"key": "date_order"}, {"key": "x"}])
    found = data.ask(run.match_sheets, drop, answers)
    shown = text(sheets_section(found))
    assert "gives 6 rows for bench" in shown
    assert "torque_nm (large, left)" in shown
    assert "slope convention" in shown

    data.begin(run.accept_sheets, drop, answers, "bench log")
    assert data.settled()
    ended = data.work()["ended"]["accept_sheets"]
    assert ended["failure"] is None
    assert ended["answer"]["files"][0]["rows_loaded"] == 6
    assert [kept["name"] for kept in data.ask(run.mappings)] == ["bench log"]


def test_sheets_alike_are_shown_once():
    sheet = {"path": "a.xlsx", "columns": [], "undecided": [], "sheet": "A"}
    other = sheet | {"path": "b.xlsx"}
    assert [len(group) for group in grouped([sheet, sheet | {"sheet": "B"}, other])] == [2, 1]
