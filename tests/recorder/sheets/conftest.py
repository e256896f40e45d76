"""A good car sheet and a good trip sheet, to be spoilt one key at a time."""

from __future__ import annotations

import pytest

CAR = """
[car]
name = "Dynamometer car Level"
number = 4
time_zone = "Etc/GMT-1"
units = "customary"

[devices.drawbar]
driver = "load-cell-frames"
port = "/dev/serial/by-id/cell"
expected_hz = 2000
silence_limit_s = 1.5
channel_count = 4
[devices.drawbar.channels.ch0]
name = "pull"
quantity = "pull"
certificate = "certificates/cell.json"
[devices.drawbar.channels.reference]
field = "ch2"
quantity = "force"
role = "reference"

[devices.wheel]
driver = "wheel-pulses"
port = "tcp://127.0.0.1:5002"
certificate = "wheel.json"
[devices.wheel.options]
max_pulse_hz = 50000.0

[marks.keys]
k = "milepost"
F5 = "station"

[pens.pull]
low = -200
high = 500
style = "dashed"

[recording]
zero_seconds = 4
"""

TRIP = """
[trip]
name = "Trial with forty cars"
date = 2026-05-04
crew = ["chief observer", "second observer"]
operator = "observer 1"
planned_hours = 6.5

[route]
file = "route.csv"
direction = "decreasing"
start_chainage_km = 12.5

[mileposts]
first = 120
step = -1

[locomotive]
name = "No. 61"
kind = "steam"
mass_short_tons = 200
adhesive_mass_short_tons = 120
length_ft = 80
axles = 9
rotary_allowance = 0.06
resistance = [12.0, 0.1, 0.003]
[locomotive.steam]
cylinders = 2
bore_in = 24
stroke_in = 30
driver_diameter_in = 63
boiler_pressure_psi = 200

[test_car]
mass_t = 40
length_m = 20
axles = 4
rotary_allowance = 0.05

[[consist.cars]]
count = 30
name = "box car"
mass_t = 20
load_t = 30
length_m = 12
axles = 4
rotary_allowance = 0.05
[[consist.cars]]
count = 1
name = "caboose"
mass_long_tons = 15
length_m = 9
axles = 4
rotary_allowance = 0.08

[specification]
name = "builder's promise"
starting_pull_lbf = 45000
[[specification.points]]
speed_mph = 30
pull_lbf = 20000
[[specification.points]]
speed_mph = 10
pull_lbf = 38000
"""


@pytest.fixture
def car_text() -> str:
    return CAR


@pytest.fixture
def trip_text() -> str:
    return TRIP
