"""The input tables: columns, units, ranges, choices, meaning.

DDL, validation, templates and the data dictionary all derive from this module. Torque is in
newton metres everywhere. A calendar day is `pl.Date`; an instant is `pl.Datetime("us", "UTC")`.

Rows of a table with a **key** are identified by it: a later row with the same key replaces the
earlier one (`on_change="replace"`) or is a conflict (`on_change="conflict"`). Rows of a table
without a key, and rows whose last key column may be empty and is (a bench reading without a
number), are measurements that may truly repeat: file and store are compared as **multisets**.
"""

from datetime import date, datetime

import polars as pl

from ingest.schema.columns import KIND_WORDS, Column, Table

MASS_CLASSES = ("E1", "E2", "F1", "F2", "M1", "M1-2", "M2", "M2-3", "M3")
KIND_CHOICES = (
    *("crank_spider", "crank_arm_left", "crank_arm_pair", "pedal_left", "pedal_pair"),
    *("hub", "other"),
)
EVENT_CHOICES = (
    *("battery_swap", "firmware_update", "crash", "service", "factory_service", "remount"),
    *("chainring_change", "crank_change", "setting_change", "spindown", "moved", "recertified"),
    *("lost", "sold", "returned", "other"),
)
METER_STATES = (
    *("active", "spare", "lent", "at_service", "lost", "sold", "returned", "written_off"),
)


def _id(name: str, meaning: str, *, required: bool = False) -> Column:
    return Column(name, required=required, meaning=meaning)


def _choice(name: str, meaning: str, *choices: str, required: bool = False) -> Column:
    return Column(name, choices=choices, required=required, meaning=meaning)


def _range(name: str, unit: str, low: float, high: float, meaning: str) -> Column:
    return Column(name, float, unit, low, high, meaning=meaning)


def _crank(name: str, meaning: str) -> Column:
    return Column(name, float, "mm", 100, 250, meaning=meaning)


def _slope(name: str, meaning: str) -> Column:
    return Column(name, float, high=1e6, positive=True, meaning=meaning)


def _pct(name: str, meaning: str) -> Column:
    return Column(name, float, "%", 0, 20, meaning=meaning)


def _money(name: str, meaning: str, *, required: bool = False) -> Column:
    return Column(name, float, low=0, high=1e7, required=required, meaning=meaning)


def _from_to(what: str, *, both: bool = False) -> tuple[Column, Column]:
    return (
        Column("from_date", date, required=True, meaning=f"first day of the {what}"),
        Column("to_date", date, required=both, meaning=f"last day of the {what}, included"),
    )


_TEMPERATURE = Column("temperature_c", float, "°C", -40, 60, meaning="air temperature")
_GRAVITY = Column(
    "gravity_ms2", float, "m/s²", 9.76, 9.84, meaning="local acceleration of free fall"
)
_LATITUDE = Column("latitude_deg", float, "°", -90, 90, meaning="latitude, for gravity")
_ALTITUDE = Column("altitude_m", float, "m", -450, 6000, meaning="height above sea level")
_MASS_CLASS = Column("mass_class", choices=MASS_CLASSES, meaning="class of the masses, OIML R 111")
_MASS_TOLERANCE = Column(
    "mass_tolerance_g", float, "g", 0, 5000, meaning="limit of error of the masses, rectangular"
)
_CHAINRING = Column(
    "chainring", choices=("large", "small"), or_teeth=True, meaning="ring the chain is on"
)
_WORKSHOP = Column("workshop", meaning="workshop, where there are several")

METERS = Table(
    "meters",
    "one row a power meter; a replaced one gets a new id",
    (
        _id("meter_id", "the team's own name of the meter", required=True),
        Column("kind", choices=KIND_CHOICES, required=True, meaning="where the meter sits"),
        Column("model_group", meaning="meters expected to age alike; else the kind"),
        Column("serial_number", meaning="the maker's serial number, ties recordings to the meter"),
        Column("in_service_date", date, required=True, meaning="first day in use"),
        Column("retired_date", date, meaning="last day in use"),
        _id("replaces_meter_id", "the meter it took the place of"),
        Column(
            "slope_convention",
            choices=("multiplier", "divisor", "fixed"),
            required=True,
            meaning="multiplier: torque = slope × signal; divisor: torque = signal / slope; "
            "fixed: the user cannot change it",
        ),
        _slope("factory_slope", "slope set by the maker; else the first slope seen"),
        _slope("slope_step", "smallest change of the slope that the meter takes"),
        _slope("slope_min", "lowest slope that the meter takes"),
        _slope("slope_max", "highest slope that the meter takes"),
        _crank("crank_length_mm", "crank length, where no installation says"),
        Column("tolerance_pct", float, "%", 0.05, 20, meaning="limit; else the store's own"),
        Column(
            "torque_step_nm",
            float,
            "N·m",
            high=10,
            positive=True,
            meaning="the display's step; else learnt from readings as they were typed",
        ),
        _pct("stated_accuracy_pct", "the maker's stated accuracy"),
        Column("static_check", bool, meaning="no: shows torque only when turning"),
        Column("battery_type", meaning="kind of battery"),
        Column("owner", meaning="who owns it"),
        Column("state", choices=METER_STATES, meaning="what it is doing now; else active"),
        Column("location", meaning="where it is now"),
        Column("purchase_date", date, meaning="day of purchase"),
        _money("purchase_cost", "what it cost"),
        Column("warranty_until", date, meaning="last day under warranty"),
        Column("return_by", date, meaning="day a lent meter is due back"),
    ),
    key=("meter_id",),
    ordered=(("in_service_date", "retired_date"), ("slope_min", "slope_max")),
)

