"""One TOML file describes a shop's rig; this module reads it and reports every mistake at once.

The tables follow a person's description of the truck: the wiring (``links``, ``points``), then the pipe work, the
meter, the pump, the limits, the tote. Nothing here opens a port or moves anything.
"""

from __future__ import annotations

import copy
import hashlib
import tomllib
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from pydantic import Field, PrivateAttr, ValidationError, model_validator

from rig.field.links import BusLink, LineField, LineLink, Link
from rig.field.points import Point, Seconds, Strict
from rig.field.turning import FORWARD, REVERSE, RUN
from rig.run.air_tank_table import ONLY_LOOKS, AirTankTable, air_tank_faults
from rig.run.box_table import BlackBoxTable
from rig.run.line_tables import AirOutTable, FlushTable, PipeTable, PumpTable, ToteTable, ValvesTable
from rig.run.meter_table import MeterTable, meter_faults
from rig.run.mistakes import Location, drop, explain, untagged
from rig.run.names import DIRECTED, MOVING, QUANTITY_OF_POINT, SIGNALS
from rig.run.office_table import OfficeTable
from rig.run.quantities import Height, Pressure, Volume
from rig.run.shop_fluids import ShopFluid
from rig.run.shop_panel import PanelTable
from rig.run.shop_wheels import ShopWheel
from rig.run.whole import whole_faults
from rig.run.wiring import pump_faults, wiring_faults
from rig.sentence import Faults, Wording
from rig.units import KPA_PER_PSI

_PATHS = (
    ("rig", "data", "rig-data"), ("rig", "second_copy", ""), ("panel", "texts", ""),
    ("panel", "languages", ""), ("panel", "certificate", ""), ("panel", "key", ""),
)  # fmt: skip
"""Keys that are paths, each with its default."""
_MOST_SETTLE_S = 2.0
"""Upper bound of the default settle time: every reversal has this pause anyway."""
_NOT_TOML = Wording("config.not_toml", "{path}: is not TOML: {error}")


class SettingsError(ValueError):
    """A configuration that cannot be used; the message lists every mistake with file, key and fix.

    ``faults`` are those in its keys, each with the key first.
    """

    def __init__(self, text: str, faults: Sequence[str] = ()) -> None:
        super().__init__(text)
        self.faults = tuple(faults)


class RigTable(Strict):
    """Which rig this is and where it keeps its records."""

    name: str
    """The rig's name, on tickets and on the page. It may be changed: the book has an id of its own."""
    simulated: bool = False
    """The links lead to a simulated rig: every record and paper says so."""
    unattended: bool = False
    """A real rig answers its own prompts only if the shop allows it here."""
    by_hand: bool = False
    """A person operates the pump's lever. ``pump_run``, if wired, is then the pump's supply, which can be cut."""
    data: str = _PATHS[0][2]
    """Folder of journal and records, relative to the configuration's own folder, as every path in it."""
    atmosphere: Pressure = Field(default=101.325, ge=50, le=110)
    """Absolute ambient pressure: 101.3 kPa at sea level, about 84 kPa at 1500 m."""
    second_copy: str = ""
    """Folder on another medium (a stick, a share) to which everything is copied after every record."""


class ClockTable(Strict):
    """The controller's clock. Only a simulated rig may run it faster than real time."""

    scale: float = Field(default=1.0, ge=1.0, le=200.0)
    """How many times faster than real time a simulated rig runs."""
    scan: Seconds = Field(default=0.1, gt=0, le=1)
    """Time between scans, on the controller's clock."""
    heartbeat: Seconds = Field(default=1.0, ge=0.2, le=10)
    """Period of the ``heartbeat`` output, pulse and pause, on the controller's clock."""


class LimitsTable(Strict):
    """Gauge pressures of the working window.

    Source: a tyre maker's published procedure, which keeps beads at 5 psi or more and bleeds above 20 psi.
    """

    floor: Pressure = 5 * KPA_PER_PSI
    """The tyre's pressure is not taken below this while air is let out or drawn."""
    ceiling: Pressure = 20 * KPA_PER_PSI
    """A stroke ends before the tyre's pressure passes this."""
    trip: Pressure = 25 * KPA_PER_PSI
    """Above this everything goes off until a person resets it."""
    arrival: Pressure = 15 * KPA_PER_PSI
    """A tyre that comes with more pressure is let down by hand first."""
    margin: Height = Field(default=0.0, ge=0, le=0.3)
    """How far the level stays below the valve in every wheel, to keep the pressure gauge dry."""
    strainer: Pressure = Field(default=70.0, gt=0)
    """Threshold of the strainer's pressure loss above which it needs cleaning."""
    tolerance: Volume = 0.4
    """A fill shorter than the target by more than this is topped up."""
    stale: Seconds = Field(default=1.0, gt=0)
    """Maximum age of a reading in a running fill, wall clock."""
    late: Seconds = Field(default=0.7, gt=0)
    """Longest gap between two scans, wall clock."""
    output_timeout: Seconds = Field(default=2.0, gt=0)
    """Written to the relay module's time-out register, if any: its outputs drop out after this long a silence."""
    timeout_fixed: bool = False
    """The module has this time-out but no register for it: set by switches, or built in."""
    timeout_proven_on: date | None = None
    """The day on which a person pulled the bus plug and saw the outputs drop out in time. Without it the time-out is
    not relied on: an off that no module acknowledges counts as not done."""


