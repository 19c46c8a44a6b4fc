"""Every kind of mistake in a configuration: what is changed in a sound one, and how its line of the error begins."""

from __future__ import annotations

import math

from shop import GONE, number

SIMULATED = {"rig.simulated": True}


def coil(address: int) -> dict[str, object]:
    return {"link": "io", "table": "coil", "address": address}


ONE_LINE: list[tuple[str, dict[str, object], str]] = [
    # keys
    ("unknown key", {"pump.flwo": "1 gpm"}, "pump.flwo: no such key; did you mean 'flow'?"),
    ("unknown key far off", {"flush.zzz": 1}, "flush.zzz: no such key; known are order, seconds"),
    (
        "unknown key of a point",
        {"points.pump_run.adress": 1},
        "points.pump_run.adress: no such key; did you mean 'address'?",
    ),
    ("unknown key of a link", {"links.io.prot": 1}, "links.io.prot: no such key; did you mean 'port'?"),
    ("unknown table", {"pmp": {}}, "pmp: no such key; did you mean 'pump'?"),
    (
        "unknown key of an optional table",
        {"panel.hots": "0.0.0.0"},
        "panel.hots: no such key; did you mean 'host'?",
    ),
    ("missing key", {"meter.k_factor": GONE}, "meter.k_factor: missing; it has no safe default"),
    ("missing table", {"pump": GONE}, "pump: missing; it has no safe default"),
    ("missing name", {"rig.name": GONE}, "rig.name: missing"),
    ("no table", {"pump": 3}, "pump: must be a table of keys, not 3"),
    ("no table of tables", {"points": []}, "points: must be a table of keys, not []"),
    # other wiring
    (
        "on air by a scale",
        {
            "meter.kind": "scale",
            "meter.on_air": "blind",
            "meter.k_factor": GONE,
            "points.tote_mass": number("input", 20, "u16", quantity="kg"),
        },
        "meter.on_air: by scale no air is counted; leave it out",
    ),
    ("on air unknown", {"meter.on_air": "deaf"}, "meter.on_air: "),
    ("a witness of no point", {"meter.beside": {"tote_lvl": 3.0}}, "meter.beside.tote_lvl.[key]: should be"),
    ("another output of no point", {"meter.same_meter": ["flow"]}, "meter.same_meter.0: should be"),
    ("travel without a valve", {"valves.fill_travel": "6 s"}, "valves.fill_travel: there is no points.fill_valve"),
    (
        "feedback without its output",
        {"points.fill_valve_feedback": {"link": "io", "table": "discrete", "address": 9}},
        "points.fill_valve_feedback: there is no points.fill_valve that it could be the feedback of",
    ),
    (
        "run without direction",
        {"points.motor_run": coil(20), "points.pump_run": GONE, "points.pump_reverse": GONE},
        "points.motor_direction: missing; motor_run and motor_direction are wired together, or neither",
    ),
    (
        "run and direction beside a reverse contactor",
        {"points.motor_run": coil(20), "points.motor_direction": coil(21), "points.pump_run": GONE},
        "points.pump_reverse: the pump has points.motor_direction already; write pump_run and pump_reverse for a "
        "contactor each way, or motor_run and motor_direction for run and direction",
    ),
    (
        "a direction on another module",
        {
            "points.motor_run": coil(20),
            "points.motor_direction": {**coil(21), "unit": 9},
            "points.pump_run": GONE,
            "points.pump_reverse": GONE,
        },
        "points.motor_direction: on another module than motor_run; one that drops out alone",
    ),
    (
        "a settle time of no direction",
        {"pump.direction_settle": "1 s"},
        "pump.direction_settle: there is no points.motor_direction; leave it out",
    ),
    (
        "a settle time longer than the pause of a reversal",
        {"pump.direction_settle": "3 s"},
        "pump.direction_settle: should be less than or equal to 2",
    ),
    ("a loss that the relief does not allow", {"pipe.hose_loss": "31 psi"}, "pipe.hose_loss: not below pump.relief"),
    (
        "a gun's loss told twice",
        {"pipe.hose_loss": "2 psi", "pipe.gun_bore": "8 mm"},
        "pipe: hose_loss has the gun's loss in it; leave out gun_bore, or hose_loss",
    ),
    ("reverse flow of nothing", {"pump.reverse_flow": "0 gpm"}, "pump.reverse_flow: "),
    (
        "a strapping table that turns back",
        {"points.tote_level": number("input", 3, "u16", quantity="L", at=[0, 100, 50], span=[0, 30, 60])},
        "points.tote_level: write raw numbers that rise or fall, and as many values",
    ),
    (
        "a strapping table of unlike lengths",
        {"points.tote_level": number("input", 3, "u16", quantity="L", at=[0, 100, 200], span=[0, 30])},
        "points.tote_level: write raw numbers that rise or fall, and as many values",
    ),
    (
        "a float that is a number",
        {"points.tote_low": number("input", 30, "u16", quantity="L")},
        "points.tote_low.quantity: this point is a plain number",
    ),
    ("a link that may take too long", {"links.io.late": "5 s"}, "links.io.late: "),
    # quantities
    ("bare number", {"pump.flow": 40}, "pump.flow: '40' has no unit: write a flow with its unit, for example 8 gpm"),
    ("wrong kind of unit", {"pump.flow": "40 psi"}, "pump.flow: '40 psi' is not a flow"),
    ("unknown unit", {"pipe.hose_volume": "3.9 liters!"}, "pipe.hose_volume: '3.9 liters!' is not a volume"),
    ("yes for a quantity", {"pipe.hose_volume": True}, "pipe.hose_volume: 'True' is not a volume"),
    ("list for a quantity", {"pipe.hose_volume": ["3.9 L"]}, "pipe.hose_volume: "),
    (
        "negative volume",
        {"pipe.hose_volume": "-3 L"},
        "pipe.hose_volume: should be greater than or equal to 0, not '-3 L'",
    ),
    ("no flow", {"pump.flow": "0 gpm"}, "pump.flow: should be greater than 0"),
    ("no bore", {"pipe.hose_bore": "0 mm"}, "pipe.hose_bore: should be greater than 0"),
    ("no pulses", {"meter.k_factor": "0 pulse/L"}, "meter.k_factor: should be greater than 0"),
    ("no patience", {"links.io.timeout": "0 s"}, "links.io.timeout: should be greater than 0"),
    ("endless patience", {"links.io.timeout": "5 min"}, "links.io.timeout: should be less than or equal to 10"),
    ("no scan", {"clock.scan": "0 s"}, "clock.scan: should be greater than 0"),
    ("gauge for absolute", {"rig.atmosphere": "0 psi"}, "rig.atmosphere: should be greater than or equal to 50"),
    # plain numbers and names
    ("no host", {"links.io.host": ""}, "links.io.host: "),
    ("port", {"links.io.port": 70000}, "links.io.port: should be less than or equal to 65535, not 70000"),
    ("unit", {"points.pump_run.unit": 256}, "points.pump_run.unit: should be less than or equal to 255"),
    ("address", {"points.pump_run.address": 65536}, "points.pump_run.address: should be less than or equal to 65535"),
    (
        "below the first",
        {"points.pump_run.address": -1},
        "points.pump_run.address: should be greater than or equal to 0",
    ),
    ("meter factor", {"meter.meter_factor": 8.0}, "meter.meter_factor: should be less than or equal to 1.25"),
    ("no number", {"meter.meter_factor": math.nan}, "meter.meter_factor: "),
    ("no date", {"meter.proven_on": "last week"}, "meter.proven_on: should be a valid date"),
    # words
    ("link kind", {"links.io.kind": "usb"}, "links.io.kind: should be 'tcp', 'rtu' or 'line', not 'usb'"),
    (
        "table",
        {"points.pump_run.table": "relay"},
        "points.pump_run.table: should be 'coil', 'discrete', 'input' or 'holding'",
    ),
    ("type", {"points.tote_level.type": "u8"}, "points.tote_level.type: should be "),
    (
        "byte order",
        {"points.meter_count.order": "ACBD"},
        "points.meter_count.order: should be 'ABCD', 'CDAB', 'BADC' or 'DCBA'",
    ),
    ("air out", {"air_out.method": "suck"}, "air_out.method: should be 'vent' or 'draw-down', not 'suck'"),
    (
        "relief",
        {"pump.relief_returns": "tyre side of the meter"},
        "pump.relief_returns: a relief valve that returns past the meter counts liquid that never reached the tyre; "
        "lead it back between tote and meter and write 'pump side of the meter'",
    ),
    # points by themselves
    (
        "bool register",
        {"points.tote_level.type": "bool", "points.tote_level.quantity": ""},
        "points.tote_level.type: a volume is a number; write u16, i16, u32, i32 or f32",
    ),
    (
        "number coil",
        {"points.pump_run.type": "u16"},
        "points.pump_run: coils and discretes are bool, and one bit each: write no other type for a coil",
    ),
    (
        "bit of a discrete",
        {"points.estop_ok.bit": 3},
        "points.estop_ok: coils and discretes are bool, and one bit each",
    ),
    (
        "bit of a number",
        {"points.tote_level.bit": 3},
        "points.tote_level: a u16 has no yes or no: leave out bit and inverted, or write type = 'bool'",
    ),
    (
        "emergency stop that a broken wire keeps ready",
        {"points.estop_ok.inverted": True},
        "points.estop_ok.inverted: a broken wire must read as off, and never as ready; wire it the other way",
    ),
    ("no scale", {"points.tote_level.scale": 0}, "points.tote_level: scale is 0"),
    ("scale no number", {"points.tote_level.scale": math.nan}, "points.tote_level.scale: should be a finite number"),
    (
        "over the end",
        {"points.meter_count.address": 65535},
        "points.meter_count: address 65535 leaves no room for a u32",
    ),
    ("empty range", {"points.line_pressure.low": 60}, "points.line_pressure: low 60 is not below high 60"),
    # points together
    (
        "point name",
        {"points.line_presure": number("input", 9, "u16", quantity="psi")},
        "points.line_presure: no point of this name is known; did you mean 'line_pressure'?",
    ),
    ("no such link", {"points.estop_ok.link": "oi"}, "points.estop_ok.link: no link 'oi'; write one of io"),
    (
        "output that cannot be written",
        {"points.vent_valve.table": "discrete", "points.vent_valve.address": 7},
        "points.vent_valve.table: an output is a coil, or a holding register of type 'bool' that takes 1 and 0",
    ),
    (
        "output in a bit that others share",
        {"points.vent_valve.table": "holding", "points.vent_valve.address": 7, "points.vent_valve.bit": 2},
        "points.vent_valve.bit: an output is written alone; give it a coil or a whole holding register",
    ),
    (
        "one bit twice",
        {
            "points.estop_ok": {"link": "io", "table": "input", "address": 90, "bit": 4},
            "points.stop_button": {"link": "io", "table": "input", "address": 90, "bit": 4},
        },
        "points.stop_button: shares input 90 of unit 1 with points.estop_ok; give each its own address",
    ),
    ("no pump", {"points.pump_run": GONE}, "points.pump_run: missing; the rig cannot run without it"),
    ("no meter", {"points.meter_count": GONE}, "points.meter_count: missing"),
    ("no gauge", {"points.line_pressure": GONE}, "points.line_pressure: missing"),
    (
        "no vent",
        {"points.vent_valve": GONE},
        'points.vent_valve: missing; without it write air_out.method = "draw-down"',
    ),
    (
        "two relays on one coil",
        {"points.pump_reverse.address": 0},
        "points.pump_reverse: shares coil 0 of unit 1 with points.pump_run; give each its own address",
    ),
    (
        "torn counter",
        {"points.line_pressure.address": 1},
        "points.line_pressure: shares input 1 of unit 1 with points.meter_count",
    ),
    (
        "count with a scale",
        {"points.meter_count.scale": 0.01},
        "points.meter_count: a count is a whole number of pulses",
    ),
    ("count in a float", {"points.meter_count.type": "f32"}, "points.meter_count: a count is a whole number of pulses"),
    (
        "no unit of pressure",
        {"points.line_pressure.quantity": "psl"},
        "points.line_pressure.quantity: 'psl' is no unit of pressure; write a unit of pressure, for example 'kPa'",
    ),
    (
        "a quantity for a unit",
        {"points.line_pressure.quantity": "18 psi"},
        "points.line_pressure.quantity: '18 psi' is no unit",
    ),
    (
        "no unit at all",
        {"points.line_pressure.quantity": ""},
        "points.line_pressure.quantity: '' is no unit of pressure",
    ),
    ("unit on a switch", {"points.estop_ok.quantity": "V"}, "points.estop_ok.quantity: this point is a plain number"),
    (
        "time-out that is not written",
        {"points.output_timeout.table": "input", "points.output_timeout.address": 50},
        "points.output_timeout.table: the time-out is written; write 'holding', not 'input'",
    ),
    (
        "time-out too coarse",
        {"points.output_timeout.scale": 10},
        "limits.output_timeout: 2 s cannot be written to points.output_timeout, which would hold 0 s",
    ),
    ("time-out too long", {"points.output_timeout.quantity": "us"}, "limits.output_timeout: 2 s cannot be written"),
    # limits
    (
        "ceiling over the beads' limit",
        {"limits.ceiling": "36 psi", "limits.trip": "37 psi"},
        "limits.ceiling: above 35 psi",
    ),
    ("trip over the beads' limit", {"limits.trip": "300 kPa"}, "limits.trip: above 35 psi, where beads burst off rims"),
    ("arrival over the beads' limit", {"limits.arrival": "3 bar"}, "limits.arrival: above 35 psi"),
    (
        "relief over the beads' limit",
        {"pump.relief": "40 psi"},
        "pump.relief: above 35 psi; fit a relief valve of 30 psi or less",
    ),
    ("floor over ceiling", {"limits.floor": "21 psi"}, "limits: floor, ceiling and trip must rise in this order"),
    ("ceiling over trip", {"limits.ceiling": "25 psi"}, "limits: floor, ceiling and trip must rise in this order"),
    (
        "floor too deep",
        {"limits.floor": "-4 psi", "air_out.method": "draw-down"},
        "limits.floor: below -3 psi tubes collapse",
    ),
    (
        "vent below the air",
        {"limits.floor": "-1 psi"},
        "limits.floor: a vent stops at the air outside; write 0 psi or more",
    ),
    # simulation
    ("fast real rig", {"clock.scale": 30}, "clock.scale: a real rig runs on the real clock; write 1 or leave it out"),
    (
        "hands on a real rig",
        {"points.hand_gun_on": {"link": "io", "table": "coil", "address": 9}},
        "points.hand_gun_on: only a simulated rig has this point",
    ),
    ("too fast", {"clock.scale": 1000, **SIMULATED}, "clock.scale: should be less than or equal to 200, not 1000"),
]

