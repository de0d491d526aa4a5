"""Every command line, every TOML block and every setting that README and handbook show."""

from __future__ import annotations

import inspect
import json
import re
import shlex
import tomllib
from collections.abc import Iterator
from typing import Any, cast
from urllib.parse import urlsplit

import jsonschema
import pytest
import requests
from handbook.documents import DOCUMENTS, ROOT, Block, blocks, told_by_the_source, words_in_code
from typer.core import TyperCommand
from typer.main import get_command

from polewright.calculation.images.detector import StarDetector
from polewright.calculation.planning.horizon_text import parse_horizon
from polewright.devices.motors.base import Adjuster
from polewright.foundation.clock import SystemClock
from polewright.foundation.config import Config, config_from_text
from polewright.interfaces.cli.app import build_app
from polewright.interfaces.web.app import create_app
from polewright.interfaces.web.models import Problem
from polewright.interfaces.web.runner import SessionRunner
from polewright.solving.base import Solver
from polewright_sim.rig import SimulatedRig
from polewright_sim.scenario import scenario_from_text
from polewright_sim.server.server import serve
from polewright_sim.spec import RigSpec

PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
PROGRAMS = ("polewright", "python3", "pip", "curl")
"""What a sentence shows as a command."""


@pytest.fixture
def try_polewright(monkeypatch):
    """Parse a command line by the real command line, up to where it would begin to work."""
    parsed: list[dict[str, Any]] = []
    monkeypatch.setattr(TyperCommand, "invoke", lambda self, ctx: parsed.append(dict(ctx.params)))

    command_line = get_command(build_app())

    def attempt(words: list[str]) -> None:
        parsed.clear()
        command_line(words, standalone_mode=False)
        for given in parsed:
            overrides = {
                name.replace("__", "."): value
                for name, value in given.items()
                if "__" in name and value is not None
            }
            config_from_text("", overrides=overrides)

    return attempt


@pytest.fixture(scope="module")
def rig_url() -> Iterator[str]:
    """A simulated rig on loopback."""
    running = serve(SimulatedRig(RigSpec()), port=0, discovery_port=None)
    yield f"http://{running.host}:{running.port}"
    running.stop()


@pytest.fixture(scope="module")
def api() -> dict[str, Any]:
    """The service's description of itself."""
    session = SessionRunner(lambda extra: Config(), SystemClock())
    description = cast("Any", create_app(session)).app.openapi()
    session.close()
    return description


class Shell:
    """Tries lines of a shell: each program that the documents show, in its own way."""

    def __init__(self, polewright: Any, rig_url: str, api: dict[str, Any]) -> None:
        self.polewright, self.rig_url, self.api = polewright, rig_url, api

    def line(self, line: str) -> None:
        """Try one line; what is not known here is a failure."""
        if found := re.match(r"export (\w+)=(?:\$\((.+)\)|\S+)", line):
            assert next(told_by_the_source(rf"^{found[1]}$"), None), f"nothing reads {found[1]}"
            if found[2]:
                self.line(found[2])
            return
        words = shlex.split(line, comments=True)
        if not words:
            return
        while words[-1] == "&":
            words.pop()
        if ">" in words:
            words = words[: words.index(">")]
        program = re.split(r"[/\\]", words[0])[-1].removesuffix(".exe")
        getattr(self, f"_{program}")(words[1:])

    def _polewright(self, words: list[str]) -> None:
        self.polewright(words)

    def _python3(self, words: list[str]) -> None:
        assert words[:2] == ["-m", "venv"] or (ROOT / words[0]).is_file(), words

    def _pip(self, words: list[str]) -> None:
        assert words[0] == "install"
        for wanted in words[1:]:
            extra = re.fullmatch(r"polewright\[(\w+)\]", wanted)
            assert wanted == "." or (extra and extra[1] in PYPROJECT["optional-dependencies"])

    def _source(self, words: list[str]) -> None:
        assert words == [".venv/bin/activate"]  # what demo/environment.py makes

    def _sudo(self, words: list[str]) -> None:
        self.line(shlex.join(words))

    def _schtasks(self, words: list[str]) -> None:
        task = words[words.index("/TR") + 1]
        self.line(task.replace("\\", "/"))

    def _curl(self, words: list[str]) -> None:
        url = next(word for word in words if word.startswith("http"))
        body = words[words.index("-d") + 1] if "-d" in words else None
        method = words[words.index("-X") + 1] if "-X" in words else "POST" if body else "GET"
        where = urlsplit(url)
        if where.port == 11111:
            answer = requests.request(method, self.rig_url + where.path, data=body, timeout=10)
            assert answer.ok, (url, answer.text)
            return
        assert where.port == 8787
        if where.path == "/api/openapi.json":
            return
        operation = self.api["paths"][where.path][method.lower()]
        wanted = operation.get("requestBody")
        assert (wanted is not None) == (body is not None), url
        if wanted:
            schema = wanted["content"]["application/json"]["schema"]
            whole = {**schema, "components": self.api["components"]}
            jsonschema.validate(json.loads(body or ""), whole)
            for key, value in json.loads(body or "").get("config", {}).items():
                config_from_text("", overrides={key: value})


