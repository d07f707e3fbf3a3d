"""The whole job in a real browser: new bench to report, on a desk, a phone, and by keyboard.

Needs Debian's Chromium; skipped without it on a user's machine, an error in CI.
"""

from __future__ import annotations

import socket
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
import pytest

from cards import clip
from chromium import CHROMIUM, need_chromium

pytestmark = pytest.mark.browser
need_chromium()

HERE = Path(__file__).parent
AXE = (HERE / "vendor" / "axe.min.js").read_text(encoding="utf-8")
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


def one_thread():
    return ThreadPoolExecutor(1)


class Server:
    """The application behind a real socket, in a thread."""

    def __init__(self, folder):
        import uvicorn

        from seeworthy.web.app import create_app
        from seeworthy.web.trust import Door

        self.listener = socket.socket()
        self.listener.bind(("127.0.0.1", 0))
        port = self.listener.getsockname()[1]
        self.address = f"http://127.0.0.1:{port}"
        app = create_app(
            folder, door=Door(port=port), executor=one_thread, peek_executor=one_thread
        )
        self.site = app.state.site
        config = uvicorn.Config(app, log_level="error", timeout_graceful_shutdown=1, ws="none")
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(
            target=self.server.run, kwargs={"sockets": [self.listener]}, daemon=True
        )
        self.thread.start()
        while not self.server.started:
            time.sleep(0.02)

    def close(self):
        if self.site.has_bench:
            self.site.keeper.wait(30)
        self.server.should_exit = True
        self.thread.join(10)
        self.listener.close()


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture
def server(tmp_path):
    made = Server(tmp_path / "dunes")
    yield made
    made.close()


class Visit:
    """One visitor: every request is noted, errors of scripts and of the policy are kept."""

    def __init__(self, browser, address, **how):
        self.address = address
        self.context = browser.new_context(accept_downloads=True, **how)
        self.page = self.context.new_page()
        self.page.set_default_timeout(15_000)
        self.hosts, self.errors = set(), []
        self.page.on("request", lambda r: self.hosts.add(urlsplit(r.url).netloc))
        self.page.on("pageerror", lambda e: self.errors.append(str(e)))
        self.page.on("console", self._console)

    def _console(self, message):
        if message.type == "error" and "Content Security" in message.text:
            self.errors.append(message.text)

    def go(self, path):
        self.page.goto(self.address + path)
        return self.page

    def check(self):
        assert self.errors == []
        assert self.hosts <= {urlsplit(self.address).netloc, ""}, "a request left the host"
        self.context.close()

    def axe(self):
        # Through the driver, not as a script of the page: the page's policy allows none.
        self.page.evaluate(AXE)
        found = self.page.evaluate(
            "axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']})"
        )
        return [
            (self.page.url, v["id"], v["impact"], [n["html"][:160] for n in v["nodes"][:3]])
            for v in found["violations"]
            if v["impact"] in ("serious", "critical")
        ]

    def sticks_out(self):
        return self.page.evaluate("document.documentElement.scrollWidth - innerWidth")


def card_folder(site, folder):
    """Film a card: two slated clips of one unit, one without a slate."""
    from seeworthy.bench.cameras import list_cameras
    from seeworthy.bench.slates import slate_for

    unit = list_cameras(site.bench)[0].units[0].id
    rng = np.random.default_rng(11)
    folder.mkdir()
    clip(folder / "AAA1.MOV", rng, slate_for(site.bench, unit, "stream")[1])
    clip(folder / "AAA2.MOV", rng, slate_for(site.bench, unit, "timing")[1])
    clip(folder / "AAA3.MOV", rng)
    return folder