REFERENCES = Table(
    "references",
    "one row a device that meters are compared with on rides",
    (
        _id("reference_id", "the team's own name of the reference", required=True),
        _choice(
            "kind", "what the reference is", "trainer", "ergometer", "meter", "other", required=True
        ),
        _id("meter_id", "the meter it is, if it is one of the fleet"),
        _pct("stated_accuracy_pct", "the maker's stated accuracy"),
        Column("keeps_wheel", bool, meaning="of a trainer: yes if it drives the rear wheel's tyre"),
    ),
    key=("reference_id",),
)

MASS_SETS = Table(
    "mass_sets",
    "one row a set of masses with its hanger",
    (
        _id("bench_id", "the team's own name of the mass set", required=True),
        Column("mass_kg", float, "kg", 0, 200, meaning="masses without the hanger"),
        Column("hanger_mass_kg", float, "kg", 0, 50, meaning="hanger, hook and strap"),
        _MASS_CLASS,
        _MASS_TOLERANCE,
        _choice("source", "how the masses are known", "certificate", "weighed", "stamped"),
        Column(
            "weighed_on", meaning="the scale or laboratory: sets that share one share its error"
        ),
        Column("certificate_no", meaning="number of the certificate"),
        Column("calibrated_on", date, meaning="day of the calibration"),
        Column("due_on", date, meaning="day the next calibration is due"),
    ),
    key=("bench_id",),
    ordered=(("calibrated_on", "due_on"),),
)

PLACES = Table(
    "places",
    "one row a place with a bench: what gravity is there",
    (
        _id("place_id", "the team's own name of the place", required=True),
        _GRAVITY,
        _LATITUDE,
        _ALTITUDE,
        _WORKSHOP,
    ),
    key=("place_id",),
    together=("latitude_deg", "altitude_m"),
)

RIDERS = Table(
    "riders",
    "one row a rider, and a further one where the coach changes",
    (
        _id("rider_id", "the team's own name of the rider", required=True),
        Column("coach", meaning="who coaches the rider"),
        Column("from_date", date, meaning="first day"),
        Column("to_date", date, meaning="last day, included"),
    ),
    key=("rider_id", "from_date"),
    ordered=(("from_date", "to_date"),),
)

INSTALLATIONS = Table(
    "installations",
    "one row a meter on a bike: crank, rings and settings from day to day",
    (
        _id("meter_id", "the meter", required=True),
        _id("bike_id", "the bike"),
        *_from_to("installation"),
        _id("crank_id", "the crank; a length error is constant for it"),
        _crank("crank_length_mm", "axle to pedal axle"),
        _crank("programmed_crank_length_mm", "crank length set in the meter (pedals use it)"),
        Column("large_ring", int, "teeth", 10, 80, meaning="large chainring"),
        Column("small_ring", int, "teeth", 10, 80, meaning="small chainring"),
        Column("ring_shape", choices=("round", "oval"), meaning="shape of the chainrings"),
    ),
    key=("meter_id", "from_date", "bike_id"),
    ordered=(("from_date", "to_date"),),
)

ASSIGNMENTS = Table(
    "assignments",
    "one row a meter with a rider, from day to day; a same-day handover is no overlap",
    (
        _id("meter_id", "the meter", required=True),
        *_from_to("assignment"),
        _id("rider_id", "who rides it (empty: a spare)"),
        _id("bike_id", "the bike"),
        Column("role", choices=("race", "spare", "training", "home"), meaning="what it is for"),
    ),
    key=("meter_id", "from_date", "rider_id"),
    ordered=(("from_date", "to_date"),),
)