class Settings(Strict):
    """A whole rig."""

    rig: RigTable
    clock: ClockTable = ClockTable()
    links: dict[str, Link]
    points: dict[str, Point]
    meter: MeterTable
    pipe: PipeTable
    pump: PumpTable
    air_out: AirOutTable
    valves: ValvesTable = ValvesTable()
    limits: LimitsTable = LimitsTable()
    tote: ToteTable
    flush: FlushTable = FlushTable()
    fluids: dict[str, ShopFluid] = Field(default_factory=dict)
    wheels: dict[str, ShopWheel] = Field(default_factory=dict)
    panel: PanelTable = PanelTable()
    black_box: BlackBoxTable = BlackBoxTable()
    office: OfficeTable = OfficeTable()
    air_tank: AirTankTable | None = None
    sim: object = Field(default_factory=dict)
    """True values of a simulated rig: passed over unread, the simulator's alone."""
    _origin: str = PrivateAttr(default="")
    _hash: str = PrivateAttr(default="")

    @model_validator(mode="after")
    def _whole(self) -> Settings:
        faults = [
            *wiring_faults(self.points, self.links), *whole_faults(self),
            *pump_faults(self.points, by_hand=self.rig.by_hand, settle_s=self.pump.direction_settle),
            *meter_faults(self.meter, self.air_out.method, by_hand=self.rig.by_hand),
            *air_tank_faults(self.air_tank, {**self.points, **self.line_points}, self.limits.arrival),
        ]  # fmt: skip
        if faults:
            raise Faults(faults)
        return self

    @property
    def origin(self) -> str:
        """The file it was read from; empty if it was not read from one."""
        return self._origin

    @property
    def hash(self) -> str:
        """SHA-256 of that file, hex; empty if there is none."""
        return self._hash

    @property
    def buses(self) -> dict[str, BusLink]:
        """Links that carry registers and coils."""
        return {name: link for name, link in self.links.items() if not isinstance(link, LineLink)}

    def late_of(self, name: str) -> float:
        """Longest time for a link's part of a scan, seconds."""
        link = self.links[name]
        own = None if isinstance(link, LineLink) else link.late
        return self.limits.late if own is None else own

    @property
    def late_s(self) -> float:
        """Longest gap between two scans: the limit of the slowest link that scans wait for."""
        names = (name for name, link in self.buses.items() if link.scan is None)
        return max((self.late_of(name) for name in names), default=self.limits.late)

    @property
    def stale_s(self) -> float:
        """Maximum age of a reading in a running fill: at least the longest time of a scan."""
        return max(self.limits.stale, self.late_s)

    def stale_of(self, name: str) -> float:
        """The same for one link's points: with its own scan interval, at least until its next read may be done."""
        link = self.links[name]
        if link.stale is not None:
            return link.stale
        own = None if isinstance(link, LineLink) else link.scan
        return self.stale_s if own is None else max(self.limits.stale, own + self.late_of(name))

    @property
    def own_stale_s(self) -> dict[str, float]:
        """By point, its maximum age, for points whose link has another limit than the rig."""
        limits = {name: self.stale_of(name) for name in self.links}
        on = {name: point.link for name, point in self.points.items()}
        for name, link in self.links.items():
            on |= {each.point: name for each in link.fields.values()} if isinstance(link, LineLink) else {}
        return {name: limits[link] for name, link in on.items() if limits[link] != self.stale_s}

    @property
    def read(self) -> dict[str, Point]:
        """Points on registers and coils that are read in every scan."""
        return {name: point for name, point in self.points.items() if not point.write_only}

    @property
    def unhurried(self) -> frozenset[str]:
        """Points read less often than every scan: in lines of text, or over a link with its own scan interval."""
        paced = {name for name, link in self.buses.items() if link.scan is not None}
        paced_points = {name for name, point in self.points.items() if point.link in paced}
        return frozenset(self.line_points) - ONLY_LOOKS | paced_points

    @property
    def brought(self) -> frozenset[str]:
        """Names that every scan of a fill updates: the other points, and forward and reverse derived from run and
        direction."""
        read = frozenset(self.read) - self.unhurried - ONLY_LOOKS
        return read | {FORWARD, REVERSE} if read >= DIRECTED else read

    @property
    def outputs(self) -> frozenset[str]:
        """Outputs the rig can switch by itself: forward and reverse also if implemented by run and direction."""
        pump = frozenset({FORWARD, REVERSE}) if RUN in self.points else frozenset()
        return (MOVING | SIGNALS) & set(self.points) | pump

    @property
    def direction_settle_s(self) -> float:
        """How long run is off before a direction output is changed."""
        settle = self.pump.direction_settle
        return min(self.pump.coast, _MOST_SETTLE_S) if settle is None else settle

    @property
    def line_points(self) -> dict[str, LineField]:
        """Points that come in lines of text, by name."""
        lines = [link for link in self.links.values() if isinstance(link, LineLink)]
        return {each.point: each for link in lines for each in link.fields.values()}

    @property
    def quantities(self) -> dict[str, str]:
        """The unit of every point that has one, by name."""
        both: dict[str, Point | LineField] = {**self.points, **self.line_points}
        return {name: point.quantity for name, point in both.items() if name in QUANTITY_OF_POINT}


