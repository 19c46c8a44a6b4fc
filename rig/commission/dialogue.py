"""The whole commissioning: the steps in their order, each kept as soon as it is done. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from rig.choice import Choice
from rig.commission.acts import Keep, Ports, Prove, Proven, Seal, Standing, Talk, Write
from rig.commission.air_step import find_air
from rig.commission.document import toml_of
from rig.commission.found import STEPS, Checked, Finding, Known, Progress, Row, Step
from rig.commission.gauge_step import find_gauge
from rig.commission.meter_step import find_meter
from rig.commission.more_step import find_more
from rig.commission.relay_step import find_relays, read_places
from rig.commission.rig_step import find_rig
from rig.commission.switch_step import find_stop
from rig.commission.talk import GivenUp, ask, say, yes
from rig.commission.timeout_step import find_power, find_timeout
from rig.commission.trial_steps import dry_tests, wet_tests
from rig.commission.walk import TCP_PORTS, Looking, module_of, on_host, on_port, wire_text, with_span
from rig.commission.wires import BusLink, Module, Span, Wire

_HEADING = "Written by `rig commission`. The commissioning sheet in the book says how each value was found."


_WORKING_S = 0.3
"""Time-out of a link at work, at least: the configuration's own default."""


@dataclass(frozen=True, slots=True)
class Ended:
    """How a session ended: the progress, and whether everything is done."""

    progress: Progress
    whole: bool


def commission(known: Known, looking: Looking) -> Talk[Ended]:
    """All steps that are not done yet; the person may leave at any step and go on later."""
    steps = _steps(looking)
    while (step := known.progress.next) is not None:
        number = [*STEPS].index(step) + 1
        yield from say(f"\nStep {number} of {len(STEPS)}, {step}: {STEPS[step]}")
        try:
            finding = yield from steps[step](known)
        except GivenUp:
            yield from say(f"  Left at step {step!r}; the steps before it are kept. The same command goes on there.")
            return Ended(known.progress, whole=False)
        for test in finding.tests:
            yield from say(
                f"  {'good' if test.good else 'NOT GOOD'}: {test.what}: expected {test.expected}; seen {test.seen}"
            )
        kept: Finding = yield Keep(step, finding)
        known = replace(known, progress=known.progress.with_done(step, kept))
    return Ended(known.progress, whole=True)


def _steps(looking: Looking) -> Mapping[Step, Callable[[Known], Talk[Finding]]]:
    def look(known: Known) -> Talk[Finding]:
        return find_modules(known, looking)

    return {
        "look": look, "meter": find_meter, "stop": find_stop, "gauge": find_gauge, "more": find_more,
        "relays": find_relays, "timeout": find_timeout, "power": find_power, "air": find_air, "rig": find_rig,
        "dry": dry_tests, "wet": wet_tests, "write": _written, "prove": _proven, "sheet": _sealed,
    }  # fmt: skip


# --- what answers -----------------------------------------------------------------------------------------------------


def find_modules(known: Known, looking: Looking) -> Talk[Finding]:
    """The modules on serial ports and named hosts, and the places that they answer; nothing is written."""
    while True:
        ports = yield from _asked_ports()
        hosts = yield from _asked_hosts()
        most_s = looking.most_s(len(ports), len(hosts))
        yield from say(
            f"  Looking takes at most {most_s:.0f} s, and {looking.module_s:.0f} s for "
            "each module that is found. It only reads: functions 1 to 4."
        )
        wires = yield from _found(replace(looking, budget_s=most_s), ports, hosts)
        if wires:
            break
        yield from say("  Nothing was found. Power, cable, A and B exchanged, termination? Then again.")
    wires = yield from _with_named(wires)
    return Finding(
        wires=wires,
        rows=tuple(
            Row(what=f"Link {name}", value=wire_text(name, wire).strip().replace("\n", ";"))
            for name, wire in wires.items()
        ),
    )


def _asked_ports() -> Talk[list[str]]:
    here: list[tuple[str, str]] = yield Ports()
    if here:
        lines = "\n".join(f"  {path}  {what}" for path, what in here)
        answer = yield from ask(
            f"Serial ports here:\n{lines}\nWhich to look at? Or paths",
            Choice("", "all"),
            Choice("n", "none"),
        )
    else:
        answer = yield from ask("No serial port was found here. Paths of others", Choice("", "none"))
    if answer.lower() in ("n", "none"):
        return []
    return answer.split() or [path for path, _ in here]


