"""The handbook: every page is there, whole, linked, and the same in terminal and browser."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from importlib.resources import files
from typing import Any, cast

import pytest
import requests
from handbook.documents import DOCUMENTS, ROOT, links, text_of, told_by_the_source
from PIL import Image
from serving.chromium import browser, needs_chromium
from typer.testing import CliRunner

from polewright.foundation.clock import SystemClock
from polewright.foundation.config import Config, config_from_text, meaning
from polewright.foundation.errors import EXIT_CODES, ExitCode
from polewright.interfaces.cli.app import COMMANDS, build_app
from polewright.interfaces.handbook import pages
from polewright.interfaces.handbook.blocks import BLOCKS
from polewright.interfaces.handbook.html import index_html, page_html
from polewright.interfaces.handbook.pages import PAGES, for_terminal, markdown, title
from polewright.interfaces.page_frame import Look
from polewright.interfaces.web.app import create_app
from polewright.interfaces.web.runner import SessionRunner
from polewright.interfaces.web.server import RunningService
from polewright.observing.safety.retry_policy import RULES

runner = CliRunner()


class Html(HTMLParser):
    """Collects headings' anchors, links, and what a page fetches."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.anchors: set[str] = set()
        self.links: list[str] = []
        self.fetched: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag, attrs) -> None:
        given = dict(attrs)
        if "id" in given:
            self.anchors.add(given["id"])
        if tag == "a":
            self.links.append(given["href"])
        self.fetched += [given[key] for key in ("src", "href") if key in given and tag != "a"]


def test_every_page_has_a_file_and_every_file_is_a_page() -> None:
    """None is forgotten in the list."""
    written = {path.stem for path in (ROOT / "service/polewright/interfaces/handbook").glob("*.md")}

    assert written == set(PAGES)
    for name in PAGES:
        assert title(name)


def test_each_block_that_the_code_tells_stands_in_one_page() -> None:
    """A mark that is gone from the pages, or that nothing fills, is a failure."""
    marks = re.compile(r"^<!-- (.+) -->$", re.MULTILINE)
    asked = [block for name in PAGES for block in marks.findall(pages.source(name))]

    assert sorted(asked) == sorted(BLOCKS)
    assert "<!--" not in "".join(markdown(name) for name in PAGES)


def test_a_mark_that_nothing_fills_is_an_error(monkeypatch) -> None:
    """Readers must never meet it."""
    monkeypatch.setattr(pages, "source", lambda name: "# A\n\n<!-- no such block -->\n")

    with pytest.raises(KeyError):
        markdown("trouble")


def test_settings_exit_codes_and_failures_are_those_of_the_code() -> None:
    """Every key with its default, every code, every rule."""
    settings, trouble = markdown("settings"), markdown("trouble")

    for table, field in Config.model_fields.items():
        assert f"## [{table}]" in settings
        for key, one in cast("Any", field.annotation).model_fields.items():
            if key in ("altitude", "azimuth"):
                assert f"## [{table}.{key}]" in settings
                continue
            assert re.search(rf"^- .*`{key}\b", settings, re.MULTILINE), key
            assert one.description, key
    assert "- `exposure_s = 4.0` (above 0, up to 600): exposure at each point, s" in settings
    assert settings.count("TCP port of the Alpaca server") == 1  # eight devices have one
    for code, words in EXIT_CODES.items():
        assert f"| {int(code)} | {words} |" in trouble
    assert set(EXIT_CODES) == set(ExitCode)
    for rule in RULES.values():
        assert rule.trouble[1:] in trouble
        assert rule.again in trouble
    assert "Tried again 3 times, after 1, 2 and 4 s: the question." in trouble


def test_every_setting_says_why_one_would_change_it_and_errors_do_not() -> None:
    """The reason is a sentence of its own, for those who look settings up; errors leave it out."""
    for table, field in Config.model_fields.items():
        for key, one in cast("Any", field.annotation).model_fields.items():
            if table == "profile" or key == "options":
                continue  # names and ways of the rig; what the solver or adjuster itself takes
            assert re.search(r"\. [A-Z0-9]", one.description), f"[{table}] {key}"
    assert meaning(("sweep", "settle_s")) == (
        "wait after each slew, s; belts ring longest (common practice, no source)"
    )


@pytest.mark.parametrize("name", DOCUMENTS)
def test_links_lead_somewhere(name: str) -> None:
    """To pages and headings that exist, to files of the project; nothing else is linked."""
    for link in links(name):
        target, _, heading = link.partition("#")
        if name == "README":
            assert (ROOT / target).is_file(), link
        else:
            assert target.removesuffix(".md") in PAGES, link
            assert (
                not heading
                or heading in Html(page_html(target.removesuffix(".md"), Look())).anchors
            )


@pytest.mark.parametrize("name", PAGES)
def test_a_page_in_the_browser_fetches_this_service_only(name: str) -> None:
    """Links to pages became addresses here; whatever is loaded is the service's own."""
    page = Html(page_html(name, Look()))

    assert all(link.startswith(("/", "#")) for link in page.links), page.links
    assert all(one.startswith("/") for one in page.fetched)
    assert f'href="/handbook/{name}"' in index_html(Look())


def test_readme_names_every_command_and_every_page() -> None:
    """It is where a reader starts, and it is short."""
    text = text_of("README")

    assert text.count("\n") <= 160

    for command in COMMANDS:
        assert f"`{command}`" in text, command
    for name in PAGES:
        assert f"[{name}]" in text, name
        file = f"service/polewright/interfaces/handbook/{name}.md"
        if "<!--" in (ROOT / file).read_text("utf-8"):  # its tables are not in the file
            assert f"({file}) (its " in text, name
            assert f"`polewright handbook {name}`" in text, name


