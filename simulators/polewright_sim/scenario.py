"""What goes wrong, and when, as data: a list of faults in TOML or JSON.

::

    seed = 7
    [[fault]]
    kind = "error_number"      # one of `polewright simulate --faults help`
    device = "telescope"       # type whose calls it takes; the kind's own if left out
    member = "slewing"         # member, may hold * and ?; the kind's own if left out
    method = "GET"             # GET or PUT; both if left out
    after_s = 60.0             # seconds of the rig's clock after the scenario was loaded
    at_call = 3                # begins with so many matching calls from then on
    calls = 2                  # ends after so many affected calls
    duration_s = 30.0          # ends so long after it began
    probability = 0.3          # of each matching call (or of happening at all, for rig and sky)
    parameters = {number = 1280}
"""

from __future__ import annotations

import difflib
import fnmatch
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from polewright.foundation.errors import ConfigError
from polewright_sim.fault_kinds import KINDS, Kind, Setting


class BadScenario(ConfigError):
    """A scenario of faults cannot be used."""

    code = "bad_scenario"
    advice = "`polewright simulate --faults help` lists every kind and its parameters."

    def __init__(self, source: str, why: str) -> None:
        super().__init__(source, why)
        self.source, self.why = source, why

    def __str__(self) -> str:
        return f"the scenario {self.source} is not usable: {self.why}"


class Fault(BaseModel):
    """One thing that goes wrong."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: str
    device: str | None = None
    member: str | None = None
    method: Literal["GET", "PUT"] | None = None
    after_s: float = Field(0.0, ge=0.0, allow_inf_nan=False)
    at_call: int | None = Field(None, ge=1)
    calls: int | None = Field(None, ge=1)
    duration_s: float | None = Field(None, ge=0.0, allow_inf_nan=False)
    probability: float = Field(1.0, ge=0.0, le=1.0)
    parameters: dict[str, float | bool | str] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _check(self) -> Self:
        kind = KINDS.get(self.kind)
        if kind is None:
            near = difflib.get_close_matches(self.kind, KINDS, n=1)
            hint = f"; did you mean {near[0]}?" if near else ""
            raise ValueError(f"there is no kind of fault named {self.kind!r}{hint}")
        if kind.layer == "host":
            raise ValueError(
                f"{self.kind} happens to the computer the program runs on, the rig cannot bring "
                f"it about: {kind.line}"
            )
        for name, value in self.parameters.items():
            if name not in kind.parameters:
                known = ", ".join(kind.parameters) or "none"
                raise ValueError(f"{self.kind} has no parameter {name!r}; it has: {known}")
            default = kind.parameters[name].default
            wanted = float if isinstance(default, float) else type(default)
            fits = isinstance(value, int | float) and not isinstance(value, bool)
            if not (fits if wanted is float else isinstance(value, wanted)):
                raise ValueError(
                    f"{self.kind}: {name} must be {_WORDS[wanted]}, such as {default!r}, "
                    f"not {value!r}"
                )
        return self

    @property
    def about(self) -> Kind:
        """The catalogue's entry."""
        return KINDS[self.kind]

    def setting(self, name: str) -> Setting:
        """A parameter, or its default."""
        return self.parameters.get(name, self.about.parameters[name].default)

    def number(self, name: str) -> float:
        """A parameter that is a number."""
        return float(self.setting(name))

    def takes(self, device_type: str, method: str, member: str) -> bool:
        """Whether a call is one of those this fault is about."""
        if self.method not in (None, method):
            return False
        if not fnmatch.fnmatchcase(device_type, self.device or self.about.device):
            return False
        patterns = [self.member] if self.member else self.about.members.split()
        return any(fnmatch.fnmatchcase(member, pattern) for pattern in patterns)


_WORDS = {float: "a number", str: "a text", bool: "true or false"}


class Scenario(BaseModel):
    """Everything that goes wrong in a night."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    fault: tuple[Fault, ...] = ()
    seed: int = 0
    """Fixes what ``probability`` draws."""


def scenario_from_text(text: str, source: str = "scenario") -> Scenario:
    """Read a scenario from TOML.

    Raises:
        BadScenario: not TOML, or a fault that does not exist; says which and why.
    """
    try:
        return Scenario.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise BadScenario(source, f"not valid TOML: {error}") from error
    except ValidationError as error:
        raise BadScenario(source, plain(error)) from error


def scenario_from_file(path: Path) -> Scenario:
    """Read a scenario from a TOML file. Raises `BadScenario`."""
    try:
        return scenario_from_text(path.read_text(encoding="utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise BadScenario(str(path), f"cannot be read: {error}") from error


def scenario_from_words(words: Sequence[str]) -> Scenario:
    """Read what goes wrong from words of a command line, each a file or a fault in short.

    In short: ``NAME`` for a fault with its defaults, from the start on; ``NAME=VALUE`` for its
    first parameter; ``NAME=KEY=VALUE,KEY=VALUE`` for parameters by name.

    Raises:
        BadScenario: a file or a fault is not usable; says which and why.
    """
    faults: list[Fault] = []
    seed = 0
    for word in words:
        name, given, values = word.partition("=")
        if name not in KINDS and not given and ("." in name or Path(name).is_file()):
            found = scenario_from_file(Path(word))
            faults += found.fault
            seed = found.seed or seed
            continue
        try:
            faults.append(Fault(kind=name, parameters=_parameters(name, values)))
        except ValidationError as error:
            raise BadScenario(word, plain(error)) from error
        except ValueError as error:
            raise BadScenario(word, str(error)) from error
    return Scenario(fault=tuple(faults), seed=seed)


def _parameters(name: str, values: str) -> dict[str, float | bool | str]:
    """Return a fault's parameters from ``VALUE`` or ``KEY=VALUE,...``; raise ValueError."""
    known = KINDS[name].parameters if name in KINDS else {}
    if not values or name not in KINDS:
        return {}
    if not known:
        raise ValueError(f"{name} has no parameter")
    found: dict[str, float | bool | str] = {}
    for part in values.split(",") if "=" in values else [f"{next(iter(known))}={values}"]:
        key, _, text = part.partition("=")
        if key not in known:
            raise ValueError(f"{name} has no parameter {key!r}; it has: {', '.join(known)}")
        default = known[key].default
        if isinstance(default, bool):
            if text not in ("true", "false"):
                raise ValueError(f"{key} must be true or false, not {text!r}")
            found[key] = text == "true"
        elif isinstance(default, str):
            found[key] = text
        else:
            try:
                found[key] = float(text)
            except ValueError:
                raise ValueError(f"{key} must be a number, not {text!r}") from None
    return found


def plain(error: ValidationError) -> str:
    """Say what is wrong, one part for each problem."""
    parts = []
    for item in error.errors():
        place = ".".join(str(part) for part in item["loc"])
        what = item["msg"].removeprefix("Value error, ")
        parts.append(f"{place}: {what}" if place else what)
    return "; ".join(parts)