@pytest.fixture
def shell(try_polewright, rig_url, api) -> Shell:
    return Shell(try_polewright, rig_url, api)


def _sh(text: str, shell: Shell) -> None:
    for line in text.splitlines():
        shell.line(line)


def _ini(text: str, shell: Shell) -> None:
    for line in text.splitlines():
        if line.startswith("ExecStart="):
            shell.line(line.partition("=")[2])


def _pyproject(text: str) -> None:
    for group in tomllib.loads(text)["project"]["entry-points"]:
        assert group in PYPROJECT["entry-points"]


def _python(text: str) -> None:
    """The classes have the members that are asked for, with their parameters."""
    made: dict[str, Any] = {}
    exec(text, made)  # this project's own text
    protocols = {"MyMotors": Adjuster, "MySolver": Solver, "MyDetector": StarDetector}
    one, asked = next((name, known) for name, known in protocols.items() if name in made)
    for name, member in vars(asked).items():
        if inspect.isfunction(member) and not name.startswith("_"):
            given = inspect.signature(getattr(made[one], name)).parameters
            assert list(given) == list(inspect.signature(member).parameters), name
        elif isinstance(member, property):
            assert hasattr(made[one], name), name
    for name in asked.__annotations__:
        assert hasattr(made[one], name), name
    assert callable(made["create"])


def check(block: Block, shell: Shell) -> None:
    """Try one block; a kind that is not known here is a failure."""
    match block.kind:
        case "sh" | "bat":
            _sh(block.text, shell)
        case "ini":
            _ini(block.text, shell)
        case "toml":
            config_from_text(block.text)
        case "toml rig":
            RigSpec.model_validate(tomllib.loads(block.text))
        case "toml faults":
            assert scenario_from_text(block.text).fault
        case "toml pyproject":
            _pyproject(block.text)
        case "horizon":
            parse_horizon(block.text.splitlines())
        case "json":
            Problem.model_validate(json.loads(block.text))
        case "python":
            _python(block.text)
        case other:
            raise AssertionError(f"nobody tries a block of kind {other!r}")


def named(line: str, shell: Shell) -> None:
    """Try a command that a sentence names, which may leave out what it must be given."""
    try:
        shell.line(line)
    except Exception as error:
        left_out = ("MissingParameter", "BadOptionUsage")  # typer's own home for them moves
        if type(error).__name__ not in left_out:
            raise


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_block_is_one_that_works(name: str, shell: Shell) -> None:
    """Commands parse with their options, settings are settings, code has the right members."""
    for block in blocks(name):
        check(block, shell)


@pytest.mark.parametrize("name", DOCUMENTS)
def test_what_sentences_show_as_code_exists(name: str, shell: Shell) -> None:
    """Commands parse, requests are answered, `[table] key = value` is a key and may be so."""
    for code in words_in_code(name):
        if code.split()[0] in PROGRAMS:
            named(code, shell)
        elif found := re.fullmatch(r"(GET|POST) (/\S+)", code):
            assert found[1].lower() in shell.api["paths"][found[2]], code
        elif found := re.fullmatch(r"\[(\w+)\](?: (\w+)(?: = (.+))?)?", code):
            table, key, value = found.groups()
            fields = cast("Any", Config.model_fields[table].annotation).model_fields
            assert key is None or key in fields, code
            if value:
                config_from_text(f"[{table}]\n{key} = {value}")


def test_the_commands_that_messages_name_exist(shell: Shell) -> None:
    """What a message tells to type can be typed."""
    told = list(told_by_the_source(r"`(polewright [^`{]+)`"))

    assert len(told) > 10
    for where, line in told:
        try:
            named(line, shell)
        except Exception as error:
            raise AssertionError(f"{where}: {line}") from error


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        ("sh", "polewright mesure"),
        ("sh", "polewright plan --chart-file a.svg"),
        ("sh", "polewright measure --sweep-points two"),
        ("sh", "polewright measure --sweep-points 2"),
        ("sh", "export POLEWRIGHT_NOTHING=1"),
        ("sh", 'pip install "polewright[everything]"'),
        ("sh", "curl -X POST http://127.0.0.1:8787/api/session/leave"),
        ("sh", "curl http://127.0.0.1:11111/rig/adjusters -d '{\"tilt\": 1}'"),
        ("sh", "python3 demo/walk.py"),
        ("toml", "[sweep]\nstep = 20"),
        ("toml faults", '[[fault]]\nkind = "earthquake"'),
        ("horizon", "60 ten"),
        ("yaml", "a: 1"),
    ],
)
def test_what_does_not_work_is_found(kind: str, text: str, shell: Shell) -> None:
    """The checks above can fail."""
    with pytest.raises(BaseException):  # noqa: B017, PT011 - each program has its own
        check(Block(kind, text), shell)
