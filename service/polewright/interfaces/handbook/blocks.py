"""The parts of the handbook that the code tells: settings, exit codes, what is done in trouble."""

from __future__ import annotations

import json
import typing
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from polewright.foundation.config import Config, DeviceSection
from polewright.foundation.errors import EXIT_CODES
from polewright.observing.safety.retry_policy import RULES, Rule


def exit_codes() -> str:
    """Return the exit codes as a table."""
    rows = [f"| {int(code)} | {meaning} |" for code, meaning in EXIT_CODES.items()]
    return "\n".join(("| code | meaning |", "| --- | --- |", *rows))


def failures() -> str:
    """Return what is done about each kind of trouble, one list item each."""
    return "\n".join(_failure(rule) for rule in RULES.values())


def _failure(rule: Rule) -> str:
    tried = "Tried"
    if rule.waits_s:
        tried = f"Tried again {'once' if rule.times == 1 else f'{rule.times} times'}"
        *first, last = (f"{wait:g}" for wait in rule.waits_s)
        if any(rule.waits_s):
            tried += f", after {', '.join(first)}{' and ' if first else ''}{last} s"
    code = "" if rule.exit_code is None else f" Exit code {int(rule.exit_code)}."
    return (
        f"- **{_sentence(rule.trouble)}** {tried}: {rule.again}. Then: {rule.then}. "
        f"Mount: {rule.mount}.{code}"
    )


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def settings() -> str:
    """Return every key of the configuration, a heading for each table of the file."""
    return "\n\n".join(_tables(Config, ""))


def _tables(model: type[BaseModel], path: str) -> Iterator[str]:
    """Yield one table's heading and keys, then those of the tables inside it."""
    inner: list[tuple[str, type[BaseModel]]] = []
    inherits = issubclass(model, DeviceSection) and model is not DeviceSection
    told_already = DeviceSection.model_fields if inherits else {}
    keys = []
    if told_already:
        names = ", ".join(f"`{name}`" for name in told_already)
        keys.append(f"- {names}: where the device is, as under [telescope].")
    for name, field in model.model_fields.items():
        kind = field.annotation
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            inner.append((f"{path}.{name}".removeprefix("."), kind))
        elif name not in told_already:
            keys.append(_key(name, field))
    if path:
        about = " ".join((model.__doc__ or "").split())
        yield f"## [{path}]\n\n{about}\n\n" + "\n".join(keys)
    for table, kind in inner:
        yield from _tables(kind, table)


def _key(name: str, field: FieldInfo) -> str:
    default = field.get_default(call_default_factory=True)
    empty = default is None or default is PydanticUndefined
    shown = name if empty else f"{name} = {_toml(default)}"
    about = " ".join((field.description or "").split()).rstrip(".")
    allowed = _allowed(field)
    return f"- `{shown}`{f' ({allowed})' if allowed else ''}: {about}."


def _toml(value: Any) -> str:
    """Return a default as a file would say it; JSON has the same words, numbers and texts."""
    return json.dumps(value, ensure_ascii=False)


def _allowed(field: FieldInfo) -> str:
    """Say which words or numbers a key takes."""
    for kind in (field.annotation, *typing.get_args(field.annotation)):
        if typing.get_origin(kind) is typing.Literal:
            return "one of " + ", ".join(f"`{word}`" for word in typing.get_args(kind))
    least = most = ""
    for limit in field.metadata:
        match limit:
            case Ge(ge=value):
                least = f"from {value:g}"
            case Gt(gt=value):
                least = f"above {value:g}"
            case Le(le=value):
                most = f"up to {value:g}"
            case Lt(lt=value):
                most = f"below {value:g}"
    words = ", ".join(part for part in (least, most) if part)
    return words.replace(", up to", " to") if least.startswith("from") else words


#: Sensor of the table: 6248 x 4176 pixels of 3.76 micrometres, plausible, invented.
_FRAME_PX, _PIXEL_UM = (6248, 4176), 3.76
#: Of the bundled catalogue, all over the sky; add-ons have more.
_STARS_A_SQUARE_DEG = 8.0
_FOCAL_MM = (135.0, 400.0, 1000.0)


def expected_by_frames() -> str:
    """Return how sure frames of tracked targets make the axis, by the covariance of the fit."""
    head = ["| declination | h |" + "".join(f" {mm:.0f} mm |" for mm in _FOCAL_MM)]
    head.append("| --- | --- |" + " --- |" * len(_FOCAL_MM))
    rows = [
        f"| {dec:+.0f}° | {hours:g} |"
        + "".join(f" {_expected(mm, (0.0, dec, hours))} |" for mm in _FOCAL_MM)
        for dec in (0.0, 40.0, 70.0)
        for hours in (1.0, 2.0, 4.0, 8.0)
    ]
    rows += [
        f"| +20°, +60° | {hours:g} |"
        + "".join(
            f" {_expected(mm, (0.0, 20.0, hours / 2), (-4.0, 60.0, hours / 2))} |"
            for mm in _FOCAL_MM
        )
        for hours in (4.0, 8.0)
    ]
    return "\n".join((*head, *rows))


def _expected(focal_mm: float, *targets: tuple[float, float, float]) -> str:
    """Half-width of the 95 % region; targets are hour angle (h), declination (deg) and hours."""
    from polewright.calculation.field_rotation.expected import (
        Stretch,
        expected_covariance,
        widest95,
    )
    from polewright.calculation.planning.uncertainty import AttitudeNoise
    from polewright.calculation.sky.site import Site
    from polewright.calculation.sky.weather import believed_weather
    from polewright.foundation.angle_text import angle_parts
    from polewright.foundation.angles import ARCSEC, DEG, HOUR
    from polewright.observing.plan.rig_errors import shared_errors

    site, config = Site(45.0, 8.0, 200.0), Config()
    weather = believed_weather(site, 1_790_000_000.0, typed_temperature_c=10.0)
    noise = AttitudeNoise(_PIXEL_UM * 1e-3 / focal_mm, *_FRAME_PX)
    width, height = (side / DEG for side in noise.field)
    noise = replace(noise, stars=min(300.0, max(12.0, _STARS_A_SQUARE_DEG * width * height)))
    covariance = expected_covariance(
        site,
        [Stretch(at * HOUR, dec * DEG, hours) for at, dec, hours in targets],
        every_s=300.0,
        roll_sigma=float(noise.sigmas(60.0 * DEG)[1]),
        shared=shared_errors(config, weather, focal_mm),
        shift_floor=config.sweep.frame_floor_arcsec * ARCSEC,
        air=weather.air,
    )
    return " ".join(angle_parts(widest95(covariance)))


BLOCKS: Mapping[str, Callable[[], str]] = {
    "exit codes": exit_codes,
    "failures": failures,
    "settings": settings,
    "expected by frames": expected_by_frames,
}
"""By the name that stands in the pages, as in ``<!-- settings -->``."""
