"""Every state of the page, from made-up snapshots: nothing is cut off, covered or too small."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver.common.keys import Keys
from serving.chromium import browser, needs_chromium, resize
from serving.made_up import SIZES, made_up_service, set_theme, states, wait_shown

from polewright.session.snapshot import SessionSnapshot
from polewright.session.states import Step

pytestmark = [pytest.mark.e2e, needs_chromium]

#: What is wrong with the screen as it stands: text that is cut off, boxes that cover each other or
#: leave the screen, targets smaller than 44 px, a page that scrolls.
_WRONG = """
const wrong = [], gap = 0.6;
const seen = (one) =>
  one.checkVisibility({visibilityProperty: true}) && one.getClientRects().length;
const at = (id) => document.getElementById(id);
const box = (one) => one.getBoundingClientRect();
const root = document.documentElement;
if (root.scrollHeight > innerHeight || root.scrollWidth > innerWidth) wrong.push("page scrolls");
const main = document.querySelector("main");
const adjusts = document.body.dataset.step === "adjusting";
if (adjusts && main.scrollHeight > main.clientHeight + 1) wrong.push("main scrolls");
if (main.scrollWidth > main.clientWidth + 1) wrong.push("main pans");
for (const id of ["word", "knob", "number", "unit", "sentence", "total", "age", "where", "doing"]) {
  const one = at(id);
  if (!seen(one) || !one.textContent) continue;
  const b = box(one);
  const cut = one.closest("#amount, #doing, #plate, header, #told");
  const c = box(cut);
  if (b.left < c.left - gap || b.right > c.right + gap ||
      b.top < c.top - gap || b.bottom > c.bottom + gap)
    wrong.push(id + " leaves " + (cut.id || cut.tagName));
  if (["doing", "sentence", "where"].includes(id) &&
      (one.scrollHeight > one.clientHeight + 1 || one.scrollWidth > one.clientWidth + 1))
    wrong.push(id + " is cut");
}
const boxes = ["order", "amount", "way", "foot", "told", "progress", "picture", "frame", "chart",
  "stop", "main-act", "other"].map(at).filter(seen);
const fixed = adjusts ? boxes : boxes.filter((one) => one.closest("#controls"));
for (const one of fixed) {
  const b = box(one);
  if (b.left < -gap || b.top < -gap || b.right > innerWidth + gap || b.bottom > innerHeight + gap)
    wrong.push(one.id + " leaves the screen");
}
boxes.forEach((one, k) => boxes.slice(k + 1).forEach((other) => {
  const [b, c] = [box(one), box(other)];
  const both = fixed.includes(one) && fixed.includes(other);
  if (both && Math.min(b.right, c.right) - Math.max(b.left, c.left) > gap &&
      Math.min(b.bottom, c.bottom) - Math.max(b.top, c.top) > gap)
    wrong.push(one.id + " covers " + other.id);
}));
for (const one of document.querySelectorAll("button, a, input, summary")) {
  if (!seen(one) || one.classList.contains("skip")) continue;
  const b = box(one.type === "checkbox" || one.type === "range" ? one.closest("label") : one);
  if (b.height < 43.9 || b.width < 43.9) wrong.push((one.id || one.textContent) + " is small");
  if (one.matches("#controls *") &&
      (one.scrollWidth > one.clientWidth || one.scrollHeight > one.clientHeight))
    wrong.push(one.id + " cuts its words");
}
return wrong;
"""
_COVERED = """
const [b, c] = [...arguments].map((id) => document.getElementById(id).getBoundingClientRect());
return Math.min(b.right, c.right) > Math.max(b.left, c.left) + 0.6 &&
  Math.min(b.bottom, c.bottom) > Math.max(b.top, c.top) + 0.6;
"""
_FITTED = """
const done = arguments[arguments.length - 1];
requestAnimationFrame(() => requestAnimationFrame(() => done()));
"""
_FACE = """
const at = (id) => document.getElementById(id);
const shown = (id) => at(id).checkVisibility() ? at(id).innerText : "";
return {shape: at("sign-path").getAttribute("d") + at("sign-mark").getAttribute("d") +
          at("sign-path").getAttribute("transform"),
        word: shown("word"), mode: document.body.dataset.mode, tone: at("plate").dataset.tone,
        plate: at("plate").innerText + " " + shown("sentence"),
        number: shown("number"), unit: shown("unit"),
        main: [...at("main-act").querySelectorAll(".act:not([hidden])")].map((one) => one.id),
        hollow: at("plate").hasAttribute("data-hollow")};
