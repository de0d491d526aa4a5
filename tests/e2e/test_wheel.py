"""The wheel: it builds, and what it holds runs outside the checkout."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.e2e


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the wheel's contents, made without network and away from the checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check"]
    wheel = ["wheel", "--quiet", "--no-deps", "--no-build-isolation", "-w", str(folder), str(ROOT)]
    subprocess.run([*pip, *wheel], check=True, timeout=300)
    (built,) = folder.glob("polewright-*.whl")
    target = folder / "site"
    subprocess.run(
        [*pip, "install", "--quiet", "--no-deps", "--target", str(target), str(built)],
        check=True,
        timeout=300,
    )
    return target


def outside(installed: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run Python with the installed wheel first on the path, from another folder."""
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=installed.parent,
        env={**os.environ, "PYTHONPATH": str(installed)},
        capture_output=True,
        text=True,
        timeout=300,
        check=True,
    )


def test_the_program_and_the_rig_come_from_the_wheel(installed: Path) -> None:
    """Both packages are imported from the wheel, not from the checkout."""
    code = "import polewright, polewright_sim, polewright_wire as w; print(polewright.__file__, w)"

    done = outside(installed, "-c", code)

    assert str(installed) in done.stdout
    assert str(ROOT / "service") not in done.stdout


def test_the_command_line_runs_from_the_wheel(installed: Path) -> None:
    """Version and help work, and the commands that plug in are there."""
    assert outside(installed, "-m", "polewright", "--version").stdout.startswith("polewright ")

    text = outside(installed, "-m", "polewright", "--help").stdout

    for command in ("measure", "devices", "simulate"):
        assert command in text
    page = outside(installed, "-m", "polewright", "handbook", "trouble").stdout
    assert page.startswith("# When something goes wrong")


def test_the_history_makes_its_tables_from_the_wheel(installed: Path, tmp_path: Path) -> None:
    """The migrations travel with the package: an empty database is made ready and listed."""
    url = f"sqlite:///{tmp_path / 'history.sqlite'}"
    nothing = tmp_path / "nothing.jsonl"
    nothing.touch()
    outside(installed, "-m", "polewright", "history", "import", str(nothing), "--url", url)

    done = outside(installed, "-m", "polewright", "history", "list", "--url", url, "--json")

    assert '"runs": []' in done.stdout


def test_data_files_are_in_the_wheel(installed: Path) -> None:
    """The page and the type markers travel with the packages."""
    assert (installed / "polewright" / "py.typed").exists()
    assert (installed / "polewright" / "interfaces" / "web" / "page" / "index.html").exists()