def test_the_pages_that_messages_name_exist() -> None:
    """A message that sends its reader to the handbook sends him to a page."""
    named = list(told_by_the_source(r"polewright handbook ([a-z-]+)"))

    assert named
    for where, name in named:
        assert name in PAGES, f"{where}: {name}"


def test_the_command_lists_pages_and_shows_one() -> None:
    """Into a pipe goes the Markdown; links are commands there; a wrong name is told."""
    listed = runner.invoke(build_app(), ["handbook"])
    shown = runner.invoke(build_app(), ["handbook", "trouble"])
    wrong = runner.invoke(build_app(), ["handbook", "nonsense"])

    assert listed.exit_code == shown.exit_code == 0
    assert len(listed.output.splitlines()) == len(PAGES) + 2  # a line each, on 80 columns
    for name in PAGES:
        assert f"\n{name} " in f"\n{listed.output}"
    assert shown.output == for_terminal("trouble")
    assert "my obstacles (`polewright handbook obstacles`)" in shown.output
    assert wrong.exit_code == ExitCode.USAGE
    assert "nonsense" in wrong.output
    assert "`polewright handbook` lists the pages" in wrong.output


def test_a_terminal_gets_laid_out_text_of_its_width(monkeypatch) -> None:
    """No Markdown signs are left, and no line is wider than the terminal."""
    from polewright.interfaces.cli import handbook as command
    from polewright.interfaces.cli.terminal import Console

    monkeypatch.setattr(
        command, "Console", lambda **how: Console(force_terminal=True, width=60, **how)
    )
    monkeypatch.setenv("LESS", "-FRX")  # the command sets it where it is not set
    shown = runner.invoke(build_app(), ["handbook", "trouble"])

    plain = re.sub(r"\x1b\[[0-9;]*m", "", shown.output)
    assert "| --- |" not in plain
    assert "**" not in plain
    assert max(len(line) for line in plain.splitlines()) <= 60


@pytest.fixture
def service_url() -> Iterator[str]:
    """A service in front of no rig, that asks for a token."""
    session = SessionRunner(lambda extra: Config(), SystemClock())
    app = create_app(session, "secret", on_lan=True)
    service = RunningService(app, "127.0.0.1", 0, session.feed)
    yield service.url.rstrip("/")
    session.close()
    service.stop()


def test_the_handbook_is_open_where_all_else_needs_the_token(service_url) -> None:
    """Who reads it learns nothing of this rig; a page that is not there shows the list."""
    for path in ("/handbook", "/handbook/trouble", "/handbook.css", "/page.css"):
        assert requests.get(service_url + path, timeout=10).status_code == 200, path
    missing = requests.get(f"{service_url}/handbook/nonsense", timeout=10)
    assert missing.status_code == 404
    assert "/handbook/trouble" in missing.text
    for path in ("/", "/page.js", "/api/session", "/handbook/../api/session", "/handbooks"):
        assert requests.get(service_url + path, timeout=10).status_code == 401, path
    foreign = {"Host": "evil.example"}
    assert requests.get(f"{service_url}/handbook", headers=foreign, timeout=10).status_code == 421


def test_the_alignment_page_leads_to_pages_that_exist() -> None:
    """Its links are checked like those of the pages."""
    page = files("polewright.interfaces.web.page").joinpath("index.html").read_text("utf-8")
    linked = re.findall(r'href="/handbook/?([a-z-]*)"', page)

    assert "" in linked
    assert set(linked) - {""} <= set(PAGES)


@needs_chromium
def test_a_phone_shows_every_page_whole_and_at_night_in_red_only(service_url, tmp_path) -> None:
    """Nothing is wider than the screen; the choice of day or night stays from page to page."""
    with browser(tmp_path / "profile", 390, 844) as driver:
        for path in ("", *(f"/{name}" for name in PAGES)):
            driver.get(f"{service_url}/handbook{path}")
            assert driver.execute_script("return document.documentElement.scrollWidth") == 390, path
            if not path:
                driver.execute_script(
                    "if (document.documentElement.dataset.theme === 'day')"
                    " document.getElementById('theme').click()"
                )
            shot = driver.get_screenshot_as_png()
            with Image.open(io.BytesIO(shot)) as picture:
                (_, red), *others = cast("Any", picture.convert("RGB").getextrema())
            assert red == 255
            assert all(most == 0 for _, most in others), path
        assert driver.get_log("browser") == []


@needs_chromium
def test_a_message_that_names_a_page_leads_there(tmp_path) -> None:
    """On a phone nobody can type the command that a message names."""
    from selenium.webdriver.support.wait import WebDriverWait

    def configured(extra: dict[str, Any]) -> Config:
        return config_from_text("[sweep]\nstep = 20" if extra else "")

    session = SessionRunner(cast("Any", configured), SystemClock())
    service = RunningService(create_app(session), "127.0.0.1", 0, session.feed)
    try:
        with browser(tmp_path / "profile", 390, 844) as driver:
            driver.get(service.url)
            wait = WebDriverWait(driver, 20)
            wait.until(lambda now: now.find_element("id", "go").is_displayed())
            driver.execute_script("document.getElementById('tolerance').value = '0.5'")
            driver.find_element("id", "go").click()
            wait.until(lambda now: now.find_element("id", "ask-yes").is_displayed())
            driver.find_element("id", "ask-yes").click()
            link = wait.until(lambda now: now.find_element("css selector", "#alarm a, #sentence a"))
            told = link.find_element("xpath", "..").text
            assert link.text == "polewright handbook settings"
            assert link.get_attribute("href").endswith("/handbook/settings")
    finally:
        session.close()
        service.stop()
    assert "unknown key" in told
