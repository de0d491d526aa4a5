"""What `polewright check` tells a script."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field


class CheckResult(BaseModel):
    """One frame, judged."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    schema_version: Literal["1"] = "1"
    exposure_s: float
    star_count: int
    hfd_px: float | None = Field(description="median half-flux diameter; None without stars")
    fwhm_px: float | None
    elongation: float | None = Field(description="long over short axis of the stars, 1 when round")
    sky_adu: float = Field(description="background level, the camera's own offset included")
    sky_noise_adu: float
    sky_share: float | None = Field(description="background over full scale; None if unknown")
    saturated_stars: int
    tracking: bool | None
    solved: bool | None = Field(description="whether the solver coped; None when not asked")
    solve_s: float | None
    matched: int | None
    trouble: str = Field(description="what the solver said when it did not cope")
    ra_deg: float | None = Field(description="solved centre, ICRS")
    dec_deg: float | None
    suggested_exposure_s: float
    advice: tuple[str, ...]


class FocusResult(BaseModel):
    """A focus run that ended well."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    schema_version: Literal["1"] = "1"
    ok: Literal[True] = True
    started_at: int = Field(description="focuser position before, steps")
    best: int = Field(description="where it stands now, steps")
    before_px: float = Field(description="half-flux diameter before")
    after_px: float = Field(description="half-flux diameter now, measured again")
    positions: tuple[int, ...]
    hfd_px: tuple[float, ...]
    misfit: float = Field(description="root mean square of the curve's relative residuals")
