"""A tank of air at the demonstration's rig: text behind its configuration, and its keys set anew."""

from __future__ import annotations

VALVE = """
[points.air_valve]
link = "io"
table = "coil"
address = 5
"""
BY_HAND = """
[points.hand_air_open]
link = "io"
table = "coil"
address = 12
"""
GAUGE = """
[points.tank_pressure]
link = "io"
table = "input"
address = 9
type = "u16"
scale = 0.01
quantity = "psi"
low = 0
high = 160
accuracy = "0.5 %"
"""
TANK = """
[air_tank]
volume = "60 L"
rating = "145 psi"
"""
GAS = 'heat_time = "15 s"\ngrowth = 0.001\n'
RIG = {"scale": "200", "size": '"16.9-28"', "start_pressure": '"0 psi"'}
