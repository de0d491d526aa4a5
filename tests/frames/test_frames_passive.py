"""`polewright passive` and `measure --frames` on rendered frames, from files to history."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from frames.conftest import CONFIG, RIG, START_UTC_S, set_card
from support.printed import printed
from typer.testing import CliRunner

from polewright.calculation.sky.site import Atmosphere, Site
from polewright.foundation.angles import ARCMIN, DEG, HOUR
from polewright.foundation.clock import CancelToken
from polewright.foundation.config import Config
from polewright.foundation.errors import Cancelled, ExitCode
from polewright.interfaces.cli.app import build_app
from polewright.observing.frames import passive as module
from polewright.observing.frames import solving
from polewright.observing.frames.header import FrameHeader
from polewright.observing.frames.passive import Wanted, axis_from_frames
from polewright.records.history.store import History
from polewright.records.passive_result import PassiveResult
from polewright_sim.mount.adjusters import Adjusters
from polewright_sim.mount.mount_model import MountModel
from polewright_sim.spec import RigSpec
from polewright_sim.tracked_night import Target, TrackedExposure, write_night

WIDE = Wanted(within=20.0 * ARCMIN)


def told(folder: Path, config: Config, wanted: Wanted = WIDE) -> PassiveResult:
    (result,) = axis_from_frames([folder], config, wanted, CancelToken())
    return result


def state_of(folder: Path) -> dict[str, tuple[bytes, int]]:
    return {path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in folder.iterdir()}


def test_a_rendered_night_tells_the_axis_and_leaves_the_frames_alone(
    frames: Path, config: Config
) -> None:
    before = state_of(frames)
    result = told(frames, config)
    axis = result.axis
    assert axis is not None
    assert result.verdict == "measured"
    assert result.frames == 6
    assert abs(axis.d_alt_arcmin - 9.0) < 3.0 * axis.sigma_alt_arcmin
    assert abs(axis.d_az_sky_arcmin + 6.0) < 3.0 * axis.sigma_az_sky_arcmin
    assert 0.0 < axis.sigma_total_arcmin < 2.0
    assert result.groups[0].side == "west"
    assert not result.doubts
    assert result.night == "2026-11-20"
    assert state_of(frames) == before


def test_each_frame_is_solved_once_and_what_is_new_is_added(
    frames: Path, config: Config, monkeypatch: pytest.MonkeyPatch
) -> None:
    late = sorted(frames.iterdir())[-1]
    aside = frames.parent / late.name
    shutil.move(late, aside)
    asked: list[str] = []
    solve = solving.FrameSolver.solve

    def counted(self: solving.FrameSolver, header: Any) -> Any:
        asked.append(header.path.name)
        return solve(self, header)

    monkeypatch.setattr(solving.FrameSolver, "solve", counted)
    assert told(frames, config).frames == 5
    assert len(asked) == 5
    shutil.move(aside, late)
    assert told(frames, config).frames == 6
    assert asked[5:] == [late.name]


def test_what_was_found_for_one_time_is_not_used_for_another(frames: Path, config: Config) -> None:
    """Two hours later the sky had turned by 30 degrees, and with it what a frame tells."""
    right = told(frames, config).axis
    later = told(frames, config, Wanted(within=20.0 * ARCMIN, later_s=7200.0))
    again = told(frames, config).axis
    assert right is not None
    assert again == right
    assert later.axis is None or abs(later.axis.d_alt_arcmin - right.d_alt_arcmin) > 1.0
    assert later.doubts != told(frames, config).doubts


def test_a_helper_that_is_killed_costs_no_frame(
    frames: Path, config: Config, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As where the memory does not suffice for two of them: the rest is solved one by one."""

    def killed(
        _pool: object, headers: Sequence[FrameHeader], *_more: object
    ) -> Iterator[tuple[FrameHeader, solving.Solved]]:
        yield headers[0], solving.FrameSolver(config, site, air).solve(headers[0])
        raise BrokenProcessPool

    site, air = Site(44.62, 9.31, 420.0), Atmosphere.standard(420.0)
    monkeypatch.setattr(solving, "FEWEST_FOR_HELPERS", 4)
    monkeypatch.setattr(solving, "_cores", lambda: 2)
    monkeypatch.setattr(solving, "_in_parallel", killed)
    assert told(frames, config).frames == 6


def test_an_interrupted_reading_goes_on_where_it_stopped(
    frames: Path, config: Config, monkeypatch: pytest.MonkeyPatch
) -> None:
    cancel, asked = CancelToken(), 0
    solve = solving.FrameSolver.solve

    def counted(self: solving.FrameSolver, header: Any) -> Any:
        nonlocal asked
        asked += 1
        if asked == 3:
            cancel.cancel("Ctrl-C")
        return solve(self, header)

    monkeypatch.setattr(solving.FrameSolver, "solve", counted)
    with pytest.raises(Cancelled):
        axis_from_frames([frames], config, WIDE, cancel)
    assert told(frames, config).frames == 6
    assert asked == 6