"""
_SAID = """
const done = arguments[arguments.length - 1];
import("/words.js").then((words) => done(words.now(arguments[0], true).said));
"""

#: Pictures that are asked for never come from here on.
_STUCK = """
window.asked = [];
window.Image = class {
  set src(value) { asked.push(value); }
};
"""


def wrong_now(driver: Any) -> list[str]:
    """What is wrong once the letters have found their size."""
    driver.execute_async_script(_FITTED)
    found: list[str] = driver.execute_script(_WRONG)
    return found


@pytest.mark.parametrize("language", ["en", "de"])
def test_every_state_fits_every_screen(language: str, tmp_path: Path) -> None:
    """Phone, small phone, phone on its side and desktop: no scrolling at the mount, nothing cut."""
    troubles = []
    with made_up_service(language) as (runner, url), browser(tmp_path / "profile") as driver:
        driver.get(url)
        driver.execute_script("document.body.dataset.hand = 'right'")
        for name, snapshot in states().items():
            wait_shown(driver, runner.put(snapshot))
            for size, pixels in SIZES.items():
                resize(driver, *pixels)
                troubles += [f"{name}, {size}: {what}" for what in wrong_now(driver)]
        # STOP on the other side, and the night's thicker frame.
        wait_shown(driver, runner.put(states()["past"]))
        set_theme(driver, "night")
        driver.execute_script("document.body.dataset.hand = 'left'")
        for size, pixels in SIZES.items():
            resize(driver, *pixels)
            troubles += [f"left hand, {size}: {what}" for what in wrong_now(driver)]
            stop = driver.find_element("id", "stop").rect
            assert stop["x"] + stop["width"] < 0.5 * pixels[0], size

    assert troubles == []


def test_states_are_told_apart_by_shape_and_word_and_say_nothing_wrong(tmp_path: Path) -> None:
    """Each has a shape of its own, one large button, and "stop" means the button alone."""
    apart = (
        *("turn", "mark", "past", "clouds", "snug", "there", "sweep", "slipped", "paused"),
        *("sweeping", "done", "stopped", "unsafe", "sun", "limit", "refused", "failed"),
    )
    with made_up_service("en") as (runner, url), browser(tmp_path / "profile") as driver:
        driver.get(url)
        faces = {}
        for name, snapshot in states().items():
            wait_shown(driver, runner.put(snapshot))
            faces[name] = driver.execute_script(_FACE)
            said = driver.execute_async_script(_SAID, snapshot.model_dump(mode="json"))
            assert said, name
            assert "stop" not in said.split() or snapshot.step is Step.STOPPED, (name, said)
        for kind in ("shape", "word"):
            assert len({faces[name][kind] for name in apart}) == len(apart), kind
        for name, face in faces.items():
            words = face["plate"].lower().replace(".", " ").replace(",", " ").split()
            assert "stop" not in words, (name, face["plate"])
            moves = states()[name].step in (Step.CHECKING, Step.PLANNING, Step.SWEEPING)
            wanted = 0 if moves else 2 if name == "contradicts" else 1
            assert len(face["main"]) == wanted, (name, face["main"])
        assert faces["contradicts"]["main"] == ["go", "accept-site"]
        assert faces["snug"]["main"] == ["snugged"]
        assert faces["done"]["main"] == ["report"]
        assert "stands still" in faces["unsafe"]["plate"]
        assert "point 2 of 3" in faces["sweeping"]["plate"]
        assert "no stars, try 3" in faces["sweeping-clouds"]["plate"]
        assert 60 <= int(faces["sweeping"]["number"]) <= 74
        assert (faces["clouds"]["number"], faces["clouds"]["unit"]) == ("4", "frames")
        assert "has confirmed" in faces["done"]["plate"]
        assert "east and west look exchanged" in faces["contradicts"]["plate"]
        for name in ("turning", "mark", "hold", "past"):
            assert faces[name]["hollow"], name
        assert not faces["turn"]["hollow"]
        # An owner's own words for the adjuster, as large as the direction.
        assert "left knob, clockwise, about 1 1/4 turns" in faces["turn"]["plate"].replace(
            "\n", " "
        )


def test_what_is_no_message_does_not_outweigh_it(tmp_path: Path) -> None:
    """Words beside a count are smaller than it; STOP is no filled button once nothing runs; the
    dial's scale keeps clear of its sides; a phone cuts no caption."""
    sizes = """return ['number', 'unit'].map((id) =>
      parseFloat(getComputedStyle(document.getElementById(id)).fontSize))"""
    apart = """const [scale, up] = [".scale", ".side"].map((one) =>
      document.querySelector("#error-picture " + one).getBoundingClientRect());
      return up.left - scale.right"""
    cut = """const one = document.getElementById("frame-words");
      return one.scrollHeight > one.clientHeight + 1 || one.scrollWidth > one.clientWidth + 1"""
    filled = """const of = (id) => getComputedStyle(document.getElementById(id)).backgroundColor;
      return of("stop") !== of("now")"""
    with made_up_service("de") as (runner, url), browser(tmp_path / "profile") as driver:
        driver.get(url)
        for pixels in (SIZES["phone"], SIZES["desktop"]):
            resize(driver, *pixels)
            wait_shown(driver, runner.put(states()["sweeping"]))
            number, unit = driver.execute_script(sizes)
            assert unit < 0.5 * number
            assert driver.execute_script(filled)
            wait_shown(driver, runner.put(states()["turn"]))
            assert driver.execute_script(apart) > 0.0
            assert not driver.execute_script(cut)
            wait_shown(driver, runner.put(states()["done"]))
            assert not driver.execute_script(filled)


