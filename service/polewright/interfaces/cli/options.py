"""Makes every key of the configuration an option of a command, with the key's own description."""

from __future__ import annotations

import functools
import inspect
import types
import typing
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from polewright.foundation import language
from polewright.foundation.config import ACCEPT_SITE, Config, wanted_language
from polewright.foundation.retired_settings import RETIRED
from polewright.interfaces.cli.brief_help import help_all_parameter, section_heading


def _option_type(annotation: Any) -> Any:
    """Strip ``| None``; a choice of words becomes text, since the configuration checks it."""
    arguments = typing.get_args(annotation)
    if typing.get_origin(annotation) in (types.UnionType, typing.Union):
        annotation = next(item for item in arguments if item is not type(None))
    if typing.get_origin(annotation) is Literal:
        return str
    return annotation if annotation in (int, float, str, bool) else None


def _config_parameters() -> list[inspect.Parameter]:
    parameters = []
    for section, section_field in Config.model_fields.items():
        model = typing.cast("Any", section_field.annotation)
        for key, field in model.model_fields.items():
            kind = _option_type(field.annotation)
            if kind is None:
                continue
            default = "" if field.default is None else f" [default: {field.default}]"
            name = f"{section}-{key}".replace("_", "-")
            meaning = " ".join((field.description or key).split())
            option = typer.Option(
                f"--{name}/--no-{name}" if kind is bool else f"--{name}",
                help=f"{meaning}{default}",
                rich_help_panel=section_heading(section),
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


ConfigPath = Annotated[
    Path | None,
    typer.Option("--config", "-c", help="configuration file (TOML)", show_default=False),
]


_ACCEPT = inspect.Parameter(
    ACCEPT_SITE,
    inspect.Parameter.KEYWORD_ONLY,
    default=False,
    annotation=Annotated[
        bool,
        typer.Option(
            "--accept-site",
            help="go on although site or clock of the mount contradict ours, which are used; for "
            "this run only, and written down",
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
    signature = inspect.signature(command, eval_str=True)
    own = [item for item in signature.parameters.values() if item.name != "overrides"]
    own = [item.replace(kind=inspect.Parameter.KEYWORD_ONLY) for item in own]
    added = _config_parameters()
    whole = help_all_parameter()

    @functools.wraps(command)
    def wrapper(**given: Any) -> None:
        given.pop(whole.name)
        overrides = {}
        for parameter in (*more, *added):
            value = given.pop(parameter.name)
            if value is not None:
                overrides[parameter.name.replace("__", ".")] = value
        language.use(wanted_language(given.get("config"), overrides))
        command(**given, overrides=overrides)

    parameters = [*own, *more, whole, *added]
    wrapper.__signature__ = signature.replace(parameters=parameters)  # type: ignore[attr-defined]
    wrapper.__annotations__ = {item.name: item.annotation for item in parameters}
    return wrapper