def test_doubles_darks_and_broken_files_are_counted_with_their_reasons(
    frames: Path, config: Config
) -> None:
    first, second, *_ = sorted(frames.iterdir())
    shutil.copy(first, frames / "copy.fits")
    set_card(frames / "copy.fits", "DATE-OBS", "2026-11-20T23:59:00")
    shutil.copy(second, frames / "dark.fits")
    set_card(frames / "dark.fits", "IMAGETYP", "Dark Frame")
    shutil.copy(second, frames / "aligned.fits")
    set_card(frames / "aligned.fits", "HISTORY", "registered to field_1_0001")
    (frames / "cut.fits").write_bytes(first.read_bytes()[:3000])
    (frames / "notes.txt").write_text("seeing bad")
    result = told(frames, config)
    reasons = {str(item.reason): item.frames for item in result.left_out}
    assert result.frames == 6
    assert len(reasons) == 4
    assert set(reasons.values()) == {1}
    assert any("another name" in reason for reason in reasons)
    assert any("registered" in reason for reason in reasons)


def test_no_figure_when_it_would_be_less_sure_than_asked(frames: Path, config: Config) -> None:
    result = told(frames, config, Wanted(within=0.05 * ARCMIN))
    assert result.verdict == "too uncertain"
    assert result.axis is None
    assert result.widest95_arcmin is not None
    assert result.widest95_arcmin > 0.05
    assert "would bring it to about" in result.advice[0] or "second target" in result.advice[0]


def test_a_wcs_that_agrees_is_used_and_one_that_does_not_is_not(
    frames: Path, config: Config, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "WCS_SAMPLE", 2)
    from astropy.io import fits

    from polewright.solving.external.wcs import wcs_header

    own: list[Any] = []
    learn = solving.PlateSolver.solve

    def seen(self: Any, stars: Any, frame: Any, *more: Any) -> Any:
        plate = learn(self, stars, frame, *more)
        own.append((frame.utc_mid_s, plate.solution))
        return plate

    monkeypatch.setattr(solving.PlateSolver, "solve", seen)
    told(frames, config)
    by_time = dict(own)
    for path in frames.iterdir():
        when = datetime.fromisoformat(str(fits.getheader(path)["DATE-OBS"])).replace(tzinfo=UTC)
        for key, value in wcs_header(by_time[when.timestamp() + 15.0]).items():
            set_card(path, key, value)
    own.clear()
    good = told(frames, config)
    assert len(own) == 2  # the sample
    assert good.axis is not None
    assert abs(good.axis.d_alt_arcmin - 9.0) < 3.0 * good.axis.sigma_alt_arcmin + 0.3
    for number, path in enumerate(sorted(frames.iterdir())):
        turn = 0.2 * DEG * (-1) ** number
        header = fits.getheader(path)
        cd = [[header["CD1_1"], header["CD1_2"]], [header["CD2_1"], header["CD2_2"]]]
        c, s = math.cos(turn), math.sin(turn)
        set_card(path, "CD1_1", cd[0][0] * c - cd[0][1] * s)
        set_card(path, "CD1_2", cd[0][0] * s + cd[0][1] * c)
        set_card(path, "CD2_1", cd[1][0] * c - cd[1][1] * s)
        set_card(path, "CD2_2", cd[1][0] * s + cd[1][1] * c)
    own.clear()
    bad = told(frames, config)
    assert len(own) == 4  # the other two are kept from before
    assert bad.axis is not None


