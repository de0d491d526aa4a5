"""Whether an answer fits a configuration, before anything is measured or written."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from polewright.foundation.config import BadConfig, beside, config_from_text
from polewright.foundation.errors import ConfigError
from polewright.interfaces.rig_setup.editing import with_changes
from polewright.interfaces.rig_setup.errors import AnswerWrong
from polewright.observing.plan.plan_from_config import horizon_of


def check(text: str, answers: Mapping[str, Any], source: str) -> None:
    """Try answers on the configuration in ``text``; a skyline's file must be readable.

    Args:
        text: a configuration that is right as it stands.
        answers: by dotted key.
        source: the configuration's name, for errors.

    Raises:
        AnswerWrong: the first that does not fit, and why.
    """
    for key, value in answers.items():
        try:
            changed = with_changes(text, {key: value}, source)
            if key == "horizon.file":
                config = config_from_text(changed, source=source)
                horizon_of(beside(config, Path(source)))
        except BadConfig as exc:
            # "line 13, key = value (meaning): what is wrong"
            raise AnswerWrong(key, str(value), exc.problems[0].rpartition(": ")[2]) from exc
        except ConfigError as exc:
            raise AnswerWrong(key, str(value), str(exc)) from exc
