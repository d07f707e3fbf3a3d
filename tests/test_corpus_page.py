"""The page of a corpus: opened from the disk, it answers what `ask` answers, and loads nothing."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from chromium import CHROMIUM, need_chromium

sys.path.insert(0, str(Path(__file__).parent.parent / "benchmarks"))

from seeworthy.cli import main
from seeworthy.ground.errors import WrongCall
from seeworthy.publish import corpus_page
from seeworthy.publish.corpus import ask, priors
from seeworthy.publish.pool import pool

HOSTILE = "<img src=x onerror=\"document.title='ran'\">"


@pytest.fixture(scope="module")
def corpus(tmp_path_factory):
    import pool as bench

    place = tmp_path_factory.mktemp("page")
    bench.write(place / "packages", 4)
    said = next((place / "packages").rglob("datapackage.json"))
    descriptor = {**json.loads(said.read_text()), "title": HOSTILE}
    said.unlink()  # the others are linked to it
    said.write_text(json.dumps(descriptor))
    return pool([place / "packages"], place / "corpus").folder


def test_a_corpus_too_large_for_a_page_is_refused(corpus, tmp_path, monkeypatch):
    monkeypatch.setattr(corpus_page, "MOST", 799)
    with pytest.raises(WrongCall, match="800 results are too many"):
        corpus_page.corpus_page(corpus, tmp_path / "c.html")
    assert not list(tmp_path.iterdir())
    assert main.run(["ask", str(corpus), "--page", str(tmp_path / "c.txt")]) == 2


def test_the_page_answers_in_a_browser_without_a_server(corpus, tmp_path):
    need_chromium()
    from playwright.sync_api import sync_playwright

    place = tmp_path / "corpus.html"
    assert main.run(["ask", str(corpus), "--page", str(place)]) == 0
    asked: list[str] = []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page()
        page.on("request", lambda r: asked.append(r.url))
        page.goto(place.as_uri())

        def answer() -> list[str]:
            page.locator("#status", has_text="Answered").wait_for(timeout=120_000)
            return page.locator("#answer tr").all_inner_texts()

        answer()
        font = page.evaluate("getComputedStyle(document.querySelector('#sql')).fontFamily")
        assert '"DejaVu Sans Mono"' in font  # the sheet's quotes came through as quotes
        page.fill("#sql", "select measurand, avg(value), '<b>' from results group by 1 order by 1")
        page.click("#ask")
        page.locator("#answer td", has_text="<b>").first.wait_for()
        rows = [r.split("\t") for r in answer()[1:]]
        query = "select measurand, avg(value) from results group by 1 order by 1"
        for shown, (name, mean) in zip(rows, ask(corpus, sql=query).rows, strict=True):
            assert shown[0] == name
            assert float(shown[1]) == pytest.approx(mean, rel=1e-5)
        page.get_by_role("button", name="What to expect").click()
        page.locator("#answer th", has_text="spread_between_benches").wait_for()
        assert len(answer()) == 1 + len(priors(corpus)) > 1
        page.get_by_role("button", name="Who measured").click()
        page.locator("#answer td", has_text=HOSTILE).wait_for()
        page.fill("#sql", "selct 1")
        page.click("#ask")
        page.locator("#status", has_text="cannot be answered: Parser Error").wait_for()
        title = page.title()
        browser.close()
    assert title.startswith("Bench tests")
    assert [u for u in asked if not u.startswith(("file:", "blob:"))] == []
