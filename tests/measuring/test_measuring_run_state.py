"""What a run learns stands in its rig; the configuration stays as it was given."""

from __future__ import annotations

import ast
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from pydantic import ValidationError

import polewright
from polewright.calculation.sky.pole import PoleTarget
from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.clock import CancelToken, SystemClock
from polewright.foundation.config import Config, config_from_text
from polewright.observing.capture.auto_exposure import choose_exposure, keep_exposure, wanted_sigma
from polewright.observing.rig.rig import Rig
from polewright.observing.rig.tonight_tolerance import Known
from polewright.observing.settling.expose_on_arrival import goes_at_once
from polewright.observing.sweep.solve_point import know_tonight


def rig_of(config: Config) -> Rig:
    """A rig without devices."""
    site = Site(45.0, 9.0)
    anything: Any = SimpleNamespace(scale=1e-5)
    return Rig(
        telescope=anything,
        camera=anything,
        plates=anything,
        site=site,
        site_source="test",
        weather=SimpleNamespace(air=Atmosphere.standard(0.0)),  # type: ignore[arg-type]
        weather_station=None,
        pole=PoleTarget.TRUE,
        equatorial_system=1,
        config=config,
        clock=SystemClock(),
        cancel=CancelToken(),
        emit=lambda _event: None,
    )


NIGHT = """
[sweep]
exposure_s = 3.0
exposure_auto = true
[pole]
tolerance_from_tonight = true
[tonight]
exposure_s = 120
"""


def test_an_exposure_that_was_found_is_used_and_not_looked_for_again() -> None:
    config = config_from_text(NIGHT)
    rig = rig_of(config)
    assert (rig.exposure_s, rig.exposure_open) == (3.0, True)
    assert not goes_at_once(rig, 3.0)  # the search wants stars that stand still

    keep_exposure(rig, 8.0)

    assert choose_exposure(rig) is None
    assert rig.exposure_s == 8.0
    assert rig.config is config
    assert config == config_from_text(NIGHT)


def test_tonights_tolerance_is_the_runs_and_what_is_wanted_follows_it() -> None:
    config = config_from_text(NIGHT)
    rig = rig_of(config)
    before = wanted_sigma(rig)

    know_tonight(rig, Known(2000.0, 3.76, 28.0))

    assert rig.tolerance_arcmin < 1.0 == rig.config.pole.tolerance_arcmin
    assert wanted_sigma(rig) == pytest.approx(before * rig.tolerance_arcmin)
    assert rig.config is config


def test_a_configuration_cannot_be_changed() -> None:
    config = config_from_text(NIGHT)
    for thing, name in (
        (config, "sweep"),
        *((getattr(config, s), "x") for s in type(config).model_fields),
    ):
        with pytest.raises(ValidationError, match="frozen"):
            setattr(thing, name, None)


def test_nothing_puts_another_configuration_into_a_rig() -> None:
    """Read off the code: ``….config = …`` stands only where an object takes its own."""
    found = []
    for path in Path(polewright.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            targets = node.targets if isinstance(node, ast.Assign) else []
            for target in targets:
                for part in target.elts if isinstance(target, ast.Tuple) else [target]:
                    if isinstance(part, ast.Attribute) and part.attr == "config":
                        found.append(ast.unparse(part))
    assert set(found) <= {"self.config"}