BENCH = Table(
    "bench",
    "one row a reading at the bench; a session's rows repeat the session's own columns",
    (
        _id("session_id", "the session the reading belongs to", required=True),
        _id("meter_id", "the meter", required=True),
        Column("measured_at", datetime, required=True, meaning="when the session began"),
        _id("bench_id", "the mass set"),
        _id("place_id", "the place"),
        Column("technician", meaning="who measured"),
        _range(
            "mass_kg",
            "kg",
            0,
            200,
            "masses hung, without the hanger (or from the mass set); 0 on zero rows",
        ),
        Column("hanger_mass_kg", float, "kg", 0, 50, meaning="hanger, hook and strap; else 0"),
        _MASS_TOLERANCE,
        _MASS_CLASS,
        _crank("crank_length_mm", "axle to pedal axle (or from the installation)"),
        _range(
            "crank_length_tolerance_mm", "mm", 0, 10, "limit of error of the crank length; else 0.5"
        ),
        _GRAVITY,
        _LATITUDE,
        _ALTITUDE,
        _TEMPERATURE,
        Column("soak_min", float, "min", 0, 10000, meaning="time at this temperature before"),
        _choice(
            "stage",
            "before work, after work without a slope change, after it; else as_found",
            "as_found",
            "after_work",
            "as_left",
        ),
        Column("reading", int, low=0, high=100000, meaning="number of the reading in the session"),
        Column("load", choices=("zero", "mass"), required=True, meaning="nothing or masses hung"),
        Column("direction", choices=("up", "down"), meaning="loading or unloading"),
        _choice("loading_path", "where the masses hang; else crank", "crank", "lever_on_cassette"),
        Column("cog_teeth", int, "teeth", 5, 80, meaning="cog of the cassette"),
        _CHAINRING,
        Column("arm", choices=("left", "right"), meaning="which arm is loaded"),
        _range(
            "crank_angle_deg", "°", -60, 60, "crank's angle from horizontal; else 0, read by eye"
        ),
        Column("reading_sd_nm", float, "N·m", 0, 100, meaning="spread of the shown torque"),
        Column("torque_nm", float, "N·m", -1000, 1000, required=True, meaning="torque shown"),
        Column(
            "torque_decimals",
            int,
            low=0,
            high=10,
            decimals_of="torque_nm",
            meaning="decimals that the display showed, where they end in a zero; else as typed",
        ),
        _slope("slope_before", "slope found in the meter"),
        _slope("slope_after", "slope left in the meter (empty: unchanged)"),
        _slope("slope_before_left", "slope found, left side"),
        _slope("slope_after_left", "slope left in, left side (empty: unchanged)"),
        _slope("slope_before_right", "slope found, right side"),
        _slope("slope_after_right", "slope left in, right side (empty: unchanged)"),
        Column("note", meaning="remark on the session"),
    ),
    key=("session_id", "reading"),
    key_may_be_empty=True,
    on_change="conflict",
    together=("latitude_deg", "altitude_m"),
    same_within=(
        "session_id",
        (
            *("meter_id", "measured_at", "slope_before", "slope_after"),
            *("slope_before_left", "slope_after_left"),
            *("slope_before_right", "slope_after_right"),
        ),
    ),
)

ZEROS = Table(
    "zeros",
    "one row a zero reading away from the bench",
    (
        _id("meter_id", "the meter", required=True),
        Column("measured_at", datetime, required=True, meaning="when it was read"),
        Column("zero_nm", float, "N·m", -1000, 1000, meaning="torque shown with nothing hung"),
        Column("zero_raw", float, low=-1e9, high=1e9, meaning="the maker's own count"),
        Column("temperature_c", float, "°C", -40, 60, meaning="temperature of the meter"),
        Column("battery_v", float, "V", 0, 20, meaning="battery voltage"),
        Column("source", meaning="where the value comes from"),
    ),
    at_least_one=("zero_nm", "zero_raw"),
)

EVENTS = Table(
    "events",
    "one row an event of a meter, a reference or a mass set",
    (
        _id("meter_id", "the meter"),
        _id("reference_id", "or the reference"),
        _id("bench_id", "or the mass set"),
        Column("date", date, required=True, meaning="day of the event"),
        Column("event", choices=EVENT_CHOICES, required=True, meaning="what happened"),
        Column("side", choices=("left", "right", "both"), meaning="side it concerns"),
        Column("size_pct", float, "%", -100, 100, meaning="known change of the gain error"),
        _money("cost", "what it cost"),
        Column("note", meaning="remark"),
        _choice(
            "state",
            "whether a person confirmed it; else confirmed",
            "proposed",
            "confirmed",
            "rejected",
        ),
    ),
    key=("meter_id", "reference_id", "bench_id", "date", "event", "side"),
    exactly_one=("meter_id", "reference_id", "bench_id"),
)

