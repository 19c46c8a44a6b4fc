"""Answers for a whole machine listed in a file, and their texts.

Reads options and the machine's TOML list; computes nothing. It must not know ports, fills or the ledger.
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import get_args

from pydantic import Field, ValidationError

from rig.field.points import Strict
from rig.plan.advice import Use
from rig.plan.machine import Axle, Body, Job, Pivot
from rig.plan.target import TargetError
from rig.run.assembly import Question, answer
from rig.run.settings import Settings, SettingsError
from rig.units import L_PER_GAL, gallons, parse, show_mass, show_volume

_USES: tuple[Use, ...] = get_args(Use)


class _WheelTable(Strict):
    size: str
    wheels: int = Field(default=2, ge=1, le=8)
    valve_at: float = Field(default=12.0, ge=0, lt=13)
    fill: float | None = Field(default=None, gt=0, le=90)
    valve: str | None = None
    use: tuple[str, ...] = ()


class _BodyTable(Strict):
    mass: str
    track: str
    centre_height: str
    pivot_height: str | None = None
    wheelbase: str | None = None
    centre_ahead: str | None = None


class _MachineFile(Strict):
    name: str
    fluid: str | None = None
    temperature: str | None = None
    price_per_gallon: float | None = Field(default=None, ge=0)
    price_per_litre: float | None = Field(default=None, ge=0)
    tote: str | None = None
    body: _BodyTable | None = None
    axles: dict[str, _WheelTable] = Field(min_length=1)


def machine_job(settings: Settings, question: Question, path: Path) -> Job:
    """The answer for the machine that a TOML file lists; SettingsError with every mistake if it cannot be read."""
    listed = _read(path)
    axles = tuple(
        Axle(name, answer(settings, _axle_question(question, listed, wheel)), wheel.wheels)
        for name, wheel in listed.axles.items()
    )
    price = listed.price_per_litre
    if listed.price_per_gallon is not None:
        if price is not None:
            raise SettingsError(f"{path}: two prices; write price_per_gallon or price_per_litre")
        price = listed.price_per_gallon / L_PER_GAL
    tote_l = settings.tote.content if listed.tote is None else parse(listed.tote, "volume")
    usable_l = tote_l - settings.tote.heel
    if usable_l <= 0:
        raise SettingsError(
            f"{path}: tote: nothing can be drawn from {tote_l:g} L over a heel of {settings.tote.heel:g} L"
        )
    return Job(listed.name, axles, _body(listed.body), usable_l, price)


def _read(path: Path) -> _MachineFile:
    try:
        return _MachineFile.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read ({error.strerror or error})") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path}: is not TOML: {error}") from error
    except ValidationError as error:
        faults = (f"{path}: {'.'.join(map(str, fault['loc']))}: {fault['msg']}" for fault in error.errors())
        raise SettingsError("\n".join(faults)) from error


def _axle_question(question: Question, listed: _MachineFile, wheel: _WheelTable) -> Question:
    unknown = set(wheel.use) - set(_USES)
    if unknown:
        raise SettingsError(f"use: {', '.join(sorted(unknown))} is not known; write one of {', '.join(_USES)}")
    known = replace(
        question.wanted.known, uses=question.wanted.known.uses | frozenset(u for u in _USES if u in wheel.use)
    )
    wanted = replace(question.wanted, valve_at=wheel.valve_at, percent=wheel.fill, known=known)
    return replace(
        question,
        size=wheel.size,
        wanted=wanted,
        valve=wheel.valve or question.valve,
        fluid=question.fluid or listed.fluid,
        temp_c=parse(listed.temperature, "temperature")
        if listed.temperature and question.temp_c is None
        else question.temp_c,
    )


def _body(table: _BodyTable | None) -> Body | None:
    if table is None:
        return None
    body = Body(parse(table.mass, "mass"), parse(table.track, "length"), parse(table.centre_height, "length"))
    if min(body.mass_kg, body.track_m, body.height_m) <= 0:
        raise TargetError("body: mass, track and centre_height are all above zero")
    return replace(body, pivot=_pivot(table))


def _pivot(table: _BodyTable) -> Pivot | None:
    """The front axle's pivot; None where the file has nothing of it."""
    given = (table.pivot_height, table.wheelbase, table.centre_ahead)
    if given == (None, None, None):
        return None
    lengths = [parse(each, "length") for each in given if each is not None]
    if len(lengths) < len(given) or min(lengths) <= 0 or lengths[2] >= lengths[1]:
        raise TargetError(
            "body: pivot_height, wheelbase and centre_ahead go together, above zero, the centre less than a wheelbase "
            "before the rear axle"
        )
    return Pivot(*lengths)


def job_json(job: Job) -> dict[str, object]:
    """A machine's answer as one document."""
    tipping = job.tipping_deg
    return {
        "machine": job.name,
        "litres": round(job.litres, 2),
        "mass_kg": round(job.mass_kg, 2),
        "totes": job.totes,
        "pumping_minutes": round(job.seconds / 60, 2),
        "price": None if job.price is None else round(job.price, 2),
        "tipping_deg_before": None if tipping is None else round(tipping[0], 2),
        "tipping_deg_after": None if tipping is None else round(tipping[1], 2),
        "cautions": [{"severity": c.severity, "text": c.text, "source": c.source} for c in job.cautions()],
        "axles": [
            {
                "axle": axle.name,
                "wheels": axle.wheels,
                "litres": round(axle.litres, 2),
                "mass_kg": round(axle.mass_kg, 2),
                "pumping_minutes": round(axle.seconds / 60, 2),
                "each": axle.target.as_json(),
            }
            for axle in job.axles
        ],
    }


def job_text(job: Job) -> str:
    """A machine's answer for a person."""
    lines = [f"{job.name}: {show_volume(job.litres)}, {show_mass(job.mass_kg)}, {job.totes} tote(s)"]
    for axle in job.axles:
        each = axle.target
        lines.append(
            f"  {axle.name:<10} {axle.wheels} x {each.cavity.designation.shown:<12} {gallons(each.target_l):6.1f} gal "
            f"({each.target_l:5.0f} L) each, axle gains {show_mass(axle.mass_kg)}, {axle.seconds / 60:.0f} min pumping"
        )
        lines += [f"    no liquid? {caution.text} [{caution.source}]" for caution in each.against]
    lines.append("  every wheel of an axle gets the same; times are pumping only")
    if job.price is not None:
        lines.append(f"  price of the liquid {job.price:.2f}")
    if job.tipping_deg is not None:
        before, after = job.tipping_deg
        lines.append(f"  side slope at which it tips at rest, estimate: {before:.1f} before, {after:.1f} degrees after")
    lines += [f"  {caution.severity}: {caution.text} [{caution.source}]" for caution in job.cautions()]
    return "\n".join(lines)