def test_the_whole_job(browser, server, tmp_path):
    visit = Visit(browser, server.address, viewport={"width": 1280, "height": 900})
    page = visit.go("/")
    page.evaluate(
        "document.body.append(document.createElement('img'), document.createElement('input'))"
    )
    assert {found[1] for found in visit.axe()} >= {"image-alt", "label"}  # it would be seen
    page = visit.go("/")
    trouble = visit.axe()

    # A new bench with a camera, and what its seller says.
    page.get_by_label("What you call it").fill("Dunlin")
    page.get_by_role("button", name="Add the camera").click()
    page.get_by_role("heading", name="Dunlin").wait_for()
    page.get_by_label("What it is about").select_option("hfov")
    page.get_by_label("What the seller writes").fill("90 deg")
    page.get_by_role("button", name="Enter", exact=True).click()
    page.get_by_text("not tested").first.wait_for()
    page.get_by_label("The seller’s text").fill("Weight 15 g\n30 fps")
    page.get_by_role("button", name="Pick out the claims").click()
    page.get_by_role("heading", name="Confirm the claims").wait_for()
    trouble += visit.axe()
    page.get_by_role("button", name="Enter what is ticked").click()
    page.get_by_text("15 g").first.wait_for()
    trouble += visit.axe()

    # What to film.
    visit.go("/shoot")
    page.get_by_label("What the file says").check()
    page.get_by_label("Frame timing").check()
    page.get_by_label("Dunlin").check()
    page.get_by_role("button", name="Make the sheet").click()
    page.get_by_role("heading", name="Shoot of").wait_for()
    trouble += visit.axe()
    page.get_by_role("link", name="Dunlin: timing").click()
    page.get_by_role("img", name="Slate for timing").wait_for()
    trouble += visit.axe()

    # The card comes in; one clip has no slate and is guessed wrong: the user puts it right.
    card = card_folder(server.site, tmp_path / "card")
    visit.go("/import")
    trouble += visit.axe()
    page.get_by_label("Its folder").fill(str(card))
    page.get_by_role("button", name="Look at it").click()
    page.get_by_role("heading", name="Unsure: please look").wait_for(timeout=60_000)
    trouble += visit.axe()
    lost = page.locator("li.file", has_text="AAA3.MOV")
    lost.locator("summary").focus()
    page.keyboard.press("Enter")
    lost.get_by_label("Test").select_option("stream|")
    lost.get_by_label("Camera").select_option(label="Dunlin")
    lost.get_by_role("button", name="So it is").click()
    page.get_by_role("heading", name="Takes that these files make").wait_for()
    assert page.get_by_role("heading", name="Unsure: please look").count() == 0
    page.get_by_role("button", name="Take in what is sure").click()
    page.get_by_text("Taken in:").wait_for()
    server.site.keeper.wait(60)

    # Readings with their consequence while typing, then the result with its figure.
    visit.go("/procedures/view?camera=Dunlin")
    page.get_by_role("textbox", name="width", exact=True).fill("73.7 in ± 0.1 in")
    page.get_by_role("textbox", name="distance (needed)").fill("60.0 in ± 0.1 in")
    page.locator("#consequence", has_text="63.").wait_for()
    assert "° ± " in page.locator("#consequence").inner_text()
    trouble += visit.axe()
    page.get_by_role("button", name="Enter and measure").click()
    page.locator(".stamp.measured").wait_for(timeout=60_000)
    page.locator(".reader.figure").first.scroll_into_view_if_needed()
    page.locator(".reader.figure input[type=range]").first.press("ArrowRight")
    assert ":" in page.locator(".reader.figure .readout").first.inner_text()
    trouble += visit.axe()

    # A clip through the browser, and a look at its frames.
    visit.go("/procedures/timing?camera=Dunlin")
    page.locator(".drop input[type=file]").first.set_input_files(str(card / "AAA3.MOV"))
    page.get_by_role("button", name="Enter and measure").click()
    page.locator(".stamp.measured, .stamp.refused").first.wait_for(timeout=60_000)
    page.get_by_role("link", name="Look at its frames").click()
    page.get_by_role("application").wait_for()
    page.get_by_role("button", name="10 on").click()
    page.get_by_text("Frame 10 of 16").wait_for()
    page.get_by_role("application").press("Enter")
    page.get_by_role("application").press("ArrowLeft")
    assert page.locator(".px").input_value().count(",") == 3
    trouble += visit.axe()

    # A second camera, then judgement.
    visit.go("/")
    trouble += visit.axe()
    page.get_by_text("Add a camera").click()
    page.get_by_label("What you call it").fill("Whimbrel")
    page.get_by_role("button", name="Add the camera").click()
    page.get_by_role("heading", name="Whimbrel").wait_for()
    visit.go("/procedures/view?camera=Whimbrel")
    page.get_by_role("textbox", name="width", exact=True).fill("75 in ± 0.1 in")
    page.get_by_role("textbox", name="distance (needed)").fill("60.0 in ± 0.1 in")
    page.get_by_role("button", name="Enter and measure").click()
    page.locator(".stamp.measured").wait_for(timeout=60_000)
    visit.go("/compare")
    page.get_by_role("button", name="Compare").click()
    page.locator("details.fold summary").first.click()
    page.locator(".reader.figure").first.wait_for()
    # Two values stand in the table; a slider over them would be one control too many.
    assert page.locator(".reader.figure input[type=range]").count() == 0
    page.get_by_role("button", name="Value").first.click()
    assert page.locator("th[aria-sort=ascending]").count() == 1
    trouble += visit.axe()
    visit.go("/suit?purpose=kite-picture")
    page.get_by_text("What to test next").wait_for()
    trouble += visit.axe()
    visit.go("/plan")
    page.get_by_label("Speed over the ground").fill("14 m/s ± 2 m/s")
    page.get_by_label("To what is looked at").fill("60 m ± 10 m")
    page.get_by_role("button", name="Foresee it").click()
    page.get_by_role("heading", name="Dunlin").wait_for()
    trouble += visit.axe()
    for path in ("/procedures", "/takes", "/targets", "/settings", "/suit", "/suit/edit",
                 "/reports", "/reports/data", "/reports/1/cards", "/compare/time", "/mend",
                 "/mend/recover", "/import", "/clock", "/nowhere"):  # fmt: skip
        visit.go(path)
        trouble += visit.axe()
    # A report runs no script, not even axe: it is looked at as the file that is given away.
    made = visit.context.request.get(f"{server.address}/reports/1?download=true", timeout=60_000)
    page.goto("about:blank")
    page.set_content(made.text())
    page.get_by_role("heading", name="Verdict").wait_for()
    trouble += visit.axe()
    visit.go("/reports")
    with page.expect_download(timeout=60_000) as waiting:
        page.get_by_role("link", name="PDF report of Dunlin").click()
    assert Path(waiting.value.path()).read_bytes()[:5] == b"%PDF-"
    assert trouble == []
    visit.check()


