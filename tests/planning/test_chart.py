import io
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.image import imread
from planning.random_skies import random_request

from polewright.calculation.figures import DAY, Labels, overlapping
from polewright.calculation.planning.chart import sky_chart, sky_figure
from polewright.calculation.planning.horizon_text import parse_horizon
from polewright.calculation.planning.limits import MountLimits
from polewright.calculation.planning.planner import plan_sweep
from polewright.calculation.planning.request import PlanRequest
from polewright.calculation.planning.uncertainty import AttitudeNoise
from polewright.calculation.sky.site import Site
from polewright.foundation import language
from polewright.foundation.angles import ARCSEC
from polewright.foundation.errors import PolewrightError

# Wall in the east only, an overhang in the south, a lamp in the west.
HORIZON = parse_horizon(
    ["0 10", "45 10", "46 50", "134 50", "135 10 60", "225 10 60", "226 10", "window 260 280 0 40"]
)
REQUEST = PlanRequest(
    Site(50.0, 10.0), 1.79e9 + 7 * 3600.0, AttitudeNoise(3.8 * ARCSEC, 3008, 2004),
    horizon=HORIZON, mount=MountLimits(declination_max_deg=60.0),
)  # fmt: skip


@pytest.fixture(scope="module")
def plans():
    return plan_sweep(REQUEST)


def pixels(night=False, plans=(), width_px=600):
    chart = sky_chart(REQUEST, plans, night=night, picture="png", width_px=width_px)
    return imread(io.BytesIO(chart))


def share_of(image, colour):
    rgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.all(np.abs(image[..., :3] - rgb) < 0.02, axis=-1)


def test_east_is_to_the_left_and_north_is_up():
    """The wall in the east is drawn left of the middle, the overhang of the south below it."""
    image = pixels()
    height, width = image.shape[:2]
    wall = np.argwhere(share_of(image, DAY.blocked)[: int(0.8 * height)])
    hung = np.argwhere(share_of(image, DAY.overhang)[: int(0.8 * height)])

    assert np.mean(wall[:, 1]) < 0.4 * width
    assert len(hung) > 500
    assert np.mean(hung[:, 0]) > 0.45 * height
    assert abs(np.mean(hung[:, 1]) / width - 0.5) < 0.05


def test_points_appear_where_the_plan_has_them(plans):
    """A bold dot at each point of the best plan: the zenith in the middle, the horizon at the edge,
    north up and east to the left. Without a plan there is none."""
    image = pixels(plans=plans, width_px=1500)
    sky = np.any([share_of(image, c) for c in (DAY.usable, DAY.sky, DAY.blocked)], axis=0)
    rows, columns = np.nonzero(sky[: int(0.8 * len(image))])
    radius = 0.5 * (rows.max() - rows.min())
    x0, y0 = columns.min() + radius, rows.min() + radius  # in the west the lamp is at the edge
    y, x = np.nonzero(share_of(image, DAY.first)[: int(0.79 * len(image))])

    for point in plans[0].points:
        out = radius * (1.0 - point.altitude / (0.5 * np.pi))
        east, north = out * np.sin(point.azimuth), out * np.cos(point.azimuth)
        dot = np.hypot(x - (x0 - east), y - (y0 - north)) < 10.0
        assert np.sum(dot) > 0.85 * np.pi * 10.0**2  # the arc alone covers two thirds of it
    bold = share_of(pixels(), DAY.first)[int(0.1 * len(image)) : int(0.79 * len(image))]
    assert not bold.any()


def test_night_is_red_on_black(plans):
    """Green and blue are 0 in every pixel, and most are all but black."""
    image = pixels(night=True, plans=plans)

    assert np.all(image[..., 1:3] == 0.0)
    assert np.mean(image[..., 0] < 0.25) > 0.5


def test_labels_never_cover_each_other_whatever_the_sky():
    """By the renderer's own boxes: invented skies with up to ten sweeps, in both languages."""
    dice = np.random.default_rng(11)
    for number in range(6):
        request, _ = random_request(dice)
        try:
            plans = plan_sweep(request)
        except PolewrightError:
            plans = []
        with language.speaking("de" if number % 2 else "en"):
            assert overlapping(sky_figure(request, plans)) == [], number


def test_the_moon_on_a_circle_of_altitude_gives_way_or_makes_way(monkeypatch):
    """The Moon's label stood over "30°" once; where each label takes its first place it does."""
    moon = replace(REQUEST, horizon=parse_horizon(["0 5"]), utc_s=REQUEST.utc_s + 5.1875 * 86400.0)

    assert overlapping(sky_figure(moon)) == []
    monkeypatch.setattr(Labels, "settle", lambda _self: None)
    assert [one for one in overlapping(sky_figure(moon)) if one[0] == "30°" and "Moon" in one[1]]


@pytest.mark.parametrize("night", [False, True])
def test_the_svg_is_whole_and_says_nothing_of_the_moment_it_was_made(night):
    """It parses as XML, scales by a view box, and carries no date."""
    svg = sky_chart(REQUEST, night=night)
    root = ET.fromstring(svg)

    assert root.tag.endswith("svg")
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    assert 0.0 < width < height
    assert b"<dc:date>" not in svg
    assert 20_000 < len(svg) < 1_000_000


def test_the_sun_is_drawn_with_its_limit_only_while_it_counts():
    """By day its colour is on the chart, by night it is not."""
    day = PlanRequest(REQUEST.site, 1.79e9 - 2 * 3600.0, REQUEST.noise)
    image = imread(io.BytesIO(sky_chart(day, picture="png", width_px=600)))

    assert np.sum(share_of(image, DAY.warning)) > 300
    assert np.sum(share_of(pixels(), DAY.warning)) == 0