def passive(*words: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(build_app(), ["passive", *words])
    return result.exit_code, result.stdout, result.stderr


def test_the_command_tells_keeps_and_does_not_count_a_night_twice(
    frames: Path, tmp_path: Path
) -> None:
    url = f"sqlite:///{tmp_path / 'h.sqlite3'}"
    file = tmp_path / "p.toml"
    journals = tmp_path / "journals"
    file.write_text(
        f'{CONFIG}[history]\nurl = "{url}"\npier = "east"\n[run]\njournal_folder = "{journals}"\n'
    )
    words = (str(frames), "-c", str(file), "--within-arcmin", "20")
    code, out, _ = passive(*words)
    assert code == ExitCode.OUT_OF_TOLERANCE
    assert "Night of 2026-11-20: The axis is" in out
    assert "Next: `polewright history trend`" in out
    code, out, _ = passive(*words, "--json")
    (night,) = printed("passive", out)["nights"]
    assert night["verdict"] == "measured"
    with History(url) as history:
        (row,) = history.list_runs()
        (measured,) = history.list_measurements()
        record = history.get(row["run_id"])
    assert (row["kind"], row["pier"]) == ("passive", "east")
    assert measured["d_alt_arcmin"] == night["axis"]["d_alt_arcmin"]
    assert START_UTC_S < measured["utc_s"] < START_UTC_S + 8.0 * 3600.0
    assert record.passive is not None
    shown = CliRunner().invoke(build_app(), ["history", "show", row["run_id"], "-c", str(file)])
    assert "Night of 2026-11-20" in shown.stdout
    page = tmp_path / "r.html"
    report = CliRunner().invoke(
        build_app(), ["report", row["run_id"], "-c", str(file), "--out", str(page)]
    )
    assert report.exit_code == 0
    assert "By frames of tracked targets" in page.read_text(encoding="utf-8")
    kept = json.loads((journals / "passive.json").read_text())
    assert kept["night"] == "2026-11-20"


def test_a_folder_that_is_none_and_one_without_frames_are_told(tmp_path: Path) -> None:
    file = tmp_path / "p.toml"
    file.write_text(CONFIG)
    code, _, errors = passive(str(tmp_path / "none"), "-c", str(file))
    assert code == ExitCode.IMAGE
    assert "no such file or folder" in errors
    (tmp_path / "x.fits").write_bytes(b"no FITS")
    code, _, errors = passive(str(tmp_path), "-c", str(file))
    assert code == ExitCode.IMAGE
    assert "cannot be read as FITS" in errors


def swept(folder: Path, rig: RigSpec, *, slip_arcmin: float = 0.0) -> None:
    """Four frames of a sweep, as another program would take it."""
    mount = MountModel(
        rig.mount,
        rig.site,
        rig.misalignment,
        Adjusters(rig.adjusters, START_UTC_S),
        roll=rig.optics.roll_deg * DEG,
        utc_s=START_UTC_S,
    )
    shots = []
    for k in range(4):
        utc_s = START_UTC_S + 60.0 * k
        dec = 42.0 * DEG + (slip_arcmin * ARCMIN if k == 2 else 0.0)
        attitude = mount.attitude_with(utc_s, (0.4 + 1.2 * k) * HOUR, dec)
        shots.append(
            TrackedExposure(
                utc_s,
                attitude,
                mount.axis(utc_s),
                Target("sweep", 0.0, dec, 0.1),
                attitude[:, 2],
                False,
            )
        )
    folder.mkdir()
    for path in write_night(rig, folder, shots, exposure_s=5.0):
        for key in ("RA", "DEC"):  # ours are true places on the ground, not among the stars
            from astropy.io import fits

            status = path.stat()
            with fits.open(path, mode="update") as file:
                del file[0].header[key]
            import os

            os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def test_a_sweep_of_another_program_is_fitted_and_a_slip_refused(tmp_path: Path) -> None:
    rig = RigSpec.model_validate(RIG)
    file = tmp_path / "p.toml"
    file.write_text(f"{CONFIG}[history]\nenabled = false\n")
    swept(tmp_path / "good", rig)
    run = CliRunner().invoke(
        build_app(), ["measure", "--frames", str(tmp_path / "good"), "-c", str(file), "--json"]
    )
    assert run.exit_code == ExitCode.OUT_OF_TOLERANCE, run.stderr
    axis = printed("measure", run.stdout)["axis"]
    assert axis["d_alt_arcmin"] == pytest.approx(9.0, abs=4.0 * axis["sigma_alt_arcmin"])
    assert axis["d_az_sky_arcmin"] == pytest.approx(-6.0, abs=4.0 * axis["sigma_az_sky_arcmin"])
    swept(tmp_path / "slipped", rig, slip_arcmin=6.0)
    run = CliRunner().invoke(
        build_app(), ["measure", "--frames", str(tmp_path / "slipped"), "-c", str(file)]
    )
    assert run.exit_code == ExitCode.AXIS_NOT_TRUSTED
    assert "not a turn about one fixed axis" in run.stderr.replace("\n", " ")
    two = [str(path) for path in sorted((tmp_path / "good").iterdir())[:2]]
    run = CliRunner().invoke(
        build_app(), ["measure", "--frames", two[0], "--frames", two[1], "-c", str(file)]
    )
    assert run.exit_code == ExitCode.USAGE
    assert "at least 3" in run.stderr.replace("\n", " ")


def test_watching_reads_what_comes_and_ctrl_c_ends_it_with_the_result(
    frames: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from polewright.interfaces.cli import passive as command

    file = tmp_path / "p.toml"
    file.write_text(f'{CONFIG}[history]\nenabled = false\n[run]\njournal_folder = "{tmp_path}"\n')
    later = sorted(frames.iterdir())[3:]
    for path in later:
        shutil.move(path, tmp_path / path.name)
    looked = 0

    def wait(_seconds: float, cancel: CancelToken) -> None:
        nonlocal looked
        looked += 1
        if looked == 1:
            for path in later:
                shutil.move(tmp_path / path.name, path)
        else:
            cancel.cancel("stopped by SIGINT")
            cancel.check()

    monkeypatch.setattr(command, "_wait", wait)
    code, out, _ = passive(
        str(frames), "-c", str(file), "--watch", "--within-arcmin", "20", "--json"
    )
    (night,) = json.loads(out)["nights"]
    assert night["frames"] == 6
    assert code == ExitCode.OUT_OF_TOLERANCE
    assert looked == 2