LINE = {
    "kind": "line", "port": "tty-scale", "pattern": r"(?P<weight>[-+ ]*\d+\.\d) (?P<unit>kg|lb)",
    "example": "+  123.4 kg", "fields": {"weight": {"point": "tote_mass", "quantity": "kg", "unit_from": "unit"}},
}  # fmt: skip
RTU = {"kind": "rtu", "port": "tty-bus"}


def line(**changes: object) -> dict[str, object]:
    """A rig with a scale on a serial line, changed."""
    return {"links.scale": {**LINE, **changes}}


def weight(**changes: object) -> dict[str, object]:
    """The same with a changed field."""
    return line(fields={"weight": {"point": "tote_mass", "quantity": "kg", "unit_from": "unit", **changes}})


ONE_LINE += [
    ("no kind of link", {"links.io": {"port": 502}}, "links.io.kind: should be 'tcp', 'rtu' or 'line', missing"),
    ("no port", {"links.bus": {"kind": "rtu"}}, "links.bus.port: missing"),
    ("parity", {"links.bus": {**RTU, "parity": "X"}}, "links.bus.parity: should be 'N', 'E' or 'O', not 'X'"),
    ("unknown key of a bus", {"links.bus": {**RTU, "boud": 1}}, "links.bus.boud: no such key; did you mean 'baud'?"),
    ("unknown key of a field", weight(unit="kg"), "links.scale.fields.weight.unit: no such key"),
    ("two links on one port", {"links.a": RTU, "links.b": RTU}, "links.b.port: 'tty-bus' is used by links.a"),
    ("no pattern", line(pattern="("), "links.scale: pattern is no regular expression"),
    ("field that is not in it", line(pattern=r"(?P<weight>\d+\.\d) kg", example=""), "links.scale: fields.unit is not"),
    ("example that does not fit", line(example="123 kg"), "links.scale: example '123 kg' does not fit the pattern"),
    ("poll no text", line(poll="\x05é"), "links.scale: poll, terminator and example are plain ASCII"),
    ("no scale of a field", weight(scale=0), "links.scale: fields.weight.scale is 0"),
    (
        "field of no point",
        weight(point="tote_mas"),
        "links.scale.fields.weight.point: no point 'tote_mas' comes in a line; did you mean 'tote_mass'?",
    ),
    (
        "point read twice",
        weight(point="tote_level", quantity="L", unit_from=""),
        "links.scale.fields.weight.point: 'tote_level' stands in points already",
    ),
    ("field in a wrong unit", weight(quantity="L"), "links.scale.fields.weight.quantity: 'L' is no unit of mass"),
    (
        "point on a line",
        {**line(), "points.estop_ok.link": "scale"},
        "points.estop_ok.link: 'scale' sends lines; name the point in links.scale.fields",
    ),
    ("scale without a scale", {"meter.kind": "scale"}, "points.tote_mass: missing; the rig cannot run without it"),
    (
        "scale with a draw-down",
        {**line(), "meter.kind": "scale", "air_out.method": "draw-down"},
        "meter.kind: the tote does not show air being drawn",
    ),
    ("run time backwards", {"meter.kind": "run time"}, "meter.reverse: nothing counts backwards by run time"),
]
