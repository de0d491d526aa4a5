"""Makes every key of the configuration an option of a command, with the key's own description."""

from __future__ import annotations

import functools
import inspect
import types
import typing
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from polewright.foundation import language
from polewright.foundation.angle_input import degrees_from_text, hours_from_text
from polewright.foundation.config import ACCEPT_SITE, Config
from polewright.foundation.config_place import find_config, wanted_language
from polewright.foundation.language import say, translated
from polewright.foundation.retired_settings import RETIRED
from polewright.interfaces.cli.brief_help import help_all_parameter, section_heading
from polewright.interfaces.cli.terminal import Console


def degrees_option(text: str) -> float:
    """Read an option that is a direction, in degrees."""
    return _angle(degrees_from_text, text)


def hours_option(text: str) -> float:
    """Read an option that is a direction, in hours."""
    return _angle(hours_from_text, text)


def _angle(read: Callable[[Any], Any], text: str) -> float:
    try:
        return float(read(text))
    except ValueError as wrong:
        raise typer.BadParameter(translated(str(wrong))) from None


def _option_type(annotation: Any) -> Any:
    """Strip ``| None``; a choice or a direction becomes text: the configuration reads it."""
    arguments = typing.get_args(annotation)
    if typing.get_origin(annotation) in (types.UnionType, typing.Union):
        annotation = next(item for item in arguments if item is not type(None))
    if typing.get_origin(annotation) in (Literal, Annotated):
        return str
    return annotation if annotation in (int, float, str, bool) else None


def _parameters_of(
    section: str, prefix: str, switches: Mapping[str, str]
) -> list[inspect.Parameter]:
    """One parameter for each key of a section; ``switches`` as for `with_section_options`."""
    model = typing.cast("Any", Config.model_fields[section].annotation)
    parameters = []
    for key, field in model.model_fields.items():
        kind = _option_type(field.annotation)
        if kind is None:
            continue
        default = "" if field.default is None else f" [default: {field.default}]"
        name = f"{prefix}{key}".replace("_", "-")
        meaning = " ".join((field.description or key).split())
        option = typer.Option(
            switches.get(key, f"--{name}/--no-{name}") if kind is bool else f"--{name}",
            help=f"{meaning}{default}",
            rich_help_panel=section_heading(section) if prefix else None,
            show_default=False,
        )
        parameters.append(
            inspect.Parameter(
                f"{section}__{key}",
                inspect.Parameter.KEYWORD_ONLY,
                default=None,
                annotation=Annotated[kind | None, option],
            )
        )
    return parameters


def _config_parameters() -> list[inspect.Parameter]:
    parameters = []
    for section in Config.model_fields:
        parameters += _parameters_of(section, f"{section}-", {})
    for dotted, retired in RETIRED.items():
        name = dotted.replace(".", "-").replace("_", "-")
        asked = f"--{name}/--no-{name}" if retired.kind is bool else f"--{name}"
        option = typer.Option(asked, hidden=True, show_default=False)
        parameters.append(
            inspect.Parameter(
                dotted.replace(".", "__"),
                inspect.Parameter.KEYWORD_ONLY,
                default=None,
                annotation=Annotated[retired.kind | None, option],
            )
        )
    return parameters


_named: Path | None = None


def next_step(command: str, why: str = "") -> str:
    """Say what to do next: a command, with the configuration that was named for this one."""
    line = f"polewright {command}" + ("" if _named is None else f" -c {_named}")
    if why:
        return say("Next: `{command}`: {why}.", command=line, why=why)
    return say("Next: `{command}`.", command=line)


def report_step(kept_as: str | None) -> str:
    """Say how a run is written down, by `RunRecorder.kept_as`."""
    if kept_as is None:
        return say("The history does not keep this run, so there is no report of it.")
    return next_step(f"report {kept_as}".rstrip(), say("writes it down"))


def remember(named: Path | None) -> Path | None:
    """Keep the configuration's name for what comes next."""
    global _named  # noqa: PLW0603 - one program reads one command line
    _named = named
    return named


def _found(named: Path | None) -> Path | None:
    """Say which configuration is taken where nobody named one, in its own language."""
    found = find_config(remember(named))
    language.use(wanted_language(found.path, {}))
    if found.how:
        told = say("Configuration: {path}, {reason}.", path=found.path, reason=found.how)
        Console(stderr=True).print(told, soft_wrap=True)
    return found.path


ConfigPath = Annotated[
    Path | None,
    typer.Option(
        "--config",
        "-c",
        callback=_found,
        help="configuration file (TOML), or none; POLEWRIGHT_CONFIG, polewright.toml here or in "
        "your own folder if left out",
        show_default=False,
    ),
]


ACCEPT_SITE_HELP = say(
    "go on although site or clock of the mount contradict ours, which are used; for this run "
    "only, and written down"
)
_ACCEPT = inspect.Parameter(
    ACCEPT_SITE,
    inspect.Parameter.KEYWORD_ONLY,
    default=False,
    annotation=Annotated[
        bool,
        typer.Option(
            "--accept-site",
            help=ACCEPT_SITE_HELP,
        ),
    ],
)


def with_rig_options(command: Callable[..., None]) -> Callable[..., None]:
    """Do as `with_config_options` for a command that connects the mount: adds --accept-site."""
    return with_config_options(command, (_ACCEPT,))


def with_config_options(
    command: Callable[..., None], more: tuple[inspect.Parameter, ...] = ()
) -> Callable[..., None]:
    """Give ``command`` the options ``--config`` and one per configuration key, old ones hidden.

    The command receives them as ``config: Path | None`` and ``overrides: dict`` by dotted key;
    ``more`` are overrides as well.
    """
    return _with_options(command, more, help_all_parameter(), _config_parameters())


def with_section_options(
    section: str, switches: Mapping[str, str]
) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command ``--config`` and an option per key of one section, named as the key alone.

    The command receives them as from `with_config_options`. ``switches`` has the words of an
    option of yes and no, such as ``--guided/--not-guided``.
    """
    return lambda command: _with_options(command, (), None, _parameters_of(section, "", switches))


def _with_options(
    command: Callable[..., None],
    more: Sequence[inspect.Parameter],
    whole: inspect.Parameter | None,
    keys: Sequence[inspect.Parameter],
) -> Callable[..., None]:
    signature = inspect.signature(command, eval_str=True)
    own = [item for item in signature.parameters.values() if item.name != "overrides"]
    own = [item.replace(kind=inspect.Parameter.KEYWORD_ONLY) for item in own]

    @functools.wraps(command)
    def wrapper(**given: Any) -> None:
        if whole is not None:
            given.pop(whole.name)
        overrides = {}
        for parameter in (*more, *keys):
            value = given.pop(parameter.name)
            if value is not None:
                overrides[parameter.name.replace("__", ".")] = value
        language.use(wanted_language(given.get("config"), overrides))
        command(**given, overrides=overrides)

    parameters = [*own, *more, *([] if whole is None else [whole]), *keys]
    wrapper.__signature__ = signature.replace(parameters=parameters)  # type: ignore[attr-defined]
    wrapper.__annotations__ = {item.name: item.annotation for item in parameters}
    return wrapper
