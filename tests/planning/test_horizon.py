import math
import pickle
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.calculation.planning.errors import HorizonUnreadable, LimitsInvalid
from polewright.calculation.planning.horizon import Horizon, Window
from polewright.calculation.planning.horizon_text import format_horizon, parse_horizon
from polewright.foundation.angles import DEG, enu_from_azalt, separation


def horizons():
    azimuths = st.lists(
        st.floats(0.0, 359.99).map(lambda x: round(x, 2)), min_size=1, max_size=12, unique=True
    )

    def build(chosen):
        n = len(chosen)
        heights = st.lists(st.floats(-5.0, 80.0), min_size=n, max_size=n)
        return heights.map(lambda values: Horizon(tuple(sorted(chosen)), tuple(values)))

    return azimuths.flatmap(build)


@given(horizons())
def test_a_skyline_passes_through_its_points(horizon):
    """At a given azimuth the height is the one given."""
    got = horizon.skyline(np.array(horizon.azimuth_deg) * DEG) / DEG

    assert got == pytest.approx(np.array(horizon.altitude_deg), abs=1e-9)


@given(horizons(), st.floats(0.0, 1.0), st.integers(-2, 2))
def test_a_skyline_is_straight_between_neighbours_across_north_too(horizon, share, turns):
    """Between any two neighbours, the pair around 0/360 included, it is a straight line."""
    az, alt = list(horizon.azimuth_deg), list(horizon.altitude_deg)
    az, alt = [*az, az[0] + 360.0], [*alt, alt[0]]
    for a, b, u, v in zip(az, az[1:], alt, alt[1:], strict=False):
        at = a + share * (b - a) + 360.0 * turns
        assert float(horizon.skyline(at * DEG)) / DEG == pytest.approx(
            u + share * (v - u), abs=1e-6
        )


def test_azimuth_359_leads_on_to_azimuth_1():
    """A pair at 350 and one at 10 give the mean at north."""
    horizon = parse_horizon(["350 10", "10 20", "180 0"])

    assert float(horizon.skyline(0.0)) / DEG == pytest.approx(15.0)
    assert float(horizon.skyline(355 * DEG)) / DEG == pytest.approx(12.5)


@given(horizons(), st.floats(0.0, 360.0), st.floats(0.0, 89.0))
def test_the_distance_to_the_skyline_is_true_and_never_too_large(horizon, azimuth, altitude):
    """Compared with the nearest of many points of the skyline itself."""
    enu = enu_from_azalt(azimuth * DEG, altitude * DEG)
    line = np.linspace(0.0, 360.0, 36001) * DEG
    corners = np.array(horizon.azimuth_deg) * DEG
    line = np.concatenate([line, corners, corners + 1e-7, corners - 1e-7])
    # Steep walls: heights in between, at their own azimuth.
    az = np.array([*horizon.azimuth_deg, horizon.azimuth_deg[0] + 360.0])
    walls = [np.linspace(a, b, 2000) * DEG for a, b in pairwise(az) if b - a < 3.0]
    line = np.concatenate([line, *walls])
    truth = float(np.min(separation(enu_from_azalt(line, horizon.skyline(line)), enu)))
    above = altitude * DEG >= float(horizon.skyline(azimuth * DEG))

    got = float(horizon.lower_distance(enu))

    assert (got >= 0.0) == above or abs(got) < 0.2 * DEG
    assert abs(got) <= truth + 0.02 * DEG
    assert abs(got) >= truth - 0.13 * DEG


def test_a_window_may_cross_north_and_keeps_its_distance():
    """From 350 clockwise to 10 degrees is 20 degrees wide."""
    window = Window(350.0, 10.0, 20.0, 40.0, "lamp")
    horizon = Horizon(windows=(window,))

    assert window.width_deg == 20.0
    assert not horizon.is_open(enu_from_azalt(0.0, 30 * DEG))
    assert horizon.is_open(enu_from_azalt(15 * DEG, 30 * DEG))
    assert float(horizon.window_distance(enu_from_azalt(0.0, 45 * DEG))) / DEG == pytest.approx(
        5.0, abs=0.01
    )
    assert float(horizon.window_distance(enu_from_azalt(0.0, 30 * DEG))) < 0.0


def test_an_overhang_closes_the_sky_above_it():
    """Between skyline and overhang is open, above is not; elsewhere the zenith is open."""
    horizon = parse_horizon(["0 10 50", "90 10 50", "91 10", "359 10"])
    look = enu_from_azalt(np.array([45.0, 45.0, 180.0]) * DEG, np.array([30.0, 60.0, 89.0]) * DEG)

    assert horizon.is_open(look).tolist() == [True, False, True]
    distance = horizon.upper_distance(look)
    assert distance[0] / DEG == pytest.approx(20.0, abs=0.05)
    assert distance[1] / DEG == pytest.approx(-10.0, abs=0.05)