COMPARISONS = Table(
    "comparisons",
    "one row a steady step of a ride with a meter beside a reference",
    (
        _id("comparison_id", "the ride the step belongs to", required=True),
        _id("meter_id", "the meter", required=True),
        _id("reference_id", "the reference", required=True),
        Column("measured_at", datetime, required=True, meaning="when it was ridden"),
        Column("step", int, low=0, high=100000, required=True, meaning="number of the step"),
        Column(
            "duration_s",
            float,
            "s",
            high=86400,
            positive=True,
            required=True,
            meaning="length of the step",
        ),
        Column("meter_w", float, "W", 0, 3000, required=True, meaning="mean power of the meter"),
        Column("reference_w", float, "W", 0, 3000, required=True, meaning="and of the reference"),
        Column("cadence_rpm", float, "rpm", 0, 250, meaning="mean cadence"),
        _TEMPERATURE,
        _id("rider_id", "who rode"),
        _CHAINRING,
        Column("cog", int, "teeth", 5, 80, meaning="cog the chain was on"),
    ),
    key=("comparison_id", "step"),
    on_change="conflict",
    same_within=("comparison_id", ("meter_id", "reference_id")),
)

PAIRS = Table(
    "pairs",
    "one row a pair of recordings of the same ride",
    (
        Column(
            "meter_file", required=True, meaning="recording of the meter, relative to the table"
        ),
        Column("reference_file", required=True, meaning="recording of the reference, likewise"),
        _id("meter_id", "the meter", required=True),
        _id("reference_id", "the reference", required=True),
        _id("comparison_id", "name of the comparison; else made from the files' names"),
        _id("rider_id", "who rode"),
    ),
    key=("meter_file", "reference_file"),
)

EFFORTS = Table(
    "efforts",
    "one row an effort whose watts are to be corrected or compared",
    (
        _id("rider_id", "who rode", required=True),
        Column("date", date, required=True, meaning="day of the effort"),
        Column("watts", float, "W", high=3000, positive=True, required=True, meaning="watts shown"),
        Column("duration_s", float, "s", high=172800, positive=True, meaning="length"),
        _id("meter_id", "the meter that showed them"),
        _id("reference_id", "or the reference"),
        Column("kind", choices=("lab", "field", "race"), meaning="kind of effort"),
    ),
    at_most_one=("meter_id", "reference_id"),
)

CALENDAR = Table(
    "calendar",
    "one row a race, camp, test or closed period",
    (
        Column("name", required=True, meaning="what it is called"),
        *_from_to("entry", both=True),
        Column("kind", choices=("race", "camp", "test", "closed"), meaning="what it is"),
        Column("priority", choices=("A", "B", "C"), meaning="weight of a race"),
        _id("rider_id", "the rider it is for (empty: all)"),
    ),
    key=("name", "from_date", "rider_id"),
    ordered=(("from_date", "to_date"),),
)

CAPACITY = Table(
    "capacity",
    "one row a period with its bench slots",
    (
        *_from_to("period", both=True),
        Column("slots", float, "a week", 0, 1000, meaning="bench sessions a week"),
        _WORKSHOP,
    ),
    key=("from_date", "workshop"),
    ordered=(("from_date", "to_date"),),
)

COSTS = Table(
    "costs",
    "one row a unit cost",
    (
        Column("item", required=True, meaning="bench_hour, bench_session, battery, replacement …"),
        Column("model_group", meaning="group it is for (empty: all)"),
        _money("unit_cost", "cost of one", required=True),
        Column("currency", meaning="three-letter code"),
    ),
    key=("item", "model_group"),
)

# In the order in which they load: what others refer to comes first.
TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        *(METERS, REFERENCES, MASS_SETS, PLACES, RIDERS, INSTALLATIONS, ASSIGNMENTS),
        *(EVENTS, BENCH, ZEROS, COMPARISONS, PAIRS, EFFORTS, CALENDAR, CAPACITY, COSTS),
    )
}


def data_dictionary() -> pl.DataFrame:
    """Return one row a column: table, column, required, type, unit, values, meaning."""
    rows = [
        {
            "table": table.name,
            "column": column.name,
            "required": "yes" if column.required else "",
            "type": KIND_WORDS[column.kind],
            "unit": column.unit,
            "values": column.expectation() if column.choices or column.low is not None else "",
            "meaning": column.meaning,
        }
        for table in TABLES.values()
        for column in table.columns
    ]
    return pl.DataFrame(rows)
