"""Planning without any device: tonight's sweep from the configuration alone."""

from __future__ import annotations

from polewright.config import Config
from polewright.measuring.connect import SiteUnknown, atmosphere_of
from polewright.measuring.planned import noise_of, request_for
from polewright.measuring.rig import nominal_scale
from polewright.planning.request import PlanRequest
from polewright.sky.site import Site

#: Frame assumed while no camera is asked: plausible, invented.
FRAME_PX = (4000, 3000)
PIXEL_UM = 4.0


def offline_request(config: Config, utc_s: float) -> tuple[PlanRequest, tuple[str, ...]]:
    """Return what decides where a sweep fits, and what had to be assumed for it.

    Raises:
        SiteUnknown: the configuration has no site.
        ConfigError: the horizon file or a limit is wrong.
    """
    site = site_given(config)
    binning = config.camera.binning
    width, height = (side // binning for side in FRAME_PX)
    pixel_um = (config.optics.pixel_um or PIXEL_UM) * binning
    scale = nominal_scale(config.optics.focal_length_mm, pixel_um)
    missing = [f"a frame of {width} x {height} pixels"]
    if config.optics.pixel_um is None:
        missing.append(f"pixels of {PIXEL_UM:g} micrometres")
    if config.optics.focal_length_mm is None:
        missing[1:] = ["2 arcsec per pixel"]
    notes = (
        f"Assumed, since no camera was asked: {' and '.join(missing)}. It decides the predicted "
        "uncertainty; `--connect` asks the devices.",
    )
    return request_for(config, site, atmosphere_of(config, site), utc_s, noise_of(
        config, scale, width, height
    )), notes  # fmt: skip


def site_given(config: Config) -> Site:
    """Return the configuration's site. Raises `SiteUnknown` when it has none."""
    section = config.site
    if section.latitude_deg is None or section.longitude_deg is None:
        raise SiteUnknown
    return Site(section.latitude_deg, section.longitude_deg, section.elevation_m or 0.0)