def test_on_a_phone(browser, server):
    visit = Visit(
        browser, server.address, viewport={"width": 360, "height": 740}, has_touch=True,
        is_mobile=True, reduced_motion="reduce",
    )  # fmt: skip
    page = visit.go("/")
    page.get_by_label("What you call it").fill("Dunlin")
    page.get_by_role("button", name="Add the camera").tap()
    page.get_by_role("heading", name="Dunlin").wait_for()
    visit.go("/procedures/view?camera=Dunlin")
    page.get_by_role("textbox", name="width", exact=True).fill("73.7 in ± 0.1 in")
    page.get_by_role("textbox", name="distance (needed)").fill("60.0 in ± 0.1 in")
    page.locator("#consequence", has_text="63.").wait_for()
    page.get_by_role("button", name="Enter and measure").tap()
    page.locator(".stamp.measured").wait_for(timeout=60_000)
    for path in ("/", "/cameras/1", "/takes", "/takes/1", "/procedures", "/procedures/battery",
                 "/shoot?test=view&test=readout&unit=1", "/slate?unit=1&test=readout", "/import",
                 "/compare", "/suit?purpose=kite-picture", "/plan?motion.speed=14+m/s", "/reports",
                 "/targets", "/settings", "/suit/edit"):  # fmt: skip
        visit.go(path)
        assert visit.sticks_out() <= 0, path
    visit.check()


def test_a_long_name_sticks_out_nowhere_on_a_small_phone(browser, server):
    visit = Visit(browser, server.address, viewport={"width": 320, "height": 600})
    page = visit.go("/")
    name = "W" * 199 + "M"
    page.get_by_label("What you call it").fill(name)
    page.get_by_role("button", name="Add the camera").click()
    page.get_by_role("heading", name=name).wait_for()
    page.get_by_label("What it is about").select_option("hfov")
    page.get_by_label("What the seller writes").fill("170 deg")
    page.get_by_role("button", name="Enter", exact=True).click()
    visit.go("/procedures/view?camera=" + name)
    page.get_by_role("textbox", name="width", exact=True).fill("73.7 in ± 0.1 in")
    page.get_by_role("textbox", name="distance (needed)").fill("60.0 in ± 0.1 in")
    page.get_by_role("button", name="Enter and measure").click()
    page.locator(".stamp.measured").wait_for(timeout=60_000)
    paths = [
        "/", "/cameras/1", "/takes", "/procedures?camera=" + name, "/procedures/view", "/compare",
        "/shoot?test=readout&unit=1", "/slate?unit=1&test=readout", "/suit", "/reports",
        "/suit?purpose=kite-picture", "/plan?motion.speed=14+m/s", "/takes/1", "/suit/edit",
        "/reports/data", "/reports/1/cards", "/reports/1", "/compare/time", "/mend",
        "/mend/recover", "/import", "/settings", "/targets", "/clock",
    ]  # fmt: skip
    wide = {}
    for path in paths:
        visit.go(path)
        if path == "/reports/1":
            page.get_by_role("heading", name="Verdict").wait_for(timeout=60_000)
        wide[path] = visit.sticks_out()
    assert max(wide.values()) <= 0, wide