def load_settings(path: Path) -> Settings:
    """Read and check the configuration in ``path``; its relative paths count from its own folder.

    Raises :class:`SettingsError`, which names the file and, a line each, every wrong key and its fix.
    """
    text = text_of(path)
    settings = settings_of(placed(document_of(path, text), path.parent), str(path))
    settings._origin, settings._hash = str(path), hashlib.sha256(text.encode()).hexdigest()
    return settings


def text_of(path: Path) -> str:
    """The text of a configuration; SettingsError where it cannot be read."""
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        words = Wording("config.unread", "{path}: cannot be read ({error})")
        raise SettingsError(words(path=str(path), error=error.strerror or str(error))) from error
    except UnicodeDecodeError as error:
        raise SettingsError(_NOT_TOML(path=str(path), error=str(error))) from error


def document_of(path: Path, text: str) -> dict[str, object]:
    """The tables in a configuration's text; SettingsError where it is not TOML."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(_NOT_TOML(path=str(path), error=str(error))) from error


def placed(document: dict[str, object], folder: Path) -> dict[str, object]:
    """The configuration with its paths relative to the working directory."""
    placed = dict(document)
    for table, key, usual in _PATHS:
        keys = placed.get(table)
        if isinstance(keys, dict) and isinstance(text := keys.get(key, usual), str) and text:
            placed[table] = {**keys, key: str(folder / text)}
    return placed


def settings_of(document: dict[str, object], origin: str) -> Settings:
    """Check a configuration that is already parsed; ``origin`` names it in the errors."""
    try:
        return Settings.model_validate(document)
    except ValidationError as error:
        faults = error.errors()
        lines = [line for fault in faults for line in explain(fault, Settings)]
        lines += _whole_faults(document, [untagged(fault["loc"], Settings) for fault in faults if fault["loc"]])
        raise SettingsError("\n".join(f"{origin}: {line}" for line in lines), lines) from error


def _whole_faults(document: dict[str, object], wrong: list[Location]) -> list[str]:
    """Faults between tables, reported together with the keys that are ``wrong`` by themselves.

    Wrong keys are left out of this check and not reported again; if they have no default, there is no check.
    """
    if not wrong:
        return []
    rest = copy.deepcopy(document)
    for location in wrong:
        if location[0] == "links" and len(location) == 2:
            # Points may depend on an unusable link: substitute a generic one.
            links = rest["links"]
            assert isinstance(links, dict)
            given = links[location[1]]
            if isinstance(given, dict) and "pattern" in given:
                return []  # The points in its lines are unknown.
            links[location[1]] = {"kind": "tcp"}
            continue
        drop(rest, location[:2] if location[0] == "points" else location)
    try:
        Settings.model_validate(rest)
    except ValidationError as error:
        lines = [line for fault in error.errors() if not fault["loc"] for line in explain(fault, Settings)]
        reported = {location[:2] for location in wrong}
        return [line for line in lines if tuple(line.partition(":")[0].split(".")[:2]) not in reported]
    return []