@pytest.mark.parametrize(
    ("lines", "line", "words"),
    [
        (["10 20", "abc 20"], 2, "azimuth 'abc' is not a number"),
        (["10 nan"], 1, "not a finite number"),
        (["inf 10"], 1, "not a finite number"),
        (["# note", "", "361 10"], 3, "azimuth 361 is outside 0 to 360"),
        (["-1 10"], 1, "azimuth -1 is outside"),
        (["10 95"], 1, "altitude 95 is outside"),
        (["10 20", "20 5", "10 21"], 3, "azimuth 10 was already given on line 1"),
        (["0 20", "360 21"], 2, "already given on line 1"),
        (["0 20", "0 20"], 2, "already given on line 1"),
        (["360 20", "360 20"], 2, "already given on line 1"),
        (["10"], 1, "not 1 values"),
        (["10 20 30 40"], 1, "not 4 values"),
        (["10 20 15"], 1, "overhang (15) is below the skyline (20)"),
        (["10 20", "azimuth altitude"], 2, "is not a number"),
        (["10 20", "window 1 2 3"], 2, "'window' needs"),
        (["10 20", "window 1 2 30 20 lamp"], 2, "above 'from'"),
        (["10 20", "window 5 5 10 20"], 2, "different from 'from'"),
        (["10 20", "window 5 400 10 20"], 2, "window azimuth 400 is outside"),
        (["10 20", "clearance"], 2, "takes one number"),
        (["10 20", "clearance 80"], 2, "clearance 80 is outside"),
        (["10 20", ",,"], 2, "separators without numbers"),
        (["# nothing"], None, "no azimuth/altitude pair"),
        ([], None, "no azimuth/altitude pair"),
        (["[60, 10]", "100 10"], 1, "azimuth '[60' is not a number"),
        (["(60, 40)", "100 10"], 1, "azimuth '(60' is not a number"),
    ],
)
def test_a_bad_line_is_named_with_its_reason(lines, line, words):
    """The error says which line, why, and what to write instead."""
    with pytest.raises(HorizonUnreadable) as caught:
        parse_horizon(lines)

    assert caught.value.line == line
    assert words in str(caught.value)
    assert "azimuth altitude" in caught.value.advice
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


def test_all_bad_lines_are_told_with_the_file():
    """One mending takes one look at the file, not one run a line."""
    lines = ["0 10", "10 95", "20", "30 15", "400 5", "50 x"]

    with pytest.raises(HorizonUnreadable) as caught:
        parse_horizon(lines, source="garden.txt")
    with pytest.raises(HorizonUnreadable) as many:
        parse_horizon(["0 10", *["5 99"] * 12])
    with pytest.raises(HorizonUnreadable) as empty:
        parse_horizon([], source="garden.txt")

    told = str(caught.value)
    assert told.startswith("garden.txt, line 2: altitude 95 is outside")
    assert "; line 3: needs azimuth" in told
    assert "; line 5: azimuth 400 is outside" in told
    assert "; line 6: altitude 'x' is not a number" in told
    assert "line 4" not in told
    assert str(many.value).count("altitude 99") == 5
    assert str(many.value).endswith("; and 7 more")
    assert len(many.value.others) == 4
    assert str(empty.value).startswith("garden.txt: no azimuth/altitude pair")


def test_many_ways_of_writing_give_the_same_skyline():
    """Commas, semicolons, tabs, comments, degree signs, a header, CRLF, a byte order mark."""
    plain = parse_horizon(["0 10", "90 20", "180 5"])

    assert parse_horizon(
        ["\ufeffazimuth,altitude\r\n", "180,5\r\n", "0,10 # x\r\n", "90 , 20"]
    ) == (plain)
    assert parse_horizon(["90°;20°", "0\t10", "", "180   5", "360 10"]) == plain


@given(horizons(), st.floats(0.0, 20.0), st.booleans())
def test_text_written_is_read_back_equal(horizon, clearance, lamp):
    """Writing and reading loses nothing."""
    windows = (Window(350.0, 10.5, -3.0, 33.25, "street lamp, left"),) if lamp else ()
    upper = tuple(min(90.0, a + 7.0) for a in horizon.altitude_deg)
    full = Horizon(horizon.azimuth_deg, horizon.altitude_deg, upper, windows, clearance)

    assert parse_horizon(format_horizon(full).splitlines()) == full


def test_a_given_clearance_overrules_the_file():
    """The option is stronger than the line."""
    lines = ["0 10", "clearance 3"]

    assert parse_horizon(lines).clearance_deg == 3.0
    assert parse_horizon(lines, clearance_deg=0.5).clearance_deg == 0.5


def test_usable_sky_of_a_level_wall_is_the_cap_above_it():
    """Above altitude h lies 1 - sin(h) of the hemisphere (Archimedes)."""
    usable = Horizon(altitude_deg=(30.0,)).usable()

    assert usable.open_fraction == pytest.approx(0.5, abs=0.003)
    assert usable.open_square_deg == pytest.approx(math.pi / DEG**2, rel=0.006)
    assert usable.highest_obstacle_deg == 30.0
    assert usable.widest_open_deg == 0.0


def test_usable_sky_names_the_widest_opening_across_north():
    """A wall from 90 to 270 leaves the north open, through 0/360."""
    horizon = parse_horizon(["89.9 0", "90 60", "270 60", "270.1 0"])

    usable = horizon.usable(20.0)

    assert usable.widest_open_from_deg == pytest.approx(270.0, abs=0.6)
    assert usable.widest_open_deg == pytest.approx(180.0, abs=1.1)
    assert usable.highest_obstacle_deg == 60.0


@pytest.mark.parametrize(
    "values",
    [
        {"azimuth_deg": (), "altitude_deg": ()},
        {"azimuth_deg": (10.0, 5.0), "altitude_deg": (1.0, 2.0)},
        {"azimuth_deg": (360.0,), "altitude_deg": (1.0,)},
        {"azimuth_deg": (1.0,), "altitude_deg": (math.nan,)},
        {"azimuth_deg": (1.0,), "altitude_deg": (1.0, 2.0)},
        {"upper_deg": (-1.0,)},
        {"clearance_deg": math.nan},
    ],
)
def test_a_skyline_built_wrongly_is_refused(values):
    """The same rules hold without a file."""
    with pytest.raises(LimitsInvalid):
        Horizon(**values)