def test_the_figure_is_always_the_way_left_on_one_scale(tmp_path: Path) -> None:
    """From the first frame of a pass to its last the unit, the decimals and the size stay."""
    first = states()["turn"]
    assert first.advice is not None
    assert first.error is not None
    with made_up_service("en") as (runner, url), browser(tmp_path / "profile") as driver:
        driver.get(url)
        seen = set()
        tails = []
        for arcmin in (24.0, 12.4, 7.06, 2.994, 0.61):
            advice = first.advice.model_copy(update={"amount_arcmin": arcmin})
            error = first.error.model_copy(update={"total_arcmin": arcmin + 3.0})
            version = runner.put(first.model_copy(update={"advice": advice, "error": error}))
            wait_shown(driver, version)
            face = driver.execute_script(_FACE)
            assert face["number"] == f"{arcmin:.1f}"
            size = driver.execute_script(
                "return getComputedStyle(document.getElementById('amount')).fontSize"
                " + document.getElementById('amount').getBoundingClientRect().height"
            )
            same = driver.execute_script(
                "return ['number', 'unit'].map((id) =>"
                " getComputedStyle(document.getElementById(id)).fontSize)"
            )
            assert same[0] == same[1]
            seen.add((face["unit"], size, same[0]))
            path = driver.find_element("id", "sign-path").get_attribute("d")
            tails.append(float(path.split("V")[1].split("H")[0]))
        assert len(seen) == 1
        assert tails == sorted(tails, reverse=True)  # the arrow gets shorter
        assert tails[-1] < tails[0] - 30.0


def test_motion_is_thought_on_hollow_and_never_past_the_mark(tmp_path: Path) -> None:
    """Between two readings of an axis that moves the figure runs on, until a frame confirms it."""
    turning = states()["turning"]

    def at(amount: float, state: str = "moving", **more: Any) -> SessionSnapshot:
        assert turning.advice is not None
        assert turning.error is not None
        advice = turning.advice.model_copy(update={"amount_arcmin": amount, **more})
        error = turning.error.model_copy(update={"state": state})
        return turning.model_copy(update={"advice": advice, "error": error})

    with made_up_service("en") as (runner, url), browser(tmp_path / "profile") as driver:
        driver.get(url)
        wait_shown(driver, runner.put(at(9.0)))
        time.sleep(1.0)
        wait_shown(driver, runner.put(at(6.0)))  # 3 arcmin a second: there in two
        numbers = []
        for _ in range(40):
            face = driver.execute_script(_FACE)
            assert face["hollow"]
            numbers.append(float(face["number"]))
            time.sleep(0.05)
        assert min(numbers) < 6.0
        assert min(numbers) >= 0.0
        assert numbers == sorted(numbers, reverse=True)
        wait_shown(driver, runner.put(at(1.2, "settled", action="raise")))
        face = driver.execute_script(_FACE)
        assert (face["number"], face["hollow"]) == ("1.2", False)