def test_the_clock_keeps_its_proportions(browser, server):
    visit = Visit(browser, server.address, viewport={"width": 320, "height": 256})
    page = visit.go("/clock?at=1000")
    shape = (
        "(() => { const c = document.getElementById('clock');"
        " return [c.width, c.height, c.clientWidth, c.clientHeight]; })()"
    )
    width, height, shown, tall = page.evaluate(shape)
    assert height > 100
    assert width / height == pytest.approx(shown / tall, rel=0.02)
    # The element changes and the window does not: as in a browser that is full screen already.
    page.evaluate("document.querySelector('footer').remove()")
    page.evaluate("document.getElementById('clock').style.height = '500px'")
    page.evaluate("document.getElementById('clock').style.flex = 'none'")
    page.wait_for_timeout(300)
    width, height, shown, tall = page.evaluate(shape)
    assert tall == 500
    assert width / height == pytest.approx(shown / tall, rel=0.02)


def test_by_keyboard_only(browser, server, tmp_path):
    visit = Visit(browser, server.address)
    page = visit.go("/")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    tab_to(page, "name")
    page.keyboard.type("Dunlin")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Dunlin").wait_for()
    visit.go("/procedures/view?camera=Dunlin")
    tab_to(page, "reading.width")
    page.keyboard.type("73.7 in ± 0.1 in")
    tab_to(page, "reading.distance")
    page.keyboard.type("60.0 in ± 0.1 in")
    page.keyboard.press("Enter")
    page.locator(".stamp.measured").wait_for(timeout=60_000)
    judge_by_keyboard(visit, server, tmp_path)
    visit.check()


def judge_by_keyboard(visit, server, tmp_path):
    """Suit, plan, compare and a card by keys alone; the answer has the focus after each."""
    from seeworthy.bench.cameras import add_camera
    from seeworthy.bench.takes import add_take

    page = visit.go("/suit")
    tab_to(page, "purpose")
    page.keyboard.press("Space")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Boosted rocket flight", level=2).wait_for()
    visit.go("/plan")
    tab_to(page, "motion.speed")
    page.keyboard.type("14 m/s")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Dunlin").wait_for()
    add_camera(server.site.bench, "Whimbrel")
    given = {"width": ["75 in ± 0.1 in"], "distance": ["60.0 in ± 0.1 in"]}
    add_take(server.site.bench, "view", "Whimbrel", readings=given)
    server.site.keeper.start()
    server.site.keeper.wait(60)
    visit.go("/compare")
    tab_to(page, "by")
    page.keyboard.press("Enter")
    page.get_by_role("link", name="Horizontal angle of view").wait_for()
    visit.go("/import")
    tab_to(page, "folder")
    page.keyboard.type(str(card_folder(server.site, tmp_path / "card")))
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Takes that these files make").wait_for(timeout=60_000)


def tab_to(page, name):
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.name") == name:
            return
    raise AssertionError(f"the keyboard does not reach '{name}'")


def test_an_upload_that_breaks_off_goes_on(browser, server, tmp_path):
    from seeworthy.bench.cameras import add_camera

    server.site.begin()
    add_camera(server.site.bench, "Dunlin")
    path = tmp_path / "log.csv"
    path.write_bytes(b"time,height\n" + b"0.1,2\n" * 4_000_000)
    visit = Visit(browser, server.address)
    page = visit.go("/procedures/load?camera=Dunlin")
    broken = []

    def cut(route):
        if len(broken) < 2 and "offset=8388608" in route.request.url:
            broken.append(route.request.url)
            route.abort()
        else:
            route.continue_()

    page.route("**/uploads/*", cut)
    page.locator(".drop input[type=file]").first.set_input_files(str(path))
    page.get_by_text("here", exact=True).wait_for()
    assert len(broken) == 2
    (part,) = (server.site.folder / "uploads").glob("*.part")
    assert part.stat().st_size == path.stat().st_size
    visit.check()
