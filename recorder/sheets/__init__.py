"""Car and trip sheets: read, check, explain."""

from recorder.sheets.car import (
    CarSheet,
    ChannelSheet,
    DeviceSheet,
    PenSheet,
    TimingSheet,
    load_car_sheet,
    parse_car_sheet,
)
from recorder.sheets.errors import SheetError
from recorder.sheets.recording import RecordingSheet
from recorder.sheets.trip import (
    MilepostSheet,
    PaperSheet,
    TripSheet,
    load_trip_sheet,
    parse_trip_sheet,
)
from recorder.sheets.vehicles import (
    CarGroup,
    ConsistSheet,
    LocomotiveSheet,
    RouteSheet,
    SpecificationSheet,
    SteamSheet,
    VehicleSheet,
)

__all__ = [
    "CarGroup",
    "CarSheet",
    "ChannelSheet",
    "ConsistSheet",
    "DeviceSheet",
    "LocomotiveSheet",
    "MilepostSheet",
    "PaperSheet",
    "PenSheet",
    "RecordingSheet",
    "RouteSheet",
    "SheetError",
    "SpecificationSheet",
    "SteamSheet",
    "TimingSheet",
    "TripSheet",
    "VehicleSheet",
    "load_car_sheet",
    "load_trip_sheet",
    "parse_car_sheet",
    "parse_trip_sheet",
]