def test_what_is_long_and_the_other_buttons_lie_behind_a_tap(tmp_path: Path) -> None:
    """The sentence is short; its long form takes the dial's place, and goes again."""
    with made_up_service("en") as (runner, url), browser(tmp_path / "profile") as driver:
        driver.get(url)
        wait_shown(driver, runner.put(states()["turn"]))
        long = driver.find_element("id", "long")
        assert not long.is_displayed()
        driver.find_element("id", "why").click()
        assert "Heavy load" in long.text
        assert wrong_now(driver) == []
        driver.find_element("id", "why").click()
        assert not long.is_displayed()

        pause = driver.find_element("id", "pause")
        assert not pause.is_displayed()
        driver.find_element("id", "other").click()
        assert pause.is_displayed()
        assert driver.find_element("id", "note-turns").is_displayed()
        assert wrong_now(driver) == []
        for pixels in SIZES.values():
            resize(driver, *pixels)
            covered = driver.execute_script(_COVERED, "others", "stop")
            assert not covered, pixels
        driver.find_element("tag name", "body").send_keys(Keys.ESCAPE)
        assert not pause.is_displayed()
        for pixels in SIZES.values():  # cause, remedy and both buttons, without scrolling
            resize(driver, *pixels)
            wait_shown(driver, runner.put(states()["contradicts"]))
            assert wrong_now(driver) == []
            for ident in ("knob", "sentence", "go", "accept-site", "stop"):
                bottom = driver.find_element("id", ident).rect
                assert bottom["y"] + bottom["height"] <= pixels[1], (ident, pixels)


def test_after_stop_the_plate_does_not_go_back_to_what_was_before(tmp_path: Path) -> None:
    """The mount stands, the session takes a second longer to end: STOPPED is said at once.

    Pictures that do not come over a slow line leave it the lines it needs.
    """
    with made_up_service("en") as (runner, url), browser(tmp_path / "profile") as driver:
        driver.get(url)
        driver.execute_script(_STUCK)
        for number in range(1, 6):
            at_rest = states()["turn-east"]
            assert at_rest.frame is not None
            frame = at_rest.frame.model_copy(update={"number": number})
            wait_shown(driver, runner.put(at_rest.model_copy(update={"frame": frame})))
        assert len(driver.execute_script("return asked")) == 1
        wait_shown(driver, runner.put(states()["sweeping"]))
        assert driver.execute_script(_FACE)["word"] == "HANDS OFF"
        driver.find_element("id", "stop").click()
        deadline = time.monotonic() + 300.0
        while not driver.find_element("id", "alarm").is_displayed() or (
            "STOP was pressed" not in driver.find_element("id", "alarm").text
        ):
            assert time.monotonic() < deadline
        for _ in range(5):
            assert driver.execute_script(_FACE)["word"] == "STOPPED"
            wait_shown(driver, runner.put(states()["sweeping"]))
        wait_shown(driver, runner.put(states()["stopped"]))
        assert driver.execute_script(_FACE)["word"] == "STOPPED"

        # The same session taken up again: it keeps its id, and its versions begin anew.
        again = states()["sweeping"]
        later_s = (again.began_utc_s or 0.0) + 900.0
        runner.now = runner.now.model_copy(update={"version": 0})
        runner.put(again.model_copy(update={"began_utc_s": later_s}))
        while driver.execute_script(_FACE)["word"] != "HANDS OFF":
            assert time.monotonic() < deadline + 20.0
            time.sleep(0.02)


def test_stop_works_before_the_page_s_own_scripts_have_come(tmp_path: Path) -> None:
    """They are several files: on a slow line a press was lost, and nothing said so."""
    with made_up_service("en") as (runner, url), browser(tmp_path / "profile") as driver:
        driver.execute_cdp_cmd("Network.enable", {})
        driver.execute_cdp_cmd("Network.setBlockedURLs", {"urls": ["*/page.js"]})
        driver.get(url)
        driver.find_element("id", "stop").click()
        deadline = time.monotonic() + 300.0
        while not runner.stops:
            assert time.monotonic() < deadline
            time.sleep(0.01)
        driver.execute_cdp_cmd("Network.setBlockedURLs", {"urls": []})
        driver.execute_async_script("import('/page.js').then(() => arguments[0]())")
        while "STOP was pressed" not in driver.find_element("id", "alarm").text:
            assert time.monotonic() < deadline
        assert runner.stops == 2  # the page asked what came of it
