"""Who may do what: one table of the door's methods, one of the pages, one of other addresses.

What is not in a table is refused to everyone who signed in, the owner too, until someone has
decided about it; a test demands a line for every method of the door and every page.

A coach is given only what concerns the own riders and the meters assigned to them: an argument
`meter_id` or `rider_id` beyond those is refused, and rows that name others are taken out of every
answer. Watts are taken out of the answers of roles that are no business of theirs (`WATTS`).
"""

from __future__ import annotations

from dataclasses import dataclass

MECHANIC, COACH, MANAGER, OWNER = "mechanic", "coach", "manager", "owner"
EVERYONE = frozenset({MECHANIC, COACH, MANAGER, OWNER})
WATTS = frozenset({COACH, OWNER})  # whose business a rider's power is
OWN_RIDERS_ONLY = frozenset({COACH})


@dataclass(frozen=True)
class Person:
    """Whoever asks. coach: whose riders a coach sees, as the riders table names the coach."""

    name: str
    role: str
    coach: str | None = None


HERE = Person("this machine", OWNER)  # on loopback, while there are no accounts


@dataclass(frozen=True)
class Right:
    """Who may call a method of the door.

    change   what a call is recorded as among the changes; None: it changes nothing
    watts    whether its answer may hold watts, which then are taken out for most roles
    by_name  whether only someone who signed in may call it, never just whoever is here
    """

    roles: frozenset[str]
    change: str | None = None
    watts: bool = True
    by_name: bool = False

    def allows(self, person: Person) -> bool:
        return person.role in self.roles and not (self.by_name and person is HERE)


def read(*roles: str, watts: bool = True) -> Right:
    """A question that these roles may ask, and the owner; no role named: everyone."""
    return Right(_roles(roles), watts=watts)


def write(change: str, *roles: str, by_name: bool = False) -> Right:
    """A change that these roles may make, and the owner; recorded in the words given."""
    return Right(frozenset({*roles, OWNER}), change=change, by_name=by_name)


def _roles(roles: tuple[str, ...]) -> frozenset[str]:
    return frozenset({*roles, OWNER}) if roles else EVERYONE


# One line a public method of dashboard.service.pages.Data.
RIGHTS: dict[str, Right] = {
    # fleet, meter, method
    "version": read(watts=False),
    "status": read(watts=False),
    "looked_from": read(watts=False),
    "fit_state": read(watts=False),
    "history": read(watts=False),
    "meter": read(watts=False),
    "bench_sessions": read(watts=False),
    "comparisons": read(),
    "method": read(watts=False),
    # bench
    "bench_kit": read(MECHANIC, watts=False),
    "judge_bench": read(MECHANIC, watts=False),
    "save_bench": write("bench session saved", MECHANIC),
    "save_bench_event": write("event noted at the bench", MECHANIC),
    "undo_bench_entry": write("bench entry taken back", MECHANIC),
    "bench_record": read(MECHANIC, watts=False),
    # season
    "season": read(watts=False),
    "plan": read(watts=False),
    "plan_calendar": read(MECHANIC, MANAGER, watts=False),
    "bench_list": read(MECHANIC, MANAGER, watts=False),
    "move_visit": write("visits pinned", MECHANIC, MANAGER),
    # riders
    "riders": read(COACH),
    "rider": read(COACH),
    "effort": read(COACH),
    "ledger": read(COACH),
    "acknowledge_notice": write("notice acknowledged", COACH),
    # budget and method
    "budget": read(MANAGER, watts=False),
    "policies": read(MANAGER, watts=False),
    "hindcast": read(watts=False),
    # rides
    "look_at_rides": write("recordings looked at", MECHANIC, COACH),
    "rides_looked_at": read(MECHANIC, COACH),
    "compare_rides": read(MECHANIC, COACH),
    "keep_rides": write("comparison kept", MECHANIC, COACH),
    "discard_rides": write("recordings discarded", MECHANIC, COACH),
    "rides_waiting": read(MECHANIC, COACH),
    "rides_kept": read(MECHANIC, COACH),
    "ride_devices": read(MECHANIC, COACH, watts=False),
    "drawn_ride": read(),
    # people
    "accounts": read(OWNER, watts=False),
    "changes": read(OWNER),
    "find_changes": read(OWNER),
    "add_account": write("account added", by_name=True),
    "set_account_role": write("account role", by_name=True),
    "set_account_enabled": write("account enabled", by_name=True),
    "set_account_password": write("account password", by_name=True),
    # intake
    "begin_load": write("files loaded", MECHANIC, MANAGER),
    "begin_fit": write("models refitted", MECHANIC, MANAGER),
    "begin_warm": read(OWNER, watts=False),
    "work": read(MECHANIC, MANAGER, watts=False),
    "set_aside": read(MECHANIC, MANAGER),
    "correct_row": write("row corrected", MECHANIC, MANAGER),
    "dismiss_row": write("row dismissed", MECHANIC, MANAGER),
    "imports": read(MECHANIC, MANAGER, watts=False),
    "undo_import": write("import undone", MECHANIC, MANAGER),
    "proposed_events": read(MECHANIC, watts=False),
    "decide_event": write("event decided", MECHANIC),
    "template_file": read(watts=False),
    "tables_file": read(OWNER),
    "device_tables_file": read(MECHANIC, MANAGER, watts=False),
    "set_aside_file": read(OWNER),
    "store_file": read(OWNER),
    "rider_file": read(COACH),
    "riders_named": read(COACH, watts=False),
    "remove_rider": write("rider removed"),
}

# The input tables whose rows a role may load, correct and take back.
_DEVICES = ("meters", "references", "mass_sets", "places", "installations", "assignments")
_MEASURED = ("events", "bench", "zeros", "comparisons", "pairs")
LOADS: dict[str, tuple[str, ...]] = {
    MECHANIC: (*_DEVICES, *_MEASURED),
    COACH: (),
    MANAGER: ("meters", "calendar", "capacity", "costs"),
    OWNER: (*_DEVICES, "riders", *_MEASURED, "efforts", "calendar", "capacity", "costs"),
}

# One line a page, by its path.
PAGES: dict[str, frozenset[str]] = {
    "/": EVERYONE,
    "/meter/<meter_id>": EVERYONE,
    "/season": EVERYONE,
    "/season/week/<week>": frozenset({MECHANIC, MANAGER, OWNER}),
    "/riders": frozenset({COACH, OWNER}),
    "/riders/<rider_id>": frozenset({COACH, OWNER}),
    "/budget": frozenset({MANAGER, OWNER}),
    "/method": EVERYONE,
    "/bench": frozenset({MECHANIC, OWNER}),
    "/rides": frozenset({MECHANIC, COACH, OWNER}),
    "/intake": frozenset({MECHANIC, MANAGER, OWNER}),
    "/people": frozenset({OWNER}),
}

# Addresses of the server beside the pages and Dash's own, by their beginning. What they hand out
# comes through the door as well, so this only says who gets that far.
ROUTES: dict[str, frozenset[str]] = {
    "/bench/": frozenset({MECHANIC, OWNER}),
    "/download/": EVERYONE,
}


def may_open(person: Person, path: str) -> bool:
    """Whether a person may see the page at a path."""
    return person.role in PAGES.get(path, frozenset())


def may_fetch(person: Person, address: str) -> bool:
    """Whether a person may fetch an address that is no page; the longest beginning decides."""
    fitting = [start for start in ROUTES if address.startswith(start)]
    return bool(fitting) and person.role in ROUTES[max(fitting, key=len)]


def of(method: str) -> Right | None:
    """The right to a method of the door; None where nobody has decided."""
    return RIGHTS.get(method)
