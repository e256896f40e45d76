"""The trip sheet: one outing, its locomotive and specification, consist, route and crew."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date as Date  # noqa: N812 - the field is called date
from datetime import datetime
from pathlib import Path
from typing import Final

from recorder.sheets.admission_limits import read_admission
from recorder.sheets.errors import SheetError
from recorder.sheets.sheet_table import SheetTable, read_text_file, read_toml
from recorder.sheets.vehicles import (
    CarGroup,
    ConsistSheet,
    LocomotiveSheet,
    RouteSheet,
    SpecificationSheet,
    SteamSheet,
    VehicleSheet,
)

__all__ = ["MilepostSheet", "PaperSheet", "TripSheet", "load_trip_sheet", "parse_trip_sheet"]

KINDS: Final = ("steam", "diesel", "electric", "other")


@dataclass(frozen=True, slots=True, kw_only=True)
class MilepostSheet:
    """How mileposts count themselves on this trip."""

    first: float | None = None
    """The first milepost to be met; None until the crew keys one."""
    step: float = 1.0
    """What the next milepost differs by; below zero when they count down."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperSheet:
    """What the report's title block says of the trial beyond what was recorded; optional keys of
    [trip]. No figure rests on it."""

    report_number: str = ""
    object: str = ""
    """What is tried, and for what."""
    line: str = ""
    """The railway line, as people call it."""
    begins_at: str = ""
    """Key ``from``: the station or post the trial begins at; else read off the route."""
    ends_at: str = ""
    """Key ``to``."""
    signatures: tuple[str, ...] = ()
    """Who is to sign the report, by name or office."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TripSheet:
    """The whole trip sheet. Immutable."""

    name: str
    date: Date | None = None
    crew: tuple[str, ...] = ()
    operator: str = ""
    """Stands behind every mark as who took it."""
    paper: PaperSheet = PaperSheet()
    planned_hours: float = 12.0
    route: RouteSheet | None = None
    mileposts: MilepostSheet = MilepostSheet()
    locomotive: LocomotiveSheet = field(default_factory=LocomotiveSheet)
    test_car: VehicleSheet = field(default_factory=VehicleSheet)
    consist: ConsistSheet = field(default_factory=ConsistSheet)
    specification: SpecificationSheet | None = None
    source: str = "trip sheet"
    folder: Path | None = None
    text: str = ""

    @property
    def route_path(self) -> Path | None:
        """Where the route file lies, or None without a route."""
        if self.route is None:
            return None
        path = Path(self.route.file)
        return path if path.is_absolute() or self.folder is None else self.folder / path


def load_trip_sheet(path: str | Path) -> TripSheet:
    """Read a trip sheet from a file; raises :class:`SheetError` or ``OSError``."""
    where = Path(path)
    return parse_trip_sheet(
        read_text_file(where), source=where.name, folder=where.absolute().parent
    )


def parse_trip_sheet(
    text: str, *, source: str = "trip sheet", folder: Path | None = None
) -> TripSheet:
    """Make a trip sheet of its TOML text; raises :class:`SheetError`."""
    problems: list[str] = []
    root = SheetTable(read_toml(text, source=source), source=source, name="", problems=problems)
    if "trip" not in root:
        root.problem("table [trip] is missing")
    trip = root.table("trip")
    sheet = TripSheet(
        name=trip.text("name", None),
        date=_date(trip),
        crew=trip.texts("crew"),
        operator=trip.text("operator"),
        paper=_paper(trip),
        planned_hours=trip.number("planned_hours", 12.0, above=0.0, high=240.0) or 12.0,
        route=_route(root.table("route")) if "route" in root else None,
        mileposts=_mileposts(root.table("mileposts")),
        locomotive=_locomotive(root.table("locomotive")),
        test_car=_vehicle(root.table("test_car")),
        consist=_consist(root.table("consist")),
        specification=(
            _specification(root.table("specification")) if "specification" in root else None
        ),
        source=source,
        folder=folder,
        text=text,
    )
    # Kept with the run in the sheet's own text, for who reads it: nothing works with them.
    trip.text("remarks", most=5000)
    trip.done()
    root.done()
    if problems:
        raise SheetError(problems)
    return sheet


def _paper(trip: SheetTable) -> PaperSheet:
    return PaperSheet(
        report_number=trip.text("report_number", most=60),
        object=trip.text("object"),
        line=trip.text("line", most=120),
        begins_at=trip.text("from", most=120),
        ends_at=trip.text("to", most=120),
        signatures=trip.texts("signatures"),
    )


def _date(table: SheetTable) -> Date | None:
    value = table.take("date")
    if value is None:
        return None
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, Date):
        return value
    if isinstance(value, str):
        try:
            return Date.fromisoformat(value)
        except ValueError:
            pass
    table.problem(f"date must be a day like 2026-05-04, got {value!r}")
    return None


def _route(table: SheetTable) -> RouteSheet:
    sheet = RouteSheet(
        file=table.text("file", None),
        direction=table.text("direction", "increasing", allowed=("increasing", "decreasing")),
        start_chainage_m=table.quantity("start_chainage", "m", low=-1e7, high=1e7),
        u_grade_pct=table.number("u_grade_pct", low=0.0, high=5.0),
        u_grade_common_pct=table.number("u_grade_common_pct", low=0.0, high=5.0),
        grade_error_length_m=table.quantity("grade_error_length", "m", above=0.0, high=1e6),
        u_curve_pct=table.number("u_curve_pct", low=0.0, high=100.0),
    )
    table.done()
    return sheet


def _mileposts(table: SheetTable) -> MilepostSheet:
    step = table.number("step", 1.0, low=-1000.0, high=1000.0)
    if step == 0.0:
        table.problem("step must not be 0")
    sheet = MilepostSheet(first=table.number("first", low=-1e6, high=1e6), step=step or 1.0)
    table.done()
    return sheet


def _locomotive(table: SheetTable) -> LocomotiveSheet:
    mass = table.quantity("mass", "t", above=0.0, high=2000.0)
    adhesive = table.quantity("adhesive_mass", "t", above=0.0, high=2000.0)
    if mass is not None and adhesive is not None and adhesive > mass:
        table.problem(f"adhesive_mass_t must be at most mass_t ({mass:g}), got {adhesive:g}")
    sheet = LocomotiveSheet(
        name=table.text("name"),
        kind=table.text("kind", "other", allowed=KINDS),
        mass_t=mass,
        adhesive_mass_t=adhesive,
        length_m=table.quantity("length", "m", above=0.0, high=200.0),
        axles=table.whole("axles", low=1, high=64),
        u_mass_t=table.quantity("u_mass", "t", low=0.0, high=200.0),
        rotary_allowance=table.number("rotary_allowance", low=0.0, high=1.0),
        u_rotary_allowance=table.number("u_rotary_allowance", low=0.0, high=1.0),
        resistance=_resistance(table),
        steam=_steam(table.table("steam")) if "steam" in table else None,
        rated_power_kW=table.quantity("rated_power", "kW", above=0.0, high=50_000.0),
    )
    table.done()
    return sheet


def _resistance(table: SheetTable) -> tuple[float, float, float] | None:
    value = table.take("resistance")
    if value is None:
        return None
    if isinstance(value, list):
        numbers = [v for v in value if isinstance(v, int | float) and not isinstance(v, bool)]
        if len(numbers) != 3 or len(value) != 3 or not all(0 <= v < 1e6 for v in numbers):
            table.problem(
                "resistance must be three numbers a, b, c in N/t, N/t per km/h and"
                f" N/t per (km/h)², got {value!r}"
            )
            return None
        return float(numbers[0]), float(numbers[1]), float(numbers[2])
    row = table.table("resistance")
    terms = [
        row.number(key, 0.0, low=0.0, high=1e6) or 0.0
        for key in ("a_N_per_t", "b_N_per_t_per_km_h", "c_N_per_t_per_km_h2")
    ]
    row.done()
    return terms[0], terms[1], terms[2]


def _steam(table: SheetTable) -> SteamSheet | None:
    cylinders = table.whole("cylinders", 2, low=1, high=12)
    bore = table.quantity("bore", "m", above=0.0, high=2.0, required=True)
    stroke = table.quantity("stroke", "m", above=0.0, high=2.0, required=True)
    driver = table.quantity("driver_diameter", "m", above=0.1, high=5.0, required=True)
    pressure = table.quantity("boiler_pressure", "Pa", above=0.0, high=2e7, required=True)
    table.done()
    if bore is None or stroke is None or driver is None or pressure is None:
        return None
    return SteamSheet(
        cylinders=cylinders or 2,
        bore_m=bore,
        stroke_m=stroke,
        driver_diameter_m=driver,
        boiler_pressure_Pa=pressure,
    )


def _vehicle(table: SheetTable) -> VehicleSheet:
    sheet = VehicleSheet(
        name=table.text("name"),
        mass_t=table.quantity("mass", "t", above=0.0, high=500.0),
        u_mass_t=table.quantity("u_mass", "t", low=0.0, high=100.0),
        length_m=table.quantity("length", "m", above=0.0, high=100.0),
        axles=table.whole("axles", low=1, high=64),
        rotary_allowance=table.number("rotary_allowance", low=0.0, high=1.0),
    )
    table.done()
    return sheet


def _consist(table: SheetTable) -> ConsistSheet:
    groups = []
    for row in table.tables("cars"):
        groups.append(
            CarGroup(
                count=row.whole("count", 1, low=1, high=1000) or 1,
                name=row.text("name"),
                mass_t=row.quantity("mass", "t", above=0.0, high=500.0, required=True) or 0.0,
                load_t=row.quantity("load", "t", low=0.0, high=500.0) or 0.0,
                u_mass_t=row.quantity("u_mass", "t", low=0.0, high=100.0),
                length_m=row.quantity("length", "m", above=0.0, high=100.0),
                axles=row.whole("axles", low=1, high=64),
                rotary_allowance=row.number("rotary_allowance", low=0.0, high=1.0),
            )
        )
        row.done()
    sheet = ConsistSheet(
        cars=tuple(groups),
        total_mass_t=table.quantity("mass", "t", above=0.0, high=200_000.0),
        total_length_m=table.quantity("length", "m", above=0.0, high=20_000.0),
        total_axles=table.whole("axles", low=1, high=10_000),
        total_count=table.whole("count", low=0, high=10_000),
        total_rotary_allowance=table.number("rotary_allowance", low=0.0, high=1.0),
        total_u_mass_t=table.quantity("u_mass", "t", low=0.0, high=20_000.0),
        u_rotary_allowance=table.number("u_rotary_allowance", low=0.0, high=1.0),
    )
    if groups and any(
        v is not None for v in (sheet.total_mass_t, sheet.total_length_m, sheet.total_axles)
    ):
        table.problem("give [[consist.cars]] or totals in [consist], not both")
    table.done()
    return sheet


def _specification(table: SheetTable) -> SpecificationSheet:
    points = []
    for row in table.tables("points"):
        speed = row.quantity("speed", "m_s", low=0.0, high=150.0, required=True)
        pull = row.quantity("pull", "kN", low=0.0, high=5000.0, required=True)
        if speed is not None and pull is not None:
            points.append((speed, pull))
        row.done()
    speeds = [speed for speed, _ in points]
    if len(set(speeds)) != len(speeds):
        table.problem("two points have the same speed; a speed has one pull")
    sheet = SpecificationSheet(
        name=table.text("name"),
        starting_pull_kN=table.quantity("starting_pull", "kN", above=0.0, high=5000.0),
        points=tuple(sorted(points)),
        power_kW=table.quantity("power", "kW", above=0.0, high=50_000.0),
        tolerance_pct=table.number("tolerance_pct", 0.0, low=0.0, high=50.0) or 0.0,
        admission=read_admission(table),
    )
    # The only kind of promise there is; a sheet that means another must hear so.
    table.text("limit", "at least", allowed=("at least",))
    if sheet.starting_pull_kN is None and not points and sheet.power_kW is None:
        table.problem("promises nothing; give starting_pull_kN, power_kW or points")
    table.done()
    return sheet