def _asked_hosts() -> Talk[list[tuple[str, list[int]]]]:
    """Hosts, each with the ports to be tried."""
    while True:
        answer = yield from ask(
            "Modbus TCP devices or gateways: host, or host:port, with blanks between", Choice("", "none")
        )
        found, wrong = list[tuple[str, list[int]]](), ""
        for word in answer.split():
            host, colon, port = word.rpartition(":") if word.count(":") == 1 else (word, "", "")
            if colon and not (port.isdecimal() and 0 < int(port) < 65536):
                wrong = word
            found.append((host, [int(port)] if colon and not wrong else list(TCP_PORTS)))
        if not wrong:
            return found
        yield from say(f"  {wrong}: a port is a number from 1 to 65535.")


def _found(looking: Looking, ports: list[str], hosts: list[tuple[str, list[int]]]) -> Talk[dict[str, Wire]]:
    wires: dict[str, Wire] = {}
    for port in ports:
        yield from _take_in(looking, wires, "bus", (yield from on_port(looking, port)))
    for host, tried in hosts:
        yield from _take_in(looking, wires, "net", (yield from on_host(looking, host, tried)))
    for skipped in looking.skipped:
        yield from say(f"  Not looked at, the time was up: {skipped}")
    return wires


def _take_in(looking: Looking, wires: dict[str, Wire], kind: str, found: tuple[BusLink, list[int]] | str) -> Talk[None]:
    if isinstance(found, str):
        yield from say(f"  {found}")
        return
    found_link, units = found
    # A search is impatient; work is not.
    link = found_link.model_copy(update={"timeout": max(found_link.timeout, _WORKING_S)})
    modules = list[Module]()
    for unit in units:
        modules.append((yield from module_of(looking, link, unit)))
    name = f"{kind}{sum(each.startswith(kind) for each in wires) + 1}"
    # A unit that refuses everything is no module where every number answers so.
    answering = tuple(module for module in modules if module.spans)
    wires[name] = Wire(link=link, modules=answering or tuple(modules))
    yield from say(wire_text(name, wires[name]))


def _with_named(wires: dict[str, Wire]) -> Talk[dict[str, Wire]]:
    """Places that the person adds by the manuals."""
    while True:
        answer = yield from ask(
            "Is a place of the manuals missing? Write it, for example bus1 unit 1 input 4096-4103", Choice("", "no")
        )
        if not answer:
            return wires
        places = read_places(answer)
        if not places or places[0].link not in wires:
            yield from say(f"  A link ({', '.join(wires)}), its unit, a table and the addresses.")
            continue
        first, wire = places[0], wires[places[0].link]
        modules = {module.unit: module for module in wire.modules}
        module = modules.get(first.unit, Module(unit=first.unit))
        modules[first.unit] = with_span(module, Span(table=first.table, address=first.address, count=len(places)))
        wires = {**wires, first.link: Wire(link=wire.link, modules=tuple(modules.values()))}


# --- what is left at the end ------------------------------------------------------------------------------------------


def _written(known: Known) -> Talk[Finding]:
    standing: str = yield Standing()
    if standing and not (yield from yes(f"{standing}\nWrite over it? The old one is kept beside it.")):
        raise GivenUp
    path: str = yield Write(toml_of(known, _HEADING))
    return Finding(rows=(Row(what="Configuration", value=path),))


def _proven(known: Known) -> Talk[Finding]:
    if known.tables.get("meter", {}).get("kind") not in ("pulses", "total"):
        return Finding(rows=(Row(what="Proving", value="not done: by this meter every fill is marked estimated"),))
    can = yield from ask('A known can to prove the meter with, for example "20 L"', Choice("", "later, by rig prove"))
    if not can:
        return Finding(rows=(Row(what="Proving", value="NOT DONE: rig prove"),))
    proven: Proven = yield Prove(can)
    test = Checked(what="Proving", expected="three runs within 0.2 %, taken", seen=proven.text, good=proven.taken)
    return Finding(rows=(Row(what="Proving", value=proven.text, how=f"known can of {can}"),), tests=(test,))


def _sealed(known: Known) -> Talk[Finding]:
    done = known.progress.done
    rows = tuple(row for step in STEPS if step in done for row in done[step].rows)
    tests = tuple(test for step in STEPS if step in done for test in done[step].tests)
    serial: int = yield Seal(Finding(rows=rows, tests=tests))
    return Finding(rows=(Row(what="Record in the book", value=str(serial)),))
